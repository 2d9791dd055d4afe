//! The largest load, or the largest number of machines, at which every objective holds.

use crate::measure::{Bracket, Crossing, Effort, Guess, Loads, Margins, Standing, Wanted, bracket};

use super::attempts::{Attempt, Attempts};
use super::scaled::Vary;
use super::trial::Question;

/// Least share of the saturation load that is tried; what is not sustained meets no objective for long.
const LEAST: f64 = 0.05;
/// Share of it that is tried at most, where no load was surely carried.
const MOST: f64 = 0.97;

/// Relative distance of either end of the limit, as a part of the precision that a run is asked for.
const OF_PRECISION: f64 = 0.5;

/// Part of the load that the law calls full, which is looked at from afar; and the step where it says nothing.
const NOT_YET_FULL: f64 = 0.9;
const TWICE: f64 = 2.0;

/// The limit of a design.
#[derive(Clone, Debug)]
pub(super) struct Limit {
    /// In units of what is varied.
    pub found: Bracket,
    /// Whether even the smallest load tried is too much.
    pub out_of_reach: bool,
    /// Whether even the largest is not.
    pub beyond_range: bool,
    /// The objective that gives way first, by its place in the scenario; none if the load is no longer sustained before.
    pub gives_way: Option<usize>,
    /// A load that fails below one that holds.
    pub turns_back: Option<(f64, f64)>,
}

impl Limit {
    /// Of a search that ended where something was accepted.
    pub fn at_least(load: f64) -> Self {
        let found = Bracket { value: load, low: Some(load), high: None };
        Limit { found, out_of_reach: false, beyond_range: false, gives_way: None, turns_back: None }
    }

    /// Of open classes no load beyond saturation meets an objective for long: where the two cannot be told apart, the
    /// limit is the saturation.
    pub fn clip(&mut self, saturation: &Bracket) {
        if self.beyond_range || self.found.value >= saturation.value {
            let low = self.found.low.map_or(saturation.low, |low| Some(low.min(saturation.value)));
            self.found = Bracket { low, ..*saturation };
            self.gives_way = None;
        }
    }
}

/// The limit of the load, below and at saturation; `unit` is its smallest step where it goes in steps.
pub(super) fn of_load(attempts: &mut Attempts, full: &Bracket, unit: Option<f64>, error: f64) -> Limit {
    let saturation = full.value;
    let step = unit.unwrap_or(1.0);
    let in_units = |load: f64| load / step;
    let whole = unit.is_some();
    let range = match whole {
        // Closed machines may go on long past the load at which the busiest station is.
        true => (1.0, (in_units(saturation) * 70.0).ceil().max(2.0)),
        false => {
            let carried = full.low.unwrap_or(MOST * saturation).min(saturation);
            (in_units(LEAST * saturation).min(in_units(carried)), in_units(carried))
        }
    };
    let half_width = OF_PRECISION * attempts.scenario.run.precision;
    let fails = full.high.filter(|_| !whole).map(in_units);
    let wanted = Wanted { start: in_units(0.7 * saturation), range, half_width, whole, error, fails };
    let full = (!whole).then(|| in_units(1.02 * saturation));
    search(attempts, &wanted, full, step)
}

/// Searches in steps; `full` is where what is varied fills the design, if that is known, in steps.
pub(super) fn search(attempts: &mut Attempts, wanted: &Wanted, full: Option<f64>, step: f64) -> Limit {
    // Work rises as the load does where all of it is varied.
    let work = match attempts.vary {
        Vary::Load | Vary::Mix => Margins::of_work(),
        Vary::Class(_) | Vary::Years => Margins::new(None),
    };
    let (margins, balance) = (Margins::new(full), work);
    let mut meeting = Meeting { margins, balance, step, attempts };
    // What was tried before is known already.
    let known = meeting.attempts.list.iter().filter(|a| a.question == Question::Objectives);
    let effort = Effort::Sure { error: wanted.error };
    let known: Vec<Attempt> = known.cloned().collect();
    known.iter().for_each(|attempt| meeting.note(attempt, effort));
    let found = bracket(&mut meeting, wanted);
    let (lowest, highest) = wanted.range;
    let out_of_reach = found.low.is_none() && found.high.is_some_and(|high| high <= lowest);
    let beyond_range = found.low.is_some_and(|low| low >= highest);
    let is_full = meeting.is_full();
    let turns_back = meeting.margins.turns_back().map(|(fails, holds)| (fails * step, holds * step));
    let scaled = |load: Option<f64>| load.map(|load| load * step);
    let found = Bracket { value: found.value * step, low: scaled(found.low), high: scaled(found.high) };
    let gives_way = if is_full { None } else { gives_way(attempts, found.value) };
    Limit { gives_way, found, out_of_reach, beyond_range, turns_back }
}

/// The objective nearest to its bound at the tried load nearest to the limit.
fn gives_way(attempts: &Attempts, limit: f64) -> Option<usize> {
    let is_judged = |a: &&Attempt| a.question == Question::Objectives && a.tried.margin.is_some();
    let nearest = attempts.list.iter().filter(is_judged).min_by(|a, b| {
        let distance = |scale: f64| (scale / limit).ln().abs();
        distance(a.scale).total_cmp(&distance(b.scale))
    })?;
    nearest.tried.margin.map(|(place, _)| place)
}

/// Loads tried for whether all objectives hold.
struct Meeting<'t, 'a> {
    attempts: &'t mut Attempts<'a>,
    /// Of the objectives.
    margins: Margins,
    /// Of the fullest resource.
    balance: Margins,
    step: f64,
}

impl Meeting<'_, '_> {
    fn note(&mut self, attempt: &Attempt, effort: Effort) {
        let (load, tried) = (attempt.scale / self.step, &attempt.tried);
        let margin = tried.margin.map(|(_, margin)| margin);
        self.margins.note(load, effort, attempt.standing, margin);
        let sustained = if tried.overloaded { Standing::Fails } else { Standing::Unclear };
        if let Some(balance) = tried.balance {
            self.balance.note(load, effort, sustained, Some(balance));
        }
    }

    /// Whether the fullest resource is full before an objective fails.
    fn is_full(&self) -> bool {
        match (self.margins.guess(), self.balance.guess()) {
            (Guess::At(limit), Guess::At(full)) => full <= limit,
            (Guess::Above, Guess::At(_)) => !self.balance.is_empty(),
            _ => false,
        }
    }

    fn in_words(&self, load: f64, effort: Effort) -> String {
        let of = |load: f64| match self.attempts.vary {
            Vary::Load => format!("{:.3} × the stated load", load * self.step),
            Vary::Class(_) | Vary::Mix => format!("{load:.0} machines"),
            Vary::Years => format!("the machines of {load:.2} years from now"),
        };
        let so_far = match self.guess() {
            _ if self.margins.is_empty() => String::new(),
            Guess::At(root) => format!("; the limit lies near {}", of(root)),
            Guess::Above => "; all that was tried holds".into(),
            Guess::Below => "; nothing that was tried holds".into(),
        };
        let how = match effort {
            Effort::Quick => "a look at",
            Effort::Sure { .. } => "a sure trial of",
            Effort::Precise { .. } => "a close look at",
        };
        format!("objectives: {how} {}{so_far}", of(load))
    }
}

impl Loads for Meeting<'_, '_> {
    fn try_at(&mut self, load: f64, effort: Effort) -> Option<Standing> {
        self.attempts.tell(&self.in_words(load, effort));
        let attempt = self.attempts.attempt(load * self.step, Question::Objectives, effort)?;
        let attempt = attempt.clone();
        self.note(&attempt, effort);
        Some(attempt.standing)
    }

    /// The lower of where the objectives fail and where the design is full.
    fn guess(&self) -> Guess {
        match (self.margins.guess(), self.balance.guess()) {
            (found, _) if self.balance.is_empty() => found,
            (Guess::At(limit), Guess::At(full)) => Guess::At(limit.min(full)),
            (Guess::Above, found) => found,
            (found, _) => found,
        }
    }

    /// What the law says is not yet full may be looked at in one step.
    fn reach(&self, at: f64) -> f64 {
        match self.balance.guess() {
            Guess::At(full) if !self.balance.is_empty() => (NOT_YET_FULL * full).max(TWICE * at),
            _ => TWICE * at,
        }
    }

    /// Of the objectives; where the design is full before, the ends are tried.
    fn crossing(&self) -> Option<Crossing> {
        self.margins.crossing().filter(|_| !self.is_full())
    }

    fn discernible(&self, root: f64) -> f64 {
        match self.is_full() {
            true => self.balance.discernible(root),
            false => self.margins.discernible(root),
        }
    }
}
