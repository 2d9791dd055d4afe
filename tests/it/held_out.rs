//! Textbook queues that are not among those `forebay verify` ships: written here as scenarios, run
//! through the whole tool, and held to theory. Nothing was tuned on them.
//!
//! Claim:   every figure lies inside its 99.99 % interval.
//! Method:  16 replications of 312,500 requests a scenario (5 million), each with its own fixed seed, after
//!          0.1 s: 60 relaxation times of the busiest queue here (load 0.8: 1.7 ms for services of 20 µs).
//! Alarm:   1e-4 a figure, 41 figures: 0.4 % whenever draws change.
//! Catches: half-widths are at most 2 % for means and medians, 5 % for p99 and 10 % for p99.9 (asserted), so
//!          a bias of 4 % in a mean is caught for certain, and one of 2 % more often than not.

use forebay::outcome::RunOutcome;
use forebay::theory::networks::{Centre, mva};
use forebay::theory::{forkjoin, queues};

use crate::runs::{answer, class, ends, queue, row};

const REPLICATIONS: u32 = 16;
const REQUESTS: f64 = 312_500.0;

/// `[run]` with this seed for about 312,500 requests a replication at `rate` per second.
fn plan(seed: u64, rate: f64) -> String {
    let length_us = REQUESTS / rate * 1e6;
    format!(
        "seed = {seed}\nreplications = {REPLICATIONS}\nwarm_up = \"100 ms\"\nlength = \"{length_us:.0} us\"\n\
         confidence = 0.9999"
    )
}

/// The row of a class and operation holds these figures: (name, µs).
fn assert_row(outcome: &RunOutcome, class: &str, operation: &str, figures: &[(&str, f64)]) {
    let row = row(outcome, class, operation);
    for &(name, expected) in figures {
        let figure = &row.latency_us[name];
        let (low, high) = ends(figure);
        let width = figure.relative_half_width().expect("an interval");
        println!(
            "{class} {operation} {name}: {low:.3} to {high:.3} (± {:.2} %), {expected:.3}",
            width * 100.0
        );
        assert!(
            low <= expected && expected <= high,
            "{class} {operation} {name}: {low} to {high}, {expected}"
        );
        let allowed = match name {
            "p99.9" => 0.10,
            "p99" => 0.05,
            _ => 0.02,
        };
        assert!(width <= allowed, "{class} {operation} {name}: ± {width} would catch little");
    }
}

fn assert_all(outcome: &RunOutcome, figures: &[(&str, f64)]) {
    assert_row(outcome, "all", "all", figures);
}

fn exponential(mean_us: f64) -> String {
    format!("{{ mean = \"{mean_us} us\", shape = \"exponential\" }}")
}

/// Mean, p50, p99 and p99.9 of an exponential sojourn.
fn exponential_figures(mean: f64) -> [(&'static str, f64); 4] {
    [("mean", mean), ("p50", 0.5), ("p99", 0.99), ("p99.9", 0.999)]
        .map(|(name, p)| (name, if name == "mean" { mean } else { -mean * (1.0_f64 - p).ln() }))
}

/// A. K. Erlang (1917); D. Gross et al., Fundamentals of Queueing Theory, section 2.3.
#[test]
fn four_servers_at_load_0_6() {
    let (rate, service) = (120_000.0, 20.0);
    let outcome = answer(&queue(&plan(3001, rate), 4, &exponential(service), rate));
    let lambda = rate / 1e6;
    let p = |p| queues::mmc_sojourn_quantile(4, lambda, service, p);
    let mean = queues::mmc_mean_sojourn(4, lambda, service);
    assert_all(&outcome, &[("mean", mean), ("p50", p(0.5)), ("p99", p(0.99)), ("p99.9", p(0.999))]);
}

/// F. Pollaczek (1930); L. Kleinrock, Queueing Systems vol. 1 (1975), sections 5.6-5.7.
#[test]
fn erlang_service_of_three_stages_at_load_0_65() {
    let rate = 65_000.0;
    let service = "{ mean = \"10 us\", shape = \"erlang\", stages = 3 }";
    let outcome = answer(&queue(&plan(3002, rate), 1, service, rate));
    let scv = 1.0 / 3.0;
    let mean = queues::mg1_mean_wait(rate / 1e6, 10.0, scv) + 10.0;
    let p = |p| queues::gamma_sojourn_quantile(rate / 1e6, 10.0, scv, p);
    assert_all(&outcome, &[("mean", mean), ("p50", p(0.5)), ("p99", p(0.99)), ("p99.9", p(0.999))]);
}

/// Two Poisson classes, one of them of writes, at one server that treats them alike: each sees M/M/1 at
/// their joint rate (J. F. C. Kingman, Poisson Processes (1993), superposition; Kleinrock (1975), chapter 3).
#[test]
fn two_classes_at_one_server_see_their_joint_load() {
    let rates = [45_000.0, 20_000.0];
    let total: f64 = rates.iter().sum();
    let [first, second] = rates.map(|rate| format!("{{ rate = \"{rate}/s\" }}"));
    let text = format!(
        "[run]\n{}\n[design.cpu]\ncores = 1\nservice = {}\n{}{}",
        plan(3003, total),
        exponential(10.0),
        class("first", &first),
        class("second", &second).replace("read = 1", "read = 0"),
    );
    let outcome = answer(&text);
    let figures = exponential_figures(queues::mm1_mean_sojourn(total / 1e6, 10.0));
    assert_row(&outcome, "first", "read", &figures[..3]);
    assert_row(&outcome, "second", "write", &figures[..3]);
    assert_all(&outcome, &figures);
}

/// Kleinrock (1975), chapter 5; the law of the wait by F. Crommelin (1932).
#[test]
fn fixed_service_at_load_0_8() {
    let rate = 80_000.0;
    let outcome = answer(&queue(&plan(3004, rate), 1, "\"10 us\"", rate));
    let mean = queues::md1_mean_wait(rate / 1e6, 10.0) + 10.0;
    let p = |p| queues::md1_sojourn_quantile(rate / 1e6, 10.0, p);
    assert_all(&outcome, &[("mean", mean), ("p50", p(0.5)), ("p99", p(0.99)), ("p99.9", p(0.999))]);
}

/// Reads of 10 µs and writes of 40 µs at one server are M/G/1 with two fixed services: the wait is common,
/// each operation adds its own. Pollaczek-Khinchine; Kleinrock (1975), sections 5.6-5.7.
#[test]
fn reads_and_writes_of_different_cost_share_one_wait() {
    let (rate, share) = (32_000.0, 0.3);
    let (read, write) = (10.0, 40.0);
    let class = class("requests", &format!("{{ rate = \"{rate}/s\" }}")).replace("read = 1", "read = 0.7");
    let cpu = "[design.cpu]\ncores = 1\nread = \"10 us\"\nwrite = \"40 us\"";
    let outcome = answer(&format!("[run]\n{}\n{cpu}\n{class}", plan(3005, rate)));
    let lambda = rate / 1e6;
    let mean: f64 = (1.0 - share) * read + share * write;
    let scv = ((1.0 - share) * read * read + share * write * write) / (mean * mean) - 1.0;
    let wait = queues::mg1_mean_wait(lambda, mean, scv);
    let waits = |p| queues::bimodal_wait_quantile(lambda, share, read, write, p);
    assert_row(&outcome, "requests", "read", &[("mean", wait + read), ("p99", waits(0.99) + read)]);
    assert_row(&outcome, "requests", "write", &[("mean", wait + write), ("p99", waits(0.99) + write)]);
    let p = |p| queues::bimodal_sojourn_quantile(lambda, share, read, write, p);
    assert_all(&outcome, &[("mean", wait + mean), ("p99", p(0.99)), ("p99.9", p(0.999))]);
}

/// The root σ of σ = A*(µ(1 − σ)) below 1, A* the transform of the gaps: from 0 the iteration climbs to it.
/// The sojourn of GI/M/1 is exponential with mean 1/(µ(1 − σ)). Kleinrock (1975), sections 6.4-6.5.
fn gi_m_1_mean_sojourn(service: f64, transform: impl Fn(f64) -> f64) -> f64 {
    let sigma = (0..10_000).fold(0.0, |sigma, _| transform((1.0 - sigma) / service));
    service / (1.0 - sigma)
}

/// GI/M/1 with hyperexponential gaps (balanced means, W. Whitt (1982)) of cv 2.
#[test]
fn hyperexponential_arrivals_see_an_exponential_sojourn() {
    let rate = 50_000.0;
    let text = queue(&plan(3006, rate), 1, &exponential(10.0), rate)
        + "arrivals = { shape = \"hyperexponential\", cv = 2.0 }\n";
    let gap = 1e6 / rate;
    let (share, first, second) = queues::balanced_branches(4.0);
    let branch = |share: f64, mean: f64, s: f64| share / (1.0 + s * mean * gap);
    let mean = gi_m_1_mean_sojourn(10.0, |s| branch(share, first, s) + branch(1.0 - share, second, s));
    assert_all(&answer(&text), &exponential_figures(mean));
}

/// D/M/1: one machine with even gaps.
#[test]
fn regular_arrivals_see_an_exponential_sojourn() {
    let rate = 70_000.0;
    let text = queue(&plan(3007, rate), 1, &exponential(10.0), rate) + "arrivals = \"regular\"\n";
    let gap = 1e6 / rate;
    let mean = gi_m_1_mean_sojourn(10.0, |s| (-s * gap).exp());
    assert_all(&answer(&text), &exponential_figures(mean));
}

/// M^X/M/1, geometric batches of mean 2.5; Gross et al., section 3.1. A geometric sum of exponentials is
/// exponential, and so is the sojourn.
#[test]
fn batches_of_two_and_a_half() {
    let rate = 50_000.0;
    let text = queue(&plan(3008, rate), 1, &exponential(10.0), rate)
        + "arrivals = { shape = \"batch\", mean = 2.5 }\n";
    let batches = rate / 1e6 / 2.5;
    let second = queues::geometric_second_moment(2.5);
    let figures = exponential_figures(queues::batch_mean_sojourn(batches, 2.5, second, 10.0));
    assert_all(&answer(&text), &figures);
}

/// Lognormal (cv 1.2) and uniform (half-width 0.6 of the mean, so a squared cv of 0.12) services: the
/// Pollaczek-Khinchine mean asks for two moments only. Kleinrock (1975), sections 5.6-5.7.
#[test]
fn general_services_have_the_mean_of_their_two_moments() {
    let rate = 50_000.0;
    for (seed, shape, scv) in [
        (3009, "shape = \"lognormal\", cv = 1.2", 1.44),
        (3010, "shape = \"uniform\", spread = 0.6", 0.6 * 0.6 / 3.0),
    ] {
        let service = format!("{{ mean = \"12 us\", {shape} }}");
        let outcome = answer(&queue(&plan(seed, rate), 1, &service, rate));
        assert_all(&outcome, &[("mean", queues::mg1_mean_wait(rate / 1e6, 12.0, scv) + 12.0)]);
    }
}

/// Two ports (machines dealt to them would not be Poisson thinned alike: each request draws one), three
/// cores, five drives. Mean by J. R. Jackson (1957); the same with one core has exponential sojourns all
/// along the path, whose sum is known: E. Reich (1957), J. Walrand & P. Varaiya (1980).
#[test]
fn a_path_through_ports_cores_and_drives() {
    let rate = 60_000.0;
    let text = |seed: u64, cores: u32, service_us: f64| {
        format!(
            "[run]\n{}\n[design.ports]\ncount = 2\nspread = \"per-request\"\nservice = {}\n[design.cpu]\n\
             cores = {cores}\nservice = {}\n[design.drives]\ncount = 5\nservice = {}\n{}",
            plan(seed, rate),
            exponential(18.0),
            exponential(service_us),
            exponential(50.0),
            class("requests", &format!("{{ rate = \"{rate}/s\" }}")),
        )
    };
    let lambda = rate / 1e6;
    let mean = queues::mm1_mean_sojourn(lambda / 2.0, 18.0)
        + queues::mmc_mean_sojourn(3, lambda, 30.0)
        + queues::mm1_mean_sojourn(lambda / 5.0, 50.0);
    assert_all(&answer(&text(3011, 3, 30.0)), &[("mean", mean)]);
    let singles = [(lambda / 2.0, 18.0), (lambda, 10.0), (lambda / 5.0, 50.0)];
    let p = |p| queues::tandem_sojourn_quantile(&singles, p);
    let mean = singles.iter().map(|&(lambda, service)| queues::mm1_mean_sojourn(lambda, service)).sum();
    assert_all(
        &answer(&text(3012, 1, 10.0)),
        &[("mean", mean), ("p50", p(0.5)), ("p99", p(0.99)), ("p99.9", p(0.999))],
    );
}

/// 40 users who think 1 ms on average, two cores and three drives. M. Reiser & S. S. Lavenberg, J. ACM 27
/// (1980); several servers by J. P. Buzen, Comm. ACM 16 (1973).
#[test]
fn users_who_think_between_requests() {
    let centres = [
        Centre { demand: 40.0, servers: 2 },
        Centre::single(60.0 / 3.0),
        Centre::single(60.0 / 3.0),
        Centre::single(60.0 / 3.0),
    ];
    let known = mva(&centres, 1000.0, 40);
    let rate = known.throughput * 1e6;
    let text = format!(
        "[run]\n{}\n[design.cpu]\ncores = 2\nservice = {}\n[design.drives]\ncount = 3\nservice = {}\n{}",
        plan(3013, rate),
        exponential(40.0),
        exponential(60.0),
        class("requests", "{ in_flight = 40, think = \"1 ms\" }"),
    );
    let outcome = answer(&text);
    assert_all(&outcome, &[("mean", known.response)]);
    let (low, high) = ends(&outcome.carried.iops);
    assert!(low <= rate && rate <= high, "{low} to {high}, {rate}");
    assert!((high - low) / rate < 0.01, "{low} to {high} would catch little");
}

/// A request cut in two that waits for both: (12 − ρ)/8 of one queue's sojourn. L. Flatto & S. Hahn (1984);
/// R. Nelson & A. N. Tantawi (1988).
#[test]
fn a_request_cut_in_two_waits_for_both() {
    let rate = 65_000.0;
    let text = format!(
        "[run]\n{}\n[design.drives]\ncount = 2\nservice = {}\nsplit = true\n{}align = \"128 KiB\"\n",
        plan(3014, rate),
        exponential(10.0),
        class("requests", &format!("{{ rate = \"{rate}/s\" }}")).replace("4 KiB", "128 KiB"),
    );
    assert_all(&answer(&text), &[("mean", forkjoin::two_way_mean(rate / 1e6, 0.1))]);
}
