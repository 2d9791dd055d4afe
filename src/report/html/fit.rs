//! How many machines fit, healthy and with each fault, and what limits them.

use maud::{Markup, html};

use crate::outcome::{FitCase, FitOutcome};
use crate::report::numbers::{MISSING, format_figure, format_percent};

use super::table;

pub(super) fn section(outcome: &FitOutcome) -> Markup {
    let row = |case: &FitCase| {
        vec![
            case.name.clone(),
            format_figure(&case.machines, 1.0, " ± "),
            case.binding_objective.clone().or_else(|| case.machines.reason.clone()).unwrap_or_default(),
            case.busiest.clone().unwrap_or_default(),
            case.utilisation.map_or(MISSING.into(), format_percent),
        ]
    };
    let cases: Vec<Vec<String>> = std::iter::once(&outcome.healthy).chain(&outcome.faults).map(row).collect();
    let classes: Vec<Vec<String>> = outcome
        .by_class
        .iter()
        .map(|row| vec![row.class.clone(), row.machines.to_string(), row.stated_machines.to_string()])
        .collect();
    let limits: Vec<Vec<String>> = outcome
        .limits
        .iter()
        .map(|limit| {
            let machines = limit.machines.map_or(MISSING.into(), |machines| machines.to_string());
            vec![limit.resource.clone(), machines, limit.why.clone()]
        })
        .collect();
    html! {
        (table(&["case", "machines", "gives way first", "busiest", "at"], &cases))
        h3 { "By class" }
        (table(&["class", "fit", "stated"], &classes))
        @if !limits.is_empty() { h3 { "What limits them" } (table(&["limit", "machines", "why"], &limits)) }
    }
}
