//! `forebay verify`.

use std::sync::atomic::{AtomicBool, Ordering};

use clap::Args;

use crate::report::{csv, json, terminal};
use crate::study;

use super::clock::TimeArgs;
use super::output::{Output, refuse};
use super::{Ending, ResultArgs, clock};

const HELP: &str = "\
Examples:
  forebay verify
  forebay verify --only mm1 --json checks.json

Exit status: 0 every figure agrees, 1 not all were checked within the time, 3 one does not agree,
130 interrupted.";

#[derive(Args)]
#[command(after_help = HELP)]
pub(super) struct VerifyArgs {
    #[command(flatten)]
    pub results: ResultArgs,
    #[command(flatten)]
    time: TimeArgs,
    /// Only the textbook scenarios whose name contains this
    #[arg(long, value_name = "NAME", default_value = "")]
    only: String,
}

pub(super) fn verify(args: &VerifyArgs, output: &Output, interrupted: &AtomicBool) -> Ending {
    let asked = clock::ask(&args.time, output, interrupted, |context| study::verify(&args.only, context));
    let outcome = match asked {
        Ok(Ok(outcome)) => outcome,
        Ok(Err(message)) => return refuse(message),
        Err(ending) => return ending,
    };
    let delivered = output.deliver(
        |style| terminal::verify(&outcome, style),
        || json::to_json(&outcome),
        || csv::verify_csv(&outcome),
    );
    let all_ok = outcome.checks.iter().all(|c| c.ok);
    match delivered {
        Err(ending) => ending,
        Ok(()) if interrupted.load(Ordering::Relaxed) => Ending::Interrupted,
        Ok(()) if !all_ok => Ending::Untrue,
        Ok(()) if !outcome.not_checked.is_empty() => Ending::Missed,
        Ok(()) => Ending::Well,
    }
}
