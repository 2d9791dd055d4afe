//! Figures over time, for runs that are not stationary.
//!
//! The window is cut into points of equal length. A point keeps what finished in it, and a compact histogram of
//! the latencies of what was due in it: 32 buckets an octave, each at most 3.2 % wide, so that its middle is
//! within 1.6 % of any latency in it. Buckets take memory an octave at a time, about a kilobyte a point in
//! practice, and replications add up.

use std::collections::BTreeMap;

/// Buckets to the octave.
const PER_OCTAVE: u32 = 32;

/// Fewest requests beyond a percentile of a point for it to be told (project choice: there is no interval beside
/// it, and a curve over time shows by itself how it scatters).
const FEWEST_BEYOND: u64 = 10;

/// What one point keeps.
#[derive(Clone, Debug, Default, PartialEq, Eq)]
pub struct Point {
    /// Requests that finished in it.
    pub finished: u64,
    /// Requests that were due in it and are done, and the sum of their latencies, ps.
    pub count: u64,
    /// See `count`.
    pub sum_ps: u128,
    /// By octave of the latency in ps: counts by bucket.
    octaves: BTreeMap<u32, Box<[u32; PER_OCTAVE as usize]>>,
}

impl Point {
    /// Adds the latency of a request that was due in it.
    #[inline]
    pub fn record(&mut self, latency_ps: u64) {
        self.count += 1;
        self.sum_ps += u128::from(latency_ps);
        // Below 32 ps buckets would be finer than the clock: nothing is that fast.
        let ps = latency_ps.max(u64::from(PER_OCTAVE));
        let octave = ps.ilog2();
        let bucket = (ps >> (octave - PER_OCTAVE.ilog2())) as usize % PER_OCTAVE as usize;
        let counts = self.octaves.entry(octave).or_insert_with(|| Box::new([0; PER_OCTAVE as usize]));
        counts[bucket] = counts[bucket].saturating_add(1);
    }

    /// Adds everything that `other` holds.
    pub fn merge(&mut self, other: &Point) {
        self.finished += other.finished;
        self.count += other.count;
        self.sum_ps += other.sum_ps;
        for (octave, theirs) in &other.octaves {
            let mine = self.octaves.entry(*octave).or_insert_with(|| Box::new([0; PER_OCTAVE as usize]));
            mine.iter_mut().zip(theirs.iter()).for_each(|(a, b)| *a = a.saturating_add(*b));
        }
    }

    /// The mean latency, ps; none if nothing was due.
    pub fn mean_ps(&self) -> Option<f64> {
        (self.count > 0).then(|| self.sum_ps as f64 / self.count as f64)
    }

    /// The `p`-quantile (0 to 1) of latency by rank, ps: the middle of its bucket. None with fewer than 10
    /// requests beyond it.
    pub fn quantile_ps(&self, p: f64) -> Option<f64> {
        let rank = super::latency::rank(p, self.count);
        if self.count - rank < FEWEST_BEYOND {
            return None;
        }
        let mut below = 0;
        for (octave, counts) in &self.octaves {
            for (bucket, count) in counts.iter().enumerate() {
                below += u64::from(*count);
                if below >= rank {
                    let width = 2f64.powi(*octave as i32 - PER_OCTAVE.ilog2() as i32);
                    return Some((f64::from(PER_OCTAVE) + bucket as f64 + 0.5) * width);
                }
            }
        }
        None
    }
}

#[cfg(test)]
mod tests {
    use proptest::prelude::*;

    use super::*;

    fn of(values: &[u64]) -> Point {
        let mut point = Point::default();
        values.iter().for_each(|ps| point.record(*ps));
        point
    }

    proptest! {
        #[test]
        fn a_quantile_is_within_two_per_cent_of_the_sorted_sample(
            mut values in prop::collection::vec(1_000..1_u64 << 52, 40..80),
            p in 0.01..0.7_f64,
        ) {
            let found = of(&values).quantile_ps(p).expect("10 lie beyond");
            values.sort_unstable();
            let exact = values[(p * values.len() as f64).ceil() as usize - 1] as f64;
            prop_assert!((found / exact - 1.0).abs() < 0.02, "{found} {exact}");
        }

        #[test]
        fn merging_equals_recording_one_after_the_other(
            a in prop::collection::vec(0..u64::MAX, 0..40), b in prop::collection::vec(0..9_000_u64, 0..40),
        ) {
            let mut merged = of(&a);
            merged.merge(&of(&b));
            prop_assert_eq!(merged, of(&[a, b].concat()));
        }
    }

    #[test]
    fn a_percentile_that_rests_on_too_few_is_not_told() {
        let point = of(&[1_000_000; 999]);
        assert!(point.quantile_ps(0.5).is_some());
        assert_eq!(point.quantile_ps(0.99), None);
        assert!(of(&[1_000_000; 1_000]).quantile_ps(0.99).is_some());
        assert_eq!(Point::default().quantile_ps(0.5), None);
        assert_eq!(Point::default().mean_ps(), None);
    }
}
