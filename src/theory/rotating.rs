//! Rotating drives: seek, half a turn, transfer.
//!
//! Distances are shares of the full stroke, 0 to 1; any unit of time, results in the same. A seek takes
//! a + b√d up to a threshold and is linear in d beyond: the arm accelerates over short distances and
//! coasts over long ones (C. Ruemmler & J. Wilkes, IEEE Computer 27(3) (1994) 17-28). Tracks are
//! longer outside; bytes on a track fall linearly from the outer rim to the inner.
//!
//! Left out: reordering (shortest positioning first), head switches and track skew within a transfer,
//! settling that differs between reads and writes, read-ahead and write buffers.

/// A seek curve.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct SeekCurve {
    /// a, b and c of a + b√d + c·d, for distances above 0 and up to the threshold.
    pub short: [f64; 3],
    /// Share of the stroke up to which `short` holds; 1 or more if everywhere.
    pub threshold: f64,
    /// Base and slope of the straight line beyond.
    pub long: [f64; 2],
}

impl SeekCurve {
    /// The curve in the published form, by cylinders: `base` + `root`·√cylinders below `threshold`
    /// cylinders, `long_base` + `slope`·cylinders from there on, of `cylinders` in all. None if a number
    /// is negative or none, or there are no cylinders.
    pub fn by_cylinders(
        [base, root]: [f64; 2],
        threshold: f64,
        [long_base, slope]: [f64; 2],
        cylinders: f64,
    ) -> Option<Self> {
        let given = [base, root, threshold, long_base, slope, cylinders];
        if cylinders == 0.0 || given.iter().any(|x| !(*x >= 0.0 && x.is_finite())) {
            return None;
        }
        Some(SeekCurve {
            short: [base, root * cylinders.sqrt(), 0.0],
            threshold: threshold / cylinders,
            long: [long_base, slope * cylinders],
        })
    }

    /// The curve a + b√d + c·d through three ratings: to the next track, the mean over random pairs and
    /// the full stroke. E. K. Lee & R. H. Katz, SIGMETRICS 1993, section 3 (from memory; it follows from
    /// the mean of √d being 8/15 and of d 1/3). None unless the curve rises all the way.
    pub fn from_ratings(next_track: f64, mean: f64, full_stroke: f64) -> Option<Self> {
        if ![next_track, mean, full_stroke].iter().all(|x| x.is_finite() && *x >= 0.0) {
            return None;
        }
        let root = (15.0 * mean - 10.0 * next_track - 5.0 * full_stroke) / 3.0;
        let slope = (8.0 * full_stroke + 7.0 * next_track - 15.0 * mean) / 3.0;
        // Its derivative b/(2√d) + c is above 0 at both ends.
        let rises = root >= 0.0 && root / 2.0 + slope >= 0.0;
        rises.then_some(SeekCurve { short: [next_track, root, slope], threshold: 1.0, long: [0.0, 0.0] })
    }

    /// The curve of an arm that keeps to this share of the stroke, whose own full stroke that is. NaN in all its
    /// times unless the share is above 0 and at most 1.
    pub fn within(&self, share: f64) -> Self {
        let share = if share > 0.0 && share <= 1.0 { share } else { f64::NAN };
        let [base, root, slope] = self.short;
        SeekCurve {
            short: [base, root * share.sqrt(), slope * share],
            threshold: self.threshold / share,
            long: [self.long[0], self.long[1] * share],
        }
    }

    /// Time of a seek over this share of the stroke; none over no distance. NaN outside 0 to 1.
    pub fn time(&self, distance: f64) -> f64 {
        if !(0.0..=1.0).contains(&distance) {
            return f64::NAN;
        }
        if distance == 0.0 {
            return 0.0;
        }
        if distance <= self.threshold { self.short_time(distance) } else { self.long_time(distance) }
    }

    fn short_time(&self, distance: f64) -> f64 {
        self.short[0] + self.short[1] * distance.sqrt() + self.short[2] * distance
    }

    fn long_time(&self, distance: f64) -> f64 {
        self.long[0] + self.long[1] * distance
    }

    /// Mean seek between two places that are uniform over the *bytes* of the drive. `inner_rate` is the
    /// innermost track's share of the outermost one's bytes: 1 makes it uniform over tracks, where the
    /// mean distance is a third of the stroke; below 1 places crowd outside and it is less. Exact but
    /// for rounding, in the limit of many tracks. NaN if the ratio is not above 0 and at most 1.
    pub fn mean(&self, inner_rate: f64) -> f64 {
        if !(inner_rate > 0.0 && inner_rate <= 1.0) {
            return f64::NAN;
        }
        let edge = self.threshold.clamp(0.0, 1.0);
        integral(0.0, edge, |d| self.short_time(d) * distance_density(inner_rate, d))
            + integral(edge, 1.0, |d| self.long_time(d) * distance_density(inner_rate, d))
    }
}

/// Density of the distance between two places uniform over bytes: 2(1 − d) with equal tracks. With
/// 1 − g·x bytes at x from the rim it is 2 ∫ (1 − gx)(1 − gx − gd) dx / (1 − g/2)², x from 0 to 1 − d.
fn distance_density(inner_rate: f64, d: f64) -> f64 {
    let g = 1.0 - inner_rate;
    let (l, mean) = (1.0 - d, 1.0 - g / 2.0);
    2.0 * l * ((1.0 - g * d) - g * (2.0 - g * d) * l / 2.0 + g * g * l * l / 3.0) / (mean * mean)
}

/// Integral of a polynomial in √x of degree up to 8: five points of Gauss in √x, exact to degree 9 with
/// the 2√x of the substitution. Abramowitz & Stegun, table 25.4.
fn integral(from: f64, to: f64, of: impl Fn(f64) -> f64) -> f64 {
    const POINTS: [(f64, f64); 5] = [
        (-0.906_179_845_938_664, 0.236_926_885_056_189_08),
        (-0.538_469_310_105_683_1, 0.478_628_670_499_366_47),
        (0.0, 0.568_888_888_888_888_9),
        (0.538_469_310_105_683_1, 0.478_628_670_499_366_47),
        (0.906_179_845_938_664, 0.236_926_885_056_189_08),
    ];
    let (low, high) = (from.sqrt(), to.sqrt());
    let half = (high - low) / 2.0;
    let at = |point: f64| {
        let root = low + half * (1.0 + point);
        2.0 * root * of(root * root)
    };
    POINTS.iter().map(|(point, weight)| half * weight * at(*point)).sum()
}

/// Mean wait for a sector to come round, half a turn, in seconds. NaN unless the speed is above 0.
pub fn half_turn_s(turns_per_minute: f64) -> f64 {
    if turns_per_minute > 0.0 { 30.0 / turns_per_minute } else { f64::NAN }
}

/// Transfer rate at a place: `at` is the share of the *bytes* that lie outside it, 0 at the rim, where
/// the rate is `outer_rate`; the innermost track has `inner_rate` (0 to 1) of that. Rates are as bytes
/// on a track, so their square falls linearly in the bytes passed. NaN outside the domain.
pub fn zoned_rate(outer_rate: f64, inner_rate: f64, at: f64) -> f64 {
    if !(outer_rate > 0.0 && inner_rate > 0.0 && inner_rate <= 1.0 && (0.0..=1.0).contains(&at)) {
        return f64::NAN;
    }
    outer_rate * (1.0 - at * (1.0 - inner_rate * inner_rate)).sqrt()
}

/// Where the arm stands over a place: its share of the stroke from the rim, for `at` as in [`zoned_rate`]. Bytes up
/// to x of the stroke are x − (1 − inner_rate)·x²/2, which is solved for x. NaN outside the domain.
pub fn stroke_at(inner_rate: f64, at: f64) -> f64 {
    if !(inner_rate > 0.0 && inner_rate <= 1.0 && (0.0..=1.0).contains(&at)) {
        return f64::NAN;
    }
    // The common form (1 − √…)/(1 − inner) loses all digits as inner tends to 1; this one does not.
    at * (1.0 + inner_rate) / (1.0 + (1.0 - at * (1.0 - inner_rate * inner_rate)).sqrt())
}

/// Rate of reading the whole drive end to end, and the reciprocal of the mean time for a byte at a place
/// uniform over the bytes: the mean of the outer and the inner rate (a track takes a turn, whatever it
/// holds). NaN outside the domain.
pub fn mean_rate(outer_rate: f64, inner_rate: f64) -> f64 {
    if outer_rate > 0.0 && inner_rate > 0.0 && inner_rate <= 1.0 {
        outer_rate * (1.0 + inner_rate) / 2.0
    } else {
        f64::NAN
    }
}

/// Mean service of a random request, in seconds: mean seek, half a turn and transfer, plus the time that
/// the drive's electronics take. `bytes_per_s` at the place, or [`mean_rate`] for anywhere.
pub fn random_service_s(
    overhead_s: f64,
    mean_seek_s: f64,
    turns_per_minute: f64,
    bytes: f64,
    bytes_per_s: f64,
) -> f64 {
    let given = [overhead_s, mean_seek_s, bytes];
    if given.iter().any(|x| !(*x >= 0.0 && x.is_finite())) || bytes_per_s.is_nan() || bytes_per_s <= 0.0 {
        return f64::NAN;
    }
    overhead_s + mean_seek_s + half_turn_s(turns_per_minute) + bytes / bytes_per_s
}

#[cfg(test)]
mod tests {
    use super::*;

    fn near(found: f64, expected: f64, relative: f64) {
        assert!((found / expected - 1.0).abs() <= relative, "found {found}, expected {expected}");
    }

    /// The two drives of Ruemmler & Wilkes (1994), milliseconds, figures from memory: 3.24 + 0.400√d
    /// below 383 of 1,962 cylinders, 8.00 + 0.008d beyond; 3.45 + 0.597√d below 616 of 1,449, then
    /// 10.8 + 0.012d.
    fn published() -> [(SeekCurve, f64, f64); 2] {
        let curve = |short, threshold, long, cylinders| {
            SeekCurve::by_cylinders(short, threshold, long, cylinders).expect("in the domain")
        };
        [
            (curve([3.24, 0.400], 383.0, [8.00, 0.008], 1962.0), 383.0, 1962.0),
            (curve([3.45, 0.597], 616.0, [10.8, 0.012], 1449.0), 616.0, 1449.0),
        ]
    }

    #[test]
    fn the_published_curves_meet_at_their_thresholds() {
        // They were fitted piece by piece: within half a per cent, which also vouches for the figures.
        for (curve, threshold, cylinders) in published() {
            let at = threshold / cylinders;
            near(curve.time(at), curve.time(at * (1.0 + 1e-12)), 5e-3);
            assert_eq!(curve.time(0.0), 0.0);
            assert!(curve.time(1.1).is_nan() && curve.time(-0.1).is_nan());
        }
        let [(first, ..), _] = published();
        near(first.time(100.0 / 1962.0), 7.24, 1e-12);
        near(first.time(1000.0 / 1962.0), 16.0, 1e-12);
    }

    /// The sum over all pairs of cylinders, done plainly. Whole cylinders differ from the limit of many
    /// by 1/n² in the mean distance, and by the 1/n of pairs that need no seek.
    #[test]
    fn the_mean_seek_is_that_over_all_pairs_of_cylinders() {
        for (curve, _, cylinders) in published() {
            let mut sum = 0.0;
            for d in 1..cylinders as u32 {
                let d = f64::from(d);
                sum += curve.time(d / cylinders) * 2.0 * (cylinders - d) / (cylinders * cylinders);
            }
            near(curve.mean(1.0), sum, 1.0 / cylinders);
        }
    }

    /// Mean distance 1/3 of the stroke (R. & A. Arpaci-Dusseau, Operating Systems: Three Easy Pieces,
    /// hard disk drives, aside on the average seek), mean root 8/15 (Lee & Katz 1993).
    #[test]
    fn the_mean_distance_is_a_third_of_the_stroke() {
        let straight = SeekCurve { short: [0.0; 3], threshold: 0.0, long: [0.0, 1.0] };
        near(straight.mean(1.0), 1.0 / 3.0, 1e-14);
        let root = SeekCurve { short: [0.0, 1.0, 0.0], threshold: 1.0, long: [0.0; 2] };
        near(root.mean(1.0), 8.0 / 15.0, 1e-14);
        // The density sums to 1 whatever the zones, and longer outer tracks shorten the way.
        let one = SeekCurve { short: [1.0, 0.0, 0.0], threshold: 0.5, long: [1.0, 0.0] };
        for inner in [0.3, 0.5, 0.9] {
            near(one.mean(inner), 1.0, 1e-14);
            assert!(straight.mean(inner) < straight.mean(inner + 0.1));
        }
        // Bytes as 1 − x (all but no inner track): E|x − y| = 4/15, from 2 ∫ F(1 − F), F = 2x − x².
        near(straight.mean(1e-12), 4.0 / 15.0, 1e-10);
        assert!(straight.mean(0.0).is_nan() && straight.mean(1.5).is_nan());
    }

    #[test]
    fn a_curve_through_three_ratings_returns_them() {
        let curve = SeekCurve::from_ratings(0.6, 8.5, 16.0).expect("rises");
        near(curve.time(1e-30), 0.6, 1e-12);
        near(curve.time(1.0), 16.0, 1e-14);
        near(curve.mean(1.0), 8.5, 1e-14);
        assert!(SeekCurve::from_ratings(8.0, 4.0, 16.0).is_none());
        assert!(SeekCurve::from_ratings(1.0, 20.0, 16.0).is_none());
        assert!(SeekCurve::from_ratings(f64::NAN, 8.0, 16.0).is_none());
        assert!(SeekCurve::by_cylinders([1.0, 1.0], 10.0, [1.0, 1.0], 0.0).is_none());
    }

    /// Arpaci-Dusseau, the same chapter: 15,000 turns, 4 ms, 125 MB/s gives 6 ms and 0.66 MB/s of 4 KB
    /// reads; 7,200 turns, 9 ms, 105 MB/s gives 13.2 ms and 0.31 MB/s (second drive from memory).
    /// R. Bryant & D. O'Hallaron, Computer Systems, chapter 6: 7,200 turns, 9 ms, one of 400 sectors
    /// gives 13.02 ms; 15,000 turns, 4 ms, one of 800 gives 6.005 ms (the first answer from memory).
    #[test]
    fn textbook_random_reads_take_their_printed_times() {
        for (turns, seek, rate, printed_ms, mb_per_s) in
            [(15_000.0, 4e-3, 125e6, 6.0, 0.66), (7_200.0, 9e-3, 105e6, 13.2, 0.31)]
        {
            let service = random_service_s(0.0, seek, turns, 4096.0, rate);
            near(service * 1e3, printed_ms, 6e-3);
            // They count 4 KB as 4,000 bytes here, and cut to two digits.
            assert!((4e-3 / service - mb_per_s).abs() < 0.01, "{}", 4e-3 / service);
        }
        // 13.02 is the sum of parts rounded first: 9 ms, 4 ms, 0.02 ms.
        let transfer_ms = 512.0 / (512.0 * 400.0 * 120.0) * 1e3;
        let parts = 9.0 + (half_turn_s(7_200.0) * 1e3).round() + (transfer_ms * 100.0_f64).round() / 100.0;
        near(parts, 13.02, 1e-12);
        let service = random_service_s(0.0, 9e-3, 7_200.0, 512.0, 512.0 * 400.0 * 120.0);
        near(service, 9e-3 + half_turn_s(7_200.0) + transfer_ms / 1e3, 1e-12);
        near(half_turn_s(15_000.0), 2e-3, 1e-14);
        near(random_service_s(0.0, 4e-3, 15_000.0, 512.0, 512.0 * 800.0 * 250.0), 6.005e-3, 1e-12);
    }

    /// An arm that keeps to the outer part of the stroke is that of a smaller drive, whose tracks shrink less.
    #[test]
    fn an_arm_that_keeps_to_the_rim_seeks_as_a_smaller_drive() {
        let curve = SeekCurve::from_ratings(0.6, 8.5, 16.0).expect("rises");
        let (inner, at) = (0.5, 0.2);
        let stroke = stroke_at(inner, at);
        // The rate there is as by the bytes, and as by the track.
        near(zoned_rate(250.0, inner, at), 250.0 * (1.0 - (1.0 - inner) * stroke), 1e-14);
        // Plainly: all pairs of 500 places uniform over the bytes up to there.
        let places: Vec<f64> =
            (0..500).map(|i| stroke_at(inner, at * (f64::from(i) + 0.5) / 500.0)).collect();
        let pairs = places.iter().flat_map(|a| places.iter().map(move |b| (a - b).abs()));
        let sum: f64 = pairs.map(|distance| curve.time(distance)).sum();
        near(curve.within(stroke).mean(1.0 - (1.0 - inner) * stroke), sum / 250_000.0, 3e-3);
        assert_eq!((stroke_at(1.0, 0.3), stroke_at(0.5, 1.0), stroke_at(0.5, 0.0)), (0.3, 1.0, 0.0));
        assert!(stroke_at(0.5, 1.1).is_nan() && curve.within(0.0).time(0.5).is_nan());
    }

    /// Reading end to end, done plainly: a thousand equal steps of bytes at the rate of each.
    #[test]
    fn the_whole_drive_is_read_at_the_mean_of_its_two_rates() {
        let steps = 1_000;
        let time: f64 =
            (0..steps).map(|i| 1.0 / zoned_rate(250.0, 0.5, (f64::from(i) + 0.5) / f64::from(steps))).sum();
        near(f64::from(steps) / time, mean_rate(250.0, 0.5), 1e-6);
        assert_eq!((zoned_rate(250.0, 0.5, 0.0), zoned_rate(250.0, 0.5, 1.0)), (250.0, 125.0));
        for none in [
            zoned_rate(250.0, 0.5, 1.1),
            zoned_rate(250.0, 1.5, 0.0),
            mean_rate(0.0, 0.5),
            half_turn_s(0.0),
            random_service_s(-1.0, 0.0, 7_200.0, 0.0, 1.0),
            random_service_s(0.0, 0.0, 7_200.0, 0.0, f64::NAN),
        ] {
            assert!(none.is_nan());
        }
    }
}
