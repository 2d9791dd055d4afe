//! Quantiles of Student's t, for intervals over few replications.
//!
//! The tail is an incomplete beta function (Abramowitz & Stegun 1964, 26.7.1), evaluated by its series
//! (26.5.4) and its continued fraction (26.5.9) with the scheme of Lentz (1976); the quantile is its root, by Newton's
//! steps kept inside a shrinking bracket. Held to closed forms (1, 2 and 4 degrees of freedom), to the
//! finite series 26.7.3–4, and to values computed in 50-digit arithmetic.

use std::f64::consts::PI;

/// The `p`-quantile of Student's t with `df` degrees of freedom, within 1e-12 of its size as long as
/// `p` itself has the digits (p near 1 is known to 1e-16 only).
///
/// Infinite where `p` is not inside (0, 1), and where `df` is 0: one replication bounds nothing.
pub fn t(p: f64, df: u32) -> f64 {
    if p < 0.5 { -upper(p, df) } else { upper(1.0 - p, df) }
}

/// The factor of a two-sided interval: |T| stays below it with probability `confidence`.
pub fn two_sided(confidence: f64, df: u32) -> f64 {
    upper((1.0 - confidence) / 2.0, df)
}

/// The value that T exceeds with probability `tail`, for a `tail` of at most one half.
fn upper(tail: f64, df: u32) -> f64 {
    if tail >= 0.5 {
        return 0.0;
    }
    if tail.is_nan() || tail <= 0.0 || df == 0 {
        return f64::INFINITY;
    }
    let nu = f64::from(df);
    let (mut low, mut high) = (0.0, 1.0);
    while tail_beyond(high, nu) > tail {
        low = high;
        high *= 2.0;
    }
    let mut t = 0.5 * (low + high);
    // Newton's method doubles the digits at each step once close; bisection halves the bracket at
    // worst, and 200 halvings exhaust any f64.
    for _ in 0..200 {
        let excess = tail_beyond(t, nu) - tail;
        if excess > 0.0 {
            low = t;
        } else {
            high = t;
        }
        let newton = t + excess / density(t, nu);
        let next = if newton > low && newton < high { newton } else { 0.5 * (low + high) };
        if (next - t).abs() <= 2.0 * f64::EPSILON * t {
            return next;
        }
        t = next;
    }
    t
}

/// P(T > t) for t > 0: half of I_x(ν/2, 1/2) at x = ν/(ν + t²) (A&S 26.7.1 with 26.5.2).
///
/// Near the middle, one half less the series of the complement; further out the continued fraction.
/// Each has terms of one sign only, and neither takes 1 − x, which has few digits for large ν.
fn tail_beyond(t: f64, nu: f64) -> f64 {
    let square = t * t;
    // x^(ν/2) / B(ν/2, 1/2)
    let front = (-0.5 * nu * (square / nu).ln_1p() - ln_beta_half(0.5 * nu)).exp();
    let y = square / (nu + square);
    if square < 3.0 {
        0.5 - front * y.sqrt() * series(nu, y)
    } else {
        front / y.sqrt() / nu * fraction(nu, nu / square)
    }
}

/// The braces of A&S 26.5.4 for I_y(1/2, ν/2): 1 + Σ B(a+1, n+1)/B(a+b, n+1) y^(n+1).
fn series(nu: f64, y: f64) -> f64 {
    let (mut term, mut sum, mut n) = (1.0, 1.0, 0.0);
    while term > f64::EPSILON / 4.0 * sum {
        term *= (0.5 + 0.5 * nu + n) / (1.5 + n) * y;
        sum += term;
        n += 1.0;
    }
    sum
}

/// The braces of A&S 26.5.9 for I_x(ν/2, 1/2), with `r` = x/(1 − x), by Lentz's scheme: numerators and
/// denominators enter only as ratios, so that neither overflows.
fn fraction(nu: f64, r: f64) -> f64 {
    let (a, b) = (0.5 * nu, 0.5);
    // The state after the first term, 1/1: the ratio of numerators starts without bound.
    let (mut value, mut c, mut d) = (1.0, f64::INFINITY, 1.0);
    // For t² ≥ 3 about 120 pairs settle it at any ν; the bound only guards against a bug.
    for m in 1..10_000 {
        let m = f64::from(m);
        let even = r * (a + m - 1.0) * (m - b) / ((a + 2.0 * m - 2.0) * (a + 2.0 * m - 1.0));
        let odd = r * m * (a + b - 1.0 + m) / ((a + 2.0 * m - 1.0) * (a + 2.0 * m));
        let before = value;
        for coefficient in [even, odd] {
            d = 1.0 / (1.0 + coefficient * d);
            c = 1.0 + coefficient / c;
            value *= c * d;
        }
        if (value - before).abs() <= 0.5 * f64::EPSILON * value {
            break;
        }
    }
    value
}

/// The density of T at `t`.
fn density(t: f64, nu: f64) -> f64 {
    (-0.5 * (nu + 1.0) * (t * t / nu).ln_1p() - ln_beta_half(0.5 * nu) - 0.5 * nu.ln()).exp()
}

/// ln B(a, 1/2) = ½ ln π − ln Γ(a + ½)/Γ(a).
///
/// The ratio comes from one asymptotic series (the difference of two of Stirling's: A&S 6.1.40, with
/// Bernoulli numbers at ½), because the difference of two large logarithms would lose its digits.
/// Below 16 the argument is first raised by Γ(a + 1) = a Γ(a); from there on the first term left out
/// is under 3e-16.
fn ln_beta_half(a: f64) -> f64 {
    let (mut a, mut raised) = (a, 0.0);
    while a < 16.0 {
        raised += (-0.5 / (a + 0.5)).ln_1p();
        a += 1.0;
    }
    let w = 1.0 / (a * a);
    let series = 17.0 / 14336.0 - w * 31.0 / 18432.0;
    let series = -1.0 / 8.0 + w * (1.0 / 192.0 + w * (-1.0 / 640.0 + w * series));
    0.5 * PI.ln() - (0.5 * a.ln() + series / a + raised)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[track_caller]
    fn close(found: f64, expected: f64, relative: f64) {
        assert!((found - expected).abs() <= relative * expected.abs(), "found {found}, expected {expected}");
    }

    #[test]
    fn quantiles_match_fifty_digit_arithmetic() {
        // Bisection on the regularised incomplete beta function in 50-digit arithmetic, to 16 digits.
        let table = [
            (0.975, 1, 12.706204736174705),
            (0.975, 2, 4.302652729749464),
            (0.975, 3, 3.18244630528371),
            (0.95, 5, 2.015048373333024),
            (0.975, 7, 2.364624251592785),
            (0.9995, 15, 4.072765195903792),
            (0.995, 39, 2.707913183517662),
            (0.975, 100, 1.983971518523552),
            (0.6, 11, 0.2595558604762706),
            (0.975, 100_000, 1.95998770753461),
            (0.975, 1_000_000, 1.959966356814107),
        ];
        for (p, df, expected) in table {
            close(t(p, df), expected, 1e-12);
            close(t(1.0 - p, df), -expected, 1e-12);
        }
        // 1 − 0.9999995 is itself known to 1e-10 only, hence the looser bound.
        close(t(0.9999995, 9), 11.63678202732889, 1e-10);
    }

    #[test]
    fn one_two_and_four_degrees_match_their_closed_forms() {
        for p in [0.5005, 0.6, 0.9, 0.975, 0.9995, 0.999_999] {
            // The cotangent of the tail: the tangent of p − ½ has few digits near π/2.
            close(t(p, 1), 1.0 / (PI * (1.0 - p)).tan(), 1e-11);
            let alpha = 4.0 * p * (1.0 - p);
            close(t(p, 2), 2.0 * (p - 0.5) * (2.0 / alpha).sqrt(), 1e-11);
            // Shaw (2006), from memory: q = cos(arccos(√α)/3)/√α, t = 2 √(q − 1).
            let q = (alpha.sqrt().acos() / 3.0).cos() / alpha.sqrt();
            close(t(p, 4), 2.0 * (q - 1.0).sqrt(), 1e-9);
        }
    }

    /// A(t|ν), the probability that |T| < t, by the finite sums A&S 26.7.3 (odd) and 26.7.4 (even).
    fn inside_by_finite_sum(t: f64, df: u32) -> f64 {
        let theta = (t / f64::from(df).sqrt()).atan();
        let (sin, cos) = theta.sin_cos();
        let odd = df % 2 == 1;
        let (mut term, mut sum) = if odd { (cos, 0.0) } else { (1.0, 0.0) };
        let mut k = if odd { 2 } else { 1 };
        while k < df {
            sum += term;
            term *= cos * cos * f64::from(k) / f64::from(k + 1);
            k += 2;
        }
        if odd { 2.0 / PI * (theta + sin * sum) } else { sin * sum }
    }

    #[test]
    fn the_quantile_inverts_the_finite_series_for_every_df_to_200() {
        for df in 1..=200 {
            for confidence in [0.5, 0.8, 0.95, 0.99, 0.9999] {
                // 200 terms of rounding at most, each below 1e-16.
                close(inside_by_finite_sum(two_sided(confidence, df), df), confidence, 1e-13);
            }
        }
    }

    #[test]
    fn what_cannot_be_bounded_is_infinite() {
        assert_eq!(two_sided(0.95, 0), f64::INFINITY);
        assert_eq!(t(1.0, 5), f64::INFINITY);
        assert_eq!(t(0.0, 5), f64::NEG_INFINITY);
        assert_eq!(t(0.5, 5), 0.0);
        assert_eq!(two_sided(f64::NAN, 5), f64::INFINITY);
    }
}
