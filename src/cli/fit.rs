//! `forebay fit`.

use std::sync::atomic::AtomicBool;

use clap::Args;

use crate::outcome::FitOutcome;
use crate::report::{csv, json, terminal};
use crate::study;

use super::clock::TimeArgs;
use super::output::{Output, refuse};
use super::{Ending, ResultArgs, ScenarioArgs, clock};

const HELP: &str = "\
Examples:
  forebay fit mine.toml                        the whole mix in its proportion
  forebay fit mine.toml --class ticketing-db   machines of one class, beside the others as stated
  forebay fit mine.toml --within 2min          every case has its share of the time

Every [[fault]] is tried by itself, in force or not (`forebay explain fault.NAME.in_force`). The
number is the largest that was surely accepted, healthy and with every fault, and that paper allows.

Exit status: 0 the stated machines fit, 1 they do not or it is not known, 2 the input is wrong,
3 an audit failed, 130 interrupted (what is known is printed).";

#[derive(Args)]
#[command(after_help = HELP)]
pub(super) struct FitArgs {
    #[command(flatten)]
    scenario: ScenarioArgs,
    #[command(flatten)]
    pub results: ResultArgs,
    #[command(flatten)]
    time: TimeArgs,
    /// Count the machines of this class; the others stay as stated (default: all in proportion)
    #[arg(long, value_name = "NAME")]
    class: Option<String>,
}

pub(super) fn fit(args: &FitArgs, output: &Output, interrupted: &AtomicBool) -> Ending {
    let scenario = match super::read(&args.scenario, output) {
        Ok(scenario) => scenario,
        Err(ending) => return ending,
    };
    let asked = clock::ask(&args.time, output, interrupted, |context| {
        study::fit(&scenario, args.class.as_deref(), context)
    });
    let outcome = match asked {
        Ok(Ok(outcome)) => outcome,
        Ok(Err(error)) => return refuse(error),
        Err(ending) => return ending,
    };
    let delivered = output.deliver(
        |style| terminal::fit(&outcome, style),
        || json::to_json(&outcome),
        || csv::fit_csv(&outcome),
    );
    delivered.err().unwrap_or(ending(&outcome))
}

/// The first status that applies.
fn ending(outcome: &FitOutcome) -> Ending {
    if outcome.interrupted {
        Ending::Interrupted
    } else if !outcome.failed_audit.is_empty() {
        Ending::Untrue
    } else if outcome.machines.value.is_some_and(|count| count >= outcome.stated_machines as f64) {
        Ending::Well
    } else {
        Ending::Missed
    }
}
