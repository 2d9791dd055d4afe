//! Whole scenarios, in: what the text says is what the model holds.

use std::path::Path;

use super::*;
use crate::engine::{Law, Shape, SimDuration};

fn read(text: &str) -> Scenario {
    parse(text, "test.toml", Path::new("base"), &[]).unwrap_or_else(|d| panic!("{d}"))
}

fn read_with(text: &str, overrides: &[&str]) -> Result<Scenario, Diagnostics> {
    let overrides: Vec<Override> =
        overrides.iter().map(|o| Override::parse(o).unwrap_or_else(|e| panic!("{e}"))).collect();
    parse(text, "test.toml", Path::new("base"), &overrides)
}

/// A scenario with this design and class.
fn scenario(design: &str, class: &str) -> String {
    format!("{design}\n[[class]]\nname = \"a\"\nmachines = 2\n{class}\n")
}

const CPU: &str = "[design.cpu]\ncores = 2\nservice = \"10 us\"";
const ASKS: &str = "read = 0.5\nsizes = \"4 KiB\"";

fn class(class: &str) -> Class {
    read(&scenario(CPU, class)).classes.remove(0)
}

#[test]
fn the_starter_loads_as_it_is() {
    let scenario = read(starter());
    assert_eq!(scenario.title, "Emberley Transit, candidate A");
    assert_eq!(scenario.classes.len(), 3);
    assert_eq!(scenario.objectives.len(), 2);
    assert_eq!(scenario.run.seed, 7);
    assert_eq!(scenario.digest.len(), 32);
    let ports = scenario.design.ports.expect("has ports");
    let PortKind::Link(link) = ports.kind else { panic!("a link") };
    assert_eq!((link.rate_bps, link.mtu, link.latency), (25e9, 9000, SimDuration::from_us(6)));
    let Some(Drives { count: 22, kind: DriveKind::Part(part), .. }) = scenario.design.drives else {
        panic!("drives")
    };
    assert_eq!(part.capacity, 3_840_000_000_000);
    assert_eq!(part.warranty_years, 5.0);
    assert_eq!(scenario.objectives[1].operation, None);
    assert_eq!(scenario.objectives[1].over, Over::Class);
    let desktops = &scenario.classes[1];
    assert_eq!(desktops.read_sizes, [(4096, 0.6), (32768, 0.4)]);
    assert_eq!(desktops.write_sizes, [(4096, 0.9), (16384, 0.1)]);
}

#[test]
fn what_is_left_out_takes_its_default() {
    let scenario = read(&scenario(CPU, &format!("load = {{ rate = \"5/s\" }}\n{ASKS}")));
    assert_eq!(scenario.title, "test");
    let run = RunPlan {
        seed: 1,
        warm_up: Auto::Auto,
        length: Auto::Auto,
        length_max: SimDuration::from_secs(600.0),
        precision: 0.05,
        confidence: 0.95,
        replications: 8,
        backlog_max: 100_000,
        start: Start::Steady,
        series: SimDuration::from_us(100_000),
    };
    assert_eq!(scenario.run, run);
    assert_eq!(scenario.design.layout, Layout::default());
    assert_eq!(scenario.design.ports, None);
    let class = &scenario.classes[0];
    assert_eq!((class.capacity, class.working_set, class.extent), (64 << 30, 64 << 30, 1 << 20));
    assert_eq!(class.skew, Skew::Uniform);
    assert_eq!(class.sequential, Sequential { share: 0.0, streams: 4, run_length: 1 << 20 });
    let open = Load::Open { rate: 5.0, arrivals: Arrivals::Poisson, in_flight_max: None };
    assert_eq!(class.load, open);
}

#[test]
fn port_defaults_follow_the_transport() {
    let link = |lines: &str| {
        let design = format!("[design.ports]\nrate = \"16 Gb/s\"\n{lines}");
        let ports = read(&scenario(&design, &format!("load = {{ in_flight = 1 }}\n{ASKS}"))).design.ports;
        match ports.map(|p| p.kind) {
            Some(PortKind::Link(link)) => link,
            other => panic!("{other:?}"),
        }
    };
    let tcp = link("");
    assert_eq!(
        (tcp.transport, tcp.mtu, tcp.immediate, tcp.quantum),
        (Transport::Tcp, 1500, 8 << 10, 64 << 10)
    );
    assert!(tcp.latency.is_zero());
    for (name, transport, mtu) in [
        ("rdma", Transport::Rdma, 1500),
        ("fibre-channel", Transport::FibreChannel, 2112),
        ("raw", Transport::Raw, 1500),
    ] {
        let found = link(&format!("transport = \"{name}\""));
        assert_eq!((found.transport, found.mtu), (transport, mtu), "{name}");
    }
}

#[test]
fn every_shape_of_a_time_is_read() {
    let us = SimDuration::from_us;
    let cases = [
        ("\"18 us\"", Law::fixed(us(18))),
        ("{ mean = \"18 us\" }", Law::fixed(us(18))),
        ("{ mean = \"18 us\", shape = \"fixed\" }", Law::fixed(us(18))),
        ("{ mean = \"18 us\", shape = \"exponential\" }", Law::exponential(us(18))),
        (
            "{ mean = \"18 us\", shape = \"erlang\", stages = 3 }",
            Law::new(us(18), Shape::Erlang { stages: 3 }),
        ),
        (
            "{ mean = \"18 us\", shape = \"lognormal\", cv = 0.5 }",
            Law::new(us(18), Shape::Lognormal { cv: 0.5 }),
        ),
        ("{ mean = \"18 us\", shape = \"gamma\", cv = 2 }", Law::new(us(18), Shape::Gamma { cv: 2.0 })),
        (
            "{ mean = \"18 us\", shape = \"hyperexponential\", cv = 2 }",
            Law::new(us(18), Shape::Hyperexponential { cv: 2.0 }),
        ),
        (
            "{ mean = \"18 us\", shape = \"bimodal\", slow_share = 0.3, ratio = 10 }",
            Law::new(us(18), Shape::Bimodal { slow_share: 0.3, ratio: 10.0 }),
        ),
        (
            "{ mean = \"18 us\", shape = \"uniform\", spread = 1 }",
            Law::new(us(18), Shape::Uniform { spread: 1.0 }),
        ),
        (
            "{ shape = \"empirical\", values = [\"1 us\", \"3 us\"], weights = [3, 1] }",
            Law::new(SimDuration::from_ns(1500), Shape::Empirical { points: vec![(1e6, 3.0), (3e6, 1.0)] }),
        ),
        (
            "{ mean = \"18 us\", shape = \"empirical\", values = [\"1 us\", \"3 us\"] }",
            Law::new(us(18), Shape::Empirical { points: vec![(1e6, 1.0), (3e6, 1.0)] }),
        ),
    ];
    for (text, law) in cases {
        let design = format!("[design.drives]\ncount = 1\nservice = {text}");
        let scenario = read(&scenario(&design, &format!("load = {{ in_flight = 1 }}\n{ASKS}")));
        assert_eq!(
            scenario.design.drives.map(|d| d.kind),
            Some(DriveKind::Station { service: law, split: false }),
            "{text}"
        );
    }
}

#[test]
fn thinking_is_exponential_unless_a_table_says_otherwise() {
    let think = |text: &str| match class(&format!("load = {{ in_flight = 3{text} }}\n{ASKS}")).load {
        Load::Closed { in_flight: 3, think } => think,
        other => panic!("{other:?}"),
    };
    let ms = SimDuration::from_us(2000);
    assert_eq!(think(""), None);
    assert_eq!(think(", think = \"0 s\""), None);
    assert_eq!(think(", think = \"2 ms\""), Some(Law::exponential(ms)));
    assert_eq!(think(", think = { mean = \"2 ms\" }"), Some(Law::exponential(ms)));
    assert_eq!(think(", think = { mean = \"2 ms\", shape = \"fixed\" }"), Some(Law::fixed(ms)));
    assert_eq!(think(", think = { mean = \"0 s\", shape = \"fixed\" }"), None);
}

#[test]
fn every_process_of_arrivals_is_read() {
    let burst = SimDuration::from_us(200_000);
    let cases = [
        ("\"poisson\"", Arrivals::Poisson),
        ("\"regular\"", Arrivals::Regular),
        ("{ shape = \"poisson\" }", Arrivals::Poisson),
        ("{ shape = \"regular\" }", Arrivals::Regular),
        ("{ shape = \"hyperexponential\", cv = 3 }", Arrivals::Hyperexponential { cv: 3.0 }),
        ("{ shape = \"batch\", mean = 4 }", Arrivals::Batch { mean: 4.0 }),
        (
            "{ shape = \"bursty\", peak_to_mean = 6, burst = \"200 ms\" }",
            Arrivals::Bursty { peak_to_mean: 6.0, burst, floor: 0.0, together: 0.0 },
        ),
        (
            "{ shape = \"bursty\", peak_to_mean = 6, burst = \"200 ms\", floor = 0.1, together = 1 }",
            Arrivals::Bursty { peak_to_mean: 6.0, burst, floor: 0.1, together: 1.0 },
        ),
    ];
    for (text, expected) in cases {
        let load = class(&format!("load = {{ rate = \"1/s\" }}\narrivals = {text}\n{ASKS}")).load;
        assert!(matches!(load, Load::Open { arrivals, .. } if arrivals == expected), "{text}");
    }
}

#[test]
fn a_trace_brings_its_own_requests() {
    let class = class("load = { trace = \"t.csv\", format = \"host-csv\", speed = 2, repeat = false }");
    let load = Load::Trace {
        path: Path::new("base").join("t.csv"),
        name: "t.csv".into(),
        format: Some(TraceFormat::HostCsv),
        speed: 2.0,
        repeat: false,
    };
    assert_eq!(class.load, load);
    assert!(class.read_sizes.is_empty());
}

#[test]
fn skew_and_sizes_sum_to_one_exactly_and_drop_what_never_occurs() {
    let class = class(
        "load = { in_flight = 1 }\nread = 1\nread_sizes = { \"4 KiB\" = 0.3333333, \"8 KiB\" = 0.6666667, \"1 MiB\" = 0 }\n\
         skew = { bands = [[0.2, 0.8], [0.8, 0.2]] }",
    );
    assert_eq!(class.read_sizes.iter().map(|s| s.1).sum::<f64>(), 1.0);
    assert_eq!(class.read_sizes.len(), 2);
    assert_eq!(class.write_sizes, class.read_sizes);
    assert_eq!(class.skew, Skew::Bands(vec![(0.2, 0.8), (0.8, 0.2)]));
}

#[test]
fn fabric_shapes_are_read() {
    let fabric = |lines: &str| {
        let design = format!(
            "[design.fabric]\n{lines}\n[design.drives]\ncount = 4\npart = \"nvme-gen3-mixed-use-1600\""
        );
        read(&scenario(&design, &format!("load = {{ in_flight = 1 }}\n{ASKS}"))).design.fabric
    };
    let direct = Fabric { shape: FabricShape::Direct, max_payload: 256, lanes: Some(16) };
    assert_eq!(fabric("lanes = 16"), Some(direct));
    let link = Interface::Pcie { generation: 3, lanes: 8 };
    let shape = FabricShape::Uplinks { count: 2, link, hop: SimDuration::from_ns(500), deal: Deal::Round };
    let uplinks = Fabric { shape, max_payload: 512, lanes: None };
    assert_eq!(
        fabric("shape = \"uplinks\"\nuplinks = 2\nlink = \"pcie-gen3-x8\"\nmax_payload = \"512 B\""),
        Some(uplinks)
    );
}

#[test]
fn overrides_reach_every_kind_of_place() {
    let changed = read_with(
        starter(),
        &[
            "title=Candidate B",
            "design.drives.count=24",
            "design.ports.rate=100 Gb/s",
            "design.cpu.read={mean=\"20 us\",shape=\"exponential\"}",
            "design.cpu.write.mean=30 us",
            "class.ticketing-db.machines=30",
            "class.2.load.think=3 ms",
            "class.ticketing-db.sizes.\"64 KiB\"=0.1",
            "class.ticketing-db.sizes.'4 KiB'=0.1",
            "class.depot-desktops.skew.bands=[[0.2, 0.8], [0.8, 0.2]]",
            "class.depot-desktops.skew.bands.0.1=0.5",
            "class.depot-desktops.skew.bands.1.1=0.5",
            "objective.0.below=2 ms",
        ],
    );
    let changed = changed.unwrap_or_else(|d| panic!("{d}"));
    assert_eq!(changed.title, "Candidate B");
    assert_eq!(changed.design.drives.map(|d| d.count), Some(24));
    let cpu = changed.design.cpu.expect("has a processor");
    assert_eq!(cpu.read, Law::exponential(SimDuration::from_us(20)));
    assert_eq!(cpu.write, Law::new(SimDuration::from_us(30), Shape::Lognormal { cv: 0.5 }));
    assert_eq!(changed.classes[0].machines, 30);
    assert_eq!(changed.classes[0].read_sizes, [(8192, 0.8), (65536, 0.1), (4096, 0.1)]);
    assert_eq!(changed.classes[1].skew, Skew::Bands(vec![(0.2, 0.5), (0.8, 0.5)]));
    let think = Some(Law::exponential(SimDuration::from_us(3000)));
    assert!(matches!(&changed.classes[2].load, Load::Closed { think: t, .. } if *t == think));
    assert_eq!(changed.objectives[0].below, SimDuration::from_us(2000));
}

#[test]
fn one_figure_of_a_catalogue_part_may_be_overridden() {
    let drives = "[design.drives]\ncount = 2\npart = \"sata-read-centric-1920\"";
    let text = scenario(drives, &format!("load = {{ in_flight = 1 }}\n{ASKS}"));
    let part = |overrides: &[&str]| match read_with(&text, overrides)
        .unwrap_or_else(|d| panic!("{d}"))
        .design
        .drives
    {
        Some(Drives { kind: DriveKind::Part(part), .. }) => *part,
        other => panic!("{other:?}"),
    };
    let (stated, changed) = (part(&[]), part(&["parts.sata-read-centric-1920.buffer=1 MiB"]));
    assert_ne!(stated.buffer, 1 << 20);
    assert_eq!(changed, Part { buffer: 1 << 20, ..stated });
    let error = read_with(&text, &["parts.sata-read-centric-1920.bufer=1 MiB"]).expect_err("misspelt");
    assert!(error.to_string().contains("did you mean `buffer`?"), "{error}");
}

#[test]
fn a_later_override_wins_and_a_quoted_name_may_hold_a_dot() {
    let text = scenario(CPU, &format!("load = {{ in_flight = 1 }}\n{ASKS}")).replace("\"a\"", "\"a.b\"");
    let found = read_with(&text, &["class.\"a.b\".machines=5", "class.0.machines=6"]).expect("reads");
    assert_eq!(found.classes[0].machines, 6);
    let found = read_with(&text, &["class.0.machines=6", "class.'a.b'.machines=5"]).expect("reads");
    assert_eq!(found.classes[0].machines, 5);
}

#[test]
fn the_digest_depends_on_text_and_overrides_and_nothing_else() {
    let digest = |text: &str, name: &str, overrides: &[&str]| {
        let overrides: Vec<Override> =
            overrides.iter().map(|o| Override::parse(o).expect("well formed")).collect();
        parse(text, name, Path::new(""), &overrides).expect("reads").digest
    };
    let plain = digest(starter(), "a.toml", &[]);
    assert_eq!(plain, digest(starter(), "b.toml", &[]));
    assert_ne!(plain, digest(&format!("{}\n", starter()), "a.toml", &[]));
    assert_ne!(plain, digest(starter(), "a.toml", &["run.seed=7"]));
}

#[test]
fn a_byte_order_mark_is_no_mistake() {
    let scenario = read(&format!("\u{feff}{}", starter()));
    assert_eq!(scenario.classes.len(), 3);
}

/// No key of the table is let pass unread: a date, which no key takes, is refused in each.
#[test]
fn every_key_of_the_table_is_read_or_said_to_be_out_of_place() {
    let text = format!("[parts.depot]\ninterface = \"sata-6\"\n{}", starter());
    let mut read = 0;
    for row in schema::ROWS {
        // Keys of a sweep file are not a scenario's.
        if matches!(row.kind, schema::Kind::NamedTables) || row.path.starts_with("SWEEP") {
            continue;
        }
        let path = row.path.replace("class.NAME", "class.0").replace("parts.NAME", "parts.depot");
        let path = match path.split_once('.') {
            Some(("objective", key)) => format!("objective.0.{key}"),
            Some(("TIME", key)) => format!("design.cpu.read.{key}"),
            Some(("class", key)) if key.starts_with("0.skew.bands") => {
                "class.0.skew={bands=1979-05-27}".into()
            }
            _ => path,
        };
        let change = if path.contains('=') { path.clone() } else { format!("{path}=1979-05-27") };
        let found = read_with(&text, &[&change]).expect_err(&path).render(false);
        let key = schema::parent_and_key(row.path).1;
        let here = found.split("\n\n").find(|one| one.contains("command line:1:")).unwrap_or_default();
        assert!(here.contains(key) && !here.contains("there is no key"), "{path}: {found}");
        read += 1;
    }
    assert!(read > 80);
}
