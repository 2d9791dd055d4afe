//! When a run of `length = "auto"` is long enough.
//!
//! The run grows in whole rounds, all replications by the same span. After each the rule is told the
//! relative half-widths of what is wanted. Stopping the first time an interval looks narrow picks the
//! moments when it is narrow by chance, and covers less than it promises; hence two rounds in a row,
//! and floors that no luck can lower (the remedies of Law & Kelton 1982 for sequential rules: from memory).

/// Fewest requests beyond the tightest objective percentile, over all replications.
pub const FEWEST_BEYOND_TIGHTEST: u64 = 2_000;
/// Fewest on/off cycles of each bursty class, over all replications.
pub const FEWEST_CYCLES: u64 = 200;
/// Rounds in a row that must meet the precision.
const ROUNDS_IN_A_ROW: u32 = 2;

/// What is known after a round.
#[derive(Clone, Copy, Debug)]
pub struct Round<'a> {
    /// Relative half-width of every figure wanted; none where the figure does not exist yet.
    pub half_widths: &'a [Option<f64>],
    /// Requests beyond the tightest percentile wanted.
    pub beyond_tightest: u64,
    /// Whether every bursty class has gone through [`FEWEST_CYCLES`].
    pub has_enough_cycles: bool,
    /// Whether another round would exceed the greatest length.
    pub is_last: bool,
}

/// What to do next.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Decision {
    /// Extend all replications by another round.
    Continue,
    /// Enough.
    Stop {
        /// Whether the precision was reached.
        met: bool,
    },
}

/// The rule, fed round by round.
#[derive(Clone, Copy, Debug)]
pub struct StoppingRule {
    precision: f64,
    in_a_row: u32,
}

impl StoppingRule {
    /// A rule that wants every relative half-width to be at most `precision`.
    pub fn new(precision: f64) -> Self {
        StoppingRule { precision, in_a_row: 0 }
    }

    /// Takes note of a round and decides.
    pub fn after(&mut self, round: &Round) -> Decision {
        self.in_a_row = if self.is_met_by(round) { self.in_a_row + 1 } else { 0 };
        if self.in_a_row >= ROUNDS_IN_A_ROW {
            Decision::Stop { met: true }
        } else if round.is_last {
            Decision::Stop { met: false }
        } else {
            Decision::Continue
        }
    }

    /// A round below a floor does not count towards two in a row: its half-widths are not to be trusted.
    fn is_met_by(&self, round: &Round) -> bool {
        let is_narrow = |width: &Option<f64>| width.is_some_and(|width| width <= self.precision);
        round.beyond_tightest >= FEWEST_BEYOND_TIGHTEST
            && round.has_enough_cycles
            && round.half_widths.iter().all(is_narrow)
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    const NARROW: [Option<f64>; 2] = [Some(0.05), Some(0.01)];

    fn round(half_widths: &[Option<f64>]) -> Round<'_> {
        Round { half_widths, beyond_tightest: 2_000, has_enough_cycles: true, is_last: false }
    }

    fn decisions(rounds: &[Round]) -> Vec<Decision> {
        let mut rule = StoppingRule::new(0.05);
        rounds.iter().map(|round| rule.after(round)).collect()
    }

    #[test]
    fn two_rounds_in_a_row_that_meet_the_precision_stop_the_run() {
        let narrow = round(&NARROW);
        assert_eq!(decisions(&[narrow, narrow]), [Decision::Continue, Decision::Stop { met: true }]);
    }

    #[test]
    fn a_round_that_misses_starts_the_count_again() {
        for miss in [&[Some(0.0501), Some(0.01)], &[Some(0.01), None], &[Some(f64::NAN), Some(0.01)]] {
            let narrow = round(&NARROW);
            let found = decisions(&[narrow, round(miss), narrow, narrow]);
            assert_eq!(found[..3], [Decision::Continue; 3]);
            assert_eq!(found[3], Decision::Stop { met: true });
        }
    }

    #[test]
    fn a_round_below_a_floor_does_not_count() {
        let narrow = round(&NARROW);
        let few = Round { beyond_tightest: 1_999, ..narrow };
        let calm = Round { has_enough_cycles: false, ..narrow };
        assert_eq!(decisions(&[few, few, calm, calm, narrow]), [Decision::Continue; 5]);
    }

    #[test]
    fn the_greatest_length_stops_it_met_or_not() {
        let narrow = round(&NARROW);
        let last = Round { is_last: true, ..narrow };
        assert_eq!(decisions(&[last]), [Decision::Stop { met: false }]);
        assert_eq!(decisions(&[narrow, last])[1], Decision::Stop { met: true });
    }
}
