//! The tables of `run`: objectives, classes, stations.

use crate::outcome::{ClassRow, ObjectiveRow, RunOutcome, StationRow};
use crate::report::grid::{Column, Grid};
use crate::report::numbers::{
    MISSING, TimeUnit, format_bound_us, format_bytes_per_s, format_count, format_duration_us, format_figure,
    format_figure_us, format_per_second, format_percent, format_significant, format_stated_percent,
};
use crate::report::sheet::{Sheet, Tone};
use crate::report::text::clean;

use super::footnotes::{Footnotes, finish_table};
use super::standing::{Standing, percentile_name, share_of_bound};

/// Keys of a class's latencies in order of size, each with how soon its column leaves a narrow page
/// (what objectives are stated on stays longest).
const LATENCIES: [(&str, u8); 7] =
    [("mean", 1), ("p50", 3), ("p90", 7), ("p95", 5), ("p99", 0), ("p99.9", 2), ("p99.99", 6)];

/// Adds the table of objectives, if there are any.
pub(super) fn objectives(sheet: &mut Sheet, objectives: &[ObjectiveRow]) {
    if objectives.is_empty() {
        return;
    }
    let has_periods = objectives.iter().any(|row| row.period.is_some());
    let mut columns = vec![Column::name("class", 0), Column::name("op", 0), Column::name("during", 2)];
    // Which of the periods is judged.
    columns.extend(has_periods.then(|| Column::name("period", 1)));
    columns.extend([
        Column::name("over", 3),
        Column::figure("figure", 0),
        Column::figure("found ±", 0),
        Column::figure("below", 0),
        Column::figure("of bound", 1),
        Column::name("standing", 0),
    ]);
    let mut grid = Grid::new(columns);
    let mut footnotes = Footnotes::default();
    for row in objectives {
        let standing = Standing::of(row);
        let percentile = percentile_name(row.percentile);
        footnotes
            .note(&row.value_us, || format!("{} {} {percentile}", clean(&row.class), clean(&row.operation)));
        let mut cells = vec![clean(&row.class), clean(&row.operation), clean(&row.during)];
        cells.extend(has_periods.then(|| row.period.as_deref().map_or(MISSING.into(), clean)));
        cells.extend([
            clean(&row.over),
            percentile.clone(),
            format_figure_us(&row.value_us),
            format_bound_us(row.below_us),
            share_of_bound(row).map_or(MISSING.into(), format_percent),
            standing.words().into(),
        ]);
        grid.row(standing.tone(), cells);
    }
    sheet.heading("Objectives");
    let fitted = grid.fit(sheet.width());
    finish_table(sheet, fitted, footnotes);
}

/// Adds the table of classes, a row for each class and operation.
pub(super) fn classes(sheet: &mut Sheet, classes: &[ClassRow], confidence: f64) {
    if classes.is_empty() {
        return;
    }
    let mut columns = vec![
        Column::name("class", 0),
        Column::name("op", 0),
        Column::figure("requests/s", 4),
        Column::figure("requests", 8),
        Column::name("unit", 0),
    ];
    columns.extend(LATENCIES.map(|(key, rank)| Column::figure(&latency_title(key), rank)));
    let mut grid = Grid::new(columns);
    let common = common_unit(classes);
    for row in classes {
        grid.row(Tone::Plain, class_cells(row, common));
    }
    let fitted = grid.fit(sheet.width());
    let mut footnotes = Footnotes::default();
    let shown = LATENCIES.iter().filter(|(key, _)| fitted.shows(&latency_title(key)));
    for (key, row) in shown.flat_map(|&(key, _)| classes.iter().map(move |row| (key, row))) {
        if let Some(figure) = row.latency_us.get(key) {
            footnotes.note(figure, || format!("{} {} {key}", clean(&row.name), clean(&row.operation)));
        }
    }
    sheet.heading(&format!(
        "Latency (± half the width of the {} interval)",
        format_stated_percent(confidence)
    ));
    finish_table(sheet, fitted, footnotes);
}

fn latency_title(key: &str) -> String {
    format!("{key} ±")
}

/// The longest latency of a row, in microseconds.
fn longest_us(row: &ClassRow) -> f64 {
    row.latency_us.values().filter_map(|figure| figure.value).fold(0.0, f64::max)
}

/// One unit for all rows, so that they compare; none where the rows are too far apart for one.
fn common_unit(classes: &[ClassRow]) -> Option<TimeUnit> {
    let longest = classes.iter().map(longest_us).filter(|&time_us| time_us > 0.0);
    let (least, most) = longest.fold((f64::INFINITY, 0.0f64), |(a, b), t| (a.min(t), b.max(t)));
    let unit = TimeUnit::for_row(most);
    (least >= 0.1 * unit.microseconds).then_some(unit)
}

/// Cells of one class and operation, all latencies in one unit: the common one, or what suits the longest.
fn class_cells(row: &ClassRow, common: Option<TimeUnit>) -> Vec<String> {
    let figures = LATENCIES.map(|(key, _)| row.latency_us.get(key));
    let unit = common.unwrap_or_else(|| TimeUnit::for_row(longest_us(row)));
    let mut cells = vec![
        clean(&row.name),
        clean(&row.operation),
        format_significant(row.iops),
        format_count(row.requests),
        unit.symbol.into(),
    ];
    cells.extend(figures.map(|figure| {
        figure.map_or(MISSING.into(), |figure| format_figure(figure, unit.microseconds, " ±"))
    }));
    cells
}

/// Adds the table of stations.
pub(super) fn stations(sheet: &mut Sheet, outcome: &RunOutcome) {
    if outcome.stations.is_empty() {
        return;
    }
    let mut grid = Grid::new(vec![
        Column::name("station", 0),
        Column::figure("servers", 5),
        Column::figure("in use", 0),
        Column::figure("wait", 0),
        Column::figure("service", 3),
        Column::figure("waiting", 1),
        Column::figure("arrivals", 4),
        Column::name("busiest member", 2),
    ]);
    for station in &outcome.stations {
        let binds = outcome.verdict.binding.as_deref() == Some(station.name.as_str());
        grid.row(if binds { Tone::Strong } else { Tone::Plain }, station_cells(station));
    }
    sheet.heading("Stations (means; those of a group taken together)");
    let fitted = grid.fit(sheet.width());
    finish_table(sheet, fitted, Footnotes::default());
}

fn station_cells(station: &StationRow) -> Vec<String> {
    let servers = match (station.members, station.servers) {
        (0 | 1, servers) => format_count(u64::from(servers)),
        (members, servers) => format!("{} × {}", format_count(members.into()), format_count(servers.into())),
    };
    let busiest = station.busiest.as_ref().filter(|_| station.members > 1).map_or_else(
        || MISSING.into(),
        |member| format!("{}: {}", clean(&member.name), format_percent(member.utilisation)),
    );
    vec![
        clean(&station.name),
        servers,
        format_percent(station.utilisation),
        format_duration_us(station.mean_wait_us),
        format_duration_us(station.mean_service_us),
        format_significant(station.mean_queue),
        format_per_second(station.arrivals_per_s),
        busiest,
    ]
}

/// What the levels of the ledger are, in the order of the way down.
pub(super) const LEVELS: [(&str, &str); 11] = [
    ("host", "what the hosts asked"),
    ("log", "left the log, each block once"),
    ("blocks", "whole blocks of what left it"),
    ("reduction", "as they are stored"),
    ("cleaning", "moved by the layout's cleaner"),
    ("prefetch", "read ahead of streams"),
    ("protection", "with parity or copies, at the drives"),
    ("rebuild", "restored to spare room"),
    ("drives", "handed to the drives in all"),
    ("drive cleaning", "moved by the drives' own cleaners"),
    ("flash", "read and programmed there"),
];

/// Adds the ledger: bytes at each level, with writes as a multiple of the hosts'.
pub(super) fn ledger(sheet: &mut Sheet, outcome: &RunOutcome) {
    let Some(first) = outcome.ledger.first() else { return };
    let mut grid = Grid::new(vec![
        Column::name("level", 0),
        Column::figure("read", 0),
        Column::figure("written", 0),
        Column::figure("× hosts'", 1),
        Column::name("what", 2),
    ]);
    let shown = |bytes_per_s: f64| {
        if bytes_per_s > 0.0 { format_bytes_per_s(bytes_per_s) } else { MISSING.into() }
    };
    for level in &outcome.ledger {
        let ratio = level.write_bytes_per_s / first.write_bytes_per_s;
        let times = if ratio.is_finite() && ratio > 0.0 { format_significant(ratio) } else { MISSING.into() };
        let what = LEVELS.iter().find(|(name, _)| *name == level.level).map_or("", |(_, what)| what);
        grid.row(
            Tone::Plain,
            vec![
                clean(&level.level),
                shown(level.read_bytes_per_s),
                shown(level.write_bytes_per_s),
                times,
                what.into(),
            ],
        );
    }
    sheet.heading("Bytes, from the hosts to the flash");
    let fitted = grid.fit(sheet.width());
    finish_table(sheet, fitted, Footnotes::default());
}
