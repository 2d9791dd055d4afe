//! Statistical checks that the tests of this room share.

/// Panics unless the counts fit the expected ones by chi-square at alpha 1e-6. Cells that expect
/// fewer than 5 are pooled with their neighbours. The limit is Wilson & Hilferty's (1931) cube-root
/// approximation at z = 4.753.
pub(super) fn assert_fits(what: &str, seen: &[u64], expected: &[f64]) {
    assert_eq!(seen.len(), expected.len());
    let mut cells = vec![(0.0, 0.0)];
    for (seen, expected) in seen.iter().zip(expected) {
        if cells.last().is_some_and(|c| c.1 >= 5.0) {
            cells.push((0.0, 0.0));
        }
        let cell = cells.last_mut().expect("there is a cell");
        *cell = (cell.0 + *seen as f64, cell.1 + expected);
    }
    if let Some(rest) = cells.pop_if(|c| c.1 < 5.0) {
        let last = cells.last_mut().expect("some cell expects five");
        *last = (last.0 + rest.0, last.1 + rest.1);
    }
    assert!(cells.len() > 1, "{what}: nothing to compare");
    let chi2: f64 = cells.iter().map(|(s, e)| (s - e) * (s - e) / e).sum();
    let k = (cells.len() - 1) as f64;
    let limit = k * (1.0 - 2.0 / (9.0 * k) + 4.753 * (2.0 / (9.0 * k)).sqrt()).powi(3);
    assert!(chi2 < limit, "{what}: chi-square {chi2} beyond {limit}: {:?} …", &cells[..cells.len().min(20)]);
}

/// Panics unless a share of independent draws lies within 6 standard errors (2e-9) of the stated one.
pub(super) fn assert_share(what: &str, hits: usize, draws: usize, share: f64) {
    let found = hits as f64 / draws as f64;
    let bound = 6.0 * (share * (1.0 - share) / draws as f64).sqrt();
    assert!((found - share).abs() < bound, "{what}: share {found}, stated {share} ± {bound}");
}

/// Panics unless the sample follows the law with this distribution function: Kolmogorov–Smirnov at
/// alpha 1e-6 (limit 2.693/√n: 2·exp(−2x²) = 1e-6). The draws must be independent.
pub(super) fn assert_follows(what: &str, sample: &mut [f64], cdf: impl Fn(f64) -> f64) {
    sample.sort_by(f64::total_cmp);
    let n = sample.len() as f64;
    let distance = sample
        .iter()
        .enumerate()
        .map(|(i, x)| {
            let f = cdf(*x);
            (f - i as f64 / n).max((i + 1) as f64 / n - f)
        })
        .fold(0.0, f64::max);
    let limit = 2.693 / n.sqrt();
    assert!(distance < limit, "{what}: KS distance {distance} beyond {limit}");
}

/// Mean and unbiased variance.
pub(super) fn moments(sample: &[f64]) -> (f64, f64) {
    let n = sample.len() as f64;
    let mean = sample.iter().sum::<f64>() / n;
    let variance = sample.iter().map(|x| (x - mean).powi(2)).sum::<f64>() / (n - 1.0);
    (mean, variance)
}
