//! Things that come in shares: sizes, and bands of popularity.

use super::values::{self, Problem};
use super::{Reader, Section};
use crate::scenario::diagnostics::Diagnostic;
use crate::scenario::model::Skew;
use crate::scenario::schema::{Kind, Row, row};
use crate::scenario::tree::{Node, Origin, Value};
use crate::scenario::units;

/// How far a sum of shares may be from 1: three thirds to seven digits pass, a forgotten share does
/// not. Shares are scaled to sum to 1 exactly.
const SLACK: f64 = 1e-6;

/// Reads sizes: one, or a table of sizes and shares. Nothing if the key is left out.
pub fn sizes(reader: &mut Reader, class: &Section, key: &str) -> Option<Option<Vec<(u64, f64)>>> {
    let Some(entry) = class.entry(key) else { return Some(None) };
    let Value::Table(table) = &entry.node.value else {
        return reader.convert(class, entry, one_size).map(|size| Some(vec![(size, 1.0)]));
    };
    let path = class.path_of(key);
    let row = class.row(key);
    let share_row = row_of_shares();
    let mut list: Vec<(u64, f64)> = Vec::new();
    let mut is_whole = true;
    for entry in table.entries() {
        let size = sector_size(row, &entry.key, &format!("\"{}\"", entry.key));
        let size = match size {
            Ok(size) if list.iter().any(|(s, _)| *s == size) => Err(Problem::new(
                format!("gives {} twice", units::print_bytes(size)),
                "expected each size once",
            )),
            size => size,
        };
        let size = size.map_err(|p| reader.out.push(p.at(&path, &entry.key_at))).ok();
        let share_path = format!("{path}.{:?}", entry.key);
        let share = reader.convert_node(&share_path, share_row, &entry.node, values::number);
        match size.zip(share) {
            Some(pair) => list.push(pair),
            None => is_whole = false,
        }
    }
    if !is_whole {
        return None;
    }
    let sum = scale(&mut list, |pair| &mut pair.1);
    check_sum(reader, &format!("the shares of `{path}`"), &entry.node.at, sum)?;
    list.retain(|pair| pair.1 > 0.0);
    Some(Some(list))
}

/// Any row of a share from 0 to 1 serves: its range is what is wanted.
fn row_of_shares() -> &'static Row {
    row("class.NAME.read").expect("the table of keys has `read` of a class")
}

fn one_size(row: &Row, node: &Node, shown: &str) -> Result<u64, Problem> {
    match &node.value {
        Value::Text(text) => sector_size(row, text, shown),
        _ => values::bytes(row, node, shown),
    }
}

/// Requests are whole sectors of 512 bytes (block devices: common practice).
fn sector_size(row: &Row, text: &str, shown: &str) -> Result<u64, Problem> {
    let size = values::size(row, text, shown)?;
    if size.is_multiple_of(512) {
        return Ok(size);
    }
    Err(Problem::new(
        format!("holds {}, which is not whole sectors", values::short(shown)),
        "expected a multiple of 512 B",
    ))
}

/// Divides shares by their sum, which is returned.
fn scale<T>(list: &mut [T], share: fn(&mut T) -> &mut f64) -> f64 {
    let sum: f64 = list.iter_mut().map(|item| *share(item)).sum();
    if sum > 0.0 {
        list.iter_mut().for_each(|item| *share(item) /= sum);
    }
    sum
}

fn check_sum(reader: &mut Reader, what: &str, at: &Origin, sum: f64) -> Option<()> {
    if (sum - 1.0).abs() <= SLACK {
        return Some(());
    }
    // Nine decimals hide the rounding of a sum and show anything that is refused.
    let shown = format!("{sum:.9}");
    let shown = shown.trim_end_matches('0').trim_end_matches('.');
    let title = format!("{what} sum to {shown}, not 1");
    reader.report(Diagnostic::at(at, title, "expected shares that sum to 1"))
}

/// Reads `skew`.
pub fn skew(reader: &mut Reader, class: &Section) -> Option<Skew> {
    let is_table = class.entry("skew").is_some_and(|e| matches!(e.node.value, Value::Table(_)));
    if !is_table {
        return reader.value(class, "skew", values::choice).map(|_| Skew::Uniform);
    }
    let section = reader.table(class, "skew", "class.NAME.skew")??;
    if reader.exclude(&section, "zipf", "bands") {
        return None;
    }
    if section.has("bands") {
        return bands(reader, &section).map(Skew::Bands);
    }
    if section.has("zipf") {
        return reader.value(&section, "zipf", values::number).map(Skew::Zipf);
    }
    let title = format!("`{}` says nothing", section.path);
    reader.lacks(&section, title, "expected `zipf` or `bands`".into(), None)
}

fn bands(reader: &mut Reader, section: &Section) -> Option<Vec<(f64, f64)>> {
    let entry = section.entry("bands")?;
    let path = section.path_of("bands");
    let pairs = match &entry.node.value {
        Value::List(pairs) if !pairs.is_empty() && section.row("bands").kind == Kind::Bands => pairs,
        _ => {
            let problem = Problem::not(section.row("bands"), &entry.node, reader.out.text(&entry.node.at));
            return reader.report(problem.at(&path, &entry.node.at));
        }
    };
    let read: Vec<Option<(f64, f64)>> =
        (0..).zip(pairs).map(|(i, pair): (usize, _)| band(reader, &format!("{path}.{i}"), pair)).collect();
    let mut list = read.into_iter().collect::<Option<Vec<_>>>()?;
    let space = scale(&mut list, |band| &mut band.0);
    let accesses = scale(&mut list, |band| &mut band.1);
    let space = check_sum(reader, &format!("the shares of space of `{path}`"), &entry.node.at, space);
    let accesses =
        check_sum(reader, &format!("the shares of accesses of `{path}`"), &entry.node.at, accesses);
    space.and(accesses).map(|()| list)
}

fn band(reader: &mut Reader, path: &str, node: &Node) -> Option<(f64, f64)> {
    let items = match &node.value {
        Value::List(items) if items.len() == 2 => items,
        _ => {
            let title = format!("`{path}` is not a pair");
            let expected = "expected [share of space, share of accesses]";
            return reader.report(Diagnostic::at(&node.at, title, expected));
        }
    };
    let space = reader.convert_node(&format!("{path}.0"), row_of_shares(), &items[0], values::number);
    let accesses = reader.convert_node(&format!("{path}.1"), row_of_shares(), &items[1], values::number);
    let (space, accesses) = (space?, accesses?);
    if space == 0.0 {
        let title = format!("`{path}` is a band without space");
        return reader.report(Diagnostic::at(&items[0].at, title, "expected a share above 0"));
    }
    Some((space, accesses))
}
