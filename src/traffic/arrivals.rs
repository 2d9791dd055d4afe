//! When requests come: Poisson, batches, regular and hyperexponential gaps, closed tokens.
//!
//! A process owns some sources, numbered from 0. Each arrival yields who asks and when the source
//! asks next. Poisson streams of many machines are one source, since their superposition is Poisson
//! (and the machine then uniform); the rest keep one source a machine, whose draws descend from that
//! machine's key alone.

use rand_distr::{Distribution, Exp1};

use super::phases::Factors;
use crate::engine::{Draws, Key, Law, Purpose, SimDuration, SimTime};

/// Gaps between arrivals.
pub(super) const GAP: Purpose = Purpose::named("gap");
const MACHINE: Purpose = Purpose::named("machine");
const BATCH: Purpose = Purpose::named("batch");
const PHASE: Purpose = Purpose::named("phase");
const THINK: Purpose = Purpose::named("think");

/// Who asks: the request's key and its machine.
#[derive(Clone, Copy, Debug, PartialEq)]
pub(super) struct Asker {
    pub(super) key: Key,
    pub(super) machine: u32,
}

/// `span` after `from`; `None` past the end of time.
#[inline]
pub(super) fn after(from: SimTime, span: SimDuration) -> Option<SimTime> {
    let at = from + span;
    (at < SimTime::NEVER).then_some(at)
}

/// A unit exponential.
#[inline]
pub(super) fn unit_exponential(draws: &mut Draws) -> f64 {
    Exp1.sample(draws)
}

#[inline]
fn exponential(draws: &mut Draws, mean_ps: f64) -> SimDuration {
    SimDuration::from_ps_f64(unit_exponential(draws) * mean_ps)
}

#[inline]
fn drawn_machine(key: Key, machines: u32) -> u32 {
    if machines == 1 { 0 } else { key.draws(MACHINE).below(u64::from(machines)) as u32 }
}

/// When a class that is one source asks next: after the gap, or as long after it as its phases make of it.
#[inline]
fn next_of_class(phases: &mut Option<Factors>, now: SimTime, gap: SimDuration) -> Option<SimTime> {
    match phases {
        None => after(now, gap),
        Some(factors) => factors.spend_of_class(now, gap),
    }
}

/// The same of one machine.
#[inline]
fn next_of_machine(
    phases: &Option<Factors>,
    machine: u32,
    now: SimTime,
    gap: SimDuration,
) -> Option<SimTime> {
    match phases {
        None => after(now, gap),
        Some(factors) => factors.spend(machine, now, gap),
    }
}

/// The machine in whose name the class asks now.
#[inline]
fn machine_now(phases: &mut Option<Factors>, key: Key, machines: u32, now: SimTime) -> u32 {
    let weighted = phases.as_mut().and_then(|factors| factors.machine(now, || key.draws(MACHINE).unit()));
    weighted.unwrap_or_else(|| drawn_machine(key, machines))
}

/// All machines of a class as one Poisson stream.
#[derive(Clone, Debug)]
pub(super) struct Poisson {
    class: Key,
    machines: u32,
    gap_ps: f64,
    /// Number and key of the request that comes next.
    number: u64,
    key: Key,
    pub(super) phases: Option<Factors>,
}

impl Poisson {
    /// `gap_ps` is the mean gap of the whole class.
    pub(super) fn new(class: Key, machines: u32, gap_ps: f64) -> Self {
        Poisson { class, machines, gap_ps, number: 0, key: class.numbered(0), phases: None }
    }

    pub(super) fn first(&mut self) -> Option<SimTime> {
        let gap = exponential(&mut self.key.draws(GAP), self.gap_ps);
        next_of_class(&mut self.phases, SimTime::ZERO, gap)
    }

    #[inline]
    pub(super) fn arrive(&mut self, now: SimTime) -> (Asker, Option<SimTime>) {
        let key = self.key;
        self.number += 1;
        self.key = self.class.numbered(self.number);
        let gap = exponential(&mut self.key.draws(GAP), self.gap_ps);
        let machine = machine_now(&mut self.phases, key, self.machines, now);
        (Asker { key, machine }, next_of_class(&mut self.phases, now, gap))
    }
}

/// Poisson batches: each comes from one machine and brings a geometric number of requests at once.
#[derive(Clone, Debug)]
pub(super) struct Batches {
    class: Key,
    machines: u32,
    /// Mean gap between batches of the class.
    gap_ps: f64,
    /// ln(1 − 1/mean size): −∞ if every batch holds one.
    log_continue: f64,
    batch: u64,
    left: u64,
    machine: u32,
    number: u64,
    pub(super) phases: Option<Factors>,
}

impl Batches {
    /// `gap_ps` is the mean gap between *requests* of the whole class.
    pub(super) fn new(class: Key, machines: u32, gap_ps: f64, mean: f64) -> Self {
        let mean = mean.max(1.0);
        let log_continue = (-1.0 / mean).ln_1p();
        Batches {
            class,
            machines,
            gap_ps: gap_ps * mean,
            log_continue,
            batch: 0,
            left: 0,
            machine: 0,
            number: 0,
            phases: None,
        }
    }

    fn key(&self) -> Key {
        self.class.named("batch").numbered(self.batch)
    }

    fn gap(&self) -> SimDuration {
        exponential(&mut self.key().draws(GAP), self.gap_ps)
    }

    pub(super) fn first(&mut self) -> Option<SimTime> {
        let gap = self.gap();
        next_of_class(&mut self.phases, SimTime::ZERO, gap)
    }

    pub(super) fn arrive(&mut self, now: SimTime) -> (Asker, Option<SimTime>) {
        if self.left == 0 {
            let key = self.key();
            // Inversion of the geometric law on 1, 2, …: 1 + ⌊ln u / ln(1 − 1/mean)⌋, u in (0, 1].
            let u = 1.0 - key.draws(BATCH).unit();
            self.left = 1 + (u.ln() / self.log_continue) as u64;
            self.machine = machine_now(&mut self.phases, key, self.machines, now);
        }
        let asker = Asker { key: self.class.numbered(self.number), machine: self.machine };
        self.number += 1;
        self.left -= 1;
        if self.left > 0 {
            return (asker, Some(now));
        }
        self.batch += 1;
        let gap = self.gap();
        (asker, next_of_class(&mut self.phases, now, gap))
    }
}

/// Evenly spaced arrivals, each machine at a phase of its own.
#[derive(Clone, Debug)]
pub(super) struct Regular {
    machines: Key,
    gap_ps: f64,
    counts: Vec<u64>,
    pub(super) phases: Option<Factors>,
}

impl Regular {
    pub(super) fn new(machines: Key, count: u32, gap_ps: f64) -> Self {
        Regular { machines, gap_ps, counts: vec![0; count as usize], phases: None }
    }

    fn at(&self, machine: u32, number: u64) -> Option<SimTime> {
        let phase = self.machines.numbered(u64::from(machine)).draws(PHASE).unit();
        // From the number, not by adding gaps: rounding does not pile up.
        let since_start = SimDuration::from_ps_f64((phase + number as f64) * self.gap_ps);
        next_of_machine(&self.phases, machine, SimTime::ZERO, since_start)
    }

    pub(super) fn first(&self, machine: u32) -> Option<SimTime> {
        self.at(machine, 0)
    }

    pub(super) fn arrive(&mut self, machine: u32) -> (Asker, Option<SimTime>) {
        let number = self.counts[machine as usize];
        self.counts[machine as usize] += 1;
        let key = self.machines.numbered(u64::from(machine)).numbered(number);
        (Asker { key, machine }, self.at(machine, number + 1))
    }
}

/// Renewals with hyperexponential gaps of balanced means (Whitt 1982), from a stationary start.
#[derive(Clone, Debug)]
pub(super) struct Hyperexponential {
    machines: Key,
    /// Probability of the first branch, and the mean gap of each.
    first_share: f64,
    means_ps: [f64; 2],
    counts: Vec<u64>,
    pub(super) phases: Option<Factors>,
}

impl Hyperexponential {
    pub(super) fn new(machines: Key, count: u32, gap_ps: f64, cv: f64) -> Self {
        let scv = (cv * cv).max(1.0);
        let p = (1.0 + ((scv - 1.0) / (scv + 1.0)).sqrt()) / 2.0;
        let means_ps = [gap_ps / (2.0 * p), gap_ps / (2.0 * (1.0 - p))];
        Hyperexponential { machines, first_share: p, means_ps, counts: vec![0; count as usize], phases: None }
    }

    fn gap(&self, machine: u32, number: u64, first_share: f64) -> SimDuration {
        let mut draws = self.machines.numbered(u64::from(machine)).numbered(number).draws(GAP);
        let branch = usize::from(draws.unit() >= first_share);
        exponential(&mut draws, self.means_ps[branch])
    }

    /// The residual gap of a stationary renewal process: a branch weighs with the time spent in it,
    /// which balanced means make one half each (Cox 1962, Renewal Theory, section 5.2).
    pub(super) fn first(&self, machine: u32) -> Option<SimTime> {
        next_of_machine(&self.phases, machine, SimTime::ZERO, self.gap(machine, 0, 0.5))
    }

    pub(super) fn arrive(&mut self, machine: u32, now: SimTime) -> (Asker, Option<SimTime>) {
        let number = self.counts[machine as usize];
        self.counts[machine as usize] += 1;
        let key = self.machines.numbered(u64::from(machine)).numbered(number);
        let gap = self.gap(machine, number + 1, self.first_share);
        (Asker { key, machine }, next_of_machine(&self.phases, machine, now, gap))
    }
}

/// Closed loops: every token of every machine thinks, asks, waits for its answer, and again.
#[derive(Clone, Debug)]
pub(super) struct Closed {
    tokens: Key,
    in_flight: u32,
    think: Option<Law>,
    counts: Vec<u64>,
}

impl Closed {
    pub(super) fn new(tokens: Key, machines: u32, in_flight: u32, think: Option<Law>) -> Self {
        let count = machines as usize * in_flight as usize;
        Closed { tokens, in_flight, think, counts: vec![0; count] }
    }

    fn key(&self, token: u32) -> Key {
        let machine = token / self.in_flight;
        let key = self.tokens.numbered(u64::from(machine)).numbered(u64::from(token % self.in_flight));
        key.numbered(self.counts[token as usize])
    }

    /// After the first think; without one, within the first microsecond, so that tokens do not all
    /// start at the same instant in the order of their numbers.
    pub(super) fn first(&self, token: u32) -> Option<SimTime> {
        match &self.think {
            Some(_) => self.asks_again(token, SimTime::ZERO),
            None => Some(SimTime::from_ps(self.key(token).draws(PHASE).below(1_000_000))),
        }
    }

    pub(super) fn arrive(&mut self, token: u32) -> Asker {
        let key = self.key(token);
        self.counts[token as usize] += 1;
        Asker { key, machine: token / self.in_flight }
    }

    /// When the token whose request has finished asks again.
    pub(super) fn asks_again(&self, token: u32, now: SimTime) -> Option<SimTime> {
        let think = self.think.as_ref().map_or(SimDuration::ZERO, |law| law.sample(self.key(token), THINK));
        after(now, think)
    }
}
