//! Designs under the same traffic: how much each exceeds the first, with intervals.

use maud::{Markup, html};

use crate::outcome::{CompareOutcome, DifferenceRow, OtherRow};
use crate::report::numbers::{MISSING, format_duration_us, format_per_second, format_percent, half_width};
use crate::report::terminal::comparison::{figure_in_words, letter, letter_of, signed, spell_other, subject};

use super::chart::{Axis, Interval, Spell, intervals};
use super::{figure, table};

/// Rows of a chart.
const DRAWN_MAX: usize = 24;

/// The designs, their differences with intervals, and the figures that were not measured.
pub fn section(outcome: &CompareOutcome) -> Markup {
    let designs: Vec<Vec<String>> = outcome
        .designs
        .iter()
        .enumerate()
        .map(|(n, design)| {
            let verdict = &design.run.verdict;
            vec![
                letter(n),
                design.name.clone(),
                verdict.state.word().into(),
                design.run.carried.iops.value.map_or(MISSING.into(), format_per_second),
                verdict.binding.clone().unwrap_or_default(),
                format_percent(verdict.utilisation),
            ]
        })
        .collect();
    let rows: Vec<Vec<String>> = outcome.differences.iter().map(|row| cells(outcome, row)).collect();
    let other: Vec<Vec<String>> = outcome.other.iter().map(|row| other(outcome, row)).collect();
    let header = ["figure", "design", "of A", "of this", "more than A", "told from none"];
    html! {
        (table(&["", "design", "state", "carried", "binding", "in use"], &designs))
        h3 { "Latency, against A" }
        (figure("compare", chart(outcome), "How much less or more than A, of the figures that the answer is about, with intervals. Squares are told from no difference, rings are not.", &table(&header, &rows)))
        @if !other.is_empty() {
            h3 { "Load, room and wear" }
            (table(&["figure", "design", "of A", "of this", "more than A"], &other))
        }
    }
}

/// The differences as shares of the first design's figure.
fn chart(outcome: &CompareOutcome) -> Option<Markup> {
    let share = |row: &DifferenceRow| {
        let of = row.a_us.filter(|us| *us > 0.0)?;
        let (value, low, high) = (row.us.value? / of, row.us.low? / of, row.us.high? / of);
        let middle = signed(value, &format_percent(value));
        let words = format!("{middle} ({} to {})", format_percent(low), format_percent(high));
        let name = format!("{}: {}", letter_of(outcome, &row.b), subject(row));
        Some(Interval {
            name,
            low,
            value,
            high,
            words,
            is_full: row.same || row.distinguishable == Some(true),
        })
    };
    let rows: Vec<Interval> = outcome.answers.iter().filter_map(share).take(DRAWN_MAX).collect();
    let ends = rows.iter().flat_map(|row| [row.low, row.high]).chain([0.0]);
    let axis = Axis::over("more than A, as a share of A", Spell::Percent, false, ends)?;
    intervals(
        "Differences of latency with their intervals; the table below has the same figures",
        &axis,
        &rows,
        Some(0.0),
    )
}

/// A latency and how much it exceeds that of the first design.
fn cells(outcome: &CompareOutcome, row: &DifferenceRow) -> Vec<String> {
    let us = |us: Option<f64>| us.map_or(MISSING.into(), format_duration_us);
    let told = match (row.same, row.distinguishable) {
        (true, _) => "the same",
        (false, Some(true)) => "yes",
        (false, Some(false)) => "no",
        (false, None) => MISSING,
    };
    let more = match row.us.value.zip(half_width(&row.us)) {
        Some((value, half)) => {
            format!("{} ± {}", signed(value, &format_duration_us(value)), format_duration_us(half))
        }
        None => row.us.reason.clone().unwrap_or(MISSING.into()),
    };
    vec![subject(row), letter_of(outcome, &row.b), us(row.a_us), us(row.b_us), more, told.into()]
}

fn other(outcome: &CompareOutcome, row: &OtherRow) -> Vec<String> {
    let spelt = |value: Option<f64>| value.map_or(MISSING.into(), |value| spell_other(&row.what, value));
    let more = match row.difference.value {
        Some(value) => {
            let half = half_width(&row.difference).filter(|half| *half > 0.0);
            let half = half.map_or(String::new(), |half| format!(" ± {}", spell_other(&row.what, half)));
            signed(value, &spell_other(&row.what, value)) + &half
        }
        None => row.difference.reason.clone().unwrap_or(MISSING.into()),
    };
    vec![
        figure_in_words(&row.what).into(),
        letter_of(outcome, &row.b),
        spelt(row.a_value),
        spelt(row.b_value),
        more,
    ]
}
