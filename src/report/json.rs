//! JSON: the outcome as it is, every digit of it.
//!
//! Fields come in the order of the types and maps in the order of their keys, so equal outcomes give
//! equal bytes. The layout is documented field by field in `schema/`.

use serde::Serialize;

/// `value` as indented JSON, ending in a newline.
///
/// # Panics
/// If `T` cannot be expressed as JSON at all (a map keyed by something other than text). No type of
/// `outcome` is like that, whatever its content: their maps are keyed by strings, and a number that is
/// not finite becomes null.
pub fn to_json<T: Serialize>(value: &T) -> String {
    // Writing to memory cannot fail, and derived `Serialize` on plain structs raises no error of its own.
    let mut text = serde_json::to_string_pretty(value).expect("plain data with text keys is JSON");
    text.push('\n');
    text
}
