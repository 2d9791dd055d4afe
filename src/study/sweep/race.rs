//! A sweep within a budget of time: all points as shortly as the figures that are sought exist, then four times as long those
//! of which it is open whether they are on the front, again four times, and those of which it still is as the scenario says.
//!
//! No point is asked twice before all were asked once, and they are asked in an order of which every beginning is spread over
//! the space (`spread.rs`): a budget that ends before the first round does has seen something of everything.
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
use crate::scenario::{Ask, Auto, Goal, Operation, Override, Scenario, Sweep, units};
use crate::study::lockstep::played_once;
use crate::study::pilot;
use crate::study::run::Context;
use crate::study::setting::{Setting, StudyError};

use super::front::{Contender, Open, open, standings};
use super::spread::spread;
use super::{Base, Planned, Step, Task, ask_all};

/// Rounds before the last, which asks as the scenario says.
const SHORT_ROUNDS: u32 = 3;
/// Work of a round ÷ work of the one before.
const TIMES: u32 = 4;
/// Fewest replications of a round: with less an interval tells nothing.
const FEWEST_REPLICATIONS: u32 = 4;
/// Requests beyond a percentile in the first round: half as many again as the 200 that it takes.
const BEYOND: f64 = 300.0;
/// Fewest requests of the first round: what a point takes before it is measured would be most of it.
const FEWEST_REQUESTS: f64 = 10_000.0;
/// Part of the first round's window that it warms up for: it flies no pilot.
const WARM_UP: f64 = 0.25;

/// How a race ended.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct RaceEnd {
    /// Points that were asked at all, in earlier starts too.
    pub asked: u64,
    /// Points that were not.
    pub not_asked: u64,
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
    let order = spread(sweep, planned);
    loop {
        let (asked, end) = next(&all, planned, &order, sweep.alike);
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

/// What the next round asks, and how things stand. The first round is spread over the space; later on what is most open
/// comes first.
fn next<'p>(
    all: &BTreeMap<u64, Held>,
    planned: &'p Planned,
    order: &[usize],
    alike: f64,
) -> (Vec<Task<'p>>, RaceEnd) {
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
        // Without a figure: too few requests for a percentile, perhaps; what the short rounds do not bring is not there.
        let wants = if held.contender.is_some() { open.worthwhile > 0 } else { round < SHORT_ROUNDS };
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
    let first = order.iter().map(|at| &planned.points[*at]);
    let first = first.filter(|point| !all.contains_key(&point.number));
    let mut asked: Vec<Task> = first.map(|point| Task { point, round: Some(1) }).collect();
    let end = RaceEnd {
        asked: all.len() as u64,
        not_asked: asked.len() as u64,
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
/// replications. Nothing if the scenario itself asks for little more.
pub(super) fn changes(
    scenario: &Scenario,
    round: u32,
    goals: &[Goal],
    context: &Context,
) -> Result<Vec<Override>, StudyError> {
    let setting = Setting::new(scenario, context.interrupted)?;
    let run = &scenario.run;
    let set = |key: &str, value: String| Override { path: format!("run.{key}"), value };
    let few = FEWEST_REPLICATIONS.min(run.replications);
    if scenario.is_dated() || played_once(&setting).is_some() {
        // What is more than the fewest and less than half is one round at most.
        let fewer = round == 1 && 2 * few <= run.replications;
        return Ok(fewer.then(|| set("replications", few.to_string())).into_iter().collect());
    }
    let replications = if round == 1 { few } else { run.replications };
    let most = match run.length {
        Auto::Given(stated) => stated,
        Auto::Auto => run.length_max,
    };
    let length = window(&setting, round, replications, goals).unwrap_or(most);
    if length.ps().saturating_mul(2) > most.ps() {
        return Ok(Vec::new());
    }
    let time = |time: SimDuration| format!("\"{}\"", units::print_time(time.ps()));
    let mut changed = vec![set("length", time(length))];
    if round == 1 {
        changed.push(set("replications", replications.to_string()));
        let warm_up = in_whole_us(WARM_UP * length.secs());
        changed.extend((run.warm_up == Auto::Auto).then(|| set("warm_up", time(warm_up))));
    }
    Ok(changed)
}

/// The window of a replication in a round; none where so few requests come that nobody can tell.
fn window(setting: &Setting, round: u32, replications: u32, goals: &[Goal]) -> Option<SimDuration> {
    let pace = pilot::pace(setting)?;
    let wanted = goals.iter().map(|goal| requests_for(goal, setting.scenario, &pace.shares));
    let requests = wanted.fold(FEWEST_REQUESTS, f64::max) * f64::from(TIMES.pow(round - 1));
    // A burst seen in part tells nothing: a quarter of what a pilot sees, then all.
    let cycles = pilot::slowest_cycles(setting).secs() * (f64::from(TIMES.pow(round - 1)) / f64::from(TIMES));
    // In whole microseconds a person can read it; `run.length` is a millisecond at least.
    let length = in_whole_us(pace.time_of(requests / f64::from(replications)).max(cycles));
    Some(length.max(SimDuration::from_us(1000)))
}

fn in_whole_us(seconds: f64) -> SimDuration {
    const US: u64 = SimDuration::from_us(1).ps();
    let us = SimDuration::from_secs(seconds).ps().div_ceil(US);
    SimDuration::from_us(us.min(u64::MAX / US))
}

/// Requests of all classes in which a figure that is sought exists: of "run.CLASS.OPERATION.pNN_us", by the percentile and by
/// the share that the class and operation have of all requests.
fn requests_for(goal: &Goal, scenario: &Scenario, shares: &[f64]) -> f64 {
    let of = |name: &str, first: usize, last: usize| {
        let (operation, figure) = goal.figure.strip_prefix(&format!("run.{name}."))?.split_once('.')?;
        let percentile: f64 = figure.strip_prefix('p')?.strip_suffix("_us")?.parse().ok()?;
        let counts = |place: usize| match operation {
            "read" => place % 2 == Operation::Read as usize,
            "write" => place % 2 == Operation::Write as usize,
            _ => true,
        };
        let share: f64 = (first..last).filter(|place| counts(*place)).map(|place| shares[place]).sum();
        (share > 0.0).then(|| BEYOND / ((1.0 - percentile / 100.0) * share))
    };
    let classes = scenario.classes.iter().enumerate();
    let of_class = classes.filter_map(|(n, class)| of(&class.name, 2 * n, 2 * n + 2));
    of_class.chain(of("all", 0, shares.len())).fold(0.0, f64::max)
}
