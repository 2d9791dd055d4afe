//! Whether a load is sustained: `run`, `knee` and `fit` give one answer, on designs where they did not.

use std::sync::atomic::AtomicBool;

use forebay::outcome::{Figure, FitOutcome, KneeOutcome, RunOutcome, State};
use forebay::report::terminal::{self, Style};
use forebay::study::{self, Context};

use crate::runs::scenario;

fn run(text: &str) -> RunOutcome {
    let context =
        Context { interrupted: &AtomicBool::new(false), time: None, progress: &|_| (), detail: false };
    study::run(&scenario(text), &context).unwrap_or_else(|error| panic!("{error}"))
}

fn fit(text: &str) -> FitOutcome {
    let context =
        Context { interrupted: &AtomicBool::new(false), time: None, progress: &|_| (), detail: false };
    study::fit(&scenario(text), None, &context).unwrap_or_else(|error| panic!("{error}"))
}

fn knee(text: &str) -> KneeOutcome {
    let context =
        Context { interrupted: &AtomicBool::new(false), time: None, progress: &|_| (), detail: false };
    study::knee(&scenario(text), &context).unwrap_or_else(|error| panic!("{error}"))
}

fn headline(outcome: &RunOutcome) -> String {
    terminal::run(outcome, &Style { width: 140, color: false }).lines().take(4).collect::<Vec<_>>().join("\n")
}

/// 32 cores of 20 us, each of so many VMs asks 5,000 times a second: 320 of them fill the cores.
fn cores(machines: u32, below: &str) -> String {
    format!(
        "[run]\nseed = 16\n[design.cpu]\ncores = 32\nservice = {{ mean = \"20 us\", shape = \"exponential\" }}\n\
         [[class]]\nname = \"vm\"\nmachines = {machines}\nload = {{ rate = \"5000/s\" }}\nread = 1\nsizes = \"4 KiB\"\n\
         [[objective]]\nclass = \"vm\"\npercentile = 99\nbelow = \"{below}\"\n"
    )
}

/// Claim:   no more VMs are promised than the cores have time for, however loose the objective; and not many fewer.
/// Method:  `fit` on seed 16; 320 fill the cores (utilisation law), the search aims within 2.5 %.
/// Alarm:   each end errs with 2.5 %; the promised number is tested at 5 % below at the most. The seed is fixed.
/// Catches: the 340 and 347 that a search promised which looked at latencies alone.
#[test]
fn fit_promises_no_more_than_the_processor_has_time_for() {
    for below in ["1 ms", "1 s"] {
        let found = fit(&cores(100, below)).machines;
        println!("p99 below {below}: {found:?}");
        assert!(found.value.is_some_and(|n| n < 320.0 && n > 0.94 * 320.0), "{found:?}");
        assert!(found.high.is_some_and(|n| n < 1.06 * 320.0), "{found:?}");
    }
}

/// Exactly full, a queue has no mean wait to wait for: the run ends, and says why.
#[test]
fn a_run_at_exactly_full_load_ends_undecided() {
    let found = run(&cores(320, "1 ms"));
    assert_eq!(found.verdict.state, State::Undecided, "{:?}", found.verdict);
    assert!(!found.run.precision_met);
    let why = found.verdict.reason.unwrap_or_default();
    assert!(why.contains("cpu") && why.contains("cannot be told from full"), "{why}");
    assert!(found.run.requests < 100_000_000, "{}", found.run.requests);
}

#[test]
fn overload_far_above_capacity_keeps_state_objectives_and_bottleneck() {
    let found = run(&cores(64_000, "1 ms"));
    let said = headline(&found);
    println!("{said}");
    assert_eq!(found.verdict.state, State::Saturated);
    assert!(said.starts_with("Saturated:") && said.contains("Binding: cpu"), "{said}");
}

/// A log whose hosts hardly write: 16 GiB of it, a request in a thousand writes.
fn few_writes(more: &str) -> String {
    format!(
        "[run]\nseed = 3\n[design.drives]\ncount = 8\npart = \"nvme-gen4-read-centric-3840\"\n[design.layout]\n\
         protection = \"double-parity\"\ngroup = 8\n[design.memory]\nsize = \"256 GiB\"\n[design.log]\nsize = \"16 GiB\"\n\
         rate = \"6 GB/s\"\nlatency = \"12 us\"\n{more}\n[[class]]\nname = \"db\"\nmachines = 8\nload = {{ rate = \"1000/s\" }}\n\
         read = 0.999\nsizes = \"8 KiB\"\nalign = \"8 KiB\"\ncapacity = \"100 GiB\"\nworking_set = \"50 GiB\"\n"
    )
}

/// A log below what begins its first stripe waits for hosts, not for drives.
#[test]
fn a_log_with_few_writes_is_not_called_unsustainable() {
    let found = run(&few_writes(""));
    assert_eq!(found.verdict.state, State::Stable, "{:?}", found.verdict.reason);
}

/// One class open and none closed: nothing is carried by closed classes, however short the window.
#[test]
fn open_classes_alone_leave_nothing_to_closed_ones() {
    let text = cores(100, "1 ms").replace("[run]", "[run]\nwarm_up = \"0 s\"\nlength = \"1 ms\"");
    let found = run(&text);
    assert_eq!(found.offered.closed_classes, 0);
    assert!(!headline(&found).contains("closed"), "{}", headline(&found));
}

/// At a hundredth of the load, with an objective that hardly binds, a number is promised all the same.
#[test]
fn fit_promises_a_number_from_one_per_cent_of_the_load() {
    let found = fit(&cores(3, "1 s")).machines;
    assert!(found.value.is_some_and(|n| n < 320.0 && n > 0.94 * 320.0), "{found:?}");
}

/// Claim:   the limit of open classes does not lie above saturation, and where the objective hardly binds it is saturation.
/// Method:  `knee` on seed 16, 320 VMs fill the cores.
/// Alarm:   none for the order of the two; either end errs with 2.5 % and is tested at 3 %.
/// Catches: limits at 1.1 times of saturation.
#[test]
fn the_limit_is_saturation_where_the_objective_hardly_binds() {
    let found = knee(&cores(3, "1 s"));
    let (limit, full) = (&found.limit.scale, &found.saturation.scale);
    println!("limit {limit:?}, saturation {full:?}, {} requests", found.requests);
    let at = |figure: &Figure| figure.value.map_or(0.0, |scale| 3.0 * scale / 320.0);
    assert!(
        limit.value <= full.value && (at(full) - 1.0).abs() < 0.03 && at(limit) > 0.96,
        "{limit:?} {full:?}"
    );
    assert_eq!(found.limit_objective.as_deref(), Some("the load is no longer sustained: cpu is full"));
    assert!(found.requests < 20_000_000, "{}", found.requests);
}

/// SATA drives behind a log that destages so many stripes at once.
fn destaging(at_once: u32) -> String {
    format!(
        "[run]\nseed = 4\nwarm_up = \"100 ms\"\nlength = \"400 ms\"\n[design.drives]\ncount = 32\n\
         part = \"sata-read-centric-1920\"\n[design.layout]\nprotection = \"double-parity\"\ngroup = 8\n[design.memory]\n\
         size = \"256 GiB\"\n[design.log]\nsize = \"4 GiB\"\nrate = \"6 GB/s\"\nlatency = \"12 us\"\ndestage = {at_once}\n\
         [[class]]\nname = \"db\"\nmachines = 32\nload = {{ rate = \"1500/s\" }}\nread = 0\nsizes = \"8 KiB\"\n\
         align = \"8 KiB\"\ncapacity = \"100 GiB\"\n"
    )
}

/// A log that fills because few stripes are destaged at once says so, beside drives that are not busy; with more of them at
/// once the same load is carried.
#[test]
fn destaging_limited_by_its_own_concurrency_is_not_blamed_on_the_drives() {
    let (few, many) = (run(&destaging(4)), run(&destaging(256)));
    println!("{:?}\n{:?}", few.verdict, many.verdict);
    assert_eq!(few.verdict.state, State::Unsustainable);
    assert_eq!(few.verdict.binding.as_deref(), Some("log.destage"));
    let why = few.verdict.reason.as_deref().unwrap_or_default();
    assert!(why.contains("4 stripes destaged at once") && !why.contains("the drives take"), "{why}");
    assert!(few.stations.iter().all(|row| row.utilisation < 0.7), "{:?}", few.stations);
    assert_eq!(many.verdict.state, State::Stable, "{:?}", many.verdict);
}

/// Claim:   a small stated load of a bursty class on 24 protected drives is answered with a bounded number of requests.
/// Method:  `knee` at a hundredth of what the design carries: it had no answer after 21 processor-minutes.
/// Catches: searches without an end. 50 million requests were measured; 600 million events are 30 million.
#[test]
#[ignore = "two minutes of simulation: the full tier runs it"]
fn a_small_stated_load_is_answered_soon() {
    let found = knee(
        "[run]\nseed = 6\n[design.drives]\ncount = 24\npart = \"nvme-gen4-read-centric-3840\"\n[design.layout]\n\
         protection = \"double-parity\"\ngroup = 8\n[design.cpu]\ncores = 16\nservice = \"10 us\"\n[[class]]\nname = \"db\"\n\
         machines = 40\nload = { rate = \"400/s\" }\nread = 0.7\nsizes = \"8 KiB\"\nalign = \"8 KiB\"\ncapacity = \"100 GiB\"\n\
         arrivals = { shape = \"bursty\", peak_to_mean = 4, burst = \"50 ms\" }\n[[objective]]\nclass = \"db\"\n\
         percentile = 99\nbelow = \"2 ms\"\n",
    );
    println!("{:?}\n{:?}\n{} requests", found.saturation, found.limit, found.requests);
    assert!(found.saturation.scale.low.is_some() && found.limit.scale.low.is_some(), "{:?}", found.limit);
    assert!(found.requests < 35_000_000, "{}", found.requests);
}

/// Claim:   eight drives with writes saturate where the arithmetic of their dies says, which is exact here: uniform
///          addresses, no log. A search that took the busiest of 688 dies in a short look for a full resource said 55 %.
/// Method:  `knee` on seed 7, started at a fifth of it.
/// Alarm:   either end errs with 2.5 %; the band of 6 % is four half-widths of the search. The seed is fixed.
#[test]
#[ignore = "a minute of simulation: the full tier runs it"]
fn the_busiest_of_many_dies_is_not_taken_for_a_full_resource() {
    let text = "[run]\nseed = 7\n[design.drives]\ncount = 8\npart = \"nvme-gen4-read-centric-3840\"\n[design.layout]\n\
         protection = \"double-parity\"\ngroup = 8\n[[class]]\nname = \"db\"\nmachines = 8\nload = { rate = \"50000/s\" }\n\
         read = 0.7\nsizes = \"8 KiB\"\nalign = \"8 KiB\"\ncapacity = \"300 GiB\"\nworking_set = \"200 GiB\"\n";
    let found = knee(text);
    let (full, paper) = (found.saturation.iops.value, found.static_ceiling_iops);
    println!("saturation {full:?}, static {paper:?}");
    let (Some(full), Some(paper)) = (full, paper) else { panic!("{:?}", found.saturation) };
    assert!((full / paper - 1.0).abs() < 0.06, "{full} for {paper}");
}

/// Bursts on four cores that 200,000 requests a second fill.
fn bursts(run: &str, rate: u32) -> String {
    format!(
        "[run]\nseed = 12\n{run}[design.cpu]\ncores = 4\nservice = {{ mean = \"20 us\", shape = \"exponential\" }}\n\
         [design.drives]\ncount = 64\nservice = \"80 us\"\n[[class]]\nname = \"db\"\nmachines = 24\n\
         load = {{ rate = \"{rate}/s\" }}\narrivals = {{ shape = \"bursty\", peak_to_mean = 4, burst = \"5 ms\" }}\nread = 1\n\
         sizes = \"8 KiB\"\n"
    )
}

/// Claim:   bursts neither shift nor widen saturation: its work is that of requests, however many of them wait.
/// Method:  `knee` on seed 12, started at an eighth of the truth.
/// Alarm:   an end errs with 2.5 %; the seed is fixed.
/// Catches: work told by the requests that came and finished in a short window (2.2 % too low), and a queue that fills from
///          empty taken for one that grows (ends 3.6 % apart).
#[test]
fn bursts_do_not_shift_saturation() {
    let found = knee(&bursts("", 1000));
    let [value, low, high] =
        [found.saturation.scale.value, found.saturation.scale.low, found.saturation.scale.high]
            .map(|end| end.map_or(0.0, |scale| scale * 24_000.0 / 200_000.0));
    println!("{value} ({low} to {high}), {} requests", found.requests);
    assert!(
        (value - 1.0).abs() < 0.0175 && low < 1.0 && high > 1.0 && high - low < 0.03,
        "{low} {value} {high}"
    );
}

/// A burst that fills a small backlog in one replication of eight is no overload: there is time for the work. Nor is the
/// load called stable, for what came then was given up.
#[test]
fn a_burst_that_fills_the_backlog_is_not_called_overload() {
    let plan = |backlog: u32| format!("warm_up = \"50 ms\"\nlength = \"400 ms\"\nbacklog_max = {backlog}\n");
    let verdict = |backlog: u32, rate: u32| run(&bursts(&plan(backlog), rate)).verdict;
    let filled = verdict(2000, 7500);
    let why = filled.reason.as_deref().unwrap_or_default();
    assert_eq!(filled.state, State::Undecided, "{filled:?}");
    assert!(
        why.starts_with("1 of 8 replications filled the backlog") && why.contains("run.backlog_max"),
        "{why}"
    );
    assert_eq!(verdict(20_000, 7500).state, State::Stable);
    assert_eq!(verdict(2000, 9500).state, State::Saturated);
}

/// Drives' own buffers take up for a while what their units have no time for: a window that ends before they are full
/// calls nothing stable. The same load over a longer one fills the log.
#[test]
fn what_fills_the_drives_buffers_is_not_carried() {
    let state = |warm_up: &str, length: &str| {
        let text = format!(
            "[run]\nseed = 6\nwarm_up = \"{warm_up}\"\nlength = \"{length}\"\n[design.memory]\nsize = \"256 GiB\"\n[design.log]\n\
             size = \"8 GiB\"\nrate = \"6 GB/s\"\nlatency = \"12 us\"\n[design.layout]\nprotection = \"mirror-2\"\n\
             [design.drives]\ncount = 8\npart = \"sata-read-centric-1920\"\n[[class]]\nname = \"db\"\nmachines = 100\n\
             load = {{ rate = \"500/s\" }}\nread = 0.7\nsizes = \"32 KiB\"\ncapacity = \"80 GiB\"\n"
        );
        run(&text).verdict
    };
    let (short, long) = (state("60 ms", "240 ms"), state("1 s", "2 s"));
    println!("{short:?}\n{long:?}");
    assert_ne!(short.state, State::Stable, "{short:?}");
    assert_eq!(long.state, State::Unsustainable, "{long:?}");
}
