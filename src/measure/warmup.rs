//! Where the start-up ends: MSER-5.
//!
//! A run starts empty, and its first latencies are too good. MSER cuts the series where the standard
//! error of what remains, taken as if independent, is smallest: cutting more of a transient lowers the
//! variance, cutting good values lowers their number (White 1997; on batches of five: White, Cobb &
//! Spratt 2000; on means over replications: Hoad, Robinson & Davies 2010).

/// Values to a batch.
const BATCH: usize = 5;
/// Batches at the end that no cut may leave alone: a few that happen to be close would look steady
/// (Hoad et al. 2010 leave out as many; from memory).
const TAIL: usize = 5;
/// Fewest batches that a verdict may rest on (project choice).
const FEWEST_BATCHES: usize = 20;

/// The number of values to discard from the start of `series`, whose members are means over
/// replications of equal spans of time; a multiple of five.
///
/// None means "not settled": the statistic is least past half of the series, or the series is shorter
/// than 100 values or holds one that is not finite. Values after the last full batch are ignored.
pub fn truncation(series: &[f64]) -> Option<usize> {
    let batches: Vec<f64> =
        series.chunks_exact(BATCH).map(|batch| batch.iter().sum::<f64>() / BATCH as f64).collect();
    if batches.len() < FEWEST_BATCHES || batches.iter().any(|mean| !mean.is_finite()) {
        return None;
    }
    let cut = cheapest_cut(&batches);
    (cut <= batches.len() / 2).then_some(cut * BATCH)
}

/// The d that minimises MSER(d) = Σ_{i>d} (y_i − ȳ_d)² / (n − d)²; the least of equals.
///
/// Sums from the end (Welford's update), so that every d costs one step.
fn cheapest_cut(batches: &[f64]) -> usize {
    let (mut count, mut mean, mut squares) = (0.0, 0.0, 0.0);
    let (mut best, mut least) = (batches.len(), f64::INFINITY);
    for (d, &value) in batches.iter().enumerate().rev() {
        count += 1.0;
        let delta = value - mean;
        mean += delta / count;
        squares += delta * (value - mean);
        let mser = squares / (count * count);
        if count >= TAIL as f64 && mser <= least {
            (best, least) = (d, mser);
        }
    }
    best
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::engine::{Key, Purpose};

    const NOISE: Purpose = Purpose::named("noise");

    /// Independent exponentials with mean 1: skewed, as means over few replications are.
    fn noise(seed: u64, length: usize) -> Vec<f64> {
        let mut draws = Key::root(seed).named("warm-up").draws(NOISE);
        (0..length).map(|_| -(1.0 - draws.unit()).ln()).collect()
    }

    fn mean(values: &[f64]) -> f64 {
        values.iter().sum::<f64>() / values.len() as f64
    }

    type Rule = fn(&[f64]) -> Option<usize>;

    /// Of 200 series with a start-up that fades as 4·e^(−i/40), the mean bias that is left, and how
    /// many are called settled.
    fn bias_left_by(rule: Rule) -> (f64, usize) {
        let mut left = Vec::new();
        for seed in 0..200 {
            let series: Vec<f64> = (noise(seed, 1_000).iter().enumerate())
                .map(|(i, x)| x - 4.0 * (-(i as f64) / 40.0).exp())
                .collect();
            left.extend(rule(&series).map(|cut| mean(&series[cut..]) - 1.0));
        }
        (mean(&left), left.len())
    }

    /// Of 400 series without any start-up, how many keep at least three quarters.
    fn noise_kept_by(rule: Rule) -> usize {
        (0..400).filter(|&seed| rule(&noise(1_000 + seed, 1_000)).is_some_and(|cut| cut <= 250)).count()
    }

    /// Claim:   MSER-5 cuts a start-up where it sinks into the noise, and keeps noise.
    /// Method:  200 series of 1,000, biased by 0.16 if nothing is cut, seeds 0..200; 400 of noise alone.
    ///          Cutting one more batch lowers the statistic while its squared distance from the mean
    ///          exceeds twice the variance of a batch, 2/5; in the mean until the start-up has sunk to
    ///          √(1/5) = 0.447. What is left then sums to 40·0.447 over about 910 values: 0.0197.
    /// Alarm:   the mean of 200 has a standard error of 1/√(200·910) = 0.0023; 0.0095 is 4 of them
    ///          (6e-5). On noise the statistic climbs by 1 a batch with steps of variance 3.2, so a
    ///          least value 50 batches in has a probability of about e^(−50/6.4) = 4e-4, and one among
    ///          the last few of about 2e-3: 20 of 400, or 10 of 200, have
    ///          a probability under 1e-8.
    /// Catches: a rule that cuts nothing, and one that leaves out the square of the number kept.
    #[test]
    fn a_start_up_is_cut_and_noise_is_kept() {
        let (bias, settled) = bias_left_by(truncation);
        assert!((bias + 0.0197).abs() < 0.0095, "bias left {bias}");
        assert!(settled >= 190, "{settled} of 200 settled");
        let kept = noise_kept_by(truncation);
        assert!(kept >= 380, "{kept} of 400 noise series keep three quarters");
    }

    /// The same claim does not hold for two broken rules.
    #[test]
    fn broken_rules_fail_the_same_claims() {
        let (bias, _) = bias_left_by(|_| Some(0));
        assert!((bias + 0.0197).abs() > 0.1, "bias left {bias}");
        // The variance alone, not that of the mean: nothing speaks against cutting nearly all.
        let by_variance: Rule = |series| {
            let variance = |cut: usize| {
                let (kept, centre) = (&series[cut..], mean(&series[cut..]));
                kept.iter().map(|x| (x - centre).powi(2)).sum::<f64>() / kept.len() as f64
            };
            let cut = (0..series.len() - 25).step_by(5).min_by(|&a, &b| variance(a).total_cmp(&variance(b)));
            cut.filter(|&cut| cut <= series.len() / 2)
        };
        let kept = noise_kept_by(by_variance);
        assert!(kept < 380, "{kept} of 400 noise series keep three quarters");
    }

    #[test]
    fn a_series_still_climbing_is_not_settled() {
        let series: Vec<f64> = noise(7, 1_000).iter().enumerate().map(|(i, x)| x + i as f64 / 50.0).collect();
        assert_eq!(truncation(&series), None);
    }

    #[test]
    fn a_constant_series_needs_no_cut_and_a_short_or_endless_one_no_verdict() {
        assert_eq!(truncation(&[3.0; 200]), Some(0));
        assert_eq!(truncation(&[3.0; 99]), None);
        let mut broken = [3.0; 200];
        broken[4] = f64::NAN;
        assert_eq!(truncation(&broken), None);
    }

    #[test]
    fn the_cut_matches_the_definition_done_the_long_way() {
        let series: Vec<f64> =
            noise(3, 400).iter().enumerate().map(|(i, x)| x + if i < 60 { 5.0 } else { 0.0 }).collect();
        let batches: Vec<f64> = series.chunks_exact(5).map(mean).collect();
        let mser = |d: usize| {
            let (kept, centre) = (&batches[d..], mean(&batches[d..]));
            kept.iter().map(|y| (y - centre).powi(2)).sum::<f64>() / (kept.len() as f64).powi(2)
        };
        let least = (0..=batches.len() - TAIL).min_by(|&a, &b| mser(a).total_cmp(&mser(b)));
        assert_eq!(truncation(&series), least.map(|d| d * 5));
        assert!(truncation(&series).is_some_and(|cut| (60..=100).contains(&cut)));
    }
}
