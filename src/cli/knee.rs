//! `forebay knee`.

use std::sync::atomic::AtomicBool;

use clap::Args;

use crate::outcome::{KneeOutcome, State};
use crate::report::{csv, json, terminal};
use crate::study;

use super::clock::TimeArgs;
use super::output::{Output, refuse};
use super::{Ending, ResultArgs, ScenarioArgs, clock};

const HELP: &str = "\
Examples:
  forebay knee mine.toml
  forebay knee mine.toml --set design.cpu.cores=8 --csv curve.csv
  forebay knee mine.toml --within 2min         the ends that are known by then

The load is a factor on all rates, on the speed of traces, and on the number of closed machines
(whole ones).

Exit status: 0 the stated load is carried and its objectives hold, 1 they do not, or either is not
known, 2 the input is wrong, 3 an audit failed, 130 interrupted (what is known is printed).";

#[derive(Args)]
#[command(after_help = HELP)]
pub(super) struct KneeArgs {
    #[command(flatten)]
    scenario: ScenarioArgs,
    #[command(flatten)]
    pub results: ResultArgs,
    #[command(flatten)]
    time: TimeArgs,
}

pub(super) fn knee(args: &KneeArgs, output: &Output, interrupted: &AtomicBool) -> Ending {
    let scenario = match super::read(&args.scenario, output) {
        Ok(scenario) => scenario,
        Err(ending) => return ending,
    };
    let asked = clock::ask(&args.time, output, interrupted, |context| study::knee(&scenario, context));
    let outcome = match asked {
        Ok(Ok(outcome)) => outcome,
        Ok(Err(error)) => return refuse(error),
        Err(ending) => return ending,
    };
    let delivered = output.deliver(
        |style| terminal::knee(&outcome, style),
        || json::to_json(&outcome),
        || csv::knee_csv(&outcome),
    );
    delivered.err().unwrap_or(ending(&outcome))
}

/// The first status that applies.
fn ending(outcome: &KneeOutcome) -> Ending {
    let has_objectives = outcome.curve.iter().any(|point| !point.objectives_us.is_empty());
    let missed = has_objectives && outcome.stated.objectives_met != Some(true);
    if outcome.interrupted {
        Ending::Interrupted
    } else if !outcome.failed_audit.is_empty() {
        Ending::Untrue
    } else if missed || outcome.stated.state != State::Stable {
        Ending::Missed
    } else {
        Ending::Well
    }
}
