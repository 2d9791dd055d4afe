//! The one table of scenario keys, and how to find a row in it.
//!
//! The reader takes kind, range and default from here, messages take the words, and `explain`
//! prints the row: nothing about a key is written down twice. Rows are in `rows`; a new key is a
//! new row there and a line where its section is read.

mod later;
mod rows;

pub use later::later;
pub use rows::ROWS;

use super::units::Dimension;

/// A key of the scenario.
#[derive(Debug)]
pub struct Row {
    /// Dotted path; NAME stands for a name that the user chooses, TIME for any key of kind `Law`, SWEEP for a sweep file.
    pub path: &'static str,
    /// What its value is.
    pub kind: Kind,
    /// What holds where it is left out.
    pub default: Default,
    /// A value as one would write it, in TOML.
    pub example: &'static str,
    /// Where range and default come from.
    pub source: &'static str,
    /// What it means, in plain words.
    pub words: &'static str,
}

/// What holds where a key is left out.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Default {
    /// It must be given.
    Required,
    /// Nothing stands in for it: other keys decide whether it must be there, as these words say.
    Due(&'static str),
    /// This value, in TOML.
    Value(&'static str),
    /// Nothing, or what these words say.
    Words(&'static str),
}

/// The kind of a value.
#[derive(Clone, Copy, Debug, PartialEq)]
pub enum Kind {
    /// A text, not empty, without control characters.
    Text,
    /// The name of a file.
    File,
    /// A list of texts, of these words if there are any.
    Texts(&'static [&'static str]),
    /// A whole number.
    Whole(Range),
    /// A number.
    Number(Range),
    /// A number, or a list of its lowest and highest where it is not known.
    NumberOrRange(Range),
    /// true or false.
    Flag,
    /// A number with a unit; the unit is the likely one where none is given.
    Quantity(Dimension, Range, &'static str),
    /// The same, or a list of its lowest and highest.
    QuantityOrRange(Dimension, Range, &'static str),
    /// A size that is a power of two.
    PowerOfTwoBytes(Range, &'static str),
    /// "auto" or a time.
    AutoTime(Range, &'static str),
    /// A time, or a table with mean and shape; the shape that a plain time or a table without one has.
    Law(Range, &'static str),
    /// One of these words.
    Choice(&'static [&'static str]),
    /// One of these words, or a table.
    ChoiceOrTable(&'static [&'static str]),
    /// The name of an interface.
    Link,
    /// A size, or a table of sizes and shares.
    Sizes(Range),
    /// A list of pairs of shares.
    Bands,
    /// A list of times.
    Times(Range),
    /// A list of numbers.
    Numbers(Range),
    /// A list of so many numbers, and what each is for.
    NumbersFor(Range, usize, &'static str),
    /// A first and a last whole number.
    FirstLast(Range),
    /// A table with keys of its own.
    Table,
    /// A list of tables.
    Tables,
    /// Tables that the user names.
    NamedTables,
}

/// Lowest and highest value, as one would write them.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Range {
    /// Lowest.
    pub low: &'static str,
    /// Whether the lowest value itself is out.
    pub low_is_out: bool,
    /// Highest.
    pub high: &'static str,
    /// Whether the highest value itself is out.
    pub high_is_out: bool,
}

impl Range {
    /// As in "1 to 64", "above 0, at most 1" or "above 0, below 100".
    pub fn words(&self) -> String {
        let (low, high) = (self.low, self.high);
        match (self.low_is_out, self.high_is_out) {
            (false, false) => format!("{low} to {high}"),
            (true, false) => format!("above {low}, at most {high}"),
            (false, true) => format!("at least {low}, below {high}"),
            (true, true) => format!("above {low}, below {high}"),
        }
    }
}

impl Kind {
    /// As in "expected a whole number".
    pub fn noun(&self) -> String {
        match self {
            Kind::Text => "a text".into(),
            Kind::File => "the name of a file".into(),
            Kind::Texts([]) => "a list of texts".into(),
            Kind::Texts(words) => format!("a list of {}", either(words)),
            Kind::Whole(_) => "a whole number".into(),
            Kind::Number(_) => "a number".into(),
            Kind::NumberOrRange(_) => "a number, or [lowest, highest]".into(),
            Kind::Flag => "true or false".into(),
            Kind::Quantity(dimension, ..) => dimension.noun().into(),
            Kind::QuantityOrRange(dimension, ..) => format!("{}, or [lowest, highest]", dimension.noun()),
            Kind::PowerOfTwoBytes(..) => "a size that is a power of two".into(),
            Kind::AutoTime(..) => "\"auto\" or a time".into(),
            Kind::Law(..) => "a time, or a table with `mean` and `shape`".into(),
            Kind::Choice(choices) => either(choices),
            Kind::ChoiceOrTable(choices) => format!("{} or a table", quoted(choices).join(", ")),
            Kind::Link => "an interface".into(),
            Kind::Sizes(_) => "a size, or a table of sizes and their shares".into(),
            Kind::Bands => "a list of pairs [share of space, share of accesses]".into(),
            Kind::Times(_) => "a list of times".into(),
            Kind::Numbers(_) => "a list of numbers".into(),
            Kind::NumbersFor(_, count, what) => format!("a list of {count} numbers, one for each {what}"),
            Kind::FirstLast(_) => "the first and the last number, as in [0, 7]".into(),
            Kind::Table => "a table".into(),
            Kind::Tables => "a list of tables".into(),
            Kind::NamedTables => "tables with names".into(),
        }
    }

    /// The range of its values, if it has one.
    pub const fn range(&self) -> Option<&Range> {
        match self {
            Kind::Whole(range)
            | Kind::Number(range)
            | Kind::NumberOrRange(range)
            | Kind::Quantity(_, range, _)
            | Kind::QuantityOrRange(_, range, _)
            | Kind::PowerOfTwoBytes(range, _)
            | Kind::AutoTime(range, _)
            | Kind::Law(range, _)
            | Kind::Sizes(range)
            | Kind::Times(range)
            | Kind::Numbers(range)
            | Kind::NumbersFor(range, ..)
            | Kind::FirstLast(range) => Some(range),
            _ => None,
        }
    }

    /// Whether it may be a range.
    #[cfg(test)]
    pub const fn is_guess(&self) -> bool {
        matches!(self, Kind::NumberOrRange(_) | Kind::QuantityOrRange(..))
    }

    /// Whether it holds keys of its own.
    #[cfg(test)]
    const fn is_table(&self) -> bool {
        matches!(self, Kind::Table | Kind::Tables | Kind::NamedTables | Kind::ChoiceOrTable(_))
    }

    /// What its numbers measure, if they have units.
    pub const fn dimension(&self) -> Option<Dimension> {
        match self {
            Kind::Quantity(dimension, ..) | Kind::QuantityOrRange(dimension, ..) => Some(*dimension),
            Kind::AutoTime(..) | Kind::Law(..) | Kind::Times(_) => Some(Dimension::Time),
            Kind::PowerOfTwoBytes(..) | Kind::Sizes(_) => Some(Dimension::Bytes),
            _ => None,
        }
    }
}

/// The words in quotes.
pub fn quoted(words: &[&str]) -> Vec<String> {
    words.iter().map(|w| format!("\"{w}\"")).collect()
}

/// As in `"tcp", "rdma" or "raw"`.
pub fn either(words: &[&str]) -> String {
    let mut words = quoted(words);
    let last = words.pop().unwrap_or_default();
    if words.is_empty() { last } else { format!("{} or {last}", words.join(", ")) }
}

/// The row of a path as written in the table.
pub fn row(path: &str) -> Option<&'static Row> {
    ROWS.iter().find(|r| r.path == path)
}

/// The row of a key of a table (its path as in the table of keys, "" for the top).
pub fn row_in(table: &str, key: &str) -> Option<&'static Row> {
    let dots = usize::from(!table.is_empty());
    // Lengths first: a file may hold a hundred thousand keys.
    ROWS.iter()
        .find(|r| r.path.len() == table.len() + dots + key.len() && parent_and_key(r.path) == (table, key))
}

/// The rows of the keys of a table.
pub fn rows_in(table: &str) -> impl Iterator<Item = &'static Row> {
    ROWS.iter().filter(move |r| parent_and_key(r.path).0 == table)
}

/// Whether the keys of a table are names that the user chooses (its path as in the table of keys).
pub fn holds_names(path: &str) -> bool {
    ["class", "fault", "phase", "parts", "design.fabric.links"].contains(&path)
}

/// Splits a path into its table and its last key.
pub fn parent_and_key(path: &str) -> (&str, &str) {
    path.rsplit_once('.').unwrap_or(("", path))
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn every_path_is_there_once_and_under_a_table() {
        for (i, row) in ROWS.iter().enumerate() {
            assert!(ROWS[..i].iter().all(|r| r.path != row.path), "{} twice", row.path);
            let parent = parent_and_key(row.path).0;
            let (above, last) = parent_and_key(parent);
            let holder = if last == "NAME" { above } else { parent };
            let is_root = ["", "TIME", "SWEEP"].contains(&parent);
            assert!(is_root || super::row(holder).is_some_and(|r| r.kind.is_table()), "{}", row.path);
        }
    }

    #[test]
    fn every_row_has_words_a_source_and_an_example() {
        for row in ROWS {
            assert!(row.words.len() > 8 && !row.words.contains('\n'), "{}", row.path);
            assert!(row.words.ends_with('.'), "{}", row.path);
            assert!(!row.source.is_empty(), "{}", row.path);
            let is_table = matches!(row.kind, Kind::Table | Kind::Tables | Kind::NamedTables);
            let is_due = !is_table || row.default == super::Default::Required;
            assert!(!is_due || !row.example.is_empty(), "{}", row.path);
        }
    }

    #[test]
    fn no_key_is_both_known_and_later() {
        for row in ROWS {
            assert_eq!(later(row.path), None, "{}", row.path);
        }
    }
}
