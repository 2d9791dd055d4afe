//! The answer of `check`: what a spreadsheet would say, and where it stops.

mod bandwidth;
mod holdings;

pub(super) use bandwidth::chain;
pub(super) use holdings::{capacity, lanes, memory};

use crate::outcome::CheckOutcome;
use crate::report::grid::{Column, Grid};
use crate::report::numbers::{format_count, format_per_second, format_percent, format_significant};
use crate::report::sheet::{Sheet, Tone};
use crate::report::text::{clean, first_that_fits};

use super::footnotes::{Footnotes, finish_table};

/// Adds the answer: valid, what is offered, the first resource that is full, the narrowest hops, and what the room is.
pub(super) fn answer(sheet: &mut Sheet, outcome: &CheckOutcome) {
    let width = sheet.width();
    let full: Vec<String> = outcome.full.iter().map(|name| clean(name)).collect();
    let (tone, first) = match full.len() {
        0 => (Tone::Good, vec!["The scenario is valid".into()]),
        1 => (Tone::Bad, vec![format!("The scenario is valid; full on paper: {}", full[0])]),
        more => {
            let all = format!("The scenario is valid; full on paper: {}", full.join(", "));
            let short = format!("The scenario is valid; full on paper: {} and {} more", full[0], more - 1);
            (Tone::Bad, vec![all, short])
        }
    };
    sheet.line(tone, &first_that_fits(&first, width));
    let offered = match outcome.offered_iops {
        Some(iops) => format!("It offers {}", format_per_second(iops)),
        None => "Its classes wait for answers: what they offer is an outcome".into(),
    };
    sheet.line(Tone::Plain, &first_that_fits(&[offered], width));
    let (tone, ceiling) = match (outcome.static_ceiling_iops, &outcome.static_binding) {
        (Some(iops), Some(station)) => {
            let over = outcome.offered_iops.is_some_and(|offered| offered >= iops);
            let tone = if over { Tone::Bad } else { Tone::Plain };
            let text = format!(
                "Static arithmetic: full at {}, bound by {}",
                format_per_second(iops),
                clean(station)
            );
            (tone, text)
        }
        _ => match &outcome.reason {
            Some(reason) => (Tone::Bad, format!("Static arithmetic: no ceilings, for {}", clean(reason))),
            None => (Tone::Plain, "Static arithmetic: no ceiling".into()),
        },
    };
    sheet.line(tone, &first_that_fits(&[ceiling], width));
    if let Some(spellings) = outcome.bandwidth.as_ref().and_then(bandwidth::narrowest) {
        sheet.line(Tone::Plain, &first_that_fits(&spellings, width));
    }
    if let Some((tone, spellings)) = holdings::room(outcome) {
        sheet.line(tone, &first_that_fits(&spellings, width));
    }
    sheet.gap();
    sheet.paragraph(Tone::Quiet, "", &clean(&outcome.title));
}

/// Adds a row a resource.
pub(super) fn table(sheet: &mut Sheet, outcome: &CheckOutcome) {
    if outcome.ceilings.is_empty() {
        return;
    }
    let mut grid = Grid::new(vec![
        Column::name("resource", 0),
        Column::figure("servers", 2),
        Column::figure("us a request", 1),
        Column::figure("full at, requests/s", 0),
        Column::figure("busy on paper", 0),
    ]);
    for row in &outcome.ceilings {
        let over = row.utilisation.is_some_and(|u| u >= 1.0);
        grid.row(
            if over { Tone::Bad } else { Tone::Plain },
            vec![
                clean(&row.station),
                format_count(u64::from(row.servers)),
                format_significant(row.demand_us),
                format_count(row.ceiling_iops.round() as u64),
                row.utilisation.map_or("depends".into(), format_percent),
            ],
        );
    }
    sheet.heading("Ceilings from adding up demands");
    let fitted = grid.fit(sheet.width());
    finish_table(sheet, fitted, Footnotes::default());
}

/// Adds advice and what the figures are.
pub(super) fn notes(sheet: &mut Sheet, outcome: &CheckOutcome) {
    sheet.gap();
    for note in &outcome.notes {
        sheet.paragraph(Tone::Caution, "note: ", note);
    }
    let caution = "Adding up misses queues: percentiles, bursts and fan-out are for `forebay run`. Figures are \
                   estimates from a model.";
    sheet.paragraph(Tone::Quiet, "", caution);
}
