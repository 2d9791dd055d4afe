//! Keys that the design has a place for and this version does not read.
//!
//! Someone who writes one of these has not misspelt anything, so the message must not guess at
//! spelling.

/// Paths as in the table of keys; everything below a path counts too.
const LATER: &[&str] = &["class.NAME.shared"];

/// The entry that covers a path, if it is one for later.
pub fn later(path: &str) -> Option<&'static str> {
    LATER
        .iter()
        .copied()
        .find(|l| path == *l || path.strip_prefix(l).is_some_and(|rest| rest.starts_with('.')))
}
