//! Getters of typed values, driven by the rows of the schema.
//!
//! A [`Section`] is a table with its path; a [`Reader`] gathers mistakes. Every getter finds the row of
//! its key, converts the value (or the row's default), and reports instead of stopping: `None` is a
//! mistake that was reported, and the caller goes on to the next key.

use super::LAW;
use super::left_out::LeftOut;
use super::values::{self, Problem};
use crate::scenario::diagnostics::{Diagnostic, Diagnostics};
use crate::scenario::model::{Input, Uncertain};
use crate::scenario::schema::{self, Default, Row};
use crate::scenario::spelling::nearest;
use crate::scenario::tree::{Entry, Node, Origin, Table, Value, read_value};

/// A table with its place in the scenario.
pub struct Section<'t> {
    /// As the user would write it: `class.ticketing-db.load`.
    pub path: String,
    /// As in the schema: `class.NAME.load`.
    pub pattern: &'static str,
    /// The table itself.
    pub table: &'t Table,
    /// Where to point when something is missing; nowhere for the top.
    pub at: Option<Origin>,
}

impl<'t> Section<'t> {
    /// The path of a key of this table.
    pub fn path_of(&self, key: &str) -> String {
        joined(&self.path, key)
    }

    pub fn entry(&self, key: &str) -> Option<&'t Entry> {
        self.table.get(key)
    }

    pub fn has(&self, key: &str) -> bool {
        self.table.get(key).is_some()
    }

    /// The row of a key of this table.
    pub fn row(&self, key: &str) -> &'static Row {
        // Keys come from the code of the sections, and the tests read every one of them.
        schema::row_in(self.pattern, key).expect("every key that is read has a row")
    }
}

/// A key under a path, as the user would write it.
pub fn joined(path: &str, key: &str) -> String {
    let key =
        if key.is_empty() || key.contains(['.', '"', ' ']) { format!("{key:?}") } else { key.to_owned() };
    if path.is_empty() { key } else { format!("{path}.{key}") }
}

/// Gathers mistakes.
pub struct Reader<'o> {
    /// Where mistakes go.
    pub out: &'o mut Diagnostics,
    /// Keys that were given as ranges.
    pub ranges: Vec<Uncertain>,
    /// Keys of which the default was taken.
    pub left_out: LeftOut,
}

/// A conversion of a value by the rules of its row; the text is the value as it was written.
pub type Convert<T> = fn(&Row, &Node, &str) -> Result<T, Problem>;

impl Reader<'_> {
    /// Adds a mistake; `None`, for the caller to return.
    pub fn report<T>(&mut self, diagnostic: Diagnostic) -> Option<T> {
        self.out.push(diagnostic);
        None
    }

    /// The value of a key, or its default. `None` if there was a mistake.
    pub fn value<T>(&mut self, section: &Section, key: &str, convert: Convert<T>) -> Option<T> {
        if let Some(entry) = section.entry(key) {
            return self.convert(section, entry, convert);
        }
        let Default::Value(text) = section.row(key).default else { return self.missing(section, key) };
        self.left_out.note(section, key);
        let node = read_value(text, 0, 0).ok()?;
        convert(section.row(key), &node, text).ok()
    }

    /// The value of a key that may be a range, or its default: of a range the middle, and the range is kept. The unit
    /// is the row's. `None` if there was a mistake.
    pub fn guess(&mut self, section: &Section, key: &str, input: Input) -> Option<f64> {
        let convert = if section.row(key).kind.dimension().is_some() { values::rate } else { values::number };
        let Some(Value::List(ends)) = section.entry(key).map(|entry| &entry.node.value) else {
            return self.value(section, key, convert);
        };
        let (path, row, at) = (section.path_of(key), section.row(key), self.place(section, key));
        let [low, high] = &ends[..] else {
            let title = format!("`{path}` is a list of {}, not of 2", ends.len());
            let expected = format!("expected {}", row.kind.noun());
            let help = "a range is its lowest and its highest value".to_owned();
            return self.report(Diagnostic::at(&at, title, expected).help(Some(help)));
        };
        let [low, high] = [(0, low), (1, high)]
            .map(|(n, end)| self.convert_node(&format!("{path}.{n}"), row, end, convert));
        let (low, high) = (low?, high?);
        if low > high {
            let title = format!("`{path}` goes down: its first end is above its second");
            return self.report(Diagnostic::at(&at, title, "expected [lowest, highest]"));
        }
        self.ranges.push(Uncertain { path, input, low, high });
        Some(f64::midpoint(low, high))
    }

    /// As [`Reader::guess`], where the key may be left out.
    pub fn optional_guess(&mut self, section: &Section, key: &str, input: Input) -> Option<Option<f64>> {
        if section.has(key) {
            return self.guess(section, key, input).map(Some);
        }
        self.left_out.note(section, key);
        Some(None)
    }

    /// The value of a key, or nothing if it is left out. `None` if there was a mistake.
    pub fn optional<T>(&mut self, section: &Section, key: &str, convert: Convert<T>) -> Option<Option<T>> {
        if let Some(entry) = section.entry(key) {
            return self.convert(section, entry, convert).map(Some);
        }
        self.left_out.note(section, key);
        Some(None)
    }

    pub fn convert<T>(&mut self, section: &Section, entry: &Entry, convert: Convert<T>) -> Option<T> {
        self.convert_node(&section.path_of(&entry.key), section.row(&entry.key), &entry.node, convert)
    }

    pub fn convert_node<T>(&mut self, path: &str, row: &Row, node: &Node, convert: Convert<T>) -> Option<T> {
        let result = convert(row, node, self.out.text(&node.at));
        result.map_err(|p| self.out.push(p.at(path, &node.at))).ok()
    }

    /// The place of a key's value, or of its table if the key is left out.
    pub fn place(&self, section: &Section, key: &str) -> Origin {
        let table = || section.at.clone().unwrap_or(Origin::new(0, 0..0));
        section.entry(key).map_or_else(table, |e| e.node.at.clone())
    }

    /// A key that must be there is not.
    pub fn missing<T>(&mut self, section: &Section, key: &str) -> Option<T> {
        if self.out.is_full() {
            self.out.count_one();
            return None;
        }
        // A misspelt key was reported as such; that the right one is missing is the same mistake.
        let is_misspelt = |entry: &Entry| Self::meant_here(section, &entry.key) == Some(key);
        if section.table.entries().iter().take(50).any(is_misspelt) {
            return None;
        }
        let row = section.row(key);
        let title = format!("`{}` is missing", section.path_of(key));
        let help = Some(format!("add `{key} = {}` or the like", row.example));
        self.lacks(section, title, format!("expected `{key}` here"), help)
    }

    /// Something is not there.
    pub fn lacks<T>(
        &mut self,
        section: &Section,
        title: String,
        label: String,
        help: Option<String>,
    ) -> Option<T> {
        let diagnostic = match &section.at {
            Some(at) => Diagnostic::at(at, title, label),
            None => Diagnostic::of_file(title),
        };
        self.report(diagnostic.help(help).absence())
    }

    /// A key, or a table, does not belong: a mistake if it is there, and no default of this scenario if it is not.
    pub fn stray(&mut self, section: &Section, key: &str, why: &str) {
        let Some(entry) = section.entry(key) else { return self.left_out.forget(section.path_of(key)) };
        let title = format!("`{}` does not belong here: {why}", section.path_of(key));
        self.out.push(Diagnostic::at(&entry.key_at, title, "leave it out"));
    }

    /// The table of a key, with its keys checked. Nothing if it is left out.
    pub fn table<'t>(
        &mut self,
        section: &Section<'t>,
        key: &str,
        pattern: &'static str,
    ) -> Option<Option<Section<'t>>> {
        let Some(entry) = section.entry(key) else { return Some(None) };
        let path = section.path_of(key);
        let Value::Table(table) = &entry.node.value else {
            let problem = Problem::not(section.row(key), &entry.node, self.out.text(&entry.node.at));
            return self.report(problem.at(&path, &entry.node.at));
        };
        let inner = Section { path, pattern, table, at: Some(entry.key_at.clone()) };
        self.check_keys(&inner);
        Some(Some(inner))
    }

    /// The tables of a list, with their keys checked; `name` says what to call one in its path.
    pub fn tables<'t>(
        &mut self,
        section: &Section<'t>,
        key: &str,
        pattern: &'static str,
        name: fn(usize, &Table) -> String,
    ) -> Option<Vec<Section<'t>>> {
        let Some(entry) = section.entry(key) else { return Some(Vec::new()) };
        let Value::List(items) = &entry.node.value else {
            let title = format!("`{key}` is {}, not a list of tables", entry.node.value.noun());
            let help = format!("did you mean [[{key}]], with two brackets?");
            return self
                .report(Diagnostic::at(&entry.key_at, title, format!("expected [[{key}]]")).help(help));
        };
        let mut sections = Vec::new();
        for (i, item) in items.iter().enumerate() {
            let Value::Table(table) = &item.value else {
                let title = format!("`{key}.{i}` is {}, not a table", item.value.noun());
                self.out.push(Diagnostic::at(&item.at, title, "expected a table"));
                continue;
            };
            let above = Section { path: key.to_owned(), pattern, table, at: None };
            let path = above.path_of(&name(i, table));
            let inner = Section { path, pattern, table, at: Some(item.at.clone()) };
            self.check_keys(&inner);
            sections.push(inner);
        }
        (sections.len() == items.len()).then_some(sections)
    }

    /// Reports the keys of a table that have no row.
    pub fn check_keys(&mut self, section: &Section) {
        for entry in section.table.entries() {
            if schema::row_in(section.pattern, &entry.key).is_some() {
                continue;
            }
            if self.out.is_full() {
                self.out.count_one();
                continue;
            }
            let path = section.path_of(&entry.key);
            let pattern = if section.pattern.is_empty() {
                entry.key.clone()
            } else {
                format!("{}.{}", section.pattern, entry.key)
            };
            self.out.push(if schema::later(&pattern).is_some() {
                let title = format!("`{path}` is not yet supported by this version of forebay");
                Diagnostic::at(&entry.key_at, title, "leave it out")
            } else {
                let title = format!("there is no key `{path}`");
                Diagnostic::at(&entry.key_at, title, "unknown key").help(Self::meant_key(section, &entry.key))
            });
        }
    }

    /// What an unknown key was meant to be: a key of this table, or one of the same name elsewhere.
    pub fn meant_key(section: &Section, key: &str) -> Option<String> {
        if let Some(near) = Self::meant_here(section, key) {
            return Some(format!("did you mean `{near}`?"));
        }
        let elsewhere = schema::ROWS.iter().find(|r| schema::parent_and_key(r.path).1 == key)?;
        let table = schema::parent_and_key(elsewhere.path).0.replace(".NAME", "");
        match table.as_str() {
            "" => Some(format!("`{key}` stands above all tables")),
            LAW => None,
            sweep if sweep.starts_with("SWEEP") => None,
            _ => Some(format!("`{key}` belongs to `{table}`")),
        }
    }

    /// The key of this table that an unknown key is nearest to.
    pub fn meant_here(section: &Section, key: &str) -> Option<&'static str> {
        if schema::row_in(section.pattern, key).is_some() {
            return None;
        }
        nearest(key, schema::rows_in(section.pattern).map(|r| schema::parent_and_key(r.path).1))
    }

    /// Two keys that exclude each other are both there: reports the later one.
    pub fn exclude(&mut self, section: &Section, one: &str, other: &str) -> bool {
        let (Some(a), Some(b)) = (section.entry(one), section.entry(other)) else { return false };
        let (first, second) = if a.key_at <= b.key_at { (a, b) } else { (b, a) };
        let title = format!(
            "`{}` and `{}` exclude each other",
            section.path_of(&first.key),
            section.path_of(&second.key)
        );
        self.out.push(
            Diagnostic::at(&second.key_at, title, "leave out one of the two")
                .also(&first.key_at, "the other one is here"),
        );
        true
    }

    /// One of a row's choices, as the value that stands at the same place in `values`.
    pub fn choice<T: Copy>(&mut self, section: &Section, key: &str, values: &[T]) -> Option<T> {
        let index = self.value(section, key, values::choice)?;
        values.get(index).copied()
    }

    /// As [`Reader::choice`], where the key may be left out.
    pub fn optional_choice<T: Copy>(
        &mut self,
        section: &Section,
        key: &str,
        values: &[T],
    ) -> Option<Option<T>> {
        let index = self.optional(section, key, values::choice)?;
        Some(index.and_then(|i| values.get(i).copied()))
    }

    /// A whole number that fits 32 bits (the ranges of such keys do).
    pub fn count(&mut self, section: &Section, key: &str) -> Option<u32> {
        self.value(section, key, values::whole).and_then(|n| u32::try_from(n).ok())
    }

    /// As [`Reader::count`], where the key may be left out.
    pub fn optional_count(&mut self, section: &Section, key: &str) -> Option<Option<u32>> {
        let count = self.optional(section, key, values::whole)?;
        Some(count.and_then(|n| u32::try_from(n).ok()))
    }
}
