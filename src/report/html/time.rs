//! Phases and faults: what is carried, how slow it is, how full the log is, as time goes by.

use maud::{Markup, html};

use crate::outcome::RunOutcome;
use crate::report::numbers::{
    MISSING, format_duration_us, format_per_second, format_significant, format_stated_percent,
};

use super::chart::{Dot, Line, Lines, Rule, lines};
use super::{figure, table};

/// Rows of the table; a series may have thousands.
const ROWS_MAX: usize = 200;

pub(super) fn section(outcome: &RunOutcome) -> Option<Markup> {
    if outcome.series.len() < 2 {
        return None;
    }
    let line = |name: &str, of: &dyn Fn(&crate::outcome::SeriesRow) -> Option<f64>| {
        let dots = outcome.series.iter().filter_map(|point| {
            let y = of(point).filter(|y| *y > 0.0)?;
            let words = format!("{} at {} s", format_duration_us(y), format_significant(point.at_s));
            Some(Dot { x: point.at_s, y, ends: None, words })
        });
        Line { name: name.into(), dots: dots.collect() }
    };
    let rules =
        outcome.periods.iter().skip(1).map(|period| Rule { x: period.from_s, words: period.name.clone() });
    let chart = lines(&Lines {
        summary: "Latency over time; the table below has the same figures".into(),
        x_title: "time, s",
        y_title: "latency",
        x_spell: &|x| format_significant(*x),
        y_spell: &|y| format_duration_us(*y),
        lines: vec![line("p50", &|point| point.p50_us), line("p99", &|point| point.p99_us)],
        rules: rules.collect(),
        x_ticks: Vec::new(),
    });
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
    Some(html! {
        (figure("time", chart, "Latency of all requests as phases and faults come and go.", &table(&header, &cells)))
        @if every > 1 { p.quiet { "The table has every " (every) "th point; the JSON has all of them." } }
    })
}
