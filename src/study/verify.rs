//! `verify`: textbook scenarios against theory and standards, on this machine.
//!
//! Each is a plain scenario with the figures it must show beside it. A figure agrees if it is off by no
//! more than its interval's half-width and its stated tolerance together.

use std::path::Path;

use serde::Deserialize;

use crate::outcome::{CheckRow, Figure, RunOutcome, VerifyOutcome};
use crate::scenario;

use super::textbook::{TEXTBOOKS, Textbook};
use super::{Context, TOOL, run};

/// What stands beside a textbook scenario.
#[derive(Deserialize)]
#[serde(deny_unknown_fields)]
struct Expected {
    what: String,
    check: Vec<Check>,
}

/// One figure.
#[derive(Deserialize)]
#[serde(deny_unknown_fields)]
struct Check {
    id: String,
    class: String,
    operation: String,
    figure: String,
    expected: f64,
    tolerance: f64,
    why: String,
    source: String,
}

/// Runs the textbook scenarios whose name contains `only`; `Err` says in words what is wrong with one.
pub fn verify(only: &str, context: &Context) -> Result<VerifyOutcome, String> {
    let (mut checks, mut not_checked) = (Vec::new(), Vec::new());
    for textbook in TEXTBOOKS.iter().filter(|t| t.name.contains(only)) {
        // One that is stopped on the way says nothing.
        (context.progress)(&format!("textbook scenarios: {}", textbook.name));
        let found = match context.is_cut() {
            true => None,
            false => Some(verify_one(textbook, context)?).filter(|_| !context.is_cut()),
        };
        match found {
            Some(found) => checks.extend(found),
            None => not_checked.push(textbook.name.to_owned()),
        }
    }
    if checks.is_empty() && not_checked.is_empty() {
        let names: Vec<&str> = TEXTBOOKS.iter().map(|t| t.name).collect();
        return Err(format!("no textbook scenario is called \"{only}\"; there are {}", names.join(", ")));
    }
    Ok(VerifyOutcome { schema: 1, tool: TOOL.into(), checks, not_checked })
}

fn verify_one(textbook: &Textbook, context: &Context) -> Result<Vec<CheckRow>, String> {
    let file = format!("workloads/textbook/{}.toml", textbook.name);
    let scenario = scenario::parse(textbook.scenario, &file, Path::new("."), &[])
        .map_err(|diagnostics| diagnostics.render(false))?;
    let expected: Expected =
        toml::from_str(textbook.expected).map_err(|e| format!("{}.expected.toml: {e}", textbook.name))?;
    let quiet = Context { progress: &|_| {}, ..*context };
    let outcome = run(&scenario, &quiet).map_err(|e| e.to_string())?;
    let mut rows: Vec<CheckRow> = expected.check.iter().map(|c| row(c, &expected.what, &outcome)).collect();
    rows.extend(audit_row(textbook.name, &outcome));
    Ok(rows)
}

fn row(check: &Check, what: &str, outcome: &RunOutcome) -> CheckRow {
    let found = figure(check, outcome);
    let ok = match (found.value, found.low, found.high) {
        (Some(value), Some(low), Some(high)) => {
            let half = (value - low).max(high - value);
            (value - check.expected).abs() <= half + check.tolerance * check.expected.abs()
        }
        _ => false,
    };
    let why = if check.why.is_empty() { String::new() } else { format!(" ({})", check.why) };
    CheckRow {
        id: check.id.clone(),
        what: format!("{what}: {}{why}", in_words(&check.figure)),
        source: check.source.clone(),
        expected: check.expected,
        tolerance: check.tolerance,
        found,
        ok,
    }
}

/// The figure that a check names.
fn figure(check: &Check, outcome: &RunOutcome) -> Figure {
    let class = || outcome.classes.iter().find(|c| c.name == check.class && c.operation == check.operation);
    let missing = || Figure::missing(format!("the answer has no `{}`", check.figure));
    if let Some((station, of)) = check.figure.strip_prefix("station:").and_then(|s| s.rsplit_once(':')) {
        let Some(row) = outcome.stations.iter().find(|s| s.name == station) else { return missing() };
        return match of {
            "utilisation" => Figure::exact(row.utilisation),
            "mean_wait_us" => Figure::exact(row.mean_wait_us),
            "mean_service_us" => Figure::exact(row.mean_service_us),
            _ => missing(),
        };
    }
    match check.figure.as_str() {
        "iops" => outcome.carried.iops.clone(),
        "carried_read_bytes_per_s" => outcome.carried.read_bytes_per_s.clone(),
        "carried_write_bytes_per_s" => outcome.carried.write_bytes_per_s.clone(),
        name => class().and_then(|c| c.latency_us.get(name)).cloned().unwrap_or_else(missing),
    }
}

fn in_words(figure: &str) -> String {
    match figure {
        "iops" => "requests carried per second".into(),
        "carried_read_bytes_per_s" => "bytes read per second".into(),
        "carried_write_bytes_per_s" => "bytes written per second".into(),
        _ if figure.starts_with("station:") => figure.trim_start_matches("station:").replace(':', " "),
        _ => format!("{figure} latency, us"),
    }
}

/// A run whose audit failed fails its textbook too.
fn audit_row(name: &str, outcome: &RunOutcome) -> Option<CheckRow> {
    let failed: Vec<String> =
        outcome.audit.iter().filter(|a| !a.ok).map(|a| format!("{} at {}", a.law, a.station)).collect();
    (!failed.is_empty()).then(|| CheckRow {
        id: format!("{name} audit"),
        what: format!("laws that did not hold: {}", failed.join(", ")),
        source: "the run's own audit".into(),
        expected: 0.0,
        tolerance: 0.0,
        found: Figure::exact(failed.len() as f64),
        ok: false,
    })
}
