//! Finding quantiles from tails: bracketing and bisection.
//!
//! Tails fall, so bisection cannot go astray; it ends when the bracket is two neighbouring numbers.

/// The probability beyond the quantile `p`, or NaN if `p` is not in 0 to below 1.
pub(super) fn beyond(p: f64) -> f64 {
    if (0.0..1.0).contains(&p) { 1.0 - p } else { f64::NAN }
}

/// The point between `low` and `high` at which `tail`, which falls, comes down to `level`.
pub(super) fn crossing(mut low: f64, mut high: f64, level: f64, tail: impl Fn(f64) -> f64) -> f64 {
    // 200 halvings exhaust any bracket of doubles whose ends have a common order of magnitude.
    for _ in 0..200 {
        let middle = low + (high - low) / 2.0;
        if middle <= low || middle >= high {
            break;
        }
        if tail(middle) > level {
            low = middle;
        } else {
            high = middle;
        }
    }
    low + (high - low) / 2.0
}

/// The quantile `p` of a variable that is not negative, from its tail. `scale` (above 0) is where
/// the search starts. Infinite if the tail has not come down after 200 doublings, NaN if it is NaN.
pub(super) fn quantile(p: f64, scale: f64, tail: impl Fn(f64) -> f64) -> f64 {
    let level = beyond(p);
    if level.is_nan() || !scale.is_finite() || scale <= 0.0 {
        return f64::NAN;
    }
    let (mut low, mut high) = (0.0, scale);
    for _ in 0..200 {
        let at = tail(high);
        if at.is_nan() {
            return f64::NAN;
        }
        if at <= level {
            return crossing(low, high, level, tail);
        }
        low = high;
        high *= 2.0;
    }
    f64::INFINITY
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_quantile_of_an_exponential_is_its_logarithm() {
        for p in [0.0_f64, 0.5, 0.99, 0.9999] {
            let exact = -(1.0 - p).ln();
            let found = quantile(p, 1.0, |t| (-t).exp());
            assert!((found - exact).abs() < 1e-9, "{p}: {found} against {exact}");
        }
    }

    #[test]
    fn a_percentile_of_one_or_a_tail_that_is_no_number_gives_no_number() {
        assert!(quantile(1.0, 1.0, |t| (-t).exp()).is_nan());
        assert!(quantile(-0.1, 1.0, |t| (-t).exp()).is_nan());
        assert!(quantile(0.5, 1.0, |_| f64::NAN).is_nan());
        assert_eq!(quantile(0.5, 1.0, |_| 0.9), f64::INFINITY);
    }
}
