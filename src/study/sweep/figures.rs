//! Answers as columns: each figure by a name that begins with its question.

use crate::outcome::{Figure, FitOutcome, KeptFigure, KneeOutcome, RunOutcome, WearOutcome};
use crate::scenario::Scenario;
use crate::study::wear::price_as_stated;

fn kept(name: String, figure: &Figure) -> KeptFigure {
    KeptFigure { name, value: figure.value, low: figure.low, high: figure.high }
}

fn plain(name: &str, value: Option<f64>) -> KeptFigure {
    KeptFigure { name: name.into(), value: value.filter(|value| value.is_finite()), low: None, high: None }
}

/// What arithmetic alone says: the price, where one is stated.
pub(super) fn of_design(scenario: &Scenario) -> Option<KeptFigure> {
    price_as_stated(scenario).map(|price| plain("design.price_total", Some(price)))
}

/// Load, verdict, and every latency of every class and operation, in microseconds.
pub(super) fn of_run(outcome: &RunOutcome) -> Vec<KeptFigure> {
    let verdict = &outcome.verdict;
    let is_stable = f64::from(u8::from(verdict.state == crate::outcome::State::Stable));
    let met = verdict.objectives_met.map(|met| f64::from(u8::from(met)));
    let mut found = vec![
        kept("run.carried_iops".into(), &outcome.carried.iops),
        plain("run.stable", Some(is_stable)),
        plain("run.objectives_met", met.filter(|_| !outcome.objectives.is_empty())),
        plain("run.utilisation", Some(verdict.utilisation)),
        plain("run.static_ceiling_iops", verdict.static_ceiling_iops),
    ];
    for row in &outcome.classes {
        let figures = row.latency_us.iter();
        found.extend(
            figures.map(|(p, figure)| kept(format!("run.{}.{}.{p}_us", row.name, row.operation), figure)),
        );
    }
    found
}

/// Knee, limit and saturation, as multiples of the load and in requests a second.
pub(super) fn of_knee(outcome: &KneeOutcome) -> Vec<KeptFigure> {
    let marks = [("point", &outcome.point), ("limit", &outcome.limit), ("saturation", &outcome.saturation)];
    let both = marks.into_iter().flat_map(|(name, mark)| {
        [kept(format!("knee.{name}.scale"), &mark.scale), kept(format!("knee.{name}.iops"), &mark.iops)]
    });
    both.collect()
}

/// Machines that may be promised, and in each case.
pub(super) fn of_fit(outcome: &FitOutcome) -> Vec<KeptFigure> {
    let mut found = vec![
        kept("fit.machines".into(), &outcome.machines),
        plain("fit.price_per_machine", outcome.price_per_machine),
    ];
    let cases = std::iter::once(&outcome.healthy).chain(&outcome.faults);
    found.extend(cases.map(|case| kept(format!("fit.{}.machines", case.name), &case.machines)));
    found
}

/// Room, wear, risk and price.
pub(super) fn of_wear(outcome: &WearOutcome) -> Vec<KeptFigure> {
    let mut found: Vec<KeptFigure> =
        outcome.results.iter().map(|row| kept(format!("wear.{}", row.what), &row.value)).collect();
    found.push(plain("wear.usable_bytes", outcome.usable_bytes));
    found.push(plain("wear.rebuild_hours", outcome.rebuild_hours));
    found
}
