//! Popularity: how often each of many items is asked for, in bands of items that are asked for alike.
//!
//! A Zipf law over 2^40 items is 768 bands, so that sums over all items cost what sums over bands do.
//! How closely they agree is tested here and, at 2^40, in `lru`.

/// Items that are asked for alike.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Band {
    /// How many.
    pub items: f64,
    /// Requests to *each*, per unit of time.
    pub rate: f64,
}

/// Ranks that are a band each: steps between neighbours are large there.
const SINGLE: u64 = 256;
/// Bands to an octave of the further ranks. A band is two points with its own mean and variance of
/// rate, so what is lost is of fourth order in its width.
const PER_OCTAVE: f64 = 8.0;

/// Sum of k^-exponent over the ranks `first + 1` to `last`, by Euler–Maclaurin to the third
/// derivative; relative error below 1e-12 for `first` of 256 or more and an exponent up to 4.
fn sum_of_powers(exponent: f64, first: u64, last: u64) -> f64 {
    let (a, b) = (first as f64, last as f64);
    let f = |x: f64| x.powf(-exponent);
    // a^q (e^{q ln(b/a)} − 1)/q for q = 1 − exponent, which is ln(b/a) at q = 0.
    let (q, log) = (1.0 - exponent, (b / a).ln());
    let area = if (q * log).abs() > 1e-8 {
        a.powf(q) * (q * log).exp_m1() / q
    } else {
        a.powf(q) * log * (1.0 + q * log / 2.0)
    };
    let third = |x: f64| exponent * (exponent + 1.0) * (exponent + 2.0) * f(x) / (x * x * x);
    area + (f(b) - f(a)) / 2.0 - exponent * (f(b) / b - f(a) / a) / 12.0 + (third(b) - third(a)) / 720.0
}

/// Sum of k^-exponent over the ranks 1 to `items`: a Zipf law's divisor. Relative error below 1e-12 up
/// to an exponent of 4. NaN if the exponent is negative or none.
pub fn zipf_total(exponent: f64, items: u64) -> f64 {
    if exponent.is_nan() || exponent < 0.0 {
        return f64::NAN;
    }
    // The smallest first.
    let further = if items > SINGLE { sum_of_powers(exponent, SINGLE, items) } else { 0.0 };
    (1..=items.min(SINGLE)).rev().fold(further, |sum, k| sum + (k as f64).powf(-exponent))
}

/// Items whose rank k is asked for in proportion to k^-exponent, `rate` requests per unit of time in
/// all. At most 256 + 16 bands an octave (768 at 2^40 items). None if a number is negative or none.
///
/// Hit ratio and fill from the bands are within 2e-7 of the sum over all items (absolute, the fill as
/// a share of the items) for exponents up to 1.5; the tests hold them to that.
pub fn zipf_bands(exponent: f64, items: u64, rate: f64) -> Option<Vec<Band>> {
    let total = zipf_total(exponent, items);
    if !(rate >= 0.0 && rate.is_finite() && total.is_finite()) {
        return None;
    }
    let scale = rate / total;
    let power = |k: u64| Band { items: 1.0, rate: scale * (k as f64).powf(-exponent) };
    let mut bands: Vec<Band> = (1..=items.min(SINGLE)).map(power).collect();
    let mut first = SINGLE;
    while first < items {
        let last = items.min((first as f64 * (1.0 / PER_OCTAVE).exp2()).ceil() as u64);
        let count = (last - first) as f64;
        let mean = sum_of_powers(exponent, first, last) / count;
        let square = sum_of_powers(2.0 * exponent, first, last) / count;
        let spread = (square - mean * mean).max(0.0).sqrt();
        for rate in [mean + spread, (mean - spread).max(0.0)] {
            bands.push(Band { items: count / 2.0, rate: scale * rate });
        }
        first = last;
    }
    Some(bands)
}

/// Bands given as (share of requests, number of items), shares relative to their sum, `rate` requests
/// per unit of time in all. None if a number is negative or none, or the shares sum to nothing; items
/// above 0 are needed where the share is.
pub fn weighted_bands(parts: &[(f64, f64)], rate: f64) -> Option<Vec<Band>> {
    let total: f64 = parts.iter().map(|p| p.0).sum();
    let bad = |&(weight, items): &(f64, f64)| {
        !(weight >= 0.0 && items >= 0.0 && items.is_finite()) || (items == 0.0 && weight > 0.0)
    };
    if !(total > 0.0 && total.is_finite() && rate >= 0.0 && rate.is_finite()) || parts.iter().any(bad) {
        return None;
    }
    let some = parts.iter().filter(|p| p.1 > 0.0);
    Some(some.map(|&(w, items)| Band { items, rate: rate * w / total / items }).collect())
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::theory::lru::{hit_probability, hit_ratio};

    fn near(found: f64, expected: f64, absolute: f64) {
        assert!((found - expected).abs() <= absolute, "found {found}, expected {expected}");
    }

    #[test]
    fn bands_stand_for_a_million_items_to_2e_7() {
        let items = 1 << 20;
        for exponent in [0.0, 0.3, 0.9, 1.0, 1.0 + 1e-9, 1.5] {
            let bands = zipf_bands(exponent, items, 1.0).expect("in the domain");
            let total = zipf_total(exponent, items);
            let rates: Vec<f64> = (1..=items).rev().map(|k| (k as f64).powf(-exponent) / total).collect();
            near(rates.iter().sum::<f64>(), 1.0, 1e-11);
            for time in [1e3, 1e5, 1e6, 1e8] {
                let hits: f64 = rates.iter().map(|r| r * hit_probability(*r, time)).sum();
                near(hit_ratio(&bands, time), hits, 2e-7);
                let filled: f64 = rates.iter().map(|r| hit_probability(*r, time)).sum();
                let found: f64 = bands.iter().map(|b| b.items * hit_probability(b.rate, time)).sum();
                near(found, filled, 2e-7 * items as f64);
            }
        }
    }

    #[test]
    fn what_is_no_popularity_is_refused() {
        assert!(zipf_bands(-1.0, 10, 1.0).is_none() && zipf_bands(1.0, 10, f64::NAN).is_none());
        assert!(weighted_bands(&[(1.0, 0.0)], 1.0).is_none() && weighted_bands(&[], 1.0).is_none());
        assert!(weighted_bands(&[(-1.0, 1.0), (2.0, 1.0)], 1.0).is_none());
    }
}
