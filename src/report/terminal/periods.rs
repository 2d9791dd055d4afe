//! Before, during and after: the table of a run with dates. Periods are numbered, for their names are long and a
//! narrow page shortens them.

use crate::outcome::{ClassRow, PeriodRow, RunOutcome};
use crate::report::grid::{Column, Grid};
use crate::report::numbers::{
    MISSING, TimeUnit, format_bound_us, format_count, format_figure, format_significant,
};
use crate::report::sheet::{Sheet, Tone};
use crate::report::text::clean;

use super::footnotes::{Footnotes, finish_table};

/// Rows beyond which reads and writes are not told apart here.
const ROWS_MOST: usize = 48;

/// Latencies shown, each with how soon its column leaves a narrow page.
const LATENCIES: [(&str, u8); 4] = [("mean", 4), ("p50", 3), ("p99", 0), ("p99.9", 1)];

/// Adds the periods: a line that says when each was, and a row for each class, operation and period.
pub(super) fn table(sheet: &mut Sheet, outcome: &RunOutcome) {
    if outcome.periods.is_empty() {
        return;
    }
    let mut columns = vec![
        Column::name("class", 0),
        Column::name("op", 0),
        Column::name("period", 0),
        Column::figure("requests", 5),
        Column::figure("requests/s", 2),
        Column::name("unit", 0),
    ];
    columns.extend(LATENCIES.map(|(key, rank)| Column::figure(&title(key), rank)));
    let mut grid = Grid::new(columns);
    let chosen = chosen_rows(outcome);
    for (class, operation) in &chosen {
        for (cells, tone) in rows_of(&outcome.periods, class, operation) {
            grid.row(tone, cells);
        }
    }
    let fitted = grid.fit(sheet.width());
    let mut footnotes = Footnotes::default();
    let numbered = || outcome.periods.iter().enumerate();
    for (key, _) in LATENCIES.iter().filter(|(key, _)| fitted.shows(&title(key))) {
        for (number, row) in numbered().flat_map(|(n, period)| period.classes.iter().map(move |row| (n, row)))
        {
            let subject =
                || format!("{} {} {key} in {}", clean(&row.name), clean(&row.operation), number + 1);
            if let Some(figure) = row.latency_us.get(*key).filter(|_| is_chosen(&chosen, row)) {
                footnotes.note(figure, subject);
            }
        }
    }
    sheet.heading("Before, during and after (requests by when they were due)");
    finish_table(sheet, fitted, footnotes);
    for (number, period) in numbered() {
        let end = |s: f64| if s == 0.0 { "0 s".into() } else { format_bound_us(s * 1e6) };
        let (name, from, to) = (clean_words(&period.name), end(period.from_s), end(period.to_s));
        let words = format!("{name}: {from} to {to} after the end of warm-up");
        sheet.paragraph(Tone::Quiet, &format!(" {} ", number + 1), &words);
    }
    if chosen.iter().all(|(_, operation)| *operation == "all") {
        sheet.paragraph(Tone::Quiet, " ", "reads and writes apart are in the JSON");
    }
}

fn title(key: &str) -> String {
    format!("{key} ±")
}

/// A name cleaned word by word: a long one is wrapped and not cut.
fn clean_words(name: &str) -> String {
    name.split_whitespace().map(clean).collect::<Vec<_>>().join(" ")
}

fn is_chosen(chosen: &[(&str, &str)], row: &ClassRow) -> bool {
    chosen.contains(&(row.name.as_str(), row.operation.as_str()))
}

/// Class and operation of the rows worth their place: reads and writes of each class, or both together where
/// that were too many; the sum where a class does one thing only is the same row again.
fn chosen_rows(outcome: &RunOutcome) -> Vec<(&str, &str)> {
    let keys: Vec<(&str, &str)> =
        outcome.classes.iter().map(|row| (row.name.as_str(), row.operation.as_str())).collect();
    let is_one_class =
        keys.iter().filter(|(name, operation)| *name != "all" && *operation == "all").count() == 1;
    let apart: Vec<(&str, &str)> = keys
        .iter()
        .copied()
        .filter(|(name, operation)| (*name == "all") == (*operation == "all"))
        .filter(|(name, _)| *name != "all" || !is_one_class)
        .collect();
    if apart.len() * outcome.periods.len() <= ROWS_MOST {
        return apart;
    }
    keys.into_iter().filter(|(_, operation)| *operation == "all").collect()
}

/// The rows of a class and operation, all in one unit, in order of time.
fn rows_of(periods: &[PeriodRow], class: &str, operation: &str) -> Vec<(Vec<String>, Tone)> {
    let is_it = |row: &&ClassRow| row.name == class && row.operation == operation;
    let rows: Vec<(usize, &PeriodRow, &ClassRow)> = periods
        .iter()
        .enumerate()
        .filter_map(|(number, period)| Some((number + 1, period, period.classes.iter().find(is_it)?)))
        .collect();
    let values = rows.iter().flat_map(|(_, _, row)| LATENCIES.map(|(key, _)| row.latency_us.get(key)));
    let longest = values.flatten().filter_map(|figure| figure.value).fold(0.0, f64::max);
    let unit = TimeUnit::for_row(longest);
    let cells = |(number, period, row): (usize, &PeriodRow, &ClassRow)| {
        let mut cells = vec![
            clean(class),
            clean(operation),
            format!("{number} {}", clean(&period.name)),
            format_count(row.requests),
            format_significant(row.iops),
            unit.symbol.into(),
        ];
        cells.extend(LATENCIES.map(|(key, _)| {
            let figure = row.latency_us.get(key);
            figure.map_or(MISSING.into(), |figure| format_figure(figure, unit.microseconds, " ±"))
        }));
        // What happens while something is in force stands out.
        let tone = if period.name.starts_with("during") { Tone::Strong } else { Tone::Plain };
        (cells, tone)
    };
    rows.into_iter().map(cells).collect()
}
