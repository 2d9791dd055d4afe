//! How many machines by each limit, whatever the others do: latency, sustained load, capacity, memory, lanes, endurance.
//!
//! Every search of `fit` follows the objectives and the fullest resource at once and ends at the lower of the two. Of the other
//! one it then knows only that it lies above, and that is all that is said of it: what two curves point to is no finding.

use crate::outcome::{Figure, FitCase, FitLimit};
use crate::scenario::Scenario;
use crate::study::attempts::Attempts;
use crate::study::limit::Limit;
use crate::study::paper::Paper;

use super::Found;
use super::cases::Case;
use crate::study::knee::in_words;

/// How far a case goes by one of its two curves.
#[derive(Clone, Debug)]
pub(super) struct Ends {
    /// The largest number that surely holds.
    low: Option<f64>,
    /// The smallest that surely does not.
    high: Option<f64>,
    /// Whether the search ended at this curve: the largest number is then the answer.
    is_found: bool,
    /// What fails next above it; where nothing was seen to fail, why there is no more to say.
    why: String,
}

impl Ends {
    /// Of a case of which nothing is known.
    pub fn unknown(why: &str) -> Self {
        Ends { low: None, high: None, is_found: false, why: why.into() }
    }
}

/// A case by latency and by sustained load.
pub(super) fn of_case(case: &Case, limit: &Limit, attempts: &Attempts, row: &FitCase) -> [Ends; 2] {
    let (low, high) = (limit.found.low, limit.found.high);
    let reason = row.machines.reason.as_deref();
    let open = |why: &str| Ends { low, high: None, is_found: false, why: reason.unwrap_or(why).into() };
    let busy = row.busiest.as_deref().zip(row.utilisation).zip(low).map(|((name, used), count)| {
        let used = 100.0 * used;
        format!("not reached, latency binds first; {name} is {used:.0} % utilised at {count:.0} machines")
    });
    match limit.gives_way {
        Some(place) if high.is_some() || limit.out_of_reach => {
            let why = match (limit.out_of_reach, reason) {
                (true, Some(reason)) => reason.into(),
                _ => in_words(&case.scenario, place),
            };
            let latency = Ends { low, high: row.machines.high, is_found: low.is_some(), why };
            let overloaded = attempts.list.iter().filter(|a| a.tried.overloaded).map(|a| a.scale);
            let above = overloaded.filter(|scale| low.is_none_or(|low| *scale > low)).min_by(f64::total_cmp);
            let why = busy.unwrap_or_else(|| "an objective fails before".into());
            [latency, Ends { low, high: above, is_found: false, why }]
        }
        None if high.is_some() => {
            let why = row.binding_objective.as_deref().or(reason).unwrap_or("the load is not sustained");
            let why = why.to_owned();
            let sustained = Ends { low, high, is_found: low.is_some(), why };
            [open("not reached, no objective is missed while the load is sustained"), sustained]
        }
        _ => [
            open("no number was found that is surely too large"),
            open("no number was found that is surely too large"),
        ],
    }
}

/// Latency and sustained load over all cases, then what paper says.
pub(super) fn by_limit(scenario: &Scenario, found: &[Found], paper: &Paper) -> Vec<FitLimit> {
    let curve = |which: usize, name: &str| {
        let cases: Vec<(&str, &Ends)> =
            found.iter().filter_map(|f| Some((f.row.name.as_str(), &f.ends.as_ref()?[which]))).collect();
        over_cases(name, &cases)
    };
    let on_paper = |resource: &str| {
        let row = paper.rows.iter().find(|row| row.resource == resource);
        let machines = match row {
            Some(row) => match row.machines {
                Some(machines) => Figure::exact(machines as f64),
                None => Figure::missing(row.why.clone()),
            },
            None => Figure::missing(not_stated(scenario, resource)),
        };
        let binding = row.filter(|row| row.machines.is_some()).map(|row| row.why.clone());
        FitLimit { limit: resource.into(), machines, case: None, binding }
    };
    let simulated = [curve(0, "latency"), curve(1, "sustained load")];
    simulated.into_iter().chain(["capacity", "memory", "lanes", "endurance"].map(on_paper)).collect()
}

/// The case that sets a limit. Its number is a finding only if no other case may turn out to have a smaller one.
fn over_cases(limit: &str, cases: &[(&str, &Ends)]) -> FitLimit {
    let order = |a: Option<f64>, b: Option<f64>| a.unwrap_or(0.0).total_cmp(&b.unwrap_or(0.0));
    // Of equal numbers the one that was found tells more.
    let least = cases.iter().min_by(|a, b| order(a.1.low, b.1.low).then(b.1.is_found.cmp(&a.1.is_found)));
    let Some((name, ends)) = least else {
        return FitLimit {
            limit: limit.into(),
            machines: Figure::missing("no objective is about any case"),
            case: None,
            binding: None,
        };
    };
    let high = cases.iter().filter_map(|(_, ends)| ends.high).min_by(f64::total_cmp);
    let machines = match (ends.is_found, ends.low, high) {
        (true, Some(low), Some(high)) => Figure::of(low, low, high.max(low)),
        (_, low, high) => Figure { value: None, low, high, reason: Some(ends.why.clone()) },
    };
    let binding = ends.is_found.then(|| ends.why.clone());
    FitLimit { limit: limit.into(), machines, case: Some((*name).into()), binding }
}

/// Why a design has no such limit.
fn not_stated(scenario: &Scenario, resource: &str) -> String {
    let design = &scenario.design;
    match resource {
        "capacity" => "no drive of the design has a size".into(),
        "memory" if design.memory.is_none() => "the scenario has no `[design.memory]`".into(),
        "memory" => "nothing in memory grows with the machines".into(),
        "lanes" => "no budget of lanes is stated (`design.fabric.lanes`)".into(),
        _ => "the drives have no rated wear, or nothing is written".into(),
    }
}
