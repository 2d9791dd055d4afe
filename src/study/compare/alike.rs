//! Runs all designs alike, and tells what of them cannot be compared.

use crate::engine::SimDuration;
use crate::scenario::{Auto, Class, RunPlan, Scenario};

use super::{CompareError, Contender};

/// The scenarios, all with the plan of the first, and notes on what that changes and what is not compared.
pub(super) fn aligned(contenders: &[Contender]) -> Result<(Vec<Scenario>, Vec<String>), CompareError> {
    let [first, later @ ..] = contenders else { return Err(CompareError::TooFew) };
    if later.is_empty() {
        return Err(CompareError::TooFew);
    }
    let plan = RunPlan { length: length(contenders)?, ..first.scenario.run.clone() };
    let mut notes = Vec::new();
    for contender in contenders {
        notes.extend(changed(contender, &plan));
    }
    for contender in later {
        if !contender.scenario.classes.iter().any(|class| named(&first.scenario, &class.name).is_some()) {
            return Err(CompareError::NothingInCommon(first.name.clone(), contender.name.clone()));
        }
        notes.extend(unlike(first, contender));
    }
    let alike = |contender: &Contender| {
        let mut scenario = contender.scenario.clone();
        // Whether drives are new, and how often a transient run is looked at, are the design's own affair.
        let RunPlan { start, series, .. } = scenario.run;
        scenario.run = RunPlan { start, series, ..plan.clone() };
        scenario
    };
    Ok((contenders.iter().map(alike).collect(), notes))
}

/// The length that all have: that of the designs with dates, which must agree, else the first design's.
fn length(contenders: &[Contender]) -> Result<Auto<SimDuration>, CompareError> {
    let mut dated = contenders.iter().filter_map(|contender| match contender.scenario.run.length {
        Auto::Given(length) if contender.scenario.is_dated() => Some((contender.name.clone(), length)),
        _ => None,
    });
    let Some(first) = dated.next() else { return Ok(contenders[0].scenario.run.length) };
    match dated.find(|other| other.1 != first.1) {
        Some(other) => Err(CompareError::Lengths([first, other])),
        None => Ok(Auto::Given(first.1)),
    }
}

/// Says which keys of a design's `[run]` give way.
fn changed(contender: &Contender, plan: &RunPlan) -> Option<String> {
    let own = &contender.scenario.run;
    let keys = [
        ("seed", own.seed != plan.seed),
        ("warm_up", own.warm_up != plan.warm_up),
        ("length", own.length != plan.length),
        ("length_max", own.length_max != plan.length_max),
        ("precision", own.precision != plan.precision),
        ("confidence", own.confidence != plan.confidence),
        ("replications", own.replications != plan.replications),
        ("backlog_max", own.backlog_max != plan.backlog_max),
    ];
    let keys: Vec<String> =
        keys.iter().filter(|(_, is_other)| *is_other).map(|(key, _)| format!("`run.{key}`")).collect();
    (!keys.is_empty()).then(|| {
        format!(
            "{}: {} as stated there gives way: all designs are run alike, so that they meet the same traffic",
            contender.name,
            keys.join(", ")
        )
    })
}

pub(super) fn named<'s>(scenario: &'s Scenario, name: &str) -> Option<&'s Class> {
    scenario.classes.iter().find(|class| class.name == name)
}

/// Whether both have the same classes by name: then sums over all classes compare.
pub(super) fn have_same_classes(a: &Scenario, b: &Scenario) -> bool {
    let has_all = |a: &Scenario, b: &Scenario| a.classes.iter().all(|class| named(b, &class.name).is_some());
    has_all(a, b) && has_all(b, a)
}

/// Says what two designs do not have in common.
fn unlike(a: &Contender, b: &Contender) -> Vec<String> {
    let mut notes = Vec::new();
    for (here, there) in [(a, b), (b, a)] {
        for class in here.scenario.classes.iter().filter(|c| named(&there.scenario, &c.name).is_none()) {
            notes.push(format!(
                "class \"{}\" is in {} and not in {}: it is not compared, and sums over all classes are not either",
                class.name, here.name, there.name
            ));
        }
    }
    for class in &a.scenario.classes {
        if named(&b.scenario, &class.name).is_some_and(|other| other != class) {
            notes.push(format!(
                "class \"{}\" is described otherwise in {} and {}: its difference is of load and design together",
                class.name, a.name, b.name
            ));
        }
    }
    if a.scenario.phases != b.scenario.phases {
        notes.push(format!(
            "{} and {} have other phases: their difference is of load and design together",
            a.name, b.name
        ));
    }
    if a.scenario.objectives != b.scenario.objectives {
        notes.push(format!(
            "{} and {} state other objectives: each is held to its own, and compared on those of {}",
            a.name, b.name, a.name
        ));
    }
    notes
}
