//! How many machines fit, healthy and with each fault, and what limits them.

use maud::{Markup, html};

use crate::outcome::{FitCase, FitOutcome};
use crate::report::numbers::{MISSING, format_count, format_machines, format_percent};

use super::chart::{Axis, Interval, Spell, intervals};
use super::{figure, table};

pub(super) fn section(outcome: &FitOutcome) -> Markup {
    let row = |case: &FitCase| {
        vec![
            case.name.clone(),
            promised(case),
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
    let by_limit: Vec<Vec<String>> = outcome
        .by_limit
        .iter()
        .map(|row| {
            let why = row.binding.as_ref().or(row.machines.reason.as_ref());
            vec![
                row.limit.clone(),
                format_machines(&row.machines),
                row.case.clone().unwrap_or(MISSING.into()),
                why.cloned().unwrap_or_default(),
            ]
        })
        .collect();
    html! {
        @if !by_limit.is_empty() {
            h3 { "Machines by each limit, whatever the others do" }
            (table(&["limit", "machines", "case", "why"], &by_limit))
        }
        (figure("fit", chart(outcome), "The most machines of each case: a square for the number that may be promised, the end of its line for the smallest that is too many. The upright is what is stated.", &table(&["case", "machines", "gives way first", "busiest", "at"], &cases)))
        h3 { "By class" }
        (table(&["class", "fit", "stated"], &classes))
    }
}

/// "615 (686 are too many)".
pub(super) fn promised(case: &FitCase) -> String {
    let Some(machines) = case.machines.value else { return MISSING.into() };
    let most = case.machines.high.filter(|high| *high > machines);
    let most = most.map_or(String::new(), |most| format!(" ({} are too many)", format_count(most as u64)));
    format_count(machines as u64) + &most
}

/// Healthy and with each fault, against what is stated.
fn chart(outcome: &FitOutcome) -> Option<Markup> {
    let row = |case: &FitCase| {
        let value = case.machines.value?;
        let (low, high) = (case.machines.low.unwrap_or(value), case.machines.high.unwrap_or(value));
        Some(Interval { name: case.name.clone(), low, value, high, words: promised(case), is_full: true })
    };
    let rows: Vec<Interval> =
        std::iter::once(&outcome.healthy).chain(&outcome.faults).filter_map(row).collect();
    let stated = outcome.stated_machines as f64;
    let ends = rows.iter().flat_map(|row| [row.low, row.high]).chain([0.0, stated]);
    let axis = Axis::over("machines", Spell::Number, false, ends)?;
    let summary = "How many machines fit in each case; the table below has the same figures";
    intervals(summary, &axis, &rows, Some(stated))
}
