//! The largest load at which every objective holds.

use crate::measure::{Bracket, Effort, Guess, Loads, Margins, Standing, Wanted, bracket};

use super::attempts::Attempts;
use super::trial::Question;

/// Least share of the saturation load that is tried, and the largest.
pub(super) const RANGE: (f64, f64) = (0.05, 1.1);

/// The limit of a design.
#[derive(Clone, Debug)]
pub(super) struct Limit {
    /// Loads as factors on the stated one.
    pub found: Bracket,
    /// The objective that gives way first, by its place in the scenario; none if only the backlog does.
    pub gives_way: Option<usize>,
    /// A load that fails below one that holds.
    pub turns_back: Option<(f64, f64)>,
}

/// Searches below and at saturation; `unit` is the smallest step of the load where it goes in steps.
pub(super) fn limit(attempts: &mut Attempts, saturation: f64, unit: Option<f64>, error: f64) -> Limit {
    let step = unit.unwrap_or(1.0);
    let in_units = |load: f64| load / step;
    let whole = unit.is_some();
    let (lowest, highest) = (in_units(RANGE.0 * saturation), in_units(RANGE.1 * saturation));
    let range = match whole {
        // Closed machines may go on long past the load at which the busiest station is.
        true => (1.0, (highest * 64.0).ceil().max(2.0)),
        false => (lowest, highest),
    };
    let wanted = Wanted {
        start: in_units(0.7 * saturation),
        range,
        half_width: attempts.scenario.run.precision / 2.0,
        whole,
        error,
    };
    let mut meeting =
        Meeting { margins: Margins::new((!whole).then(|| in_units(1.02 * saturation))), step, attempts };
    // What was tried before is known already.
    for attempt in meeting.attempts.list.iter().filter(|a| a.question == Question::Objectives) {
        let margin = attempt.tried.margin.map(|(_, margin)| margin);
        meeting.margins.note(attempt.scale / step, attempt.standing, margin);
    }
    let found = bracket(&mut meeting, &wanted);
    let turns_back = meeting.margins.turns_back().map(|(fails, holds)| (fails * step, holds * step));
    let scaled = |load: Option<f64>| load.map(|load| load * step);
    let found = Bracket { value: found.value * step, low: scaled(found.low), high: scaled(found.high) };
    Limit { gives_way: gives_way(attempts, found.value), found, turns_back }
}

/// The objective nearest to its bound at the tried load nearest to the limit.
fn gives_way(attempts: &Attempts, limit: f64) -> Option<usize> {
    let judged =
        attempts.list.iter().filter(|a| a.question == Question::Objectives && a.tried.margin.is_some());
    let nearest = judged.min_by(|a, b| {
        let distance = |scale: f64| (scale / limit).ln().abs();
        distance(a.scale).total_cmp(&distance(b.scale))
    })?;
    nearest.tried.margin.map(|(place, _)| place)
}

/// Loads tried for whether all objectives hold.
struct Meeting<'t, 'a> {
    attempts: &'t mut Attempts<'a>,
    margins: Margins,
    step: f64,
}

impl Loads for Meeting<'_, '_> {
    fn try_at(&mut self, load: f64, effort: Effort) -> Option<Standing> {
        let scale = load * self.step;
        let so_far = match self.margins.guess() {
            Guess::At(root) => format!("; it lies near {:.3} ×", root * self.step),
            Guess::Above => "; all that was tried holds".into(),
            Guess::Below => "; nothing that was tried holds".into(),
        };
        let so_far = if self.margins.is_empty() { "" } else { &so_far };
        let how = match effort {
            Effort::Quick => "a look at",
            Effort::Sure { .. } => "a sure trial of",
        };
        self.attempts.tell(&format!("limit: {how} {scale:.3} × the stated load{so_far}"));
        let attempt = self.attempts.attempt(scale, Question::Objectives, effort)?;
        let (standing, margin) = (attempt.standing, attempt.tried.margin.map(|(_, margin)| margin));
        self.margins.note(load, standing, margin);
        Some(standing)
    }

    fn guess(&self) -> Guess {
        self.margins.guess()
    }

    fn discernible(&self, root: f64) -> f64 {
        self.margins.discernible(root)
    }
}
