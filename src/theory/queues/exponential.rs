//! Queues with exponential servers: M/M/1, M/M/c, batches, and tandems of them.

use super::load;
use crate::theory::inversion::{Complex, tail_from_transform};
use crate::theory::solve::{beyond, quantile};

/// Mean wait of M/M/1. L. Kleinrock, Queueing Systems vol. 1 (1975), chapter 3.
pub fn mm1_mean_wait(lambda: f64, service: f64) -> f64 {
    let rho = load(1, lambda, service);
    if rho >= 1.0 { f64::INFINITY } else { service * rho / (1.0 - rho) }
}

/// Mean sojourn of M/M/1. Kleinrock (1975), chapter 3.
pub fn mm1_mean_sojourn(lambda: f64, service: f64) -> f64 {
    mm1_mean_wait(lambda, service) + service
}

/// Quantile `p` of the wait of M/M/1, from P(W > t) = rho e^-(mu - lambda)t. Kleinrock (1975),
/// chapter 5 (M/M/1 as the example).
pub fn mm1_wait_quantile(lambda: f64, service: f64, p: f64) -> f64 {
    let rho = load(1, lambda, service);
    let tail = beyond(p);
    if rho >= 1.0 && !tail.is_nan() {
        return f64::INFINITY;
    }
    if rho <= tail {
        return 0.0;
    }
    service / (1.0 - rho) * (rho / tail).ln()
}

/// Quantile `p` of the sojourn of M/M/1, which is exponential. Kleinrock (1975), chapter 5.
pub fn mm1_sojourn_quantile(lambda: f64, service: f64, p: f64) -> f64 {
    -mm1_mean_sojourn(lambda, service) * beyond(p).ln()
}

/// Erlang's loss formula: the probability that all of `servers` are busy if nobody waits. `offered`
/// is lambda times the mean service. By the recursion B(c) = aB(c-1)/(c + aB(c-1)), which cannot
/// overflow. A. K. Erlang (1917); Kleinrock (1975), section 3.6.
pub fn erlang_b(servers: usize, offered: f64) -> f64 {
    if !(offered >= 0.0 && offered.is_finite()) {
        return f64::NAN;
    }
    (1..=servers).fold(1.0, |blocked, c| offered * blocked / (c as f64 + offered * blocked))
}

/// Erlang's delay formula: the probability of a wait; 1 at or above full load. From the loss formula
/// by C = B/(1 - rho(1 - B)). A. K. Erlang (1917); Kleinrock (1975), section 3.5.
pub fn erlang_c(servers: usize, offered: f64) -> f64 {
    let rho = load(servers, offered, 1.0);
    if rho >= 1.0 {
        return 1.0;
    }
    let blocked = erlang_b(servers, offered);
    blocked / (1.0 - rho * (1.0 - blocked))
}

/// Mean wait of M/M/c. Kleinrock (1975), section 3.5; Gross et al., Fundamentals of Queueing Theory,
/// section 2.3.
pub fn mmc_mean_wait(servers: usize, lambda: f64, service: f64) -> f64 {
    let rho = load(servers, lambda, service);
    if rho >= 1.0 {
        return f64::INFINITY;
    }
    erlang_c(servers, lambda * service) * service / (servers as f64 * (1.0 - rho))
}

/// Mean sojourn of M/M/c.
pub fn mmc_mean_sojourn(servers: usize, lambda: f64, service: f64) -> f64 {
    mmc_mean_wait(servers, lambda, service) + service
}

/// Quantile `p` of the wait of M/M/c, from P(W > t) = C e^-(c mu - lambda)t. Gross et al., section 2.3.
pub fn mmc_wait_quantile(servers: usize, lambda: f64, service: f64, p: f64) -> f64 {
    let rho = load(servers, lambda, service);
    let tail = beyond(p);
    if rho >= 1.0 && !tail.is_nan() {
        return f64::INFINITY;
    }
    let waits = erlang_c(servers, lambda * service);
    if waits <= tail {
        return 0.0;
    }
    service / (servers as f64 * (1.0 - rho)) * (waits / tail).ln()
}

/// P(sojourn > t) of M/M/c: the wait's tail convolved with an exponential service. Gross et al.,
/// section 2.3; written with `exp_m1`, so that it holds where the two rates meet.
pub fn mmc_sojourn_tail(servers: usize, lambda: f64, service: f64, t: f64) -> f64 {
    let rho = load(servers, lambda, service);
    if rho >= 1.0 {
        return 1.0;
    }
    let waits = erlang_c(servers, lambda * service);
    let mu = 1.0 / service;
    let theta = servers as f64 * (1.0 - rho) * mu;
    let gap = theta - mu;
    let overlap = if gap == 0.0 { t } else { -(-gap * t).exp_m1() / gap };
    let waited = (-theta * t).exp() + theta * (-mu * t).exp() * overlap;
    (1.0 - waits) * (-mu * t).exp() + waits * waited
}

/// Quantile `p` of the sojourn of M/M/c, solved from its tail.
pub fn mmc_sojourn_quantile(servers: usize, lambda: f64, service: f64, p: f64) -> f64 {
    let mean = mmc_mean_sojourn(servers, lambda, service);
    if mean == f64::INFINITY && !beyond(p).is_nan() {
        return f64::INFINITY;
    }
    quantile(p, mean, |t| mmc_sojourn_tail(servers, lambda, service, t))
}

/// Mean sojourn of a request where batches arrive as a Poisson process: M^X/M/1. `lambda` counts
/// batches; the batch size has the two moments. Gross et al., section 3.1.
pub fn batch_mean_sojourn(lambda: f64, size_mean: f64, size_second_moment: f64, service: f64) -> f64 {
    let rho = load(1, lambda * size_mean, service);
    if rho >= 1.0 {
        return f64::INFINITY;
    }
    service * (size_second_moment + size_mean) / (2.0 * size_mean * (1.0 - rho))
}

/// Second moment of a batch size that is geometric on 1, 2, 3 ... with this mean: 2m² - m.
pub fn geometric_second_moment(mean: f64) -> f64 {
    if mean >= 1.0 { mean * (2.0 * mean - 1.0) } else { f64::NAN }
}

/// Quantile `p` of the sojourn of a request under geometric batches. A geometric sum of exponentials
/// is exponential, both for the batch as a whole and for a request with those before it in its
/// batch; so the sojourn is that of M/M/1 with the batch's service: exponential, mean mS/(1 - rho).
/// Derived here; its mean is that of [`batch_mean_sojourn`].
pub fn geometric_batch_sojourn_quantile(lambda: f64, size_mean: f64, service: f64, p: f64) -> f64 {
    mm1_sojourn_quantile(lambda, size_mean * service, p)
}

/// Mean sojourn over stations in series or with feedback: the sum of `visits` times the mean sojourn
/// of M/M/c at rate `visits * lambda`. Each station is (servers, mean service, visits a request).
/// J. R. Jackson (1957).
pub fn jackson_mean_sojourn(lambda: f64, stations: &[(usize, f64, f64)]) -> f64 {
    stations.iter().map(|&(c, service, visits)| visits * mmc_mean_sojourn(c, visits * lambda, service)).sum()
}

/// Quantile `p` of the total sojourn over single servers in series: a sum of independent
/// exponentials, one a station. Each station is (its own arrival rate, mean service), so a request
/// that picks one of k alike has lambda/k there. E. Reich (1957, 1963); with such branching,
/// J. Walrand & P. Varaiya (1980) for paths without overtaking.
pub fn tandem_sojourn_quantile(stations: &[(f64, f64)], p: f64) -> f64 {
    let means: Vec<f64> =
        stations.iter().map(|&(lambda, service)| mm1_mean_sojourn(lambda, service)).collect();
    let total: f64 = means.iter().sum();
    if total == f64::INFINITY && !beyond(p).is_nan() {
        return f64::INFINITY;
    }
    quantile(p, total, |t| sum_of_exponentials_tail(&means, t))
}

/// P(sum > t) of independent exponentials with these means. Inverted from the product of their
/// transforms, so that equal means need no special case and unequal ones no more work.
fn sum_of_exponentials_tail(means: &[f64], t: f64) -> f64 {
    tail_from_transform(
        |s| means.iter().fold(Complex::ONE, |product, &mean| product / (Complex::ONE + s * mean)),
        t,
    )
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn one_server_of_mmc_is_mm1() {
        for lambda in [0.1, 0.5, 0.95] {
            assert!((mmc_mean_wait(1, lambda, 1.0) - mm1_mean_wait(lambda, 1.0)).abs() < 1e-12);
            let (one, c) =
                (mm1_sojourn_quantile(lambda, 1.0, 0.99), mmc_sojourn_quantile(1, lambda, 1.0, 0.99));
            assert!((one - c).abs() < 1e-9 * one, "{one} against {c}");
        }
    }

    #[test]
    fn the_sojourn_tail_is_smooth_where_the_two_rates_meet() {
        // Two servers at load 1/2: c mu - lambda = mu exactly.
        let at = mmc_sojourn_tail(2, 1.0, 1.0, 3.0);
        let beside = mmc_sojourn_tail(2, 1.0 + 1e-9, 1.0, 3.0);
        assert!((at - beside).abs() < 1e-8, "{at} against {beside}");
    }

    #[test]
    fn equal_stations_in_series_give_an_erlang_sojourn() {
        // Three at load 1/2 with service 1/2: three stages of mean 1. P(X > t) = e^-t(1 + t + t²/2).
        let t = tandem_sojourn_quantile(&[(1.0, 0.5); 3], 0.99);
        assert!(((-t).exp() * (1.0 + t + t * t / 2.0) - 0.01).abs() < 2e-9, "{t}");
    }

    #[test]
    fn full_load_waits_for_ever_and_nonsense_is_no_number() {
        assert_eq!(mm1_mean_wait(1.0, 1.0), f64::INFINITY);
        assert_eq!(mmc_wait_quantile(4, 5.0, 1.0, 0.5), f64::INFINITY);
        assert_eq!(mmc_sojourn_quantile(4, 5.0, 1.0, 0.5), f64::INFINITY);
        assert_eq!(tandem_sojourn_quantile(&[(0.5, 1.0), (1.0, 1.0)], 0.5), f64::INFINITY);
        assert!(mm1_mean_wait(-1.0, 1.0).is_nan());
        assert!(mmc_mean_wait(0, 0.5, 1.0).is_nan());
        assert!(mm1_sojourn_quantile(0.5, 1.0, 1.0).is_nan());
        assert!(mmc_wait_quantile(2, 0.5, 1.0, f64::NAN).is_nan());
        assert!(erlang_b(3, f64::NAN).is_nan());
    }
}
