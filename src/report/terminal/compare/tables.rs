//! The tables of `compare`: the designs, latencies, load with space and wear.

use crate::outcome::{ClassRow, CompareOutcome, DifferenceRow, Figure, OtherRow};
use crate::report::grid::{Column, Grid};
use crate::report::numbers::{
    MISSING, TimeUnit, format_change, format_figure, format_per_second, format_percent, format_significant,
    format_stated_percent, half_width,
};
use crate::report::sheet::{Sheet, Tone};
use crate::report::terminal::footnotes::{Footnotes, finish_table};
use crate::report::terminal::standing::percentile_name;
use crate::report::text::clean;

use super::{letter, letter_of, objectives, state};

/// Rows beyond which reads and writes are not told apart.
const ROWS_MOST: usize = 60;

/// Latencies shown, each with how soon its column leaves a narrow page.
const LATENCIES: [(&str, Option<f64>, u8); 6] = [
    ("mean", None, 1),
    ("p50", Some(50.0), 4),
    ("p90", Some(90.0), 6),
    ("p95", Some(95.0), 3),
    ("p99", Some(99.0), 0),
    ("p99.9", Some(99.9), 2),
];

/// Adds a row for each design: whether it carries its load, and what binds it.
pub(in crate::report::terminal) fn designs(sheet: &mut Sheet, outcome: &CompareOutcome) {
    let mut grid = Grid::new(vec![
        Column::name("", 0),
        Column::name("design", 0),
        Column::name("state", 0),
        Column::name("objectives", 2),
        Column::figure("requests/s ±", 1),
        Column::name("binding", 0),
        Column::figure("in use", 0),
        Column::figure("full at ×", 3),
    ]);
    for (n, design) in outcome.designs.iter().enumerate() {
        let verdict = &design.run.verdict;
        let (tone, state) = state(verdict.state);
        let cells = vec![
            letter(n),
            clean(&design.name),
            state,
            objectives(&design.run.objectives).unwrap_or(MISSING.into()),
            format_figure(&design.run.carried.iops, 1.0, " ±"),
            verdict.binding.as_deref().map_or(MISSING.into(), clean),
            format_percent(verdict.utilisation),
            verdict.headroom.map_or(MISSING.into(), |headroom| format_significant(1.0 + headroom)),
        ];
        grid.row(if tone == Tone::Good { Tone::Plain } else { tone }, cells);
    }
    sheet.heading("Designs");
    let fitted = grid.fit(sheet.width());
    finish_table(sheet, fitted, Footnotes::default());
}

/// Adds the latencies of the first design, and under each how much the others exceed it.
pub(in crate::report::terminal) fn latencies(sheet: &mut Sheet, outcome: &CompareOutcome) {
    let Some(first) = outcome.designs.first() else { return };
    let mut columns = vec![
        Column::name("class", 0),
        Column::name("op", 0),
        Column::name("design", 0),
        Column::name("unit", 0),
    ];
    columns.extend(LATENCIES.map(|(key, _, rank)| Column::figure(&title(key), rank)));
    let mut grid = Grid::new(columns);
    let chosen = chosen_rows(outcome);
    for row in &chosen {
        let unit = unit(row);
        let figures = LATENCIES.map(|(key, ..)| {
            row.latency_us
                .get(key)
                .and_then(|f| f.value)
                .map_or(MISSING.into(), |us| format_significant(us / unit.microseconds))
        });
        grid.row(Tone::Strong, cells(row, letter(0), unit, figures));
        for (n, design) in outcome.designs.iter().enumerate().skip(1) {
            let figures = LATENCIES.map(|(_, percentile, _)| {
                find(outcome, row, percentile, &design.name)
                    .map_or(MISSING.into(), |found| change(&found.us, found.same, unit.microseconds))
            });
            grid.row(Tone::Plain, cells(row, letter(n), unit, figures));
        }
    }
    let fitted = grid.fit(sheet.width());
    let mut footnotes = Footnotes::default();
    for (_, percentile, _) in LATENCIES.iter().filter(|(key, ..)| fitted.shows(&title(key))) {
        for row in &chosen {
            let mut told: Vec<&Figure> = Vec::new();
            for design in outcome.designs.iter().skip(1) {
                let found = find(outcome, row, *percentile, &design.name).map(|found| &found.us);
                // A reason that several designs share is told once.
                if let Some(figure) = found.filter(|figure| !told.iter().any(|t| t.reason == figure.reason)) {
                    let percentile = percentile.map_or("mean".into(), percentile_name);
                    let name = || format!("{} {} {percentile}", clean(&row.name), clean(&row.operation));
                    footnotes.note(figure, name);
                    told.push(figure);
                }
            }
        }
    }
    sheet.heading(&format!(
        "Latency of A, and how much the others exceed it (± half the width of the {} interval of the difference; in \
         brackets: not told from none)",
        format_stated_percent(first.run.run.confidence)
    ));
    finish_table(sheet, fitted, footnotes);
    if chosen.iter().all(|row| row.operation == "all") {
        sheet.paragraph(Tone::Quiet, " ", "reads and writes apart are in the JSON and the CSV");
    }
}

fn title(key: &str) -> String {
    format!("{key} ±")
}

fn unit(row: &ClassRow) -> TimeUnit {
    let values = row.latency_us.values().filter_map(|figure| figure.value);
    TimeUnit::for_row(values.fold(0.0, f64::max))
}

fn cells(row: &ClassRow, design: String, unit: TimeUnit, figures: [String; 6]) -> Vec<String> {
    let names = [clean(&row.name), clean(&row.operation), design, unit.symbol.into()];
    names.into_iter().chain(figures).collect()
}

fn find<'o>(
    outcome: &'o CompareOutcome,
    row: &ClassRow,
    percentile: Option<f64>,
    b: &str,
) -> Option<&'o DifferenceRow> {
    outcome.differences.iter().find(|found| {
        found.class == row.name
            && found.operation == row.operation
            && found.percentile == percentile
            && found.b == b
    })
}

/// A difference with its sign, in brackets where its interval holds zero.
fn change(figure: &Figure, same: bool, unit: f64) -> String {
    let Some(value) = figure.value else { return MISSING.into() };
    if same {
        return "same".into();
    }
    let Some(half) = half_width(figure) else { return signed(value, &format_significant(value / unit)) };
    let spelt = match format_change(value / unit, half / unit) {
        (value, half) if half.is_empty() => value,
        (value, half) => format!("{value} ±{half}"),
    };
    let spelt = signed(value, &spelt);
    let holds_zero = figure.low.is_some_and(|low| low <= 0.0) && figure.high.is_some_and(|high| high >= 0.0);
    // Known exactly to be nothing is told.
    if holds_zero && half_width(figure) != Some(0.0) { format!("({spelt})") } else { spelt }
}

/// With a plus before what is more than nothing.
pub(in crate::report) fn signed(value: f64, spelt: &str) -> String {
    format!("{}{spelt}", if value > 0.0 { "+" } else { "" })
}

/// Reads and writes of each class, or both together where that were too many rows; then all together.
fn chosen_rows(outcome: &CompareOutcome) -> Vec<&ClassRow> {
    let Some(first) = outcome.designs.first() else { return Vec::new() };
    let is_compared = |row: &&ClassRow| {
        outcome.differences.iter().any(|d| d.class == row.name && d.operation == row.operation)
    };
    let rows: Vec<&ClassRow> = first.run.classes.iter().filter(is_compared).collect();
    let classes = rows.iter().filter(|row| row.name != "all" && row.operation == "all").count();
    let is_apart = |row: &&ClassRow| match row.name.as_str() {
        "all" => row.operation == "all" && classes > 1,
        _ => row.operation != "all",
    };
    let apart: Vec<&ClassRow> = rows.iter().copied().filter(is_apart).collect();
    if !apart.is_empty() && apart.len() * outcome.designs.len() <= ROWS_MOST {
        return apart;
    }
    rows.into_iter().filter(|row| row.operation == "all" && (row.name != "all" || classes > 1)).collect()
}

/// Other figures, in words, in the order of the table.
const OTHER: [(&str, &str); 8] = [
    ("carried_iops", "requests carried"),
    ("usable_bytes", "usable capacity, before reduction"),
    ("effective_bytes", "capacity that may be given, reduced"),
    ("flash_write_bytes_per_s", "programmed in the drives' flash"),
    ("drive_writes_per_day", "drive writes a day"),
    ("years_to_rated_wear", "years to rated wear, mean drive"),
    ("rebuild_hours", "hours of the rebuild"),
    ("price_total", "price over the years stated"),
];

/// What a figure is, in words.
pub(in crate::report) fn figure_in_words(what: &str) -> &str {
    OTHER.iter().find(|(name, _)| *name == what).map_or(what, |(_, words)| *words)
}

/// Adds load, space and wear.
pub(in crate::report::terminal) fn other(sheet: &mut Sheet, outcome: &CompareOutcome) {
    let mut grid = Grid::new(vec![
        Column::name("figure", 0),
        Column::name("design", 0),
        Column::figure("value", 0),
        Column::figure("more than A ±", 0),
        Column::figure("of A", 1),
    ]);
    let mut footnotes = Footnotes::default();
    for (what, words) in OTHER {
        let rows: Vec<&OtherRow> = outcome.other.iter().filter(|row| row.what == what).collect();
        let Some(first) = rows.first() else { continue };
        let value = |value: Option<f64>| value.map_or(MISSING.into(), |value| spell_other(what, value));
        let dash = || MISSING.to_owned();
        grid.row(Tone::Strong, vec![words.into(), letter(0), value(first.a_value), dash(), dash()]);
        for row in rows {
            footnotes.note(&row.difference, || format!("{words}, {}", letter_of(outcome, &row.b)));
            let unit = unit_of(what, row.a_value.into_iter().chain(row.b_value).fold(0.0, f64::max));
            let is_same = row.difference.value == Some(0.0) && half_width(&row.difference) == Some(0.0);
            let share = row.difference.value.zip(row.a_value).map(|(d, a)| d / a).filter(|s| s.is_finite());
            let cells = vec![
                words.into(),
                letter_of(outcome, &row.b),
                value(row.b_value),
                change(&row.difference, is_same, unit),
                share.map_or(MISSING.into(), signed_percent),
            ];
            grid.row(Tone::Plain, cells);
        }
    }
    sheet.heading("Load, space and wear");
    let fitted = grid.fit(sheet.width());
    finish_table(sheet, fitted, footnotes);
}

fn signed_percent(share: f64) -> String {
    signed(share, &format_percent(share))
}

/// Decimal units of bytes, largest first.
const BYTES: [(&str, f64); 5] = [("PB", 1e15), ("TB", 1e12), ("GB", 1e9), ("MB", 1e6), ("kB", 1e3)];

fn byte_unit(value: f64) -> (&'static str, f64) {
    BYTES.into_iter().find(|(_, size)| value >= *size).unwrap_or(("B", 1.0))
}

/// What a difference is divided by, so that it stands in the unit of the larger value.
fn unit_of(what: &str, larger: f64) -> f64 {
    if what.contains("bytes") { byte_unit(larger).1 } else { 1.0 }
}

/// A figure in the unit that people use for it.
pub(in crate::report) fn spell_other(what: &str, value: f64) -> String {
    let (unit, size) = byte_unit(value.abs());
    match what {
        "carried_iops" => format_per_second(value),
        "usable_bytes" | "effective_bytes" => format!("{} {unit}", format_significant(value / size)),
        "flash_write_bytes_per_s" => format!("{} {unit}/s", format_significant(value / size)),
        _ => format_significant(value),
    }
}
