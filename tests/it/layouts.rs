//! Protected layouts, through the whole tool: drive requests are counted as arrivals at the drives, bytes in
//! the ledger, and held to the arithmetic of the literature (D. Patterson, G. Gibson & R. Katz, SIGMOD
//! 1988; P. Chen et al., ACM Computing Surveys 26(2), 1994). Every answer's audits must hold: among them
//! are the bytes that the plans move against the bytes that the drives are handed.

use std::path::Path;

use forebay::outcome::RunOutcome;
use forebay::scenario::parse;

use crate::runs::{answer, latency};

/// Drive requests a run is counted over; its seed was chosen before looking.
const RUN: &str = "seed = 11\nreplications = 2\nwarm_up = \"50 ms\"\nlength = \"2 s\"\n";

/// A class of requests of one size.
fn class(load: &str, read: f64, size: &str, align: &str) -> String {
    format!(
        "[[class]]\nname = \"load\"\nmachines = 1\nload = {load}\nread = {read}\nsizes = \"{size}\"\n\
         align = \"{align}\"\n"
    )
}

/// `count` drives of a fixed service time under a layout and a class.
fn design(run: &str, count: u32, service: &str, layout: &str, class: &str) -> String {
    format!(
        "[run]\n{run}[design.drives]\ncount = {count}\nservice = {service}\nsplit = true\n[design.layout]\n\
         {layout}\n{class}"
    )
}

fn station<'a>(outcome: &'a RunOutcome, name: &str) -> &'a forebay::outcome::StationRow {
    outcome.stations.iter().find(|s| s.name == name).expect("a station of that name")
}

/// Arrivals at the drives for each request that was answered.
fn drive_requests(outcome: &RunOutcome) -> f64 {
    station(outcome, "drives").arrivals_per_s / outcome.carried.iops.value.expect("a rate")
}

/// Bytes read and written by the drives for each byte that hosts write or read.
fn drive_bytes(outcome: &RunOutcome, level: &str) -> [f64; 2] {
    let row = |level: &str| outcome.ledger.iter().find(|row| row.level == level).expect("a level");
    let host = row("host").read_bytes_per_s + row("host").write_bytes_per_s;
    [row(level).read_bytes_per_s / host, row(level).write_bytes_per_s / host]
}

/// Where nothing waits and nothing is drawn only the edges of the windows can differ: 1 request of 4,000 in
/// each.
const AT_EDGES: f64 = 1e-3;

fn assert_near(found: f64, known: f64, within: f64, what: &str) {
    println!("{what}: {found:.5}, {known:.5}");
    assert!((found / known - 1.0).abs() <= within, "{what}: {found}, {known}");
}

/// R-PENALTY: a small write takes 1, 2, 4, 6 or 8 drive requests; with copies, one each.
#[test]
fn a_small_write_takes_1_2_3_4_6_or_8_drive_requests() {
    let cases = [
        ("", 1.0),
        ("protection = \"none\"", 1.0),
        ("protection = \"mirror-2\"", 2.0),
        ("protection = \"mirror-3\"", 3.0),
        ("protection = \"single-parity\"\ngroup = 6", 4.0),
        ("protection = \"double-parity\"\ngroup = 12", 6.0),
        ("protection = \"triple-parity\"\ngroup = 12", 8.0),
        ("protection = \"double-parity\"\ngroup = 10\nspares = 2\nspare_kind = \"distributed\"", 6.0),
    ];
    for (layout, known) in cases {
        let load = class("{ rate = \"2000/s\" }", 0.0, "4 KiB", "4 KiB");
        let outcome = answer(&design(RUN, 12, "\"1 us\"", layout, &load));
        assert_near(drive_requests(&outcome), known, AT_EDGES, layout);
        let [read, written] = drive_bytes(&outcome, "drives");
        // A mirror reads nothing first; with parity as much is read as is written.
        let is_parity = layout.contains("parity");
        let reads = if is_parity { known / 2.0 } else { 0.0 };
        assert!((read - reads).abs() <= reads * AT_EDGES, "{layout}: {read} bytes read");
        assert_near(written, known - reads, AT_EDGES, layout);
    }
}

/// A stripe of 4 + 2 chunks written whole takes 6 drive writes and no read: 1.5 bytes for each byte. Four
/// of them after one another lie together on each drive and are 6 drive writes again.
#[test]
fn a_full_stripe_is_written_without_reading() {
    let layout = "protection = \"double-parity\"\ngroup = 6";
    for size in ["256 KiB", "1 MiB"] {
        let load = class("{ rate = \"2000/s\" }", 0.0, size, size);
        let outcome = answer(&design(RUN, 6, "\"1 us\"", layout, &load));
        assert_near(drive_requests(&outcome), 6.0, AT_EDGES, size);
        let [read, written] = drive_bytes(&outcome, "drives");
        assert_eq!(read, 0.0, "{size}");
        assert_near(written, 1.5, AT_EDGES, size);
    }
}

/// Nothing queues with one request in flight on drives of 100 µs: a read and a mirrored or full-stripe write
/// take one visit, a small parity write two, one after the other.
#[test]
fn a_small_parity_write_is_two_rounds_and_others_are_one() {
    let single = "protection = \"single-parity\"\ngroup = 5";
    let cases = [
        ("", 0.0, "4 KiB", 100.0),
        ("protection = \"mirror-2\"", 0.0, "4 KiB", 100.0),
        (single, 0.0, "4 KiB", 200.0),
        (single, 0.0, "256 KiB", 100.0),
        (single, 1.0, "4 KiB", 100.0),
    ];
    for (layout, read, size, known) in cases {
        let load = class("{ in_flight = 1 }", read, size, size);
        let outcome = answer(&design(RUN, 10, "\"100 us\"", layout, &load));
        let mean = latency(&outcome, "mean").value.expect("a mean");
        assert_near(mean, known, 1e-9, layout);
    }
}

/// Claim:   with one of n drives of a group lost, a read of one chunk takes 2(n − 1)/n drive reads of its
///          own size (R-DEGRADED), here with n = 12; with half of the stripes restored, half as much more.
/// Method:  200,000 reads, seed 11 (fixed). 11 reads with probability 1/12 (1/24), 1 otherwise: deviation
///          of the mean 0.0062 (0.0045).
/// Alarm:   5 deviations: 6e-7 each. Catches: a bias of 3 % with 99.9 % power.
#[test]
fn a_degraded_read_fans_out_to_the_survivors() {
    let layout = "protection = \"single-parity\"\ngroup = 12\nspares = 1";
    let load = class("{ rate = \"50000/s\" }", 1.0, "4 KiB", "4 KiB");
    let lost = "[[fault]]\nname = \"one lost\"\nkind = \"drive-lost\"\ndrive = 3\n";
    let outcome = answer(&(design(RUN, 13, "\"1 us\"", layout, &load) + lost));
    let found = drive_requests(&outcome);
    println!("{found}");
    assert!((found - 22.0 / 12.0).abs() < 5.0 * 0.0062, "{found}");
    // Exact whatever was drawn: reads are of one size.
    assert_near(drive_bytes(&outcome, "protection")[0], found, AT_EDGES, "bytes");
    assert_eq!(
        station(&outcome, "drives").busiest.as_ref().map(|m| m.name.as_str() == "drive 3"),
        Some(false)
    );

    let half = format!("{}rate = \"1 MB/s\"\n", lost.replace("drive-lost", "rebuilding"));
    let outcome = answer(&(design(RUN, 13, "\"1 us\"", layout, &load) + &half));
    let found = drive_bytes(&outcome, "protection")[0];
    println!("{found}");
    assert!((found - (1.0 + 10.0 / 24.0)).abs() < 5.0 * 0.0045, "{found}");
}

/// Claim:   degraded small writes on 4 + 1 take, with a drive lost, 4 requests where it holds neither chunk
///          nor parity (3 of 5), 1 where it holds parity, and 4 (3 reads, 1 write) where it holds the chunk.
/// Method:  100,000 writes, seed 11 (fixed): mean 3.4, deviation of the mean 0.0038.
/// Alarm:   5 deviations: 6e-7. Catches: a bias of 1 % with 99.9 % power.
#[test]
fn a_degraded_write_leaves_out_what_is_lost() {
    let load = class("{ rate = \"25000/s\" }", 0.0, "4 KiB", "4 KiB");
    let lost = "[[fault]]\nname = \"one lost\"\nkind = \"drive-lost\"\ndrive = 2\n";
    let layout = "protection = \"single-parity\"\ngroup = 5";
    let found = drive_requests(&answer(&(design(RUN, 5, "\"1 us\"", layout, &load) + lost)));
    println!("{found}");
    assert!((found - 3.4).abs() < 5.0 * 0.0038, "{found}");
}

/// Claim:   drives kept full by small writes carry what static arithmetic says: count ÷ (requests × time).
/// Method:  closed, 1,000 in flight on 12 drives of 100 µs; the only drawn thing is the address. They start
///          together and come round in waves of 50 ms at most, of which the window of 3 s may cut half a one
///          (0.8 %); a drive idles when none of some 80 in line or more falls to it (0.4 %).
/// Alarm:   never by chance. Catches: a drive request too many or too few in 50.
#[test]
fn small_writes_saturate_where_static_arithmetic_says() {
    let run = "seed = 11\nreplications = 2\nwarm_up = \"500 ms\"\nlength = \"3 s\"\n";
    for (layout, penalty) in [
        ("", 1.0),
        ("protection = \"mirror-2\"", 2.0),
        ("protection = \"single-parity\"\ngroup = 6", 4.0),
        ("protection = \"double-parity\"\ngroup = 12", 6.0),
    ] {
        let load = class("{ in_flight = 1000 }", 0.0, "4 KiB", "4 KiB");
        let outcome = answer(&design(run, 12, "\"100 us\"", layout, &load));
        let known = 12.0 / (penalty * 100e-6);
        let stated = outcome.verdict.static_ceiling_iops.expect("a static figure");
        assert!((stated / known - 1.0).abs() < 1e-9, "{layout}: static {stated}, {known}");
        let carried = outcome.carried.iops.value.expect("a rate");
        assert_near(carried, known, 0.02, layout);
    }
}

/// One core that takes in 1 GB/s for parity: a small write on 4 + 1 brings old data, old parity and new data,
/// 12 KiB or 12.288 µs beside its own 10 µs.
#[test]
fn parity_takes_processor_time() {
    let layout = "protection = \"single-parity\"\ngroup = 5";
    let load = class("{ rate = \"2000/s\" }", 0.0, "4 KiB", "4 KiB");
    let cpu = "[design.cpu]\ncores = 1\nservice = \"10 us\"\nparity = \"1 GB/s\"\n";
    let outcome = answer(&(design(RUN, 5, "\"1 us\"", layout, &load) + cpu));
    let cpu = station(&outcome, "cpu");
    let each = cpu.mean_service_us * cpu.arrivals_per_s / outcome.carried.iops.value.expect("a rate");
    assert_near(each, 22.288, AT_EDGES, "processor time");
    let ceiling = outcome.verdict.static_ceiling_iops.expect("a static figure");
    assert_near(ceiling, 1e6 / 22.288, 1e-6, "static");
}

/// Datasheet drives behind uplinks, with a processor that takes time to give data back: a capped rebuild
/// restores what its cap says, reads N times that, and every audit holds.
#[test]
fn a_rebuild_keeps_to_its_cap_and_reads_n_times_as_much() {
    let text = "[run]\nseed = 11\nreplications = 2\nwarm_up = \"100 ms\"\nlength = \"500 ms\"\n\
        [design.cpu]\ncores = 8\nservice = \"10 us\"\nparity = \"8 GB/s\"\nreconstruct = \"4 GB/s\"\n\
        [design.fabric]\nshape = \"uplinks\"\nuplinks = 2\nlink = \"pcie-gen3-x8\"\n\
        [design.drives]\ncount = 12\npart = \"nvme-gen4-read-centric-3840\"\n\
        [design.layout]\nprotection = \"double-parity\"\ngroup = 10\nspares = 2\nSPARES\n\
        [[class]]\nname = \"load\"\nmachines = 8\nload = { rate = \"1000/s\" }\nread = 0.7\nsizes = \"8 KiB\"\n\
        [[objective]]\nclass = \"load\"\npercentile = 90\nbelow = \"50 ms\"\nduring = \"rebuild\"\n\
        [[objective]]\nclass = \"load\"\npercentile = 90\nbelow = \"50 ms\"\n\
        [[fault]]\nname = \"rebuild\"\nkind = \"rebuilding\"\ndrive = 3\nrate = \"200 MB/s\"\n";
    for kind in ["dedicated", "distributed"] {
        let outcome = answer(&text.replace("SPARES", &format!("spare_kind = \"{kind}\"")));
        let row = outcome.ledger.iter().find(|row| row.level == "rebuild").expect("a level");
        assert_near(row.write_bytes_per_s, 200e6, 0.01, kind);
        assert_near(row.read_bytes_per_s, 8.0 * 200e6, 0.01, kind);
        // 3.84 TB at 200 MB/s, whatever is restored already.
        assert_near(outcome.rebuild_hours.expect("hours"), 3.84e12 / 200e6 / 3600.0, 0.01, "hours");
        // An objective of the fault is judged, one of health is not: nothing healthy was measured.
        assert_eq!(outcome.objectives[0].met, Some(true), "{:?}", outcome.objectives[0]);
        let healthy = &outcome.objectives[1];
        assert_eq!((healthy.met, healthy.value_us.value), (None, None));
        assert!(healthy.value_us.reason.as_ref().is_some_and(|why| why.contains("nothing healthy")));
        assert_eq!(outcome.verdict.objectives_met, None);
    }
}

/// Without a cap a rebuild goes as fast as its window and the drives allow: idle drives of 100 µs, one
/// stripe at a time, restore a chunk of 64 KiB in 200 µs; four at a time do four in that time or somewhat
/// less, as they meet at the spare.
#[test]
fn a_rebuild_without_a_cap_goes_as_fast_as_its_window() {
    let layout = "protection = \"single-parity\"\ngroup = 5\nspares = 1";
    let load = class("{ rate = \"100/s\" }", 1.0, "4 KiB", "4 KiB");
    for (window, least, most) in [(1, 0.95, 1.0), (4, 1.9, 2.0)] {
        let fault = format!(
            "[[fault]]\nname = \"r\"\nkind = \"rebuilding\"\ndrive = 0\nwindow = {window}\nprogress = 0\n"
        );
        let outcome = answer(&(design(RUN, 6, "\"100 us\"", layout, &load) + &fault));
        let row = outcome.ledger.iter().find(|row| row.level == "rebuild").expect("a level");
        let pace = row.write_bytes_per_s * 200e-6 / 65536.0;
        println!("window {window}: {pace}");
        // Four read the same drives: one chunk each 100 µs is the most that a drive reads.
        assert!((least..=most * 1.001).contains(&pace), "window {window}: {pace}");
    }
}

/// What is written under `[design.layout]` and after it on 12 drives, and what is said.
const REFUSED: &[(&str, &str, &[&str])] = &[
    ("protection = \"single-parity\"", "", &["`design.layout.group` is missing"]),
    (
        "protection = \"double-parity\"\ngroup = 2",
        "",
        &["no more than the 2 parities", "expected 3 at least"],
    ),
    ("protection = \"mirror-3\"\ngroup = 4", "", &["a mirror has 3 copies", "or leave it out"]),
    ("protection = \"raid\"", "", &["expected \"none\", \"mirror-2\""]),
    ("group = 4", "", &["it goes with a `protection`"]),
    (
        "protection = \"single-parity\"\ngroup = 5",
        "",
        &["12 drives do not divide into groups of 5", "10 or 15"],
    ),
    (
        "protection = \"single-parity\"\ngroup = 5\nspares = 1",
        "",
        &["12 drives less 1 spares do not divide", "11 or 16"],
    ),
    (
        "protection = \"single-parity\"\ngroup = 12\nspares = 1\nspare_kind = \"distributed\"",
        "",
        &["groups of 12 do not fit 12 drives less the room of 1"],
    ),
    ("protection = \"mirror-2\"\nspares = 12", "", &["12 spares leave none of the 12 drives"]),
    ("reserve = 0.1", "", &["it goes with `writes = \"log-structured\"`"]),
    ("", "kind = \"drive-lost\"\ndrive = 3", &["nothing survives the loss of drive 3"]),
    (
        "protection = \"mirror-2\"",
        "kind = \"drive-lost\"\ndrive = 12",
        &["no drive 12", "the last one is 11"],
    ),
    ("protection = \"mirror-2\"\nspares = 2", "kind = \"drive-lost\"\ndrive = 10", &["drive 10 is a spare"]),
    ("protection = \"mirror-2\"", "kind = \"rebuilding\"\ndrive = 1", &["spare room that the layout lacks"]),
    ("protection = \"mirror-2\"", "kind = \"controller-lost\"", &["`fault.a.controller` is missing"]),
    (
        "protection = \"mirror-2\"",
        "kind = \"controller-lost\"\ncontroller = 0",
        &["no controller failure is survived"],
    ),
    ("protection = \"mirror-2\"", "kind = \"drive-gone\"\ndrive = 1", &["expected \"drive-lost\""]),
    ("protection = \"mirror-2\"", "kind = \"drive-lost\"\ndrive = 1\nrate = \"1 GB/s\"", &["it goes with"]),
    (
        "protection = \"mirror-2\"",
        "kind = \"second-drive-lost\"\ndrive = 1",
        &["a second loss without a first"],
    ),
    (
        "protection = \"single-parity\"\ngroup = 6",
        "kind = \"drive-lost\"\ndrive = 6\n[[fault]]\nname = \"b\"\nkind = \"second-drive-lost\"\ndrive = 11",
        &["drives 6 and 11 are lost together", "survives 1"],
    ),
    (
        "protection = \"double-parity\"\ngroup = 6",
        "kind = \"drive-lost\"\ndrive = 6\n[[fault]]\nname = \"a\"\nkind = \"second-drive-lost\"\ndrive = 6",
        &["two faults are called \"a\"", "drive 6 is lost twice"],
    ),
];

#[test]
fn layouts_and_faults_that_cannot_be_are_refused_in_words() {
    let load = class("{ rate = \"1/s\" }", 0.5, "4 KiB", "4 KiB");
    for (layout, fault, said) in REFUSED {
        let fault =
            if fault.is_empty() { String::new() } else { format!("[[fault]]\nname = \"a\"\n{fault}\n") };
        let text = design(RUN, 12, "\"1 us\"", layout, &load) + &fault;
        let Err(diagnostics) = parse(&text, "refused.toml", Path::new(""), &[]) else {
            panic!("accepted:\n{text}");
        };
        let shown = diagnostics.render(false);
        assert!(said.iter().all(|words| shown.contains(words)), "{said:?}\n{text}\n{shown}");
        assert!(shown.contains("refused.toml:"), "no place:\n{shown}");
        assert!(diagnostics.len() <= said.len().max(1), "{shown}");
    }
    let whole = design(RUN, 12, "\"1 us\"\nsplit = false", "protection = \"mirror-2\"", &load);
    let whole = whole.replace("split = true\n", "");
    let shown = parse(&whole, "t.toml", Path::new(""), &[]).expect_err("refused").render(false);
    assert!(shown.contains("add `split = true`"), "{shown}");
    // Two losses in different groups are survived, and an objective may name either.
    let sound = "kind = \"drive-lost\"\ndrive = 0\n[[fault]]\nname = \"b\"\nkind = \"second-drive-lost\"\ndrive = 6\n\
                 [[objective]]\nclass = \"load\"\npercentile = 99\nbelow = \"1 ms\"\nduring = \"b\"\n";
    let text = design(RUN, 12, "\"1 us\"", "protection = \"single-parity\"\ngroup = 6", &load);
    let text = format!("{text}[[fault]]\nname = \"a\"\n{sound}");
    let found = parse(&text, "t.toml", Path::new(""), &[]).unwrap_or_else(|d| panic!("{d}"));
    assert_eq!((found.faults.len(), found.objectives[0].during.as_str()), (2, "b"));
}
