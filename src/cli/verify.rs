//! `forebay verify`.

use std::sync::atomic::{AtomicBool, Ordering};

use clap::Args;

use crate::report::{csv, json, terminal};
use crate::study::{self, Context};

use super::output::{Output, refuse};
use super::progress::Progress;
use super::{Ending, ResultArgs};

const HELP: &str = "\
Examples:
  forebay verify
  forebay verify --only mm1 --json checks.json

Exit status: 0 every figure agrees, 3 one does not, 130 interrupted.";

#[derive(Args)]
#[command(after_help = HELP)]
pub(super) struct VerifyArgs {
    #[command(flatten)]
    pub results: ResultArgs,
    /// Only the textbook scenarios whose name contains this
    #[arg(long, value_name = "NAME", default_value = "")]
    only: String,
}

pub(super) fn verify(args: &VerifyArgs, output: &Output, interrupted: &AtomicBool) -> Ending {
    let progress = Progress::new(output.quiet);
    let context = Context { interrupted, progress: &|words| progress.say(words), detail: false };
    let outcome = study::verify(&args.only, &context);
    progress.finish();
    let outcome = match outcome {
        Ok(outcome) => outcome,
        Err(message) => return refuse(message),
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
        Ok(()) => Ending::Well,
    }
}
