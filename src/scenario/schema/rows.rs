//! The table of keys itself, in the order in which a scenario is written.

use super::Default::{Required, Value, Words};
use super::{Default, Kind, Range, Row};
use crate::scenario::units::Dimension::{BitRate, ByteRate, Bytes, PerSecond, Time, Years};

const CHOICE: &str = "project choice";
/// What no tool can know.
const OWN: &str = "the figure is yours: none is assumed";
const PRACTICE: &str = "common practice";

const fn range(low: &'static str, high: &'static str) -> Range {
    Range { low, low_is_out: false, high, high_is_out: false }
}

const fn above(low: &'static str, high: &'static str) -> Range {
    Range { low, low_is_out: true, high, high_is_out: false }
}

const fn between(low: &'static str, high: &'static str) -> Range {
    Range { low, low_is_out: true, high, high_is_out: true }
}

const fn row(
    path: &'static str,
    kind: Kind,
    default: Default,
    example: &'static str,
    source: &'static str,
    words: &'static str,
) -> Row {
    Row { path, kind, default, example, source, words }
}

const fn table(path: &'static str, kind: Kind, default: &'static str, words: &'static str) -> Row {
    row(path, kind, Words(default), "", CHOICE, words)
}

/// A service time: from a nanosecond to an hour.
const SERVICE: Kind = Kind::Law(range("1 ns", "1 h"), "fixed");
const SHARE: Kind = Kind::Number(range("0", "1"));
/// One request: a sector to a gibibyte.
const REQUEST: Range = range("512 B", "1 GiB");

/// Every key of a scenario.
#[rustfmt::skip]
pub const ROWS: &[Row] = &[
    row("title", Kind::Text, Words("the name of the file"), "\"Emberley Transit, candidate A\"", OWN,
        "What the scenario is called in answers."),

    table("run", Kind::Table, "every key at its default", "How to run the question."),
    row("run.seed", Kind::Whole(range("0", "18446744073709551615")), Value("1"), "7", CHOICE,
        "Master seed: the same scenario, seed and version give the same bytes out."),
    row("run.warm_up", Kind::AutoTime(range("0 s", "30 days"), "s"), Value("\"auto\""), "\"2 s\"", CHOICE,
        "Simulated time thrown away at the start of each replication; \"auto\" finds it by MSER-5 (White, Cobb & Spratt 2000)."),
    row("run.length", Kind::AutoTime(range("1 ms", "30 days"), "s"), Value("\"auto\""), "\"20 s\"", CHOICE,
        "Simulated time measured in each replication; \"auto\" goes on until `precision` is met."),
    row("run.length_max", Kind::Quantity(Time, range("1 ms", "30 days"), "s"), Value("\"600 s\""), "\"600 s\"", CHOICE,
        "Longest measured time that a replication may reach under `length = \"auto\"`."),
    row("run.precision", Kind::Number(range("0.001", "0.5")), Value("0.05"), "0.05", CHOICE,
        "Half-width of an interval, relative to its value, that `length = \"auto\"` works towards."),
    row("run.confidence", Kind::Number(range("0.5", "0.9999")), Value("0.95"), "0.95", PRACTICE,
        "Confidence of every interval."),
    row("run.replications", Kind::Whole(range("2", "1024")), Value("8"), "8", CHOICE,
        "Independent replications; intervals are t over them."),
    row("run.backlog_max", Kind::Whole(range("1000", "100000000")), Value("100000"), "100000", CHOICE,
        "Requests in the system beyond which a replication is given up as saturated."),

    table("design", Kind::Table, "none: a scenario needs one component at least",
        "The proposed design; a component that is left out is infinitely fast."),

    table("design.ports", Kind::Table, "no ports: requests arrive at once", "Front ports: a full-duplex link each, or a textbook station."),
    row("design.ports.count", Kind::Whole(range("1", "64")), Value("1"), "4", CHOICE,
        "Number of ports."),
    row("design.ports.spread", Kind::Choice(&["per-machine", "per-request"]), Value("\"per-machine\""), "\"per-machine\"", PRACTICE,
        "How a request chooses its port: machines keep one each, dealt out in turn, or every request draws one."),
    row("design.ports.rate", Kind::Quantity(BitRate, range("10 Mb/s", "1.6 Tb/s"), "Gb/s"), Words("none: give `rate` or `service`"), "\"25 Gb/s\"", "IEEE 802.3; INCITS T11 FC-PI",
        "Nominal rate of a port in each direction."),
    row("design.ports.mtu", Kind::Whole(range("576", "9216")), Words("1500 with tcp and rdma; no other transport has one"), "9000", "IEEE 802.3 (1500); larger ones are common practice",
        "Largest packet in bytes, IP header included."),
    row("design.ports.transport", Kind::Choice(&["tcp", "rdma", "fibre-channel", "raw"]), Value("\"tcp\""), "\"tcp\"", "RFC 9293; INCITS T11 FC-FS; raw is a project choice",
        "What carries the requests; raw is payload with no overhead at all."),
    row("design.ports.immediate", Kind::Quantity(Bytes, range("0 B", "1 MiB"), "KiB"), Value("\"8 KiB\""), "\"8 KiB\"", PRACTICE,
        "Largest write that carries its data with the command; a larger one waits one round trip more."),
    row("design.ports.latency", Kind::Quantity(Time, range("0 s", "1 s"), "us"), Value("\"0 s\""), "\"6 us\"", "project choice: no default latency is invented",
        "Switch and adapter, paid each way."),
    row("design.ports.quantum", Kind::Quantity(Bytes, range("4 KiB", "16 MiB"), "KiB"), Value("\"64 KiB\""), "\"64 KiB\"", PRACTICE,
        "Large transfers share a port in pieces of this size, so that small requests are not held behind them."),
    row("design.ports.service", SERVICE, Words("none: give `rate` or `service`"), "{ mean = \"4 us\", shape = \"exponential\" }", "textbook station (Kendall 1953)",
        "Makes a port a single server with this service time, visited once on the way in."),

    table("design.cpu", Kind::Table, "no processor: processing takes no time", "The storage processor."),
    row("design.cpu.cores", Kind::Whole(range("1", "4096")), Required, "16", OWN,
        "Number of cores that serve requests."),
    row("design.cpu.queue", Kind::Choice(&["shared", "per-port"]), Value("\"shared\""), "\"shared\"", "Kleinrock 1976: one queue is the optimistic bound",
        "One queue for all cores, or the cores divided evenly among the ports with a queue each."),
    row("design.cpu.read", SERVICE, Words("none: give `read` and `write`, or `service`"), "{ mean = \"18 us\", shape = \"lognormal\", cv = 0.5 }", OWN,
        "Time of a core for a read."),
    row("design.cpu.write", SERVICE, Words("none: give `read` and `write`, or `service`"), "{ mean = \"26 us\", shape = \"lognormal\", cv = 0.5 }", OWN,
        "Time of a core for a write."),
    row("design.cpu.service", SERVICE, Words("none: give `read` and `write`, or `service`"), "{ mean = \"24 us\", shape = \"exponential\" }", "textbook station (Kendall 1953)",
        "Time of a core for a request, read or write alike."),

    table("design.fabric", Kind::Table, "direct links", "Links from the processor to the drives."),
    row("design.fabric.shape", Kind::Choice(&["direct", "uplinks"]), Value("\"direct\""), "\"uplinks\"", CHOICE,
        "Each drive on its own link, or drives sharing uplinks: drive d hangs on uplink d mod `uplinks`."),
    row("design.fabric.uplinks", Kind::Whole(range("1", "256")), Words("none: due with `shape = \"uplinks\"`"), "3", OWN,
        "Number of uplinks."),
    row("design.fabric.link", Kind::Link, Words("none: due with `shape = \"uplinks\"`"), "\"pcie-gen3-x8\"", "PCI Express Base Specification; INCITS T10 SAS-3, SAS-4",
        "Each uplink."),
    row("design.fabric.hop", Kind::Quantity(Time, range("0 s", "1 ms"), "ns"), Value("\"500 ns\""), "\"500 ns\"", PRACTICE,
        "Time in the switch, each time an uplink is crossed."),
    row("design.fabric.max_payload", Kind::PowerOfTwoBytes(range("128 B", "4096 B"), "B"), Value("\"256 B\""), "\"256 B\"", "PCI Express Base Specification (range); 256 is common practice",
        "Largest payload of a PCIe packet in bytes."),
    row("design.fabric.lanes", Kind::Whole(range("1", "1024")), Words("no budget: lanes are not checked"), "128", OWN,
        "PCIe lanes that the processor has for uplinks or drives; checked."),

    table("design.drives", Kind::Table, "no drives: storage takes no time", "The drives."),
    row("design.drives.count", Kind::Whole(range("1", "10000")), Required, "22", OWN,
        "Number of drives."),
    row("design.drives.part", Kind::Text, Words("none: give `part` or `service`"), "\"nvme-gen4-read-centric-3840\"", OWN,
        "Name of a part: [parts.NAME] in the file, or one of the catalogue."),
    row("design.drives.service", SERVICE, Words("none: give `part` or `service`"), "{ mean = \"24 us\", shape = \"exponential\" }", "textbook station (Kendall 1953)",
        "Makes a drive a single server with this service time; a request goes whole to one drive drawn at random."),
    row("design.drives.split", Kind::Flag, Value("false"), "true", "textbook station",
        "With `service`: whether a request is cut at chunk edges, each piece to the drive of its address."),

    table("design.layout", Kind::Table, "every key at its default", "How addresses map to drives."),
    row("design.layout.chunk", Kind::PowerOfTwoBytes(range("4 KiB", "64 MiB"), "KiB"), Value("\"64 KiB\""), "\"64 KiB\"", PRACTICE,
        "Bytes laid on one drive before the next takes over."),

    table("parts", Kind::NamedTables, "the catalogue alone", "Drives by their datasheets: [parts.NAME]."),
    row("parts.NAME.interface", Kind::Link, Required, "\"pcie-gen4-x4\"", "the drive's datasheet",
        "The drive's interface: pcie-gen1..6-x1..16, sas-12, sas-24, sas-12-x2 or sata-6."),
    row("parts.NAME.capacity", Kind::Quantity(Bytes, range("1 GB", "1 PB"), "TB"), Required, "\"3.84 TB\"", "the drive's datasheet",
        "Capacity that the drive offers its host."),
    row("parts.NAME.read_sequential", Kind::Quantity(ByteRate, range("1 MB/s", "200 GB/s"), "MB/s"), Required, "\"6200 MB/s\"", "the drive's datasheet",
        "Sequential read, 128 KiB."),
    row("parts.NAME.write_sequential", Kind::Quantity(ByteRate, range("1 MB/s", "200 GB/s"), "MB/s"), Required, "\"3400 MB/s\"", "the drive's datasheet",
        "Sequential write, 128 KiB."),
    row("parts.NAME.read_random", Kind::Table, Required, "{ rate = \"900k/s\", depth = 256 }", "the drive's datasheet",
        "Random read, 4 KiB, at a queue depth."),
    row("parts.NAME.read_random.rate", Kind::Quantity(PerSecond, range("1/s", "100M/s"), "/s"), Required, "\"900k/s\"", "the drive's datasheet",
        "Random reads of 4 KiB a second."),
    row("parts.NAME.read_random.depth", Kind::Whole(range("1", "65536")), Required, "256", "the drive's datasheet",
        "Reads outstanding while that was rated."),
    row("parts.NAME.write_random", Kind::Table, Required, "{ rate = \"130k/s\", depth = 64 }", "the drive's datasheet",
        "Random write, 4 KiB, steady state, at a queue depth."),
    row("parts.NAME.write_random.rate", Kind::Quantity(PerSecond, range("1/s", "100M/s"), "/s"), Required, "\"130k/s\"", "the drive's datasheet",
        "Random writes of 4 KiB a second in steady state."),
    row("parts.NAME.write_random.depth", Kind::Whole(range("1", "65536")), Required, "64", "the drive's datasheet",
        "Writes outstanding while that was rated."),
    row("parts.NAME.read_latency", Kind::Quantity(Time, range("1 us", "100 ms"), "us"), Required, "\"85 us\"", "the drive's datasheet",
        "Read of 4 KiB with one outstanding."),
    row("parts.NAME.write_latency", Kind::Quantity(Time, range("1 us", "100 ms"), "us"), Required, "\"14 us\"", "the drive's datasheet",
        "Write of 4 KiB with one outstanding, into the buffer."),
    row("parts.NAME.drive_writes_per_day", Kind::Number(above("0", "200")), Required, "1.0", "the drive's datasheet; workload of JEDEC JESD219",
        "Whole-drive writes a day that the warranty covers."),
    row("parts.NAME.warranty", Kind::Quantity(Years, range("1 years", "20 years"), "years"), Required, "\"5 years\"", "the drive's datasheet",
        "Warranty, in years of 365 days."),
    row("parts.NAME.buffer", Kind::Quantity(Bytes, range("4 KiB", "64 GiB"), "MiB"), Value("\"16 MiB\""), "\"16 MiB\"", "common practice, from memory",
        "Power-protected write buffer; ratings cannot tell it."),
    row("parts.NAME.page", Kind::PowerOfTwoBytes(range("4 KiB", "1 MiB"), "KiB"), Value("\"16 KiB\""), "\"16 KiB\"", "common practice, from memory",
        "Flash page that one sense reads; ratings cannot tell it."),
    row("parts.NAME.program_quantum", Kind::Quantity(Time, range("1 us", "100 ms"), "us"), Value("\"500 us\""), "\"500 us\"", "common practice, from memory",
        "Longest that a read waits behind a program on its unit; ratings cannot tell it, and it sets the read tail."),

    table("class", Kind::Tables, "none: a scenario needs one at least", "A kind of virtual machine: [[class]], once for each."),
    row("class.NAME.name", Kind::Text, Required, "\"ticketing-db\"", OWN,
        "Name of the class, unique in the scenario; it seeds the draws of its machines."),
    row("class.NAME.machines", Kind::Whole(range("1", "1000000")), Required, "24", OWN,
        "Number of machines."),
    row("class.NAME.load", Kind::Table, Required, "{ rate = \"900/s\" }", OWN,
        "What a machine asks for: open { rate }, closed { in_flight } or recorded { trace }."),
    row("class.NAME.load.rate", Kind::Quantity(PerSecond, above("0/s", "1G/s"), "/s"), Words("none: give `rate`, `in_flight` or `trace`"), "\"900/s\"", OWN,
        "Open load: requests a second and machine, whether or not earlier ones were answered."),
    row("class.NAME.load.in_flight_max", Kind::Whole(range("1", "65536")), Words("no limit"), "32", OWN,
        "Open load: requests that a machine may have outstanding; further ones wait at the machine, and that wait counts."),
    row("class.NAME.load.in_flight", Kind::Whole(range("1", "65536")), Words("none: give `rate`, `in_flight` or `trace`"), "8", OWN,
        "Closed load: requests that a machine keeps outstanding."),
    row("class.NAME.load.think", Kind::Law(range("0 s", "1 h"), "exponential"), Words("no thinking: the next request follows at once"), "\"2 ms\"", OWN,
        "Closed load: time from an answer to the next request; exponential unless a table says otherwise."),
    row("class.NAME.load.trace", Kind::File, Words("none: give `rate`, `in_flight` or `trace`"), "\"ticketing.csv\"", OWN,
        "Recorded load: a block trace, its name relative to the scenario."),
    row("class.NAME.load.format", Kind::Choice(&["csv", "scsi-records", "block-csv", "block-events", "host-csv", "lun-csv"]), Words("found from the content of the file"), "\"csv\"", CHOICE,
        "Recorded load: layout of the trace."),
    row("class.NAME.load.speed", Kind::Number(range("0.000001", "1000000")), Value("1.0"), "1.0", CHOICE,
        "Recorded load: times of the trace are divided by this."),
    row("class.NAME.load.repeat", Kind::Flag, Value("true"), "true", CHOICE,
        "Recorded load: whether the trace starts again when it ends."),
    row("class.NAME.arrivals", Kind::ChoiceOrTable(&["poisson", "regular"]), Value("\"poisson\""), "{ shape = \"bursty\", peak_to_mean = 6, burst = \"200 ms\" }", CHOICE,
        "Open load: the process by which requests arrive."),
    row("class.NAME.arrivals.shape", Kind::Choice(&["poisson", "regular", "bursty", "hyperexponential", "batch"]), Required, "\"bursty\"", OWN,
        "Which process."),
    row("class.NAME.arrivals.peak_to_mean", Kind::Number(above("1", "10000")), Words("none: due with `shape = \"bursty\"`"), "6", OWN,
        "Bursty: rate while on, divided by the mean rate."),
    row("class.NAME.arrivals.burst", Kind::Quantity(Time, range("1 us", "1 h"), "ms"), Words("none: due with `shape = \"bursty\"`"), "\"200 ms\"", OWN,
        "Bursty: mean time that a machine stays on, exponential."),
    row("class.NAME.arrivals.floor", Kind::Number(Range { low: "0", low_is_out: false, high: "1", high_is_out: true }), Value("0"), "0.1", CHOICE,
        "Bursty: rate while off, divided by the mean rate."),
    row("class.NAME.arrivals.together", SHARE, Value("0"), "0.3", "project choice: independent bursts smooth out, real ones do not",
        "Bursty: share of machines that one common on/off process drives (logons, timed jobs)."),
    row("class.NAME.arrivals.cv", Kind::Number(above("1", "100")), Words("none: due with `shape = \"hyperexponential\"`"), "2", "balanced means (Whitt 1982)",
        "Hyperexponential: coefficient of variation of the gaps between arrivals."),
    row("class.NAME.arrivals.mean", Kind::Number(range("1", "10000")), Words("none: due with `shape = \"batch\"`"), "4", OWN,
        "Batch: mean requests that arrive at once, geometric."),
    row("class.NAME.read", SHARE, Words("none: due unless the load is a trace"), "0.7", OWN,
        "Share of requests that read."),
    row("class.NAME.sizes", Kind::Sizes(REQUEST), Words("none: give `sizes`, or `read_sizes` and `write_sizes`"), "{ \"8 KiB\" = 0.8, \"64 KiB\" = 0.2 }", OWN,
        "Sizes of requests and the share of requests that has each."),
    row("class.NAME.read_sizes", Kind::Sizes(REQUEST), Words("none: give `sizes`, or `read_sizes` and `write_sizes`"), "{ \"8 KiB\" = 0.8, \"64 KiB\" = 0.2 }", OWN,
        "Sizes of reads, where writes differ."),
    row("class.NAME.write_sizes", Kind::Sizes(REQUEST), Words("none: give `sizes`, or `read_sizes` and `write_sizes`"), "\"4 KiB\"", OWN,
        "Sizes of writes, where reads differ."),
    row("class.NAME.sequential", SHARE, Value("0"), "0.1", CHOICE,
        "Share of requests that continue a stream."),
    row("class.NAME.streams", Kind::Whole(range("1", "1024")), Value("4"), "4", CHOICE,
        "Sequential streams of a machine."),
    row("class.NAME.run_length", Kind::Quantity(Bytes, range("4 KiB", "1 TiB"), "MiB"), Value("\"1 MiB\""), "\"1 MiB\"", CHOICE,
        "Bytes that a stream goes on for before it starts elsewhere."),
    row("class.NAME.capacity", Kind::Quantity(Bytes, range("4 KiB", "1 PiB"), "GiB"), Words("`working_set`, or 64 GiB where neither is given"), "\"300 GiB\"", CHOICE,
        "Allocated space of a machine; it sets how full the drives are."),
    row("class.NAME.working_set", Kind::Quantity(Bytes, range("4 KiB", "1 PiB"), "GiB"), Words("`capacity`"), "\"60 GiB\"", OWN,
        "Space that a machine's requests touch, at most `capacity`."),
    row("class.NAME.skew", Kind::ChoiceOrTable(&["uniform"]), Value("\"uniform\""), "{ zipf = 0.9 }", CHOICE,
        "Where in the working set: \"uniform\", { zipf } or { bands }."),
    row("class.NAME.skew.zipf", Kind::Number(above("0", "4")), Words("none: give `zipf` or `bands`"), "0.9", "Breslau, Cao, Fan, Phillips & Shenker 1999 (Zipf-like popularity)",
        "Exponent of a Zipf law over blocks of 4 KiB."),
    row("class.NAME.skew.bands", Kind::Bands, Words("none: give `zipf` or `bands`"), "[[0.05, 0.5], [0.15, 0.3], [0.8, 0.2]]", OWN,
        "Pairs of share of space and share of accesses; each column sums to 1."),
    row("class.NAME.extent", Kind::PowerOfTwoBytes(range("4 KiB", "1 GiB"), "MiB"), Value("\"1 MiB\""), "\"1 MiB\"", CHOICE,
        "Popular addresses are scattered over the working set in pieces of this size."),
    row("class.NAME.align", Kind::PowerOfTwoBytes(range("4 KiB", "1 GiB"), "KiB"), Value("\"4 KiB\""), "\"128 KiB\"", CHOICE,
        "Random addresses are multiples of this size."),

    table("objective", Kind::Tables, "none: percentiles are told and nothing is judged", "A percentile that must hold: [[objective]], once for each."),
    row("objective.class", Kind::Text, Required, "\"ticketing-db\"", OWN,
        "Name of the class that it is about."),
    row("objective.operation", Kind::Choice(&["read", "write", "all"]), Value("\"all\""), "\"read\"", CHOICE,
        "Which of its requests."),
    row("objective.percentile", Kind::Number(between("0", "100")), Required, "99", OWN,
        "Percentile of latency."),
    row("objective.below", Kind::Quantity(Time, range("1 us", "1 h"), "ms"), Required, "\"1 ms\"", OWN,
        "What the percentile must stay below."),
    row("objective.during", Kind::Choice(&["healthy", "any"]), Value("\"healthy\""), "\"healthy\"", CHOICE,
        "When it must hold: while all is well, or at any time."),
    row("objective.over", Kind::Choice(&["class", "worst-machine"]), Value("\"class\""), "\"class\"", CHOICE,
        "Over all requests of the class, or for the machine with the worst figure."),

    row("TIME.mean", Kind::Quantity(Time, range("0 s", "1 h"), "us"), Words("none; an empirical law has the mean of its values"), "\"18 us\"", OWN,
        "Mean of a time that is written as a table."),
    row("TIME.shape", Kind::Choice(&["fixed", "exponential", "erlang", "lognormal", "gamma", "hyperexponential", "bimodal", "uniform", "empirical"]), Words("fixed; exponential for `think`"), "\"lognormal\"", OWN,
        "Law of the time round its mean."),
    row("TIME.cv", Kind::Number(range("0.001", "100")), Words("none: due with lognormal, gamma and hyperexponential (there above 1)"), "0.5", "hyperexponential with balanced means (Whitt 1982)",
        "Coefficient of variation: standard deviation divided by mean."),
    row("TIME.stages", Kind::Whole(range("1", "10000")), Words("none: due with erlang"), "4", "Erlang 1917",
        "Erlang: number of equal exponential stages."),
    row("TIME.slow_share", Kind::Number(between("0", "1")), Words("none: due with bimodal"), "0.3", OWN,
        "Bimodal: probability of the slow value."),
    row("TIME.ratio", Kind::Number(above("1", "1000000")), Words("none: due with bimodal"), "11.7", OWN,
        "Bimodal: slow value divided by fast value."),
    row("TIME.spread", Kind::Number(above("0", "1")), Words("none: due with uniform"), "0.5", OWN,
        "Uniform: half-width divided by mean."),
    row("TIME.values", Kind::Times(range("0 s", "1 h")), Words("none: due with empirical"), "[\"10 us\", \"30 us\", \"90 us\"]", OWN,
        "Empirical: the values that occur, scaled so that their mean is `mean` if that is given."),
    row("TIME.weights", Kind::Numbers(range("0", "1000000000")), Words("all alike"), "[2, 1, 1]", OWN,
        "Empirical: how often each value occurs, relative to the others."),
];
