//! Components in combination: designs drawn from all that can be switched on together. Nothing panics, every run
//! ends, every audit holds, and what is carried is what is offered.

use forebay::engine::{Key, Purpose};
use forebay::outcome::State;

use crate::runs::{run, scenario};

const PICK: Purpose = Purpose::named("pick");

/// One of the texts.
fn one<'a>(draws: &mut forebay::engine::Draws, of: &[&'a str]) -> &'a str {
    of[draws.below(of.len() as u64) as usize]
}

/// A design and its load, by its number. Light loads: queues are for other tests.
fn design(number: u64) -> String {
    let mut draws = Key::root(31).numbered(number).draws(PICK);
    let mut pick = |of: &[&str]| one(&mut draws, of).to_owned();
    let drives = pick(&[
        "count = 13\npart = \"nvme-gen4-read-centric-3840\"",
        "count = 13\npart = \"sata-read-centric-1920\"",
        "count = 13\nservice = { mean = \"20 us\", shape = \"exponential\" }\nsplit = true",
        "count = 13\npart = \"sas-12-rotating-7200-8000\"",
    ]);
    let protection = pick(&[
        "",
        "protection = \"mirror-2\"\nspares = 1",
        "protection = \"mirror-3\"\nspares = 1",
        "protection = \"single-parity\"\ngroup = 4\nspares = 1",
        "protection = \"double-parity\"\ngroup = 6\nspares = 1",
        "protection = \"double-parity\"\ngroup = 6\nspares = 2\nspare_kind = \"distributed\"",
        "protection = \"triple-parity\"\ngroup = 12\nspares = 1",
    ]);
    let appends = draws_bool(&mut pick);
    let log = pick(&[
        "",
        "[design.log]\nsize = \"1 GiB\"\nrate = \"8 GB/s\"\nlatency = \"5 us\"",
        "[design.log]\nsize = \"16 MiB\"\nrate = \"8 GB/s\"\nheld = \"device\"\ndestage = 3",
    ]);
    let mut writes = "";
    let mut reduction = String::new();
    if appends {
        writes = "writes = \"log-structured\"\nreserve = 0.05";
        reduction = pick(&[
            "",
            "[design.reduction]\n",
            "[design.reduction]\nblock = \"8 KiB\"\nsector = \"512 B\"\n",
            "[design.reduction]\ncompress = false\n",
            "[design.reduction]\ndeduplicate = false\nblock = \"64 KiB\"\n",
        ]);
        if !log.is_empty() && reduction.len() > 2 && !reduction.contains("false") {
            reduction += &pick(&["", "when = \"after\"\n"]);
        }
    }
    let memory = pick(&["8 GiB", "2 GiB", "2 GiB\"\nbandwidth = \"50 GB/s"]);
    let cache = pick(&[
        "",
        "[design.cache]\n",
        "[design.cache]\nholds = \"stored\"\nprefetch = \"256 KiB\"\n",
        "[design.cache]\nshare = 0.1\nprefetch = \"64 KiB\"\n",
    ]);
    let controllers = pick(&[
        "",
        "[design.controllers]\npartner = { link = \"pcie-gen4-x8\" }\n",
        "[design.controllers]\nmode = \"active-standby\"\npartner = { link = \"sas-24-x2\" }\n",
    ]);
    let ports = pick(&[
        "",
        "[design.ports]\ncount = 2\nrate = \"25 Gb/s\"\nspread = \"per-request\"\n",
        "[design.ports]\ncount = 2\nrate = \"32 Gb/s\"\ntransport = \"fibre-channel\"\nlatency = \"5 us\"\n",
    ]);
    let cpu = pick(&[
        "[design.cpu]\ncores = 8\nservice = \"20 us\"\n",
        "[design.cpu]\ncores = 8\nread = \"10 us\"\nwrite = \"15 us\"\nparity = \"8 GB/s\"\nreconstruct = \"6 GB/s\"\n\
         checksum = \"20 GB/s\"\nthreads_per_core = 2\nthread_gain = 1.25\n",
        "",
    ]);
    let fabric = pick(&[
        "",
        "[design.fabric]\nshape = \"uplinks\"\nuplinks = 3\nlink = \"pcie-gen3-x8\"\n",
        "[design.fabric]\nshape = \"tree\"\n[design.fabric.links]\nroot = { link = \"pcie-gen4-x8\", drives = [0, 3] }\n\
         shelf = { link = \"sas-12-x4\", parent = \"root\", drives = [4, 12] }\n",
    ]);
    let hosts = match ports.contains("Gb/s") {
        true => pick(&["", "[design.hosts]\ncount = 3\nports = 2\nrate = \"10 Gb/s\"\nqueue_depth = 16\n"]),
        false => String::new(),
    };
    let hosts = if ports.contains("fibre") { hosts.replace("10 Gb/s", "16 Gb/s") } else { hosts };
    let fault = match protection.is_empty() {
        true => String::new(),
        false => pick(&[
            "",
            "[[fault]]\nname = \"lost\"\nkind = \"drive-lost\"\ndrive = 3\n",
            "[[fault]]\nname = \"rebuilding\"\nkind = \"rebuilding\"\ndrive = 3\nrate = \"50 MB/s\"\n",
            "[[fault]]\nname = \"lost\"\nkind = \"drive-lost\"\ndrive = 3\nat = \"20 ms\"\nfor = \"20 ms\"\n\
             [[fault]]\nname = \"rebuilding\"\nkind = \"rebuilding\"\ndrive = 3\nat = \"40 ms\"\n",
        ]),
    };
    let mut dated = pick(&[
        "",
        "",
        "[[phase]]\nname = \"logons\"\nfrom = \"10 ms\"\nto = \"50 ms\"\nload = { a = 2 }\nstagger = \"10 ms\"\n",
        "[[fault]]\nname = \"slow\"\nkind = \"drive-slow\"\ndrive = 1\nfactor = 2\nat = \"30 ms\"\n",
    ]);
    if !controllers.is_empty() {
        dated += &pick(&[
            "",
            "[[fault]]\nname = \"failover\"\nkind = \"controller-lost\"\ncontroller = 0\nat = \"20 ms\"\nfor = \"30 ms\"\n",
        ]);
    }
    let controllers =
        if controllers.is_empty() { controllers } else { controllers + "failover = \"10 ms\"\n" };
    format!(
        "[run]\nseed = {number}\nreplications = 2\nwarm_up = \"20 ms\"\nlength = \"80 ms\"\n\
         {ports}{hosts}{controllers}{cpu}{fabric}[design.memory]\nsize = \"{memory}\"\n{cache}{log}\n{reduction}\
         [design.layout]\n{protection}\n{writes}\n[design.drives]\n{drives}\n{fault}{dated}\
         [[class]]\nname = \"a\"\nmachines = 7\nload = {{ rate = \"1000/s\" }}\nread = 0.6\n\
         sizes = {{ \"4 KiB\" = 0.6, \"24 KiB\" = 0.3, \"1 MiB\" = 0.1 }}\nsequential = 0.2\n\
         capacity = \"100 GiB\"\nworking_set = \"10 GiB\"\nskew = {{ zipf = 0.9 }}\ncompress = 2\nduplicate = 0.3\n\
         [[class]]\nname = \"b\"\nmachines = 3\nload = {{ in_flight = 2, think = \"1 ms\" }}\nread = 0.3\n\
         sizes = \"512 B\"\ncapacity = \"20 GiB\"\ncompress = 1.2\n"
    )
}

fn draws_bool(pick: &mut impl FnMut(&[&str]) -> String) -> bool {
    pick(&["yes", "no"]) == "yes"
}

#[test]
fn combinations_run_and_their_audits_hold() {
    assert_audits_hold(0..70);
}

#[test]
#[ignore = "a minute of simulation: the full tier runs it"]
fn every_combination_runs_and_its_audits_hold() {
    assert_audits_hold(0..200);
}

fn assert_audits_hold(numbers: std::ops::Range<u64>) {
    let all = numbers.end as u32;
    let (mut appended, mut reduced, mut stable) = (0, 0, 0);
    for number in numbers {
        let text = design(number);
        let scenario = scenario(&text);
        let outcome = run(&scenario);
        let broken: Vec<_> = outcome.audit.iter().filter(|row| !row.ok).collect();
        assert!(broken.is_empty(), "design {number}: {broken:?}\n{text}");
        // Rotating drives cannot carry this load, and behind a queue of 16 next to none of it.
        let least = if text.contains("rotating") { 0 } else { 1_000 };
        assert!(outcome.run.requests >= least, "design {number} carried next to nothing\n{text}");
        appended += u32::from(scenario.design.layout.append.is_some());
        reduced += u32::from(scenario.design.reduction.is_some());
        stable += u32::from(outcome.verdict.state == State::Stable);
    }
    println!("{appended} log-structured, {reduced} reduced, {stable} stable");
    // The draws are fixed: all of it was tried, and most of it carries its load (rotating drives do not).
    assert!(appended > all / 4 && reduced > all / 5 && stable > all / 2, "{appended} {reduced} {stable}");
}

/// One and several threads, on a design with everything in it.
#[test]
fn everything_together_gives_the_same_bytes_on_any_number_of_threads() {
    let text =
        std::fs::read_to_string(concat!(env!("CARGO_MANIFEST_DIR"), "/workloads/emberley-everything.toml"))
            .expect("the scenario is shipped");
    let mut scenario = scenario(&text);
    scenario.run.length = forebay::scenario::Auto::Given(forebay::engine::SimDuration::from_us(60_000));
    scenario.run.warm_up = forebay::scenario::Auto::Given(forebay::engine::SimDuration::from_us(10_000));
    let on = |threads: usize| {
        let pool = rayon::ThreadPoolBuilder::new().num_threads(threads).build().expect("threads");
        pool.install(|| serde_json::to_string(&run(&scenario)).expect("JSON"))
    };
    let one = on(1);
    assert!(one == on(2) && one == on(5));
}
