//! The workload by which endurance is rated, and what skew costs a drive's own cleaner.

use std::collections::HashMap;
use std::sync::Arc;

use forebay::engine::Key;
use forebay::scenario::Operation;
use forebay::system::Plan;
use forebay::theory::cleaning::{Heat, fifo_amplification, fifo_spare, mixed_amplification};
use forebay::theory::drive::spare_at;
use forebay::traffic::Sources;

use crate::runs::{answer, scenario};

/// Block sizes in per cent of commands (D-JESD219-MIX) and the skew of addresses (D-JESD219-SKEW): JEDEC JESD219 (2010),
/// enterprise workload; 60 % writes from memory (D-JESD219-RW).
const JESD219: &str = "read = 0.4\nsizes = { \"512 B\" = 0.04, \"1 KiB\" = 0.01, \"1.5 KiB\" = 0.01, \
    \"2 KiB\" = 0.01, \"2.5 KiB\" = 0.01, \"3 KiB\" = 0.01, \"3.5 KiB\" = 0.01, \"4 KiB\" = 0.67, \
    \"8 KiB\" = 0.1, \"16 KiB\" = 0.07, \"32 KiB\" = 0.03, \"64 KiB\" = 0.03 }\n\
    skew = { bands = [[0.05, 0.5], [0.15, 0.3], [0.8, 0.2]] }\n";

/// Claim:   the generator reproduces the published size mix and address bands.
/// Method:  one million commands, seed 19; 4,096 blocks, so that the blocks of a band are told apart by their counts.
/// Alarm:   the standard errors are 0.05 % of a share of 0.5 and 1 % of a share of 0.01, tolerances 1 % and 5 %: 1e-6.
/// Catches: 1 % of a large share, a band of the wrong size.
#[test]
fn the_endurance_workload_has_the_published_sizes_and_bands() {
    let text = format!(
        "[run]\nseed = 19\n[design.cpu]\ncores = 1\nservice = \"1 ns\"\n\
         [[class]]\nname = \"jesd219\"\nmachines = 1\nload = {{ rate = \"1000/s\" }}\n\
         capacity = \"16 MiB\"\nextent = \"4 KiB\"\n{JESD219}"
    );
    let scenario = scenario(&text);
    let mut sources = Sources::new(&scenario.classes, Key::root(19), &[None], 1.0);
    let (source, mut at) = sources.start()[0];
    let (mut sizes, mut blocks, mut writes) = (HashMap::new(), HashMap::new(), 0u32);
    let count = 1_000_000;
    for _ in 0..count {
        let (request, next) = sources.arrive(source, at);
        at = next.expect("an open load goes on");
        *sizes.entry(request.bytes).or_insert(0u32) += 1;
        writes += u32::from(request.operation == Operation::Write);
        // Requests that would leave the volume are moved inside: the smallest lie where they were drawn.
        if request.bytes <= 4096 {
            *blocks.entry(request.address / 4096).or_insert(0u32) += 1;
        }
    }
    let share = |bytes: u32| f64::from(sizes[&bytes]) / f64::from(count);
    let known =
        [(512, 0.04), (1024, 0.01), (1536, 0.01), (2048, 0.01), (2560, 0.01), (3072, 0.01), (3584, 0.01)];
    let larger = [(4096, 0.67), (8192, 0.1), (16384, 0.07), (32768, 0.03), (65536, 0.03)];
    for (bytes, known) in known.into_iter().chain(larger) {
        let within = if known > 0.5 { 0.01 } else { 0.05 };
        assert!((share(bytes) / known - 1.0).abs() < within, "{bytes}: {}", share(bytes));
    }
    let mean =
        sizes.iter().map(|(bytes, n)| f64::from(*bytes) * f64::from(*n)).sum::<f64>() / f64::from(count);
    assert!((mean / 7818.24 - 1.0).abs() < 0.01, "mean {mean} B");
    assert!((f64::from(writes) / f64::from(count) - 0.6).abs() < 0.003);
    let mut counts: Vec<u32> = blocks.into_values().collect();
    counts.sort_unstable_by(|a, b| b.cmp(a));
    let total: u32 = counts.iter().sum();
    let top = |from: usize, to: usize| f64::from(counts[from..to].iter().sum::<u32>()) / f64::from(total);
    // 5 % of 4,096 blocks are 205, and 15 % more 614.
    for (found, known) in [(top(0, 205), 0.5), (top(205, 819), 0.3), (top(819, counts.len()), 0.2)] {
        assert!((found / known - 1.0).abs() < 0.01, "{found}, {known}");
    }
}

/// Claim:   a drive under skewed writes programs what D-WA-HOTCOLD says of one stream for all: more than uniform writes.
/// Method:  flash bytes against bytes written in the ledger, 4 KiB writes in bands of 20 % and 80 %.
/// Alarm:   the cleaner's share is counted out, not drawn; a program more or less at the edges is 0.1 %.
/// Catches: skew left out (13 % less), cleaning counted twice.
#[test]
fn skewed_writes_cost_a_drive_more_flash() {
    let text = |skew: &str| {
        format!(
            "[run]\nseed = 2\nreplications = 2\nwarm_up = \"100 ms\"\nlength = \"1 s\"\n\
             [design.drives]\ncount = 1\npart = \"nvme-gen4-read-centric-3840\"\n\
             [[class]]\nname = \"w\"\nmachines = 1\nload = {{ rate = \"20000/s\" }}\nread = 0\n\
             sizes = \"4 KiB\"\ncapacity = \"3.2 TB\"\n{skew}"
        )
    };
    let flash = |skew: &str| {
        let outcome = answer(&text(skew));
        let find = |name: &str| outcome.ledger.iter().find(|row| row.level == name).expect("a level");
        find("flash").write_bytes_per_s / find("drives").write_bytes_per_s
    };
    let scenario = scenario(&text(""));
    let us = forebay::engine::SimDuration::from_us;
    let command = forebay::engine::SimDuration::from_ns(1100);
    let solved = forebay::system::Solved { units: 86, command, program: us(600), suspend: us(500) };
    let plan = Arc::new(Plan::compile(&scenario, Some(solved)).expect("sound ratings"));
    let rated = plan.drive().expect("a part").rated_amplification;
    let spare = spare_at(fifo_spare(rated), 3.2 / 3.84);
    let heats = [Heat { space: 0.2, writes: 0.8 }, Heat { space: 0.8, writes: 0.2 }];
    for (skew, known) in [
        ("", fifo_amplification(spare)),
        ("skew = { bands = [[0.2, 0.8], [0.8, 0.2]] }", mixed_amplification(spare, &heats)),
    ] {
        let found = flash(skew);
        println!("{skew}: {found}, {known}");
        assert!((found / known - 1.0).abs() < 0.01, "{skew}: {found}, {known}");
    }
}
