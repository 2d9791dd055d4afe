//! Risk of losing data: a chain of lost drives, solved exactly, and sectors that cannot be read.
//!
//! A set of n drives survives the loss of any p of them. It is a birth and death chain: with i drives gone another one
//! goes at the rate (n − i)·λ, and one at a time is restored at the rate μ; the p + 1st loss is the loss of data. Where the
//! last redundancy is gone (i = p) a rebuild meets a sector that it cannot read with a probability q, and that ends in
//! loss, too. G. Gibson & D. Patterson, JPDC 17 (1993); P. Chen et al., ACM Computing Surveys 26(2) (1994); J. Resch &
//! I. Volvovski, arXiv 1310.4702, on the limits of such chains.
//!
//! Left out: failures that come together (one power supply, one batch, one mistake), drives that age, errors that lie
//! unread until they are wanted with no scrub, and every loss that is not a drive's. Rates are constant, and a rebuild takes
//! an exponential time of the stated mean.

/// Most losses that a chain may survive.
pub const LOSSES_MAX: u32 = 3;
/// States: none lost to [`LOSSES_MAX`], and data lost.
const STATES: usize = LOSSES_MAX as usize + 2;

/// Drives of which some may be lost.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Chain {
    /// Number of drives, n, at least 1.
    pub drives: u32,
    /// p: losses that are survived, fewer than n and at most [`LOSSES_MAX`].
    pub survives: u32,
    /// λ: failures of one drive in an hour.
    pub failures_per_h: f64,
    /// μ: lost drives restored in an hour, one at a time; 0 if none ever is.
    pub repairs_per_h: f64,
    /// q: probability that a rebuild without redundancy left ends in loss, 0 to 1.
    pub spoilt: f64,
}

impl Chain {
    /// Rates up (towards loss) and down of state i ≤ p.
    fn rates(&self, lost: u32) -> (f64, f64) {
        let up = f64::from(self.drives - lost) * self.failures_per_h;
        match lost {
            0 => (up, 0.0),
            _ if lost == self.survives => {
                (up + self.repairs_per_h * self.spoilt, self.repairs_per_h * (1.0 - self.spoilt))
            }
            _ => (up, self.repairs_per_h),
        }
    }

    /// Mean hours until data is lost, exactly: the sum over i of the mean time from i lost drives to i + 1, h_i =
    /// (1 + μ_i·h_(i−1))/λ_i. No term is negative, so that nothing cancels. Infinite if no drive ever fails.
    pub fn mean_hours(&self) -> f64 {
        let mut step = 0.0;
        (0..=self.survives)
            .map(|lost| {
                let (up, down) = self.rates(lost);
                step = (1.0 + down * step) / up;
                step
            })
            .sum()
    }

    /// The formula usually printed, for rebuilds that are short against the time between failures:
    /// μ^p / (n(n−1)…(n−p)·λ^(p+1)), or with q of the last rebuilds spoilt one over the sum of both rates. Too low by a
    /// share of about (2n − 1)·λ/μ for p = 1.
    pub fn mean_hours_rare(&self) -> f64 {
        let p = self.survives;
        // Product of the rates from none lost to `to` lost, each but the first divided by μ.
        let product = |to: u32| -> f64 {
            let falls = (0..to).map(|lost| f64::from(self.drives - lost) * self.failures_per_h);
            falls.product::<f64>() / self.repairs_per_h.powi(to as i32 - 1)
        };
        let spoilt = if p == 0 { 0.0 } else { product(p) * self.spoilt };
        1.0 / (product(p + 1) + spoilt)
    }

    /// Probability that data is lost within so many hours, with no drive lost at the start: exactly, as an element of the
    /// exponential of the rate matrix. That matrix is made non-negative by its fastest rate (A. Jensen, Skandinavisk
    /// Aktuarietidskrift 36, 1953), summed over a short time and squared: no subtraction, so that a probability of 1e-12
    /// keeps its digits. Relative error about 1e-16 × the number of short times (below 1e-9).
    pub fn loss_probability(&self, hours: f64) -> f64 {
        let states = self.survives as usize + 1;
        let fastest = (0..=self.survives)
            .map(|lost| {
                let (up, down) = self.rates(lost);
                up + down
            })
            .fold(0.0, f64::max);
        if fastest <= 0.0 || hours <= 0.0 {
            return 0.0;
        }
        let halvings = (2.0 * fastest * hours).log2().ceil().max(0.0) as u32;
        let short = hours / 2f64.powi(halvings as i32);
        // (Q + Λ)·t of the short time, all elements at least 0.
        let mut rates = [[0.0; STATES]; STATES];
        for (lost, row) in rates.iter_mut().enumerate().take(states) {
            let (up, down) = self.rates(lost as u32);
            row[lost + 1] = up * short;
            if lost > 0 {
                row[lost - 1] = down * short;
            }
            row[lost] = (fastest - up - down).max(0.0) * short;
        }
        rates[states][states] = fastest * short;
        let mut power = identity();
        let mut sum = identity();
        // ‖·‖ ≤ 1/2: 20 terms leave 2^-20/20!, far below a double.
        for term in 1..=20 {
            power = product(&power, &rates, states + 1);
            power.iter_mut().flatten().for_each(|x| *x /= f64::from(term));
            sum.iter_mut().flatten().zip(power.iter().flatten()).for_each(|(s, x)| *s += x);
        }
        let decay = (-fastest * short).exp();
        sum.iter_mut().flatten().for_each(|x| *x *= decay);
        for _ in 0..halvings {
            sum = product(&sum, &sum, states + 1);
        }
        sum[0][states].min(1.0)
    }

    /// The usual formula of the same: hours ÷ [`Chain::mean_hours_rare`].
    pub fn loss_probability_rare(&self, hours: f64) -> f64 {
        hours / self.mean_hours_rare()
    }
}

type Matrix = [[f64; STATES]; STATES];

fn identity() -> Matrix {
    let mut one = [[0.0; STATES]; STATES];
    (0..STATES).for_each(|i| one[i][i] = 1.0);
    one
}

/// Product of the first `size` rows and columns.
fn product(a: &Matrix, b: &Matrix, size: usize) -> Matrix {
    let mut out = [[0.0; STATES]; STATES];
    for i in 0..size {
        for j in 0..size {
            out[i][j] = (0..size).map(|k| a[i][k] * b[k][j]).sum();
        }
    }
    out
}

/// Probability of at least one sector that cannot be read among so many bits, at `uber` errors for each bit read:
/// 1 − (1 − u)^bits. JEDEC JESD218 defines the rate.
pub fn unreadable(bits: f64, uber: f64) -> f64 {
    -(bits * (-uber).ln_1p()).exp_m1()
}

/// Probability that any of `sets` independent ones is lost, each with probability `one`: 1 − (1 − p)^n.
pub fn any_of(sets: f64, one: f64) -> f64 {
    -(sets * (-one).ln_1p()).exp_m1()
}

#[cfg(test)]
mod tests {
    use super::*;

    fn chain(drives: u32, survives: u32, mttf_h: f64, mttr_h: f64) -> Chain {
        let repairs_per_h = if mttr_h > 0.0 { 1.0 / mttr_h } else { 0.0 };
        Chain { drives, survives, failures_per_h: 1.0 / mttf_h, repairs_per_h, spoilt: 0.0 }
    }

    #[track_caller]
    fn near(found: f64, expected: f64, tolerance: f64) {
        assert!((found / expected - 1.0).abs() <= tolerance, "{found} for {expected}");
    }

    /// R-MTTDL: exact rational solutions and the usual formula, MTTF 2e6 h, rebuild 24 h (Gibson & Patterson 1993).
    #[test]
    fn mean_times_to_loss_match_the_rows() {
        let rows = [
            (5, 1, 8.334233e9, 8.333333e9),
            (9, 1, 2.315287e9, 2.314815e9),
            (12, 1, 1.262975e9, 1.262626e9),
            (24, 1, 3.021027e8, 3.019324e8),
            (2, 1, 8.333633e10, 8.333333e10),
            (5, 2, 2.315037e14, 2.314815e14),
            (9, 2, 2.756261e13, 2.755732e13),
            (12, 2, 1.052466e13, 1.052189e13),
            (24, 2, 1.144315e12, 1.143683e12),
        ];
        for (drives, survives, exact, usual) in rows {
            let chain = chain(drives, survives, 2e6, 24.0);
            near(chain.mean_hours(), exact, 1e-6);
            near(chain.mean_hours_rare(), usual, 1e-6);
        }
        // The row's five years, as if loss were exponential; the chain starts whole, and loses one rebuild of them.
        let nine = chain(9, 1, 2e6, 24.0);
        near(nine.loss_probability(43_800.0), 1.891756e-5, 1e-3);
        near(nine.loss_probability(43_800.0 + 24.0), 1.891756e-5, 1e-5);
    }

    /// R-MTTDL-FAST and R-NOREPAIR.
    #[test]
    fn fast_chains_and_chains_without_repair_match_the_rows() {
        near(chain(9, 1, 100.0, 2.0).mean_hours(), 93.05556, 1e-6);
        near(chain(9, 2, 100.0, 2.0).mean_hours(), 692.6587, 1e-6);
        near(chain(2, 1, 100.0, 2.0).mean_hours(), 2650.0, 1e-12);
        near(chain(9, 1, 100.0, 2.0).mean_hours_rare(), 69.44444, 1e-6);
        near(chain(2, 1, 1.0, 0.0).mean_hours(), 1.5, 1e-12);
        near(chain(5, 1, 1.0, 0.0).mean_hours(), 0.45, 1e-12);
        near(chain(6, 2, 1.0, 0.0).mean_hours(), 0.6166667, 1e-6);
        // Five drives of 6e6 h in series; a pair with a repair of 120 h.
        near(chain(5, 0, 6e6, 0.0).mean_hours(), 1.2e6, 1e-12);
        near(chain(2, 1, 6e6, 120.0).mean_hours_rare(), 1.5e11, 1e-12);
    }

    /// R-MTTF-PGK and R-MTTF-CHEN: all groups of an array of 100 drives with check drives, and of 100 drives in groups of 16, by
    /// the formulas as they are printed.
    #[test]
    fn arrays_of_groups_match_the_printed_figures() {
        for (group, checks, printed) in [
            (10, 1, 818_181.8),
            (25, 1, 346_153.8),
            (10, 4, 494_505.5),
            (25, 5, 258_620.7),
            (1, 1, 4_500_000.0),
        ] {
            let groups = f64::from(100 / group);
            near(chain(group + checks, 1, 30_000.0, 1.0).mean_hours_rare() / groups, printed, 1e-6);
        }
        near(chain(16, 1, 2e5, 1.0).mean_hours_rare() * 16.0 / 100.0, 2.666667e7, 1e-6);
        near(chain(16, 2, 2e5, 1.0).mean_hours_rare() * 16.0 / 100.0, 3.809524e11, 1e-6);
    }

    /// Without repair a set is lost when p + 1 have failed: for all n that is (1 − e^(−λt))^n.
    #[test]
    fn the_probability_without_repair_is_that_of_independent_failures() {
        for (drives, hours) in [(2, 0.3), (3, 1e-4), (4, 2.5), (4, 1e-6)] {
            let exact = (-f64::exp_m1(-hours)).powi(drives as i32);
            near(chain(drives, drives - 1, 1.0, 0.0).loss_probability(hours), exact, 1e-12);
        }
    }

    /// With p = 1 the chain has two rates s₁, s₂, the roots of s² + (λ₀ + λ₁ + μ)s + λ₀λ₁ = 0, and loses with probability
    /// 1 − (s₁e^(s₂t) − s₂e^(s₁t))/(s₁ − s₂): K. Trivedi, Probability and Statistics (2002), section 8.5.
    #[test]
    fn the_probability_with_repair_has_the_closed_form_of_two_rates() {
        for (mttf, mttr, hours) in [(100.0, 2.0, 50.0), (2e6, 24.0, 8760.0), (2e6, 0.5, 8760.0)] {
            let c = chain(9, 1, mttf, mttr);
            let (up, more, back) = (9.0 / mttf, 8.0 / mttf, 1.0 / mttr);
            let sum: f64 = up + more + back;
            let root = (sum * sum - 4.0 * up * more).sqrt();
            let (fast, slow) = (-(sum + root) / 2.0, -2.0 * up * more / (sum + root));
            let (lost_slow, lost_fast) = (-(slow * hours).exp_m1(), -(fast * hours).exp_m1());
            // 1 = (fast − slow)/(fast − slow), taken apart so that small figures keep their digits.
            let exact = (fast * lost_slow - slow * lost_fast) / (fast - slow);
            near(c.loss_probability(hours), exact, 1e-9);
        }
    }

    #[test]
    fn a_spoilt_rebuild_is_a_loss() {
        let sure = Chain { spoilt: 1.0, ..chain(9, 1, 2e6, 24.0) };
        // Every failure ends in loss once its rebuild is over.
        near(sure.mean_hours(), 2e6 / 9.0 + 1.0 / (1.0 / 24.0 + 8.0 / 2e6), 1e-12);
        let some = Chain { spoilt: 0.01, ..sure };
        near(some.mean_hours_rare(), 1.0 / (1.0 / 2.314815e9 + 9.0 / 2e6 * 0.01), 1e-6);
        near(some.loss_probability(8760.0), some.loss_probability_rare(8760.0), 0.01);
        let never = Chain { failures_per_h: 0.0, ..some };
        assert_eq!((never.loss_probability(8760.0), never.mean_hours()), (0.0, f64::INFINITY));
    }

    /// R-URE and D-UBER: public worked examples (38, 4.7, 21 and 2.4 % for 6 and 3 TB at 1e-14 and 1e-15; 4.1e-12 a
    /// sector).
    #[test]
    fn unreadable_sectors_match_the_rows() {
        let rows = [
            (6e12, 1e-14, 0.3812166),
            (6e12, 1e-15, 0.04686621),
            (3e12, 1e-14, 0.2133721),
            (3e12, 1e-15, 0.02371429),
            (8.0 * 7.68e12, 1e-17, 0.00490314),
            (23.0 * 7.68e12, 1e-16, 0.1317816),
            (23.0 * 15.36e12, 1e-17, 0.02786675),
            (3.84e12, 1e-16, 0.003067286),
            (512.0, 1e-15, 4.096e-12),
            (10e12, 1e-15, 0.07688365),
        ];
        for (bytes, uber, expected) in rows {
            near(unreadable(8.0 * bytes, uber), expected, 1e-6);
        }
        near(any_of(24.0, 1e-9), 2.4e-8, 1e-7);
        near(any_of(2.0, 0.5), 0.75, 1e-12);
    }

    /// Claim: the chain is what it describes: drives that fail and are restored one at a time lose data after the mean
    /// time of R-MTTDL-FAST, 93.06 for nine drives and one parity, 692.7 with two.
    /// Method: 40,000 lives each of exponential steps, SplitMix64 of a fixed seed; mean within 5 standard errors (0.5 % each).
    /// Alarm: 6e-7 a check. Catches: 3 % with certainty (two rebuilds at a time would be 8 % and more).
    #[test]
    fn lives_that_are_played_through_have_the_mean_of_the_chain() {
        let mut state = 11_u64;
        let mut unit = || {
            state = state.wrapping_add(0x9E37_79B9_7F4A_7C15);
            let z = (state ^ (state >> 30)).wrapping_mul(0xBF58_476D_1CE4_E5B9);
            let z = (z ^ (z >> 27)).wrapping_mul(0x94D0_49BB_1331_11EB);
            ((z ^ (z >> 31)) >> 11) as f64 / (1u64 << 53) as f64
        };
        for survives in [1, 2] {
            let lives: Vec<f64> = (0..40_000)
                .map(|_| {
                    let (mut lost, mut at) = (0, 0.0);
                    while lost <= survives {
                        let fails = f64::from(9 - lost) / 100.0;
                        let all = fails + if lost > 0 { 0.5 } else { 0.0 };
                        at -= (1.0 - unit()).ln() / all;
                        if unit() * all < fails { lost += 1 } else { lost -= 1 }
                    }
                    at
                })
                .collect();
            let mean = lives.iter().sum::<f64>() / 40_000.0;
            let spread = lives.iter().map(|l| (l - mean).powi(2)).sum::<f64>() / 39_999.0;
            let error = (spread / 40_000.0).sqrt();
            let exact = chain(9, survives, 100.0, 2.0).mean_hours();
            assert!(error < 0.006 * exact && (mean - exact).abs() < 5.0 * error, "{mean} ± {error}, {exact}");
        }
    }
}
