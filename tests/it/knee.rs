//! Where the load curve bends, gives way and ends, against queueing theory and operational analysis.

use std::path::Path;
use std::sync::atomic::AtomicBool;

use forebay::outcome::{KneeOutcome, LoadMark, State};
use forebay::report::terminal::{self, Style};
use forebay::scenario::{Scenario, parse};
use forebay::study::{self, Context};

use crate::program::{Folder, said};
use crate::runs::{class, queue, scenario};

const EXPONENTIAL: &str = "{ mean = \"10 us\", shape = \"exponential\" }";

fn knee(scenario: &Scenario) -> KneeOutcome {
    let context =
        Context { interrupted: &AtomicBool::new(false), time: None, progress: &|_| (), detail: false };
    let outcome = study::knee(scenario, &context).unwrap_or_else(|error| panic!("{error}"));
    assert_eq!(outcome.failed_audit, [], "an audit failed");
    outcome
}

fn objective(percentile: f64, below: &str) -> String {
    format!("[[objective]]\nclass = \"requests\"\npercentile = {percentile}\nbelow = \"{below}\"\n")
}

/// Factor on the stated load: value and ends.
fn scale(mark: &LoadMark) -> (f64, f64, f64) {
    let figure = &mark.scale;
    match (figure.value, figure.low, figure.high) {
        (Some(value), Some(low), Some(high)) => (value, low, high),
        _ => panic!("{figure:?}"),
    }
}

/// M/M/1, sojourn exponential at rate μ − λ (Kleinrock 1975, volume 1, 3.2): power λ·(μ − λ) is greatest at ρ = 0.5;
/// the 99th percentile ln 100/(μ − λ) passes 20 service times at ρ = 1 − ln 100/20. A fixed seed; that of any other
/// the interval of the limit would miss with 5 %, and one of the two values with less.
#[test]
fn a_simple_queue_bends_gives_way_and_ends_where_theory_says() {
    let text = queue("seed = 5", 1, EXPONENTIAL, 60_000.0) + &objective(99.0, "200 us");
    let found = knee(&scenario(&text));
    let (point, limit, full) = (scale(&found.point), scale(&found.limit), scale(&found.saturation));
    println!("knee {point:?} limit {limit:?} saturation {full:?}, {} requests", found.requests);
    let theory = 1.0 - 100f64.ln() / 20.0;
    assert!((point.0 * 0.6 / 0.5 - 1.0).abs() < 0.05, "{point:?}");
    assert!((full.0 * 0.6 - 1.0).abs() < 0.02, "{full:?}");
    assert!(
        (limit.0 * 0.6 / theory - 1.0).abs() < 0.025 && limit.1 * 0.6 <= theory && theory <= limit.2 * 0.6
    );
    assert_eq!(found.binding.as_deref(), Some("cpu"));
    assert_eq!((found.stated.state, found.stated.objectives_met), (State::Stable, Some(true)));
    // From light to past saturation, and the points beyond it are not carried.
    let (first, last) = (&found.curve[0], &found.curve[found.curve.len() - 1]);
    assert!(first.scale <= 0.06 * full.0 && last.scale > full.0 && last.state == State::Saturated);
    assert!(found.curve.len() >= 12, "{} points", found.curve.len());
    for width in [60, 80, 100, 140] {
        let page = |color| terminal::knee(&found, &Style { width, color });
        assert!(page(false).lines().all(|line| line.chars().count() <= width), "{width}\n{}", page(false));
        assert!(
            page(false).starts_with("Limit: ")
                && !page(false).contains('\x1b')
                && page(true).contains('\x1b')
        );
    }
}

/// Probability that a request waits in M/M/c, by Erlang's recursion (Cooper 1981, chapter 3).
fn erlang_c(servers: u32, load: f64) -> f64 {
    let blocked = (1..=servers).fold(1.0, |b, k| load * b / (f64::from(k) + load * b));
    let busy = load / f64::from(servers);
    blocked / (1.0 - busy + busy * blocked)
}

/// P(sojourn > t) of M/M/c with mean service 1 (Cooper 1981: service plus, if it waits, an exponential wait).
fn sojourn_tail(servers: u32, busy: f64, t: f64) -> f64 {
    let waits = erlang_c(servers, busy * f64::from(servers));
    let rate = f64::from(servers) * (1.0 - busy);
    (1.0 - waits) * (-t).exp() + waits * (rate * (-t).exp() - (-rate * t).exp()) / (rate - 1.0)
}

/// The load at which 1 % of requests take longer than `t` service times, by bisection.
fn limit_of(servers: u32, t: f64) -> f64 {
    let (mut low, mut high) = (0.1, 0.9999);
    for _ in 0..60 {
        let middle = (low + high) / 2.0;
        if sojourn_tail(servers, middle, t) < 0.01 { low = middle } else { high = middle }
    }
    low
}

/// M/M/16: p99 below 6 service times.
#[test]
fn sixteen_servers_give_way_where_erlang_says() {
    let text = queue("seed = 6", 16, EXPONENTIAL, 1_000_000.0) + &objective(99.0, "60 us");
    let found = knee(&scenario(&text));
    let (limit, full) = (scale(&found.limit), scale(&found.saturation));
    let theory = limit_of(16, 6.0) / 0.625;
    println!("limit {limit:?}, theory {theory:.4}; saturation {full:?}");
    assert!(limit.1 <= theory && theory <= limit.2 && (limit.0 / theory - 1.0).abs() < 0.025, "{limit:?}");
    assert!((full.0 * 0.625 - 1.0).abs() < 0.02, "{full:?}");
}

/// A closed network: 1 core of 10 us, 4 drives of 24 us, think 200 us. The core is asked most, so X ≤ 100,000/s, and the
/// asymptotes meet at N* = (10 + 24 + 200)/10 = 23.4 machines (Denning & Buzen 1978; Lazowska et al. 1984, chapter 5).
#[test]
fn a_closed_network_is_full_where_its_asymptotes_meet() {
    let text = format!(
        "[run]\nseed = 7\n[design.cpu]\ncores = 1\nservice = {EXPONENTIAL}\n[design.drives]\ncount = 4\n\
         service = {{ mean = \"24 us\", shape = \"exponential\" }}\n{}",
        class("requests", "{ in_flight = 1, think = \"200 us\" }").replace("machines = 1", "machines = 20")
    );
    let found = knee(&scenario(&text));
    let (full, iops) = (scale(&found.saturation), &found.saturation.iops);
    println!("{full:?} {iops:?} {:?}", found.point);
    assert!((full.0 * 20.0 / 23.4 - 1.0).abs() < 0.02, "{full:?}");
    assert!(full.1 * 20.0 <= 23.4 && 23.4 <= full.2 * 20.0);
    assert!(iops.value.is_some_and(|iops| (iops / 100_000.0 - 1.0).abs() < 0.02), "{iops:?}");
    assert_eq!(found.binding.as_deref(), Some("cpu"));
}

/// A design whose cpu fills first, then its drives, then its ports: 100, 60 and 30 % busy at the same load.
const THREE: &str = "[run]\nseed = 8\n[design.ports]\ncount = 1\nservice = \"3 us\"\n[design.cpu]\ncores = 1\n\
                     service = { mean = \"10 us\", shape = \"exponential\" }\n[design.drives]\ncount = 2\n\
                     service = \"12 us\"\n[[class]]\nname = \"requests\"\nmachines = 1\n\
                     load = { rate = \"50000/s\" }\nread = 1\nsizes = \"4 KiB\"\n";

fn variant(set: &str) -> Scenario {
    let change = forebay::scenario::Override::parse(set).unwrap_or_else(|error| panic!("{error}"));
    parse(THREE, "three.toml", Path::new(""), &[change]).unwrap_or_else(|diagnostics| panic!("{diagnostics}"))
}

/// By the utilisation law the design is full at 100,000/s by the cpu; with two cores at 2/12 us by the drives; with four
/// drives at 200,000/s by the cpu again. Raising what binds moves saturation, and raising anything else does not.
#[test]
fn the_ladder_names_what_binds_and_nothing_else_moves_it() {
    let found = knee(&scenario(THREE));
    let rungs: Vec<(&str, &str)> =
        found.next.iter().map(|rung| (rung.relieved.as_str(), rung.binding.as_str())).collect();
    assert_eq!(rungs, [("cpu", "drives"), ("drives", "cpu"), ("cpu", "ports")]);
    let iops: Vec<f64> = found.next.iter().map(|rung| rung.saturation_iops).collect();
    println!("{iops:?}");
    for (iops, law) in iops.iter().zip([2e6 / 12.0, 2e5, 1e6 / 3.0]) {
        assert!((iops / law - 1.0).abs() < 0.02, "{iops} for {law}");
    }
    let full = scale(&found.saturation);
    for set in ["design.drives.count=4", "design.ports.count=2"] {
        let other = scale(&knee(&variant(set)).saturation);
        assert!(
            other.1 < full.2 && full.1 < other.2 && (other.0 / full.0 - 1.0).abs() < 0.02,
            "{set}: {other:?}"
        );
    }
}

/// The demo on each of its first three rungs: doubling what the ladder names moves saturation, doubling any other resource
/// does not. Both are intervals at 95 % of one design's saturation, about 1 % wide each way: 3 % tells them apart.
#[test]
#[ignore = "fifteen searches, some minutes of simulation"]
fn the_ladder_of_the_demo_names_what_binds() {
    let full = |sets: &[&str]| {
        let changes: Vec<_> =
            sets.iter().map(|set| forebay::scenario::Override::parse(set).expect("a sound change")).collect();
        let text = std::fs::read_to_string("workloads/emberley.toml").expect("the demo");
        let mut demo = parse(&text, "emberley.toml", Path::new("workloads"), &changes)
            .unwrap_or_else(|diagnostics| panic!("{diagnostics}"));
        // Where objectives give way is another question.
        demo.objectives.clear();
        let found = knee(&demo);
        let names: Vec<String> = found.next.iter().map(|rung| rung.relieved.clone()).collect();
        (scale(&found.saturation).0, names)
    };
    let doubled = |cores: u32, uplinks: u32| {
        [
            ("cpu", format!("design.cpu.cores={}", 2 * cores)),
            ("fabric.uplinks.up", format!("design.fabric.uplinks={}", 2 * uplinks)),
            ("ports", "design.ports.count=8".to_owned()),
            ("drives", "design.drives.count=44".to_owned()),
        ]
    };
    let (_, named) = full(&[]);
    assert_eq!(named, ["cpu", "cpu", "fabric.uplinks.up"]);
    for (cores, binds) in [(4, "cpu"), (8, "cpu"), (16, "fabric.uplinks.up")] {
        let rung = format!("design.cpu.cores={cores}");
        let (before, _) = full(&[&rung]);
        for (what, set) in doubled(cores, 2) {
            let (after, _) = full(&[&rung, &set]);
            let moved = after / before - 1.0;
            println!("{rung}, {set}: {before} → {after}");
            assert!(if what == binds { moved > 0.1 } else { moved.abs() < 0.03 }, "{rung}, {set}: {moved}");
        }
    }
}

/// Bad questions get a sentence and a status.
#[test]
fn questions_without_an_answer_say_why() {
    let folder = Folder::new();
    let no_objective = folder.file("none.toml", &queue("seed = 1", 1, EXPONENTIAL, 50_000.0));
    let (status, out, _) = said(&["knee", &no_objective]);
    assert_eq!(status, Some(0), "{out}");
    assert!(out.starts_with("Limit: none; no objective is stated"), "{out}");
    let text = queue("seed = 1", 1, EXPONENTIAL, 50_000.0) + &objective(99.0, "20 us");
    let (status, out, _) = said(&["knee", &folder.file("reach.toml", &text)]);
    assert_eq!(status, Some(1), "{out}");
    assert!(
        out.starts_with("Limit: none; out of reach: requests all p99 below 20 us is missed even at"),
        "{out}"
    );
    let over = queue("seed = 1", 1, EXPONENTIAL, 150_000.0) + &objective(99.0, "200 us");
    let (status, out, _) = said(&["knee", &folder.file("over.toml", &over)]);
    assert_eq!(status, Some(1), "{out}");
    assert!(out.starts_with("Limit: all objectives hold up to 7") && out.contains("cpu is full"), "{out}");
}

/// Claim:   the 95 % intervals of limit and saturation hold the true ones, and are at most 5 % and 3 % wide in the median.
/// Method:  M/M/1, 50 seeds. What fills it is exact; p99 of the time in system is −ln 0.01/(µ − λ).
/// Alarm:   fewer than 42 of 50 with 0.08 % each, if the intervals keep their promise (binomial).
/// Catches: intervals that hold three times in four, with 91 %; wide ones. Left to the full tier.
#[test]
#[ignore = "three minutes of simulation"]
fn limits_and_saturations_hold_the_truth_as_often_as_they_promise() {
    let text = |seed| queue(&format!("seed = {seed}"), 1, EXPONENTIAL, 60_000.0) + &objective(99.0, "200 us");
    let found: Vec<_> = (100..150).map(|seed| knee(&scenario(&text(seed)))).collect();
    let limits = found.iter().map(|found| scale(&found.limit)).collect();
    let saturations = found.iter().map(|found| scale(&found.saturation)).collect();
    let truth = (1.0 - 100f64.ln() / 20.0) / 0.6;
    let checks: [(&str, Vec<_>, f64, f64); 2] =
        [("limit", limits, truth, 0.05), ("saturation", saturations, 1.0 / 0.6, 0.03)];
    for (what, ends, truth, most) in checks {
        let held = ends.iter().filter(|(_, low, high)| *low <= truth && truth <= *high).count();
        let mut widths: Vec<f64> = ends.iter().map(|(value, low, high)| (high - low) / value).collect();
        widths.sort_by(f64::total_cmp);
        println!("{what}: {held} of 50, median width {}", widths[25]);
        assert!(held >= 42 && widths[25] <= most, "{what}: {held} of 50, median width {}", widths[25]);
    }
}
