//! The answer on the terminal.
//!
//! Its first three lines say whether the load is carried, whether the objectives are met, and what
//! binds. All below is evidence in falling order of use: objectives, classes, stations, where the slow
//! requests lost their time, then bytes, audit, the run itself and what was assumed.
//!
//! No line is wider than the style says; where room is short, columns and words are left out and the
//! text says which. Whoever calls decides about colour (NO_COLOR, pipes).

mod blame;
mod checks;
mod compare;
mod fit;
mod footer;
mod footnotes;
mod headline;
mod knee;
mod periods;
mod plot;
mod standing;
mod statics;
mod sweep;
mod tables;
mod wear;

use crate::outcome::{
    CheckOutcome, CompareOutcome, FitOutcome, KneeOutcome, RunOutcome, SweepListing, SweepPlan, SweepRun,
    VerifyOutcome, WearOutcome,
};

use super::sheet::{Sheet, Tone};
use super::text::{display_width, wrap};
pub(super) use footer::CAUTION;

/// Narrowest page that is drawn: below it a row of figures says nothing.
pub const NARROWEST: usize = 60;

/// How to draw.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Style {
    /// Columns of the terminal; fewer than [`NARROWEST`] are treated as that many.
    pub width: usize,
    /// Whether to colour (SGR escapes, ECMA-48).
    pub color: bool,
}

impl Style {
    fn sheet(&self) -> Sheet {
        Sheet::new(self.width.max(NARROWEST))
    }
}

/// A text whose longer lines are broken, their rest standing below the last column of words (what two
/// spaces or more set apart).
pub fn prose(text: &str, style: &Style) -> String {
    let width = style.width.max(NARROWEST);
    let lines = text.lines().flat_map(|line| match display_width(line) <= width {
        true => vec![line.to_owned()],
        false => {
            let start = line.len() - line.trim_start().len();
            let column = line[start..].rfind("  ").map_or(start, |gap| start + gap + 2);
            wrap(&line[..column], display_width(&line[..column]), &line[column..], width)
        }
    });
    lines.fold(String::new(), |text, line| text + line.trim_end() + "\n")
}

/// Wide enough for every spelling.
const WITHOUT_END: usize = 10_000;

/// First lines of an answer, each in its longest spelling, for another page.
fn first_lines(draw: impl FnOnce(&mut Sheet)) -> Vec<(Tone, String)> {
    let mut sheet = Sheet::new(WITHOUT_END);
    draw(&mut sheet);
    sheet.into_first_lines()
}

/// First lines of `run`.
pub(super) fn run_answer(outcome: &RunOutcome) -> Vec<(Tone, String)> {
    first_lines(|sheet| headline::answer(sheet, outcome))
}

/// First lines of `knee`.
pub(super) fn knee_answer(outcome: &KneeOutcome) -> Vec<(Tone, String)> {
    first_lines(|sheet| knee::answer(sheet, outcome))
}

/// First lines of `fit`.
pub(super) fn fit_answer(outcome: &FitOutcome) -> Vec<(Tone, String)> {
    first_lines(|sheet| fit::answer(sheet, outcome))
}

/// First lines of `compare`: what letters stand for, then the differences.
pub(super) fn compare_answer(outcome: &CompareOutcome) -> Vec<(Tone, String)> {
    let mut sheet = Sheet::new(WITHOUT_END);
    compare::answer(&mut sheet, outcome);
    sheet.into_lines()
}

/// How `compare` spells things, for another page.
pub(super) mod comparison {
    pub(in crate::report) use super::compare::{
        figure_in_words, letter, letter_of, signed, spell_other, subject,
    };
}

/// First lines of `wear`.
pub(super) fn wear_answer(outcome: &WearOutcome) -> Vec<(Tone, String)> {
    first_lines(|sheet| wear::answer(sheet, outcome))
}

/// The answer of `run`, ending in a newline.
pub fn run(outcome: &RunOutcome, style: &Style) -> String {
    let mut sheet = style.sheet();
    headline::answer(&mut sheet, outcome);
    headline::reason_and_title(&mut sheet, outcome);
    tables::objectives(&mut sheet, &outcome.objectives);
    tables::classes(&mut sheet, &outcome.classes, outcome.run.confidence);
    periods::table(&mut sheet, outcome);
    tables::stations(&mut sheet, outcome);
    blame::tail(&mut sheet, &outcome.blame);
    tables::ledger(&mut sheet, outcome);
    footer::facts(&mut sheet, outcome);
    sheet.finish(style.color)
}

/// The answer of `knee`, ending in a newline.
pub fn knee(outcome: &KneeOutcome, style: &Style) -> String {
    let mut sheet = style.sheet();
    knee::answer(&mut sheet, outcome);
    knee::plot(&mut sheet, outcome);
    knee::ladder(&mut sheet, outcome);
    knee::resources(&mut sheet, outcome);
    knee::curve(&mut sheet, outcome);
    knee::facts(&mut sheet, outcome);
    sheet.finish(style.color)
}

/// The answer of `fit`, ending in a newline.
pub fn fit(outcome: &FitOutcome, style: &Style) -> String {
    let mut sheet = style.sheet();
    fit::answer(&mut sheet, outcome);
    fit::by_limit(&mut sheet, outcome);
    fit::cases(&mut sheet, outcome);
    fit::classes_and_limits(&mut sheet, outcome);
    fit::facts(&mut sheet, outcome);
    sheet.finish(style.color)
}

/// The answer of `compare`, ending in a newline.
pub fn compare(outcome: &CompareOutcome, style: &Style) -> String {
    let mut sheet = style.sheet();
    compare::answer(&mut sheet, outcome);
    compare::designs(&mut sheet, outcome);
    compare::latencies(&mut sheet, outcome);
    compare::other(&mut sheet, outcome);
    compare::facts(&mut sheet, outcome);
    sheet.finish(style.color)
}

/// The answer of `wear`, ending in a newline.
pub fn wear(outcome: &WearOutcome, style: &Style) -> String {
    let mut sheet = style.sheet();
    wear::answer(&mut sheet, outcome);
    wear::room(&mut sheet, outcome);
    wear::day(&mut sheet, outcome);
    wear::endurance(&mut sheet, outcome);
    wear::risk(&mut sheet, outcome);
    wear::price(&mut sheet, outcome);
    wear::ranges(&mut sheet, outcome);
    wear::facts(&mut sheet, outcome);
    sheet.finish(style.color)
}

pub(crate) use sweep::part_of_all;

/// What a sweep will do, ending in a newline.
pub fn sweep_plan(plan: &SweepPlan, style: &Style) -> String {
    let mut sheet = style.sheet();
    sweep::plan(&mut sheet, plan);
    sheet.finish(style.color)
}

/// How a sweep ended, ending in a newline.
pub fn sweep_run(outcome: &SweepRun, store: &str, style: &Style) -> String {
    let mut sheet = style.sheet();
    sweep::ended(&mut sheet, outcome, store);
    sheet.finish(style.color)
}

/// Rows of a store, ending in a newline.
pub fn sweep_listing(listing: &SweepListing, style: &Style) -> String {
    let mut sheet = style.sheet();
    sweep::listing(&mut sheet, listing);
    sheet.finish(style.color)
}

/// The answer of `check`, ending in a newline.
pub fn check(outcome: &CheckOutcome, style: &Style) -> String {
    let mut sheet = style.sheet();
    statics::answer(&mut sheet, outcome);
    statics::chain(&mut sheet, outcome);
    statics::table(&mut sheet, outcome);
    statics::lanes(&mut sheet, outcome);
    statics::capacity(&mut sheet, outcome.capacity.as_ref());
    statics::memory(&mut sheet, outcome);
    statics::notes(&mut sheet, outcome);
    sheet.finish(style.color)
}

/// The answer of `verify`, ending in a newline.
pub fn verify(outcome: &VerifyOutcome, style: &Style) -> String {
    let mut sheet = style.sheet();
    checks::answer(&mut sheet, outcome);
    checks::table(&mut sheet, &outcome.checks);
    checks::sources(&mut sheet, outcome);
    sheet.finish(style.color)
}
