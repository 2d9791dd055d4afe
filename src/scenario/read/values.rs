//! Conversions of single values by the rules of their rows.

use crate::engine::SimDuration;
use crate::scenario::diagnostics::Diagnostic;
use crate::scenario::model::{Auto, Interface};
use crate::scenario::schema::{Kind, Range, Row, either, quoted};
use crate::scenario::spelling::nearest;
use crate::scenario::tree::{Node, Origin, Value};
use crate::scenario::units::{self, Dimension, Fault};

/// What is wrong with a value; its path is added where it is reported.
#[derive(Debug, PartialEq)]
pub struct Problem {
    /// Goes on after the path: "is 25, without a unit".
    fact: String,
    /// What was expected.
    expected: String,
    /// The likeliest repair.
    help: Option<String>,
}

impl Problem {
    /// A problem with this fact.
    pub fn new(fact: impl Into<String>, expected: impl Into<String>) -> Self {
        Problem { fact: fact.into(), expected: expected.into(), help: None }
    }

    fn meant(mut self, value: Option<String>) -> Self {
        self.help = value.map(|v| format!("did you mean {v}?"));
        self
    }

    /// A value of another kind than the row's.
    pub fn not(row: &Row, node: &Node, shown: &str) -> Self {
        let fact = match &node.value {
            Value::List(_) | Value::Table(_) => format!("is {}", node.value.noun()),
            _ => format!("is {}, which is {}", short(shown), node.value.noun()),
        };
        let expected = format!("expected {}", row.kind.noun());
        let example = (!row.example.is_empty()).then(|| format!("for example: {}", row.example));
        Problem { fact, expected, help: example }
    }

    /// The problem at its place.
    pub fn at(self, path: &str, at: &Origin) -> Diagnostic {
        Diagnostic::at(at, format!("`{path}` {}", self.fact), self.expected).help(self.help)
    }
}

/// A value as a message shows it: one line, not too long.
pub fn short(shown: &str) -> String {
    let line = shown.lines().next().unwrap_or_default();
    let cut: String = line.chars().take(48).collect();
    if cut.len() < shown.len() { format!("{cut}…") } else { cut }
}

/// The ends of a range in base units.
pub fn ends(kind: &Kind, range: &Range) -> (f64, f64) {
    let end = |text: &str| match kind.dimension() {
        // The ends come from the table of keys, which the tests read.
        Some(dimension) => units::number(text, dimension).unwrap_or(f64::NAN),
        None => text.parse().unwrap_or(f64::NAN),
    };
    (end(range.low), end(range.high))
}

/// Checks a number in base units against a range of the table.
fn check_range(kind: &Kind, value: f64, shown: &str) -> Result<(), Problem> {
    let Some(range) = kind.range() else { return Ok(()) };
    let (low, high) = ends(kind, range);
    let fact = if value < low || (range.low_is_out && value == low) {
        let word = if range.low_is_out { "not above" } else { "below" };
        format!("is {}, {word} {}", short(shown), range.low)
    } else if value > high || (range.high_is_out && value == high) {
        let word = if range.high_is_out { "not below" } else { "above" };
        format!("is {}, {word} {}", short(shown), range.high)
    } else {
        return Ok(());
    };
    Err(Problem::new(fact, format!("expected {}", range.words())))
}

/// A text that is not empty and prints.
pub fn text(row: &Row, node: &Node, shown: &str) -> Result<String, Problem> {
    let Value::Text(text) = &node.value else { return Err(Problem::not(row, node, shown)) };
    if text.trim().is_empty() {
        return Err(Problem::new("is empty", format!("expected {}", row.kind.noun())));
    }
    if text.chars().any(char::is_control) {
        return Err(Problem::new("holds a control character", "expected a text of one line"));
    }
    if text.chars().count() > 200 {
        return Err(Problem::new("is longer than 200 characters", "expected a shorter text"));
    }
    Ok(text.clone())
}

/// A whole number in the row's range; a power of two if the row says so.
pub fn whole(row: &Row, node: &Node, shown: &str) -> Result<u64, Problem> {
    let value = match &node.value {
        Value::Whole(value) => *value,
        Value::Number(n) if n.fract() == 0.0 && (0.0..1e15).contains(n) => {
            let fact = format!("is {}, with a point or an exponent", short(shown));
            return Err(Problem::new(fact, "expected a whole number").meant(Some(format!("{n:.0}"))));
        }
        Value::Number(n) => return Err(not_whole(*n, shown)),
        Value::Text(text) if text.trim().parse::<u64>().is_ok() => {
            let fact = format!("is {}, which is a text", short(shown));
            return Err(Problem::new(fact, "expected a whole number").meant(Some(text.trim().to_owned())));
        }
        _ => return Err(Problem::not(row, node, shown)),
    };
    // Beyond 128 bits a number is out of any range, on the side of its sign.
    let huge = if shown.starts_with('-') { f64::NEG_INFINITY } else { f64::INFINITY };
    check_range(&row.kind, value.map_or(huge, |v| v as f64), shown)?;
    let value = value.and_then(|v| u64::try_from(v).ok());
    // 2^64 and 2^64 - 1 are one number in floating point: the first fits no range of the table.
    let value = value.ok_or_else(|| Problem::new("does not fit 64 bits", "expected a smaller number"))?;
    Ok(value)
}

fn not_whole(n: f64, shown: &str) -> Problem {
    if n.is_finite() {
        Problem::new(format!("is {}, not a whole number", short(shown)), "expected a whole number")
    } else {
        not_finite(shown)
    }
}

fn not_finite(shown: &str) -> Problem {
    Problem::new(format!("is {}, not a finite number", short(shown)), "expected a finite number")
}

/// The power of two below or at `n` (which is not zero).
fn near_power(n: u64) -> u64 {
    1 << n.max(1).ilog2()
}

/// A number in the row's range.
pub fn number(row: &Row, node: &Node, shown: &str) -> Result<f64, Problem> {
    let value = match &node.value {
        Value::Whole(value) => value.map_or(f64::INFINITY, |v| v as f64),
        Value::Number(n) => *n,
        Value::Text(text) => return Err(number_in_text(row, node, text, shown)),
        _ => return Err(Problem::not(row, node, shown)),
    };
    if !value.is_finite() {
        return Err(not_finite(shown));
    }
    check_range(&row.kind, value, shown)?;
    // Minus zero would print oddly.
    Ok(value + 0.0)
}

/// A number was due and a text came: perhaps one in quotes, perhaps a percentage.
fn number_in_text(row: &Row, node: &Node, text: &str, shown: &str) -> Problem {
    let text = text.trim();
    let percent = text.strip_suffix('%').and_then(|n| n.trim().parse::<f64>().ok());
    let meant = match percent {
        Some(percent) => Some(percent / 100.0),
        None => text.parse::<f64>().ok(),
    };
    match meant.filter(|n| n.is_finite()) {
        Some(n) => {
            let fact = format!("is {}, which is a text", short(shown));
            Problem::new(fact, format!("expected {}", row.kind.noun())).meant(Some(n.to_string()))
        }
        None => Problem::not(row, node, shown),
    }
}

/// true or false.
pub fn flag(row: &Row, node: &Node, shown: &str) -> Result<bool, Problem> {
    match node.value {
        Value::Flag(flag) => Ok(flag),
        _ => Err(Problem::not(row, node, shown)),
    }
}

/// The place of a word among the row's choices.
pub fn choice(row: &Row, node: &Node, shown: &str) -> Result<usize, Problem> {
    let (Kind::Choice(choices) | Kind::ChoiceOrTable(choices)) = row.kind else { return Ok(0) };
    let Value::Text(text) = &node.value else { return Err(Problem::not(row, node, shown)) };
    choices.iter().position(|c| c == text).ok_or_else(|| {
        let near = nearest(text, choices.iter().copied()).map(|n| format!("\"{n}\""));
        let expected = match row.kind {
            Kind::Choice(_) => either(choices),
            _ => row.kind.noun(),
        };
        let example =
            matches!(row.kind, Kind::ChoiceOrTable(_)).then(|| format!("for example: {}", row.example));
        let problem =
            Problem::new(format!("is {}", short(shown)), format!("expected {expected}")).meant(near);
        Problem { help: problem.help.clone().or(example), ..problem }
    })
}

/// An interface.
pub fn link(row: &Row, node: &Node, shown: &str) -> Result<Interface, Problem> {
    let Value::Text(text) = &node.value else { return Err(Problem::not(row, node, shown)) };
    text.parse().map_err(|()| {
        let all: Vec<String> = Interface::all().iter().map(Interface::to_string).collect();
        let near = nearest(text, all.iter().map(String::as_str)).map(|n| format!("\"{n}\""));
        let expected = "expected pcie-gen1..6-x1..16, sas-12, sas-24, sas-12-x2 … or sata-6";
        Problem::new(format!("is {}, which is no interface", short(shown)), expected).meant(near)
    })
}

/// "auto" or a time.
pub fn auto_time(row: &Row, node: &Node, shown: &str) -> Result<Auto<SimDuration>, Problem> {
    match &node.value {
        Value::Text(text) if text == "auto" => Ok(Auto::Auto),
        _ => time(row, node, shown).map(Auto::Given),
    }
}

/// A time in the row's range.
pub fn time(row: &Row, node: &Node, shown: &str) -> Result<SimDuration, Problem> {
    let text = quantity_text(row, node, shown)?;
    let ps = units::picoseconds(text).map_err(|fault| faulty(row, shown, fault))?;
    check_range(&row.kind, ps as f64, shown)?;
    Ok(SimDuration::from_ps(ps))
}

/// A size in the row's range; a power of two if the row says so.
pub fn bytes(row: &Row, node: &Node, shown: &str) -> Result<u64, Problem> {
    let text = quantity_text(row, node, shown)?;
    size(row, text, shown)
}

/// The size that a text states (the text of a value or of a key).
pub fn size(row: &Row, text: &str, shown: &str) -> Result<u64, Problem> {
    let size = units::bytes(text).map_err(|fault| faulty(row, shown, fault))?;
    check_range(&row.kind, size as f64, shown)?;
    if matches!(row.kind, Kind::PowerOfTwoBytes(..)) && !size.is_power_of_two() {
        let near = format!("\"{}\"", units::print_bytes(near_power(size)));
        let fact = format!("is {}, not a power of two", short(shown));
        return Err(Problem::new(fact, "expected a power of two").meant(Some(near)));
    }
    Ok(size)
}

/// A rate, a count per second or years, in base units, in the row's range.
pub fn rate(row: &Row, node: &Node, shown: &str) -> Result<f64, Problem> {
    let text = quantity_text(row, node, shown)?;
    let dimension = row.kind.dimension().unwrap_or(Dimension::PerSecond);
    let value = units::number(text, dimension).map_err(|fault| faulty(row, shown, fault))?;
    check_range(&row.kind, value, shown)?;
    Ok(value)
}

/// The text of a quantity. A bare number has no unit: say so, and offer the likely spelling.
fn quantity_text<'n>(row: &Row, node: &'n Node, shown: &str) -> Result<&'n str, Problem> {
    match &node.value {
        Value::Text(text) => Ok(text),
        Value::Number(n) if !n.is_finite() => Err(not_finite(shown)),
        Value::Whole(Some(n)) if *n < 0 => Err(faulty(row, shown, Fault::Negative)),
        Value::Number(n) if *n < 0.0 => Err(faulty(row, shown, Fault::Negative)),
        Value::Whole(Some(n)) => Err(faulty(row, shown, Fault::NoUnit { number: n.to_string() })),
        Value::Number(n) => Err(faulty(row, shown, Fault::NoUnit { number: n.to_string() })),
        _ => Err(Problem::not(row, node, shown)),
    }
}

/// What a fault of a quantity looks like to the user.
fn faulty(row: &Row, shown: &str, fault: Fault) -> Problem {
    let dimension = row.kind.dimension().unwrap_or(Dimension::Time);
    let noun = if matches!(row.kind, Kind::AutoTime(..)) { row.kind.noun() } else { dimension.noun().into() };
    let in_units = || format!("expected {noun} in {}", dimension.unit_list());
    let shown = short(shown);
    match fault {
        Fault::NoNumber => {
            let problem = Problem::new(format!("is {shown}, not {noun}"), in_units());
            Problem { help: Some(format!("for example: {}", row.example)), ..problem }
        }
        Fault::NotFinite => Problem::new(format!("is {shown}, not a finite number"), in_units()),
        Fault::Negative => Problem::new(format!("is {shown}, below zero"), format!("expected {noun}")),
        Fault::NoUnit { number } => {
            Problem::new(format!("is {shown}, without a unit"), format!("expected {noun}"))
                .meant(likely(row, &number))
        }
        Fault::UnknownUnit { unit, nearest } => {
            Problem::new(format!("is {shown}: there is no unit `{}`", short(&unit)), in_units())
                .meant(nearest.map(|n| format!("\"{n}\"")))
        }
        Fault::WrongDimension { found, same } => {
            Problem::new(format!("is {shown}, {} and not {}", found.noun(), dimension.noun()), in_units())
                .meant(same.map(|s| format!("\"{s}\"")))
        }
        Fault::BelowResolution => Problem::new(
            format!("is {shown}, below the clock's resolution"),
            "expected 0 s, or a picosecond at least",
        ),
        Fault::TooLarge if dimension == Dimension::Time => {
            Problem::new(format!("is {shown}, more than the clock's 213 days"), "expected a shorter time")
        }
        Fault::TooLarge => Problem::new(format!("is {shown}, more than 64 bits can count"), "expected less"),
        Fault::PartOfByte => {
            Problem::new(format!("is {shown}, not a whole number of bytes"), "expected whole bytes")
        }
    }
}

/// The likely spelling of a number without a unit: with the row's usual unit if the range allows it,
/// else as base units. A size in whole sectors was most likely meant in bytes (8192 is 8 KiB).
fn likely(row: &Row, number: &str) -> Option<String> {
    let unit = match row.kind {
        Kind::Quantity(_, _, unit)
        | Kind::QuantityOrRange(_, _, unit)
        | Kind::PowerOfTwoBytes(_, unit)
        | Kind::AutoTime(_, unit) => unit,
        Kind::Law(..) | Kind::Times(_) => "us",
        Kind::Sizes(_) => "KiB",
        _ => return None,
    };
    let dimension = row.kind.dimension()?;
    let gap = if unit.starts_with('/') { "" } else { " " };
    let usual = format!("{number}{gap}{unit}");
    let value: f64 = number.parse().ok()?;
    let base = match dimension {
        Dimension::Bytes => units::print_bytes(value as u64),
        _ => units::print(value, dimension),
    };
    let is_sectors = dimension == Dimension::Bytes && value % 512.0 == 0.0;
    let candidates = if is_sectors { [base, usual] } else { [usual, base] };
    let fits = |text: &String| {
        units::number(text, dimension).is_ok_and(|value| check_range(&row.kind, value, "").is_ok())
    };
    // A time's base unit is the picosecond, which nobody means: only the first candidate counts.
    let count = if dimension == Dimension::Time { 1 } else { 2 };
    candidates.into_iter().take(count).find(fits).map(|text| quoted(&[&text]).remove(0))
}
