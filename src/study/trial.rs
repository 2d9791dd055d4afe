//! One load tried: replications that go on until a question about that load is answered at a stated error.
//!
//! A pilot finds the warm-up, as for a run. Then the trial looks a fixed number of times, each time after as long again
//! as all before; the error it is given is divided among the looks, so that looking often is not luck. A run with
//! dates cannot be extended: there every look adds as many replications as there were.
//!
//! All trials of a study draw from the same keys (common random numbers): what is tried at another load is the same
//! requests, sooner or later. A trial that is to be sure looks again on fresh keys before it decides, and counts both:
//! chance that led a search to a load is not taken for proof of it.

use std::sync::atomic::Ordering;

use rayon::prelude::*;

use crate::engine::{SimDuration, SimTime, Stop};
use crate::measure::{Drift, Interval, Margin, Standing};
use crate::outcome::{RunOutcome, State};
use crate::scenario::{Auto, Objective};

use crate::system::{Ceiling, DriveModel};

use super::judge::{Evidence, Overload, Ruling};
use super::lockstep::{played_once, warmed_up};
use super::overload;
use super::pilot::{self, Pilot};
use super::replication::Replication;
use super::setting::{Course, Setting};
use super::summary;
use super::targets::{Target, cycles_floor_s, is_measured, targets};

/// Looks at most; the window after the last is 2^(LOOKS − 1) times as long as after the first.
pub(super) const LOOKS: u32 = 4;
/// The first look after which a trial may be given up because it will not tell.
const FUTILE_FROM: u32 = 2;
/// Share of a trial's error that each look may spend: most of it is kept for the last (group-sequential tests: O'Brien &
/// Fleming 1979 do so, too).
pub(super) const SPENDING: [f64; LOOKS as usize] = [0.05, 0.1, 0.25, 0.6];
/// The look from which a sure trial decides: the first one on fresh keys.
const SURE_FROM: u32 = 2;
/// Requests beyond the tightest percentile that a first look at objectives sees at least, as a part of what a run does.
const OF_A_RUN: f64 = 0.3;
/// Requests that a first look at a mean or at a backlog sees at least, over all replications.
const FEWEST_REQUESTS: f64 = 80_000.0;
/// Times an erase that a first look at a backlog lasts at least, in each replication.
const ERASES: u64 = 1;
/// Part of the interval of the last look that the work offered must be away from the time, for a trial to go on.
const WORTH_IT: f64 = 0.5;
/// A look that shrinks the interval by the square root of two saw chance alone; placements stay as they are.
const BY_CHANCE: f64 = std::f64::consts::FRAC_1_SQRT_2;
/// Part of the cycles of bursts, which a run goes through at least, that a first look at a backlog sees.
const CYCLES_AT_FIRST: f64 = 0.25;
/// Part of the first window that a trial of a backlog warms up for: what it looks at settles at once.
const WARM_UP: f64 = 0.25;
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

/// Who knows how long a load starts up, and how fast its requests come.
pub(super) trait Pilots {
    /// The pilot of a setting, or of one like it.
    fn pilot(&mut self, setting: &Setting) -> Pilot;
}

/// A trial under way.
pub(super) struct Trial<'s> {
    setting: &'s Setting<'s>,
    question: Question,
    warm_up: SimDuration,
    /// Window of the first look.
    first: SimDuration,
    replications: Vec<Replication>,
    /// Number of the first one.
    key: u32,
    looks: u32,
    is_sure: bool,
    /// It was stopped before it was done.
    is_cut: bool,
    overloaded: bool,
    /// At the end of the last look.
    evidence: Option<Evidence>,
    /// Half the width of the interval of the work offered, after the last look and the one before.
    halves: (f64, f64),
    /// Events that it may take, and that its pilot took.
    events: (u64, u64),
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
    /// What limits throughput, and the work that the load brings the fullest resource ÷ its time.
    pub fullest: Option<(String, Interval)>,
    /// Utilisation of every resource at its most loaded instance.
    pub utilisations: Vec<(String, f64)>,
    /// How far the fullest resource is from full.
    pub balance: Option<Margin>,
    /// What static arithmetic says of the mix that was offered, or measured where classes are closed.
    pub ceilings: Vec<Ceiling>,
    pub overloaded: bool,
}

impl Tried {
    /// Utilisation of a resource at its most loaded instance.
    pub fn utilisation(&self, resource: &str) -> f64 {
        self.utilisations.iter().find(|(name, _)| name == resource).map_or(0.0, |(_, used)| *used)
    }
}

impl<'s> Trial<'s> {
    /// Warms up as a pilot says.
    pub fn begin(setting: &'s Setting<'s>, question: Question, pilots: &mut dyn Pilots) -> Self {
        let run = &setting.scenario.run;
        if let Some(length) = fixed_window(setting) {
            let warm_up = match (run.warm_up, &setting.periods) {
                (Auto::Given(span), _) => span,
                (Auto::Auto, Some(_)) => pilots.pilot(setting).warm_up,
                (Auto::Auto, None) => SimDuration::ZERO,
            };
            return Self::beside(setting, question, (length, warm_up));
        }
        if question == Question::Carried {
            let requests = pilot::first_length(setting);
            // Work is set to the requests stated, bursts or none; what piles up is for the later looks.
            let cycles = cycles_floor_s(setting.scenario) / f64::from(run.replications);
            let cycles = SimDuration::from_secs(CYCLES_AT_FIRST * cycles);
            let first = SimDuration::from_ps(requests.ps() / 2 + 1).max(cycles).max(erases(setting));
            return Self::beside(setting, question, (first, SimDuration::from_secs(first.secs() * WARM_UP)));
        }
        let pilot = pilots.pilot(setting);
        let warm_up = match run.warm_up {
            Auto::Given(span) => span,
            Auto::Auto => pilot.warm_up,
        };
        let first = first_window(setting, question, &targets(setting), &pilot.rates);
        let mut trial = Self::beside(setting, question, (first, warm_up));
        trial.events.1 = pilot.events;
        trial
    }

    /// Without a pilot: window of the first look and warm-up are those of a trial beside it.
    pub fn beside(setting: &'s Setting<'s>, question: Question, window: (SimDuration, SimDuration)) -> Self {
        let (first, warm_up) = window;
        Trial {
            setting,
            question,
            warm_up,
            first,
            replications: Vec::new(),
            key: 0,
            looks: 0,
            is_sure: false,
            is_cut: false,
            overloaded: false,
            evidence: None,
            halves: (f64::INFINITY, f64::INFINITY),
            events: (u64::MAX, 0),
        }
    }

    /// Window of the first look, and the warm-up.
    pub fn window(&self) -> (SimDuration, SimDuration) {
        (self.first, self.warm_up)
    }

    /// Looks so far.
    pub fn looks(&self) -> u32 {
        self.looks
    }

    /// Whether it was stopped before it was done.
    pub fn is_cut(&self) -> bool {
        self.is_cut
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
        let from = self.key + self.replications.len() as u32;
        self.replications.extend(warmed_up(self.setting, from..from + count, self.warm_up));
    }

    /// Another look; false if there is nothing more to see.
    pub fn look(&mut self) -> bool {
        self.is_cut = self.is_interrupted();
        if self.overloaded || self.looks == LOOKS || self.is_cut {
            return false;
        }
        self.see_more();
        self.is_cut = self.is_interrupted();
        if self.is_cut {
            return false;
        }
        self.looks += 1;
        let evidence = Evidence::of(self.setting, &self.replications);
        let offered = evidence.fullest().and_then(|f| f.interval(self.setting.scenario.run.confidence));
        self.halves = (self.halves.1, offered.map_or(f64::INFINITY, |i| i.high - i.value));
        let confidence = self.setting.scenario.run.confidence;
        let is_filled = self.replications.iter().any(|r| r.stop == Stop::Backlog)
            && matches!(evidence.ruling(confidence), Ruling::Overloaded(Overload::BacklogFull { .. }));
        self.evidence = Some(evidence);
        self.overloaded =
            is_filled || (self.question != Question::Carried && !self.is_fixed() && self.runs_away());
        true
    }

    /// As much again as was seen so far.
    fn see_more(&mut self) {
        let interrupted = self.setting.interrupted;
        if self.replications.is_empty() && !self.is_fixed() {
            self.add(self.setting.scenario.run.replications);
        }
        let before = self.replications.len();
        let is_afresh = self.is_sure && self.looks + 1 == SURE_FROM;
        if self.is_fixed() || is_afresh {
            self.add((before as u32).max(self.setting.scenario.run.replications));
            let first = self.first;
            self.replications[before..].par_iter_mut().for_each(|r| r.extend(first, interrupted));
            return;
        }
        let seen = self.looks.saturating_sub(u32::from(self.is_sure));
        let factor = 1u64 << seen.saturating_sub(1);
        let span = SimDuration::from_ps(self.first.ps().saturating_mul(factor));
        self.replications.par_iter_mut().for_each(|r| r.extend(span, interrupted));
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
        if self.is_sure && self.looks < SURE_FROM {
            return Standing::Unclear;
        }
        let confidence = 1.0 - 2.0 * error * self.spending();
        match self.question {
            Question::Mean => Standing::Unclear,
            Question::Carried => self.judged(|evidence| evidence.standing_of_load(confidence)),
            // What is not sustained meets no objective for long.
            Question::Objectives => match (
                self.objectives_hold(confidence),
                self.judged(|evidence| evidence.standing(confidence)),
            ) {
                (Standing::Fails, _) | (_, Standing::Fails) => Standing::Fails,
                (Standing::Holds, Standing::Holds) => Standing::Holds,
                _ => Standing::Unclear,
            },
        }
    }

    /// Share of the error that this look may spend: all that is left, where it is the last.
    fn spending(&self) -> f64 {
        let look = (self.looks.clamp(1, LOOKS) - 1) as usize;
        match self.is_spent() {
            true => 1.0 - SPENDING[..look].iter().sum::<f64>(),
            false => SPENDING[look],
        }
    }

    /// As the judge has it.
    fn judged(&self, ask: impl FnOnce(&Evidence) -> Standing) -> Standing {
        self.evidence.as_ref().map_or(Standing::Unclear, ask)
    }

    /// Each objective is tested by itself. All hold if each does, at the same error (an intersection-union test: Berger
    /// 1982); one fails if any does, at an error divided among them.
    fn objectives_hold(&self, confidence: f64) -> Standing {
        let scenario = self.setting.scenario;
        let judged: Vec<_> = scenario.objectives.iter().filter(|o| is_measured(o, self.setting)).collect();
        let stricter = 1.0 - (1.0 - confidence) / judged.len().max(1) as f64;
        let mut standing = Standing::Holds;
        for objective in judged {
            match (self.against(objective, confidence), self.against(objective, stricter)) {
                (_, Some(strict)) if strict.low >= 0.0 => return Standing::Fails,
                (Some(found), _) if found.high < 0.0 => {}
                _ => standing = Standing::Unclear,
            }
        }
        standing
    }

    /// The logarithm of an objective's figure ÷ its bound.
    fn against(&self, objective: &Objective, confidence: f64) -> Option<Interval> {
        let target = Target::of(objective, self.setting);
        target.against(objective.below.ps() as f64, &self.replications, confidence).ok()
    }

    /// The objective with the greatest figure relative to its bound.
    fn nearest(&self) -> Option<(usize, Margin)> {
        let scenario = self.setting.scenario;
        let judged = scenario.objectives.iter().enumerate().filter(|(_, o)| is_measured(o, self.setting));
        let margin = |(place, objective): (usize, &Objective)| {
            let found = self.against(objective, scenario.run.confidence)?;
            // Not while a period has no figure: the margin may be any.
            let found = Some(found).filter(|found| found.high.is_finite())?;
            Some((place, Margin { value: found.value, half: found.high - found.value }))
        };
        judged.filter_map(margin).max_by(|a, b| a.1.value.total_cmp(&b.1.value))
    }

    /// Whether the last look will hardly tell what the looks so far have not: no figure would be half of that look's
    /// interval away from its bound, were it to stay where it is.
    pub fn is_futile(&self, error: f64) -> bool {
        if self.looks < FUTILE_FROM || self.is_fixed() {
            return false;
        }
        if self.question != Question::Objectives {
            return self.question == Question::Carried && self.balance_stays_unclear(error);
        }
        let confidence = 1.0 - 2.0 * error * SPENDING[LOOKS as usize - 1];
        let shrinks = 0.5f64.powi((LOOKS - self.looks) as i32).sqrt();
        let objectives = &self.setting.scenario.objectives;
        let apart = |objective: &Objective| {
            let found = self.against(objective, confidence)?;
            let reach = 0.5 * shrinks * (found.high - found.value);
            Some((found.value + reach < 0.0, found.value - reach >= 0.0))
        };
        let judged = objectives.iter().filter(|o| is_measured(o, self.setting));
        let apart: Option<Vec<(bool, bool)>> = judged.map(apart).collect();
        apart.is_some_and(|apart| !apart.iter().all(|a| a.0) && !apart.iter().any(|a| a.1))
    }

    /// Whether the work offered will not be told from the time by the last look either: the interval shrinks no faster than
    /// it did, which is not at all where placements of data differ.
    fn balance_stays_unclear(&self, error: f64) -> bool {
        let confidence = 1.0 - 2.0 * error * SPENDING[LOOKS as usize - 1];
        let offered = self.evidence.as_ref().and_then(|evidence| evidence.offered(confidence));
        let shrinks = (self.halves.1 / self.halves.0).clamp(BY_CHANCE, 1.0).powi((LOOKS - self.looks) as i32);
        offered.is_some_and(|i| (i.value - 1.0).abs() < WORTH_IT * shrinks * (i.high - i.value))
    }

    /// Decides only when it has looked on fresh keys as well.
    pub fn surely(mut self) -> Self {
        self.is_sure = true;
        if self.question == Question::Objectives && !self.is_fixed() {
            self.first = SimDuration::from_ps(self.first.ps().saturating_mul(2));
        }
        self
    }

    /// On requests of its own: from the replication of this number on.
    pub fn drawing_from(mut self, key: u32) -> Self {
        self.key = key;
        self
    }

    /// Whether the margin of the objective nearest to its bound is known this closely, on fresh keys as well.
    pub fn is_within(&self, half: f64) -> bool {
        self.looks >= SURE_FROM && self.nearest().is_some_and(|(_, margin)| margin.half <= half)
    }

    /// Takes no more than so many events, but for its first look.
    pub fn within(mut self, events: u64) -> Self {
        self.events.0 = events;
        self
    }

    /// Events so far, its pilot's among them.
    pub fn events(&self) -> u64 {
        self.events.1 + self.replications.iter().map(|r| r.kernel.events()).sum::<u64>()
    }

    /// Whether another look, which takes as much as all before, is more than it may take. What is to be sure looks twice.
    pub fn is_spent(&self) -> bool {
        let is_begun = !self.is_sure || self.looks >= SURE_FROM;
        is_begun && self.events().saturating_mul(2) > self.events.0
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
        let run = &self.setting.scenario.run;
        let evidence = self.evidence.take();
        let utilisations = evidence.as_ref().map_or_else(Vec::new, Evidence::utilisations);
        let balance = evidence.as_ref().and_then(|evidence| evidence.fullest());
        let filled = balance.and_then(|balance| balance.interval(run.confidence));
        let named = evidence.as_ref().and_then(|evidence| evidence.bottleneck());
        let balance = balance.filter(|_| !self.is_fixed()).and_then(|balance| balance.margin(run.confidence));
        let course = Course {
            warm_up: self.warm_up,
            precision_met: targets(self.setting).iter().all(|t| t.is_precise(&self.replications, run)),
            interrupted: self.is_cut.then(|| "interrupted".into()),
            notes: Vec::new(),
        };
        let outcome = summary::summarise(self.setting, &self.replications, &course, false);
        let overloaded = is_given_up || outcome.verdict.state == State::Saturated;
        let margin = if overloaded { None } else { self.nearest() };
        let ceilings = summary::static_ceilings(self.setting, &self.replications);
        Tried {
            samples: self.samples(),
            outcome,
            margin,
            fullest: named.zip(filled),
            utilisations,
            balance,
            ceilings,
            overloaded,
        }
    }

    /// What each replication has seen so far.
    pub fn samples(&self) -> Vec<Sample> {
        let of = |r: &Replication| {
            let recorder = &r.kernel.model.recorder;
            let opened = r.opened.as_ref().map_or(SimTime::ZERO, |opened| opened.at);
            let end = r.closed.as_ref().map_or(r.kernel.now(), |closed| closed.at);
            let seconds = end.since(opened).secs().max(f64::MIN_POSITIVE);
            Sample {
                requests: recorder.latencies.iter().map(|l| l.count() as f64).sum(),
                latency_s: recorder.latencies.iter().map(|l| l.sum_ps() as f64 / 1e12).sum(),
                carried: recorder.finished.iter().sum::<u64>() as f64 / seconds,
            }
        };
        self.replications.iter().map(of).collect()
    }
}

/// Simulated time in which a drive's erases are no longer what a window happens to hold.
fn erases(setting: &Setting) -> SimDuration {
    let of = |drive: &DriveModel| SimDuration::from_ps(drive.erase.ps().saturating_mul(ERASES));
    setting.plan.drive().map_or(SimDuration::ZERO, of)
}

/// The window of a run that cannot be extended: one with dates, or a trace that is played once.
fn fixed_window(setting: &Setting) -> Option<SimDuration> {
    setting.periods.as_ref().map(|periods| periods.length).or_else(|| played_once(setting))
}

/// The window in which a replication of a first look sees its share of what the question needs.
fn first_window(setting: &Setting, question: Question, targets: &[Target], rates: &[f64]) -> SimDuration {
    let run = &setting.scenario.run;
    let machines = |t: &Target| setting.scenario.classes[t.class].machines;
    let all: f64 = rates.iter().sum();
    let fewest = FEWEST_REQUESTS / all.max(f64::MIN_POSITIVE);
    let floor = match question {
        Question::Objectives => {
            let floor = |t: &Target| OF_A_RUN * t.floor_s(rates, machines(t));
            targets.iter().map(floor).fold(fewest, f64::max)
        }
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
