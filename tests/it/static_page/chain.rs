//! Hops of the bandwidth chain.

use forebay::outcome::CheckOutcome;
use proptest::prelude::*;

use super::{assert_near, closed, hop, page_of};
use crate::runs::answer;

const DRIVES: &str = "[design.drives]\ncount = 24\npart = \"nvme-gen3-mixed-use-1600\"\n";

fn reads_of(page: &CheckOutcome, name: &str) -> f64 {
    hop(page, name).read_bytes_per_s.expect("reads pass it")
}

fn writes_of(page: &CheckOutcome, name: &str) -> f64 {
    hop(page, name).write_bytes_per_s.expect("writes pass it")
}

/// L-ETH: TCP payload of 25 Gb/s at an MTU of 1500 (timestamps) is 0.9414824 of 3,125 MB/s. By hand a read of 1 MiB and
/// 48 bytes of the protocol take 725 packets of 1448 and 90 more bytes each.
#[test]
fn a_port_carries_the_payload_of_its_frames() {
    let ports = "[design.ports]\ncount = 2\nrate = \"25 Gb/s\"\nmtu = 1500\ntransport = \"tcp\"\n";
    let page = page_of(&format!("{ports}{}", closed(0.5, "1 MiB")));
    let megabyte = f64::from(1 << 20);
    let read = 2.0 * 3.125e9 * megabyte / (megabyte + 48.0 + 725.0 * 90.0);
    assert_near("by hand", reads_of(&page, "ports"), read, 1e-9);
    assert_near("L-ETH", reads_of(&page, "ports"), 2.0 * 0.9414824 * 3.125e9, 2e-4);
    assert_eq!(hop(&page, "ports").read_bound.as_deref(), Some("ports.tx"));
    // A write's data comes alone after a command of 72 bytes: 24 more, then 72 and 90.
    let write = 2.0 * 3.125e9 * megabyte / (megabyte + 24.0 + 725.0 * 90.0 + 162.0);
    assert_near("writes", writes_of(&page, "ports"), write, 1e-9);
    assert_eq!(hop(&page, "ports").write_bound.as_deref(), Some("ports.rx"));
    // Hosts in front are a hop of their own, at their own rate.
    let hosts = format!("{ports}[design.hosts]\ncount = 3\nrate = \"10 Gb/s\"\n{}", closed(0.5, "1 MiB"));
    let page = page_of(&hosts);
    assert_near("hosts", reads_of(&page, "hosts"), read * 1.5 / 2.5, 1e-9);
    assert_eq!(hop(&page, "hosts").members, 3);
    assert_eq!(page.bandwidth.expect("a chain").narrowest_read.as_deref(), Some("hosts"));
}

/// L-SHARE, L-PCIE-TLP: an x8 pipe of generation 3 carries 7,876.923 MB/s coded, 256 of 280 bytes of it payload. By
/// hand a read of 64 KiB and its completion of 16 bytes take 257 packets.
#[test]
fn uplinks_carry_the_payload_of_their_packets() {
    let fabric = "[design.fabric]\nshape = \"uplinks\"\nuplinks = 3\nlink = \"pcie-gen3-x8\"\n";
    let page = page_of(&format!("{fabric}{DRIVES}{}", closed(0.5, "64 KiB")));
    let coded = 8.0 * 8e9 * 128.0 / 130.0 / 8.0;
    let read = 3.0 * coded * 65536.0 / (65536.0 + 16.0 + 257.0 * 24.0);
    assert_near("by hand", reads_of(&page, "fabric.uplinks"), read, 1e-6);
    assert_near("published", reads_of(&page, "fabric.uplinks"), 3.0 * 7876.923e6 * 256.0 / 280.0, 2e-3);
    // 24 drives of 3,200 MB/s behind x4 links: the rating, and the link that could carry more.
    assert_near("rating", reads_of(&page, "drives.rating"), 24.0 * 3.2e9, 1e-9);
    assert_near("links", reads_of(&page, "drives.link"), 24.0 * 3600.879e6, 2e-3);
    assert_near("writes", writes_of(&page, "drives.rating"), 24.0 * 2e9, 1e-9);
    let chain = page.bandwidth.expect("a chain");
    let names: Vec<&str> = chain.hops.iter().map(|hop| hop.hop.as_str()).collect();
    assert_eq!(names, ["fabric.uplinks", "drives.link", "drives.rating"]);
    let narrowest = Some("fabric.uplinks");
    assert_eq!((chain.narrowest_read.as_deref(), chain.narrowest_write.as_deref()), (narrowest, narrowest));
}

/// Half of the drives hang on each branch of a root: in bytes of the hosts a branch counts twice.
#[test]
fn a_branch_of_a_tree_counts_by_the_drives_behind_it() {
    let link =
        |name: &str, more: &str| format!("[design.fabric.links.{name}]\nlink = \"pcie-gen3-x8\"\n{more}");
    let tree = format!(
        "[design.fabric]\nshape = \"tree\"\n{}{}{}",
        link("root", ""),
        link("left", "parent = \"root\"\ndrives = [0, 11]\n"),
        link("right", "parent = \"root\"\ndrives = [12, 23]\n")
    );
    let page = page_of(&format!("{tree}{DRIVES}{}", closed(1.0, "64 KiB")));
    for branch in ["fabric.left", "fabric.right"] {
        assert_near(branch, reads_of(&page, branch), 2.0 * reads_of(&page, "fabric.root"), 1e-9);
    }
    assert_eq!(page.bandwidth.expect("a chain").narrowest_read.as_deref(), Some("fabric.root"));
}

/// R-ENDUR, R-EFF: bytes at the drives for a byte of the hosts are 2 of a mirror, 10/8 of a full stripe of 8 + 2; a
/// small write of double parity writes 3 and reads 3 (R-PENALTY).
#[test]
fn a_byte_of_the_hosts_is_more_bytes_at_the_drives() {
    let of = |layout: &str, size: &str| {
        let drives = "[design.drives]\ncount = 20\npart = \"nvme-gen3-mixed-use-1600\"\n";
        page_of(&format!("[design.layout]\nchunk = \"64 KiB\"\n{layout}\n{drives}{}", closed(0.5, size)))
    };
    let bare = of("", "512 KiB");
    assert_near("none", writes_of(&bare, "drives.rating"), 20.0 * 2e9, 1e-9);
    let mirror = of("protection = \"mirror-2\"", "512 KiB");
    assert_near("mirror", writes_of(&mirror, "drives.rating"), 20.0 * 2e9 / 2.0, 1e-9);
    let parity = "protection = \"double-parity\"\ngroup = 10";
    let stripes = of(parity, "512 KiB");
    assert_near("full stripes", writes_of(&stripes, "drives.rating"), 20.0 * 2e9 * 0.8, 1e-9);
    assert_near("reads", reads_of(&stripes, "drives.rating"), 20.0 * 3.2e9, 1e-9);
    let small = of(parity, "4 KiB");
    let each = 3.0 / 3.2e9 + 3.0 / 2e9;
    assert_near("small", writes_of(&small, "drives.rating"), 20.0 / each, 1e-9);
}

/// Both logs of two controllers hold every byte, in whole blocks of 4 KiB; its copy crosses the partner link one way.
/// Memory is crossed as often as its passes say. Where requests come to any port, half of them cross the link too.
#[test]
fn the_hops_of_two_controllers_count_every_copy() {
    let design = |mode: &str, spread: &str| {
        format!(
            "[design.controllers]\ncount = 2\nmode = \"{mode}\"\npartner = {{ link = \"pcie-gen4-x8\" }}\n\
             [design.ports]\ncount = 2\nrate = \"100 Gb/s\"\nspread = \"{spread}\"\n\
             [design.log]\nsize = \"4 GiB\"\nrate = \"6 GB/s\"\n[design.memory]\nsize = \"64 GiB\"\n\
             bandwidth = \"80 GB/s\"\npasses = {{ receive = 2, reduce = 0, send = 3 }}\n[design.drives]\n\
             count = 24\nservice = \"10 us\"\nsplit = true\n{}",
            closed(0.5, "64 KiB")
        )
    };
    let page = page_of(&design("active-active", "per-machine"));
    assert_near("log", writes_of(&page, "log"), 6e9, 1e-6);
    assert_near("memory, in", writes_of(&page, "memory"), 2.0 * 80e9 / 2.0, 1e-6);
    assert_near("memory, out", reads_of(&page, "memory"), 2.0 * 80e9 / 3.0, 1e-6);
    // 64 KiB with a command of 64 bytes in 257 packets; a message of 64 bytes in one comes back the same way.
    let coded = 8.0 * 16e9 * 128.0 / 130.0 / 8.0;
    let (data, short) = (65536.0 + 64.0 + 257.0 * 24.0, 64.0 + 24.0);
    let both = 2.0 * coded * 65536.0 / (data + short);
    assert_near("link", writes_of(&page, "controllers.link"), both, 1e-6);
    assert_eq!(hop(&page, "controllers.link").read_bytes_per_s, None);
    assert_eq!(hop(&page, "controllers.link").reason.as_deref(), Some("reads ask nothing of it"));
    let page = page_of(&design("active-active", "per-request"));
    assert_near("foreign reads", reads_of(&page, "controllers.link"), 2.0 * both, 1e-6);
    assert_near("foreign writes", writes_of(&page, "controllers.link"), both / 1.5, 1e-6);
    let page = page_of(&design("active-standby", "per-machine"));
    assert_near("standby", writes_of(&page, "controllers.link"), coded * 65536.0 / data, 1e-6);
}

/// The chain and the ceilings by requests are one arithmetic: a hop is as busy as its busier station, and of a hop
/// without directions the shares of reads and of writes make up the whole.
#[test]
fn the_chain_agrees_with_the_ceilings() {
    let text = std::fs::read_to_string("workloads/emberley-everything.toml").expect("shipped");
    let page = page_of(&text);
    for name in ["ports", "memory", "controllers.link", "log"] {
        let hop = hop(&page, name);
        let of_it = page.ceilings.iter().filter(|row| row.station.starts_with(name));
        let busiest = of_it.filter_map(|row| row.utilisation).fold(0.0, f64::max);
        assert_near(name, hop.utilisation.expect("offered"), busiest, 1e-12);
    }
    for name in ["memory", "controllers.link", "log", "drives.rating"] {
        let hop = hop(&page, name);
        let both = hop.read_share.unwrap_or(0.0) + hop.write_share.unwrap_or(0.0);
        // Times are whole picoseconds, and sizes means of several.
        assert_near(name, both, hop.utilisation.expect("offered"), 1e-6);
    }
}

proptest! {
    #![proptest_config(ProptestConfig {
        cases: 24,
        rng_seed: proptest::test_runner::RngSeed::Fixed(0x57A7_1C00),
        ..ProptestConfig::default()
    })]

    /// What is offered is shared out: twice the members carry twice the bytes, at any mix and size.
    #[test]
    fn twice_the_links_carry_twice_the_bytes(
        count in 1u32..9, read in 0.1f64..0.9, power in 2u32..10, groups in 1u32..4
    ) {
        let of = |times: u32| {
            page_of(&format!(
                "[design.ports]\ncount = {}\nrate = \"25 Gb/s\"\n[design.fabric]\nshape = \"uplinks\"\nuplinks = {}\n\
                 link = \"pcie-gen3-x8\"\n[design.layout]\nprotection = \"single-parity\"\ngroup = 5\n[design.drives]\n\
                 count = {}\nservice = \"10 us\"\nsplit = true\n{}",
                count * times, count * times, 5 * groups, closed(read, &format!("{} KiB", 1 << power))
            ))
        };
        let (once, twice) = (of(1), of(2));
        for name in ["ports", "fabric.uplinks"] {
            prop_assert!((reads_of(&twice, name) / reads_of(&once, name) - 2.0).abs() < 1e-12);
            prop_assert!((writes_of(&twice, name) / writes_of(&once, name) - 2.0).abs() < 1e-12);
        }
    }
}

/// Claim:   a saturated run of large transfers carries what the narrowest hop of the chain says, wherever it lies.
/// Method:  two replications of closed loops, seed 5; bytes carried against the chain, and the run's own binding
///          station against the hop. Services are fixed by size, so windows of 60 ms vary by well under 1 %.
/// Alarm:   never, by the same token. Catches: 2 %.
#[test]
fn a_saturated_run_carries_what_the_narrowest_hop_says() {
    // Transfers that take turns end together: of a window that would count three batches or four.
    let ports = "[design.ports]\ncount = 2\nrate = \"25 Gb/s\"\nquantum = \"1 MiB\"\n";
    let fabric = "[design.fabric]\nshape = \"uplinks\"\nuplinks = 2\nlink = \"pcie-gen3-x8\"\n";
    let few = "[design.drives]\ncount = 4\npart = \"nvme-gen3-mixed-use-1600\"\n";
    let mirror = "[design.layout]\nprotection = \"mirror-2\"\n";
    let cases: [(&str, String, f64, &str, &str); 6] = [
        ("ports read", format!("{ports}{DRIVES}"), 1.0, "ports", "ports.tx"),
        ("ports written", format!("{ports}{DRIVES}"), 0.0, "ports", "ports.rx"),
        ("uplinks read", format!("{fabric}{DRIVES}"), 1.0, "fabric.uplinks", "fabric.uplinks.up"),
        ("uplinks written", format!("{fabric}{DRIVES}"), 0.0, "fabric.uplinks", "fabric.uplinks.down"),
        ("drives read", few.into(), 1.0, "drives.rating", "drives.link"),
        ("mirrors written", format!("{mirror}{few}"), 0.0, "drives.rating", "drives.unit"),
    ];
    for (what, design, read, narrowest, binding) in cases {
        let run = "[run]\nseed = 5\nreplications = 2\nwarm_up = \"40 ms\"\nlength = \"60 ms\"\n";
        let text = format!(
            "{run}{design}{}sequential = 1\nstreams = 2\nrun_length = \"1 GiB\"\n",
            closed(read, "1 MiB")
        );
        let chain = page_of(&text).bandwidth.expect("a chain");
        let (name, of): (_, fn(&forebay::outcome::HopRow) -> Option<f64>) = match read {
            1.0 => (chain.narrowest_read.as_deref(), |hop| hop.read_bytes_per_s),
            _ => (chain.narrowest_write.as_deref(), |hop| hop.write_bytes_per_s),
        };
        assert_eq!(name, Some(narrowest), "{what}");
        let hop = chain.hops.iter().find(|hop| hop.hop == narrowest).expect("named");
        let expected = of(hop).expect("a figure");
        let outcome = answer(&text);
        let carried = [&outcome.carried.read_bytes_per_s, &outcome.carried.write_bytes_per_s];
        let found = carried.iter().map(|figure| figure.value.expect("carried")).sum();
        println!("{what}: {:.0} MB/s, chain {:.0}", found / 1e6, expected / 1e6);
        assert_eq!(outcome.verdict.binding.as_deref(), Some(binding), "{what}");
        assert_near(what, found, expected, 0.02);
    }
}

/// Claim:   where requests come to either controller's port, half of their data crosses the partner link, and the link
///          holds the whole to twice what its two directions carry.
/// Method:  two replications of 1,024 closed requests of 64 KiB, seed 5, for 400 ms: some 22,000 of them cross. With
///          these held to the link's rate, those that do not vary by 0.5 % about as many.
/// Alarm:   nominal 1e-4 whenever draws change. Catches: 4 % with 99 % power.
#[test]
fn a_partner_link_holds_back_what_comes_to_the_other_controller() {
    let design = format!(
        "[run]\nseed = 5\nreplications = 2\nwarm_up = \"100 ms\"\nlength = \"400 ms\"\n[design.controllers]\ncount = 2\n\
         partner = {{ link = \"pcie-gen3-x1\" }}\n[design.ports]\ncount = 2\nrate = \"100 Gb/s\"\nspread = \"per-request\"\n\
         {DRIVES}{}",
        closed(1.0, "64 KiB").replace("in_flight = 8", "in_flight = 64")
    );
    let page = page_of(&design);
    assert_eq!(page.static_binding.as_deref(), Some("controllers.link"));
    let outcome = answer(&design);
    let found = outcome.carried.read_bytes_per_s.value.expect("carried");
    println!("{:.0} MB/s, chain {:.0}", found / 1e6, reads_of(&page, "controllers.link") / 1e6);
    assert_eq!(outcome.verdict.binding.as_deref(), Some("controllers.link"));
    assert_near("partner link", found, reads_of(&page, "controllers.link"), 0.02);
}
