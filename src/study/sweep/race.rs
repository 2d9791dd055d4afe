//! A sweep within a budget of time: all points shortly, then four times as long those of which it is open whether they are
//! on the front, and those of which it still is as the scenario says.
//!
//! A race as O. Maron and A. W. Moore (Artificial Intelligence Review 11, 1997: from memory) run it, on fronts: a point leaves
//! it as soon as another surely beats it, or as it is decided against all others. (Where to spend replications on a front is
//! told exactly by L. H. Lee, E. P. Chew, S. Teng and D. Goldsman, IIE Transactions 42, 2010: from memory; their shares need
//! differences that a first round does not know yet.) Points that cannot be told apart, though their figures are known to half
//! of what counts as alike, leave it too.
//!
//! Nothing here looks at a clock: who calls ends it by the flag that an interruption raises. What has been asked until then is
//! kept, so that a race may be taken up again.

use std::collections::{BTreeMap, HashSet};
use std::sync::atomic::Ordering;

use crate::engine::SimDuration;
use crate::outcome::{PointOutcome, Standing};
use crate::scenario::{Ask, Auto, Goal, Override, Scenario, Sweep, units};
use crate::study::lockstep::played_once;
use crate::study::pilot;
use crate::study::run::Context;
use crate::study::setting::{Setting, StudyError};

use super::front::{Contender, Open, open, standings};
use super::{Base, Planned, Step, Task, ask_all};

/// Rounds before the last, which asks as the scenario says.
const SHORT_ROUNDS: u32 = 2;
/// Work of a round ÷ work of the one before.
const TIMES: u32 = 4;
/// Fewest replications of a round: with less an interval tells nothing.
const FEWEST_REPLICATIONS: u32 = 4;

/// How a race ended.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct RaceEnd {
    /// Points that nothing surely beats.
    pub front: u64,
    /// Of these, those of which it is open whether they beat another or are beaten.
    pub open: u64,
    /// Points that a further round would ask.
    pub waiting: u64,
}

/// What is known of a point.
struct Held {
    /// Round that it was asked in; none if it was asked as the scenario says, which is as far as a race takes it.
    round: Option<u32>,
    contender: Option<Contender>,
    has_failed: bool,
}

/// Whether a sweep can be asked within a budget.
///
/// # Errors
/// Why not, in words.
pub fn can_race(sweep: &Sweep) -> Result<(), String> {
    if sweep.front.is_empty() {
        return Err("a budget is spent on what may be the best, and the sweep does not say what is sought\n  help: add \
                    [front] with `least` or `most` (`forebay explain sweep.front`)"
            .into());
    }
    match sweep.ask.iter().find(|ask| matches!(ask, Ask::Knee | Ask::Fit)) {
        Some(ask) => Err(format!(
            "a budget begins with short answers, and `{0}` has none: it looks on until it is sure\n  help: ask `run` or \
             `wear` within the budget, then `{0}` of the points that are left",
            ask.word()
        )),
        None => Ok(()),
    }
}

/// Asks every point of a plan in rounds; `held` is what was kept of it before.
///
/// # Errors
/// What the keeper said.
pub fn race<E>(
    sweep: &Sweep,
    base: &Base,
    planned: &Planned,
    held: Vec<PointOutcome>,
    context: &Context,
    mut keep: impl FnMut(PointOutcome, Step) -> Result<(), E>,
) -> Result<RaceEnd, E> {
    let mine: HashSet<u64> = planned.points.iter().map(|point| point.number).collect();
    let mut all: BTreeMap<u64, Held> = BTreeMap::new();
    for found in held.iter().filter(|found| mine.contains(&found.point.number)) {
        take(&mut all, found, &sweep.front);
    }
    drop(held);
    loop {
        let (asked, end) = next(&all, planned, sweep.alike);
        if asked.is_empty() || context.interrupted.load(Ordering::Relaxed) {
            return Ok(end);
        }
        ask_all(sweep, base, &asked, context, |found, step| {
            take(&mut all, &found, &sweep.front);
            keep(found, step)
        })?;
    }
}

fn take(all: &mut BTreeMap<u64, Held>, found: &PointOutcome, goals: &[Goal]) {
    let held = Held {
        round: found.round,
        contender: Contender::of(found, goals).filter(|_| found.error.is_none()),
        has_failed: found.error.is_some(),
    };
    all.insert(found.point.number, held);
}

/// What the next round asks, what is most open first, and how things stand.
fn next<'p>(all: &BTreeMap<u64, Held>, planned: &'p Planned, alike: f64) -> (Vec<Task<'p>>, RaceEnd) {
    let task = |number: u64, round: u32| {
        let at = planned.points.binary_search_by_key(&number, |point| point.number).ok()?;
        Some(Task { point: &planned.points[at], round: Some(round).filter(|round| *round <= SHORT_ROUNDS) })
    };
    let contenders: Vec<Option<Contender>> = all.values().map(|held| held.contender.clone()).collect();
    let precision = if alike > 0.0 { alike / 2.0 } else { planned.precision };
    let standings = standings(&contenders, alike);
    let open = open(&contenders, &standings, alike, precision);
    let goes_on = |held: &Held, open: &Open| {
        let round = held.round.filter(|_| !held.has_failed)?;
        // Without a figure: too few requests for a percentile, perhaps; what four times as many do not bring is not there.
        let wants = if held.contender.is_some() { open.worthwhile > 0 } else { round == 1 };
        wants.then_some(round + 1)
    };
    let mut later: Vec<(u32, u32, u64)> = all
        .iter()
        .zip(&open)
        .filter_map(|((number, held), open)| {
            Some((goes_on(held, open)?, u32::MAX - open.worthwhile, *number))
        })
        .collect();
    later.sort_unstable();
    let first = planned.points.iter().filter(|point| !all.contains_key(&point.number));
    let mut asked: Vec<Task> = first.map(|point| Task { point, round: Some(1) }).collect();
    let end = RaceEnd {
        front: standings.iter().filter(|standing| **standing != Standing::Beaten).count() as u64,
        open: open.iter().filter(|open| open.pairs > 0).count() as u64,
        waiting: (asked.len() + later.len()) as u64,
    };
    if asked.is_empty() {
        // One round at a time: the lowest of those that are wanted.
        let round = later.first().map(|first| first.0);
        later.retain(|later| Some(later.0) == round);
        asked = later.iter().filter_map(|(round, _, number)| task(*number, *round)).collect();
    }
    (asked, end)
}

/// What a short round changes of a variant: the measured time; or, where a date or a trace says how long that is, the
/// replications. None if the scenario itself asks for little more.
pub(super) fn changes(
    scenario: &Scenario,
    round: u32,
    context: &Context,
) -> Result<Option<Override>, StudyError> {
    let setting = Setting::new(scenario, context.interrupted)?;
    let run = &scenario.run;
    if scenario.is_dated() || played_once(&setting).is_some() {
        let part = TIMES.pow(SHORT_ROUNDS + 1 - round);
        let replications = (run.replications / part).max(FEWEST_REPLICATIONS);
        let set = || Override { path: "run.replications".into(), value: replications.to_string() };
        return Ok((2 * replications <= run.replications).then(set));
    }
    let times = u64::from(TIMES.pow(round - 1));
    let length = SimDuration::from_ps(pilot::first_length(&setting).ps().saturating_mul(times));
    let most = match run.length {
        Auto::Given(stated) => stated,
        Auto::Auto => run.length_max,
    };
    // In whole microseconds a person can read it; `run.length` is a millisecond at least.
    let length = SimDuration::from_us(length.ps().div_ceil(SimDuration::from_us(1).ps()).max(1000));
    let set =
        || Override { path: "run.length".into(), value: format!("\"{}\"", units::print_time(length.ps())) };
    Ok((length.ps().saturating_mul(2) <= most.ps()).then(set))
}
