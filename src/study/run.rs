//! `run`: percentiles, utilisation, blame and audit of a scenario at its stated load.
//!
//! A pilot finds the warm-up and the rates; replications run side by side, each in one thread, and are
//! folded in order of their number, so that the answer does not depend on how many threads there are.

use std::sync::atomic::{AtomicBool, Ordering};

use rayon::prelude::*;

use crate::engine::SimDuration;
use crate::measure::{Decision, Round, StoppingRule};
use crate::outcome::RunOutcome;
use crate::scenario::{Auto, Load, Scenario};

use super::pilot::{self, Pilot};
use super::replication::{Replication, drift, is_overloaded};
use super::setting::{Course, Setting, StudyError};
use super::summary;
use super::targets::{Target, cycles_floor_s, targets};

/// Slices of one round (and of a stated length): what the backlog is read after.
const SLICES: u32 = 16;
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
    Ok(summary::summarise(&setting, &replications, &course, context.detail))
}

fn replicate(setting: &Setting, context: &Context) -> (Vec<Replication>, Course) {
    let run = &setting.scenario.run;
    let mut notes = setting.trace_notes();
    let once = played_once(setting);
    let needs_pilot = once.is_none() && (run.warm_up == Auto::Auto || run.length == Auto::Auto);
    let pilot = needs_pilot.then(|| {
        (context.progress)("pilot: finding the warm-up");
        pilot::run(setting)
    });
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
            let mut replication = Replication::new(setting, "run", number);
            replication.warm_up(warm_up, setting.interrupted);
            replication
        })
        .collect();
    let wanted = targets(setting.scenario);
    let length = match (run.length, once) {
        (Auto::Given(length), _) => Some(length),
        (Auto::Auto, once) => once,
    };
    let met = match (length, &pilot) {
        (Some(length), _) => {
            extend_by(&mut replications, length, setting, context);
            None
        }
        (None, pilot) => Some(rounds(&mut replications, &wanted, pilot.as_ref(), setting, context)),
    };
    (context.progress)("waiting for the last requests of the window");
    replications.par_iter_mut().for_each(|r| r.close(setting.interrupted));
    let precision_met = met.unwrap_or(true)
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
    (!pilot.settled && !pilot.overloaded).then(words)
}

/// The time in which every trace that is played once has been played, if there is one.
fn played_once(setting: &Setting) -> Option<SimDuration> {
    let spans = setting.scenario.classes.iter().zip(&setting.traces).filter_map(|(class, trace)| {
        match (&class.load, trace) {
            (Load::Trace { speed, repeat: false, .. }, Some(trace)) => {
                Some(SimDuration::from_secs(trace.span().secs() / speed) + SimDuration::from_ps(1))
            }
            _ => None,
        }
    });
    spans.max()
}

/// Measures a stated length.
fn extend_by(replications: &mut [Replication], length: SimDuration, setting: &Setting, context: &Context) {
    let slice = SimDuration::from_ps(length.ps() / u64::from(SLICES));
    for number in 0..SLICES {
        (context.progress)(&format!("measuring: {} of {SLICES} parts of the stated length", number + 1));
        let is_last = number + 1 == SLICES;
        // The last slice takes what the division left.
        let rest = SimDuration::from_ps(length.ps() - slice.ps() * u64::from(SLICES - 1));
        let span = if is_last { rest } else { slice };
        replications.par_iter_mut().for_each(|r| r.extend(span, 1, setting.interrupted));
    }
}

/// `length = "auto"`: whole rounds until the precision is reached twice in a row. Whether it was.
fn rounds(
    replications: &mut [Replication],
    wanted: &[Target],
    pilot: Option<&Pilot>,
    setting: &Setting,
    context: &Context,
) -> bool {
    let run = &setting.scenario.run;
    let slice = first_slice(wanted, pilot, setting);
    let slices_max = (run.length_max.ps() / slice.ps().max(1)).max(1);
    let cycles_floor_s = cycles_floor_s(setting.scenario);
    let mut rule = StoppingRule::new(run.precision);
    let (mut slices, mut done, mut round) = (SLICES, 0u64, 0);
    loop {
        round += 1;
        let now = u64::from(slices).min(slices_max - done);
        replications.par_iter_mut().for_each(|r| r.extend(slice, now as u32, setting.interrupted));
        done += now;
        // Nothing is gained by another round.
        if setting.interrupted.load(Ordering::Relaxed) || is_overloaded(setting, replications) {
            return false;
        }
        let widths: Vec<Option<f64>> =
            wanted.par_iter().map(|t| t.relative_half_width(replications, run.confidence)).collect();
        let seconds = done as f64 * slice.secs() * replications.len() as f64;
        let decision = rule.after(&Round {
            half_widths: &widths,
            beyond_tightest: wanted.iter().map(|t| t.beyond(replications)).min().unwrap_or(u64::MAX),
            has_enough_cycles: seconds >= cycles_floor_s,
            is_last: done >= slices_max,
        });
        (context.progress)(&in_words(round, &widths, run.precision));
        if let Decision::Stop { met } = decision {
            return met;
        }
        if round % ROUNDS_BEFORE_DOUBLING == 0 {
            slices = slices.saturating_mul(2);
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

/// A sixteenth of the first round: two rounds reach every floor.
fn first_slice(wanted: &[Target], pilot: Option<&Pilot>, setting: &Setting) -> SimDuration {
    let run = &setting.scenario.run;
    let Some(pilot) = pilot else { return SimDuration::from_ps(run.length_max.ps() / 64) };
    let machines = |t: &Target| setting.scenario.classes[t.class].machines;
    let floor = wanted
        .iter()
        .map(|t| t.floor_s(&pilot.rates, machines(t)))
        .fold(cycles_floor_s(setting.scenario), f64::max);
    let round = floor / 2.0 / f64::from(run.replications);
    let round = SimDuration::from_secs(round).max(pilot.warm_up).min(run.length_max);
    SimDuration::from_ps(round.ps() / u64::from(SLICES) + 1)
}
