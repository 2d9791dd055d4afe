//! The values of one key of a sweep: a list as it is written, or a range.

use super::{Diagnostic, Node, Reader, Table, Value};

/// Most values of one key.
const VALUES_MAX: usize = 100_000;

/// The values of one key.
#[derive(Clone, Debug, PartialEq)]
pub enum Choices {
    /// As they are written, in TOML.
    List(Vec<String>),
    /// Evenly spaced.
    Range(Range),
}

/// Evenly spaced values from one end to the other, both included.
#[derive(Clone, Debug, PartialEq)]
pub struct Range {
    from: f64,
    to: f64,
    /// What stands after the number, with its space; none of a plain number.
    unit: Option<String>,
    points: usize,
    /// Whether factors are even, and not differences.
    log: bool,
    /// Whether values are whole.
    whole: bool,
}

impl Choices {
    /// Values that a grid takes.
    pub fn len(&self) -> usize {
        match self {
            Choices::List(values) => values.len(),
            Choices::Range(range) => range.points,
        }
    }

    /// Whether there are none.
    pub fn is_empty(&self) -> bool {
        self.len() == 0
    }

    /// The value of that number.
    pub fn nth(&self, number: usize) -> String {
        match self {
            Choices::List(values) => values[number].clone(),
            Choices::Range(range) => {
                range.written(range.value(number as f64 / (range.points - 1).max(1) as f64))
            }
        }
    }

    /// The value at a place of the range, 0 to below 1; of a list each value has an equal part.
    pub fn at(&self, place: f64) -> String {
        match self {
            Choices::List(values) => {
                values[((place * values.len() as f64) as usize).min(values.len() - 1)].clone()
            }
            Choices::Range(range) if range.whole && !range.log => {
                range.written((range.from + place * (range.to - range.from + 1.0)).floor().min(range.to))
            }
            Choices::Range(range) => range.written(range.value(place)),
        }
    }
}

impl Range {
    fn value(&self, share: f64) -> f64 {
        match self.log {
            true => self.from * (self.to / self.from).powf(share),
            false => self.from + share * (self.to - self.from),
        }
    }

    /// Whole, or to six figures, with its unit, as TOML.
    fn written(&self, value: f64) -> String {
        let value = if self.whole { value.round() } else { format!("{value:.5e}").parse().unwrap_or(value) };
        match &self.unit {
            Some(unit) => format!("\"{value}{unit}\""),
            None if self.whole => format!("{value}"),
            // A number with a point stays one.
            None => format!("{value:?}"),
        }
    }
}

/// Reads the values of a key.
pub fn read(reader: &mut Reader, path: &str, node: &Node) -> Option<Choices> {
    match &node.value {
        Value::List(items) if items.is_empty() => {
            let title = format!("`{path}` has no values");
            reader.report(Diagnostic::at(&node.at, title, "expected one at least"))
        }
        Value::List(items) => {
            Some(Choices::List(items.iter().map(|item| reader.out.text(&item.at).to_owned()).collect()))
        }
        Value::Table(table) => range(reader, path, node, table).map(Choices::Range),
        _ => {
            let title = format!("`{path}` is one value, which varies nothing");
            let help = "a list of values, or { from = …, to = …, points = … }".to_owned();
            reader.report(Diagnostic::at(&node.at, title, "expected a list or a range").help(Some(help)))
        }
    }
}

fn range(reader: &mut Reader, path: &str, node: &Node, table: &Table) -> Option<Range> {
    let known = ["from", "to", "points", "step", "log"];
    let mut refuse = |at: &crate::scenario::tree::Origin, title: String, expected: &str| {
        reader.out.push(Diagnostic::at(at, title, expected));
        None
    };
    if let Some(stray) = table.entries().iter().find(|entry| !known.contains(&entry.key.as_str())) {
        let title = format!("there is no key `{}` in the range of `{path}`", stray.key);
        return refuse(&stray.key_at, title, "expected from, to, points or step, log");
    }
    let Some(to) = table.get("to") else {
        return refuse(&node.at, format!("the range of `{path}` has no `to`"), "expected both ends");
    };
    let from = table.get("from").unwrap_or(to);
    let (Some((low, unit, low_whole)), Some((high, other, high_whole))) =
        (number_and_unit(&from.node.value), number_and_unit(&to.node.value))
    else {
        return refuse(
            &node.at,
            format!("the ends of `{path}` are no numbers"),
            "as in from = 4, or from = \"1000/s\"",
        );
    };
    if unit != other {
        let title = format!("the ends of `{path}` have unlike units");
        return refuse(&to.node.at, title, "expected one unit");
    }
    let log = match table.get("log").map(|entry| &entry.node.value) {
        None => false,
        Some(Value::Flag(flag)) => *flag,
        Some(_) => {
            return refuse(
                &node.at,
                format!("`log` of `{path}` is neither true nor false"),
                "as in log = true",
            );
        }
    };
    if low >= high || (log && low <= 0.0) {
        let title =
            format!("the range of `{path}` does not rise{}", if log { " from above zero" } else { "" });
        return refuse(&node.at, title, "expected from below to");
    }
    let count = |key: &str| table.get(key).and_then(|entry| number_and_unit(&entry.node.value));
    let points = match (count("points"), count("step")) {
        (Some((points, None, true)), None) if points >= 2.0 => points as usize,
        (None, Some((step, by, _))) if step > 0.0 && !log && (by == unit || by.is_none()) => {
            let steps = (high - low) / step;
            if (steps - steps.round()).abs() > 1e-6 {
                let title = format!("the steps of `{path}` do not end at `to`");
                return refuse(&node.at, title, "expected a whole number of them");
            }
            steps.round() as usize + 1
        }
        _ => {
            let title = format!("the range of `{path}` does not say how many values");
            return refuse(&node.at, title, "expected points = 5 (2 at least), or step = … without log");
        }
    };
    if points > VALUES_MAX {
        return refuse(&node.at, format!("`{path}` has {points} values"), "expected 100,000 at most");
    }
    let whole = low_whole && high_whole;
    if whole && points as f64 > high - low + 1.0 {
        let title = format!("`{path}` has {points} points among {} whole numbers", high - low + 1.0);
        return refuse(&node.at, title, "expected fewer");
    }
    Some(Range { from: low, to: high, unit, points, log, whole })
}

/// A number, what stands after it, and whether it is whole and has no unit.
fn number_and_unit(value: &Value) -> Option<(f64, Option<String>, bool)> {
    match value {
        Value::Whole(Some(n)) => Some((*n as f64, None, true)),
        Value::Number(n) if n.is_finite() => Some((*n, None, false)),
        Value::Text(text) => {
            let end = text.find(|c: char| !(c.is_ascii_digit() || c == '.')).unwrap_or(text.len());
            let number: f64 = text[..end].parse().ok()?;
            Some((number, Some(text[end..].to_owned()), false))
        }
        _ => None,
    }
}
