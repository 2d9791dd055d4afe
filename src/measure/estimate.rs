//! From replications to figures with intervals.
//!
//! One number per independent replication goes into an interval, never one per request: latencies in
//! a queue are correlated, and an interval over them is far too short (shown in `tests/it/measure.rs`).
//! The point is always the pooled estimate. The interval takes its squares about that point
//! ("sectioning": Asmussen & Glynn 2007, chapter III.5; Nakayama 2014), because the mean of
//! percentiles over short replications is biased, and squares about it would hide the bias.

use std::cell::OnceCell;
use std::fmt;

use super::latency::{Latencies, Quantile, rank};
use super::student::two_sided;

/// Fewest requests beyond a percentile, over all replications, for it to be told.
const FEWEST_BEYOND: u64 = 200;
/// Fewest requests beyond a percentile in each replication.
const FEWEST_BEYOND_EACH: u64 = 10;

/// A figure and the two ends of its interval, in the unit of what was estimated (ps for latencies).
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Interval {
    /// Point estimate.
    pub value: f64,
    /// Low end.
    pub low: f64,
    /// High end.
    pub high: f64,
}

impl Interval {
    /// The interval that reaches `half` to each side of `value`.
    pub fn about(value: f64, half: f64) -> Self {
        Interval { value, low: value - half, high: value + half }
    }

    /// The same with its low end not below zero: times and rates are not negative.
    pub fn above_zero(self) -> Self {
        Interval { low: self.low.max(0.0), ..self }
    }

    /// Half its width ÷ the value, on the high side (the low one may be cut at zero). Zero if the
    /// value is known exactly, none if the value is zero and its interval is not.
    pub fn relative_half_width(&self) -> Option<f64> {
        let half = self.high - self.value;
        if half == 0.0 {
            return Some(0.0);
        }
        (self.value != 0.0).then(|| half / self.value.abs())
    }
}

/// Why a figure does not exist. Displays as words.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Reason {
    /// No request was measured.
    Nothing,
    /// One replication has no spread.
    OneReplication,
    /// Too few requests beyond the percentile in all.
    FewBeyond(u64),
    /// Too few requests beyond the percentile in some replication.
    FewBeyondInOne(u64),
    /// The figure depends on requests that had not finished when the run ended.
    Unfinished(u64),
    /// The percentile lies above one hour.
    AboveRange,
}

impl fmt::Display for Reason {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        match self {
            Reason::Nothing => write!(f, "no request was measured"),
            Reason::OneReplication => write!(f, "an interval needs at least 2 replications"),
            // Without the count, so that all figures with this reason share one footnote.
            Reason::FewBeyond(_) => {
                write!(f, "fewer than {FEWEST_BEYOND} requests lie beyond this percentile")
            }
            Reason::FewBeyondInOne(_) => {
                write!(f, "a replication has fewer than {FEWEST_BEYOND_EACH} requests beyond this percentile")
            }
            Reason::Unfinished(_) => write!(f, "some of its requests had not finished when the run ended"),
            Reason::AboveRange => write!(f, "longer than one hour"),
        }
    }
}

impl std::error::Error for Reason {}

/// All replications' latencies together, in the order given.
pub fn pool(replications: &[&Latencies]) -> Latencies {
    let mut pooled = Latencies::new();
    replications.iter().for_each(|latencies| pooled.merge(latencies));
    pooled
}

/// The mean latency in ps: total ÷ count over all replications, with its interval.
///
/// A ratio of two sums, since replications hold different counts nᵢ: the interval rests on the
/// squares of nᵢ(mᵢ − m) (Cochran 1977, chapter 6, the ratio estimator's linearised variance).
/// Fails with fewer than two replications, with no request, or if some had not finished: a mean
/// without the slowest would be too good.
pub fn mean_estimate(replications: &[&Latencies], confidence: f64) -> Result<Interval, Reason> {
    let (mean, sections) = mean_sections(replications)?;
    let half = half_width(sections.into_iter(), confidence).ok_or(Reason::OneReplication)?;
    Ok(Interval::about(mean, half).above_zero())
}

/// The `p`-quantile (0 to 1) of latency in ps: that of the pooled histogram, with its interval by
/// sectioning, and half a bucket added to the half-width.
///
/// Replications weigh by their counts, as they do in the pooled histogram; with equal counts this is
/// t·S/√R with S² = Σ(qᵢ − q)²/(R − 1). Fails where the percentile rests on too few requests (200
/// beyond it in all, 10 in each replication) or is not finite.
pub fn percentile_estimate(replications: &[&Latencies], p: f64, confidence: f64) -> Result<Interval, Reason> {
    estimate_in(&OnceCell::new(), replications, p, confidence)
}

/// The same of several percentiles, for which the histograms are pooled once.
pub fn percentile_estimates(
    replications: &[&Latencies],
    percentiles: impl Iterator<Item = f64>,
    confidence: f64,
) -> Vec<Result<Interval, Reason>> {
    let pooled = OnceCell::new();
    percentiles.map(|p| estimate_in(&pooled, replications, p, confidence)).collect()
}

fn estimate_in(
    pooled: &OnceCell<Latencies>,
    replications: &[&Latencies],
    p: f64,
    confidence: f64,
) -> Result<Interval, Reason> {
    let (point, sections) = sections_in(pooled, replications, p)?;
    let half = half_width(sections.into_iter(), confidence).ok_or(Reason::OneReplication)?;
    Ok(Interval::about(point.value, half + point.resolution).above_zero())
}

/// A replication's weight (its count), and how far its own figure lies from the pooled one, ps.
pub(super) type Section = (f64, f64);

/// The mean over all replications, ps, and a section for each. Fails as [`mean_estimate`] does.
pub(super) fn mean_sections(replications: &[&Latencies]) -> Result<(f64, Vec<Section>), Reason> {
    let count: u64 = replications.iter().map(|l| l.count()).sum();
    let survivors: u64 = replications.iter().map(|l| l.survivors()).sum();
    if survivors > 0 {
        return Err(Reason::Unfinished(survivors));
    }
    if count == 0 {
        return Err(Reason::Nothing);
    }
    let sum: u128 = replications.iter().map(|l| l.sum_ps()).sum();
    let mean = sum as f64 / count as f64;
    let section = |l: &&Latencies| (l.count() as f64, l.mean_ps().map_or(0.0, |own| own - mean));
    Ok((mean, replications.iter().map(section).collect()))
}

/// The `p`-quantile of the pooled histogram, and a section for each replication. Fails as
/// [`percentile_estimate`] does.
pub(super) fn percentile_sections(
    replications: &[&Latencies],
    p: f64,
) -> Result<(Quantile, Vec<Section>), Reason> {
    sections_in(&OnceCell::new(), replications, p)
}

/// The same where the replications may have been pooled already. What has too few requests is told without pooling.
fn sections_in(
    pooled: &OnceCell<Latencies>,
    replications: &[&Latencies],
    p: f64,
) -> Result<(Quantile, Vec<Section>), Reason> {
    let total: u64 = replications.iter().map(|l| l.total()).sum();
    if total == 0 {
        return Err(Reason::Nothing);
    }
    let beyond = total - rank(p, total);
    if beyond < FEWEST_BEYOND {
        return Err(Reason::FewBeyond(beyond));
    }
    let fewest = replications.iter().map(|l| l.beyond(p)).min().unwrap_or(0);
    if fewest < FEWEST_BEYOND_EACH {
        return Err(Reason::FewBeyondInOne(fewest));
    }
    let pooled = pooled.get_or_init(|| pool(replications));
    let point = pooled.quantile(p).ok_or_else(|| not_finite(pooled))?;
    let mut sections = Vec::with_capacity(replications.len());
    for latencies in replications {
        let own = latencies.quantile(p).ok_or_else(|| not_finite(latencies))?;
        sections.push((latencies.total() as f64, own.value - point.value));
    }
    Ok((point, sections))
}

/// The natural logarithm of the `p`-quantile in ps, as [`percentile_estimate`] but with squares of logarithms: for tests
/// against a bound where replications differ by factors, as they do near saturation. Fails as that does.
pub fn log_percentile_estimate(
    replications: &[&Latencies],
    p: f64,
    confidence: f64,
) -> Result<Interval, Reason> {
    let (point, sections) = percentile_sections(replications, p)?;
    let in_logarithms = sections.into_iter().map(|(weight, apart)| (weight, (apart / point.value).ln_1p()));
    let half = half_width(in_logarithms, confidence).ok_or(Reason::OneReplication)?;
    Ok(Interval::about(point.value.ln(), half + point.resolution / point.value))
}

fn not_finite(latencies: &Latencies) -> Reason {
    match latencies.survivors() {
        0 => Reason::AboveRange,
        n => Reason::Unfinished(n),
    }
}

/// The mean of one number per replication that cannot be negative (requests per second, say), with
/// its t interval. None with fewer than two.
pub fn rate_estimate(values: &[f64], confidence: f64) -> Option<Interval> {
    t_interval(values, confidence).map(Interval::above_zero)
}

/// The mean of one number per replication, of either sign (a difference, a drift), with its t
/// interval. None with fewer than two.
pub fn t_interval(values: &[f64], confidence: f64) -> Option<Interval> {
    let mean = values.iter().sum::<f64>() / values.len() as f64;
    let half = half_width(values.iter().map(|value| (1.0, value - mean)), confidence)?;
    Some(Interval::about(mean, half))
}

/// t·S/√R with S² = Σ(wᵢ dᵢ/w̄)²/(R − 1), for deviations d from the point and weights w.
pub(super) fn half_width(sections: impl Iterator<Item = (f64, f64)>, confidence: f64) -> Option<f64> {
    let (mut count, mut weights, mut squares) = (0_u32, 0.0, 0.0);
    for (weight, deviation) in sections {
        count += 1;
        weights += weight;
        squares += (weight * deviation).powi(2);
    }
    if count < 2 {
        return None;
    }
    if squares == 0.0 {
        return Some(0.0);
    }
    let r = f64::from(count);
    let spread = (squares / (r - 1.0)).sqrt() / (weights / r);
    Some(two_sided(confidence, count - 1) * spread / r.sqrt())
}

#[cfg(test)]
mod tests {
    use super::*;

    fn constant(us: u64, n: usize) -> Latencies {
        let mut latencies = Latencies::new();
        (0..n).for_each(|_| latencies.record(us * 1_000_000));
        latencies
    }

    #[test]
    fn t_interval_matches_a_sum_done_by_hand() {
        // 1, 2, 3, 4: mean 2.5, s² = 5/3, s/√4 = 0.645497…, t(0.975, 3) = 3.182446….
        let found = t_interval(&[1.0, 2.0, 3.0, 4.0], 0.95).expect("four values");
        assert_eq!(found.value, 2.5);
        assert!((found.high - 2.5 - 3.18244630528371 * 0.6454972243679028).abs() < 1e-12);
        assert!((found.high - found.value - (found.value - found.low)).abs() < 1e-12);
        assert_eq!(t_interval(&[1.0], 0.95), None);
        assert_eq!(t_interval(&[], 0.95), None);
    }

    #[test]
    fn a_rate_is_never_below_zero() {
        let found = rate_estimate(&[0.0, 1.0], 0.95).expect("two values");
        assert_eq!(found.low, 0.0);
        assert!(found.high > 6.0);
    }

    #[test]
    fn the_mean_weighs_replications_by_their_requests() {
        let (few, many) = (constant(300, 10), constant(100, 30));
        let found = mean_estimate(&[&few, &many], 0.95).expect("two replications");
        assert_eq!(found.value, 150e6);
        // n(m − mean): 10·150 and 30·(−50) µs; s = √(2·1500²); mean count 20; t(0.975, 1) = 12.7062….
        let half = 12.706204736174705 * (2.0 * 1500.0_f64.powi(2)).sqrt() / 20.0 / 2.0_f64.sqrt() * 1e6;
        assert!((found.high - found.value - half).abs() < 1e-9 * half);
        assert_eq!(found.low, 0.0);
    }

    #[test]
    fn a_percentile_known_exactly_is_as_wide_as_its_bucket() {
        let r = constant(250, 1_000);
        let found = percentile_estimate(&[&r, &r, &r], 0.9, 0.95).expect("300 beyond");
        // 250,000 ns lies in a bucket of 128 ns: lowest 249,984.
        assert_eq!(found, Interval::about(250_047.5e3, 64e3));
    }

    #[test]
    fn a_percentile_that_rests_on_too_few_requests_is_refused_with_a_reason() {
        let (small, large) = (constant(250, 900), constant(250, 30_000));
        let refused = |set: &[&Latencies], p| percentile_estimate(set, p, 0.95).expect_err("too few");
        assert_eq!(refused(&[&small, &small], 0.9), Reason::FewBeyond(180));
        assert_eq!(refused(&[&small, &large], 0.99), Reason::FewBeyondInOne(9));
        assert_eq!(refused(&[&large], 0.99), Reason::OneReplication);
        assert_eq!(refused(&[], 0.99), Reason::Nothing);
        assert_eq!(Reason::FewBeyond(180).to_string(), "fewer than 200 requests lie beyond this percentile");
    }

    #[test]
    fn survivors_leave_low_percentiles_and_take_away_high_ones_and_the_mean() {
        let mut cut = constant(250, 9_000);
        cut.add_survivors(1_000);
        assert!(percentile_estimate(&[&cut, &cut], 0.9, 0.95).is_ok());
        assert_eq!(percentile_estimate(&[&cut, &cut], 0.95, 0.95), Err(Reason::Unfinished(2_000)));
        assert_eq!(mean_estimate(&[&cut, &cut], 0.95), Err(Reason::Unfinished(2_000)));
    }
}
