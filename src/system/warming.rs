//! How a cache that was emptied warms: the hit ratio of a class by the time since.
//!
//! Item i hits with probability 1 − exp(−λᵢ·min(t, T)), T being the cache's characteristic time (`theory/lru.rs`).
//! The mean over all items is tabulated once at times that are evenly spaced by their logarithm, and read off
//! between them.

use crate::engine::SimDuration;
use crate::theory::lru::hit_ratio;
use crate::theory::popularity::Band;

/// Times in the table. Between two of them, 7 % apart at most over 15 decades, a straight line in ln t is off by
/// less than 2e-4: 1 − e^−x has a second derivative in ln x of 0.26 at most, times 0.07²/8.
const POINTS: usize = 512;
/// Below this many requests to the most popular item the ratio is in proportion to the time.
const FEW: f64 = 1e-3;
/// After this many requests to the least popular item nothing more changes.
const MANY: f64 = 30.0;

/// The hit ratio of one class after the cache was emptied.
#[derive(Clone, Debug)]
pub(super) struct Warming {
    /// ln of the first time, seconds, and the step to the next.
    first_ln: f64,
    step_ln: f64,
    ratios: Vec<f64>,
}

impl Warming {
    /// The table of a class with these items; `time_s` is the characteristic time, perhaps infinite.
    pub fn of(bands: &[Band], time_s: f64) -> Self {
        let rates = || bands.iter().map(|band| band.rate).filter(|rate| *rate > 0.0);
        let (most, least) =
            rates().fold((0.0f64, f64::INFINITY), |(most, least), r| (most.max(r), least.min(r)));
        // Nothing is asked for, or there is no room to keep it.
        if most == 0.0 || time_s <= 0.0 {
            return Warming { first_ln: 0.0, step_ln: 1.0, ratios: vec![0.0] };
        }
        let last = time_s.min(MANY / least).max(f64::MIN_POSITIVE);
        let first = (FEW / most).min(last);
        let (first_ln, step_ln) = (first.ln(), (last.ln() - first.ln()) / (POINTS - 1) as f64);
        let ratio = |n: usize| hit_ratio(bands, (first_ln + n as f64 * step_ln).exp());
        Warming { first_ln, step_ln, ratios: (0..POINTS).map(ratio).collect() }
    }

    /// The share of requests that hit so long after the cache was emptied.
    #[inline]
    pub fn ratio(&self, since: SimDuration) -> f64 {
        let since_s = since.secs();
        let place = (since_s.ln() - self.first_ln) / self.step_ln;
        if place.is_nan() || place <= 0.0 {
            // ln 0 is −∞: nothing has been asked for yet.
            return self.ratios[0] * (since_s / self.first_ln.exp()).min(1.0);
        }
        // Beyond the table, and where it is a single time, the last ratio holds.
        let low = place.min(POINTS as f64) as usize;
        match self.ratios.get(low..low + 2) {
            Some(&[a, b]) => a + (b - a) * place.fract(),
            _ => self.ratios[self.ratios.len() - 1],
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::theory::popularity::{weighted_bands, zipf_bands};

    #[test]
    fn the_table_gives_the_formula_back_at_any_time() {
        let cases = [
            (zipf_bands(0.9, 1 << 24, 1e4), 300.0),
            (zipf_bands(0.9, 1 << 24, 1e4), f64::INFINITY),
            (weighted_bands(&[(0.5, 100.0), (0.3, 1e4), (0.2, 1e6)], 5e3), 40.0),
        ];
        for (bands, time_s) in cases {
            let bands = bands.expect("in the domain");
            let warming = Warming::of(&bands, time_s);
            assert_eq!(warming.ratio(SimDuration::ZERO), 0.0);
            for decade in -60..60 {
                let since = 10f64.powf(f64::from(decade) / 10.0);
                let exact = hit_ratio(&bands, since.min(time_s));
                let found = warming.ratio(SimDuration::from_secs(since));
                assert!((found - exact).abs() < 1e-3, "{since} s: {found}, {exact}");
            }
        }
    }

    #[test]
    fn a_class_that_bypasses_the_cache_never_hits() {
        assert_eq!(Warming::of(&[], 5.0).ratio(SimDuration::from_us(1_000_000)), 0.0);
    }

    #[test]
    fn a_cache_without_room_never_hits_and_one_time_is_a_table() {
        let bands = zipf_bands(0.9, 1 << 10, 1e3).expect("in the domain");
        let second = SimDuration::from_us(1_000_000);
        assert_eq!(Warming::of(&bands, 0.0).ratio(second), 0.0);
        // Shorter than the time in which the first item is asked for at all.
        let found = Warming::of(&bands, 1e-9).ratio(second);
        assert!((found - hit_ratio(&bands, 1e-9)).abs() < 1e-12, "{found}");
    }
}
