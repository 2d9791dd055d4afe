//! Sweeps: what is asked of each point, what is kept, what survives a killed process, shards, and errors.

use std::path::Path;
use std::process::{Command, Stdio};
use std::time::Duration;

use forebay::outcome::SweepTable;
use forebay::store::Store;

use crate::program::{Folder, said};

const BASE: &str = "[run]\nseed = 1\nlength = \"20 ms\"\nwarm_up = \"2 ms\"\nreplications = 2\n[design.cpu]\ncores = 2\n\
                    service = { mean = \"10 us\", shape = \"exponential\" }\n[[class]]\nname = \"a\"\nmachines = 1\n\
                    load = { rate = \"50000/s\" }\nread = 1\nsizes = \"4 KiB\"\n[[objective]]\nclass = \"a\"\n\
                    percentile = 90\nbelow = \"100 us\"\n";

fn sweep_of(vary: &str) -> (Folder, String) {
    let folder = Folder::new();
    folder.file("base.toml", BASE);
    let path = folder.file("sweep.toml", &format!("base = \"base.toml\"\n{vary}"));
    (folder, path)
}

/// 5 × 8 points.
const GRID: &str = "[vary]\ndesign.cpu.cores = [1, 2, 3, 4, 6]\n\
                    \"class.a.load.rate\" = { from = \"20000/s\", to = \"160000/s\", points = 8 }\n";

fn store_of(sweep: &str, name: &str) -> String {
    Path::new(sweep).with_file_name(name).display().to_string()
}

fn table(store: &str) -> SweepTable {
    let store = Store::read(Path::new(store)).unwrap_or_else(|error| panic!("{error}"));
    store.table().unwrap_or_else(|error| panic!("{error}"))
}

/// A point's answer is the answer of `run` with its changes, but for keys at their default, and its figures are that answer's.
#[test]
fn a_point_is_the_scenario_with_its_changes() {
    let (_folder, sweep) = sweep_of("[vary]\ndesign.cpu.cores = [1, 3]\n");
    let store = store_of(&sweep, "s.db");
    let (status, out, err) = said(&["sweep", "run", &sweep, "--out", &store]);
    assert_eq!(status, Some(0), "{out}{err}");
    let base = store_of(&sweep, "base.toml");
    let kept = Store::read(Path::new(&store)).expect("a store");
    for (number, cores) in [(0, 1), (1, 3)] {
        let (_, json, _) =
            said(&["run", &base, "--set", &format!("design.cpu.cores={cores}"), "--json", "-"]);
        let mut alone: serde_json::Value = serde_json::from_str(&json).expect("JSON");
        // Keys at their default are the base's: points are kept without them.
        assert!(alone.as_object_mut().and_then(|fields| fields.remove("defaults")).is_some());
        let answers = kept.answers(number).expect("readable").expect("there");
        let answers: serde_json::Value = serde_json::from_str(&answers).expect("JSON");
        assert_eq!(answers["run"], alone, "{cores} cores");
        let table = table(&store);
        let point = &table.points[number as usize];
        assert_eq!(point.point.sets, [("design.cpu.cores".to_owned(), cores.to_string())]);
        assert_eq!(alone["scenario_digest"], point.scenario_digest.as_str());
        let carried = point.figures.iter().find(|figure| figure.name == "run.carried_iops").expect("kept");
        assert_eq!(carried.value, alone["carried"]["iops"]["value"].as_f64());
    }
}

/// Killed at 20 random moments (seeded) and started again each time, a sweep ends with the table of one that was not:
/// nothing lost, nothing twice.
#[test]
fn a_killed_sweep_goes_on_where_it_ended() {
    killed(20);
}

/// The same 200 times.
#[test]
#[ignore = "two hundred processes"]
fn a_sweep_killed_two_hundred_times_goes_on_where_it_ended() {
    killed(200);
}

fn killed(times: u32) {
    let (_folder, sweep) = sweep_of(GRID);
    let (whole, killed) = (store_of(&sweep, "whole.db"), store_of(&sweep, "killed.db"));
    let began = std::time::Instant::now();
    assert_eq!(said(&["sweep", "run", &sweep, "--out", &whole]).0, Some(0));
    let takes = began.elapsed();
    let (mut state, mut kills, mut partly) = (5_u64, 0, 0);
    while kills < times {
        let mut child = Command::new(env!("CARGO_BIN_EXE_forebay"))
            .args(["sweep", "run", &sweep, "--out", &killed, "--quiet"])
            .stdout(Stdio::null())
            .stderr(Stdio::null())
            .spawn()
            .expect("it starts");
        state = state.wrapping_mul(6_364_136_223_846_793_005).wrapping_add(1_442_695_040_888_963_407);
        std::thread::sleep(Duration::from_secs_f64(
            takes.as_secs_f64() * (state >> 40) as f64 / 2f64.powi(24) / 4.0,
        ));
        // The signal that nobody can catch.
        let _ = child.kill();
        let ended = child.wait().expect("it ends");
        kills += 1;
        partly += u32::from(!ended.success());
        if let Ok(store) = Store::read(Path::new(&killed)) {
            let done = store.finished().map_or(0, |numbers| numbers.len());
            if done == 40 {
                // All done before the last kill: from the start again.
                for end in ["", "-wal", "-shm"] {
                    let _ = std::fs::remove_file(format!("{killed}{end}"));
                }
            }
        }
    }
    println!("{partly} of {kills} were cut short");
    assert!(2 * partly >= times, "{partly}: the kills came too late to tell anything");
    assert_eq!(said(&["sweep", "run", &sweep, "--out", &killed]).0, Some(0));
    assert_eq!(table(&killed), table(&whole));
    assert_eq!(table(&whole).points.len(), 40);
}

/// Where the file system takes no more, one sentence says so, and what was finished is there: with room again the sweep
/// goes on to the same table. (A limit on the size of files stands for the full disk: the shell's, with its signal ignored.)
#[cfg(unix)]
#[test]
fn a_full_disk_loses_no_finished_point() {
    let (_folder, sweep) = sweep_of(GRID);
    let (whole, tight) = (store_of(&sweep, "whole.db"), store_of(&sweep, "tight.db"));
    assert_eq!(said(&["sweep", "run", &sweep, "--out", &whole]).0, Some(0));
    let script = "trap '' XFSZ; ulimit -f 400; \"$0\" sweep run \"$1\" --out \"$2\"";
    let out = Command::new("bash")
        .args(["-c", script, env!("CARGO_BIN_EXE_forebay"), &sweep, &tight])
        .output()
        .expect("a shell");
    let err = String::from_utf8_lossy(&out.stderr);
    assert_eq!(out.status.code(), Some(2), "{err}");
    assert!(err.contains("points that were finished are kept"), "{err}");
    let kept = table(&tight);
    assert!(!kept.points.is_empty() && kept.points.len() < 40, "{}", kept.points.len());
    assert_eq!(said(&["sweep", "run", &sweep, "--out", &tight]).0, Some(0));
    assert_eq!(table(&tight), table(&whole));
}

/// Three shards, joined in any order and twice, are the whole sweep, to the byte of the CSV.
#[test]
fn shards_join_to_the_whole() {
    let (_folder, sweep) = sweep_of(GRID);
    let whole = store_of(&sweep, "whole.db");
    assert_eq!(said(&["sweep", "run", &sweep, "--out", &whole]).0, Some(0));
    let shards: Vec<String> = (1..=3).map(|k| store_of(&sweep, &format!("part{k}.db"))).collect();
    for (k, store) in shards.iter().enumerate() {
        let (status, out, _) =
            said(&["sweep", "run", &sweep, "--out", store, "--shard", &format!("{}/3", k + 1)]);
        assert_eq!(status, Some(0), "{out}");
    }
    let joined = store_of(&sweep, "joined.db");
    let merge = ["sweep", "merge", &joined, &shards[2], &shards[0], &shards[1]];
    assert_eq!(said(&merge).1, format!("40 points taken over into {joined}\n"));
    assert_eq!(said(&merge).1, format!("0 points taken over into {joined}\n"));
    let csv = |store: &str| said(&["sweep", "show", store, "--csv", "-"]).1;
    assert_eq!(csv(&joined), csv(&whole));
    assert_eq!(csv(&whole).lines().count(), 41);
    // A store of another sweep is not let in.
    let (_other, other) = sweep_of("[vary]\ndesign.cpu.cores = [1, 3]\n");
    let store = store_of(&other, "other.db");
    assert_eq!(said(&["sweep", "run", &other, "--out", &store]).0, Some(0));
    let (status, _, err) = said(&["sweep", "merge", &joined, &store]);
    assert_eq!(status, Some(2));
    assert!(err.contains("made from something else") && err.contains("sweep file, line"), "{err}");
}

/// Everything in a store as CSV: every point and every figure with its ends; a build without Parquet says how to get it.
#[test]
fn a_store_is_exported_whole() {
    let (_folder, sweep) = sweep_of("[vary]\ndesign.cpu.cores = [1, 3]\n");
    let store = store_of(&sweep, "s.db");
    assert_eq!(said(&["sweep", "run", &sweep, "--out", &store]).0, Some(0));
    let (status, csv, _) = said(&["sweep", "export", &store, "--csv", "-"]);
    assert_eq!(status, Some(0));
    let header = csv.lines().next().expect("a header");
    let figures = table(&store).points[0].figures.len();
    assert_eq!(header.split(',').count(), 2 + 3 * figures + 3, "{header}");
    assert!(header.starts_with("point,design.cpu.cores,run.carried_iops,run.carried_iops.low"), "{header}");
    let (status, _, err) = said(&["sweep", "export", &store]);
    assert_eq!(status, Some(2));
    assert!(err.contains("--csv FILE"), "{err}");
    let (status, _, err) = said(&["sweep", "export", &store, "--parquet", &store_of(&sweep, "s.parquet")]);
    match cfg!(feature = "parquet") {
        true => assert_eq!(status, Some(0), "{err}"),
        false => assert!(err.contains("--features parquet"), "{err}"),
    }
}

/// A store belongs to the texts it was made from: what differs is told, and nothing is lost.
#[test]
fn a_changed_base_is_refused_with_the_difference() {
    let (folder, sweep) = sweep_of("[vary]\ndesign.cpu.cores = [1, 3]\n");
    let store = store_of(&sweep, "s.db");
    assert_eq!(said(&["sweep", "run", &sweep, "--out", &store]).0, Some(0));
    folder.file("base.toml", &BASE.replace("seed = 1", "seed = 2"));
    let (status, _, err) = said(&["sweep", "run", &sweep, "--out", &store]);
    assert_eq!(status, Some(2));
    assert!(err.contains("base scenario, line 2:") && err.contains("there: seed = 1"), "{err}");
    assert_eq!(table(&store).points.len(), 2);
}

/// Variants that are no scenario, or beyond the stated limits, cost nothing and are counted; a point that goes wrong is kept
/// with its error and the others go on.
#[test]
fn what_cannot_be_is_dropped_and_what_fails_is_kept() {
    let (_folder, sweep) = sweep_of(
        "ask = [\"run\", \"wear\"]\n[vary]\ndesign.cpu.cores = [0, 1, 2]\n\"class.a.load.rate\" = [\"20000/s\", \"150000/s\"]\n\
         [drop]\nbusy_above = 0.9\n",
    );
    let (status, out, _) = said(&["sweep", "plan", &sweep, "--no-probe"]);
    assert_eq!(status, Some(0), "{out}");
    assert!(out.starts_with("3 of 6 variants of base.toml will be asked: run, wear"), "{out}");
    assert!(
        out.contains(" 2: `design.cpu.cores` is 0, below 1") && out.contains(" 1: busier than 0.9"),
        "{out}"
    );
    // No drives, so nothing wears: the run is kept, and why there is no more.
    let store = store_of(&sweep, "s.db");
    let (status, out, _) = said(&["sweep", "run", &sweep, "--out", &store]);
    assert_eq!(status, Some(1), "{out}");
    assert!(out.contains("3 of 3 points are finished; 3 with an error"), "{out}");
    let table = table(&store);
    assert!(
        table.points.iter().all(|point| point.error.as_ref().is_some_and(|why| why.contains("no drive")))
    );
    assert!(table.points.iter().all(|point| point.figures.iter().any(|f| f.name == "run.carried_iops")));
}

/// The shipped sweeps can be planned, and all that they vary can be asked.
#[test]
fn shipped_sweeps_can_be_planned() {
    for file in std::fs::read_dir("workloads/sweeps").expect("shipped").flatten() {
        let path = file.path().display().to_string();
        let (status, out, err) = said(&["sweep", "plan", &path, "--no-probe"]);
        assert_eq!(status, Some(0), "{path}: {err}");
        assert!(!out.starts_with("0 of"), "{path}: {out}");
    }
}

/// Boxes with more and with faster cores for more money: an M/M/c queue each.
const PRICED: &str = "[run]\nseed = 3\nprecision = 0.02\n[design.cpu]\ncores = 2\n\
                      service = { mean = \"20 us\", shape = \"exponential\" }\n[[class]]\nname = \"a\"\nmachines = 1\n\
                      load = { rate = \"80000/s\" }\nread = 1\nsizes = \"4 KiB\"\n[[objective]]\nclass = \"a\"\n\
                      percentile = 99\nbelow = \"1 ms\"\n[design.price]\ncurrency = \"tokens\"\nsystem = 1\n";

const BOXES: &str = "base = \"base.toml\"\n[front]\nleast = [\"design.price_total\", \"run.a.read.p99_us\"]\n[[together]]\n\
                     design.cpu.cores = [2, 3, 4, 2, 3, 4, 2, 3, 4, 2, 3, 4, 2, 3, 4, 3, 4, 6]\n\
                     design.cpu.service.mean = [\"20 us\", \"20 us\", \"20 us\", \"23 us\", \"23 us\", \"23 us\", \"17 us\", \"17 us\", \
                     \"17 us\", \"14 us\", \"14 us\", \"14 us\", \"10 us\", \"10 us\", \"10 us\", \"34 us\", \"34 us\", \"34 us\"]\n\
                     design.price.system = [100, 140, 180, 90, 130, 170, 150, 200, 260, 200, 260, 330, 300, 370, 450, 145, 175, 190]\n";

fn boxes(base: &str) -> (Folder, String) {
    let folder = Folder::new();
    folder.file("base.toml", base);
    let path = folder.file("boxes.toml", BOXES);
    (folder, path)
}

/// Points of a store that are on its sweep's front by their values, by number.
fn front(store: &str) -> Vec<u64> {
    let (status, json, err) = said(&["sweep", "show", store, "--best", "--json", "-"]);
    assert_eq!(status, Some(0), "{err}");
    let shown: serde_json::Value = serde_json::from_str(&json).expect("JSON");
    let rows = shown["rows"].as_array().expect("rows").iter();
    rows.filter(|row| row["standing"] == "front").filter_map(|row| row["number"].as_u64()).collect()
}

/// A race finds the front that asking everything as the scenario says finds, with at most a third of the requests. (One
/// seed: the same every time; the numbers are printed.)
#[test]
fn a_budget_finds_the_same_front_with_a_third_of_the_requests() {
    let (_folder, sweep) = boxes(PRICED);
    let (raced, whole) = (store_of(&sweep, "raced.db"), store_of(&sweep, "whole.db"));
    let (status, json, err) =
        said(&["sweep", "run", &sweep, "--out", &raced, "--budget", "1h", "--json", "-"]);
    assert_eq!(status, Some(0), "{err}");
    let race: serde_json::Value = serde_json::from_str(&json).expect("JSON");
    assert_eq!(race["budget"]["waiting"], 0);
    assert_eq!(said(&["sweep", "run", &sweep, "--out", &whole]).0, Some(0));
    let rounds = race["budget"]["rounds"].as_array().expect("rounds");
    let spent: u64 = rounds.iter().filter_map(|row| row["requests"].as_u64()).sum();
    let all: u64 = table(&whole).points.iter().map(|point| point.requests).sum();
    println!("{spent} of {all} requests: {:.3}; front {:?}", spent as f64 / all as f64, front(&whole));
    assert_eq!(front(&raced), front(&whole));
    assert!(front(&whole).len() >= 4);
    assert!(3 * spent <= all, "{spent} of {all}");
    // What the race asked as the scenario says is to the byte what the other sweep found; the rest was asked shortly.
    let (raced_points, whole_points) = (table(&raced).points, table(&whole).points);
    let as_stated = raced_points.iter().filter(|point| point.round.is_none());
    assert!(as_stated.clone().count() < raced_points.len());
    assert!(as_stated.clone().all(|point| whole_points.contains(point)));
    let short = raced_points.iter().find(|point| point.round == Some(1)).expect("some were asked once");
    assert!(!short.asked_with.is_empty(), "what was changed");
    // ... and can be asked again by what is recorded.
    let sets: Vec<String> = short.point.sets.iter().map(|(key, value)| format!("{key}={value}")).collect();
    let base = store_of(&sweep, "base.toml");
    let mut all = vec!["run", &base, "--json", "-"];
    let changed: Vec<String> = short.asked_with.iter().map(|(key, value)| format!("{key}={value}")).collect();
    sets.iter().chain(&changed).for_each(|set| all.extend(["--set", set]));
    let alone: serde_json::Value = serde_json::from_str(&said(&all).1).expect("JSON");
    assert_eq!(alone["scenario_digest"], short.scenario_digest.as_str());
}

/// A budget that is over before anything is done says so; taken up again it ends as one that was not cut short; and without
/// a budget the sweep goes on to ask the rest.
#[test]
fn a_budget_that_runs_out_is_taken_up_again() {
    let (_folder, sweep) = boxes(&PRICED.replace("0.02", "0.1"));
    let (cut, whole) = (store_of(&sweep, "cut.db"), store_of(&sweep, "whole.db"));
    let (status, out, _) = said(&["sweep", "run", &sweep, "--out", &cut, "--budget", "1 ms"]);
    assert_eq!(status, Some(1), "{out}");
    assert!(out.starts_with("Not finished: "), "{out}");
    for (store, budget) in [(&cut, "300 ms"), (&cut, "1 h"), (&whole, "1 h")] {
        said(&["sweep", "run", &sweep, "--out", store, "--budget", budget]);
    }
    assert_eq!(table(&cut), table(&whole));
    let (status, out, _) = said(&["sweep", "run", &sweep, "--out", &cut]);
    assert_eq!(status, Some(0), "{out}");
    assert!(table(&cut).points.iter().all(|point| point.round.is_none()));
}

/// What a budget cannot be spent on is refused before anything is asked; a goal that is no figure before anything is kept.
#[test]
fn a_budget_needs_to_know_what_is_sought() {
    let (folder, sweep) = boxes(&PRICED.replace("0.02", "0.2"));
    let plain = folder.file("plain.toml", "base = \"base.toml\"\n[vary]\ndesign.cpu.cores = [2, 4]\n");
    let knee = folder.file("knee.toml", &BOXES.replace("[front]", "ask = [\"knee\"]\n[front]"));
    let wrong = BOXES.replace("run.a.read.p99_us", "run.a.read.p98_us");
    let unknown = folder.file("unknown.toml", &wrong);
    for (sweep, more, words) in [
        (&plain, ["--budget", "1h"].as_slice(), "add [front]"),
        (&knee, &["--budget", "1h"], "`knee` has none"),
        (&sweep, &["--budget", "1h", "--shard", "1/2"], "all points in one store"),
        (&sweep, &["--budget", "soon"], "as in 6h"),
        (&unknown, &["--budget", "1h"], "did you mean `run.a.read.p9"),
        (&unknown, &[], "did you mean `run.a.read.p9"),
    ] {
        let all: Vec<&str> = ["sweep", "run", sweep].into_iter().chain(more.iter().copied()).collect();
        let (status, _, err) = said(&all);
        assert_eq!(status, Some(2), "{err}");
        assert!(err.contains(words), "{words}: {err}");
    }
    // Nothing was kept, so that the mended file may go on in the same store.
    folder.file("unknown.toml", BOXES);
    assert_eq!(said(&["sweep", "run", &unknown, "--budget", "1h"]).0, Some(0));
}

/// A folder that cannot be written to: one sentence, and what is in the store can be read, and is intact. (As root, who may
/// write anywhere, the program runs as nobody.)
#[cfg(unix)]
#[test]
fn a_read_only_folder_is_refused_and_loses_nothing() {
    use std::os::unix::fs::PermissionsExt;
    use std::os::unix::process::CommandExt;
    let (_folder, sweep) = sweep_of("[vary]\ndesign.cpu.cores = [1, 3]\n");
    let store = store_of(&sweep, "s.db");
    assert_eq!(said(&["sweep", "run", &sweep, "--out", &store]).0, Some(0));
    let before = table(&store);
    let program = store_of(&sweep, "program");
    std::fs::copy(env!("CARGO_BIN_EXE_forebay"), &program).expect("a copy that nobody may run");
    let folder = Path::new(&sweep).parent().expect("a folder");
    let allow = |path: &Path, mode| {
        std::fs::set_permissions(path, std::fs::Permissions::from_mode(mode)).expect("it is ours");
    };
    allow(Path::new(&store), 0o444);
    allow(Path::new(&program), 0o755);
    allow(folder, 0o555);
    let is_root = std::fs::write(folder.join("probe"), "").is_ok();
    let said = |arguments: &[&str]| {
        let mut command = Command::new(&program);
        command.args(arguments);
        if is_root {
            command.uid(65534).gid(65534);
        }
        let out = command.output().expect("it starts");
        (
            out.status.code(),
            String::from_utf8_lossy(&out.stdout).into_owned() + &String::from_utf8_lossy(&out.stderr),
        )
    };
    let (shown, words) = said(&["sweep", "show", &store]);
    let (again, refused) = said(&["sweep", "run", &sweep, "--out", &store]);
    let (new, cannot) = said(&["sweep", "run", &sweep, "--out", &store_of(&sweep, "new.db")]);
    allow(folder, 0o755);
    assert_eq!(shown, Some(0), "{words}");
    assert!(words.starts_with("2 of 2 variants finished"), "{words}");
    assert_eq!((again, new), (Some(2), Some(2)), "{refused}{cannot}");
    assert!(refused.contains("written to"), "{refused}");
    assert!(cannot.contains("may it be written to?"), "{cannot}");
    assert_eq!(table(&store), before);
}

/// The JSON of each subcommand keeps to its schema.
#[test]
fn json_keeps_to_the_schemas() {
    let (_folder, sweep) = sweep_of("[vary]\ndesign.cpu.cores = [0, 1, 3]\n[sample]\npoints = 5\n");
    let store = store_of(&sweep, "s.db");
    let (_boxes, boxes) = boxes(&PRICED.replace("0.02", "0.2"));
    let other = store_of(&boxes, "s.db");
    for (arguments, schema) in [
        (vec!["plan", sweep.as_str()], "sweep-plan"),
        (vec!["run", &sweep, "--out", &store], "sweep-run"),
        (vec!["run", &boxes, "--out", &other, "--budget", "1 h"], "sweep-run"),
        (vec!["show", &other, "--best"], "sweep-show"),
        (vec!["show", &store, "--front", "run.all.all.p90_us,-run.carried_iops"], "sweep-show"),
    ] {
        let all: Vec<&str> = ["sweep"].into_iter().chain(arguments).chain(["--json", "-"]).collect();
        let (status, json, err) = said(&all);
        assert_eq!(status, Some(0), "{err}");
        let value: serde_json::Value = serde_json::from_str(&json).expect("JSON and nothing else");
        let schema = std::fs::read_to_string(format!("schema/{schema}.schema.json")).expect("the schema");
        let schema = serde_json::from_str(&schema).expect("JSON");
        let validator = jsonschema::validator_for(&schema).expect("a schema");
        let errors: Vec<String> = validator.iter_errors(&value).map(|error| error.to_string()).collect();
        assert!(errors.is_empty(), "{errors:?}");
    }
}

/// Mistakes are told as those of a scenario are; files that cannot be used in one sentence.
#[test]
fn mistakes_are_told_with_their_place() {
    let (folder, sweep) = sweep_of(
        "ask = [\"rum\"]\n[vary]\ndesign.cpu.cores = 4\n\"class.a.load.rate\" = { from = \"1/s\", to = \"2 MB/s\", points = 3 }\n\
         \"run.seed\" = { from = 1, to = 3, points = 9 }\n[sampel]\npoints = 3\n",
    );
    let (status, _, err) = said(&["sweep", "plan", &sweep, "--no-probe"]);
    assert_eq!(status, Some(2));
    for words in [
        "did you mean \"run\"?",
        "`design.cpu.cores` is one value, which varies nothing",
        "have unlike units",
        "9 points among 3 whole numbers",
        "did you mean `sample`?",
        "sweep.toml:",
    ] {
        assert!(err.contains(words), "{words}: {err}");
    }
    let none = folder.file("none.toml", "base = \"base.toml\"\n");
    assert!(said(&["sweep", "plan", &none]).2.contains("nothing is varied"));
    let gone = folder.file("gone.toml", "base = \"bsae.toml\"\n[vary]\ndesign.cpu.cores = [1, 2]\n");
    let (status, _, err) = said(&["sweep", "run", &gone]);
    assert_eq!(status, Some(2));
    assert!(err.contains("bsae.toml"), "{err}");
    let (status, _, err) = said(&["sweep", "show", &none]);
    assert_eq!(status, Some(2));
    assert!(err.contains("no store of results"), "{err}");
    let good = folder.file("good.toml", "base = \"base.toml\"\n[vary]\ndesign.cpu.cores = [1, 2]\n");
    let (status, _, err) = said(&["sweep", "run", &good, "--out", "no/such/folder/s.db"]);
    assert_eq!(status, Some(2));
    assert!(err.contains("does its folder exist"), "{err}");
    let store = store_of(&good, "good.db");
    assert_eq!(said(&["sweep", "run", &good]).0, Some(0));
    let (status, _, err) = said(&["sweep", "show", &store, "--sort", "run.all.all.p98_us"]);
    assert_eq!(status, Some(2));
    assert!(err.contains("did you mean `run.all.all.p9"), "{err}");
}
