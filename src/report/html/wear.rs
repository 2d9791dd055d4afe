//! Room by year, the day's bytes, and what wear, risk and price depend on.

use maud::{Markup, html};

use crate::outcome::{Figure, WearOutcome};
use crate::report::numbers::{
    MISSING, format_binary_bytes, format_bytes, format_figure, format_odds, format_percent,
    format_significant,
};

use super::{table, with_ends};

pub(super) fn section(outcome: &WearOutcome) -> Markup {
    let plain = |value: Option<f64>, spell: fn(f64) -> String| value.map_or(MISSING.into(), spell);
    let facts: Vec<Vec<String>> = vec![
        vec!["Usable room".into(), plain(outcome.usable_bytes, format_binary_bytes)],
        vec![
            "Data that fits, reduction included".into(),
            plain(outcome.effective_bytes, format_binary_bytes),
        ],
        vec!["Written by hosts a day".into(), format_bytes(outcome.host_bytes_per_day)],
        vec!["Written to flash a day".into(), plain(outcome.flash_bytes_per_day, format_bytes)],
        vec!["Drive writes a day".into(), plain(outcome.drive_writes_per_day, format_significant)],
        vec!["Years to the rated wear".into(), plain(outcome.years_to_rated_wear, format_significant)],
        vec!["Hours of a rebuild".into(), plain(outcome.rebuild_hours, format_significant)],
    ];
    let years: Vec<Vec<String>> = outcome
        .years
        .iter()
        .map(|row| {
            vec![
                row.year.to_string(),
                plain(row.given_bytes, format_binary_bytes),
                plain(row.stored_bytes, format_binary_bytes),
                plain(row.fill, format_percent),
                plain(row.used_up, format_percent),
            ]
        })
        .collect();
    let results: Vec<Vec<String>> = outcome
        .results
        .iter()
        .map(|row| {
            let most = row
                .depends_on
                .first()
                .map_or(String::new(), |most| format!("{} ({})", most.input, format_percent(most.share)));
            vec![row.what.replace('_', " "), spelt(&row.what, &row.value), most]
        })
        .collect();
    html! {
        (table(&["", ""], &facts))
        @if !years.is_empty() {
            h3 { "Year by year" }
            (table(&["year", "given", "stored", "full", "wear used up"], &years))
        }
        @if !results.is_empty() {
            h3 { "With the ranges that were stated" }
            (table(&["figure", "estimate", "depends most on"], &results))
        }
    }
}

/// A figure in a unit that people use, by what it is.
fn spelt(what: &str, figure: &Figure) -> String {
    match figure.value {
        Some(_) if what.contains("bytes") => with_ends(figure, format_bytes),
        Some(probability) if what.contains("probability") => format_odds(probability),
        Some(_) if what == "fill" => with_ends(figure, format_percent),
        _ => format_figure(figure, 1.0, " ± "),
    }
}
