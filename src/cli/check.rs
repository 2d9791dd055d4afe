//! `forebay check`.

use crate::report::{csv, json, terminal};
use crate::study;

use super::output::{Output, refuse};
use super::{Common, Ending, ScenarioArgs};

pub(super) fn check(args: &ScenarioArgs, common: &Common, output: &Output) -> Ending {
    let scenario = match super::read(args, common, output) {
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
    let over = outcome.ceilings.iter().any(|row| row.utilisation.is_some_and(|u| u >= 1.0));
    delivered.err().unwrap_or(if over { Ending::Missed } else { Ending::Well })
}
