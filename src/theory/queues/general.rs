//! M/G/1: Poisson arrivals, any service law, one server.
//!
//! Means from two moments; quantiles exactly for hyperexponential service (partial fractions), and
//! for bimodal and gamma service by inverting the Pollaczek-Khinchine transform.

use super::load;
use crate::theory::inversion::{Complex, tail_from_transform};
use crate::theory::solve::{beyond, quantile};

/// Mean wait of M/G/1, `scv` being the squared coefficient of variation of the service (variance
/// over squared mean). Pollaczek-Khinchine; Kleinrock (1975), sections 5.6-5.7.
pub fn mg1_mean_wait(lambda: f64, service: f64, scv: f64) -> f64 {
    super::mm1_mean_wait(lambda, service) * (1.0 + scv) / 2.0
}

/// Standard deviation of the wait of M/G/1 from the first three moments of the service:
/// `E[W²] = 2E[W]² + lambda E[S³]/(3(1 - rho))`. L. Takács (1962); Kleinrock (1975), section 5.7.
pub fn mg1_wait_deviation(lambda: f64, first: f64, second: f64, third: f64) -> f64 {
    let rho = load(1, lambda, first);
    if rho >= 1.0 {
        return f64::INFINITY;
    }
    let mean = lambda * second / (2.0 * (1.0 - rho));
    (mean * mean + lambda * third / (3.0 * (1.0 - rho))).sqrt()
}

/// A hyperexponential of two branches with balanced means and mean 1: (probability of the first
/// branch, its mean, mean of the second), for `scv` at least 1. W. Whitt, Operations Research 30 (1982).
pub fn balanced_branches(scv: f64) -> (f64, f64, f64) {
    let p = (1.0 + ((scv - 1.0) / (scv + 1.0)).sqrt()) / 2.0;
    (p, 1.0 / (2.0 * p), 1.0 / (2.0 * (1.0 - p)))
}

/// Quantile `p` of the wait of M/H2/1: a service has mean `first` with probability `share`, else mean
/// `second`. From the two poles of the Pollaczek-Khinchine transform; Kleinrock (1975), section 5.7.
pub fn mh2_wait_quantile(lambda: f64, share: f64, first: f64, second: f64, p: f64) -> f64 {
    let Some(poles) = Poles::of(lambda, share, first, second) else {
        return unstable_or_nan(load(1, lambda, share * first + (1.0 - share) * second), p);
    };
    let (fast, slow) = (1.0 / first, 1.0 / second);
    poles.quantile(p, |z| (fast - z) * (slow - z))
}

/// Quantile `p` of the sojourn of M/H2/1. The service's own poles cancel against zeros of the wait's
/// transform, so that the sojourn has the same two poles as the wait.
pub fn mh2_sojourn_quantile(lambda: f64, share: f64, first: f64, second: f64, p: f64) -> f64 {
    let Some(poles) = Poles::of(lambda, share, first, second) else {
        return unstable_or_nan(load(1, lambda, share * first + (1.0 - share) * second), p);
    };
    let (fast, slow) = (1.0 / first, 1.0 / second);
    poles.quantile(p, |z| share * fast * (slow - z) + (1.0 - share) * slow * (fast - z))
}

fn unstable_or_nan(rho: f64, p: f64) -> f64 {
    if rho >= 1.0 && !beyond(p).is_nan() { f64::INFINITY } else { f64::NAN }
}

/// Poles of the M/H2/1 transforms, at -near and -far.
struct Poles {
    rho: f64,
    near: f64,
    far: f64,
}

impl Poles {
    fn of(lambda: f64, share: f64, first: f64, second: f64) -> Option<Poles> {
        let rho = load(1, lambda, share * first + (1.0 - share) * second);
        let in_domain = first > 0.0 && second > 0.0 && (0.0..=1.0).contains(&share) && lambda > 0.0;
        if !in_domain || rho.is_nan() || rho >= 1.0 {
            return None;
        }
        // s² + bs + c, with c = mu1 mu2 (1 - rho); the small root without subtracting like numbers.
        let b = 1.0 / first + 1.0 / second - lambda;
        let c = (1.0 - rho) / (first * second);
        let far = (b + (b * b - 4.0 * c).max(0.0).sqrt()) / 2.0;
        Some(Poles { rho, near: c / far, far })
    }

    /// Quantile of the law whose transform is (1 - rho) N(s)/((s + near)(s + far)); `n` is N(-z).
    fn quantile(&self, p: f64, n: impl Fn(f64) -> f64) -> f64 {
        let scale = (1.0 - self.rho) / (self.far - self.near);
        let near = scale * n(self.near) / self.near;
        let far = -scale * n(self.far) / self.far;
        if near + far <= beyond(p) {
            return 0.0;
        }
        quantile(p, 1.0 / self.near, |t| near * (-self.near * t).exp() + far * (-self.far * t).exp())
    }
}

/// P(wait > t) of M/G/1 whose service is `slow` with probability `slow_share` and else `fast`, both
/// fixed times; `t` at least 0. By inversion, absolute error below 1e-6.
pub fn bimodal_wait_tail(lambda: f64, slow_share: f64, fast: f64, slow: f64, t: f64) -> f64 {
    let service = (1.0 - slow_share) * fast + slow_share * slow;
    let rho = load(1, lambda, service);
    if rho >= 1.0 || t == 0.0 {
        return rho.min(1.0);
    }
    tail_from_transform(
        |s| {
            wait_transform(
                lambda,
                rho,
                s,
                (s * -fast).exp() * (1.0 - slow_share) + (s * -slow).exp() * slow_share,
            )
        },
        t,
    )
}

/// Quantile `p` of the wait under bimodal service, relative error about 1e-5.
pub fn bimodal_wait_quantile(lambda: f64, slow_share: f64, fast: f64, slow: f64, p: f64) -> f64 {
    let service = (1.0 - slow_share) * fast + slow_share * slow;
    let rho = load(1, lambda, service);
    if rho >= 1.0 {
        return unstable_or_nan(rho, p);
    }
    if rho <= beyond(p) {
        return 0.0;
    }
    quantile(p, service, |t| bimodal_wait_tail(lambda, slow_share, fast, slow, t))
}

/// Quantile `p` of the sojourn under bimodal service: the wait's tail shifted by either service.
pub fn bimodal_sojourn_quantile(lambda: f64, slow_share: f64, fast: f64, slow: f64, p: f64) -> f64 {
    let service = (1.0 - slow_share) * fast + slow_share * slow;
    let rho = load(1, lambda, service);
    if rho >= 1.0 {
        return unstable_or_nan(rho, p);
    }
    let after = |t: f64, own: f64| {
        if t < own { 1.0 } else { bimodal_wait_tail(lambda, slow_share, fast, slow, t - own) }
    };
    quantile(p, service, |t| (1.0 - slow_share) * after(t, fast) + slow_share * after(t, slow))
}

/// Quantile `p` of the sojourn of M/G/1 with gamma service of squared coefficient of variation `scv`
/// above 0 (an Erlang law of k stages has 1/k). By inversion.
pub fn gamma_sojourn_quantile(lambda: f64, service: f64, scv: f64, p: f64) -> f64 {
    let rho = load(1, lambda, service);
    if rho >= 1.0 {
        return unstable_or_nan(rho, p);
    }
    let own = |s: Complex| (Complex::ONE + s * (service * scv)).powf(-1.0 / scv);
    quantile(p, service, |t| tail_from_transform(|s| wait_transform(lambda, rho, s, own(s)) * own(s), t))
}

/// The Pollaczek-Khinchine transform of the wait, `own` being that of the service at `s`.
/// Kleinrock (1975), section 5.7.
fn wait_transform(lambda: f64, rho: f64, s: Complex, own: Complex) -> Complex {
    s * (1.0 - rho) / (s - Complex::real(lambda) + own * lambda)
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::theory::queues::{
        md1_sojourn_quantile, md1_wait_tail, mm1_sojourn_quantile, mm1_wait_quantile,
    };

    fn close(found: f64, exact: f64, relative: f64) {
        assert!((found - exact).abs() <= relative * exact.abs(), "{found} against {exact}");
    }

    #[test]
    fn two_equal_branches_are_mm1() {
        for p in [0.5, 0.9, 0.999] {
            close(mh2_wait_quantile(0.8, 0.3, 1.0, 1.0, p), mm1_wait_quantile(0.8, 1.0, p), 1e-9);
            close(mh2_sojourn_quantile(0.8, 0.3, 1.0, 1.0, p), mm1_sojourn_quantile(0.8, 1.0, p), 1e-9);
        }
        assert_eq!(mh2_wait_quantile(0.3, 0.3, 1.0, 1.0, 0.5), 0.0);
    }

    #[test]
    fn two_equal_modes_are_md1() {
        // The inversion meets an exact law with the kinks of fixed service.
        for t in [0.25, 1.5, 7.3] {
            close(bimodal_wait_tail(0.8, 0.3, 1.0, 1.0, t), md1_wait_tail(0.8, 1.0, t), 2e-6);
        }
        close(bimodal_sojourn_quantile(0.8, 0.3, 1.0, 1.0, 0.99), md1_sojourn_quantile(0.8, 1.0, 0.99), 1e-5);
    }

    #[test]
    fn gamma_of_variation_one_is_mm1() {
        close(gamma_sojourn_quantile(0.8, 1.0, 1.0, 0.99), mm1_sojourn_quantile(0.8, 1.0, 0.99), 1e-6);
    }

    #[test]
    fn what_has_no_answer_says_so() {
        assert_eq!(mh2_wait_quantile(2.0, 0.5, 1.0, 1.0, 0.5), f64::INFINITY);
        assert_eq!(bimodal_wait_quantile(2.0, 0.5, 1.0, 1.0, 0.5), f64::INFINITY);
        assert_eq!(mg1_wait_deviation(1.0, 1.0, 2.0, 6.0), f64::INFINITY);
        assert!(mh2_wait_quantile(0.5, 2.0, 1.0, 1.0, 0.5).is_nan());
        assert!(gamma_sojourn_quantile(0.5, 1.0, 1.0, 1.0).is_nan());
        assert!(bimodal_sojourn_quantile(-0.5, 0.5, 1.0, 1.0, 0.5).is_nan());
    }
}
