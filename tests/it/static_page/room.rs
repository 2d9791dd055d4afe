//! Capacity, memory and lanes.

use forebay::outcome::CapacityPage;
use proptest::prelude::*;

use super::{assert_near, page_of};

const GIB: u64 = 1 << 30;

fn drives(count: u32) -> String {
    format!("[design.drives]\ncount = {count}\npart = \"sata-read-centric-1920\"\n")
}

fn class(machines: u32, more: &str) -> String {
    format!(
        "[[class]]\nname = \"desktops\"\nmachines = {machines}\nload = {{ rate = \"1/s\" }}\nread = 0.5\n\
         sizes = \"4 KiB\"\ncapacity = \"100 GiB\"\n{more}\n"
    )
}

fn capacity(layout: &str, count: u32) -> CapacityPage {
    page_of(&format!("[design.layout]\n{layout}\n{}{}", drives(count), class(10, "")))
        .capacity
        .expect("drives of a size")
}

/// By hand: 14 drives of 1.92 TB, two of them spares, 10/12 of the rest data: 19.2 TB; a tenth kept free. 300 machines of
/// 100 GiB that compress 2 to 1, a quarter duplicates: 32.2 TB given, 12.1 TB stored.
#[test]
fn raw_becomes_room_step_by_step() {
    let layout = "[design.layout]\nprotection = \"double-parity\"\ngroup = 12\nspares = 2\nwrites = \"log-structured\"\n\
                  reserve = 0.1\n";
    let reduces = "compress = 2\ncompress_spread = 0\nduplicate = 0.25";
    let text = format!("{layout}[design.reduction]\n{}{}", drives(14), class(300, reduces));
    let page = page_of(&text).capacity.expect("drives of a size");
    let tb = |bytes: f64| (bytes / 1e9).round() / 1e3;
    assert_eq!((tb(page.raw_bytes), tb(page.spares_bytes), tb(page.redundancy_bytes)), (26.88, 3.84, 3.84));
    assert_eq!((tb(page.usable_bytes), tb(page.reserve_bytes), tb(page.room_bytes)), (19.2, 1.92, 17.28));
    let given = 300.0 * 100.0 * GIB as f64;
    assert_eq!((page.given_bytes, page.stored_bytes), (given, given * 0.375));
    assert_near("fill", page.fill, given * 0.375 / 17.28e12, 1e-12);
    assert_near("effective", page.effective_bytes.expect("some"), 17.28e12 / 0.375, 1e-12);
    assert_eq!(page.machines_that_fit, Some((17.28e12 / (0.375 * 100.0 * GIB as f64)) as u64));
    assert_eq!((page.classes[0].given_bytes, page.classes[0].fill), (given, page.fill));
}

proptest! {
    #![proptest_config(ProptestConfig {
        cases: 24,
        rng_seed: proptest::test_runner::RngSeed::Fixed(0x57A7_1C01),
        ..ProptestConfig::default()
    })]

    /// Half the drives hold half; the schemes differ by N/(N + p) alone (R-EFF).
    #[test]
    fn half_the_drives_hold_half_and_schemes_differ_by_their_share(groups in 1u32..5, half in 2u32..7) {
        let width = 2 * half;
        let count = 2 * width * groups;
        let bare = capacity("", count);
        let near = |found: f64, expected: f64| (found / expected - 1.0).abs() < 1e-12;
        let schemes = [
            (String::new(), 1.0),
            ("protection = \"mirror-2\"".into(), 0.5),
            (format!("protection = \"single-parity\"\ngroup = {width}"), 1.0 - 1.0 / f64::from(width)),
            (format!("protection = \"double-parity\"\ngroup = {width}"), 1.0 - 2.0 / f64::from(width)),
        ];
        for (layout, share) in schemes {
            let (all, halved) = (capacity(&layout, count), capacity(&layout, count / 2));
            prop_assert!(near(all.raw_bytes, 2.0 * halved.raw_bytes) && near(all.room_bytes, 2.0 * halved.room_bytes));
            prop_assert!(near(all.room_bytes, share * bare.raw_bytes), "{layout}: {all:?}");
            prop_assert!(near(all.fill * all.room_bytes, all.stored_bytes));
        }
    }
}

/// By hand: 300 machines of 100 GiB in blocks of 32 KiB are 983,040,000 entries of 24 B, and 60 % of them fingerprints
/// of 80 B. A log of 1 GiB and the map leave what they leave of 32 GiB, short of the index.
#[test]
fn an_index_that_does_not_fit_says_what_misses() {
    let text = |size: &str| {
        format!(
            "[design.layout]\nwrites = \"log-structured\"\n[design.reduction]\n[design.memory]\nsize = \"{size}\"\n\
             [design.log]\nsize = \"1 GiB\"\nrate = \"1 GB/s\"\n[design.cache]\nshare = 0.5\n{}{}",
            drives(24),
            class(300, "duplicate = 0.4")
        )
    };
    let (map, index) = (983_040_000 * 24, 589_824_000 * 80);
    let memory = page_of(&text("32 GiB")).memory.expect("stated");
    assert_eq!((memory.log.all_bytes, memory.map.all_bytes, memory.index.all_bytes), (GIB, map, index));
    let room = 31 * GIB - map;
    assert_near("misses", memory.index_misses, 1.0 - room as f64 / index as f64, 1e-12);
    assert_eq!(memory.overflow.all_bytes, index - room);
    assert_eq!((memory.cache.all_bytes, memory.left.all_bytes, memory.map_misses[0].share), (0, 0, 0.0));
    // Of a roomy one half of the rest is cache, and nothing misses.
    let memory = page_of(&text("128 GiB")).memory.expect("stated");
    let rest = 127 * GIB - map - index;
    assert_eq!((memory.cache.all_bytes, memory.left.all_bytes), (rest / 2, rest - rest / 2));
    assert_eq!((memory.overflow.all_bytes, memory.index_misses), (0, 0.0));
}

#[test]
fn both_controllers_bring_their_memory_and_hold_the_log() {
    let text = "[design.controllers]\ncount = 2\npartner = { link = \"pcie-gen4-x8\" }\n[design.memory]\nsize = \"64 GiB\"\n\
                [design.log]\nsize = \"4 GiB\"\nrate = \"1 GB/s\"\n";
    let memory = page_of(&format!("{text}{}{}", drives(4), class(1, ""))).memory.expect("stated");
    assert_eq!((memory.controllers, memory.size.all_bytes, memory.log.all_bytes), (2, 128 * GIB, 8 * GIB));
    assert_eq!((memory.size.each_bytes, memory.left.all_bytes), (64.0 * GIB as f64, 120 * GIB));
}

/// L-SHARE's shapes: three x8 pipes are 24 lanes, 24 drives of x4 96; ports add theirs.
#[test]
fn lanes_are_counted_where_they_hang_on_the_processor() {
    let nvme = "[design.drives]\ncount = 24\npart = \"nvme-gen3-mixed-use-1600\"\n";
    let ports = "[design.ports]\ncount = 2\nrate = \"100 Gb/s\"\nlanes = 16\n";
    let uplinks = "[design.fabric]\nshape = \"uplinks\"\nuplinks = 3\nlink = \"pcie-gen3-x8\"\nlanes = 64\n";
    let lanes = |design: String| page_of(&format!("{design}{}", class(1, ""))).lanes;
    let direct = lanes(nvme.into()).expect("drives take some");
    assert_eq!((direct.taken, direct.budget, direct.takers[0].what.as_str()), (96, None, "drives"));
    assert!(direct.reason.is_some());
    let behind = lanes(format!("{uplinks}{ports}{nvme}")).expect("uplinks take some");
    assert_eq!((behind.taken, behind.budget), (24 + 32, Some(64)));
    let takers: Vec<_> =
        behind.takers.iter().map(|t| (t.what.as_str(), t.count, t.lanes_each, t.lanes)).collect();
    assert_eq!(takers, [("uplinks", 3, 8, 24), ("ports", 2, 16, 32)]);
    // A SATA drive hangs on a controller, and nobody says how.
    assert_eq!(lanes(drives(4)), None);
}
