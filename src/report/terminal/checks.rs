//! The answer of `verify`: does the tool agree with theory and standards on this machine?

use crate::outcome::{CheckRow, VerifyOutcome};
use crate::report::grid::{Column, Grid};
use crate::report::numbers::{MISSING, format_figure, format_percent, format_significant, half_width};
use crate::report::sheet::{Sheet, Tone};
use crate::report::text::{clean, first_that_fits, plural, shorten};

use super::footnotes::{Footnotes, finish_table};

/// Columns of a check's identity that stay in the answer.
const ID_KEPT: usize = 28;

/// Adds the three lines of the answer.
pub(super) fn answer(sheet: &mut Sheet, outcome: &VerifyOutcome) {
    let width = sheet.width();
    let failed = outcome.checks.iter().filter(|check| !check.ok).count();
    let total = plural(outcome.checks.len(), "check", "checks");
    let (tone, verdict) = match (outcome.checks.len(), failed) {
        (0, _) => (Tone::Caution, "No check was made".into()),
        (_, 0) if !outcome.not_checked.is_empty() => {
            let left = plural(outcome.not_checked.len(), "textbook scenario", "textbook scenarios");
            (Tone::Caution, format!("{total} passed; {left} not checked"))
        }
        (_, 0) => (Tone::Good, format!("Agrees with theory and standards: {total} passed")),
        (_, failed) => (Tone::Bad, format!("DISAGREES with theory or standards: {failed} of {total} failed")),
    };
    sheet.line(tone, &first_that_fits(&[verdict], width));
    sheet.line(Tone::Plain, &first_that_fits(&closest_call(&outcome.checks), width));
    let meaning = "It shows that queues are computed right, not that a guessed cost is right".into();
    sheet.line(
        Tone::Plain,
        &first_that_fits(&[meaning, "Shows the sums are right, not the costs".into()], width),
    );
}

/// Difference between found and expected, and what is allowed, both in the figure's own unit.
fn difference_and_allowance(check: &CheckRow) -> Option<(f64, f64)> {
    let difference = check.found.value? - check.expected;
    let allowance = half_width(&check.found)? + check.tolerance * check.expected.abs();
    (difference.is_finite() && allowance.is_finite()).then_some((difference, allowance))
}

/// Spellings of the second line: the check that used most of its allowance.
fn closest_call(checks: &[CheckRow]) -> Vec<String> {
    let used = |check: &CheckRow| {
        let (difference, allowance) = difference_and_allowance(check)?;
        // Equal and nothing allowed is agreement, not 0 ÷ 0.
        Some(if difference == 0.0 { 0.0 } else { difference.abs() / allowance })
    };
    let compared = checks.iter().filter_map(|check| Some((check, used(check)?)));
    let Some((check, used)) = compared.reduce(|most, next| if next.1 > most.1 { next } else { most }) else {
        return vec!["Closest call: none, no figure could be compared".into()];
    };
    let id = clean(&check.id);
    let found = check.found.value.map_or(MISSING.into(), format_significant);
    let expected = format_significant(check.expected);
    let share = if used.is_finite() { format_percent(used) } else { "more than all".into() };
    let short = shorten(&id, ID_KEPT);
    vec![
        format!("Closest call: {id}: found {found}, expected {expected}: {share} of what is allowed"),
        format!("Closest call: {short}: {found} for {expected}, {share} of what is allowed"),
        format!("Closest call: {short}: {share} of the allowance"),
    ]
}

/// Adds a row for each check.
pub(super) fn table(sheet: &mut Sheet, checks: &[CheckRow]) {
    if checks.is_empty() {
        return;
    }
    let mut grid = Grid::new(vec![
        Column::name("check", 0),
        Column::name("compared", 3),
        Column::figure("expected", 0),
        Column::figure("found ±", 0),
        Column::figure("difference", 1),
        Column::figure("allowed", 2),
        Column::name("standing", 0),
    ]);
    let mut footnotes = Footnotes::default();
    for check in checks {
        footnotes.note(&check.found, || clean(&check.id));
        let (tone, standing) = if check.ok { (Tone::Plain, "agrees") } else { (Tone::Bad, "DISAGREES") };
        let compared = difference_and_allowance(check);
        let relative = |amount: f64| match check.expected == 0.0 {
            true => format_significant(amount),
            false => format!("{} %", format_significant(100.0 * amount / check.expected.abs())),
        };
        let cells = vec![
            clean(&check.id),
            clean(&check.what),
            format_significant(check.expected),
            format_figure(&check.found, 1.0, " ±"),
            compared.map_or(MISSING.into(), |(difference, _)| relative(difference)),
            compared.map_or(MISSING.into(), |(_, allowance)| relative(allowance)),
            standing.into(),
        ];
        grid.row(tone, cells);
    }
    sheet.heading("Checks (allowed: the interval's half-width and the check's tolerance)");
    let fitted = grid.fit(sheet.width());
    finish_table(sheet, fitted, footnotes);
}

/// Adds where the expected values come from, each source once with its checks, and what was tested.
pub(super) fn sources(sheet: &mut Sheet, outcome: &VerifyOutcome) {
    let mut sources: Vec<(&str, Vec<String>)> = Vec::new();
    for check in &outcome.checks {
        match sources.iter_mut().find(|(source, _)| *source == check.source) {
            Some((_, ids)) => ids.push(clean(&check.id)),
            None => sources.push((&check.source, vec![clean(&check.id)])),
        }
    }
    if !sources.is_empty() {
        sheet.heading("Sources");
    }
    for (source, ids) in sources {
        sheet.paragraph(Tone::Plain, " - ", &format!("{source}: {}", ids.join(", ")));
    }
    sheet.gap();
    sheet.paragraph(Tone::Quiet, "", &format!("Made by {}.", clean(&outcome.tool)));
}
