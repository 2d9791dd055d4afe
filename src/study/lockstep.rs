//! Replications of one design or of several, extended together.
//!
//! `run` measures one lane; `compare` as many as there are designs, all with the same warm-up and, round by round, the same
//! window, so that replication n of every lane meets the same requests. A lane whose backlog runs away is closed and
//! the others go on. With one lane nothing here knows of comparing.
//!
//! Where time is short lanes take turns, each with its share of what is left, and one that is not done by then is measured no
//! further: it keeps what it has, and the others go on.

mod turns;

use std::ops::Range;

use rayon::prelude::*;

use crate::engine::{SimDuration, SimTime, Stop};
use crate::measure::{Decision, Round, StoppingRule};
use crate::scenario::{Auto, Load, RunPlan};

use super::judge::Evidence;
use super::overload::{self, Sure};
use super::pilot::{self, Pilot};
use super::replication::Replication;
use super::run::Context;
use super::setting::{Course, Setting};
use super::targets::{Target, cycles_floor_s};
use turns::{close, cut_short_of, is_at_an_end, lengthen, turns};

/// Looks for overload in one round, and parts of a trace that is played once.
const PARTS: u32 = 4;
/// Rounds after which a load that cannot be told from a full resource's is measured no further.
const ROUNDS_AT_THE_EDGE: u32 = 6;
/// Half the width of the interval of the work offered, at which it is known well.
const BALANCE_KNOWN_TO: f64 = 0.01;
/// Events after which a run of automatic length ends with the intervals that it has, and that a search may take in all: some
/// two processor-minutes. Near saturation, or where replications differ by where hot data lies, a precision may never be
/// reached.
pub(super) const EVENTS: u64 = 600_000_000;
/// Part of them after which a run ends whose precision takes more than `OUT_OF_REACH` times all of them.
const TRIED: u64 = 3;
const OUT_OF_REACH: f64 = 2.0;
/// Rounds of the same length before it doubles.
const ROUNDS_BEFORE_DOUBLING: u32 = 6;

/// Share of the time that is for measuring, before the last requests of the window are waited for.
const MEASURING: f64 = 0.92;

/// One design on its way.
pub(super) struct Lane<'a> {
    /// What progress calls it; empty where it is alone.
    name: String,
    pub setting: &'a Setting<'a>,
    /// What must be precise.
    wanted: Vec<Target>,
    pilot: Option<Pilot>,
    pub replications: Vec<Replication>,
    /// Its backlog ran away, or grew in a straight line: it is measured no further.
    pub is_overloaded: bool,
    /// It was stopped while it was measured, and is measured no further.
    pub is_cut: bool,
    /// Looks at it that were completed.
    looks: u32,
    notes: Vec<String>,
}

/// What else must be precise after a round, beside the lanes' own figures.
#[derive(Default)]
pub(super) struct More {
    /// Relative half-widths; none where there is no figure yet.
    pub half_widths: Vec<Option<f64>>,
    /// Said on the way.
    pub words: String,
}

/// How all lanes were measured.
pub(super) struct Schedule {
    warm_up: SimDuration,
    end: End,
    /// The length that was stated.
    length: Option<SimDuration>,
    /// Why lanes were cut, if any was.
    why_cut: String,
}

/// How the measuring ended.
#[derive(Clone, Copy, PartialEq, Eq)]
enum End {
    /// The stated length was measured.
    Whole,
    /// The precision was reached.
    Precise,
    /// It was not, in the longest time allowed, or the user interrupted.
    Short,
    /// No design carries its load.
    Overloaded,
}

impl<'a> Lane<'a> {
    /// A design that has not begun.
    pub fn new(name: &str, setting: &'a Setting<'a>, wanted: Vec<Target>) -> Self {
        Lane {
            name: name.into(),
            setting,
            wanted,
            pilot: None,
            replications: Vec::new(),
            is_overloaded: false,
            is_cut: false,
            looks: 0,
            notes: setting.trace_notes(),
        }
    }

    /// Its replications, and how they went.
    pub fn finish(self, schedule: &Schedule) -> (Vec<Replication>, Course) {
        let run = &self.setting.scenario.run;
        let is_narrow = |target: &Target| target.is_precise(&self.replications, run);
        let is_long_enough = self.goes_on() && matches!(schedule.end, End::Whole | End::Precise);
        let interrupted = self.is_unknown().then(|| schedule.why_cut.clone());
        let is_noted = self.is_cut && interrupted.is_none();
        let mut notes = self.notes;
        notes.extend(is_noted.then(|| schedule.cut_in_words(&self.replications)));
        let course = Course {
            warm_up: schedule.warm_up,
            precision_met: is_long_enough && self.wanted.iter().all(is_narrow),
            interrupted,
            notes,
        };
        (self.replications, course)
    }

    /// Simulated time of a replication after which its first round may end: two rounds reach every floor.
    fn first_round(&self, pilot: &Pilot) -> SimDuration {
        let scenario = self.setting.scenario;
        let machines = |t: &Target| scenario.classes[t.class].machines;
        let floor = self
            .wanted
            .iter()
            .map(|t| t.floor_s(&pilot.rates, machines(t)))
            .fold(cycles_floor_s(scenario), f64::max);
        let floor = SimDuration::from_secs(floor / 2.0 / f64::from(scenario.run.replications));
        // A pilot that met overload tells how soon it shows.
        pilot.overloaded_in.unwrap_or(floor.max(pilot.warm_up))
    }
}

/// Measures all lanes by the plan of the first, whose replications, warm-up and length are everyone's.
pub(super) fn measure(lanes: &mut [Lane], more: &dyn Fn(&[Lane]) -> More, context: &Context) -> Schedule {
    let none = Schedule { warm_up: SimDuration::ZERO, end: End::Short, length: None, why_cut: String::new() };
    let Some(run) = lanes.first().map(|lane| lane.setting.scenario.run.clone()) else { return none };
    // Part of the time is for the last requests of the window.
    let (warm_up, length, end) = context.part(MEASURING, || measured(lanes, &run, more, context));
    // One that was cut before is a design with nothing measured.
    for lane in lanes.iter_mut().filter(|lane| lane.replications.is_empty()) {
        lane.replications = context.part(0.0, || warmed_up(lane.setting, 0..run.replications, warm_up));
    }
    close(lanes, length, context);
    Schedule { warm_up, end, length, why_cut: context.why_cut() }
}

/// Pilot, warm-up, and all that is measured; with the warm-up, and the length if one is stated.
fn measured(
    lanes: &mut [Lane],
    run: &RunPlan,
    more: &dyn Fn(&[Lane]) -> More,
    context: &Context,
) -> (SimDuration, Option<SimDuration>, End) {
    let once = lanes.iter().filter_map(|lane| played_once(lane.setting)).max();
    if once.is_none() && (run.warm_up == Auto::Auto || run.length == Auto::Auto) {
        let count = lanes.len();
        for (n, lane) in lanes.iter_mut().enumerate() {
            // As long as any one of the others, or all that is measured after it.
            context.one_of(count - n + 1, || {
                fly(lane, run, context);
                lane.is_cut = context.is_over();
            });
        }
    }
    let warm_up = match run.warm_up {
        Auto::Given(span) => span,
        Auto::Auto => pilots(lanes).map(|pilot| pilot.warm_up).max().unwrap_or(SimDuration::ZERO),
    };
    (context.progress)("warming up");
    let numbers = 0..run.replications;
    turns(lanes, context, |lane| lane.replications = warmed_up(lane.setting, numbers.clone(), warm_up));
    cut_short_of(lanes, SimTime::ZERO + warm_up, context);
    let length = match (run.length, once) {
        (Auto::Given(length), _) => Some(length),
        (Auto::Auto, once) => once,
    };
    let is_dated = lanes.iter().any(|lane| lane.setting.periods.is_some());
    let end = match length {
        // A growing backlog is no verdict where dates bring it and take it away.
        Some(length) if once.is_some() || is_dated => {
            play(lanes, length, context);
            End::Whole
        }
        Some(length) => extend_by(lanes, length, context),
        None => rounds(lanes, run, more, context),
    };
    (warm_up, length, end)
}

/// Runs the pilot of a lane.
fn fly(lane: &mut Lane, run: &RunPlan, context: &Context) {
    let name = lane.name.clone();
    let tell = |words: &str| match name.as_str() {
        "" => (context.progress)(words),
        name => (context.progress)(&format!("design {name}: {words}")),
    };
    let pilot = pilot::run(lane.setting, pilot::DOUBLINGS, &tell);
    if run.warm_up == Auto::Auto {
        lane.notes.extend(not_settled(&pilot));
    }
    lane.pilot = Some(pilot);
}

fn pilots<'l>(lanes: &'l [Lane]) -> impl Iterator<Item = &'l Pilot> {
    lanes.iter().filter(|lane| lane.goes_on()).filter_map(|lane| lane.pilot.as_ref())
}

/// Replications of these numbers, warmed up side by side.
pub(super) fn warmed_up(setting: &Setting, numbers: Range<u32>, warm_up: SimDuration) -> Vec<Replication> {
    numbers
        .into_par_iter()
        .map(|number| {
            let mut replication = Replication::of_run(setting, number, warm_up);
            replication.warm_up(warm_up, setting.interrupted);
            replication
        })
        .collect()
}

/// Measures another `span` of all lanes; whether any carries its load so far.
fn extend(lanes: &mut [Lane], span: SimDuration, context: &Context) -> bool {
    lengthen(lanes, span, context);
    for lane in lanes.iter_mut().filter(|lane| !lane.is_overloaded) {
        if overload::is_overloaded(lane.setting, &lane.replications, Sure::OfRate) {
            lane.is_overloaded = true;
            // To wait for what is measured would take as long as the backlog is, and fill it further.
            lane.replications.iter_mut().for_each(Replication::close);
        }
    }
    lanes.iter().any(|lane| !lane.is_overloaded)
}

/// Advice, if the pilot never saw the start-up end.
fn not_settled(pilot: &Pilot) -> Option<String> {
    let words = || {
        format!(
            "not settled: the start-up is not over after {:.3} s, half of the longest pilot; state a longer \
             `run.warm_up`",
            pilot.warm_up.secs()
        )
    };
    (!pilot.settled && pilot.overloaded_in.is_none()).then(words)
}

/// The time in which every trace that is played once has been played, if there is one.
pub(super) fn played_once(setting: &Setting) -> Option<SimDuration> {
    let spans = setting.scenario.classes.iter().zip(&setting.traces).filter_map(|(class, trace)| {
        match (&class.load, trace) {
            (Load::Trace { speed, repeat: false, .. }, Some(trace)) => Some(
                SimDuration::from_secs(trace.span().secs() / speed / setting.scale) + SimDuration::from_ps(1),
            ),
            _ => None,
        }
    });
    spans.max()
}

/// Said where a stated length was cut short.
fn shortened(replications: &[Replication], length: SimDuration) -> String {
    let longest = replications.iter().map(Replication::window_s).fold(0.0, f64::max);
    let why = match replications.iter().any(|r| r.stop == Stop::Backlog) {
        true => "the backlog is full (`run.backlog_max`)",
        false => "the backlog grows in a straight line, and more time would only show more of it",
    };
    format!("stopped after {longest:.3} s of the stated {:.3} s: {why}", length.secs())
}

/// Measures a stated length of which nothing may be left out: traces that are played once, runs with dates.
fn play(lanes: &mut [Lane], length: SimDuration, context: &Context) {
    let mut done = 0;
    for number in 1..=PARTS {
        (context.progress)(&format!("measuring: part {number} of {PARTS}"));
        let until = (u128::from(length.ps()) * u128::from(number) / u128::from(PARTS)) as u64;
        lengthen(lanes, SimDuration::from_ps(until - done), context);
        done = until;
    }
}

/// Measures a stated length, looking for overload after what a pilot needs or a little more, and each time the
/// window has doubled.
fn extend_by(lanes: &mut [Lane], length: SimDuration, context: &Context) -> End {
    let look =
        |lane: &Lane| lane.pilot.as_ref().map_or_else(|| pilot::first_length(lane.setting), |p| p.look);
    let look = lanes.iter().map(look).max().unwrap_or(length);
    (context.progress)("measuring");
    let doublings = (length.ps() / look.ps().max(1)).checked_ilog2().unwrap_or(0);
    let mut done = 0;
    for halvings in (0..=doublings).rev() {
        let until = length.ps() >> halvings;
        if !extend(lanes, SimDuration::from_ps(until - done), context) {
            return End::Overloaded;
        }
        if halvings > 0 && is_at_an_end(lanes, context) {
            return End::Short;
        }
        done = until;
        let share = 100.0 * done as f64 / length.ps() as f64;
        (context.progress)(&format!("measuring: {share:.1} % of the stated length is done"));
    }
    End::Whole
}

/// `length = "auto"`: whole rounds until the precision is reached twice in a row.
fn rounds(lanes: &mut [Lane], run: &RunPlan, more: &dyn Fn(&[Lane]) -> More, context: &Context) -> End {
    let part = first_part(lanes, run);
    let parts_max = (run.length_max.ps() / part.ps().max(1)).max(1);
    let cycles_floor_s = lanes.iter().map(|l| cycles_floor_s(l.setting.scenario)).fold(0.0, f64::max);
    let mut rule = StoppingRule::new(run.precision);
    let (mut parts, mut done, mut round) = (PARTS, 0u64, 0);
    loop {
        round += 1;
        (context.progress)(&format!("round {round}: measuring"));
        for _ in 0..u64::from(parts).min(parts_max - done) {
            // Nothing is gained by going on.
            if !extend(lanes, part, context) {
                return End::Overloaded;
            }
            if is_at_an_end(lanes, context) {
                return End::Short;
            }
            done += 1;
        }
        let (mut widths, beyond_tightest) = widths(lanes, run.confidence);
        let more = more(lanes);
        widths.extend(more.half_widths);
        let seconds = done as f64 * part.secs() * f64::from(run.replications);
        let decision = rule.after(&Round {
            half_widths: &widths,
            beyond_tightest,
            has_enough_cycles: seconds >= cycles_floor_s,
            is_last: done >= parts_max,
        });
        (context.progress)(&(in_words(round, &widths, run.precision) + &more.words));
        if let Decision::Stop { met } = decision {
            return if met { End::Precise } else { End::Short };
        }
        if round >= ROUNDS_AT_THE_EDGE && lanes.iter().all(|lane| !lane.goes_on() || is_at_the_edge(lane)) {
            return End::Short;
        }
        let (taken, allowed) = (events(lanes), EVENTS.saturating_mul(lanes.len() as u64));
        let is_hopeless = taken >= allowed / TRIED
            && to_come(taken, &widths, run.precision) > OUT_OF_REACH * allowed as f64;
        if taken >= allowed || is_hopeless {
            let words = format!("measured no further after {} million events; ", taken / 1_000_000)
                + "a stated `run.length` may be longer";
            lanes
                .iter_mut()
                .filter(|lane| !lane.is_overloaded)
                .for_each(|lane| lane.notes.push(words.clone()));
            return End::Short;
        }
        if round % ROUNDS_BEFORE_DOUBLING == 0 {
            parts = parts.saturating_mul(2);
        }
    }
}

/// Events that the precision takes in all: half-widths shrink with the square root of what is measured. Nothing is known of
/// a figure that does not exist yet.
fn to_come(taken: u64, widths: &[Option<f64>], precision: f64) -> f64 {
    let widest = widths.iter().flatten().copied().filter(|width| width.is_finite()).fold(0.0, f64::max);
    taken as f64 * (widest / precision).powi(2)
}

/// Events of all lanes so far.
fn events(lanes: &[Lane]) -> u64 {
    lanes.iter().flat_map(|lane| &lane.replications).map(|r| r.kernel.events()).sum()
}

/// Whether a lane's load cannot be told from one that is just too much: its waits have no mean to wait for.
fn is_at_the_edge(lane: &Lane) -> bool {
    let confidence = lane.setting.scenario.run.confidence;
    Evidence::of(lane.setting, &lane.replications).is_at_the_edge(confidence, BALANCE_KNOWN_TO)
}

/// Relative half-widths of all that the lanes want, and the fewest requests beyond a percentile of it.
fn widths(lanes: &[Lane], confidence: f64) -> (Vec<Option<f64>>, u64) {
    let wanted: Vec<(&Target, &[Replication])> = lanes
        .iter()
        .filter(|lane| lane.goes_on())
        .flat_map(|lane| lane.wanted.iter().map(|target| (target, lane.replications.as_slice())))
        .collect();
    let widths = wanted.par_iter().map(|(t, replications)| t.relative_half_width(replications, confidence));
    let beyond = wanted.iter().map(|(t, replications)| t.beyond(replications)).min();
    (widths.collect(), beyond.unwrap_or(u64::MAX))
}

fn in_words(round: u32, widths: &[Option<f64>], precision: f64) -> String {
    let widest = widths.iter().map(|w| w.unwrap_or(f64::INFINITY)).fold(0.0, f64::max);
    if widest.is_finite() {
        format!("round {round}: ± {:.1} % at the widest, {:.1} % wanted", widest * 100.0, precision * 100.0)
    } else {
        format!("round {round}: too few requests beyond a percentile yet")
    }
}

/// A part of the first round, by the lane that needs the longest; one that met overload waits for the others.
fn first_part(lanes: &[Lane], run: &RunPlan) -> SimDuration {
    let rounds = |only_stable: bool| {
        lanes.iter().filter(|lane| lane.goes_on()).filter_map(move |lane| {
            let pilot = lane.pilot.as_ref().filter(|p| !only_stable || p.overloaded_in.is_none())?;
            Some(lane.first_round(pilot))
        })
    };
    let Some(round) = rounds(true).max().or_else(|| rounds(false).max()) else {
        return SimDuration::from_ps(run.length_max.ps() / 16);
    };
    SimDuration::from_ps(round.min(run.length_max).ps() / u64::from(PARTS) + 1)
}
