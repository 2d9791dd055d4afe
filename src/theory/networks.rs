//! Closed networks: a fixed number of requests, each thinking, being served, and again.
//!
//! Exact mean value analysis where every centre has one server, Buzen's convolution where one has
//! several (the mean value recursion then subtracts probabilities and loses its digits; sums of
//! positive terms do not). Both need exponential service, or processor sharing, and one class;
//! `mva_classes` takes several classes on single servers. `Centre::demand` is the mean service a
//! request needs there in all, over its visits.

/// A service centre.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Centre {
    /// Mean service a request needs here in all, unit of time.
    pub demand: f64,
    /// Servers with one queue, at least 1.
    pub servers: usize,
}

impl Centre {
    /// A centre with one server.
    pub const fn single(demand: f64) -> Self {
        Centre { demand, servers: 1 }
    }
}

/// What a closed network does.
#[derive(Clone, Debug, PartialEq)]
pub struct Closed {
    /// Requests per unit of time.
    pub throughput: f64,
    /// Mean time from the end of a think to the end of the last service.
    pub response: f64,
    /// Mean time at each centre, all visits together.
    pub residence: Vec<f64>,
    /// Mean number at each centre, waiting or served.
    pub queue: Vec<f64>,
}

impl Closed {
    fn filled(value: f64, centres: usize) -> Self {
        Closed {
            throughput: value,
            response: value,
            residence: vec![value; centres],
            queue: vec![value; centres],
        }
    }
}

/// Largest population that is convolved.
const CONVOLVED: usize = 10_000;

/// Exact solution of a closed network with one class. NaN throughout if a demand or `think` is
/// negative or no number, a centre has no server, or a centre has several and the population is
/// above 10,000 (the convolution takes its square); zeros for a population of 0. With single servers
/// the work grows as the population.
pub fn mva(centres: &[Centre], think: f64, population: usize) -> Closed {
    let in_domain = think >= 0.0
        && think.is_finite()
        && centres.iter().all(|c| c.demand >= 0.0 && c.demand.is_finite() && c.servers > 0);
    if !in_domain {
        return Closed::filled(f64::NAN, centres.len());
    }
    if centres.iter().all(|c| c.servers == 1) {
        mean_value_analysis(centres, think, population)
    } else if population <= CONVOLVED {
        convolution(centres, think, population)
    } else {
        Closed::filled(f64::NAN, centres.len())
    }
}

/// M. Reiser & S. S. Lavenberg, J. ACM 27 (1980) 313-322; Lazowska et al., Quantitative System
/// Performance (1984), chapter 6.
fn mean_value_analysis(centres: &[Centre], think: f64, population: usize) -> Closed {
    let mut found = Closed::filled(0.0, centres.len());
    for n in 1..=population {
        for (k, centre) in centres.iter().enumerate() {
            found.residence[k] = centre.demand * (1.0 + found.queue[k]);
        }
        found.response = found.residence.iter().sum();
        found.throughput = n as f64 / (think + found.response);
        for k in 0..centres.len() {
            found.queue[k] = found.throughput * found.residence[k];
        }
    }
    found
}

/// J. P. Buzen, Communications of the ACM 16 (1973) 527-531, with queue-dependent servers; all in
/// logarithms, so that no population overflows.
fn convolution(centres: &[Centre], think: f64, population: usize) -> Closed {
    if population == 0 {
        return Closed::filled(0.0, centres.len());
    }
    let factors: Vec<Vec<f64>> =
        centres.iter().map(|c| log_factors(c.demand, c.servers, population)).collect();
    // Thinking is a centre with a server for everyone.
    let thinking = log_factors(think, population, population);
    let without = |left_out: Option<usize>| {
        factors
            .iter()
            .enumerate()
            .filter(|(k, _)| Some(*k) != left_out)
            .fold(thinking.clone(), |sum, (_, factor)| convolve(&sum, factor))
    };
    let whole = without(None);
    let throughput = (whole[population - 1] - whole[population]).exp();
    let queue: Vec<f64> = (0..centres.len())
        .map(|k| {
            let others = without(Some(k));
            (1..=population)
                .map(|n| n as f64 * (factors[k][n] + others[population - n] - whole[population]).exp())
                .sum()
        })
        .collect();
    let residence: Vec<f64> = queue.iter().map(|q| q / throughput).collect();
    // From the law of interactive response time: the sum of residences would say the same.
    Closed { throughput, response: population as f64 / throughput - think, residence, queue }
}

/// ln of demand^n over the product of min(j, servers) for j = 1..n.
fn log_factors(demand: f64, servers: usize, population: usize) -> Vec<f64> {
    let mut factors = vec![0.0];
    for n in 1..=population {
        factors.push(factors[n - 1] + (demand / n.min(servers) as f64).ln());
    }
    factors
}

/// ln of the convolution of two sequences given by their logarithms.
fn convolve(a: &[f64], b: &[f64]) -> Vec<f64> {
    (0..a.len())
        .map(|n| {
            let largest = (0..=n).map(|j| a[j] + b[n - j]).fold(f64::NEG_INFINITY, f64::max);
            if largest == f64::NEG_INFINITY {
                return largest;
            }
            largest + (0..=n).map(|j| (a[j] + b[n - j] - largest).exp()).sum::<f64>().ln()
        })
        .collect()
}

/// More population vectors than this are refused: the recursion visits each and keeps its queues.
const VECTORS: usize = 4_000_000;
/// More kept queues than this are refused (256 MiB).
const QUEUES: usize = 32 << 20;

/// Exact mean value analysis with several classes on single servers; `demands[class][centre]`, one
/// think time and population a class; one answer a class. None if the lengths disagree, a number is
/// negative or none, or there are more than 4 million population vectors or 32 million queue lengths. Lazowska et al. (1984),
/// chapter 7.
pub fn mva_classes(demands: &[Vec<f64>], thinks: &[f64], populations: &[usize]) -> Option<Vec<Closed>> {
    let centres = demands.first()?.len();
    let classes = demands.len();
    let numbers = demands.iter().flatten().chain(thinks);
    if thinks.len() != classes
        || populations.len() != classes
        || demands.iter().any(|d| d.len() != centres)
        || numbers.into_iter().any(|x| !(*x >= 0.0 && x.is_finite()))
    {
        return None;
    }
    // A population vector is a number in mixed radix; one fewer of class c is `stride[c]` below.
    let mut strides = Vec::with_capacity(classes);
    let mut vectors = 1_usize;
    for &n in populations {
        strides.push(vectors);
        vectors = n.checked_add(1).and_then(|n| vectors.checked_mul(n)).filter(|v| *v <= VECTORS)?;
    }
    let mut in_all = vec![0.0; vectors.checked_mul(centres.max(1)).filter(|q| *q <= QUEUES)?];
    let mut found = vec![Closed::filled(0.0, centres); classes];
    for vector in 1..vectors {
        for c in 0..classes {
            let here = vector / strides[c] % (populations[c] + 1);
            if here == 0 {
                found[c] = Closed::filled(0.0, centres);
                continue;
            }
            let fewer = (vector - strides[c]) * centres;
            for k in 0..centres {
                found[c].residence[k] = demands[c][k] * (1.0 + in_all[fewer + k]);
            }
            found[c].response = found[c].residence.iter().sum();
            found[c].throughput = here as f64 / (thinks[c] + found[c].response);
            for k in 0..centres {
                found[c].queue[k] = found[c].throughput * found[c].residence[k];
                in_all[vector * centres + k] += found[c].queue[k];
            }
        }
    }
    Some(found)
}

/// Asymptotic bounds (lowest, highest) on the throughput of a closed network of single servers.
/// Lazowska et al. (1984), chapter 5, table 5.2.
pub fn asymptotic_bounds(demands: &[f64], think: f64, population: usize) -> (f64, f64) {
    let (total, largest, n) = (sum(demands), max(demands), population as f64);
    (n / (n * total + think), (1.0 / largest).min(n / (total + think)))
}

/// Balanced-job bounds (lowest, highest) on the same. Lazowska et al. (1984), chapter 5.
pub fn balanced_bounds(demands: &[f64], think: f64, population: usize) -> (f64, f64) {
    if population == 0 {
        return (0.0, 0.0);
    }
    let (total, largest, n) = (sum(demands), max(demands), population as f64);
    let mean = total / demands.len() as f64;
    let low = n / (total + think + (n - 1.0) * largest / (1.0 + think / (n * total)));
    let high = n / (total + think + (n - 1.0) * mean / (1.0 + think / total));
    (low, high.min(1.0 / largest))
}

/// The population past which the largest demand binds: (D + Z)/Dmax. Lazowska et al. (1984), chapter 5.
pub fn saturation_population(demands: &[f64], think: f64) -> f64 {
    (sum(demands) + think) / max(demands)
}

/// The law of interactive response time: R = N/X - Z. J. P. Buzen & P. J. Denning (1978).
pub fn interactive_response(population: f64, throughput: f64, think: f64) -> f64 {
    population / throughput - think
}

fn sum(demands: &[f64]) -> f64 {
    demands.iter().sum()
}

fn max(demands: &[f64]) -> f64 {
    demands.iter().copied().fold(0.0, f64::max)
}

#[cfg(test)]
mod tests {
    use super::*;

    const CENTRES: [Centre; 3] = [Centre::single(2.0), Centre::single(3.0), Centre::single(1.0)];

    #[test]
    fn convolution_and_mean_value_analysis_agree() {
        for n in [1, 2, 7, 40] {
            let (a, b) = (mean_value_analysis(&CENTRES, 4.0, n), convolution(&CENTRES, 4.0, n));
            assert!((a.throughput - b.throughput).abs() < 1e-12, "{n}: {a:?} against {b:?}");
            assert!((a.response - b.response).abs() < 1e-9 * a.response, "{n}: {a:?} against {b:?}");
            for k in 0..3 {
                assert!((a.queue[k] - b.queue[k]).abs() < 1e-9, "{n}: {a:?} against {b:?}");
            }
        }
    }

    #[test]
    fn everyone_is_somewhere() {
        let centres =
            [Centre { demand: 6.0, servers: 4 }, Centre::single(1.0), Centre { demand: 0.0, servers: 2 }];
        for n in [1, 10, 500] {
            let found = mva(&centres, 3.0, n);
            let total = found.queue.iter().sum::<f64>() + found.throughput * 3.0;
            assert!((total - n as f64).abs() < 1e-8 * n as f64, "{total} of {n}");
            assert!((found.residence.iter().sum::<f64>() - found.response).abs() < 1e-8 * found.response);
        }
    }

    #[test]
    fn two_classes_alike_are_one_class() {
        let demands = vec![vec![2.0, 3.0, 1.0]; 2];
        let found = mva_classes(&demands, &[4.0, 4.0], &[3, 4]).expect("small");
        let one = mva(&CENTRES, 4.0, 7);
        assert!((found[0].throughput + found[1].throughput - one.throughput).abs() < 1e-12);
        assert!((found[0].response - one.response).abs() < 1e-9);
    }

    #[test]
    fn what_has_no_answer_says_so() {
        assert!(mva(&[Centre::single(-1.0)], 0.0, 3).throughput.is_nan());
        assert!(mva(&[Centre { demand: 1.0, servers: 0 }], 0.0, 3).response.is_nan());
        assert_eq!(mva(&CENTRES, 4.0, 0).throughput, 0.0);
        assert!(mva_classes(&[vec![1.0]], &[0.0], &[usize::MAX]).is_none());
        assert!(mva_classes(&[vec![1.0], vec![1.0, 2.0]], &[0.0, 0.0], &[1, 1]).is_none());
        assert!(mva_classes(&[], &[], &[]).is_none());
        assert!(mva(&[Centre { demand: 1.0, servers: 2 }], 0.0, usize::MAX).throughput.is_nan());
        assert!(mva_classes(&[vec![1.0; 1000]], &[0.0], &[1_000_000]).is_none());
    }
}
