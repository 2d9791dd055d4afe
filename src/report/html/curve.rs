//! Latency against load, with the knee, the limit, the saturation and the static ceiling.

use maud::{Markup, html};

use crate::outcome::{KneeOutcome, LoadMark, State};
use crate::report::numbers::{
    MISSING, format_duration_us, format_figure_us, format_per_second, format_percent, format_significant,
};

use super::chart::{Dot, Line, Lines, Rule, Spell, lines};
use super::{figure, table, with_ends};

/// Percentiles that are drawn, where they are known.
const DRAWN: [&str; 3] = ["p50", "p95", "p99"];

/// A percentile over the loads that are carried.
fn line(outcome: &KneeOutcome, percentile: &str, name: String) -> Line {
    let dots = outcome.curve.iter().filter(|point| point.state == State::Stable).filter_map(|point| {
        let found = point.latency_us.get(percentile)?;
        let y = found.value.filter(|y| *y > 0.0)?;
        let load = point.offered_iops.map_or(String::new(), |iops| format!("{}, ", format_per_second(iops)));
        let words = format!(
            "{} at {load}{} × the stated load",
            with_ends(found, format_duration_us),
            format_significant(point.scale)
        );
        Some(Dot { x: point.scale, y, ends: found.low.zip(found.high), words })
    });
    Line { name, dots: dots.collect() }
}

/// The curves of several designs, each with the name that its lines take; no chart where none of them carries two loads.
pub fn side_by_side(designs: &[(&str, &KneeOutcome)]) -> Markup {
    let named = designs.iter().flat_map(|(name, outcome)| {
        ["p50", "p99"].map(|percentile| line(outcome, percentile, format!("{name}, {percentile}")))
    });
    let rules = designs.iter().filter_map(|(name, outcome)| {
        Some(Rule { x: outcome.saturation.scale.value?, words: format!("{name} full") })
    });
    let chart = lines(&Lines {
        summary: "Latency percentiles of all requests against load, design by design; the table below has the same figures",
        x_title: "load, × the stated one",
        y_title: "latency",
        x_spell: Spell::Number,
        y_spell: Spell::Duration,
        y_by_ratio: true,
        lines: named.filter(|line| !line.dots.is_empty()).collect(),
        rules: rules.collect(),
        x_named: Vec::new(),
    });
    let mark = |mark: &LoadMark| with_ends(&mark.scale, format_significant);
    let rows: Vec<Vec<String>> = designs
        .iter()
        .map(|(name, outcome)| {
            vec![
                (*name).to_owned(),
                mark(&outcome.point),
                mark(&outcome.limit),
                mark(&outcome.saturation),
                outcome.binding.clone().unwrap_or_default(),
            ]
        })
        .collect();
    let header = ["design", "knee, × stated", "limit, × stated", "full at, × stated", "binds"];
    figure(
        "curves",
        chart,
        "Latency of all requests. Bands are intervals; loads that are not carried have no percentile.",
        &table(&header, &rows),
    )
}

pub(super) fn section(outcome: &KneeOutcome) -> Markup {
    let rule = |words: &str, x: Option<f64>| x.map(|x| Rule { x, words: words.into() });
    let ceiling =
        outcome.static_ceiling_iops.zip(outcome.offered_iops).map(|(ceiling, offered)| ceiling / offered);
    let rules = [
        rule("stated", Some(1.0)),
        rule("knee", outcome.point.scale.value),
        rule("limit", outcome.limit.scale.value),
        rule("saturation", outcome.saturation.scale.value),
        rule("static ceiling", ceiling),
    ];
    let chart = lines(&Lines {
        summary: "Latency percentiles of all requests against load; the table below has the same figures",
        x_title: "load, × the stated one",
        y_title: "latency",
        x_spell: Spell::Number,
        y_spell: Spell::Duration,
        y_by_ratio: true,
        lines: DRAWN
            .iter()
            .map(|name| line(outcome, name, (*name).into()))
            .filter(|line| !line.dots.is_empty())
            .collect(),
        rules: rules.into_iter().flatten().collect(),
        x_named: Vec::new(),
    });
    let rows: Vec<Vec<String>> = outcome
        .curve
        .iter()
        .map(|point| {
            let latency = |name: &str| point.latency_us.get(name).map_or(MISSING.into(), format_figure_us);
            let mut row = vec![
                format_significant(point.scale),
                point.offered_iops.map_or(MISSING.into(), format_per_second),
                point.carried_iops.value.map_or(MISSING.into(), format_per_second),
            ];
            row.extend(DRAWN.iter().map(|name| latency(name)));
            row.extend([format_percent(point.utilisation), point.binding.clone().unwrap_or_default()]);
            row
        })
        .collect();
    let header = ["× stated", "offered", "carried", "p50", "p95", "p99", "busiest at", "busiest"];
    let ladder: Vec<Vec<String>> = outcome
        .next
        .iter()
        .map(|rung| {
            vec![
                rung.relieved.clone(),
                rung.change.clone(),
                rung.saturation_scale.value.map_or(MISSING.into(), format_significant),
                rung.binding.clone(),
            ]
        })
        .collect();
    html! {
        (figure("curve", chart, "Latency of all requests. Bands are intervals; loads that are not carried have no percentile.", &table(&header, &rows)))
        @if !ladder.is_empty() {
            h3 { "What binds next" }
            (table(&["relieved", "how", "then full at × stated", "and then full"], &ladder))
        }
    }
}
