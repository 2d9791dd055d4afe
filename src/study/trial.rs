//! One load tried: replications that go on until a question about that load is answered at a stated error.
//!
//! A pilot finds the warm-up, as for a run. Then the trial looks a fixed number of times, each time after as long again
//! as all before; the error it is given is divided evenly among the looks, so that looking often is not luck. A run
//! with dates cannot be extended: there every look adds as many replications as there were.
//!
//! All trials of a study draw from the same keys (common random numbers): what is tried at another load is the same
//! requests, sooner or later.

use std::sync::atomic::Ordering;

use rayon::prelude::*;

use crate::engine::{SimDuration, Stop};
use crate::measure::{Drift, Interval, Margin, Standing};
use crate::outcome::{ObjectiveRow, RunOutcome, State};
use crate::scenario::Auto;

use crate::system::Ceiling;

use super::overload;
use super::pilot;
use super::replication::Replication;
use super::run::played_once;
use super::setting::{Course, Setting};
use super::summary;
use super::targets::{Target, cycles_floor_s, is_measured, targets};

/// Looks at most; the window after the last is 2^(LOOKS − 1) times as long as after the first.
pub(super) const LOOKS: u32 = 4;
/// Requests that a first look at a mean or at a backlog sees at least, over all replications.
const FEWEST_REQUESTS: f64 = 80_000.0;
/// Growth of the backlog as a share of what is offered that is no carried load; below it none is seen.
pub(super) const GROWTH: f64 = crate::measure::drift::GROWTH_THAT_COUNTS;
/// Confidence at which a trial that asks about latencies is given up as overloaded.
const CLEARLY_OVERLOADED: f64 = 0.999;

/// What is asked of a load.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(super) enum Question {
    /// Do all objectives hold?
    Objectives,
    /// Is it carried?
    Carried,
    /// How long do requests take on average? (Nothing is to be decided.)
    Mean,
}

/// A trial under way.
pub(super) struct Trial<'s> {
    setting: &'s Setting<'s>,
    question: Question,
    warm_up: SimDuration,
    /// Window of the first look.
    first: SimDuration,
    replications: Vec<Replication>,
    looks: u32,
    overloaded: bool,
}

/// What a replication of a trial saw.
#[derive(Clone, Copy, Debug, Default)]
pub(super) struct Sample {
    /// Requests measured, and their latencies in all, seconds.
    pub requests: f64,
    pub latency_s: f64,
    /// Requests finished a second.
    pub carried: f64,
}

/// A load that was tried.
#[derive(Clone, Debug)]
pub(super) struct Tried {
    pub outcome: RunOutcome,
    /// By replication.
    pub samples: Vec<Sample>,
    /// The objective nearest to its bound, or farthest beyond: its place, and the logarithm of figure ÷ bound.
    pub margin: Option<(usize, Margin)>,
    /// Growth of the backlog as a share of what is offered, at the run's confidence.
    pub growth: Option<Interval>,
    /// What static arithmetic says of the mix that was offered, or measured where classes are closed.
    pub ceilings: Vec<Ceiling>,
    pub overloaded: bool,
}

impl<'s> Trial<'s> {
    /// Runs the pilot and the warm-up.
    pub fn begin(setting: &'s Setting<'s>, question: Question) -> Self {
        let run = &setting.scenario.run;
        if let Some(length) = fixed_window(setting) {
            let warm_up = match (run.warm_up, &setting.periods) {
                (Auto::Given(span), _) => span,
                (Auto::Auto, Some(_)) => pilot::run(setting, &|_| {}).warm_up,
                (Auto::Auto, None) => SimDuration::ZERO,
            };
            return Self::beside(setting, question, (length, warm_up));
        }
        let pilot = pilot::run(setting, &|_| {});
        let warm_up = match run.warm_up {
            Auto::Given(span) => span,
            Auto::Auto => pilot.warm_up,
        };
        let first = first_window(setting, question, &targets(setting), &pilot.rates);
        Self::beside(setting, question, (first, warm_up))
    }

    /// Without a pilot: window of the first look and warm-up are those of a trial beside it.
    pub fn beside(setting: &'s Setting<'s>, question: Question, window: (SimDuration, SimDuration)) -> Self {
        let (first, warm_up) = window;
        let replications = Vec::new();
        let mut trial =
            Trial { setting, question, warm_up, first, replications, looks: 0, overloaded: false };
        if !trial.is_fixed() {
            trial.add(setting.scenario.run.replications);
        }
        trial
    }

    /// Window of the first look, and the warm-up.
    pub fn window(&self) -> (SimDuration, SimDuration) {
        (self.first, self.warm_up)
    }

    /// Looks so far.
    pub fn looks(&self) -> u32 {
        self.looks
    }

    /// Whether what is asked can be estimated yet.
    pub fn has_figures(&self) -> bool {
        let confidence = self.setting.scenario.run.confidence;
        let exists = |t: &Target| t.estimate(&self.replications, confidence).is_ok();
        self.question != Question::Objectives || targets(self.setting).iter().all(exists)
    }

    /// Whether the backlog ran away.
    pub fn is_overloaded(&self) -> bool {
        self.overloaded
    }

    fn is_fixed(&self) -> bool {
        fixed_window(self.setting).is_some()
    }

    /// Adds replications that have warmed up.
    fn add(&mut self, count: u32) {
        let (setting, warm_up, from) = (self.setting, self.warm_up, self.replications.len() as u32);
        let added: Vec<Replication> = (from..from + count)
            .into_par_iter()
            .map(|number| {
                let mut replication = Replication::of_run(setting, number, warm_up);
                replication.warm_up(warm_up, setting.interrupted);
                replication
            })
            .collect();
        self.replications.extend(added);
    }

    /// Another look; false if there is nothing more to see.
    pub fn look(&mut self) -> bool {
        if self.overloaded || self.looks == LOOKS || self.is_interrupted() {
            return false;
        }
        let interrupted = self.setting.interrupted;
        if self.is_fixed() {
            let before = self.replications.len();
            self.add((before as u32).max(self.setting.scenario.run.replications));
            let first = self.first;
            self.replications[before..].par_iter_mut().for_each(|r| r.extend(first, interrupted));
        } else {
            let factor = 1u64 << self.looks.saturating_sub(1);
            let span = SimDuration::from_ps(self.first.ps().saturating_mul(factor));
            self.replications.par_iter_mut().for_each(|r| r.extend(span, interrupted));
        }
        self.looks += 1;
        self.overloaded = self.replications.iter().any(|r| r.stop == Stop::Backlog)
            || (self.question != Question::Carried && !self.is_fixed() && self.runs_away());
        true
    }

    fn is_interrupted(&self) -> bool {
        self.setting.interrupted.load(Ordering::Relaxed)
    }

    fn runs_away(&self) -> bool {
        let drift = Drift::estimate(&overload::watches(&self.replications), CLEARLY_OVERLOADED);
        drift.is_some_and(|drift| drift.is_runaway())
    }

    /// What the looks so far say; `error` is that of the whole trial.
    pub fn standing(&self, error: f64) -> Standing {
        if self.overloaded {
            return Standing::Fails;
        }
        let confidence = 1.0 - 2.0 * error / f64::from(LOOKS);
        match self.question {
            Question::Mean => Standing::Unclear,
            Question::Carried => self.is_carried(confidence),
            Question::Objectives => self.objectives_hold(confidence),
        }
    }

    fn is_carried(&self, confidence: f64) -> Standing {
        let logs: Vec<_> = self.replications.iter().filter_map(Replication::watch_log).collect();
        let drifts = [
            Drift::estimate(&overload::watches(&self.replications), confidence),
            Drift::estimate(&logs, confidence),
        ];
        let mut drifts = drifts.iter().flatten().peekable();
        if drifts.peek().is_none() {
            return Standing::Unclear;
        }
        drifts.fold(Standing::Holds, |so_far, drift| match so_far {
            Standing::Fails => so_far,
            _ if drift.is_growing() => Standing::Fails,
            _ if drift.is_steady() => so_far,
            _ => Standing::Unclear,
        })
    }

    /// Each objective is tested by itself. All hold if each does, at the same error (an intersection-union test: Berger
    /// 1982); one fails if any does, at an error divided among them.
    fn objectives_hold(&self, confidence: f64) -> Standing {
        let scenario = self.setting.scenario;
        let judged: Vec<_> = scenario.objectives.iter().filter(|o| is_measured(o, self.setting)).collect();
        let stricter = 1.0 - (1.0 - confidence) / judged.len().max(1) as f64;
        let mut standing = Standing::Holds;
        for objective in judged {
            let target = Target::of(objective, self.setting);
            let bound = objective.below.ps() as f64;
            let at = |confidence| target.estimate(&self.replications, confidence);
            match (at(confidence), at(stricter)) {
                (_, Ok(strict)) if strict.low >= bound => return Standing::Fails,
                (Ok(found), _) if found.high < bound => {}
                _ => standing = Standing::Unclear,
            }
        }
        standing
    }

    /// Waits for the last requests, unless the load was found not to be carried, and tells all.
    pub fn finish(mut self, standing: Standing) -> Tried {
        let interrupted = self.setting.interrupted;
        let is_given_up =
            self.overloaded || (self.question == Question::Carried && standing == Standing::Fails);
        self.replications.par_iter_mut().for_each(|r| match is_given_up {
            true => r.close(),
            false => r.drain(interrupted),
        });
        let drift = overload::drift(self.setting, &self.replications);
        let growth = drift.as_ref().map(|drift| {
            let share = |rate: f64| rate / drift.offered_per_s.max(f64::MIN_POSITIVE);
            Interval {
                value: share(drift.growth.value),
                low: share(drift.growth.low),
                high: share(drift.growth.high),
            }
        });
        let course = Course {
            warm_up: self.warm_up,
            precision_met: self.is_precise(),
            interrupted: self.is_interrupted(),
            drift,
            notes: Vec::new(),
        };
        let outcome = summary::summarise(self.setting, &self.replications, &course, false);
        let overloaded = is_given_up || outcome.verdict.state == State::Saturated;
        let margin = if overloaded { None } else { nearest(&outcome) };
        let ceilings = summary::static_ceilings(self.setting, &self.replications);
        Tried { samples: self.samples(), outcome, margin, growth, ceilings, overloaded }
    }

    fn is_precise(&self) -> bool {
        let run = &self.setting.scenario.run;
        let width = |t: &Target| t.relative_half_width(&self.replications, run.confidence);
        targets(self.setting).iter().all(|t| width(t).is_some_and(|width| width <= run.precision))
    }

    fn samples(&self) -> Vec<Sample> {
        let of = |r: &Replication| {
            let recorder = &r.kernel.model.recorder;
            let seconds = r.window_s().max(f64::MIN_POSITIVE);
            Sample {
                requests: recorder.latencies.iter().map(|l| l.count() as f64).sum(),
                latency_s: recorder.latencies.iter().map(|l| l.sum_ps() as f64 / 1e12).sum(),
                carried: recorder.finished.iter().sum::<u64>() as f64 / seconds,
            }
        };
        self.replications.iter().map(of).collect()
    }
}

/// The window of a run that cannot be extended: one with dates, or a trace that is played once.
fn fixed_window(setting: &Setting) -> Option<SimDuration> {
    setting.periods.as_ref().map(|periods| periods.length).or_else(|| played_once(setting))
}

/// The objective with the greatest figure relative to its bound.
fn nearest(outcome: &RunOutcome) -> Option<(usize, Margin)> {
    let margin = |(place, row): (usize, &ObjectiveRow)| {
        let value = row.value_us.value?;
        let half = row.value_us.relative_half_width()?;
        Some((place, Margin { value: (value / row.below_us).ln(), half }))
    };
    let all = outcome.objectives.iter().enumerate().filter_map(margin);
    all.max_by(|a, b| a.1.value.total_cmp(&b.1.value))
}

/// The window in which a replication of a first look sees its share of what the question needs.
fn first_window(setting: &Setting, question: Question, targets: &[Target], rates: &[f64]) -> SimDuration {
    let run = &setting.scenario.run;
    let machines = |t: &Target| setting.scenario.classes[t.class].machines;
    let all: f64 = rates.iter().sum();
    let fewest = FEWEST_REQUESTS / all.max(f64::MIN_POSITIVE);
    let floor = match question {
        Question::Objectives => targets.iter().map(|t| t.floor_s(rates, machines(t))).fold(0.0, f64::max),
        Question::Carried | Question::Mean => fewest,
    };
    let seconds = floor.max(cycles_floor_s(setting.scenario)) / f64::from(run.replications);
    let longest = match run.length {
        Auto::Given(length) => length,
        Auto::Auto => run.length_max,
    };
    // What is stated is for the last look.
    SimDuration::from_secs(seconds).min(SimDuration::from_ps(longest.ps() >> (LOOKS - 1)))
}
