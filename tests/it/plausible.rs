//! Whether a design of a common shape does about what such boxes are known to do.
//!
//! Known by common practice, without a source: 24 drives of PCIe gen 3 x4 straight on the processor, 16 cores, ports
//! enough and reduction on read about 14,000 MB/s and write about 10,000 MB/s in large blocks, and do about
//! 500,000 random reads or 200,000 random writes of 4 KiB a second. The scenario's 25 us of processor a read were
//! chosen to meet the third; and how often a byte crosses the memory was counted when the first was off by three and a
//! half. The two figures of writes are the check. Writes are taken with the log at high water: what a larger one
//! absorbs before that is not what the box does.

use std::path::Path;

use forebay::outcome::RunOutcome;
use forebay::scenario::{Override, load};

use crate::runs::run;

/// What it may be off by, either way.
const FACTOR: f64 = 1.35;

struct Kind {
    name: &'static str,
    read: u32,
    kib: u32,
    /// Known of the whole box: MB/s of large blocks, requests/s of small ones.
    known: f64,
    binding: &'static str,
}

const KINDS: [Kind; 4] = [
    Kind { name: "large reads", read: 1, kib: 256, known: 14_000.0, binding: "memory" },
    Kind { name: "large writes", read: 0, kib: 256, known: 10_000.0, binding: "cpu" },
    Kind { name: "random reads", read: 1, kib: 4, known: 500_000.0, binding: "cpu" },
    Kind { name: "random writes", read: 0, kib: 4, known: 200_000.0, binding: "cpu" },
];

fn measured(kind: &Kind, more: &[&str]) -> (RunOutcome, f64) {
    let mut set = vec![
        format!("class.host.read={}", kind.read),
        format!("class.host.sizes=\"{} KiB\"", kind.kib),
        "design.log.size=\"64 MiB\"".to_owned(),
        "run.warm_up=\"150 ms\"".to_owned(),
    ];
    if kind.kib > 4 {
        let stream = ["sequential=1", "load={in_flight=2}", "align=\"256 KiB\"", "run_length=\"1 GiB\""];
        set.extend(stream.map(|key| format!("class.host.{key}")));
    }
    set.extend(more.iter().map(|set| (*set).to_owned()));
    let overrides: Vec<Override> =
        set.iter().map(|o| Override::parse(o).unwrap_or_else(|e| panic!("{e}"))).collect();
    let path = Path::new(env!("CARGO_MANIFEST_DIR")).join("workloads/plausibility/whole.toml");
    let scenario = load(&path, &overrides).unwrap_or_else(|d| panic!("{d}"));
    let outcome = run(&scenario);
    assert!(outcome.audit.iter().all(|row| row.ok));
    let carried = &outcome.carried;
    let found = match (kind.kib, kind.read) {
        (4, _) => carried.iops.value,
        (_, 1) => carried.read_bytes_per_s.value.map(|bytes| bytes / 1e6),
        _ => carried.write_bytes_per_s.value.map(|bytes| bytes / 1e6),
    };
    (outcome, found.expect("a rate"))
}

#[test]
fn a_box_of_common_shape_does_about_what_such_boxes_do() {
    for kind in &KINDS {
        let (outcome, found) = measured(kind, &[]);
        println!("{}: {found:.0}, known {:.0}, {:?}", kind.name, kind.known, outcome.verdict.binding);
        assert!((kind.known / FACTOR..kind.known * FACTOR).contains(&found), "{}: {found}", kind.name);
        assert_eq!(outcome.verdict.binding.as_deref(), Some(kind.binding), "{}", kind.name);
    }
}

/// Half of everything does half.
#[test]
fn half_the_box_does_half() {
    let half = [
        "design.cpu.cores=8",
        "design.ports.count=2",
        "design.drives.count=12",
        "design.memory={size=\"128 GiB\",bandwidth=\"50 GB/s\"}",
        "design.log.rate=\"6 GB/s\"",
        "class.host.machines=64",
    ];
    for kind in &KINDS {
        let (_, found) = measured(kind, &half);
        let known = kind.known / 2.0;
        println!("{}, half: {found:.0}, known {known:.0}", kind.name);
        assert!((known / FACTOR..known * FACTOR).contains(&found), "{}: {found}", kind.name);
    }
}

/// With four ports of 25 Gb/s these bind first: 12.5 GB/s raw, less what packets take.
#[test]
fn four_ports_of_25_gigabits_bind_before_the_rest() {
    let (outcome, found) = measured(&KINDS[0], &["design.ports.rate=\"25 Gb/s\""]);
    assert_eq!(outcome.verdict.binding.as_deref(), Some("ports.tx"));
    println!("{found:.0} MB/s");
    // Frames of 9,000 B carry 8,948 B in 9,038 (links, L-ETH); acknowledgements and commands flow the other way.
    assert!((found / (12_500.0 * 8_948.0 / 9_038.0) - 1.0).abs() < 0.01, "{found}");
}
