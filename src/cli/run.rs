//! `forebay run`.

use std::sync::atomic::{AtomicBool, Ordering};

use clap::Args;

use crate::outcome::{RunOutcome, State};
use crate::report::{csv, json, terminal};
use crate::study::{self, Context};

use super::clock::TimeArgs;
use super::output::{Output, put, refuse};
use super::{Ending, ResultArgs, ScenarioArgs, clock};

const HELP: &str = "\
Examples:
  forebay run mine.toml
  forebay run mine.toml --set design.drives.count=24 --json result.json
  forebay run mine.toml --set class.ticketing-db.machines=180 --seed 11
  forebay run mine.toml --within 30s           what is known by then

Exit status: 0 all is well, 1 an objective is missed, the load is not carried, or either is not known,
2 the input is wrong, 3 an audit failed, 130 interrupted (what is known is printed).";

#[derive(Args)]
#[command(after_help = HELP)]
pub(super) struct RunArgs {
    #[command(flatten)]
    scenario: ScenarioArgs,
    #[command(flatten)]
    pub results: ResultArgs,
    #[command(flatten)]
    time: TimeArgs,
    /// Every member of every station in the JSON
    #[arg(long)]
    detail: bool,
    /// Write the figures over time as CSV (scenarios with dated faults or phases)
    #[arg(long, value_name = "FILE")]
    series: Option<String>,
}

pub(super) fn run(args: &RunArgs, output: &Output, interrupted: &AtomicBool) -> Ending {
    let scenario = match super::read(&args.scenario, output) {
        Ok(scenario) => scenario,
        Err(ending) => return ending,
    };
    let detail = args.detail;
    let asked = clock::ask(&args.time, output, interrupted, |context| {
        study::run(&scenario, &Context { detail, ..*context })
    });
    let outcome = match asked {
        Ok(Ok(outcome)) => outcome,
        Ok(Err(error)) => return refuse(error),
        Err(ending) => return ending,
    };
    let delivered = output.deliver(
        |style| terminal::run(&outcome, style),
        || json::to_json(&outcome),
        || csv::run_csv(&outcome),
    );
    let series = args.series.as_ref().map_or(Ok(()), |file| put(file, &csv::series_csv(&outcome)));
    match delivered.and(series) {
        Err(ending) => ending,
        Ok(()) => ending(&outcome, interrupted.load(Ordering::Relaxed)),
    }
}

/// The first status that applies.
fn ending(outcome: &RunOutcome, interrupted: bool) -> Ending {
    // Neither is well that is not known: whoever asks by the status wants a yes.
    let missed = outcome.verdict.objectives_met != Some(true);
    let not_carried = outcome.verdict.state != State::Stable;
    if interrupted {
        Ending::Interrupted
    } else if outcome.audit.iter().any(|row| !row.ok) {
        Ending::Untrue
    } else if missed || not_carried {
        Ending::Missed
    } else {
        Ending::Well
    }
}
