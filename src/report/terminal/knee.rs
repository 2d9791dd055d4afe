//! The answer of `knee`: where the design bends, gives way and breaks, and what binds next.

use crate::outcome::{CurvePoint, Figure, KneeOutcome, LoadMark, State};
use crate::report::grid::{Column, Grid};
use crate::report::numbers::{
    MISSING, format_count, format_duration_us, format_figure_us, format_per_second, format_percent,
    format_significant, format_stated_percent,
};
use crate::report::sheet::{Sheet, Tone};
use crate::report::text::{clean, first_that_fits};

use super::footer;
use super::footnotes::{Footnotes, finish_table};
use super::headline;
use super::plot::{Curves, draw};

/// Loads that lie closer together than this part of the heaviest one are shown once.
const CLOSE: f64 = 0.03;

/// Adds the three lines: what load the objectives allow, where the design is full, where the curve bends.
pub(super) fn answer(sheet: &mut Sheet, outcome: &KneeOutcome) {
    let width = sheet.width();
    let (tone, line) = limit_line(outcome);
    sheet.line(tone, &first_that_fits(&line, width));
    sheet.line(Tone::Strong, &first_that_fits(&saturation_line(outcome), width));
    sheet.line(Tone::Plain, &first_that_fits(&knee_line(outcome), width));
    headline::of_search(sheet, &outcome.failed_audit, outcome.interrupted, &outcome.title);
}

/// "1.21 × the stated load (1.18 to 1.24)", with requests per second in front where they are known.
fn at_load(mark: &LoadMark) -> Option<String> {
    let scale = mark.scale.value?;
    let iops = mark.iops.value.map_or(String::new(), |iops| format!("{}, ", format_per_second(iops)));
    Some(format!("{iops}{} × the stated load{}", format_significant(scale), between(&mark.scale)))
}

/// " (1.18 to 1.24)"; an end that is not known shows as a dash.
pub(super) fn between(figure: &Figure) -> String {
    let end = |value: Option<f64>| value.map_or(MISSING.into(), format_significant);
    format!(" ({} to {})", end(figure.low), end(figure.high))
}

/// "none", or between which loads it lies where only an end of it is known; and why.
fn not_known(mark: &LoadMark) -> String {
    let scale = &mark.scale;
    let reason = scale.reason.as_deref().map_or(String::new(), clean);
    let at = |scale: f64, iops: Option<f64>| {
        let iops = iops.map_or(String::new(), |iops| format!(" ({})", format_per_second(iops)));
        format!("{} × the stated load{iops}", format_significant(scale))
    };
    let low = scale.low.map(|low| format!("at least {}", at(low, mark.iops.low)));
    let high = scale.high.map(|high| format!("below {}", at(high, mark.iops.high)));
    let ends: Vec<String> = low.into_iter().chain(high).collect();
    match ends.is_empty() {
        true => format!("none; {reason}"),
        false => format!("{}; {reason}", ends.join(", ")),
    }
}

fn limit_line(outcome: &KneeOutcome) -> (Tone, Vec<String>) {
    let Some(load) = at_load(&outcome.limit) else {
        let reached = outcome.stated.objectives_met == Some(false) || outcome.stated.state != State::Stable;
        let tone = if reached { Tone::Bad } else { Tone::Plain };
        return (tone, vec![format!("Limit: {}", not_known(&outcome.limit))]);
    };
    let scale = &outcome.limit.scale;
    let tone = match (scale.low, scale.high) {
        (Some(low), _) if low >= 1.0 => Tone::Good,
        (_, Some(high)) if high <= 1.0 => Tone::Bad,
        _ => Tone::Caution,
    };
    let gives_way = outcome
        .limit_objective
        .as_ref()
        .map_or(String::new(), |o| format!("; first to give way: {}", clean(o)));
    let short = scale.value.map_or(MISSING.into(), format_significant);
    (
        tone,
        vec![
            format!("Limit: all objectives hold up to {load}{gives_way}"),
            format!("Limit: all objectives hold up to {load}"),
            format!("Limit: {short} × the stated load{}", between(scale)),
        ],
    )
}

fn saturation_line(outcome: &KneeOutcome) -> Vec<String> {
    let Some(load) = at_load(&outcome.saturation) else {
        return vec![format!("Saturation: {}", not_known(&outcome.saturation))];
    };
    let binding = outcome.binding.as_deref().map_or(MISSING.into(), clean);
    let paper = match (outcome.static_ceiling_iops, &outcome.static_binding) {
        (Some(iops), Some(by)) => {
            format!("; static arithmetic says {} by {}", format_per_second(iops), clean(by))
        }
        _ => String::new(),
    };
    vec![
        format!("Saturation: {load}, {binding} is full{paper}"),
        format!("Saturation: {load}, {binding} is full"),
        format!(
            "Saturation: {} ×, {binding} is full",
            outcome.saturation.scale.value.map_or(MISSING.into(), format_significant)
        ),
    ]
}

fn knee_line(outcome: &KneeOutcome) -> Vec<String> {
    match at_load(&outcome.point) {
        Some(load) => vec![
            format!("Knee: {load}; above it a per cent more load costs more than a per cent of mean latency"),
            format!("Knee: {load}"),
        ],
        None => vec![format!("Knee: none; {}", outcome.point.scale.reason.clone().unwrap_or_default())],
    }
}

/// Of loads that lie close together, the one with the narrowest p99.
fn told(curve: &[CurvePoint]) -> Vec<&CurvePoint> {
    let width = |point: &CurvePoint| {
        let p99 = point.latency_us.get("p99").and_then(Figure::relative_half_width);
        p99.unwrap_or(f64::INFINITY)
    };
    let mut told: Vec<&CurvePoint> = Vec::new();
    let last = curve.last().map_or(1.0, |point| point.scale);
    for point in curve {
        match told.last_mut() {
            Some(before) if point.scale - before.scale < CLOSE * last && point.state == before.state => {
                if width(point) < width(before) {
                    *before = point;
                }
            }
            _ => told.push(point),
        }
    }
    told
}

/// Adds the plot of p99 and median over load.
pub(super) fn plot(sheet: &mut Sheet, outcome: &KneeOutcome) {
    let line = |key: &str| -> Vec<(f64, f64)> {
        let point = |p: &CurvePoint| {
            let value = p.latency_us.get(key)?.value.filter(|value| *value > 0.0)?;
            (p.state != State::Saturated).then_some((p.scale, value.ln()))
        };
        told(&outcome.curve).into_iter().filter_map(point).collect()
    };
    let marks = [
        (outcome.point.scale.value, "knee"),
        (outcome.limit.scale.value, "limit"),
        (outcome.saturation.scale.value, "full"),
    ];
    let mut named: Vec<(f64, String)> =
        marks.iter().filter_map(|(x, word)| Some(((*x)?, (*word).to_owned()))).collect();
    let uprights = named.iter().map(|(x, _)| *x).collect();
    let first = outcome.curve.first().map_or(0.0, |point| point.scale);
    let last = outcome.curve.last().map_or(1.0, |point| point.scale);
    named.push((first, format_significant(first)));
    named.push((last, format!("{} ×", format_significant(last))));
    named.sort_by(|a, b| a.0.total_cmp(&b.0));
    let curves = Curves {
        lines: vec![line("p99"), line("p50")],
        uprights,
        x: (first, last),
        marks: named,
        spell: |y| format_duration_us(y.exp()),
    };
    if curves.lines.iter().any(|line| line.len() > 1) {
        sheet.heading("Latency of all requests over load: p99 above, median below (logarithmic)");
        draw(sheet, &curves);
    }
}

/// Adds the loads that were tried.
pub(super) fn curve(sheet: &mut Sheet, outcome: &KneeOutcome) {
    if outcome.curve.is_empty() {
        return;
    }
    let mut grid = Grid::new(vec![
        Column::figure("× load", 0),
        Column::figure("offered/s", 3),
        Column::figure("carried/s", 0),
        Column::figure("mean ±", 2),
        Column::figure("p50 ±", 1),
        Column::figure("p99 ±", 0),
        Column::figure("in use", 0),
        Column::name("busiest", 1),
        Column::name("state", 0),
    ]);
    let shown = told(&outcome.curve);
    for point in &shown {
        let latency = |key: &str| point.latency_us.get(key).map_or(MISSING.into(), format_figure_us);
        let (tone, state) = match point.state {
            State::Stable => (Tone::Plain, "carried"),
            State::Saturated => (Tone::Bad, "not carried"),
            State::Unsustainable => (Tone::Caution, "not for ever"),
            State::Undecided => (Tone::Caution, "not known"),
        };
        let rate = |value: Option<f64>| value.map_or(MISSING.into(), format_significant);
        grid.row(
            tone,
            vec![
                format_significant(point.scale),
                rate(point.offered_iops),
                rate(point.carried_iops.value),
                latency("mean"),
                latency("p50"),
                latency("p99"),
                format_percent(point.utilisation),
                point.binding.as_deref().map_or(MISSING.into(), clean),
                state.into(),
            ],
        );
    }
    let shown = match outcome.curve.len() - shown.len() {
        0 => String::new(),
        _ => format!(", {} of {}", shown.len(), outcome.curve.len()),
    };
    sheet.heading(&format!(
        "Loads tried{shown} (± half the width of the {} interval)",
        format_stated_percent(outcome.confidence)
    ));
    let fitted = grid.fit(sheet.width());
    finish_table(sheet, fitted, Footnotes::default());
}

/// Adds what binds next.
pub(super) fn ladder(sheet: &mut Sheet, outcome: &KneeOutcome) {
    if outcome.next.is_empty() && outcome.next_ends.is_none() {
        return;
    }
    sheet.heading("What binds next");
    for (number, rung) in outcome.next.iter().enumerate() {
        let also = if number == 0 { "With" } else { "and" };
        let text = format!(
            "{also} {}: full at {}, {} × the stated load{}, by {}",
            clean(&rung.change),
            format_per_second(rung.saturation_iops),
            rung.saturation_scale.value.map_or(MISSING.into(), format_significant),
            between(&rung.saturation_scale),
            clean(&rung.binding)
        );
        sheet.paragraph(Tone::Plain, &format!(" {}. ", number + 1), &text);
    }
    if let Some(why) = &outcome.next_ends {
        sheet.paragraph(Tone::Quiet, " – ", &format!("no further: {}", clean(why)));
    }
}

/// Adds each resource's ceiling, added up and simulated.
pub(super) fn resources(sheet: &mut Sheet, outcome: &KneeOutcome) {
    if outcome.resources.is_empty() {
        return;
    }
    let mut grid = Grid::new(vec![
        Column::name("resource", 0),
        Column::figure("added up/s", 0),
        Column::figure("simulated/s", 0),
        Column::figure("in use", 0),
    ]);
    for row in &outcome.resources {
        let rate = |value: Option<f64>| value.map_or(MISSING.into(), format_significant);
        let tone = if Some(&row.station) == outcome.binding.as_ref() { Tone::Strong } else { Tone::Plain };
        grid.row(
            tone,
            vec![
                clean(&row.station),
                rate(row.static_ceiling_iops),
                rate(row.simulated_ceiling_iops),
                format_percent(row.utilisation),
            ],
        );
    }
    sheet.heading("Ceilings, added up and simulated just below saturation");
    let fitted = grid.fit(sheet.width());
    finish_table(sheet, fitted, Footnotes::default());
    for row in &outcome.resources {
        sheet.paragraph(Tone::Plain, &format!(" {}: ", clean(&row.station)), &row.gap);
    }
}

/// Adds what was run, the laws that failed, advice and assumptions.
pub(super) fn facts(sheet: &mut Sheet, outcome: &KneeOutcome) {
    sheet.heading("The search");
    let measured = format!(
        "{} requests over {} loads; seed {}; an interval's ends are the largest load accepted and the smallest \
         rejected, or those of a line through the loads tried near it, at {} confidence",
        format_count(outcome.requests),
        outcome.curve.len(),
        outcome.seed,
        format_stated_percent(outcome.confidence)
    );
    sheet.paragraph(Tone::Plain, " Measured: ", &measured);
    outcome.failed_audit.iter().for_each(|row| footer::broken_law(sheet, row));
    footer::made_by(sheet, &outcome.tool, &outcome.scenario_digest);
    footer::closing(sheet, &outcome.assumptions, &outcome.notes);
}
