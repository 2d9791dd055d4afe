//! `forebay check`.

use crate::report::{csv, json, terminal};
use crate::study;

use clap::Args;

use super::output::{Output, refuse};
use super::{Ending, ResultArgs, ScenarioArgs};

const HELP: &str = "\
Examples:
  forebay check mine.toml
  forebay check mine.toml --set design.drives.count=12 --csv ceilings.csv

Exit status: 0 valid, 1 a resource, a hop or the drives are full on paper, 2 the input
is wrong.";

#[derive(Args)]
#[command(after_help = HELP)]
pub(super) struct CheckArgs {
    #[command(flatten)]
    scenario: ScenarioArgs,
    #[command(flatten)]
    pub results: ResultArgs,
}

pub(super) fn check(args: &CheckArgs, output: &Output) -> Ending {
    let scenario = match super::read(&args.scenario, output) {
        Ok(scenario) => scenario,
        Err(ending) => return ending,
    };
    let outcome = match study::check(&scenario) {
        Ok(outcome) => outcome,
        Err(error) => return refuse(error),
    };
    let delivered = output.deliver(
        |style| terminal::check(&outcome, style),
        || json::to_json(&outcome),
        || csv::check_csv(&outcome),
    );
    delivered.err().unwrap_or(if outcome.full.is_empty() { Ending::Well } else { Ending::Missed })
}
