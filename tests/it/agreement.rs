//! The searches agree with `run` on designs that nobody has tuned them on, stated at a small part of what they carry.
//!
//! Designs are drawn from what leaves the static estimate exact: drives with or without protection, behind ports, a processor
//! and uplinks, no log, uniform addresses, one class or two, Poisson or bursty.

use std::sync::atomic::AtomicBool;

use forebay::engine::{Draws, Key, Purpose};
use forebay::outcome::{KneeOutcome, RunOutcome, State};
use forebay::study::{self, Context};

use crate::runs::scenario;

const PICK: Purpose = Purpose::named("pick");

fn quiet<T>(ask: impl FnOnce(&Context) -> T) -> T {
    ask(&Context { interrupted: &AtomicBool::new(false), time: None, progress: &|_| (), detail: false })
}

fn run(text: &str) -> RunOutcome {
    quiet(|context| study::run(&scenario(text), context)).unwrap_or_else(|error| panic!("{error}\n{text}"))
}

fn knee(text: &str) -> KneeOutcome {
    quiet(|context| study::knee(&scenario(text), context)).unwrap_or_else(|error| panic!("{error}\n{text}"))
}

/// A design by its number, at so many requests a second.
fn design(number: u64, iops: f64) -> String {
    let mut draws = Key::root(61).numbered(number).draws(PICK);
    let mut pick = |of: &[&str]| one(&mut draws, of).to_owned();
    let drives = pick(&["8", "12", "24"]);
    let part = pick(&["nvme-gen4-read-centric-3840", "sas-24-read-centric-3840", "sata-read-centric-1920"]);
    let protection = pick(&[
        "",
        "[design.layout]\nprotection = \"mirror-2\"\n",
        "[design.layout]\nprotection = \"single-parity\"\ngroup = 8\n",
        "[design.layout]\nprotection = \"double-parity\"\ngroup = 8\n",
    ]);
    let ports = pick(&[
        "",
        "[design.ports]\ncount = 2\nrate = \"25 Gb/s\"\n",
        "[design.ports]\ncount = 4\nrate = \"100 Gb/s\"\n",
    ]);
    let cpu = pick(&[
        "",
        "[design.cpu]\ncores = 8\nservice = { mean = \"20 us\", shape = \"exponential\" }\n",
        "[design.cpu]\ncores = 32\nservice = \"10 us\"\n",
    ]);
    let link = if part.starts_with("nvme") { "pcie-gen4-x8" } else { "sas-24-x4" };
    let fabric = pick(&["", "", "[design.fabric]\nshape = \"uplinks\"\nuplinks = 2\nlink = \"LINK\"\n"])
        .replace("LINK", link);
    let classes = pick(&["1", "2"]).parse().unwrap_or(1);
    let mut text = format!(
        "[run]\nseed = {number}\n{ports}{cpu}{fabric}{protection}[design.drives]\ncount = {drives}\npart = \"{part}\"\n"
    );
    for class in 0..classes {
        let (read, size) = (pick(&["0.5", "0.7", "0.9", "1"]), pick(&["4 KiB", "8 KiB", "32 KiB"]));
        let arrivals =
            pick(&["", "", "arrivals = { shape = \"bursty\", peak_to_mean = 2, burst = \"5 ms\" }\n"]);
        let rate = iops / f64::from(classes) / 40.0;
        text += &format!(
            "[[class]]\nname = \"c{class}\"\nmachines = 40\nload = {{ rate = \"{rate}/s\" }}\nread = {read}\nsizes = \"{size}\"\n\
             align = \"{size}\"\ncapacity = \"20 GiB\"\n{arrivals}"
        );
    }
    text + "[[objective]]\nclass = \"c0\"\npercentile = 99\nbelow = \"20 ms\"\n"
}

fn one<'a>(draws: &mut Draws, of: &[&'a str]) -> &'a str {
    of[draws.below(of.len() as u64) as usize]
}

/// What a design must show; the first thing that it does not.
fn contradiction(number: u64) -> Option<String> {
    let first = scenario(&design(number, 1000.0));
    let paper = study::check(&first).unwrap_or_else(|error| panic!("{error}"));
    let paper = paper.static_ceiling_iops.expect("a ceiling");
    let stated = [0.01, 0.02, 0.04][number as usize % 3] * paper;
    let found = knee(&design(number, stated));
    let full = &found.saturation.iops;
    let (Some(value), Some(low), Some(high)) = (full.value, full.low, full.high) else {
        return Some(format!("open ends: {full:?}"));
    };
    let said = format!(
        "{value:.0} ({low:.0} to {high:.0}), {:?}, on paper {paper:.0} {:?}",
        found.binding, found.static_binding
    );
    println!("{number}: {said}, {} requests", found.requests);
    if (value / paper - 1.0).abs() > 0.03 {
        return Some(format!("saturation {said}"));
    }
    if found.limit.scale.value > found.saturation.scale.value {
        return Some(format!("a limit above saturation: {:?}", found.limit.scale));
    }
    // Rows are of independent windows at one binding resource: its use rises by more than its noise.
    let used: Vec<(f64, f64)> = found
        .curve
        .iter()
        .filter(|row| row.scale < 0.97 * value / stated)
        .map(|row| (row.scale, row.utilisation))
        .collect();
    if let Some(fall) = used.windows(2).find(|w| w[1].0 > 1.1 * w[0].0 && w[1].1 < w[0].1) {
        return Some(format!("utilisation falls along the curve: {fall:?}"));
    }
    let window = |iops: f64| {
        design(number, iops).replace("[run]\n", "[run]\nwarm_up = \"50 ms\"\nlength = \"400 ms\"\n")
    };
    let below = run(&window(0.97 * low)).verdict;
    if below.state != State::Stable {
        return Some(format!("{said}; at 0.97 of the low end {:?}: {:?}", below.state, below.reason));
    }
    let above = run(&window(1.06 * high)).verdict;
    if above.state == State::Stable {
        return Some(format!("{said}; stable at 1.06 of the high end"));
    }
    let carried = run(&window(1.3 * value)).carried.iops.value.expect("a figure");
    // Where a request comes by twice (write data after its command, parity after old data), what piles up has been there once
    // already, and less is finished than when just full.
    let is_once = found.binding.as_deref() == Some("cpu");
    let (most, least) = (1.03 * value, if is_once { 0.97 * value } else { 0.0 });
    (!(least..=most).contains(&carried))
        .then(|| format!("{said}; offered 1.3 times of it {carried:.0} are carried"))
}

fn assert_agreement(numbers: std::ops::Range<u64>) {
    let all = numbers.end - numbers.start;
    let wrong: Vec<String> = numbers
        .filter_map(|number| contradiction(number).map(|what| format!("design {number}: {what}")))
        .collect();
    assert!(wrong.is_empty(), "{} of {all} designs:\n{}", wrong.len(), wrong.join("\n"));
}

/// Claim:   saturation lies within 3 % of the static estimate, which is exact here; `run` is stable at 0.97 of its low end and
///          is not at 1.06 of its high end; offered 1.3 times as much, the design carries what it carries when full.
/// Method:  designs 0 and 1, `knee` and three runs of 0.4 s each.
/// Alarm:   an end errs with 2.5 %, and must err by 3 or 6 % more to be seen; the seeds are fixed.
/// Catches: the 55 % of finding 1, a limit above saturation, rows that mix.
#[test]
fn knee_agrees_with_run_and_with_paper_on_designs_drawn_at_random() {
    assert_agreement(0..2);
}

/// The same of sixty.
#[test]
#[ignore = "an hour of simulation: the full tier runs it"]
fn knee_agrees_with_run_and_with_paper_on_sixty_designs() {
    assert_agreement(0..60);
}
