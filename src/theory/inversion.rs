//! From a Laplace transform back to a probability.
//!
//! The Euler method: the Bromwich integral as a Fourier series whose alternating partial sums are
//! averaged with binomial weights. J. Abate & W. Whitt, ORSA Journal on Computing 7 (1995) 36-43,
//! section 1; the discretisation error is e^-A.

use std::ops::{Add, Div, Mul, Sub};

/// A complex number: just enough arithmetic for transforms.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Complex {
    /// Real part.
    pub re: f64,
    /// Imaginary part.
    pub im: f64,
}

impl Complex {
    /// One.
    pub const ONE: Complex = Complex { re: 1.0, im: 0.0 };

    /// A real number.
    pub const fn real(re: f64) -> Self {
        Complex { re, im: 0.0 }
    }

    /// The exponential.
    pub fn exp(self) -> Self {
        let size = self.re.exp();
        Complex { re: size * self.im.cos(), im: size * self.im.sin() }
    }

    /// The principal value of a real power.
    pub fn powf(self, power: f64) -> Self {
        let size = self.re.hypot(self.im).powf(power);
        let angle = self.im.atan2(self.re) * power;
        Complex { re: size * angle.cos(), im: size * angle.sin() }
    }
}

impl Add for Complex {
    type Output = Complex;
    fn add(self, other: Complex) -> Complex {
        Complex { re: self.re + other.re, im: self.im + other.im }
    }
}

impl Sub for Complex {
    type Output = Complex;
    fn sub(self, other: Complex) -> Complex {
        Complex { re: self.re - other.re, im: self.im - other.im }
    }
}

impl Mul for Complex {
    type Output = Complex;
    fn mul(self, other: Complex) -> Complex {
        Complex { re: self.re * other.re - self.im * other.im, im: self.re * other.im + self.im * other.re }
    }
}

impl Mul<f64> for Complex {
    type Output = Complex;
    fn mul(self, factor: f64) -> Complex {
        Complex { re: self.re * factor, im: self.im * factor }
    }
}

impl Div for Complex {
    type Output = Complex;
    fn div(self, other: Complex) -> Complex {
        let size = other.re * other.re + other.im * other.im;
        Complex {
            re: (self.re * other.re + self.im * other.im) / size,
            im: (self.im * other.re - self.re * other.im) / size,
        }
    }
}

/// e^-22 = 3e-10 of discretisation error; e^11 times the rounding of a double stays below it.
const A: f64 = 22.0;
/// Binomial averaging over this many further partial sums.
const AVERAGED: usize = 12;
/// Terms before the averaging. Smooth laws need fewer than 40; waits behind fixed service times have
/// kinks, at which the series converges slowly: 3,000 terms hold their quantiles to 1e-5.
const TERMS: usize = 3_000;

/// P(X > t) of a variable that is not negative, from its transform E[exp(-sX)], for `t` above 0 (any
/// other `t` gives NaN). Absolute error about 1e-9 for smooth laws.
pub fn tail_from_transform(transform: impl Fn(Complex) -> Complex, t: f64) -> f64 {
    if !(t > 0.0 && t.is_finite()) {
        return f64::NAN;
    }
    let mut sum = 0.0;
    let mut averaged = 0.0;
    let mut weight = 0.5_f64.powi(AVERAGED as i32);
    for k in 0..=TERMS + AVERAGED {
        let s = Complex { re: A / (2.0 * t), im: std::f64::consts::PI * k as f64 / t };
        let term = ((Complex::ONE - transform(s)) / s).re;
        let sign = if k % 2 == 0 { 1.0 } else { -1.0 };
        sum += if k == 0 { 0.5 * term } else { sign * term };
        if k >= TERMS {
            averaged += weight * sum;
            let j = (k - TERMS) as f64;
            weight *= (AVERAGED as f64 - j) / (j + 1.0);
        }
    }
    (A / 2.0).exp() / t * averaged
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_tail_of_an_erlang_law_comes_back_from_its_transform() {
        // Two stages of mean 1: P(X > t) = (1 + t) e^-t.
        for t in [0.1_f64, 1.0, 5.0, 12.0] {
            let found = tail_from_transform(|s| (Complex::ONE + s).powf(-2.0), t);
            let exact = (1.0 + t) * (-t).exp();
            assert!((found - exact).abs() < 2e-9, "{t}: {found} against {exact}");
        }
    }

    #[test]
    fn only_positive_times_have_a_tail() {
        for t in [0.0, -1.0, f64::NAN, f64::INFINITY] {
            assert!(tail_from_transform(|s| (Complex::ONE + s).powf(-1.0), t).is_nan());
        }
    }
}
