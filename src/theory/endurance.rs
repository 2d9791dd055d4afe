//! How long flash lasts: rated bytes, drive writes per day, years.
//!
//! A rating counts bytes that a host writes to the drive under the rating's own workload (JEDEC JESD218 defines it,
//! JESD219 the enterprise workload), and so contains the amplification of that workload. What the flash bears in all is the
//! rating times that amplification; another workload that amplifies less may write more. The amplification must not be
//! counted twice: against the rating stand host bytes, against the budget flash bytes.
//!
//! Left out: rest time and temperature (retention), wear that is not level, and how amplification changes as spare blocks
//! are used up. A year has 365 days, as in the trade's formula.

use super::cleaning::{Heat, fifo_spare, mixed_amplification};

/// Days of a year in ratings.
pub const DAYS_A_YEAR: f64 = 365.0;

/// Places and writes of the enterprise workload of JEDEC JESD219 (2010): half of the accesses to 5 % of the addresses, 30 % to
/// 15 %, 20 % to the rest (check D-JESD219-SKEW).
pub const ENTERPRISE: [Heat; 3] =
    [Heat { space: 0.05, writes: 0.5 }, Heat { space: 0.15, writes: 0.3 }, Heat { space: 0.8, writes: 0.2 }];

/// Bytes that a rating lets a host write: drive writes per day × capacity × 365 × years (trade practice; check D-TBW).
pub fn rated_bytes(drive_writes_per_day: f64, capacity: f64, years: f64) -> f64 {
    drive_writes_per_day * capacity * DAYS_A_YEAR * years
}

/// How often a day so many bytes fill a drive.
pub fn drive_writes_per_day(bytes_a_day: f64, capacity: f64) -> f64 {
    bytes_a_day / capacity
}

/// Amplification of the rating's workload on a full drive whose uniform random writes have `random_amplification`: places
/// as unlike as [`ENTERPRISE`], in one log (D-WA-HOTCOLD). 1 where random writes cost nothing more.
pub fn rating_amplification(random_amplification: f64) -> f64 {
    let spare = fifo_spare(random_amplification);
    if spare.is_infinite() { 1.0 } else { mixed_amplification(spare, &ENTERPRISE).max(1.0) }
}

/// Years until a budget of bytes is written; infinite if nothing is.
pub fn years(budget: f64, bytes_a_day: f64) -> f64 {
    budget / (bytes_a_day * DAYS_A_YEAR)
}

/// Something of which there is so much now, and that grows by a share a year, compound.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Growing {
    /// Now: bytes, or bytes a day.
    pub now: f64,
    /// Growth a year as a share, 0 at least.
    pub growth: f64,
}

impl Growing {
    /// After so many years.
    pub fn after(&self, years: f64) -> f64 {
        self.now * (years * self.growth.ln_1p()).exp()
    }
}

/// Bytes written in `span` years whose days begin with `first` bytes and end with `last`, growing by the same share all
/// along: 365 · span · (last − first)/ln(last/first).
fn between(first: f64, last: f64, span: f64) -> f64 {
    let log = (last / first).ln();
    let mean =
        if log.is_finite() && log.abs() > 1e-9 { (last - first) / log } else { f64::midpoint(first, last) };
    mean * DAYS_A_YEAR * span
}

/// Bytes written until `years`, by what the days of some years write: pairs of a year, from 0 and rising, and the bytes
/// of its first day. Between them the bytes grow evenly; none after the last pair are counted.
pub fn written_by(years: f64, days: &[(f64, f64)]) -> f64 {
    let step = |pair: &[(f64, f64)]| {
        let [(from, first), (to, last)] = pair else { return 0.0 };
        let part = ((years - from) / (to - from)).clamp(0.0, 1.0);
        between(*first, first * (last / first).powf(part), (to - from) * part)
    };
    days.windows(2).map(step).sum()
}

/// Years until a budget of bytes is written, by such pairs; infinite if that is later than the last of them.
pub fn years_growing(budget: f64, days: &[(f64, f64)]) -> f64 {
    let mut left = budget;
    for pair in days.windows(2) {
        let [(from, first), (to, last)] = pair else { continue };
        let all = between(*first, *last, to - from);
        if all < left {
            left -= all;
            continue;
        }
        let rate = (last / first).ln() / (to - from);
        let days = left / (first * DAYS_A_YEAR);
        return from
            + if rate.is_finite() && rate.abs() > 1e-9 { (rate * days).ln_1p() / rate } else { days };
    }
    f64::INFINITY
}

/// Farther ahead nothing that grows is told.
pub const YEARS_MAX: f64 = 100.0;

/// Years until the parts fill a room: 0 if they do now, infinite if that takes more than [`YEARS_MAX`].
pub fn years_until_full(room: f64, parts: &[Growing]) -> f64 {
    let taken = |years: f64| parts.iter().map(|part| part.after(years)).sum::<f64>();
    if taken(0.0) > room {
        return 0.0;
    }
    if taken(YEARS_MAX) <= room {
        return f64::INFINITY;
    }
    let (mut low, mut high) = (0.0, YEARS_MAX);
    // To a quarter of an hour: 2^22 of them are a century.
    for _ in 0..22 {
        let middle = f64::midpoint(low, high);
        if taken(middle) > room { high = middle } else { low = middle }
    }
    f64::midpoint(low, high)
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::theory::cleaning::fifo_amplification;

    #[track_caller]
    fn near(found: f64, expected: f64, tolerance: f64) {
        assert!((found / expected - 1.0).abs() <= tolerance, "{found} for {expected}");
    }

    /// D-TBW: three public notes with worked examples.
    #[test]
    fn ratings_turn_into_bytes_as_in_the_rows() {
        let tb = |dwpd, capacity, years| rated_bytes(dwpd, capacity, years) / 1e12;
        near(tb(1.0, 0.96e12, 5.0), 1752.0, 1e-9);
        near(tb(1.0, 3.84e12, 5.0), 7008.0, 1e-9);
        near(tb(3.0, 1.6e12, 5.0), 8760.0, 1e-9);
        near(tb(1.0, 7.68e12, 5.0), 14_016.0, 1e-9);
        near(tb(10.0, 0.2e12, 5.0), 3650.0, 1e-9);
        // Twice the capacity in a family takes twice the bytes.
        near(tb(1.0, 7.68e12, 5.0) / tb(1.0, 3.84e12, 5.0), 2.0, 1e-12);
        near(1432e12 / rated_bytes(1.0, 1.8e12, 5.0), 0.4359209, 1e-6);
        near(365e12 / rated_bytes(1.0, 0.2e12, 5.0), 1.0, 1e-12);
        near(drive_writes_per_day(44.44444e6 * 86_400.0, 3.84e12), 1.0, 1e-6);
    }

    /// D-PE: a drive of 3.84 TB under 200 MB/s; 24 of them under 100 MB/s of small writes to single parity.
    #[test]
    fn years_match_the_rows() {
        let rated = rated_bytes(1.0, 3.84e12, 5.0);
        near(years(rated, 200e6 * 86_400.0), 1.111111, 1e-6);
        near(years(24.0 * rated, 2.0 * 100e6 * 86_400.0), 26.66667, 1e-6);
        assert_eq!(years(rated, 0.0), f64::INFINITY);
    }

    /// The enterprise workload's rows of D-WA-HOTCOLD, by way of the uniform amplification at the same spare.
    #[test]
    fn the_ratings_own_workload_amplifies_as_the_rows_say() {
        for (spare, mixed) in [(0.07, 8.52577), (0.28, 3.025635)] {
            near(rating_amplification(fifo_amplification(spare)), mixed, 1e-6);
        }
        assert_eq!(rating_amplification(1.0), 1.0);
        let all: (f64, f64) = ENTERPRISE.iter().fold((0.0, 0.0), |s, h| (s.0 + h.space, s.1 + h.writes));
        assert!((all.0 - 1.0).abs() < 1e-12 && (all.1 - 1.0).abs() < 1e-12);
        // Twice the rating's pace takes half the years, whatever the amplification: it cancels.
        let budget = rated_bytes(1.0, 3.84e12, 5.0) * rating_amplification(4.0);
        near(years(budget, 3.84e12 * rating_amplification(4.0)), 5.0, 1e-12);
    }

    #[test]
    fn growth_is_the_sum_over_its_years() {
        // 100 bytes a day that grow by 20 % a year: budget = 100 · 365 · (1.2^T − 1)/ln 1.2, whatever years are given.
        let part = Growing { now: 100.0, growth: 0.2 };
        let budget = 1e6;
        let exact = (budget / 36_500.0 * 1.2f64.ln()).ln_1p() / 1.2f64.ln();
        for years in [&[0.0, 32.0][..], &[0.0, 1.0, 2.0, 4.0, 8.0, 16.0, 32.0], &[0.0, 17.0, 17.5, 40.0]] {
            let days: Vec<(f64, f64)> = years.iter().map(|year| (*year, part.after(*year))).collect();
            near(years_growing(budget, &days), exact, 1e-9);
            near(written_by(exact, &days), budget, 1e-9);
        }
        let still = [(0.0, 100.0), (50.0, 100.0)];
        near(years_growing(budget, &still), super::years(budget, 100.0), 1e-12);
        near(written_by(2.5, &still), 100.0 * 365.0 * 2.5, 1e-12);
        assert_eq!(years_growing(budget, &[(0.0, 100.0), (5.0, 100.0)]), f64::INFINITY);
        assert_eq!(years_growing(budget, &[(0.0, 0.0), (5.0, 0.0)]), f64::INFINITY);
    }

    #[test]
    fn a_room_is_full_when_its_parts_have_grown_to_it() {
        // 100 of 250 are left after one doubling and a bit: 2.5 = 2^t.
        let double = Growing { now: 100.0, growth: 1.0 };
        let still = Growing { growth: 0.0, ..double };
        near(years_until_full(250.0, &[double]), 2.5_f64.log2(), 1e-4);
        near(years_until_full(350.0, &[double, still]), 2.5_f64.log2(), 1e-4);
        assert_eq!(years_until_full(99.0, &[double]), 0.0);
        assert_eq!(years_until_full(101.0, &[still]), f64::INFINITY);
    }
}
