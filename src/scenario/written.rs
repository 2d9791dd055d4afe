//! A scenario with changes, written out as a file of its own.

use serde::ser::{Error, Serialize, SerializeMap, SerializeSeq, Serializer};

use super::diagnostics::{Diagnostic, Diagnostics, Source};
use super::load::add_syntax;
use super::overrides::{Override, apply};
use super::tree::{Node, Table, Value, read_document, read_value};

/// The text of a scenario with its changes made: the same keys and values in the same order, without its comments.
///
/// # Errors
/// A mistake of grammar, a change whose path leads nowhere, or a value that no key takes: a date, a number beyond 64 bits.
pub fn written(text: &str, name: &str, changes: &[Override]) -> Result<String, Diagnostics> {
    let mut sources = vec![Source { name: name.into(), text: text.into() }];
    sources.extend(changes.iter().map(Override::source));
    let mut out = Diagnostics::new(sources);
    let (mut root, mistakes) = read_document(text);
    apply(&mut root, changes, &mut out);
    add_syntax(&mut out, text, mistakes);
    if !out.is_empty() {
        return Err(out);
    }
    toml::to_string(&root).map_err(|error| {
        out.push(Diagnostic::of_file(format!("the scenario cannot be written out: {error}")));
        out
    })
}

/// Whether a value of a change is a text, and stands in quotes in a file.
pub fn is_text(value: &str) -> bool {
    read_value(value, 0, 0).is_err()
}

impl Serialize for Table {
    fn serialize<S: Serializer>(&self, to: S) -> Result<S::Ok, S::Error> {
        // Keys of a table come before the tables in it, or they would be read as theirs.
        let is_table = |node: &Node| match &node.value {
            Value::Table(_) => true,
            Value::List(items) => {
                !items.is_empty() && items.iter().all(|item| matches!(item.value, Value::Table(_)))
            }
            _ => false,
        };
        let (tables, plain): (Vec<_>, Vec<_>) =
            self.entries().iter().partition(|entry| is_table(&entry.node));
        let mut map = to.serialize_map(Some(self.entries().len()))?;
        for entry in plain.into_iter().chain(tables) {
            map.serialize_entry(&entry.key, &entry.node)?;
        }
        map.end()
    }
}

impl Serialize for Node {
    fn serialize<S: Serializer>(&self, to: S) -> Result<S::Ok, S::Error> {
        match &self.value {
            Value::Text(text) => to.serialize_str(text),
            Value::Whole(number) => {
                let number = number.and_then(|number| i64::try_from(number).ok());
                to.serialize_i64(number.ok_or_else(|| S::Error::custom("a number beyond 64 bits"))?)
            }
            Value::Number(number) => to.serialize_f64(*number),
            Value::Flag(flag) => to.serialize_bool(*flag),
            Value::Date => Err(S::Error::custom("a date")),
            Value::List(items) => {
                let mut list = to.serialize_seq(Some(items.len()))?;
                items.iter().try_for_each(|item| list.serialize_element(item))?;
                list.end()
            }
            Value::Table(table) => table.serialize(to),
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Written out with a change and read again it is the scenario that the change makes of the original.
    #[test]
    fn what_is_written_reads_as_what_was_meant() {
        for name in ["emberley.toml", "emberley-everything.toml", "emberley-day.toml"] {
            let folder = std::path::Path::new(env!("CARGO_MANIFEST_DIR")).join("workloads");
            let text = std::fs::read_to_string(folder.join(name)).expect("a scenario of the repository");
            let change = |path: &str, value: &str| Override { path: path.into(), value: value.into() };
            let changes = [
                change("design.cpu.cores", "12"),
                change("parts.nvme-gen4-read-centric-3840.price", "611"),
                change("design.drives.part", "nvme-gen4-read-centric-3840"),
            ];
            let read = |text: &str, changes: &[Override]| {
                let mut read = crate::scenario::parse(text, name, &folder, changes).expect("a scenario");
                read.digest = String::new();
                format!("{read:?}")
            };
            let copy = written(&text, name, &changes).expect("written");
            assert_eq!(read(&copy, &[]), read(&text, &changes), "{copy}");
        }
    }

    #[test]
    fn what_no_file_can_hold_is_told() {
        let wrong = written("[run]\nseed = 99999999999999999999\n", "s", &[]).expect_err("beyond 64 bits");
        assert!(wrong.first_title().contains("cannot be written out"), "{}", wrong.first_title());
    }

    #[test]
    fn texts_are_told_from_values() {
        assert!(is_text("raw") && is_text("8 KiB") && !is_text("8") && !is_text("{ mean = 1 }"));
    }
}
