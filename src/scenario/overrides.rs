//! Overrides from the command line: `--set PATH=VALUE`.
//!
//! They are grafted onto the tree of the file before it is read, each value with its own origin, so
//! that an override goes through the same checks and is pointed at like a line of the file.

use std::ops::Range;

use super::catalogue;
use super::diagnostics::{Diagnostic, Diagnostics, Source};
use super::read::{class_name_of, short};
use super::schema::{self, Kind};
use super::spelling::nearest;
use super::tree::{Entry, Node, Origin, Table, Value, read_value};

/// What stands before the path in messages.
const PREFIX: &str = "--set ";

/// A change to a scenario: `design.drives.count=24`.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Override {
    /// Dotted path; a part of it that holds a dot is quoted. Lists take a name or a number from 0.
    pub path: String,
    /// The value: TOML, else a text.
    pub value: String,
}

impl Override {
    /// Splits `PATH=VALUE`.
    ///
    /// # Errors
    /// Says what is wrong with the path.
    pub fn parse(text: &str) -> Result<Override, String> {
        let end = end_of_path(text).ok_or_else(|| format!("`{text}` has no `=`: expected PATH=VALUE"))?;
        let path = text[..end].trim().to_owned();
        segments(&path)?;
        Ok(Override { path, value: text[end + 1..].trim().to_owned() })
    }

    /// How it was written, for messages.
    pub(super) fn source(&self) -> Source {
        Source { name: "command line".into(), text: format!("{PREFIX}{}={}", self.path, self.value) }
    }
}

/// The first `=` that is not in quotes.
fn end_of_path(text: &str) -> Option<usize> {
    let mut quote = None;
    for (at, c) in text.char_indices() {
        match (quote, c) {
            (None, '=') => return Some(at),
            (None, '"' | '\'') => quote = Some(c),
            (Some(q), c) if c == q => quote = None,
            _ => {}
        }
    }
    None
}

/// A part of a path.
struct Segment {
    text: String,
    is_quoted: bool,
    /// Its bytes in the path.
    span: Range<usize>,
}

fn segments(path: &str) -> Result<Vec<Segment>, String> {
    let mut list = Vec::new();
    let mut rest = 0;
    loop {
        let tail = &path[rest..];
        let quote = tail.chars().next().filter(|c| matches!(c, '"' | '\''));
        let (text, length) = match quote {
            Some(quote) => {
                let inner = &tail[1..];
                let end = inner.find(quote).ok_or_else(|| format!("the path `{path}` has an open quote"))?;
                (&inner[..end], end + 2)
            }
            None => {
                let end = tail.find('.').unwrap_or(tail.len());
                (tail[..end].trim(), end)
            }
        };
        if text.is_empty() && quote.is_none() {
            return Err(format!("the path `{path}` has an empty part"));
        }
        list.push(Segment { text: text.to_owned(), is_quoted: quote.is_some(), span: rest..rest + length });
        rest += length;
        match path[rest..].chars().next() {
            None => return Ok(list),
            Some('.') => rest += 1,
            Some(_) => {
                return Err(format!("the path `{path}` goes on after a closing quote: expected a dot"));
            }
        }
    }
}

/// The parts of a dotted path, without their quotes.
pub(super) fn names_in(path: &str) -> Result<Vec<String>, String> {
    Ok(segments(path)?.into_iter().map(|segment| segment.text).collect())
}

/// Grafts overrides onto a tree, in order. Paths that lead nowhere go to `out`.
pub fn apply(root: &mut Table, overrides: &[Override], out: &mut Diagnostics) {
    for (i, change) in overrides.iter().enumerate() {
        if let Err(diagnostic) = apply_one(root, change, i + 1) {
            out.push(*diagnostic);
        }
    }
}

fn apply_one(root: &mut Table, change: &Override, source: usize) -> Result<(), Box<Diagnostic>> {
    let whole = Origin::new(source, PREFIX.len()..PREFIX.len() + change.path.len());
    let segments = segments(&change.path).map_err(|why| Box::new(Diagnostic::at(&whole, why, "")))?;
    let value = value_of(change, source)?;
    let mut place = Place::Table(root);
    let mut walk = Walk { source, pattern: String::new(), path: String::new() };
    for segment in &segments[..segments.len() - 1] {
        place = walk.step(place, segment)?;
    }
    walk.set(place, &segments[segments.len() - 1], value)
}

/// The value as TOML, else as a text.
fn value_of(change: &Override, source: usize) -> Result<Node, Box<Diagnostic>> {
    let start = PREFIX.len() + change.path.len() + 1;
    let at = Origin::new(source, start..start + change.value.len());
    match read_value(&change.value, source, start) {
        Ok(node) => Ok(node),
        // Nobody means a text by an open bracket, unless a text is what the key takes.
        Err(why) if change.value.starts_with(['{', '[']) && change.path != "title" => {
            let title = format!("the value of `{}` is not well formed", change.path);
            Err(Box::new(Diagnostic::at(&at, title, why)))
        }
        Err(_) => Ok(Node { value: Value::Text(change.value.clone()), at }),
    }
}

/// Where a path has led so far.
enum Place<'t> {
    Table(&'t mut Table),
    List(&'t mut Vec<Node>),
    Value(&'static str),
}

/// A walk down a path.
struct Walk {
    source: usize,
    /// So far, as in the table of keys.
    pattern: String,
    /// So far, as written.
    path: String,
}

impl Walk {
    fn origin(&self, segment: &Segment) -> Origin {
        Origin::new(self.source, PREFIX.len() + segment.span.start..PREFIX.len() + segment.span.end)
    }

    fn fail(&self, segment: &Segment, title: String, label: &str) -> Box<Diagnostic> {
        Box::new(Diagnostic::at(&self.origin(segment), title, label))
    }

    fn advance(&mut self, segment: &Segment) {
        let dot = if self.path.is_empty() { "" } else { "." };
        self.path = format!("{}{dot}{}", self.path, segment.text);
        // Names that the user chooses stand as NAME in the table of keys; numbers of a list do not.
        let named = schema::holds_names(&self.pattern);
        match (self.pattern.as_str(), named) {
            ("objective", _) if segment.text.parse::<usize>().is_ok() => {}
            (_, true) => self.pattern.push_str(".NAME"),
            _ => self.pattern = format!("{}{dot}{}", self.pattern, segment.text),
        }
    }

    /// One step down; tables that are not there are made.
    fn step<'t>(&mut self, place: Place<'t>, segment: &Segment) -> Result<Place<'t>, Box<Diagnostic>> {
        let origin = self.origin(segment);
        let node = match place {
            Place::Value(noun) => return Err(self.not_a_table(segment, noun)),
            Place::List(items) => {
                let index = self.index(items, segment)?;
                &mut items[index]
            }
            Place::Table(table) => {
                self.advance(segment);
                let has = table.get(&segment.text).is_some();
                if !has && schema::row(&self.pattern).is_some_and(|r| r.kind == Kind::Tables) {
                    let title = format!("the scenario has no [[{}]] to change", segment.text);
                    return Err(self.fail(segment, title, "expected a list that is there"));
                }
                let entry = if has {
                    table.get_mut(&segment.text)
                } else {
                    // A part of the catalogue is changed by a copy of it in the scenario.
                    let part =
                        (self.pattern == "parts.NAME").then(|| catalogue::part(&segment.text)).flatten();
                    let value = Value::Table(part.unwrap_or_default().moved_to(&origin));
                    let node = Node { value, at: origin.clone() };
                    Some(table.set(Entry { key: segment.text.clone(), key_at: origin, node }))
                };
                return Ok(entry.map_or(Place::Value("nothing"), |e| place_of(&mut e.node)));
            }
        };
        self.advance(segment);
        Ok(place_of(node))
    }

    /// The last step: sets the value.
    fn set(&mut self, place: Place<'_>, segment: &Segment, value: Node) -> Result<(), Box<Diagnostic>> {
        match place {
            Place::Value(noun) => Err(self.not_a_table(segment, noun)),
            Place::List(items) => {
                let index = self.index(items, segment)?;
                items[index] = value;
                Ok(())
            }
            Place::Table(table) => {
                table.set(Entry { key: segment.text.clone(), key_at: self.origin(segment), node: value });
                Ok(())
            }
        }
    }

    fn not_a_table(&self, segment: &Segment, noun: &str) -> Box<Diagnostic> {
        let title = format!("`{}` is {noun}, without keys of its own", self.path);
        let help = format!("set the whole of it: `{}={{…}}`", self.path);
        let diagnostic = self.fail(segment, title, "expected the end of the path");
        Box::new(diagnostic.help(help))
    }

    /// The item that a segment means: by name, else by number.
    fn index(&self, items: &[Node], segment: &Segment) -> Result<usize, Box<Diagnostic>> {
        let names: Vec<Option<&str>> = items.iter().map(class_name_of).collect();
        if let Some(index) = names.iter().position(|n| *n == Some(segment.text.as_str())) {
            return Ok(index);
        }
        let number = segment.text.parse::<usize>().ok().filter(|_| !segment.is_quoted);
        let path = &self.path;
        match number {
            Some(number) if number < items.len() => Ok(number),
            Some(number) => {
                let title = format!("`{path}` has no number {number}");
                let label = format!("expected 0 to {}", items.len().saturating_sub(1));
                Err(self.fail(segment, title, &label))
            }
            None if names.iter().all(Option::is_none) => {
                let title = format!("the items of `{path}` have no names");
                Err(self.fail(segment, title, "expected a number, from 0"))
            }
            None => {
                let title = format!("there is no {path} \"{}\"", short(&segment.text));
                let near = nearest(&segment.text, names.into_iter().flatten());
                let help = near.map(|n| format!("did you mean `{path}.{}`?", quoted_if_needed(n)));
                Err(Box::new(self.fail(segment, title, "expected a name, or a number from 0").help(help)))
            }
        }
    }
}

fn place_of(node: &mut Node) -> Place<'_> {
    match &mut node.value {
        Value::Table(table) => Place::Table(table),
        Value::List(items) => Place::List(items),
        other => Place::Value(other.noun()),
    }
}

fn quoted_if_needed(name: &str) -> String {
    if name.contains(['.', '=', '"', '\'']) { format!("\"{name}\"") } else { name.to_owned() }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_path_ends_at_the_first_equals_sign_outside_quotes() {
        let change = Override::parse(r#"class."a=b.c".machines = 30"#).expect("well formed");
        assert_eq!(change.path, r#"class."a=b.c".machines"#);
        assert_eq!(change.value, "30");
        let parts: Vec<String> =
            segments(&change.path).expect("well formed").into_iter().map(|s| s.text).collect();
        assert_eq!(parts, ["class", "a=b.c", "machines"]);
    }

    #[test]
    fn malformed_paths_say_why() {
        for (text, why) in [
            ("design.drives.count", "has no `=`"),
            ("=3", "an empty part"),
            ("design..count=3", "an empty part"),
            ("design.=3", "an empty part"),
            ("class.\"a.machines=3", "has no `=`"),
            ("class.\"a\"b.machines=3", "expected a dot"),
        ] {
            let found = Override::parse(text).expect_err(text);
            assert!(found.contains(why), "{text}: {found}");
        }
    }
}
