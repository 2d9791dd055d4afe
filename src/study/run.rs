//! `run`: percentiles, utilisation, blame and audit of a scenario at its stated load.
//!
//! A pilot finds the warm-up and the rates; replications run side by side, each in one thread, and are
//! folded in order of their number, so that the answer does not depend on how many threads there are.

use crate::outcome::{ClassRow, RunOutcome, State};
use crate::scenario::{Auto, Scenario};

pub(super) use super::context::Context;
use super::lockstep::{self, Lane, More};
use super::pilot;
use super::rebuild::{self, Pace};
use super::replication::Replication;
use super::setting::{Course, Setting, StudyError};
use super::summary;
use super::targets::targets;

/// Log of a design whose log is full, bytes: stripes on their way, and little more.
const HELD_AT_HIGH_WATER: u64 = 64 << 20;

/// Share of the time for the run itself, where the pace of a rebuild is measured after it.
const BESIDE_A_REBUILD: f64 = 0.7;

/// Runs a scenario at its stated load.
pub fn run(scenario: &Scenario, context: &Context) -> Result<RunOutcome, StudyError> {
    let setting = Setting::new(scenario, context.interrupted)?;
    let rebuilds = scenario.faults.iter().any(|fault| fault.is_standing() && fault.rebuilding().is_some());
    let share = if rebuilds { BESIDE_A_REBUILD } else { 1.0 };
    let (replications, course) = context.part(share, || replicate(&setting, context));
    let mut outcome = summary::summarise(&setting, &replications, &course, context.detail);
    drop(replications);
    follow_up(&mut outcome, scenario, context)?;
    outcome.notes.extend(left_out(scenario));
    Ok(outcome)
}

/// Objectives about faults that wait for `fit` are not judged here.
fn left_out(scenario: &Scenario) -> Option<String> {
    let names: Vec<String> =
        scenario.what_if.objectives.iter().map(|objective| format!("\"{}\"", objective.during)).collect();
    (!names.is_empty()).then(|| {
        format!(
            "objectives about faults that are not in force are judged by `fit` alone: {}",
            names.join(", ")
        )
    })
}

/// What takes runs of its own: the load that a full log meets, and the pace of a standing rebuild.
pub(super) fn follow_up(
    outcome: &mut RunOutcome,
    scenario: &Scenario,
    context: &Context,
) -> Result<(), StudyError> {
    if outcome.verdict.state == State::Unsustainable && !context.is_over() {
        (context.progress)("the log fills: the same load with a full one");
        let said = context.part(0.5, || at_high_water(scenario, context))?;
        outcome.notes.push(said);
    }
    let (pace, is_cut) = context.part(1.0, || (rebuild::pace(scenario, context), context.is_cut()));
    if let Some(pace) = pace? {
        outcome.notes.push(match is_cut {
            true => format!("{}: the pace of the rebuild is not known", context.why_cut()),
            false => {
                outcome.rebuild_hours = pace.hours;
                pace_in_words(&pace)
            }
        });
    }
    Ok(())
}

fn pace_in_words(pace: &Pace) -> String {
    let [first, second, third] = pace.bytes_per_s.map(|bytes| bytes / 1e6);
    let hours = match pace.hours {
        Some(hours) => format!(": {hours:.1} h in all"),
        None => String::new(),
    };
    format!(
        "rebuild: {first:.1}, {second:.1} and {third:.1} MB/s with 17, 50 and 83 % restored{hours}, at this load all along"
    )
}

/// What the load meets once the log is full: the same design with a log that holds next to nothing, for a
/// stated length of a pilot's.
fn at_high_water(scenario: &Scenario, context: &Context) -> Result<String, StudyError> {
    let mut full = scenario.clone();
    if let Some(log) = &mut full.design.log {
        log.size = log.size.min(HELD_AT_HIGH_WATER);
    }
    let setting = Setting::new(&full, context.interrupted)?;
    full.run.length = Auto::Given(pilot::first_length(&setting));
    full.objectives.clear();
    let setting = Setting::new(&full, context.interrupted)?;
    let (replications, course) = replicate(&setting, context);
    if let Some(why) = &course.interrupted {
        return Ok(format!("{why}: what the load meets at high water is not known"));
    }
    let outcome = summary::summarise(&setting, &replications, &course, false);
    let carried = outcome.carried.iops.value.unwrap_or(0.0);
    if outcome.verdict.state != State::Stable {
        return Ok(format!(
            "at high water: {carried:.0} requests/s are carried and the backlog grows, so there is no percentile to tell"
        ));
    }
    let p99 = |row: &ClassRow| {
        let value = row.latency_us.get("p99").and_then(|figure| figure.value)?;
        Some(format!("{} {} {value:.0} us", row.name, row.operation))
    };
    let rows: Vec<String> = outcome.classes.iter().filter(|row| row.name != "all").filter_map(p99).collect();
    Ok(format!("at high water: {carried:.0} requests/s are carried; p99 of {}", rows.join(", ")))
}

/// Replications of one design, by its own plan.
pub(super) fn replicate(setting: &Setting, context: &Context) -> (Vec<Replication>, Course) {
    let mut lanes = [Lane::new("", setting, targets(setting))];
    let schedule = lockstep::measure(&mut lanes, &|_| More::default(), context);
    let [lane] = lanes;
    lane.finish(&schedule)
}
