//! `run`: percentiles, utilisation, blame and audit of a scenario at its stated load.
//!
//! A pilot finds the warm-up and the rates; replications run side by side, each in one thread, and are
//! folded in order of their number, so that the answer does not depend on how many threads there are.

use std::sync::atomic::{AtomicBool, Ordering};

use rayon::prelude::*;

use crate::engine::SimDuration;
use crate::measure::{Decision, Round, StoppingRule};
use crate::outcome::{ClassRow, RunOutcome, State};
use crate::scenario::{Auto, Load, Scenario};

use super::overload::{self, Sure, drift};
use super::pilot::{self, Pilot};
use super::rebuild::{self, Pace};
use super::replication::Replication;
use super::setting::{Course, Setting, StudyError};
use super::summary;
use super::targets::{Target, cycles_floor_s, targets};

/// Log of a design whose log is full, bytes: stripes on their way, and little more.
const HELD_AT_HIGH_WATER: u64 = 64 << 20;
/// Looks for overload in one round, and parts of a trace that is played once.
const PARTS: u32 = 4;
/// Rounds of the same length before it doubles.
const ROUNDS_BEFORE_DOUBLING: u32 = 6;

/// How a study reports on its way and hears of an interruption.
pub struct Context<'a> {
    /// Raised when the user interrupts; the study then says what is known.
    pub interrupted: &'a AtomicBool,
    /// Told in words what is being done.
    pub progress: &'a (dyn Fn(&str) + Sync),
    /// Whether every member of every station is wanted in the answer.
    pub detail: bool,
}

/// Runs a scenario at its stated load.
pub fn run(scenario: &Scenario, context: &Context) -> Result<RunOutcome, StudyError> {
    let setting = Setting::new(scenario, context.interrupted)?;
    let (replications, course) = replicate(&setting, context);
    let mut outcome = summary::summarise(&setting, &replications, &course, context.detail);
    drop(replications);
    if outcome.verdict.state == State::Unsustainable {
        (context.progress)("the log fills: the same load with a full one");
        outcome.notes.push(at_high_water(scenario, context)?);
    }
    if let Some(pace) = rebuild::pace(scenario, context)? {
        outcome.rebuild_hours = pace.hours;
        outcome.notes.push(pace_in_words(&pace));
    }
    Ok(outcome)
}

fn pace_in_words(pace: &Pace) -> String {
    let [first, second, third] = pace.bytes_per_s.map(|bytes| bytes / 1e6);
    let hours = match pace.hours {
        Some(hours) => format!(": {hours:.1} h in all"),
        None => String::new(),
    };
    format!(
        "rebuild: {first:.1}, {second:.1} and {third:.1} MB/s with 17, 50 and 83 % restored{hours}, at this load all along"
    )
}

/// What the load meets once the log is full: the same design with a log that holds next to nothing, for a
/// stated length of a pilot's.
fn at_high_water(scenario: &Scenario, context: &Context) -> Result<String, StudyError> {
    let mut full = scenario.clone();
    if let Some(log) = &mut full.design.log {
        log.size = log.size.min(HELD_AT_HIGH_WATER);
    }
    let setting = Setting::new(&full, context.interrupted)?;
    full.run.length = Auto::Given(pilot::first_length(&setting));
    full.objectives.clear();
    let setting = Setting::new(&full, context.interrupted)?;
    let (replications, course) = replicate(&setting, context);
    let outcome = summary::summarise(&setting, &replications, &course, false);
    let carried = outcome.carried.iops.value.unwrap_or(0.0);
    if outcome.verdict.state != State::Stable {
        return Ok(format!(
            "at high water: {carried:.0} requests/s are carried and the backlog grows, so there is no percentile to tell"
        ));
    }
    let p99 = |row: &ClassRow| {
        let value = row.latency_us.get("p99").and_then(|figure| figure.value)?;
        Some(format!("{} {} {value:.0} us", row.name, row.operation))
    };
    let rows: Vec<String> = outcome.classes.iter().filter(|row| row.name != "all").filter_map(p99).collect();
    Ok(format!("at high water: {carried:.0} requests/s are carried; p99 of {}", rows.join(", ")))
}

pub(super) fn replicate(setting: &Setting, context: &Context) -> (Vec<Replication>, Course) {
    let run = &setting.scenario.run;
    let mut notes = setting.trace_notes();
    let once = played_once(setting);
    let needs_pilot = once.is_none() && (run.warm_up == Auto::Auto || run.length == Auto::Auto);
    let pilot = needs_pilot.then(|| pilot::run(setting, context.progress));
    let warm_up = match (run.warm_up, &pilot) {
        (Auto::Given(span), _) => span,
        (Auto::Auto, Some(pilot)) => {
            notes.extend(not_settled(pilot));
            pilot.warm_up
        }
        (Auto::Auto, None) => SimDuration::ZERO,
    };
    (context.progress)("warming up");
    let mut replications: Vec<Replication> = (0..run.replications)
        .into_par_iter()
        .map(|number| {
            let mut replication = Replication::of_run(setting, number, warm_up);
            replication.warm_up(warm_up, setting.interrupted);
            replication
        })
        .collect();
    let wanted = targets(setting);
    let length = match (run.length, once) {
        (Auto::Given(length), _) => Some(length),
        (Auto::Auto, once) => once,
    };
    let end = match length {
        // A growing backlog is no verdict where dates bring it and take it away.
        Some(length) if once.is_some() || setting.periods.is_some() => {
            play(&mut replications, length, setting, context);
            End::Whole
        }
        Some(length) => {
            let look = pilot.as_ref().map_or_else(|| pilot::first_length(setting), |pilot| pilot.look);
            extend_by(&mut replications, length, look, setting, context)
        }
        None => rounds(&mut replications, &wanted, pilot.as_ref(), setting, context),
    };
    if end == End::Overloaded {
        // To wait for what is measured would take as long as the backlog is, and fill it further.
        replications.iter_mut().for_each(Replication::close);
        if let Some(length) = length {
            notes.push(shortened(&replications, length));
        }
    } else {
        (context.progress)("waiting for the last requests of the window");
        replications.par_iter_mut().for_each(|r| r.drain(setting.interrupted));
    }
    let precision_met = matches!(end, End::Whole | End::Precise)
        && wanted.iter().all(|t| {
            t.relative_half_width(&replications, run.confidence).is_some_and(|width| width <= run.precision)
        });
    let course = Course {
        warm_up,
        precision_met,
        interrupted: setting.interrupted.load(Ordering::Relaxed),
        drift: drift(setting, &replications),
        notes,
    };
    (replications, course)
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
    format!(
        "stopped after {longest:.3} s of the stated {:.3} s: the backlog grows in a straight line, and more \
         time would only show more of it",
        length.secs()
    )
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
    /// The design does not carry its load.
    Overloaded,
}

/// Measures a stated length of which nothing may be left out: traces that are played once, runs with dates.
fn play(replications: &mut [Replication], length: SimDuration, setting: &Setting, context: &Context) {
    let mut done = 0;
    for number in 1..=PARTS {
        (context.progress)(&format!("measuring: part {number} of {PARTS}"));
        let until = (u128::from(length.ps()) * u128::from(number) / u128::from(PARTS)) as u64;
        let span = SimDuration::from_ps(until - done);
        replications.par_iter_mut().for_each(|r| r.extend(span, setting.interrupted));
        done = until;
    }
}

/// Measures a stated length, looking for overload after `look` or a little more, and each time the window
/// has doubled.
fn extend_by(
    replications: &mut [Replication],
    length: SimDuration,
    look: SimDuration,
    setting: &Setting,
    context: &Context,
) -> End {
    (context.progress)("measuring");
    let doublings = (length.ps() / look.ps().max(1)).checked_ilog2().unwrap_or(0);
    let mut done = 0;
    for halvings in (0..=doublings).rev() {
        let until = length.ps() >> halvings;
        if overload::extend(setting, replications, SimDuration::from_ps(until - done), Sure::OfRate) {
            return End::Overloaded;
        }
        if setting.interrupted.load(Ordering::Relaxed) {
            return End::Short;
        }
        done = until;
        let share = 100.0 * done as f64 / length.ps() as f64;
        (context.progress)(&format!("measuring: {share:.1} % of the stated length is done"));
    }
    End::Whole
}

/// `length = "auto"`: whole rounds until the precision is reached twice in a row.
fn rounds(
    replications: &mut [Replication],
    wanted: &[Target],
    pilot: Option<&Pilot>,
    setting: &Setting,
    context: &Context,
) -> End {
    let run = &setting.scenario.run;
    let part = first_round(wanted, pilot, setting);
    let parts_max = (run.length_max.ps() / part.ps().max(1)).max(1);
    let cycles_floor_s = cycles_floor_s(setting.scenario);
    let mut rule = StoppingRule::new(run.precision);
    let (mut parts, mut done, mut round) = (PARTS, 0u64, 0);
    loop {
        round += 1;
        (context.progress)(&format!("round {round}: measuring"));
        for _ in 0..u64::from(parts).min(parts_max - done) {
            // Nothing is gained by going on.
            if overload::extend(setting, replications, part, Sure::OfRate) {
                return End::Overloaded;
            }
            if setting.interrupted.load(Ordering::Relaxed) {
                return End::Short;
            }
            done += 1;
        }
        let widths: Vec<Option<f64>> =
            wanted.par_iter().map(|t| t.relative_half_width(replications, run.confidence)).collect();
        let seconds = done as f64 * part.secs() * replications.len() as f64;
        let decision = rule.after(&Round {
            half_widths: &widths,
            beyond_tightest: wanted.iter().map(|t| t.beyond(replications)).min().unwrap_or(u64::MAX),
            has_enough_cycles: seconds >= cycles_floor_s,
            is_last: done >= parts_max,
        });
        (context.progress)(&in_words(round, &widths, run.precision));
        if let Decision::Stop { met } = decision {
            return if met { End::Precise } else { End::Short };
        }
        if round % ROUNDS_BEFORE_DOUBLING == 0 {
            parts = parts.saturating_mul(2);
        }
    }
}

fn in_words(round: u32, widths: &[Option<f64>], precision: f64) -> String {
    let widest = widths.iter().map(|w| w.unwrap_or(f64::INFINITY)).fold(0.0, f64::max);
    if widest.is_finite() {
        format!("round {round}: ± {:.1} % at the widest, {:.1} % wanted", widest * 100.0, precision * 100.0)
    } else {
        format!("round {round}: too few requests beyond a percentile yet")
    }
}

/// A part of the first round: two rounds reach every floor.
fn first_round(wanted: &[Target], pilot: Option<&Pilot>, setting: &Setting) -> SimDuration {
    let run = &setting.scenario.run;
    let Some(pilot) = pilot else { return SimDuration::from_ps(run.length_max.ps() / 16) };
    let machines = |t: &Target| setting.scenario.classes[t.class].machines;
    let floor = wanted
        .iter()
        .map(|t| t.floor_s(&pilot.rates, machines(t)))
        .fold(cycles_floor_s(setting.scenario), f64::max);
    let floor = SimDuration::from_secs(floor / 2.0 / f64::from(run.replications));
    // A pilot that met overload tells how soon it shows.
    let round = pilot.overloaded_in.unwrap_or(floor.max(pilot.warm_up)).min(run.length_max);
    SimDuration::from_ps(round.ps() / u64::from(PARTS) + 1)
}
