use super::examples::{arriving, open_class};
use super::*;
use crate::engine::{Law, SimDuration};
use crate::scenario::{Sequential, Skew, TraceFormat};
use crate::traffic::checks::{assert_fits, assert_follows, assert_share, moments};
use std::cmp::Reverse;
use std::collections::BinaryHeap;

const SECOND: u64 = PS_PER_S;

fn sources(classes: &[Class], seed: u64) -> Sources {
    Sources::new(classes, Key::root(seed).numbered(0), &[], 1.0)
}

/// All requests up to `end`, in order of time then source; closed tokens are answered after `answer`.
fn play(sources: &mut Sources, end: SimTime, answer: SimDuration) -> Vec<(SimTime, Request)> {
    let mut due: BinaryHeap<Reverse<(SimTime, u32)>> =
        sources.start().into_iter().map(|(source, at)| Reverse((at, source))).collect();
    let mut requests = Vec::new();
    while let Some(Reverse((now, source))) = due.pop() {
        if now >= end {
            break;
        }
        let (request, next) = sources.arrive(source, now);
        assert!(next.is_none_or(|t| t >= now));
        let again = next.or_else(|| sources.finished(request.class, source, now + answer));
        due.extend(again.map(|t| Reverse((t, source))));
        requests.push((now, request));
    }
    requests
}

fn open_play(classes: &[Class], seed: u64, seconds: u64) -> Vec<(SimTime, Request)> {
    play(&mut sources(classes, seed), SimTime::from_ps(seconds * SECOND), SimDuration::ZERO)
}

/// Gaps between successive times, in seconds.
fn gaps(times: &[SimTime]) -> Vec<f64> {
    times.windows(2).map(|w| w[1].since(w[0]).secs()).collect()
}

fn times(requests: &[(SimTime, Request)]) -> Vec<SimTime> {
    requests.iter().map(|r| r.0).collect()
}

/// Claim:   Poisson gaps are exponential at the class's rate, and machines are drawn evenly.
/// Method:  KS and mean over 400,000 independent gaps, chi-square over 8 machines, seed 61 (fixed).
/// Alarm:   KS and chi-square 1e-6; mean 6 standard errors (2e-9).
/// Catches: 1.5 % of the rate; 4 % of one machine's share, both with power above 0.99.
#[test]
fn poisson_gaps_are_exponential_at_the_stated_rate() {
    let mut all = open_play(&[open_class("p", 8, 5_000.0)], 61, 11);
    all.truncate(400_000);
    let times: Vec<SimTime> = std::iter::once(SimTime::ZERO).chain(times(&all)).collect();
    let mut gaps = gaps(&times);
    let (mean, _) = moments(&gaps);
    let error = 1.0 / 40_000.0 / (gaps.len() as f64).sqrt();
    assert!((mean - 1.0 / 40_000.0).abs() < 6.0 * error, "mean gap {mean}");
    let mut seen = [0u64; 8];
    all.iter().for_each(|r| seen[r.1.machine as usize] += 1);
    assert_fits("machines", &seen, &[all.len() as f64 / 8.0; 8]);
    assert_follows("gaps", &mut gaps, |x| 1.0 - (-x * 40_000.0).exp());
}

/// Claim:   counts of a Poisson class in disjoint windows have index of dispersion 1.
/// Method:  200,000 windows of 10 ms at 1,000/s; the index of dispersion of n independent windows has
///          standard error √(2/n + 1/(n·mean)). Alarm: 6 of them. Catches: 2.5 %.
#[test]
fn poisson_counts_have_dispersion_one() {
    let mut counts = vec![0.0; 200_000];
    for (at, _) in open_play(&[open_class("p", 3, 1_000.0 / 3.0)], 62, 2_000) {
        counts[(at.ps() / (SECOND / 100)) as usize] += 1.0;
    }
    let (mean, variance) = moments(&counts);
    let error = (2.0 / 200_000.0 + 1.0 / 2_000_000.0f64).sqrt();
    assert!((variance / mean - 1.0).abs() < 6.0 * error, "dispersion {}", variance / mean);
}

#[test]
fn regular_machines_keep_step_at_phases_of_their_own() {
    let all = open_play(&[arriving("r", 400, 1_000.0, Arrivals::Regular)], 63, 1);
    assert_eq!(all.len(), 400_000);
    let mut phases = Vec::new();
    for machine in 0..400 {
        let own: Vec<SimTime> = all.iter().filter(|r| r.1.machine == machine).map(|r| r.0).collect();
        assert!(own.windows(2).all(|w| w[1].since(w[0]).ps().abs_diff(SECOND / 1_000) <= 1));
        phases.push(own[0].secs() * 1_000.0);
    }
    assert_follows("phases", &mut phases, |x| x);
}

/// Claim:   hyperexponential gaps have the stated mean and cv, from a stationary start.
/// Method:  400 machines; the gaps against the two-branch law (KS, 1e-6), the first arrivals against
///          the stationary residual law, 1 − (e^(−x/m1) + e^(−x/m2))/2.
/// Catches: a mean off by 1 %; a start with a whole gap in place of a residual one.
#[test]
fn hyperexponential_gaps_follow_their_law_from_a_stationary_start() {
    let cv: f64 = 3.0;
    let class = arriving("h", 20_000, 10.0, Arrivals::Hyperexponential { cv });
    let all = open_play(&[class], 64, 4);
    let p = (1.0 + ((cv * cv - 1.0) / (cv * cv + 1.0)).sqrt()) / 2.0;
    let (m1, m2) = (0.1 / (2.0 * p), 0.1 / (2.0 * (1.0 - p)));
    // The rate holds from the start: 800,000 expected, standard deviation at most 3 times Poisson's.
    assert!((all.len() as f64 / 800_000.0 - 1.0).abs() < 0.02, "{}", all.len());
    let mut process = sources(&[arriving("h", 20_000, 10.0, Arrivals::Hyperexponential { cv })], 64);
    let starts = process.start();
    let mut firsts: Vec<f64> = starts.iter().map(|s| s.1.secs()).collect();
    assert_follows("firsts", &mut firsts, |x| 1.0 - ((-x / m1).exp() + (-x / m2).exp()) / 2.0);
    let mut gaps = Vec::new();
    for (source, at) in starts {
        let mut now = at;
        for _ in 0..20 {
            let next = process.arrive(source, now).1.expect("an open source goes on");
            gaps.push(next.since(now).secs());
            now = next;
        }
    }
    let (mean, variance) = moments(&gaps);
    // Standard errors: 3 means/√400,000 for the mean; the cv only to 5 % (heavy fourth moment).
    assert!((mean / 0.1 - 1.0).abs() < 6.0 * 3.0 / (gaps.len() as f64).sqrt(), "mean {mean}");
    assert!((variance.sqrt() / mean / 3.0 - 1.0).abs() < 0.05, "cv {}", variance.sqrt() / mean);
    assert_follows("gaps", &mut gaps, |x| 1.0 - p * (-x / m1).exp() - (1.0 - p) * (-x / m2).exp());
}

/// Claim:   batches are Poisson, of geometric size with the stated mean, each from one machine, and
///          the rate counts requests.
/// Method:  about 125,000 batches, seed 65; chi-square of sizes 1..15 and above against the law.
/// Alarm:   1e-6 (chi-square, KS), 2e-9 (mean). Catches: 3 % of the rate, 3 % of the mean size.
#[test]
fn batches_are_geometric_and_poisson() {
    let class = arriving("b", 4, 25_000.0, Arrivals::Batch { mean: 4.0 });
    let all = open_play(&[class], 65, 5);
    let mut sizes: Vec<(SimTime, u32, u64)> = Vec::new();
    for (at, request) in &all {
        match sizes.last_mut() {
            Some((t, machine, size)) if t == at => {
                assert_eq!(*machine, request.machine);
                *size += 1;
            }
            _ => sizes.push((*at, request.machine, 1)),
        }
    }
    let batches = sizes.len() as f64;
    // Variance of the count of requests: batches·E[size²], E[size²] = mean·(2·mean − 1) = 28.
    let error = (125_000.0f64 * 28.0).sqrt();
    assert!((all.len() as f64 - 500_000.0).abs() < 6.0 * error, "{} requests", all.len());
    let mut seen = [0u64; 16];
    sizes.iter().for_each(|s| seen[(s.2 - 1).min(15) as usize] += 1);
    let mut expected: Vec<f64> = (0..15).map(|k| 0.25 * 0.75f64.powi(k) * batches).collect();
    expected.push(0.75f64.powi(15) * batches);
    assert_fits("sizes", &seen, &expected);
    let starts: Vec<SimTime> = sizes.iter().map(|s| s.0).collect();
    assert_follows("gaps", &mut gaps(&starts), |x| 1.0 - (-x * 25_000.0).exp());
}

#[test]
fn a_batch_of_mean_one_is_a_single_request() {
    let all = open_play(&[arriving("b", 1, 1_000.0, Arrivals::Batch { mean: 1.0 })], 66, 5);
    let times = times(&all);
    assert!(times.windows(2).all(|w| w[0] < w[1]));
}

/// Claim: bursts of under 1e-4 arrivals are run as Poisson: at once, and at the stated rate (5 %).
#[test]
fn bursts_too_short_to_matter_cost_nothing() {
    let burst = SimDuration::from_us(1);
    let arrivals = Arrivals::Bursty { peak_to_mean: 2.0, burst, floor: 0.0, together: 0.0 };
    let classes = [arriving("tiny", 10, 0.001, arrivals)];
    assert_eq!(sources_needed(&classes), 1);
    let all = open_play(&classes, 67, 1_000_000);
    assert!((all.len() as f64 / 10_000.0 - 1.0).abs() < 0.05, "{}", all.len());
}

/// Claim:   a token asks again one think after its answer; thinks follow the stated law.
/// Method:  KS of the thinks of 200 tokens, answered after 1 ms, seed 68; alpha 1e-6.
#[test]
fn closed_tokens_think_after_each_answer() {
    let think = Some(Law::exponential(SimDuration::from_us(4_000)));
    let load = Load::Closed { in_flight: 8, think };
    let classes = [open_class("first", 2, 1.0), Class { load, ..open_class("closed", 25, 1.0) }];
    let mut sources = sources(&classes, 68);
    assert_eq!(sources.offered(), [Some(2.0), None]);
    assert_eq!(sources_needed(&classes), 201);
    let answer = SimDuration::from_us(1_000);
    let all = play(&mut sources, SimTime::from_ps(5 * SECOND), answer);
    let mut last = std::collections::HashMap::new();
    let mut thinks = Vec::new();
    for (at, request) in all.iter().filter(|r| r.1.class == 1) {
        assert_eq!(request.machine, (request.source - 1) / 8);
        let ready = last.insert(request.source, *at).map_or(SimTime::ZERO, |t| t + answer);
        thinks.push(at.since(ready).secs());
    }
    assert_eq!(last.len(), 200);
    // Thinks cut off by the end of the play bias the sample by 200 in 200,000.
    assert!(thinks.len() > 190_000);
    assert_follows("thinks", &mut thinks, |x| 1.0 - (-x / 4e-3).exp());
}

#[test]
fn tokens_without_think_start_within_a_microsecond_and_ask_at_once() {
    let load = Load::Closed { in_flight: 4, think: None };
    let mut sources = sources(&[Class { load, ..open_class("closed", 3, 1.0) }], 69);
    let starts = sources.start();
    assert_eq!(starts.len(), 12);
    assert!(starts.iter().all(|s| s.1 < SimTime::from_ps(1_000_000)));
    let (request, next) = sources.arrive(11, starts[11].1);
    assert_eq!((request.machine, next), (2, None));
    let later = SimTime::from_ps(777);
    assert_eq!(sources.finished(0, 11, later), Some(later));
    let (second, _) = sources.arrive(11, later);
    assert_ne!(second.key, request.key);
}

fn varied() -> Vec<Class> {
    let burst = SimDuration::from_us(50_000);
    let bursty = Arrivals::Bursty { peak_to_mean: 4.0, burst, floor: 0.1, together: 0.5 };
    vec![
        Class { skew: Skew::Zipf(0.9), read: 0.6, ..open_class("poisson", 5, 400.0) },
        arriving("bursty", 6, 300.0, bursty),
        arriving("regular", 3, 200.0, Arrivals::Regular),
        arriving("hyper", 4, 200.0, Arrivals::Hyperexponential { cv: 2.0 }),
        arriving("batch", 4, 200.0, Arrivals::Batch { mean: 3.0 }),
        Class {
            sequential: Sequential { share: 0.5, streams: 2, run_length: 1 << 18 },
            load: Load::Closed { in_flight: 2, think: Some(Law::exponential(SimDuration::from_us(2_000))) },
            ..open_class("closed", 3, 1.0)
        },
    ]
}

#[test]
fn the_same_key_gives_the_same_requests_and_another_seed_others() {
    let end = SimTime::from_ps(2 * SECOND);
    let run = |seed| play(&mut sources(&varied(), seed), end, SimDuration::from_us(300));
    let first = run(70);
    assert!(first.len() > 5_000);
    assert_eq!(first, run(70));
    assert_ne!(times(&first), times(&run(71)));
    let mut keys: Vec<u64> = first.iter().map(|r| r.1.key.bits()).collect();
    keys.sort_unstable();
    keys.dedup();
    assert_eq!(keys.len(), first.len(), "two requests share a key");
}

#[test]
fn a_class_does_not_notice_its_neighbours() {
    let classes = varied();
    let end = SimTime::from_ps(2 * SECOND);
    let answer = SimDuration::from_us(300);
    let together = play(&mut sources(&classes, 72), end, answer);
    for (index, class) in classes.iter().enumerate() {
        let alone = play(&mut sources(std::slice::from_ref(class), 72), end, answer);
        let same = together.iter().filter(|r| usize::from(r.1.class) == index);
        let strip = |r: &(SimTime, Request)| (r.0, Request { class: 0, source: 0, ..r.1 });
        let mut left: Vec<_> = same.map(strip).collect();
        let mut right: Vec<_> = alone.iter().map(strip).collect();
        let order = |r: &(SimTime, Request)| (r.0, r.1.key.bits());
        left.sort_by_key(order);
        right.sort_by_key(order);
        assert_eq!(left, right, "{}", class.name);
    }
}

#[test]
fn a_machine_with_its_own_source_does_not_notice_how_many_there_are() {
    for arrivals in [
        Arrivals::Regular,
        Arrivals::Hyperexponential { cv: 2.0 },
        Arrivals::Bursty {
            peak_to_mean: 4.0,
            burst: SimDuration::from_us(50_000),
            floor: 0.1,
            together: 0.0,
        },
    ] {
        let of_machine = |machines, number| -> Vec<(SimTime, Request)> {
            let all = open_play(&[arriving("m", machines, 300.0, arrivals.clone())], 73, 3);
            all.into_iter().filter(|r| r.1.machine == number).collect()
        };
        let few = of_machine(2, 1);
        assert!(few.len() > 100);
        assert_eq!(few, of_machine(9, 1), "{arrivals:?}");
    }
}

/// Claim: a scale multiplies open rates, and the same requests (keys and places) come sooner.
#[test]
fn scale_brings_the_same_requests_sooner() {
    let class = [Class { skew: Skew::Zipf(0.9), ..open_class("p", 5, 400.0) }];
    let root = Key::root(74);
    let run = |scale, seconds| {
        let mut sources = Sources::new(&class, root, &[], scale);
        let end = SimTime::from_ps(seconds * SECOND);
        (sources.offered(), play(&mut sources, end, SimDuration::ZERO))
    };
    let ((slow_rate, slow), (fast_rate, fast)) = (run(1.0, 20), run(2.0, 10));
    assert_eq!((slow_rate, fast_rate), (vec![Some(2_000.0)], vec![Some(4_000.0)]));
    assert!(slow.len().abs_diff(fast.len()) <= 1);
    for (a, b) in slow.iter().zip(&fast) {
        assert_eq!(a.1, b.1);
        // Each gap is rounded to a picosecond in both.
        assert!(a.0.ps().abs_diff(2 * b.0.ps()) <= 3 * slow.len() as u64);
    }
}

#[test]
fn a_million_poisson_machines_are_one_source() {
    let mut sources = sources(&[open_class("many", 1_000_000, 1.0)], 75);
    assert_eq!(sources.start().len(), 1);
    let mut now = sources.start()[0].1;
    let mut low = 0;
    for _ in 0..10_000 {
        let (request, next) = sources.arrive(0, now);
        assert!(request.machine < 1_000_000);
        low += usize::from(request.machine < 500_000);
        now = next.expect("an open source goes on");
    }
    assert_share("lower half", low, 10_000, 0.5);
}

fn small_trace() -> Arc<Trace> {
    let rows = "time_us,op,offset,size\n0,R,0,4096\n100,W,513,512\n400,R,8192,1024\n900,W,7,8\n";
    Arc::new(Trace::read(std::io::Cursor::new(rows), "t", Some(TraceFormat::Csv)).expect("a good trace"))
}

fn replaying(machines: u32, speed: f64, repeat: bool) -> Class {
    let load = Load::Trace { path: "t".into(), name: "t".into(), format: None, speed, repeat };
    Class { load, ..open_class("replay", machines, 1.0) }
}

#[test]
fn a_trace_plays_once_from_its_start_at_its_speed() {
    let traces = [Some(small_trace())];
    let mut sources = Sources::new(&[replaying(2, 2.0, false)], Key::root(76), &traces, 2.0);
    // Three gaps in 900 µs, four times as fast, two machines.
    assert!((sources.offered()[0].expect("a rate") - 3.0 / 900e-6 * 8.0).abs() < 1e-6);
    let all = play(&mut sources, SimTime::NEVER, SimDuration::ZERO);
    let machine_0: Vec<_> = all
        .iter()
        .filter(|r| r.1.machine == 0)
        .map(|(t, r)| (t.ps() / 1_000_000, r.operation, r.address, r.bytes))
        .collect();
    use crate::scenario::Operation::{Read, Write};
    let expected = [(0, Read, 0, 4096), (25, Write, 513, 512), (100, Read, 8192, 1024), (225, Write, 7, 8)];
    assert_eq!(machine_0, expected);
    assert_eq!(all.len(), 8);
}

/// Claim: a repeated trace goes round its span and one mean gap (1.2 ms here), each machine from a
/// point of its own, evenly spread (KS, alpha 1e-6, 2,000 machines).
#[test]
fn a_repeated_trace_goes_round_from_a_point_of_each_machine() {
    let traces = [Some(small_trace())];
    let mut sources = Sources::new(&[replaying(2_000, 1.0, true)], Key::root(77), &traces, 1.0);
    let all = play(&mut sources, SimTime::from_ps(SECOND * 12 / 1_000), SimDuration::ZERO);
    assert_eq!(all.len(), 10 * 4 * 2_000);
    let mut starts = Vec::new();
    for machine in 0..2_000 {
        let own: Vec<_> = all.iter().filter(|r| r.1.machine == machine).collect();
        assert!(own.windows(5).all(|w| w[4].0.since(w[0].0) == SimDuration::from_us(1_200)));
        assert!(own.windows(5).all(|w| w[4].1.address == w[0].1.address));
        let zero = own.iter().find(|r| r.1.address == 0).expect("every record comes round");
        starts.push(zero.0.secs() / 1.2e-3);
    }
    assert_follows("starting points", &mut starts, |x| x);
    assert!((sources.offered()[0].expect("a rate") - 2_000.0 * 4.0 / 1.2e-3).abs() < 1e-3);
}
