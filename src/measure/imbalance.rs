//! How much more the most loaded of several alike has to do than the average, without taking chance for a reason.
//!
//! The busiest of hundreds of alike instances in a short window is busy by chance. What lasts shows twice: in two
//! folds of one window (its halves), and, where the placement is everyone's, in independent replications. The
//! covariance of an instance's load between folds and between replications is the variance of what lasts; the rest
//! is noise. Each instance's excess is then shrunk by the share of the variance that lasts (empirical Bayes: Efron &
//! Morris 1975), and the greatest shrunk excess counts: unlike the greatest of the measured ones it is not raised by
//! having been chosen.

/// Time that each instance of a group was busy, in the two folds of a replication's window.
#[derive(Clone, Debug, Default)]
pub struct Folds(pub [Vec<f64>; 2]);

/// By replication: what the most loaded instance has to do beyond the average one, as a share of that. Zero where
/// nothing lasts, where nothing was seen, or for a group of one. What lasts in one replication alone counts where there
/// is a reason for it (`by_replication`): services as long as a fold would look like one.
pub fn excess_of_most_loaded(seen: &[Folds], by_replication: bool) -> Vec<f64> {
    let none = vec![0.0; seen.len()];
    let members = seen.first().map_or(0, |folds| folds.0[0].len());
    let Some(relative) = seen.iter().map(relative_excess).collect::<Option<Vec<_>>>() else { return none };
    if members < 2 {
        return none;
    }
    let degrees = (members - 1) as f64;
    let replications = seen.len() as f64;
    // Both folds of a replication together, and what they have in common.
    let both: Vec<Vec<f64>> = relative.iter().map(|[a, b]| mean_of(a, b)).collect();
    let within = relative.iter().map(|[a, b]| product(a, b)).sum::<f64>() / degrees / replications;
    let variance = both.iter().map(|x| product(x, x)).sum::<f64>() / degrees / replications;
    let main = mean_of_all(&both, members);
    let of_main = product(&main, &main) / degrees;
    // Σ over pairs of replications = (Σ)² − Σ of squares.
    let across = match seen.len() {
        0 | 1 => 0.0,
        _ => (of_main * replications - variance) / (replications - 1.0),
    };
    let lasting_everywhere = reliability(across, of_main);
    let across = across.max(0.0);
    let lasting_here = match by_replication {
        true => reliability(within - across, variance - across),
        false => 0.0,
    };
    let greatest = |x: &Vec<f64>| {
        let shrunk = x.iter().zip(&main).map(|(x, main)| {
            let everywhere = lasting_everywhere * main;
            everywhere + lasting_here * (x - everywhere)
        });
        shrunk.fold(0.0, f64::max)
    };
    both.iter().map(greatest).collect()
}

/// Share of a variance that lasts, 0 to 1.
fn reliability(lasting: f64, all: f64) -> f64 {
    if lasting > 0.0 && all > 0.0 { (lasting / all).min(1.0) } else { 0.0 }
}

/// By fold: each instance ÷ the mean, less one; none where a fold saw nothing.
fn relative_excess(folds: &Folds) -> Option<[Vec<f64>; 2]> {
    let of = |busy: &Vec<f64>| {
        let mean = busy.iter().sum::<f64>() / busy.len().max(1) as f64;
        (mean > 0.0).then(|| busy.iter().map(|b| b / mean - 1.0).collect::<Vec<f64>>())
    };
    Some([of(&folds.0[0])?, of(&folds.0[1])?])
}

fn mean_of(a: &[f64], b: &[f64]) -> Vec<f64> {
    a.iter().zip(b).map(|(a, b)| (a + b) / 2.0).collect()
}

fn mean_of_all(all: &[Vec<f64>], members: usize) -> Vec<f64> {
    (0..members).map(|m| all.iter().map(|x| x[m]).sum::<f64>() / all.len() as f64).collect()
}

fn product(a: &[f64], b: &[f64]) -> f64 {
    a.iter().zip(b).map(|(a, b)| a * b).sum()
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::engine::{Key, Purpose};

    /// Folds of eight replications of `members` instances that share `mean` pieces of work by chance, where instance n
    /// gets `weight(replication, n)` times as many.
    fn folds(members: usize, mean: f64, seed: u64, weight: impl Fn(usize, usize) -> f64) -> Vec<Folds> {
        let mut draws = Key::root(seed).draws(Purpose::named("work"));
        let mut fold = |replication: usize| {
            let mut of = |n: usize| {
                // Exponential pieces, summed: the noise of so many services.
                let mut busy = 0.0;
                for _ in 0..mean as u64 {
                    busy -= (1.0 - draws.unit()).ln();
                }
                busy * weight(replication, n)
            };
            (0..members).map(&mut of).collect::<Vec<f64>>()
        };
        (0..8).map(|replication| Folds([fold(replication), fold(replication)])).collect()
    }

    fn mean(found: &[f64]) -> f64 {
        found.iter().sum::<f64>() / found.len() as f64
    }

    /// Claim:   of 688 alike dies that see 10 services each in a fold, none is special (the greatest measured one has
    ///          about 70 % more to do than the average).
    /// Method:  20 seeds, 11 to 30; the mean excess over the replications.
    /// Alarm:   the covariance has a standard deviation of 1.3 % of the noise, so a shrunk maximum stays below 6 % at
    ///          four of them; under 1e-3 for all seeds together.
    #[test]
    fn the_busiest_of_many_alike_is_not_special() {
        for seed in 11..31 {
            let found = mean(&excess_of_most_loaded(&folds(688, 10.0, seed, |_, _| 1.0), true));
            assert!(found < 0.06, "seed {seed}: {found}");
        }
    }

    /// Claim:   one link of twelve with half as much again to do is found, whether it is the same one in all
    ///          replications or another in each.
    /// Alarm:   its excess has a standard deviation of 1.5 / sqrt(2 × 400) = 5 % in one replication, 1.9 % in eight, and
    ///          is shrunk by up to 12 %; the band of 0.06 to either side is above three standard deviations.
    #[test]
    fn an_instance_that_is_special_for_a_reason_is_found() {
        // The average is 1 + 0.5/12.
        let truth = 1.5 / (1.0 + 0.5 / 12.0) - 1.0;
        let everywhere = folds(12, 400.0, 41, |_, n| if n == 3 { 1.5 } else { 1.0 });
        let here = folds(12, 400.0, 42, |r, n| if n == r { 1.5 } else { 1.0 });
        for (seen, by_replication) in [(everywhere, false), (here, true)] {
            let found = mean(&excess_of_most_loaded(&seen, by_replication));
            assert!((found - truth).abs() < 0.06, "{found} for {truth}");
        }
    }

    #[test]
    fn one_instance_or_an_idle_group_has_no_excess() {
        assert_eq!(excess_of_most_loaded(&[Folds([vec![1.0], vec![2.0]])], true), [0.0]);
        assert_eq!(excess_of_most_loaded(&[Folds([vec![0.0; 3], vec![0.0; 3]])], true), [0.0]);
        assert_eq!(excess_of_most_loaded(&[], true), [0.0; 0]);
    }
}
