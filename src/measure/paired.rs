//! Differences between two designs under the same traffic.
//!
//! Replication r of either design meets the same requests, so what is lucky or unlucky about them hits both and
//! leaves their difference ("common random numbers": Glasserman & Yao 1992; Law & Kelton, from memory). The point is
//! the pooled figure of `b` less that of `a`; the interval rests on one number a replication, the difference of the two
//! sections, and never on the two intervals, which know nothing of each other.

use super::estimate::{
    Interval, Reason, Section, half_width, mean_sections, percentile_sections, t_interval,
};
use super::latency::Latencies;

/// A run longer than this many times is not worth asking for: the two are taken as equal.
const LONGER_MOST: f64 = 100.0;

/// How much a figure of `b` exceeds that of `a`, with its interval.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Difference {
    /// Figures of `a` and `b`, in the unit of what was estimated (ps for latencies).
    pub of: [f64; 2],
    /// `b` less `a`.
    pub interval: Interval,
    /// The part of the half-width that no length takes away: half a bucket of either histogram.
    pub resolution: f64,
    /// Every replication's latencies are the same in both.
    pub is_same: bool,
}

/// Why a difference does not exist: what keeps the figure from `a`, and what from `b`.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Missing {
    /// Of the first design.
    pub a: Option<Reason>,
    /// Of the second.
    pub b: Option<Reason>,
}

impl Difference {
    /// Whether zero lies outside the interval.
    pub fn is_distinguishable(&self) -> bool {
        self.interval.low > 0.0 || self.interval.high < 0.0
    }

    /// Half the width of its interval ÷ the larger of the two figures.
    ///
    /// Against the larger, because two figures known to 5 % each leave their difference known to about 5 % of it
    /// at worst; against the difference itself, equal designs would be measured for ever.
    pub fn relative_half_width(&self) -> Option<f64> {
        let half = self.interval.high - self.interval.value;
        let larger = self.of[0].abs().max(self.of[1].abs());
        if half == 0.0 { Some(0.0) } else { (larger > 0.0).then(|| half / larger) }
    }

    /// How many times as long a run would be expected to tell the difference from none, if it is as large as it
    /// looks: a half-width falls with the square root of the length, but for the resolution. None where it is told
    /// already, where nothing differs, and beyond a hundred times.
    pub fn longer(&self) -> Option<f64> {
        if self.is_distinguishable() || self.is_same {
            return None;
        }
        let chance = self.interval.high - self.interval.value - self.resolution;
        let seen = self.interval.value.abs() - self.resolution;
        let factor = (chance / seen).powi(2);
        (seen > 0.0 && factor <= LONGER_MOST).then_some(factor)
    }
}

/// The difference of mean latencies, ps: replications of `a` and `b` in the same order.
///
/// # Errors
/// What keeps either mean from being told.
pub fn mean_difference(a: &[&Latencies], b: &[&Latencies], confidence: f64) -> Result<Difference, Missing> {
    let (a_side, b_side) = both(mean_sections(a), mean_sections(b))?;
    let points = [(a_side.0, 0.0), (b_side.0, 0.0)];
    paired(points, [&a_side.1, &b_side.1], a == b, confidence)
}

/// The difference of the `p`-quantiles (0 to 1) of latency, ps, as in [`mean_difference`].
///
/// # Errors
/// What keeps either percentile from being told.
pub fn percentile_difference(
    a: &[&Latencies],
    b: &[&Latencies],
    p: f64,
    confidence: f64,
) -> Result<Difference, Missing> {
    let (a_side, b_side) = both(percentile_sections(a, p), percentile_sections(b, p))?;
    let points = [(a_side.0.value, a_side.0.resolution), (b_side.0.value, b_side.0.resolution)];
    paired(points, [&a_side.1, &b_side.1], a == b, confidence)
}

/// The difference of two rates, each one number a replication. None with fewer than two.
pub fn rate_difference(a: &[f64], b: &[f64], confidence: f64) -> Option<Difference> {
    let differences: Vec<f64> = a.iter().zip(b).map(|(a, b)| b - a).collect();
    let mean = |values: &[f64]| values.iter().sum::<f64>() / values.len() as f64;
    Some(Difference {
        of: [mean(a), mean(b)],
        interval: t_interval(&differences, confidence)?,
        resolution: 0.0,
        is_same: a == b,
    })
}

fn both<T>(a: Result<T, Reason>, b: Result<T, Reason>) -> Result<(T, T), Missing> {
    match (a, b) {
        (Ok(a), Ok(b)) => Ok((a, b)),
        (a, b) => Err(Missing { a: a.err(), b: b.err() }),
    }
}

/// From the points with their resolutions and the sections of both.
fn paired(
    points: [(f64, f64); 2],
    sections: [&[Section]; 2],
    is_same: bool,
    confidence: f64,
) -> Result<Difference, Missing> {
    let [a, b] = sections.map(influences);
    let differences = a.iter().zip(&b).map(|(a, b)| (1.0, b - a));
    let half = half_width(differences, confidence);
    let none = Missing { a: Some(Reason::OneReplication), b: Some(Reason::OneReplication) };
    let resolution = if is_same { 0.0 } else { points[0].1 + points[1].1 };
    Ok(Difference {
        of: points.map(|point| point.0),
        interval: Interval::about(points[1].0 - points[0].0, half.ok_or(none)? + resolution),
        resolution,
        is_same,
    })
}

/// What each replication moves its pooled figure by, times their number: deviations, weighed by count ÷ mean count.
fn influences(sections: &[Section]) -> Vec<f64> {
    let mean = sections.iter().map(|(weight, _)| weight).sum::<f64>() / sections.len() as f64;
    let of = |(weight, deviation): &Section| if *weight > 0.0 { weight * deviation / mean } else { 0.0 };
    sections.iter().map(of).collect()
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::measure::{mean_estimate, percentile_estimate};

    /// Latencies of these whole microseconds.
    fn of(us: impl IntoIterator<Item = u64>) -> Latencies {
        let mut latencies = Latencies::new();
        us.into_iter().for_each(|us| latencies.record(us * 1_000_000));
        latencies
    }

    fn refs(list: &[Latencies]) -> Vec<&Latencies> {
        list.iter().collect()
    }

    #[test]
    fn what_both_have_in_common_leaves_the_difference() {
        // Replications differ by hundreds of microseconds, the designs by 7 and 9 in turn.
        let a: Vec<Latencies> = [100, 300, 500, 900].map(|us| of([us; 50])).to_vec();
        let b: Vec<Latencies> = [107, 309, 507, 909].map(|us| of([us; 50])).to_vec();
        let found = mean_difference(&refs(&a), &refs(&b), 0.95).expect("four replications");
        assert_eq!(found.of, [450e6, 458e6]);
        // 7, 9, 7, 9: mean 8, s² = 4/3; t(0.975, 3) = 3.182446….
        let half = 3.18244630528371 * (4.0_f64 / 3.0).sqrt() / 2.0 * 1e6;
        assert!((found.interval.value - 8e6).abs() < 1.0);
        assert!((found.interval.high - found.interval.value - half).abs() < 1.0, "{found:?}");
        assert!(found.is_distinguishable() && found.longer().is_none());
        let apart = mean_estimate(&refs(&a), 0.95).expect("four replications");
        assert!(apart.high - apart.value > 100.0 * half);
    }

    #[test]
    fn replications_weigh_by_their_requests_in_either_design() {
        // Counts 10 and 30 in both: influences n(m − mean)/n̄ are 0.5·150 and 1.5·(−50) in `a`, of which `b` has twice.
        let a = [of([300; 10]), of([100; 30])];
        let b = [of([600; 10]), of([200; 30])];
        let found = mean_difference(&refs(&a), &refs(&b), 0.95).expect("two replications");
        assert_eq!(found.interval.value, 150e6);
        let half = 12.706204736174705 * (2.0 * 75.0_f64.powi(2)).sqrt() / 2.0_f64.sqrt() * 1e6;
        assert!((found.interval.high - 150e6 - half).abs() < 1e-6 * half);
    }

    #[test]
    fn a_percentile_difference_is_no_finer_than_both_buckets() {
        let (a, b) = (of([250; 1_000]), of([500; 1_000]));
        let found = percentile_difference(&[&a, &a, &a], &[&b, &b, &b], 0.9, 0.95).expect("300 beyond");
        let alone = |l: &Latencies| percentile_estimate(&[l, l, l], 0.9, 0.95).expect("300 beyond");
        let (a, b) = (alone(&a), alone(&b));
        assert_eq!(found.interval.value, b.value - a.value);
        assert_eq!(found.resolution, (a.high - a.value) + (b.high - b.value));
        assert_eq!(found.interval.high - found.interval.value, found.resolution);
    }

    #[test]
    fn the_same_latencies_differ_by_exactly_nothing() {
        let (one, two) = (of((1..2_000).chain([9_999; 9])), of(500..3_000));
        let same = [one.clone(), two.clone()];
        let mean = mean_difference(&[&one, &two], &refs(&same), 0.95).expect("two replications");
        let p90 = percentile_difference(&[&one, &two], &refs(&same), 0.9, 0.95).expect("two replications");
        for found in [mean, p90] {
            assert_eq!(found.interval, Interval::about(0.0, 0.0));
            assert!(found.is_same && !found.is_distinguishable() && found.longer().is_none());
            assert_eq!(found.relative_half_width(), Some(0.0));
        }
        // One request in one replication is another: nothing is exact any more.
        let other = [of((1..2_000).chain([9_999; 8]).chain([10_999])), two.clone()];
        let found = percentile_difference(&[&one, &two], &refs(&other), 0.9, 0.95).expect("two replications");
        assert!(!found.is_same && found.interval.high > 0.0);
    }

    #[test]
    fn how_much_longer_grows_with_the_square_and_ends_at_a_hundred() {
        let with = |value: f64, half: f64, resolution: f64| Difference {
            of: [100.0, 100.0 + value],
            interval: Interval::about(value, half),
            resolution,
            is_same: false,
        };
        assert_eq!(with(-2.0, 6.0, 0.0).longer(), Some(9.0));
        assert_eq!(with(3.0, 9.0, 1.0).longer(), Some(16.0), "the resolution stays");
        assert_eq!(with(1.0, 10.1, 0.0).longer(), None, "more than a hundred times");
        assert_eq!(with(0.5, 0.9, 0.5).longer(), None, "no length tells what lies within a bucket");
        assert_eq!(with(0.0, 1.0, 0.0).longer(), None);
        assert_eq!(with(5.0, 4.0, 0.0).longer(), None, "told already");
        assert_eq!(with(-20.0, 5.0, 0.0).relative_half_width(), Some(0.05));
    }

    #[test]
    fn a_figure_that_either_lacks_has_no_difference_and_says_whose() {
        let (few, many) = (of([250; 900]), of([250; 30_000]));
        let found = percentile_difference(&[&many, &many], &[&few, &few], 0.9, 0.95);
        assert_eq!(found, Err(Missing { a: None, b: Some(Reason::FewBeyond(180)) }));
        assert_eq!(
            mean_difference(&[&few], &[&few], 0.95),
            Err(Missing { a: Some(Reason::OneReplication), b: Some(Reason::OneReplication) })
        );
        let nothing = Latencies::new();
        assert_eq!(
            mean_difference(&[&nothing, &nothing], &[&few, &few], 0.95),
            Err(Missing { a: Some(Reason::Nothing), b: None })
        );
    }

    #[test]
    fn rates_pair_too() {
        let found = rate_difference(&[10.0, 20.0], &[11.0, 21.0], 0.95).expect("two replications");
        assert_eq!((found.of, found.interval), ([15.0, 16.0], Interval::about(1.0, 0.0)));
        assert_eq!(rate_difference(&[1.0], &[1.0], 0.95), None);
    }
}
