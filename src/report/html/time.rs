//! Phases and faults: what is carried, how slow it is, how full the log is, as time goes by.

use maud::{Markup, html};

use crate::outcome::{RunOutcome, SeriesRow};
use crate::report::numbers::{
    MISSING, format_duration_us, format_per_second, format_significant, format_stated_percent,
};

use super::chart::{Dot, Line, Lines, Rule, Spell, lines};
use super::{drawing, table};

/// Rows of the table; a series may have thousands.
const ROWS_MAX: usize = 200;

pub(super) fn section(outcome: &RunOutcome) -> Option<Markup> {
    if outcome.series.len() < 2 {
        return None;
    }
    let figures = [
        Kind {
            name: "latency-in-time",
            title: "latency",
            spell: Spell::Duration,
            by_ratio: true,
            caption: "Latency of all requests as phases and faults come and go.",
            lines: &[("p50", |point| point.p50_us), ("p99", |point| point.p99_us)],
        },
        Kind {
            name: "carried",
            title: "carried",
            spell: Spell::PerSecond,
            by_ratio: false,
            caption: "Requests that were finished.",
            lines: &[("carried", |point| Some(point.iops))],
        },
        Kind {
            name: "backlog",
            title: "in the system",
            spell: Spell::Number,
            by_ratio: false,
            caption: "Requests that are under way or wait, at the end of each point.",
            lines: &[("in the system", |point| Some(point.backlog))],
        },
        Kind {
            name: "log",
            title: "log filled",
            spell: Spell::Percent,
            by_ratio: false,
            caption: "How full the write log is, at the end of each point.",
            lines: &[("log filled", |point| point.log_fill)],
        },
    ];
    let charts: Vec<(&Kind, Option<Markup>)> =
        figures.iter().map(|kind| (kind, chart(outcome, kind))).collect();
    let every = outcome.series.len().div_ceil(ROWS_MAX);
    let cells: Vec<Vec<String>> = outcome
        .series
        .iter()
        .step_by(every)
        .map(|point| {
            vec![
                format_significant(point.at_s),
                format_per_second(point.iops),
                point.p50_us.map_or(MISSING.into(), format_duration_us),
                point.p99_us.map_or(MISSING.into(), format_duration_us),
                format_significant(point.backlog),
                point.log_fill.map_or(MISSING.into(), format_stated_percent),
            ]
        })
        .collect();
    let header = ["s", "carried", "p50", "p99", "in the system", "log filled"];
    let has_none = charts.iter().all(|(_, chart)| chart.is_none());
    Some(html! {
        @for (kind, chart) in &charts {
            @if let Some(chart) = chart { (drawing(kind.name, chart, kind.caption)) }
        }
        details open[has_none] { summary { "The figures as a table" } (table(&header, &cells)) }
        @if every > 1 { p.quiet { "The table has every " (every) "th point; the JSON has all of them." } }
    })
}

type Of = fn(&SeriesRow) -> Option<f64>;

/// A chart over time: what is drawn, and how.
struct Kind {
    name: &'static str,
    title: &'static str,
    spell: Spell,
    by_ratio: bool,
    caption: &'static str,
    lines: &'static [(&'static str, Of)],
}

/// None where there is nothing of the kind.
fn chart(outcome: &RunOutcome, kind: &Kind) -> Option<Markup> {
    let line = |(name, of): &(&'static str, Of)| {
        let dots = outcome.series.iter().filter_map(|point| {
            let y = of(point).filter(|y| *y > 0.0 || !kind.by_ratio)?;
            let words = format!("{} at {} s", kind.spell.of(y), format_significant(point.at_s));
            Some(Dot { x: point.at_s, y, ends: None, words })
        });
        Line { name: (*name).into(), dots: dots.collect() }
    };
    let rules =
        outcome.periods.iter().skip(1).map(|period| Rule { x: period.from_s, words: period.name.clone() });
    lines(&Lines {
        summary: &format!("{} over time; the table below has the same figures", kind.title),
        x_title: "time, s",
        x_spell: Spell::Number,
        y_title: kind.title,
        y_spell: kind.spell,
        y_by_ratio: kind.by_ratio,
        lines: kind.lines.iter().map(line).collect(),
        rules: rules.collect(),
        x_named: Vec::new(),
    })
}
