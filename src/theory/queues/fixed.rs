//! M/D/1: Poisson arrivals, a constant service time, one server.
//!
//! Erlang's own sum for the wait alternates in sign and loses all its digits near full load. Here
//! every term is positive: the chain of queue lengths by a cut equation, then C. D. Crommelin's
//! form of the wait (1932) as arranged by G. J. Franx, Operations Research Letters 29 (2001)
//! 221-229.

use super::load;
use crate::theory::solve::{beyond, crossing};

/// More states than this and the answer is NaN: reached above a load of about 0.9999.
const STATES: usize = 1_000_000;
/// P(more than this many arrivals in a service) is below 1e-89 at any load below 1.
const ARRIVALS: usize = 64;

/// Mean wait of M/D/1: half of M/M/1. F. Pollaczek (1930); Kleinrock (1975), chapter 5.
pub fn md1_mean_wait(lambda: f64, service: f64) -> f64 {
    super::mm1_mean_wait(lambda, service) / 2.0
}

/// P(wait > t) of M/D/1, `t` at least 0.
pub fn md1_wait_tail(lambda: f64, service: f64, t: f64) -> f64 {
    let rho = load(1, lambda, service);
    if rho >= 1.0 {
        return 1.0;
    }
    if rho.is_nan() || t.is_nan() || t < 0.0 || t / service >= STATES as f64 {
        return f64::NAN;
    }
    if rho == 0.0 {
        return 0.0;
    }
    let mut lengths = Lengths::new(rho);
    let whole = (t / service) as usize + 1;
    while lengths.more_waiting_than.len() < whole {
        lengths.extend();
    }
    lengths.wait_tail(whole, t / service)
}

/// Quantile `p` of the wait of M/D/1. NaN above a load of about 0.9999, where the chain of queue
/// lengths grows too long.
pub fn md1_wait_quantile(lambda: f64, service: f64, p: f64) -> f64 {
    let rho = load(1, lambda, service);
    let level = beyond(p);
    if rho.is_nan() || level.is_nan() {
        return f64::NAN;
    }
    if rho >= 1.0 {
        return f64::INFINITY;
    }
    if rho <= level {
        return 0.0;
    }
    let mut lengths = Lengths::new(rho);
    while lengths.more_waiting_than.len() < STATES {
        // P(W > k services) = P(more than k - 1 wait), so the quantile is in the k-th service.
        let whole = lengths.more_waiting_than.len();
        if lengths.more_waiting_than[whole - 1] <= level {
            let (low, high) = ((whole - 1) as f64, whole as f64);
            return service * crossing(low, high, level, |t| lengths.wait_tail(whole, t));
        }
        lengths.extend();
    }
    f64::NAN
}

/// Quantile `p` of the sojourn of M/D/1: that of the wait, and one service.
pub fn md1_sojourn_quantile(lambda: f64, service: f64, p: f64) -> f64 {
    md1_wait_quantile(lambda, service, p) + service
}

/// The law of the number in M/D/1, extended as far as it is asked for.
struct Lengths {
    rho: f64,
    /// P(at least m arrivals in a service), m from 0.
    at_least: Vec<f64>,
    /// P(n in the system), n from 0.
    in_system: Vec<f64>,
    /// P(more than m wait), m from 0.
    more_waiting_than: Vec<f64>,
}

impl Lengths {
    fn new(rho: f64) -> Self {
        let mut arrivals = vec![(-rho).exp()];
        for m in 1..=ARRIVALS {
            arrivals.push(arrivals[m - 1] * rho / m as f64);
        }
        // Summed from the small end, so that no digit of a small tail is lost.
        let mut at_least = arrivals;
        for m in (0..ARRIVALS).rev() {
            at_least[m] += at_least[m + 1];
        }
        let mut lengths = Lengths { rho, at_least, in_system: vec![1.0 - rho], more_waiting_than: vec![] };
        lengths.extend();
        lengths
    }

    /// One more state, by the flow across the cut below it: what a departure carries down from j
    /// equals what arrivals in one service carry up from below j. M. F. Neuts (1989) for M/G/1.
    fn extend(&mut self) {
        let j = self.in_system.len();
        let up = |m: usize| self.at_least.get(m).copied().unwrap_or(0.0);
        let mut carried_up = self.in_system[0] * up(j);
        for i in (j + 1).saturating_sub(ARRIVALS).max(1)..j {
            carried_up += self.in_system[i] * up(j - i + 1);
        }
        let here = carried_up / (-self.rho).exp();
        self.in_system.push(here);
        let before = self.more_waiting_than.last().copied().unwrap_or(self.rho);
        self.more_waiting_than.push((before - here).max(0.0));
    }

    /// P(W > t), t in services, from `whole` - 1 to `whole`, for which as many lengths must be known.
    fn wait_tail(&self, whole: usize, t: f64) -> f64 {
        let x = self.rho * (whole as f64 - t);
        let mut weight = (-x).exp();
        let mut beyond = 1.0;
        let mut tail = 0.0;
        for j in 0..whole.min(ARRIVALS) {
            tail += weight * self.more_waiting_than[whole - 1 - j];
            beyond -= weight;
            weight *= x / (j + 1) as f64;
        }
        tail + beyond.max(0.0)
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_tail_starts_at_the_load_and_falls() {
        for rho in [0.1, 0.5, 0.9, 0.99] {
            assert!((md1_wait_tail(rho, 1.0, 0.0) - rho).abs() < 1e-14);
            let mut before = rho;
            for i in 1..400 {
                let tail = md1_wait_tail(rho, 1.0, f64::from(i) * 0.05);
                assert!(tail <= before + 1e-15, "{rho} at {i}: {tail} after {before}");
                before = tail;
            }
        }
    }

    #[test]
    fn the_tail_integrates_to_the_mean() {
        // Trapezium, step 1/200: the error is (step²/12) times the slope at 0, below 1e-5.
        for rho in [0.3, 0.8] {
            let sum: f64 = (1..12_000).map(|i| md1_wait_tail(rho, 1.0, f64::from(i) / 200.0)).sum();
            let mean = (sum + rho / 2.0) / 200.0;
            let exact = md1_mean_wait(rho, 1.0);
            assert!((mean - exact).abs() < 1e-5, "{rho}: {mean} against {exact}");
        }
    }

    #[test]
    fn near_full_load_the_tail_is_the_heavy_traffic_exponential() {
        // J. F. C. Kingman (1961): W(1 - rho) tends to an exponential of mean 1/2; 1 % off at 0.99.
        let found = md1_wait_quantile(0.999, 1.0, 0.99);
        let limit = (100.0_f64).ln() / 2.0 / 0.001;
        assert!((found / limit - 1.0).abs() < 0.01, "{found} against {limit}");
    }

    #[test]
    fn what_has_no_answer_says_so() {
        assert_eq!(md1_wait_quantile(1.0, 1.0, 0.5), f64::INFINITY);
        assert!(md1_wait_quantile(0.5, 1.0, 1.0).is_nan());
        assert!(md1_wait_tail(0.5, 1.0, -1.0).is_nan());
        assert_eq!(md1_wait_quantile(0.0, 1.0, 0.5), 0.0);
    }
}
