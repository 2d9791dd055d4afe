//! Sweeps that have no time for everything: what a budget asks first, what is said of the rest, and how long a plan probes.

use std::collections::HashSet;
use std::path::Path;
use std::sync::atomic::{AtomicBool, Ordering};
use std::time::{Duration, Instant};

use forebay::outcome::PointOutcome;
use forebay::scenario::{Sweep, parse_sweep};
use forebay::store::Store;
use forebay::study::{self, Base, Context, Planned};

use crate::program::{Folder, said};

const BASE: &str = "[run]\nseed = 4\nprecision = 0.01\n[design.cpu]\ncores = 2\n\
                    service = { mean = \"10 us\", shape = \"exponential\" }\n[[class]]\nname = \"a\"\nmachines = 1\n\
                    load = { rate = \"50000/s\" }\nread = 1\nsizes = \"4 KiB\"\n[design.price]\ncurrency = \"tokens\"\nsystem = 1\n";

/// 5 × 8 points; the tail beyond 99.9 % takes 300,000 requests of each.
const GRID: &str = "base = \"base.toml\"\n[front]\nleast = [\"design.price_total\", \"run.a.read.p99.9_us\"]\n[vary]\n\
                    design.cpu.cores = [1, 2, 3, 4, 6]\n\
                    \"class.a.load.rate\" = { from = \"20000/s\", to = \"90000/s\", points = 8 }\n";

fn planned(text: &str) -> (Sweep, Base, Planned) {
    let sweep = parse_sweep(text, "s.toml", Path::new("")).unwrap_or_else(|wrong| panic!("{wrong}"));
    let base = Base::new(&sweep, BASE.into());
    let planned = study::plan_sweep(&sweep, &base, None).expect("a plan");
    (sweep, base, planned)
}

/// What a race keeps, in that order, on one thread, until it is interrupted after so many points.
fn kept(text: &str, stop_after: usize) -> (Planned, Vec<PointOutcome>) {
    let (sweep, base, planned) = planned(text);
    let interrupted = AtomicBool::new(false);
    let context = Context { interrupted: &interrupted, time: None, progress: &|_| (), detail: false };
    let mut all = Vec::new();
    let one = rayon::ThreadPoolBuilder::new().num_threads(1).build().expect("a pool");
    let end = one.install(|| {
        study::race(&sweep, &base, &planned, Vec::new(), &context, |found, _| {
            all.push(found);
            interrupted.store(all.len() >= stop_after, Ordering::Relaxed);
            Ok::<(), String>(())
        })
    });
    let end = end.expect("nothing refuses");
    let asked: HashSet<u64> = all.iter().map(|found| found.point.number).collect();
    assert_eq!((end.asked, end.not_asked), (asked.len() as u64, 40 - asked.len() as u64));
    (planned, all)
}

/// Values of each key that these points have.
fn values<'p>(points: impl Iterator<Item = &'p PointOutcome> + Clone) -> [usize; 2] {
    [0, 1].map(|key| points.clone().map(|found| &found.point.sets[key].1).collect::<HashSet<_>>().len())
}

/// A budget that ends after a fifth of the points has seen every value of every key, and nothing twice. (No clock: the race is
/// interrupted after eight points. In the order of the file they are the eight rates of one number of cores.)
#[test]
fn a_budget_that_ends_early_has_seen_every_value_of_every_key() {
    let (_, all) = kept(GRID, 8);
    assert!((8..20).contains(&all.len()), "{}", all.len());
    assert!(all.iter().all(|found| found.round == Some(1) && found.error.is_none()), "{all:?}");
    assert_eq!(values(all[..8].iter()), [5, 8]);
    let numbers: HashSet<u64> = all.iter().map(|found| found.point.number).collect();
    assert_eq!(numbers.len(), all.len(), "nothing twice");
    // Roughly as it is asked, the figure that is sought exists.
    for found in &all {
        let sought = found.figures.iter().find(|figure| figure.name == "run.a.read.p99.9_us").expect("kept");
        assert!(sought.value.is_some(), "{found:?}");
        assert!((250_000..500_000).contains(&found.requests), "{}", found.requests);
    }
}

/// Every point is asked once before any is asked more closely, then rounds go up; and a point that is taken further takes
/// about four times as many requests each time.
#[test]
fn all_points_are_asked_once_before_any_is_asked_twice() {
    let (planned, all) = kept(&GRID.replace("p99.9", "p90"), usize::MAX);
    let rounds: Vec<u32> = all.iter().map(|found| found.round.unwrap_or(u32::MAX)).collect();
    assert_eq!(rounds.iter().filter(|round| **round == 1).count(), planned.points.len());
    assert!(rounds.is_sorted(), "{rounds:?}");
    assert!(rounds.iter().any(|round| *round > 1), "none was worth a second look: the check is too blunt");
    for later in all.iter().filter(|found| found.round == Some(2)) {
        let first = all.iter().find(|found| found.point.number == later.point.number).expect("asked before");
        let times = later.requests as f64 / first.requests as f64;
        assert!((3.5..4.5).contains(&times), "{times}");
    }
}

/// A front of some of the points says first how many they are, and that the others may beat them: what `sweep run` prints, its
/// JSON, what the store shows, and its page.
#[test]
fn a_front_of_some_points_says_so_first() {
    let folder = Folder::new();
    folder.file("base.toml", BASE);
    let path = folder.file("grid.toml", GRID);
    let (sweep, _, planned) = planned(GRID);
    let mut seconds = 1;
    let (store, out, json) = loop {
        let [store, json] = ["db", "json"].map(|end| path.replace("grid.toml", &format!("s{seconds}.{end}")));
        let budget = format!("{seconds} s");
        let arguments =
            ["sweep", "run", &path, "--out", &store, "--budget", &budget, "--threads", "1", "--json", &json];
        let (status, out, err) = said(&arguments);
        assert_eq!(status, Some(1), "{seconds} s: {out}{err}");
        let asked = Store::read(Path::new(&store)).expect("a store").count().expect("readable");
        // The beginning of the spread order, however fast the machine is.
        let order = study::spread(&sweep, &planned);
        let first: HashSet<u64> =
            order[..asked as usize].iter().map(|at| planned.points[*at].number).collect();
        let table = Store::read(Path::new(&store)).expect("a store").table().expect("readable");
        assert_eq!(table.points.iter().map(|found| found.point.number).collect::<HashSet<_>>(), first);
        if asked >= 8 {
            assert_eq!(values(table.points.iter()), [5, 8]);
            break (store, out, std::fs::read_to_string(&json).expect("JSON"));
        }
        seconds *= 2;
    };
    let json: serde_json::Value = serde_json::from_str(&json).expect("JSON");
    let (asked, missing) = (json["budget"]["asked"].as_u64(), json["budget"]["not_asked"].as_u64());
    let (asked, missing) = (asked.expect("a number"), missing.expect("a number"));
    assert_eq!(asked + missing, 40);
    let caution = format!("{missing} points were not simulated, and may beat all that were");
    let lines: Vec<&str> = out.lines().collect();
    assert_eq!(lines[0], format!("Not finished: {asked} of 40 points are asked"), "{out}");
    assert_eq!(lines[1], caution, "{out}");
    assert!(lines[2].starts_with("Of these, "), "{out}");
    let (status, out, _) = said(&["sweep", "show", &store, "--best"]);
    assert_eq!(status, Some(0));
    assert_eq!(out.lines().nth(1), Some(caution.as_str()), "{out}");
    let listing = path.replace("grid.toml", "best.json");
    assert_eq!(said(&["sweep", "show", &store, "--best", "--json", &listing, "--quiet"]).0, Some(0));
    let listed: serde_json::Value =
        serde_json::from_str(&std::fs::read_to_string(&listing).expect("JSON")).expect("JSON");
    assert_eq!((&listed["planned"], listed["finished"].as_u64()), (&40.into(), Some(asked)));
    let page = path.replace("grid.toml", "page.html");
    let (status, _, err) = said(&["report", &store, "--out", &page]);
    assert_eq!(status, Some(0), "{err}");
    let page = std::fs::read_to_string(&page).expect("a page");
    let at = |words: &str| page.find(words).unwrap_or_else(|| panic!("no {words}"));
    assert!(at(&caution) < at("that nothing surely beats in"), "said after the front");
    // A whole sweep has no such line; the store of one shard of two does not know the rest.
    let cheap = folder.file("cheap.toml", &GRID.replace("p99.9", "p90"));
    let whole = path.replace("grid.toml", "whole.db");
    assert_eq!(said(&["sweep", "run", &cheap, "--out", &whole, "--budget", "1 h"]).0, Some(0));
    assert!(!said(&["sweep", "show", &whole, "--best"]).1.contains("not simulated"));
    let short = folder.file(
        "short.toml",
        &GRID.replace("[vary]", "[vary]\n\"run.length\" = [\"10 ms\"]").replace("p99.9", "p90"),
    );
    let [one, two] = ["one.db", "two.db"].map(|name| path.replace("grid.toml", name));
    assert_eq!(said(&["sweep", "run", &short, "--out", &one, "--shard", "1/2"]).0, Some(0));
    assert!(said(&["sweep", "show", &one, "--best"]).1.contains("a shard of the sweep is not in the store"));
    assert_eq!(said(&["sweep", "run", &short, "--out", &two, "--shard", "2/2"]).0, Some(0));
    assert_eq!(said(&["sweep", "merge", &one, &two]).0, Some(0));
    assert!(!said(&["sweep", "show", &one, "--best"]).1.contains("not simulated"));
}

/// Points that take minutes each: a plan probes for ten seconds and says what it knows from that. (A slack of ten seconds: the
/// machine is shared, and a point looks at the flag from stride to stride.)
#[test]
fn a_plan_of_slow_points_probes_for_ten_seconds() {
    let folder = Folder::new();
    folder.file("base.toml", &BASE.replace("precision = 0.01", "length = \"10000 s\"\nwarm_up = \"1 s\""));
    let path = folder.file("grid.toml", GRID);
    let json = path.replace("grid.toml", "plan.json");
    let began = Instant::now();
    let (status, out, err) = said(&["sweep", "plan", &path, "--json", &json]);
    let took = began.elapsed();
    assert_eq!(status, Some(0), "{out}{err}");
    assert!(took < Duration::from_secs(20), "{took:?}");
    let words = out.split_whitespace().collect::<Vec<_>>().join(" ");
    let line = words.split_once("Expected: ").expect("what is expected").1;
    assert!(line.starts_with("at least "), "{out}");
    assert!(line.contains(" of 40 points, spread over the space; none was done at "), "{out}");
    let plan: serde_json::Value =
        serde_json::from_str(&std::fs::read_to_string(json).expect("JSON")).expect("JSON");
    let expected = &plan["expected"];
    assert_eq!(expected["probed"], 0);
    let number = |key: &str| expected[key].as_f64().expect("a number");
    assert!(number("cut_off") >= 1.0 && number("probe_s") >= 9.0, "{expected}");
    let all = number("probe_s") * 40.0 / number("cut_off");
    assert!((number("all_s") - all).abs() < 1e-9 * all, "{expected}");
}

/// Points that take milliseconds: the probe reaches all of them, and takes no longer than that.
#[test]
fn a_plan_of_quick_points_knows_them_all() {
    let folder = Folder::new();
    folder.file("base.toml", &BASE.replace("precision = 0.01", "length = \"10 ms\"\nwarm_up = \"1 ms\""));
    let path = folder.file("grid.toml", GRID);
    let (status, out, err) = said(&["sweep", "plan", &path]);
    assert_eq!(status, Some(0), "{out}{err}");
    assert!(out.lines().nth(1).is_some_and(|line| line.ends_with("reached every point")), "{out}");
}
