//! The latencies of one class and operation.
//!
//! A histogram of nanoseconds with three significant figures (1 ns to 1 h) beside an exact sum in
//! picoseconds: percentiles come from the first, means from the second. What did not finish, or took
//! more than an hour, counts as above every finite value and is never dropped.

use hdrhistogram::Histogram;

const PS_PER_NS: u64 = 1_000;
/// The longest latency that the histogram tells apart: one hour, in nanoseconds.
const LONGEST_NS: u64 = 3_600_000_000_000;
const SIGNIFICANT_FIGURES: u8 = 3;

/// The latencies of one class and operation, of one replication or of several together.
#[derive(Clone, Debug, PartialEq)]
pub struct Latencies {
    histogram: Histogram<u64>,
    count: u64,
    sum_ps: u128,
    beyond_range: u64,
    survivors: u64,
}

/// A value read off a histogram.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Quantile {
    /// The middle of its bucket, ps.
    pub value: f64,
    /// Half the width of its bucket, ps: the truth is no further away.
    pub resolution: f64,
}

impl Default for Latencies {
    fn default() -> Self {
        Latencies::new()
    }
}

impl Latencies {
    /// No latencies yet. Takes 16 KiB, and grows by 8 KiB each time the longest doubles.
    pub fn new() -> Self {
        Latencies {
            // Refuses only more than five figures, and three is a constant.
            histogram: Histogram::new(SIGNIFICANT_FIGURES).expect("three significant figures are allowed"),
            count: 0,
            sum_ps: 0,
            beyond_range: 0,
            survivors: 0,
        }
    }

    /// Adds a finished request's latency.
    #[inline]
    pub fn record(&mut self, ps: u64) {
        self.count += 1;
        self.sum_ps += u128::from(ps);
        // To the nearest nanosecond, so that the middle of a bucket carries no bias.
        let ns = ps.saturating_add(PS_PER_NS / 2) / PS_PER_NS;
        // Recording fails only where memory cannot be addressed; such a value still counts.
        if ns > LONGEST_NS || self.histogram.record(ns).is_err() {
            self.beyond_range += 1;
        }
    }

    /// Counts `n` requests that belong here and had not finished when the run ended.
    pub fn add_survivors(&mut self, n: u64) {
        self.survivors += n;
    }

    /// Adds everything that `other` holds.
    pub fn merge(&mut self, other: &Latencies) {
        self.count += other.count;
        self.sum_ps += other.sum_ps;
        self.beyond_range += other.beyond_range;
        self.survivors += other.survivors;
        // Refuses only a histogram that may not grow, and ours may.
        self.histogram.add(&other.histogram).expect("the histogram grows by itself");
    }

    /// Requests that finished.
    pub fn count(&self) -> u64 {
        self.count
    }

    /// Requests that had not finished when the run ended.
    pub fn survivors(&self) -> u64 {
        self.survivors
    }

    /// Requests that took more than an hour.
    pub fn beyond_range(&self) -> u64 {
        self.beyond_range
    }

    /// All requests: finished and survivors.
    pub fn total(&self) -> u64 {
        self.count + self.survivors
    }

    /// The exact sum of the finished requests' latencies, ps.
    pub fn sum_ps(&self) -> u128 {
        self.sum_ps
    }

    /// The mean latency of the finished requests, ps; none if there are none.
    pub fn mean_ps(&self) -> Option<f64> {
        (self.count > 0).then(|| self.sum_ps as f64 / self.count as f64)
    }

    /// The smallest value that at least `p` of all requests do not exceed (`p` from 0 to 1).
    ///
    /// None if there are no requests, or if the value falls among those without a finite one.
    pub fn quantile(&self, p: f64) -> Option<Quantile> {
        let rank = rank(p, self.total());
        let mut cumulative = 0;
        for bucket in self.histogram.iter_recorded() {
            cumulative += bucket.count_at_value();
            if cumulative >= rank {
                return Some(self.bucket_of(bucket.value_iterated_to()));
            }
        }
        None
    }

    /// Requests above the `p`-quantile by rank.
    pub fn beyond(&self, p: f64) -> u64 {
        self.total() - rank(p, self.total())
    }

    /// The bucket that holds `ns`. Whole nanoseconds lowest..=highest stand for the picoseconds that
    /// round to them, hence half a nanosecond more on either side.
    fn bucket_of(&self, ns: u64) -> Quantile {
        let lowest = self.histogram.lowest_equivalent(ns) as f64;
        let highest = self.histogram.highest_equivalent(ns) as f64;
        Quantile {
            value: (lowest + highest) / 2.0 * PS_PER_NS as f64,
            resolution: (highest - lowest + 1.0) / 2.0 * PS_PER_NS as f64,
        }
    }
}

/// The rank ⌈p·n⌉ of the `p`-quantile among `n`, counted from 1 (0 only for p = 0 or n = 0).
///
/// `p` usually comes from a decimal (99.9 ÷ 100) and is off by an ulp or so; 4 ulp are forgiven, so
/// that 0.999 of 1,000 is the 999th and not the 1,000th.
pub(crate) fn rank(p: f64, n: u64) -> u64 {
    let exact = p * n as f64;
    ((exact * (1.0 - 4.0 * f64::EPSILON)).ceil() as u64).min(n)
}

#[cfg(test)]
mod tests {
    use proptest::prelude::*;

    use super::*;

    fn of(values: &[u64]) -> Latencies {
        let mut latencies = Latencies::new();
        values.iter().for_each(|&ps| latencies.record(ps));
        latencies
    }

    #[test]
    fn quantiles_are_taken_by_rank() {
        let latencies = of(&(1..=1_000).map(|us| us * 1_000_000).collect::<Vec<_>>());
        for (p, expected_us) in
            [(0.5, 500.0), (0.99, 990.0), (0.999, 999.0), (99.9 / 100.0, 999.0), (1.0, 1000.0)]
        {
            let found = latencies.quantile(p).expect("there are values");
            assert!((found.value - expected_us * 1e6).abs() <= found.resolution, "{p}: {found:?}");
        }
        assert_eq!(latencies.beyond(0.999), 1);
        assert_eq!(latencies.beyond(0.0), 1_000);
    }

    #[test]
    fn ranks_forgive_the_rounding_of_a_decimal_percentile() {
        for hundredths in 1..=9_999_u64 {
            let p = hundredths as f64 / 100.0 / 100.0;
            assert_eq!(rank(p, 10_000), hundredths);
            assert_eq!(rank(p, 10_001), hundredths + 1);
        }
    }

    #[test]
    fn survivors_lie_above_every_finite_value() {
        let mut latencies = of(&[1_000_000; 97]);
        latencies.add_survivors(3);
        assert!(latencies.quantile(0.97).is_some());
        assert_eq!(latencies.quantile(0.98), None);
        assert_eq!((latencies.count(), latencies.total()), (97, 100));
    }

    #[test]
    fn more_than_an_hour_counts_and_has_no_finite_percentile() {
        let hour = 3_600 * 1_000_000_000_000;
        let latencies = of(&[hour, 2 * hour, u64::MAX]);
        assert_eq!(latencies.beyond_range(), 2);
        assert_eq!(latencies.quantile(1.0), None);
        let longest = latencies.quantile(1.0 / 3.0).expect("one hour is in range");
        assert!((longest.value - hour as f64).abs() <= longest.resolution);
        assert_eq!(latencies.sum_ps(), 3 * u128::from(hour) + u128::from(u64::MAX));
    }

    #[test]
    fn nothing_recorded_has_no_quantile_and_no_mean() {
        assert_eq!(Latencies::new().quantile(0.5), None);
        assert_eq!(Latencies::new().mean_ps(), None);
    }

    proptest! {
        #[test]
        fn merging_equals_recording_one_after_the_other(
            a in prop::collection::vec(0..u64::MAX, 0..40),
            b in prop::collection::vec(0..3_000_000_000_u64, 0..40),
        ) {
            let mut merged = of(&a);
            merged.merge(&of(&b));
            let together = of(&[a, b].concat());
            prop_assert_eq!(merged.sum_ps(), together.sum_ps());
            prop_assert_eq!(merged.total(), together.total());
            for p in [0.0, 0.1, 0.5, 0.9, 0.99, 1.0] {
                prop_assert_eq!(merged.quantile(p), together.quantile(p));
            }
        }

        #[test]
        fn a_quantile_is_within_its_resolution_of_the_sorted_sample(
            mut values in prop::collection::vec(0..3_600_000_000_000_000_u64, 1..60),
            p in 0.001..1.0_f64,
        ) {
            let found = of(&values).quantile(p).expect("there are values");
            values.sort_unstable();
            let exact = values[rank(p, values.len() as u64) as usize - 1] as f64;
            prop_assert!((found.value - exact).abs() <= found.resolution);
            // Three figures: the half-bucket is at most 1/2,000 of the value, or half a nanosecond.
            prop_assert!(found.resolution <= (exact / 2_000.0).max(500.0));
        }
    }
}
