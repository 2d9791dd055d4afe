//! The same scenario, seed and build give the same bytes, however many threads there are.

use forebay::report::json::to_json;
use forebay::scenario::{Override, parse};

use crate::program::said;
use crate::runs::{run, scenario};

/// A design with every component and every kind of traffic but traces.
const WHOLE: &str = r#"
[run]
seed = 11
replications = 4
warm_up = "20 ms"
length = "60 ms"
[design.ports]
count = 2
rate = "25 Gb/s"
[design.cpu]
cores = 4
read = { mean = "18 us", shape = "lognormal", cv = 0.5 }
write = { mean = "26 us", shape = "gamma", cv = 0.5 }
[design.fabric]
shape = "uplinks"
uplinks = 2
link = "pcie-gen3-x8"
[design.drives]
count = 6
part = "nvme-gen3-mixed-use-1600"
[[class]]
name = "bursty"
machines = 8
load = { rate = "2000/s", in_flight_max = 16 }
arrivals = { shape = "bursty", peak_to_mean = 4, burst = "5 ms" }
read = 0.7
sizes = { "8 KiB" = 0.8, "128 KiB" = 0.2 }
sequential = 0.2
capacity = "20 GiB"
skew = { zipf = 0.9 }
[[class]]
name = "closed"
machines = 2
load = { in_flight = 4, think = "1 ms" }
read = 0.5
sizes = "32 KiB"
"#;

#[test]
fn threads_do_not_change_a_byte() {
    let plain = to_json(&run(&scenario(WHOLE)));
    for threads in [1, 2, 5] {
        let pool = rayon::ThreadPoolBuilder::new().num_threads(threads).build().expect("a pool");
        assert_eq!(pool.install(|| to_json(&run(&scenario(WHOLE)))), plain, "{threads} threads");
    }
}

#[test]
fn the_program_gives_the_same_bytes_on_one_thread_and_two() {
    let with = |threads: &str| {
        let only_mm1 = "workloads/textbook/mg1-bimodal-0.5.toml";
        let (status, out, err) = said(&["run", only_mm1, "--threads", threads, "--json", "-"]);
        assert_eq!(status, Some(0), "{err}");
        out
    };
    assert_eq!(with("1"), with("2"));
}

#[test]
fn another_seed_gives_another_answer() {
    let other = Override { path: "run.seed".into(), value: "12".into() };
    let parsed = parse(WHOLE, "test.toml", std::path::Path::new(""), &[other]).expect("a valid scenario");
    let (one, two) = (run(&scenario(WHOLE)), run(&parsed));
    assert_ne!(one.classes, two.classes);
}

/// A class's requests come from its own name and the seed: adding a class leaves them as they were, to
/// the request, in a stated window.
#[test]
fn another_class_leaves_the_traffic_of_a_class_as_it_was() {
    let more = format!(
        "{WHOLE}[[class]]\nname = \"newcomer\"\nmachines = 3\nload = {{ rate = \"500/s\" }}\nread = 1\n\
         sizes = \"4 KiB\"\n"
    );
    let of = |text: &str| {
        let outcome = run(&scenario(text));
        let rows = outcome.classes.iter().filter(|c| c.name == "bursty");
        rows.map(|c| (c.operation.clone(), c.requests)).collect::<Vec<_>>()
    };
    assert_eq!(of(WHOLE), of(&more));
}
