//! The cases of `fit`: the design healthy, and with each fault by itself.

use crate::scenario::{Fault, Scenario};

/// One case: the scenario as it is then.
pub(super) struct Case {
    pub name: String,
    pub scenario: Scenario,
}

/// Healthy, then each fault by itself, each with the objectives that are about it. One more loss comes with its first.
pub(super) fn cases(scenario: &Scenario) -> Vec<Case> {
    let faults: Vec<&Fault> = scenario.faults.iter().chain(&scenario.what_if.faults).collect();
    let objectives = || scenario.objectives.iter().chain(&scenario.what_if.objectives);
    let phases: Vec<&str> = scenario.phases.iter().map(|phase| phase.name.as_str()).collect();
    let case = |name: &str, in_force: Vec<Fault>| {
        let names: Vec<&str> = in_force.iter().map(|fault| fault.name.as_str()).collect();
        let about = |during: &str| match during {
            "any" => true,
            "healthy" => in_force.is_empty(),
            name => names.contains(&name) || phases.contains(&name),
        };
        let kept = objectives().filter(|o| about(&o.during)).cloned().collect();
        let mut scenario = scenario.clone();
        scenario.objectives = kept;
        scenario.faults = in_force.clone();
        if !scenario.is_dated() {
            scenario.run.length = crate::scenario::Auto::Auto;
        }
        Case { name: name.to_owned(), scenario }
    };
    let mut cases = vec![case("healthy", Vec::new())];
    for fault in &faults {
        let first =
            faults.iter().find(|one| !one.is_second && one.lost_drive().is_some() && one.overlaps(fault));
        let along = first.filter(|_| fault.is_second).map(|first| (*first).clone());
        cases.push(case(&fault.name, along.into_iter().chain([(*fault).clone()]).collect()));
    }
    cases
}

/// Said of every fault that no objective is about: nothing has to hold while it stands, so it limits nothing.
pub(in crate::study) fn not_judged(scenario: &Scenario) -> Vec<String> {
    let faults = scenario.faults.iter().chain(&scenario.what_if.faults);
    let objectives = || scenario.objectives.iter().chain(&scenario.what_if.objectives);
    let is_judged = |fault: &&Fault| objectives().any(|o| o.during == "any" || o.during == fault.name);
    let names = faults.filter(|fault| !is_judged(fault)).map(|fault| &fault.name);
    names
        .map(|name| {
            format!(
                "fault \"{name}\": no objective says `during = \"{name}\"` or \"any\", so `fit` does not judge it"
            )
        })
        .collect()
}
