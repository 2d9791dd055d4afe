//! Which of several uncertain inputs a result depends on: the first-order index of variance.
//!
//! S = Var(E[Y | X]) / Var(Y): the share of a result's variance that would be gone on average if the input were known
//! (I. Sobol', Mathematical Modelling and Computational Experiment 1, 1993; as a correlation ratio K. Pearson, 1905). It is
//! estimated from the draws of a Monte Carlo as they are: the input's range is cut into classes, and what varies between
//! their means is put against all (E. Plischke, E. Borgonovo & C. Smith, European Journal of Operational Research 226,
//! 2013), less what classes of so few would show by chance (T. Kelley, PNAS 21, 1935).
//!
//! Left out: what inputs do only together. Indices that sum to less than 1 tell how much that is.

/// Classes into which an input's range is cut.
const CLASSES: usize = 50;

/// First-order index of an input for a result, from draws of both; `places` are the input's draws as a share of its range,
/// 0 to 1. None if the result does not vary or fewer than two draws a class are left; draws whose result is not finite are
/// left out. Not below 0.
pub fn first_order(places: &[f64], results: &[f64]) -> Option<f64> {
    let mut classes = [(0.0_f64, 0.0_f64); CLASSES];
    let known = || places.iter().zip(results).filter(|(_, result)| result.is_finite());
    let count = known().count() as f64;
    if count < 2.0 * CLASSES as f64 {
        return None;
    }
    let mean = known().map(|(_, result)| result).sum::<f64>() / count;
    let mut all = 0.0;
    for (place, result) in known() {
        let class = &mut classes[((place * CLASSES as f64) as usize).min(CLASSES - 1)];
        class.0 += 1.0;
        class.1 += result - mean;
        all += (result - mean).powi(2);
    }
    // A result that is one number up to rounding does not vary.
    if all <= count * (1e-9 * mean).powi(2) {
        return None;
    }
    let used = classes.iter().filter(|(draws, _)| *draws > 0.0).count() as f64;
    let between: f64 = classes.iter().filter(|class| class.0 > 0.0).map(|(n, sum)| sum * sum / n).sum();
    let ratio = between / all;
    Some((ratio - (used - 1.0) / (count - used) * (1.0 - ratio)).max(0.0))
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::engine::{Key, Purpose};

    const DRAWS: usize = 100_000;

    fn inputs<const N: usize>() -> [Vec<f64>; N] {
        let mut draws = Key::root(5).draws(Purpose::named("inputs"));
        let mut inputs = std::array::from_fn(|_| Vec::with_capacity(DRAWS));
        for _ in 0..DRAWS {
            inputs.iter_mut().for_each(|input| input.push(draws.unit()));
        }
        inputs
    }

    /// The function of T. Ishigami & T. Homma (1990) with a = 7, b = 0.1, whose indices are known: with V = a²/8 + bπ⁴/5 +
    /// b²π⁸/18 + 1/2, S₁ = (1 + bπ⁴/5)²/2/V = 0.314, S₂ = a²/8/V = 0.442, S₃ = 0 (it acts with the first alone).
    ///
    /// Claim: indices within 0.01. Method: 100,000 draws of a fixed stream; the error of a correlation ratio is about
    /// 2·sqrt(S(1 − S)²/n) = 0.003 at most, classes cut 0.2 % off. Alarm: below 1e-3. Catches: 3 % of S₂.
    #[test]
    fn the_indices_of_a_known_function_come_out() {
        use std::f64::consts::PI;
        let [x, y, z] = inputs();
        let results: Vec<f64> = (0..DRAWS)
            .map(|n| {
                let [a, b, c] = [x[n], y[n], z[n]].map(|unit| PI * (2.0 * unit - 1.0));
                a.sin() + 7.0 * b.sin().powi(2) + 0.1 * c.powi(4) * a.sin()
            })
            .collect();
        let variance = 49.0 / 8.0 + 0.1 * PI.powi(4) / 5.0 + 0.01 * PI.powi(8) / 18.0 + 0.5;
        let exact = [(1.0 + 0.1 * PI.powi(4) / 5.0).powi(2) / 2.0 / variance, 49.0 / 8.0 / variance, 0.0];
        for (input, exact) in [x, y, z].iter().zip(exact) {
            let found = first_order(input, &results).expect("it varies");
            assert!((found - exact).abs() < 0.01, "{found} for {exact}");
        }
    }

    /// A sum of independent inputs divides its variance by their squares: 16 : 4 : 1 of 21.
    #[test]
    fn a_sum_divides_its_variance() {
        let [x, y, z] = inputs();
        let results: Vec<f64> = (0..DRAWS).map(|n| 4.0 * x[n] + 2.0 * y[n] + z[n]).collect();
        for (input, exact) in [x, y, z].iter().zip([16.0 / 21.0, 4.0 / 21.0, 1.0 / 21.0]) {
            assert!((first_order(input, &results).expect("it varies") - exact).abs() < 0.01);
        }
    }

    #[test]
    fn what_does_not_vary_has_no_index() {
        let [x] = inputs();
        assert_eq!(first_order(&x, &vec![3.7; DRAWS]), None);
        assert_eq!(first_order(&x, &vec![f64::INFINITY; DRAWS]), None);
        assert_eq!(first_order(&x[..99], &x[..99]), None);
        // Half the draws have no result; the rest depend on the input alone.
        let some: Vec<f64> = x.iter().map(|x| if *x < 0.5 { *x } else { f64::INFINITY }).collect();
        assert!(first_order(&x, &some).expect("it varies") > 0.99);
    }
}
