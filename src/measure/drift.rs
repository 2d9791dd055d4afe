//! Whether the backlog grows: the verdict "saturated".
//!
//! A stable queue has a backlog that wanders and returns; an overloaded one grows by the difference of
//! what is offered and what is carried. Each replication gives the slope of its backlog, read at five
//! moments of the window; replications are independent, so the slopes have a t interval. The design is
//! called saturated only when the whole interval lies above half a percent of the offered rate.
//!
//! A stable queue started empty fills, too, for as long as its start-up lasts: ever more slowly, where
//! overload piles up in a straight line. Before a window is over only a straight line is a verdict.

use super::estimate::{Interval, t_interval};

/// Growth that counts, as a share of the offered rate.
///
/// Project choice: a design that loses less carries at least 99.5 % of its load, which is within what
/// the load itself is known to. Zero would not do: started near empty and watched for a finite time,
/// a stable queue close to its limit still fills.
pub const GROWTH_THAT_COUNTS: f64 = 0.005;

/// What one replication shows of its backlog.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Watch {
    /// Requests in the system at the start, the three quarters and the end of the window.
    pub backlog: [u64; 5],
    /// Requests that arrived in the window.
    pub offered: u64,
    /// Length of the window, seconds.
    pub length_s: f64,
}

impl Watch {
    /// Growth in requests per second: the least-squares line through the five readings.
    ///
    /// Σ(t − t̄)(b − b̄)/Σ(t − t̄)², with t − t̄ = −2..2 quarters of the window. Noise that does not
    /// last from one reading to the next disturbs it less (by a fifth of the variance) than the ends alone.
    fn growth_per_s(&self) -> f64 {
        let rise: f64 = self.backlog.iter().zip(-2..=2).map(|(&b, t)| f64::from(t) * b as f64).sum();
        rise / 10.0 / (self.length_s / 4.0)
    }

    /// Growth in the second half of the window less three quarters of the growth over all of it. Of a
    /// straight line a quarter of its slope; of √t, the fastest that a queue fills which is just not
    /// overloaded, −0.16 of it.
    fn straightness_per_s(&self) -> f64 {
        let late = (self.backlog[4] as f64 - self.backlog[2] as f64) / (self.length_s / 2.0);
        late - 0.75 * self.growth_per_s()
    }
}

/// How fast the backlog grows, beside what is offered.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Drift {
    /// Requests per second; negative where a backlog melts.
    pub growth: Interval,
    /// Above zero where the growth does not slow down, requests per second.
    straightness: Interval,
    /// Requests per second.
    pub offered_per_s: f64,
}

impl Drift {
    /// From one watch a replication; none with fewer than two, or where a window has no length.
    ///
    /// With two replications the interval is wide (t is 12.7 at 95 %), and the verdict comes later.
    pub fn estimate(watches: &[Watch], confidence: f64) -> Option<Drift> {
        let length: f64 = watches.iter().map(|watch| watch.length_s).sum();
        if watches.iter().any(|watch| watch.length_s <= 0.0) || !length.is_finite() {
            return None;
        }
        let growths: Vec<f64> = watches.iter().map(Watch::growth_per_s).collect();
        let offered: u64 = watches.iter().map(|watch| watch.offered).sum();
        let straightness: Vec<f64> = watches.iter().map(Watch::straightness_per_s).collect();
        Some(Drift {
            growth: t_interval(&growths, confidence)?,
            straightness: t_interval(&straightness, confidence)?,
            offered_per_s: offered as f64 / length,
        })
    }

    /// The backlog grows: even the low end of the interval counts.
    pub fn is_growing(&self) -> bool {
        self.growth.low > GROWTH_THAT_COUNTS * self.offered_per_s
    }

    /// It grows, and does not slow down: what a verdict before the end of a window needs.
    pub fn is_runaway(&self) -> bool {
        self.is_growing() && self.straightness.low > 0.0
    }

    /// It grows, and surely in no straight line, so that it slows down: a straight line is a quarter of its slope above zero.
    pub fn is_slowing(&self) -> bool {
        self.is_growing() && self.straightness.high < 0.25 * self.growth.value
    }

    /// The backlog does not grow: even the high end of the interval does not count. Neither this nor
    /// [`is_growing`](Self::is_growing) means that the run was too short to tell.
    pub fn is_steady(&self) -> bool {
        self.growth.high <= GROWTH_THAT_COUNTS * self.offered_per_s
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn watch(backlog: [u64; 5]) -> Watch {
        Watch { backlog, offered: 10_000, length_s: 10.0 }
    }

    #[test]
    fn a_straight_rise_has_its_own_slope() {
        let straight = watch([100, 200, 300, 400, 500]);
        let drift = Drift::estimate(&[straight, straight], 0.95).expect("two replications");
        assert_eq!(drift.growth, Interval::about(40.0, 0.0));
        assert_eq!(drift.offered_per_s, 1_000.0);
        assert!(drift.is_growing() && !drift.is_steady());
    }

    #[test]
    fn a_start_up_grows_but_does_not_run_away() {
        // √t and a straight line to the same end, in two replications that differ a little.
        let slowing = [watch([0, 500, 707, 866, 1000]), watch([0, 510, 700, 860, 1010])];
        let straight = [watch([0, 250, 500, 750, 1000]), watch([0, 255, 505, 750, 1010])];
        let of = |watches: &[Watch]| Drift::estimate(watches, 0.95).expect("two replications");
        assert!(of(&slowing).is_growing() && !of(&slowing).is_runaway() && of(&slowing).is_slowing());
        assert!(of(&straight).is_runaway() && !of(&straight).is_slowing());
    }

    #[test]
    fn a_backlog_that_melts_or_stays_is_steady() {
        for still in [[9, 9, 9, 9, 9], [50, 40, 30, 20, 10], [0, 0, 0, 0, 0]] {
            let drift = Drift::estimate(&[watch(still); 3], 0.95).expect("three replications");
            assert!(drift.is_steady() && !drift.is_growing());
        }
    }

    #[test]
    fn growth_below_half_a_percent_of_the_load_does_not_count() {
        // 4 of 1,000 requests a second pile up.
        let drift = Drift::estimate(&[watch([0, 10, 20, 30, 40]); 2], 0.95).expect("two");
        assert!(!drift.is_growing() && drift.is_steady());
    }

    #[test]
    fn replications_that_disagree_leave_it_open() {
        let drift = Drift::estimate(&[watch([0; 5]), watch([0, 50, 100, 150, 200])], 0.95).expect("two");
        assert!(!drift.is_growing() && !drift.is_steady());
    }

    #[test]
    fn one_replication_or_an_empty_window_gives_no_drift() {
        assert_eq!(Drift::estimate(&[watch([1; 5])], 0.95), None);
        let empty = Watch { length_s: 0.0, ..watch([1; 5]) };
        assert_eq!(Drift::estimate(&[empty, empty], 0.95), None);
        assert_eq!(Drift::estimate(&[], 0.95), None);
    }
}
