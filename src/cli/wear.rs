//! `forebay wear`.

use std::sync::atomic::AtomicBool;

use clap::Args;

use crate::outcome::WearOutcome;
use crate::report::{csv, json, terminal};
use crate::study;

use super::clock::TimeArgs;
use super::output::{Output, refuse};
use super::{Ending, ResultArgs, ScenarioArgs, clock};

const HELP: &str = "\
Examples:
  forebay wear mine.toml
  forebay wear mine.toml --set class.desktops.duty=0.4
  forebay wear mine.toml --set 'class.desktops.compress=[1.5, 2.2]'

Bytes are those of a run at the stated load, by `duty`, `hours` and `days` of the classes. Keys
that may be ranges are carried through by Monte Carlo (`forebay explain class.NAME.compress`).

Exit status: 0 data fits and the drives outlive their warranty, 1 they do not or it is not known, 2 the input is
wrong, 3 an audit failed, 130 interrupted (what is known is printed).";

#[derive(Args)]
#[command(after_help = HELP)]
pub(super) struct WearArgs {
    #[command(flatten)]
    scenario: ScenarioArgs,
    #[command(flatten)]
    pub results: ResultArgs,
    #[command(flatten)]
    time: TimeArgs,
}

pub(super) fn wear(args: &WearArgs, output: &Output, interrupted: &AtomicBool) -> Ending {
    let scenario = match super::read(&args.scenario, output) {
        Ok(scenario) => scenario,
        Err(ending) => return ending,
    };
    let asked = clock::ask(&args.time, output, interrupted, |context| study::wear(&scenario, context));
    let outcome = match asked {
        Ok(Ok(outcome)) => outcome,
        Ok(Err(error)) => return refuse(error),
        Err(ending) => return ending,
    };
    let delivered = output.deliver(
        |style| terminal::wear(&outcome, style),
        || json::to_json(&outcome),
        || csv::wear_csv(&outcome),
    );
    delivered.err().unwrap_or(ending(&outcome))
}

/// The first status that applies.
fn ending(outcome: &WearOutcome) -> Ending {
    if outcome.interrupted {
        Ending::Interrupted
    } else if !outcome.failed_audit.is_empty() {
        Ending::Untrue
    } else if outcome.fails.is_empty() && outcome.run.requests > 0 {
        Ending::Well
    } else {
        Ending::Missed
    }
}
