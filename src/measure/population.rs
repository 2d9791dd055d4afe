//! Requests in the system, integrated over time.
//!
//! One half of the audit of Little's law (Little 1961): the area under the number present equals the
//! sum of the times each was there. The area is kept from arrivals and departures alone, the sum from
//! the latencies recorded; over a window that is drained the two are equal to the picosecond.

use crate::engine::SimTime;

/// How many are present, and the area under that number so far.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub struct Population {
    count: u64,
    last: SimTime,
    area: u128,
}

impl Population {
    /// One more from `now` on.
    #[inline]
    pub fn enter(&mut self, now: SimTime) {
        self.advance(now);
        self.count += 1;
    }

    /// One less from `now` on.
    ///
    /// # Panics
    /// If nobody is there, which only a bug in the engine's bookkeeping can bring about.
    #[inline]
    pub fn leave(&mut self, now: SimTime) {
        self.advance(now);
        assert!(self.count > 0, "at {} s a request left that had not entered", now.secs());
        self.count -= 1;
    }

    /// How many are present.
    pub fn count(&self) -> u64 {
        self.count
    }

    /// The area up to `now`, in request-picoseconds. `now` must not lie before the last event: the
    /// area stops there.
    pub fn area_until(&self, now: SimTime) -> u128 {
        self.area + u128::from(self.count) * u128::from(now.since(self.last).ps())
    }

    /// Time does not run backwards: an earlier `now` adds nothing, and the audit then shows the gap.
    #[inline]
    fn advance(&mut self, now: SimTime) {
        self.area = self.area_until(now);
        self.last = self.last.max(now);
    }
}

#[cfg(test)]
mod tests {
    use proptest::prelude::*;

    use super::*;

    proptest! {
        #[test]
        fn the_area_equals_the_sum_of_the_times_spent(
            stays in prop::collection::vec((0..1_u64 << 60, 0..1_u64 << 60), 0..50),
        ) {
            let mut events: Vec<(u64, bool)> = Vec::new();
            for &(from, stay) in &stays {
                events.push((from, true));
                events.push((from + stay, false));
            }
            // Arrivals before departures at equal times, as a stay of zero needs.
            events.sort_by_key(|&(at, enters)| (at, !enters));
            let mut population = Population::default();
            for (at, enters) in events {
                let now = SimTime::from_ps(at);
                if enters { population.enter(now) } else { population.leave(now) }
            }
            let spent: u128 = stays.iter().map(|&(_, stay)| u128::from(stay)).sum();
            prop_assert_eq!(population.count(), 0);
            prop_assert_eq!(population.area_until(SimTime::NEVER), spent);
        }
    }

    #[test]
    fn those_still_present_count_until_the_moment_asked_for() {
        let mut population = Population::default();
        population.enter(SimTime::from_ps(10));
        population.enter(SimTime::from_ps(30));
        assert_eq!(population.area_until(SimTime::from_ps(40)), 20 + 2 * 10);
        assert_eq!(population.area_until(SimTime::from_ps(50)), 20 + 2 * 20);
    }

    #[test]
    #[should_panic(expected = "had not entered")]
    fn leaving_before_entering_is_a_bug() {
        Population::default().leave(SimTime::from_ps(1));
    }
}
