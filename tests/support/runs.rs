//! Scenarios as text and their answers, in this process: for the tests that hold the whole tool,
//! from a TOML line to an interval, to known figures.

use std::path::Path;
use std::sync::atomic::AtomicBool;

use forebay::outcome::{ClassRow, Figure, RunOutcome};
use forebay::scenario::{Scenario, parse};
use forebay::study::{self, Context};

/// A checked scenario from its text.
pub fn scenario(text: &str) -> Scenario {
    parse(text, "test.toml", Path::new(""), &[]).unwrap_or_else(|diagnostics| panic!("{diagnostics}\n{text}"))
}

/// The answer to a scenario.
pub fn run(scenario: &Scenario) -> RunOutcome {
    let context =
        Context { interrupted: &AtomicBool::new(false), time: None, progress: &|_| (), detail: false };
    study::run(scenario, &context).unwrap_or_else(|error| panic!("{error}"))
}

/// The answer to a scenario's text, whose audits must all hold.
pub fn answer(text: &str) -> RunOutcome {
    let outcome = run(&scenario(text));
    let broken: Vec<_> = outcome.audit.iter().filter(|row| !row.ok).collect();
    assert!(broken.is_empty(), "{broken:?}\n{text}");
    outcome
}

/// The latency row of a class and operation.
pub fn row<'a>(outcome: &'a RunOutcome, class: &str, operation: &str) -> &'a ClassRow {
    let is_it = |row: &&ClassRow| row.name == class && row.operation == operation;
    outcome.classes.iter().find(is_it).unwrap_or_else(|| panic!("no row {class} {operation}"))
}

/// A latency of all requests together: "mean", "p99" …
pub fn latency<'a>(outcome: &'a RunOutcome, figure: &str) -> &'a Figure {
    &row(outcome, "all", "all").latency_us[figure]
}

/// The ends of a figure's interval.
pub fn ends(figure: &Figure) -> (f64, f64) {
    figure.low.zip(figure.high).unwrap_or_else(|| panic!("no interval: {:?}", figure.reason))
}

/// One class of reads of 4 KiB from one machine.
pub fn class(name: &str, load: &str) -> String {
    format!("[[class]]\nname = \"{name}\"\nmachines = 1\nload = {load}\nread = 1\nsizes = \"4 KiB\"\n")
}

/// An M/G/c queue: `cores` with this service table, Poisson arrivals at `rate` per second.
pub fn queue(run: &str, cores: u32, service: &str, rate: f64) -> String {
    let class = class("requests", &format!("{{ rate = \"{rate}/s\" }}"));
    format!("[run]\n{run}\n[design.cpu]\ncores = {cores}\nservice = {service}\n{class}")
}
