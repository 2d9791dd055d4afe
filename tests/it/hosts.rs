//! Hosts: what their links carry, what their queues let through, and that a wait for a slot has a name.

use forebay::theory::links;
use forebay::theory::networks::{Centre, mva};

use crate::runs::{answer, class, ends, latency, row};

/// `machines` that keep `in_flight` requests of 64 KiB each outstanding, on `hosts` of 10 GbE before four ports of
/// 25 GbE.
fn large(hosts: u32, machines: u32, in_flight: u32, read: u32) -> String {
    format!(
        "[run]\nseed = 9\nreplications = 2\nwarm_up = \"20 ms\"\nlength = \"200 ms\"\n[design.ports]\ncount = 4\n\
         rate = \"25 Gb/s\"\nmtu = 9000\nlatency = \"2 us\"\n[design.hosts]\ncount = {hosts}\nrate = \"10 Gb/s\"\n[[class]]\n\
         name = \"large\"\nmachines = {machines}\nload = {{ in_flight = {in_flight} }}\nread = {read}\nsizes = \"64 KiB\"\n"
    )
}

/// Claim:   four hosts of 10 GbE bind before four ports of 25 GbE: reads and writes of 64 KiB get what TCP leaves
///          of 4 × 10 Gb/s, and the static column says so.
/// Alarm:   closed loops of fixed services over 200 ms vary by less than 0.2 %: never. Catches: 2 %.
#[test]
fn hosts_of_10_gbe_bind_before_ports_of_25() {
    // A read's data brings data header and response (48 bytes); a write's data a header (24), and its command
    // goes ahead in a packet of its own.
    let wire = [
        links::tcp_wire_bytes((64 << 10) + 48, 9000),
        links::tcp_wire_bytes((64 << 10) + 24, 9000) + links::tcp_wire_bytes(72, 9000),
    ];
    for (read, station, bytes) in [(1, "hosts.rx", wire[0]), (0, "hosts.tx", wire[1])] {
        let outcome = answer(&large(4, 16, 8, read));
        let expected = 4.0 * 10e9 / 8.0 / bytes as f64;
        let found = outcome.carried.iops.value.expect("a rate");
        println!("read {read}: {found:.0}/s, expected {expected:.0}");
        assert!((found / expected - 1.0).abs() < 0.02, "read {read}: {found}, expected {expected}");
        assert_eq!(outcome.verdict.binding.as_deref(), Some(station));
        let still = outcome.verdict.static_ceiling_iops.expect("a ceiling");
        assert!((still / expected - 1.0).abs() < 0.001, "read {read}: static {still}");
    }
}

/// Payload efficiency of frames of 9,000 bytes (L-ETH): the ceiling above is 99 % of 10 GbE a host.
#[test]
fn the_ceiling_of_a_host_is_the_efficiency_of_its_frames() {
    let share = f64::from(64 << 10) / links::tcp_wire_bytes((64 << 10) + 48, 9000) as f64;
    let full = links::ethernet_efficiency(9000.0, 52.0, 38.0);
    assert!((share / full - 1.0).abs() < 0.003, "{share} {full}");
}

/// Claim:   a queue of one lets one request through for each host, whatever its machines would ask: three hosts of
///          four machines with four requests each are a closed network of three customers (M. Reiser & S. S.
///          Lavenberg 1980), and by Little's law the time past the gate is 3 ÷ throughput.
/// Method:  two cores of 40 us and three drives of 60 us, exponential; 8 replications of 1.5 s, t at 99.99 %, seed 9.
/// Alarm:   1e-4, twice. Catches: 1 % in the rate.
#[test]
fn a_queue_of_one_is_a_closed_loop_of_one_a_host() {
    let text = format!(
        "[run]\nseed = 9\nreplications = 8\nwarm_up = \"50 ms\"\nlength = \"1500 ms\"\nconfidence = 0.9999\n\
         [design.ports]\nrate = \"1.6 Tb/s\"\ntransport = \"raw\"\n[design.hosts]\ncount = 3\nrate = \"1.6 Tb/s\"\n\
         queue_depth = 1\n[design.cpu]\ncores = 2\nservice = {{ mean = \"40 us\", shape = \"exponential\" }}\n\
         [design.drives]\ncount = 3\nservice = {{ mean = \"60 us\", shape = \"exponential\" }}\n{}",
        class("requests", "{ in_flight = 4 }").replace("machines = 1", "machines = 12")
    );
    let drive = Centre::single(60.0 / 3.0);
    let centres = [Centre { demand: 40.0, servers: 2 }, drive, drive, drive];
    let known = mva(&centres, 0.0, 3);
    let outcome = answer(&text);
    let (low, high) = ends(&outcome.carried.iops);
    let rate = known.throughput * 1e6;
    println!("{low:.0} to {high:.0}/s, expected {rate:.0}");
    assert!(low <= rate && rate <= high, "{low} to {high}, {rate}");
    assert!((high - low) / rate < 0.02, "{low} to {high} would catch little");
    // 48 tokens in all: what is past the gates is 3, the others wait for a slot.
    let blamed = outcome
        .blame
        .iter()
        .find(|b| b.station == "hosts.queue" && b.above == "all" && b.class == "requests");
    let mean = latency(&outcome, "mean").value.expect("a mean");
    let past = mean - blamed.expect("the wait has a name").wait_us;
    let little = 3.0 / outcome.carried.iops.value.expect("a rate") * 1e6;
    println!("past the gate {past:.2} us, by Little's law {little:.2}");
    assert!((past / little - 1.0).abs() < 0.01, "{past} us past the gate, {little} by Little's law");
}

/// A read of 1 MiB takes 8.4 ms at 1 Gb/s of a host: whole, it holds a small one for all of that; in turns of
/// 64 KiB it does not.
#[test]
fn large_transfers_take_turns_at_hosts() {
    let p99 = |quantum: &str| {
        let text = format!(
            "[run]\nseed = 8\nreplications = 4\nwarm_up = \"1 s\"\nlength = \"20 s\"\n[design.ports]\ncount = 1\n\
             rate = \"100 Gb/s\"\ntransport = \"raw\"\nquantum = \"{quantum}\"\n[design.hosts]\ncount = 1\nrate = \"1 Gb/s\"\n\
             [[class]]\nname = \"large\"\nmachines = 1\nload = {{ rate = \"72/s\" }}\nread = 1\nsizes = \"1 MiB\"\n{}",
            class("small", "{ rate = \"1000/s\" }")
        );
        row(&answer(&text), "small", "read").latency_us["p99"].value.expect("a p99")
    };
    let (in_turns, whole) = (p99("64 KiB"), p99("16 MiB"));
    assert!(whole > 8_400.0, "whole: {whole} us");
    assert!(in_turns < whole / 4.0, "in turns: {in_turns} us, whole: {whole} us");
}
