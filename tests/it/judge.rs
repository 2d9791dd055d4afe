//! Whether a load is sustained: `run`, `knee` and `fit` give one answer, on designs where they did not.

use std::sync::atomic::AtomicBool;

use forebay::outcome::{FitOutcome, KneeOutcome, RunOutcome, State};
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
