//! The answer of `fit`: how many machines, what sets the number, and until when.

use crate::outcome::{Figure, FitCase, FitOutcome};
use crate::report::grid::{Column, Grid};
use crate::report::numbers::{
    MISSING, format_count, format_machines, format_percent, format_significant, format_stated_percent,
};
use crate::report::sheet::{Sheet, Tone};
use crate::report::text::{clean, first_that_fits};

use super::footer;
use super::footnotes::{Footnotes, finish_table};
use super::headline;
use super::knee::between;
use super::wear::money;

/// Adds the three lines: how many, what sets the number, until when.
pub(super) fn answer(sheet: &mut Sheet, outcome: &FitOutcome) {
    let width = sheet.width();
    let whose = match outcome.class.as_str() {
        "all" => "machines of the whole mix".into(),
        class => format!("machines of {}", clean(class)),
    };
    let stated = format_count(outcome.stated_machines);
    match outcome.machines.value {
        Some(machines) => {
            let fits = machines >= outcome.stated_machines as f64;
            let count = format_count(machines as u64);
            // Without a number that is too large the search may have ended too soon for more.
            let least = if outcome.machines.high.is_none() { "at least " } else { "" };
            let spellings = [
                format!("{least}{count} {whose} fit; {stated} are stated"),
                format!("{least}{count} fit of {stated} stated"),
            ]
            .map(capitalised);
            let tone = if fits { Tone::Good } else { Tone::Bad };
            sheet.line(tone, &first_that_fits(&spellings, width));
        }
        None => {
            let reason = outcome.machines.reason.as_deref().unwrap_or_default();
            sheet.paragraph(Tone::Bad, "", &format!("No number of {whose} can be promised: {reason}"));
        }
    }
    let set_by = match &outcome.binding {
        Some(binding) if outcome.machines.value.is_none() => {
            vec![format!("Not known for: {}", clean(binding))]
        }
        Some(binding) if outcome.machines.high.is_none() => {
            let (case, reason) =
                (clean(binding), outcome.machines.reason.as_deref().map_or(String::new(), clean));
            vec![format!("Set by: not known; {case}: {reason}"), format!("Set by: not known; {case}")]
        }
        Some(binding) => {
            let case =
                std::iter::once(&outcome.healthy).chain(&outcome.faults).find(|case| &case.name == binding);
            let gives_way = case.and_then(|case| case.binding_objective.as_ref());
            let way = gives_way.map_or(String::new(), |o| format!("; first to give way: {}", clean(o)));
            let which = if case.is_none() { format!("{}, on paper", clean(binding)) } else { clean(binding) };
            vec![format!("Set by: {which}{way}"), format!("Set by: {which}")]
        }
        None => vec!["Set by: nothing".into()],
    };
    sheet.line(Tone::Strong, &first_that_fits(&set_by, width));
    growth_line(sheet, outcome);
    not_judged(sheet, outcome);
    headline::of_search(sheet, &outcome.failed_audit, outcome.interrupted, &outcome.title);
}

/// The same with a capital letter.
fn capitalised(text: String) -> String {
    let mut letters = text.chars();
    letters.next().map_or(String::new(), |first| first.to_uppercase().collect::<String>() + letters.as_str())
}

/// Says which faults limit nothing because nothing has to hold while they stand.
fn not_judged(sheet: &mut Sheet, outcome: &FitOutcome) {
    let faults = outcome.faults.iter().filter(|case| case.objectives == 0);
    let names: Vec<String> = faults.map(|case| clean(&case.name)).collect();
    if !names.is_empty() {
        let words = format!("Not judged: {}; no objective is about it (`during`)", names.join("; "));
        sheet.paragraph(Tone::Caution, "", &words);
    }
}

fn growth_line(sheet: &mut Sheet, outcome: &FitOutcome) {
    let Some(years) = &outcome.outgrown_after_years else {
        sheet.line(Tone::Plain, "Growth: none is stated");
        return;
    };
    let by = outcome.outgrown_by.as_ref().map_or(String::new(), |by| format!(", by {}", clean(by)));
    let said = match years.value {
        Some(0.0) => "Outgrown today".into(),
        Some(value) => format!("Outgrown after {} years{}{by}", format_significant(value), ends(years)),
        None => "Growth: not known".into(),
    };
    sheet.line(Tone::Plain, &first_that_fits(&[said], sheet.width()));
}

/// As [`between`], and nothing of a figure that is exact.
fn ends(figure: &Figure) -> String {
    match (figure.low, figure.high) {
        (Some(low), Some(high)) if low == high => String::new(),
        _ => between(figure),
    }
}

/// Adds a row for each limit by itself.
pub(super) fn by_limit(sheet: &mut Sheet, outcome: &FitOutcome) {
    let mut grid = Grid::new(vec![
        Column::name("limit", 0),
        Column::figure("machines", 0),
        Column::name("case", 0),
        Column::name("what fails above that", 1),
    ]);
    let mut footnotes = Footnotes::default();
    for row in &outcome.by_limit {
        footnotes.note(&row.machines, || clean(&row.limit));
        let sets_it = row.machines.value.is_some() && row.machines.value == outcome.machines.value;
        let words = |text: &Option<String>| text.as_deref().map_or(MISSING.into(), clean);
        grid.row(
            if sets_it { Tone::Strong } else { Tone::Plain },
            vec![
                clean(&row.limit),
                format_machines(&row.machines),
                words(&row.case),
                row.case.as_ref().map_or(MISSING.into(), |_| words(&row.binding)),
            ],
        );
    }
    if !outcome.by_limit.is_empty() {
        sheet.heading("Machines by each limit, whatever the others do");
        let fitted = grid.fit(sheet.width());
        finish_table(sheet, fitted, footnotes);
    }
}

/// Adds a row for each case.
pub(super) fn cases(sheet: &mut Sheet, outcome: &FitOutcome) {
    let mut grid = Grid::new(vec![
        Column::name("case", 0),
        Column::figure("accepted", 0),
        Column::figure("rejected", 0),
        Column::name("first to give way", 1),
        Column::name("busiest", 2),
        Column::figure("in use", 2),
    ]);
    let mut footnotes = Footnotes::default();
    let count = |value: Option<f64>| value.map_or(MISSING.into(), |count| format_count(count as u64));
    for case in std::iter::once(&outcome.healthy).chain(&outcome.faults) {
        footnotes.note(&case.machines, || clean(&case.name));
        let tone = if outcome.binding.as_ref() == Some(&case.name) { Tone::Strong } else { Tone::Plain };
        grid.row(tone, row(case, &count));
    }
    sheet.heading("Machines, healthy and with each fault by itself");
    let fitted = grid.fit(sheet.width());
    finish_table(sheet, fitted, footnotes);
}

fn row(case: &FitCase, count: &dyn Fn(Option<f64>) -> String) -> Vec<String> {
    vec![
        clean(&case.name),
        count(case.machines.low),
        count(case.machines.high),
        case.binding_objective.as_deref().map_or(MISSING.into(), clean),
        case.busiest.as_deref().map_or(MISSING.into(), clean),
        case.utilisation.map_or(MISSING.into(), format_percent),
    ]
}

/// Adds the classes at the number that may be promised, and what paper allows.
pub(super) fn classes_and_limits(sheet: &mut Sheet, outcome: &FitOutcome) {
    if outcome.machines.value.is_some() {
        let mut grid =
            Grid::new(vec![Column::name("class", 0), Column::figure("fit", 0), Column::figure("stated", 0)]);
        for class in &outcome.by_class {
            let cells =
                vec![clean(&class.class), format_count(class.machines), format_count(class.stated_machines)];
            grid.row(Tone::Plain, cells);
        }
        sheet.heading("By class");
        let fitted = grid.fit(sheet.width());
        finish_table(sheet, fitted, Footnotes::default());
    }
    if let Some(price) = outcome.price_per_machine {
        let amount = money(price, outcome.currency.as_deref());
        sheet.paragraph(Tone::Plain, " ", &format!("{amount} for each machine of that number"));
    }
    if !outcome.limits.is_empty() {
        sheet.heading("On paper");
        for limit in &outcome.limits {
            let machines =
                limit.machines.map_or(String::new(), |count| format!("{} machines: ", format_count(count)));
            sheet.paragraph(
                Tone::Plain,
                &format!(" {}: ", clean(&limit.resource)),
                &format!("{machines}{}", limit.why),
            );
        }
    }
}

/// Adds what was run, advice and assumptions.
pub(super) fn facts(sheet: &mut Sheet, outcome: &FitOutcome) {
    sheet.heading("The search");
    let measured = format!(
        "{} requests; seed {}; every case on the same requests; accepted and rejected at {} confidence, all cases together",
        format_count(outcome.requests),
        outcome.seed,
        format_stated_percent(outcome.confidence)
    );
    sheet.paragraph(Tone::Plain, " Measured: ", &measured);
    outcome.failed_audit.iter().for_each(|row| footer::broken_law(sheet, row));
    footer::made_by(sheet, &outcome.tool, &outcome.scenario_digest);
    footer::closing(sheet, &outcome.assumptions, &outcome.notes);
}
