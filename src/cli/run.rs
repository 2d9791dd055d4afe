//! `forebay run`.

use std::sync::atomic::{AtomicBool, Ordering};

use clap::Args;

use crate::outcome::{RunOutcome, State};
use crate::report::{csv, json, terminal};
use crate::study::{self, Context};

use super::output::{Output, refuse};
use super::progress::Progress;
use super::{Common, Ending, ScenarioArgs};

#[derive(Args)]
pub(super) struct RunArgs {
    #[command(flatten)]
    scenario: ScenarioArgs,
    /// Every member of every station in the JSON
    #[arg(long)]
    detail: bool,
}

pub(super) fn run(args: &RunArgs, common: &Common, output: &Output, interrupted: &AtomicBool) -> Ending {
    let scenario = match super::read(&args.scenario, common, output) {
        Ok(scenario) => scenario,
        Err(ending) => return ending,
    };
    let progress = Progress::new(output.quiet);
    let context = Context { interrupted, progress: &|words| progress.say(words), detail: args.detail };
    let outcome = study::run(&scenario, &context);
    progress.finish();
    let outcome = match outcome {
        Ok(outcome) => outcome,
        Err(error) => return refuse(error),
    };
    let delivered = output.deliver(
        |style| terminal::run(&outcome, style),
        || json::to_json(&outcome),
        || csv::run_csv(&outcome),
    );
    match delivered {
        Err(ending) => ending,
        Ok(()) => ending(&outcome, interrupted.load(Ordering::Relaxed)),
    }
}

/// The first status that applies.
fn ending(outcome: &RunOutcome, interrupted: bool) -> Ending {
    let missed = outcome.verdict.objectives_met == Some(false);
    let not_carried = matches!(outcome.verdict.state, State::Saturated | State::Unsustainable);
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
