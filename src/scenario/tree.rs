//! The scenario as a tree in which every key and value knows where it was written.
//!
//! The TOML parser borrows from the text and keeps spans; this copy owns its text and names its
//! source too, so that overrides from the command line can be grafted on and still be pointed at.

use std::ops::Range;

use toml::Spanned;
use toml::de::{DeTable, DeValue};

/// Where something was written: a source and the bytes in it.
#[derive(Clone, Debug, PartialEq, Eq, PartialOrd, Ord)]
pub struct Origin {
    /// 0 is the file; n is the n-th override, from 1.
    pub source: usize,
    /// Start of the text, in bytes.
    pub start: usize,
    /// End of the text, in bytes.
    pub end: usize,
}

impl Origin {
    /// Bytes `span` of the source.
    pub fn new(source: usize, span: Range<usize>) -> Self {
        Origin { source, start: span.start, end: span.end }
    }
}

/// A value and where it was written.
#[derive(Clone, Debug)]
pub struct Node {
    /// What it is.
    pub value: Value,
    /// Where it was written.
    pub at: Origin,
}

impl Node {
    /// The same, as if all of it had been written at `at`.
    fn moved_to(self, at: &Origin) -> Node {
        let value = match self.value {
            Value::List(items) => Value::List(items.into_iter().map(|item| item.moved_to(at)).collect()),
            Value::Table(table) => Value::Table(table.moved_to(at)),
            plain => plain,
        };
        Node { value, at: at.clone() }
    }
}

/// A value of the tree.
#[derive(Clone, Debug)]
pub enum Value {
    /// A string, unescaped.
    Text(String),
    /// A whole number; `None` if it is beyond 128 bits.
    Whole(Option<i128>),
    /// A number with a point or an exponent, or nan or inf.
    Number(f64),
    /// true or false.
    Flag(bool),
    /// A date or a time of day, which no key takes.
    Date,
    /// An array.
    List(Vec<Node>),
    /// A table.
    Table(Table),
}

impl Value {
    /// As in "is a list".
    pub const fn noun(&self) -> &'static str {
        match self {
            Value::Text(_) => "a text",
            Value::Whole(_) | Value::Number(_) => "a number",
            Value::Flag(_) => "true or false",
            Value::Date => "a date",
            Value::List(_) => "a list",
            Value::Table(_) => "a table",
        }
    }
}

/// Keys and values, in the order they were written.
#[derive(Clone, Debug, Default)]
pub struct Table {
    entries: Vec<Entry>,
}

/// A key with its value.
#[derive(Clone, Debug)]
pub struct Entry {
    /// The key.
    pub key: String,
    /// Where the key was written.
    pub key_at: Origin,
    /// Its value.
    pub node: Node,
}

impl Table {
    /// Every entry, in the order written.
    pub fn entries(&self) -> &[Entry] {
        &self.entries
    }

    /// The entry of that key.
    pub fn get(&self, key: &str) -> Option<&Entry> {
        self.entries.iter().find(|e| e.key == key)
    }

    /// The entry of that key, to change.
    pub fn get_mut(&mut self, key: &str) -> Option<&mut Entry> {
        self.entries.iter_mut().find(|e| e.key == key)
    }

    /// The same, as if all of it had been written at `at`.
    pub fn moved_to(self, at: &Origin) -> Table {
        let moved = |e: Entry| Entry { key_at: at.clone(), node: e.node.moved_to(at), ..e };
        Table { entries: self.entries.into_iter().map(moved).collect() }
    }

    /// Adds an entry, in the place of one with the same key.
    pub fn set(&mut self, entry: Entry) -> &mut Entry {
        let place = match self.entries.iter().position(|e| e.key == entry.key) {
            Some(place) => {
                self.entries[place] = entry;
                place
            }
            None => {
                self.entries.push(entry);
                self.entries.len() - 1
            }
        };
        &mut self.entries[place]
    }
}

/// A mistake in the grammar of TOML.
#[derive(Clone, Debug)]
pub struct SyntaxError {
    /// What is wrong, in the parser's words.
    pub message: String,
    /// Where.
    pub at: Origin,
}

/// Reads a whole document: what could be understood, and every mistake of grammar.
pub fn read_document(text: &str) -> (Table, Vec<SyntaxError>) {
    let (table, errors) = DeTable::parse_recoverable(text);
    (own_table(table.into_inner(), 0, 0), errors.iter().map(|e| syntax_error(e, text.len())).collect())
}

/// Reads one value that starts at byte `start` of a source.
///
/// # Errors
/// The first mistake of grammar.
pub fn read_value(text: &str, source: usize, start: usize) -> Result<Node, String> {
    match DeValue::parse(text) {
        Ok(value) => Ok(own_node(value, source, start)),
        Err(error) => Err(error.message().to_owned()),
    }
}

fn syntax_error(error: &toml::de::Error, length: usize) -> SyntaxError {
    let span = error.span().unwrap_or(length..length);
    SyntaxError { message: error.message().to_owned(), at: Origin::new(0, span) }
}

fn own_table(table: DeTable<'_>, source: usize, start: usize) -> Table {
    let mut entries: Vec<Entry> = table
        .into_iter()
        .map(|(key, value)| Entry {
            key_at: origin(&key.span(), source, start),
            key: key.into_inner().into_owned(),
            node: own_node(value, source, start),
        })
        .collect();
    // The parser sorts keys by name; messages should follow the file.
    entries.sort_by_key(|e| e.key_at.start);
    Table { entries }
}

fn own_node(value: Spanned<DeValue<'_>>, source: usize, start: usize) -> Node {
    let at = origin(&value.span(), source, start);
    let value = match value.into_inner() {
        DeValue::String(text) => Value::Text(text.into_owned()),
        DeValue::Integer(n) => Value::Whole(i128::from_str_radix(n.as_str(), n.radix()).ok()),
        DeValue::Float(n) => Value::Number(n.as_str().parse().unwrap_or(f64::NAN)),
        DeValue::Boolean(flag) => Value::Flag(flag),
        DeValue::Datetime(_) => Value::Date,
        DeValue::Array(items) => {
            Value::List(items.into_iter().map(|item| own_node(item, source, start)).collect())
        }
        DeValue::Table(table) => Value::Table(own_table(table, source, start)),
    };
    Node { value, at }
}

fn origin(span: &Range<usize>, source: usize, start: usize) -> Origin {
    Origin::new(source, span.start + start..span.end + start)
}
