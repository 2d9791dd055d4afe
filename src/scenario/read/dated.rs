//! What dates ask of `[run]`: a transient run has a length of its own, and points in time.

use super::{Reader, Section, values};
use crate::engine::SimDuration;
use crate::scenario::diagnostics::Diagnostic;
use crate::scenario::model::{Auto, Fault, Phase, RunPlan};
use crate::scenario::tree::{Node, Table, Value};
use crate::scenario::units::{Dimension, print};

/// Most dated faults and phases: each cuts the run into periods with percentiles of their own (project
/// choice: half a GiB with a dozen classes).
const DATED_MAX: usize = 32;
/// Most points in time (project choice).
const POINTS_MAX: u64 = 10_000;
/// A dated fault that lasts to the end is watched for as long again as came before it, and at least so
/// long (project choice).
const WATCHED_AT_LEAST: SimDuration = SimDuration::from_us(1_000_000);

/// Settles length and series of a run with dates, and holds the dates against them.
pub fn settle(reader: &mut Reader, top: &Section, run: &mut RunPlan, faults: &[Fault], phases: &[Phase]) {
    let dated: Vec<&Fault> = faults.iter().filter(|fault| !fault.is_standing()).collect();
    let first = phases.first().map(|phase| &phase.name).or(dated.first().map(|fault| &fault.name));
    let Some(first) = first else { return };
    if dated.len() + phases.len() > DATED_MAX {
        let title = format!("{} faults and phases have dates", dated.len() + phases.len());
        reader.out.push(Diagnostic::of_file(title).help(Some(format!("expected {DATED_MAX} at most"))));
        return;
    }
    let empty = Table::default();
    let stated = match top.entry("run").map(|entry| &entry.node.value) {
        Some(Value::Table(table)) => table,
        _ => &empty,
    };
    let section = Section { path: "run".into(), pattern: "run", table: stated, at: None };
    let wanted = default_length(&dated, phases);
    match run.length {
        Auto::Auto if section.has("length") => {
            let at = reader.place(&section, "length");
            let title =
                format!("`run.length` is \"auto\" beside a date, that of \"{}\"", values::short(first));
            let help = format!("leave it out, for {}", print_time(wanted));
            let expected = "expected a time: a transient run is as long as it is";
            reader.out.push(Diagnostic::at(&at, title, expected).help(Some(help)));
            return;
        }
        Auto::Auto => {
            run.length = Auto::Given(wanted);
            reader.left_out.settle(section.path_of("length"), print_time(wanted));
        }
        Auto::Given(_) => {}
    }
    let Auto::Given(length) = run.length else { return };
    check_dates(reader, top, length);
    settle_series(reader, &section, run, length);
}

/// The last end and a quarter of it; where something has no end, twice its date.
fn default_length(dated: &[&Fault], phases: &[Phase]) -> SimDuration {
    let ends = dated.iter().filter_map(|fault| fault.end()).chain(phases.iter().map(Phase::end));
    let last = ends.max().unwrap_or(SimDuration::ZERO).ps();
    let open = dated
        .iter()
        .filter(|fault| fault.lasts.is_none())
        .map(|fault| fault.at + fault.at.max(WATCHED_AT_LEAST));
    SimDuration::from_ps(last + last / 4).max(open.max().unwrap_or(SimDuration::ZERO))
}

/// Nothing begins after the end of the run.
fn check_dates(reader: &mut Reader, top: &Section, length: SimDuration) {
    for (list, key) in [("fault", "at"), ("phase", "from")] {
        let Some(Value::List(items)) = top.entry(list).map(|entry| &entry.node.value) else { continue };
        for (number, item) in items.iter().enumerate() {
            check_date(reader, item, (list, key, number), length);
        }
    }
}

fn check_date(
    reader: &mut Reader,
    item: &Node,
    (list, key, number): (&str, &str, usize),
    length: SimDuration,
) {
    let Value::Table(table) = &item.value else { return };
    let pattern = if list == "fault" { "fault.NAME" } else { "phase.NAME" };
    let above = Section { path: list.to_owned(), pattern, table, at: None };
    let path = above.path_of(&super::class::name_of(number, table));
    let section = Section { path, pattern, table, at: Some(item.at.clone()) };
    // It was read before without a mistake.
    let Some(date) = reader.value(&section, key, values::time).filter(|date| *date >= length) else { return };
    if date.is_zero() {
        return;
    }
    let at = reader.place(&section, key);
    let title = format!("`{}` is not before the end of the run", section.path_of(key));
    let expected = format!("`run.length` is {}", print_time(length));
    reader.out.push(Diagnostic::at(&at, title, expected));
}

/// A series that nobody stated is made coarser until it is short enough.
fn settle_series(reader: &mut Reader, section: &Section, run: &mut RunPlan, length: SimDuration) {
    let points = |series: SimDuration| length.ps().div_ceil(series.ps().max(1));
    if points(run.series) <= POINTS_MAX {
        return;
    }
    if section.has("series") {
        let at = reader.place(section, "series");
        let title = format!("`run.series` makes {} points in {}", points(run.series), print_time(length));
        let expected = format!("expected a time that makes {POINTS_MAX} at most");
        reader.out.push(Diagnostic::at(&at, title, expected));
        return;
    }
    while points(run.series) > POINTS_MAX {
        run.series = SimDuration::from_ps(run.series.ps().saturating_mul(10));
    }
    reader.left_out.settle(section.path_of("series"), print_time(run.series));
}

fn print_time(span: SimDuration) -> String {
    print(span.ps() as f64, Dimension::Time)
}
