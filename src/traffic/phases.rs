//! What phases put on the rates of a class's machines.
//!
//! Each machine has a factor that is constant between the edges of its phases; where phases overlap they
//! multiply. Arrivals are warped in time: what a gap asks for is spent at the factor of the moment, so that gap n
//! consumes its own draw whatever the phases are, and a Poisson process at rate λ becomes one at rate λ·f(t)
//! exactly (inversion of the integrated rate: Çinlar 1975, Introduction to Stochastic Processes, chapter 4.7).
//!
//! With a stagger, machine m of M enters and leaves a phase later by stagger × m/M: those in it are a range of
//! numbers. A class that is one source therefore knows, between two edges of any machine, ranges with a weight
//! each.

use super::arrivals::after;
use crate::engine::{SimDuration, SimTime};
use crate::scenario::Phase;

/// The factors of one class.
#[derive(Clone, Debug)]
pub(super) struct Factors {
    machines: u32,
    spans: Vec<Span>,
    /// How the class stands from one edge of any machine to the next.
    class: Standing,
}

/// One phase of the class, of its first machine.
#[derive(Clone, Copy, Debug)]
struct Span {
    from: u64,
    to: u64,
    stagger: u64,
    factor: f64,
}

#[derive(Clone, Debug, Default)]
struct Standing {
    from: u64,
    until: u64,
    /// Ranges of machines that are alike, in order.
    ranges: Vec<Range>,
}

#[derive(Clone, Copy, Debug)]
struct Range {
    /// The first machine behind it.
    end: u32,
    factor: f64,
    /// Sum of the factors of all machines up to its end.
    weight: f64,
}

impl Standing {
    fn total(&self) -> f64 {
        self.ranges.last().map_or(0.0, |range| range.weight)
    }
}

impl Factors {
    /// The factors of a class; none if no phase names it. Phases count from `origin`.
    pub fn of(class: usize, machines: u32, phases: &[Phase], origin: SimTime) -> Option<Self> {
        let span = |phase: &Phase| {
            let (_, factor) = phase.load.iter().find(|(index, _)| *index == class)?;
            let (from, to) = (origin + phase.from, origin + phase.to);
            Some(Span { from: from.ps(), to: to.ps(), stagger: phase.stagger.ps(), factor: *factor })
        };
        let spans: Vec<Span> = phases.iter().filter_map(span).collect();
        if spans.is_empty() {
            return None;
        }
        let mut factors = Factors { machines, spans, class: Standing::default() };
        factors.stand_at(0);
        Some(factors)
    }

    /// How much later a machine enters and leaves.
    fn shift(&self, span: &Span, machine: u32) -> u64 {
        (u128::from(span.stagger) * u128::from(machine) / u128::from(self.machines)) as u64
    }

    /// Machines whose edge, at `edge` for the first, has come by `now`.
    fn machines_past(&self, span: &Span, edge: u64, now: u64) -> u32 {
        let Some(ago) = now.checked_sub(edge) else { return 0 };
        if span.stagger == 0 {
            return self.machines;
        }
        // ⌊s·m/M⌋ ≤ ago, that is s·m < (ago + 1)·M.
        let past = (u128::from(ago) + 1) * u128::from(self.machines);
        past.div_ceil(u128::from(span.stagger)).min(u128::from(self.machines)) as u32
    }

    /// A machine's factor at an instant, and until when it holds.
    pub fn of_machine(&self, machine: u32, now: SimTime) -> (f64, SimTime) {
        let (now, mut factor, mut until) = (now.ps(), 1.0, u64::MAX);
        for span in &self.spans {
            let shift = self.shift(span, machine);
            let (from, to) = (span.from + shift, span.to + shift);
            if (from..to).contains(&now) {
                factor *= span.factor;
            }
            until = [from, to].into_iter().filter(|edge| *edge > now).fold(until, u64::min);
        }
        (factor, SimTime::from_ps(until))
    }

    /// When a machine has spent `needed` of the time that passes as if there were no phases.
    pub fn spend(&self, machine: u32, from: SimTime, needed: SimDuration) -> Option<SimTime> {
        let (mut at, mut needed) = (from, needed.ps() as f64);
        loop {
            let (factor, until) = self.of_machine(machine, at);
            match spent_within(at, until, factor, needed) {
                Ok(arrival) => return arrival,
                Err(left) => (at, needed) = (until, left),
            }
        }
    }

    /// When all machines together have: a class that is one source.
    pub fn spend_of_class(&mut self, from: SimTime, needed: SimDuration) -> Option<SimTime> {
        let (mut at, mut needed) = (from, needed.ps() as f64);
        loop {
            self.stand_at(at.ps());
            let factor = self.class.total() / f64::from(self.machines);
            let until = SimTime::from_ps(self.class.until);
            match spent_within(at, until, factor, needed) {
                Ok(arrival) => return arrival,
                Err(left) => (at, needed) = (until, left),
            }
        }
    }

    /// The machine of an arrival at `now`, in proportion to the factors; `None` where they are all alike.
    pub fn machine(&mut self, now: SimTime, unit: impl FnOnce() -> f64) -> Option<u32> {
        self.stand_at(now.ps());
        if self.class.ranges.len() < 2 {
            return None;
        }
        let wanted = unit() * self.class.total();
        let (mut first, mut before) = (0, 0.0);
        for range in &self.class.ranges {
            if wanted < range.weight {
                return Some((first + ((wanted - before) / range.factor) as u32).min(range.end - 1));
            }
            (first, before) = (range.end, range.weight);
        }
        Some(self.machines - 1)
    }

    /// The mean factor over all machines from one instant to another.
    pub fn mean(&mut self, from: SimTime, to: SimTime) -> f64 {
        let (mut at, mut sum) = (from.ps(), 0.0);
        while at < to.ps() {
            self.stand_at(at);
            let until = self.class.until.min(to.ps());
            sum += self.class.total() / f64::from(self.machines) * (until - at) as f64;
            at = until;
        }
        if to > from { sum / (to.ps() - from.ps()) as f64 } else { 1.0 }
    }

    /// Works out how the class stands, unless it is known.
    fn stand_at(&mut self, now: u64) {
        if (self.class.from..self.class.until).contains(&now) {
            return;
        }
        let mut standing = std::mem::take(&mut self.class);
        standing.ranges.clear();
        (standing.from, standing.until) = (now, u64::MAX);
        let (mut first, mut weight) = (0, 0.0);
        while first < self.machines {
            let (mut end, mut factor) = (self.machines, 1.0);
            for span in &self.spans {
                // Those within it: past its start, and not past its end.
                let (left, entered) =
                    (self.machines_past(span, span.to, now), self.machines_past(span, span.from, now));
                if (left..entered).contains(&first) {
                    factor *= span.factor;
                }
                end = [left, entered].into_iter().filter(|edge| *edge > first).fold(end, u32::min);
                for (edge, past) in [(span.from, entered), (span.to, left)] {
                    if past < self.machines {
                        standing.until = standing.until.min(edge + self.shift(span, past));
                    }
                }
            }
            weight += factor * f64::from(end - first);
            match standing.ranges.last_mut() {
                // Neighbours that are alike are one range.
                Some(last) if last.factor == factor => (last.end, last.weight) = (end, weight),
                _ => standing.ranges.push(Range { end, factor, weight }),
            }
            first = end;
        }
        self.class = standing;
    }
}

/// When `needed` picoseconds have been spent at this factor, if before `until`; else what is left of them then.
fn spent_within(at: SimTime, until: SimTime, factor: f64, needed: f64) -> Result<Option<SimTime>, f64> {
    let within = until.since(at).ps() as f64 * factor;
    if factor > 0.0 && (needed <= within || until == SimTime::NEVER) {
        // Not past the edge by a rounding: what comes next starts there.
        return Ok(after(at, SimDuration::from_ps_f64(needed / factor).min(until.since(at))));
    }
    if until == SimTime::NEVER { Ok(None) } else { Err(needed - within) }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn seconds(s: f64) -> SimTime {
        SimTime::ZERO + SimDuration::from_secs(s)
    }

    fn phase(from: f64, to: f64, stagger: f64, factor: f64) -> Phase {
        let span = SimDuration::from_secs;
        Phase {
            name: "p".into(),
            from: span(from),
            to: span(to),
            stagger: span(stagger),
            load: vec![(0, factor)],
        }
    }

    fn factors(machines: u32, phases: &[Phase]) -> Factors {
        Factors::of(0, machines, phases, seconds(10.0)).expect("phases of the class")
    }

    #[test]
    fn phases_that_overlap_multiply_and_edges_belong_to_what_follows() {
        let one = factors(1, &[phase(0.0, 4.0, 0.0, 2.0), phase(2.0, 6.0, 0.0, 3.0)]);
        let of = |s: f64| one.of_machine(0, seconds(s));
        assert_eq!(of(9.0), (1.0, seconds(10.0)));
        assert_eq!(of(10.0), (2.0, seconds(12.0)));
        assert_eq!(of(12.0), (6.0, seconds(14.0)));
        assert_eq!(of(14.0), (3.0, seconds(16.0)));
        assert_eq!(of(16.0), (1.0, SimTime::NEVER));
    }

    /// A gap of 5 s from 8 s on: 2 s at 1, 1 s at 3 makes 3 of them, then 4 s at 0, and 0 s… of the rest at 1.
    #[test]
    fn a_gap_is_spent_at_the_factor_of_the_moment() {
        let gap = SimDuration::from_secs(6.0);
        let mut one = factors(1, &[phase(0.0, 1.0, 0.0, 3.0), phase(1.0, 5.0, 0.0, 0.0)]);
        assert_eq!(one.spend(0, seconds(8.0), gap), Some(seconds(16.0)));
        assert_eq!(one.spend_of_class(seconds(8.0), gap), Some(seconds(16.0)));
        // From an edge, and wholly within a phase.
        assert_eq!(one.spend(0, seconds(10.0), SimDuration::from_secs(1.5)), Some(seconds(10.5)));
        assert_eq!(one.spend(0, seconds(20.0), gap), Some(seconds(26.0)));
    }

    #[test]
    fn machines_enter_and_leave_a_staggered_phase_one_after_another() {
        let mut four = factors(4, &[phase(0.0, 1.0, 8.0, 5.0)]);
        // Machine 2 is in it from 14 to 15 s.
        assert_eq!(four.of_machine(2, seconds(14.5)), (5.0, seconds(15.0)));
        assert_eq!(four.of_machine(1, seconds(14.5)).0, 1.0);
        for (at, weights) in [(9.0, [1.0; 4]), (14.5, [1.0, 1.0, 5.0, 1.0]), (13.5, [1.0; 4])] {
            let mut counts = [0u32; 4];
            for n in 0..8_000 {
                let unit = (f64::from(n) + 0.5) / 8_000.0;
                let drawn = four.machine(seconds(at), || unit);
                counts[drawn.unwrap_or(n % 4) as usize] += 1;
            }
            let total: f64 = weights.iter().sum();
            for (count, weight) in counts.iter().zip(weights) {
                assert!((f64::from(*count) - 8_000.0 * weight / total).abs() < 2.0, "{at}: {counts:?}");
            }
        }
        // Four seconds of 5 for one machine each, over 16 s of four.
        assert!((four.mean(seconds(10.0), seconds(26.0)) - (1.0 + 4.0 * 4.0 / 64.0)).abs() < 1e-12);
    }

    /// The class as one source and its machines apart spend the same: their sum is its integral.
    #[test]
    fn the_class_is_the_sum_of_its_machines() {
        let phases = [phase(0.0, 3.0, 2.0, 4.0), phase(1.0, 2.5, 5.0, 0.5), phase(0.5, 0.75, 0.0, 10.0)];
        let mut seven = factors(7, &phases);
        for n in 0..400 {
            let at = seconds(9.0 + f64::from(n) * 0.03);
            let sum: f64 = (0..7).map(|machine| seven.of_machine(machine, at).0).sum();
            let soonest = (0..7).map(|machine| seven.of_machine(machine, at).1).min();
            seven.stand_at(at.ps());
            assert!((seven.class.total() - sum).abs() < 1e-9, "{n}: {} {sum}", seven.class.total());
            assert!(soonest.is_some_and(|edge| edge.ps() >= seven.class.until), "{n}");
        }
    }
}
