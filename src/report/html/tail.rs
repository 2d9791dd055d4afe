//! The tail: every class and operation from the median to p99.99, and where slow requests lost their time.

use maud::{Markup, html};

use crate::outcome::{BlameRow, RunOutcome};
use crate::report::numbers::{MISSING, format_duration_us, format_figure_us};

use super::chart::{Bar, Dot, Line, Lines, Part, Spell, bars, lines};
use super::{figure, table};

/// Percentiles and the share of requests beyond each.
const PERCENTILES: [(&str, f64); 6] =
    [("p50", 0.5), ("p90", 0.1), ("p95", 0.05), ("p99", 0.01), ("p99.9", 1e-3), ("p99.99", 1e-4)];
/// Lines that a chart can tell apart.
const LINES_MAX: usize = 6;
/// Parts of a bar that are told one by one.
const PARTS_MAX: usize = 8;

pub(super) fn section(outcome: &RunOutcome) -> Option<Markup> {
    if outcome.classes.is_empty() {
        return None;
    }
    let rows: Vec<_> = outcome
        .classes
        .iter()
        .filter(|row| row.requests > 0 && row.name != "all" && row.operation != "all")
        .collect();
    let line = |row: &&crate::outcome::ClassRow| {
        let name = format!("{} {}", row.name, row.operation);
        let dots = PERCENTILES.iter().filter_map(|(p, beyond)| {
            let found = row.latency_us.get(*p)?;
            let y = found.value.filter(|y| *y > 0.0)?;
            let words = format!("{p} {}", format_duration_us(y));
            Some(Dot { x: -beyond.log10(), y, ends: found.low.zip(found.high), words })
        });
        Line { name, dots: dots.collect() }
    };
    let chart = lines(&Lines {
        summary: "Latency by percentile, a line for each class and operation; the table below has the same figures",
        x_title: "percentile",
        y_title: "latency",
        x_spell: Spell::Number,
        y_spell: Spell::Duration,
        y_by_ratio: true,
        lines: rows.iter().take(LINES_MAX).map(line).collect(),
        rules: Vec::new(),
        x_named: PERCENTILES.iter().map(|(p, beyond)| (-beyond.log10(), (*p).to_owned())).collect(),
    });
    let cells = outcome.classes.iter().map(|row| {
        let mut cells = vec![format!("{} {}", row.name, row.operation)];
        cells.extend(
            PERCENTILES.iter().map(|(p, _)| row.latency_us.get(*p).map_or(MISSING.into(), format_figure_us)),
        );
        cells
    });
    let header: Vec<&str> = [""].into_iter().chain(PERCENTILES.iter().map(|(p, _)| *p)).collect();
    Some(html! {
        (figure("tail", chart, "How slow the slow ones are. Bands are intervals.", &table(&header, &cells.collect::<Vec<_>>())))
        (blame(&outcome.blame))
    })
}

/// "beyond the median", "beyond p99".
fn beyond(percentile: &str) -> String {
    match percentile {
        "p50" => "beyond the median".into(),
        percentile => format!("beyond {percentile}"),
    }
}

/// Bars of the time that requests spend at each station: all of them, and those beyond the median, p99 and p99.9.
fn blame(rows: &[BlameRow]) -> Markup {
    let of_all: Vec<&BlameRow> =
        rows.iter().filter(|row| row.class == "all" && row.operation == "all").collect();
    let chosen: Vec<&BlameRow> = if of_all.is_empty() { rows.iter().collect() } else { of_all };
    let Some(first) = chosen.first() else { return html! {} };
    let mut groups: Vec<(String, Vec<&BlameRow>)> = Vec::new();
    for row in &chosen {
        let name = match row.above.as_str() {
            "all" => "all requests".to_owned(),
            above => beyond(above),
        };
        let name =
            if first.class == "all" { name } else { format!("{} {}, {name}", row.class, row.operation) };
        match groups.iter_mut().find(|(known, _)| *known == name) {
            Some((_, rows)) => rows.push(row),
            None => groups.push((name, vec![row])),
        }
    }
    // Parts in the order of their weight in the slowest group.
    let mut key: Vec<(String, f64)> = Vec::new();
    for row in &chosen {
        for (what, us) in [("waiting", row.wait_us), ("service", row.service_us)] {
            let name = format!("{} {what}", row.station);
            match key.iter_mut().find(|(known, _)| *known == name) {
                Some((_, most)) => *most = most.max(us),
                None => key.push((name, us)),
            }
        }
    }
    key.sort_by(|a, b| b.1.total_cmp(&a.1));
    let mut names: Vec<String> = key.into_iter().take(PARTS_MAX - 1).map(|(name, _)| name).collect();
    names.push("all else".into());
    let all: Vec<Bar> = groups
        .iter()
        .take(6)
        .map(|(name, rows)| {
            let mut parts: Vec<(String, f64)> = names.iter().map(|name| (name.clone(), 0.0)).collect();
            for row in rows {
                for (what, us) in [("waiting", row.wait_us), ("service", row.service_us)] {
                    let name = format!("{} {what}", row.station);
                    let at = names.iter().position(|known| *known == name).unwrap_or(names.len() - 1);
                    parts[at].1 += us;
                }
            }
            let parts = parts.into_iter().filter(|(_, us)| *us > 0.0);
            let parts = parts.map(|(name, value)| Part { name, value, words: format_duration_us(value) });
            Bar { name: name.clone(), parts: parts.collect() }
        })
        .collect();
    let chart = bars(
        "Mean time of a request by station, for all requests and for the slowest; the table below has the same figures",
        &all,
        &names,
        &|us| format_duration_us(*us),
    );
    let cells: Vec<Vec<String>> = chosen
        .iter()
        .map(|row| {
            let slice = if row.above == "all" { "all".to_owned() } else { beyond(&row.above) };
            vec![
                format!("{} {}", row.class, row.operation),
                slice,
                row.station.clone(),
                format_duration_us(row.wait_us),
                format_duration_us(row.service_us),
            ]
        })
        .collect();
    let header = ["", "requests", "station", "mean wait", "mean service"];
    html! {
        h3 { "Where the time goes" }
        (figure("where-the-time-goes", chart, "Mean time at each station. What goes on side by side is added up, so that a bar may be longer than the request took.", &table(&header, &cells)))
    }
}
