//! Keys that a scenario leaves out: each is told with the value and the source that `explain` gives, and writing that
//! value changes nothing but the list.

use std::path::{Path, PathBuf};

use forebay::scenario::{KeyAtDefault, Override, Scenario, explain, parse};
use serde_json::Value;

use crate::program::{Folder, said};

/// Two classes of which one is closed, so that some keys are left out by both and some by one.
const SCENARIO: &str = "[run]\nseed = 1\nlength = \"60 ms\"\nwarm_up = \"5 ms\"\n[design.cpu]\ncores = 4\n\
                        service = { mean = \"10 us\", shape = \"exponential\" }\n[design.drives]\ncount = 4\n\
                        service = { mean = \"90 us\", shape = \"exponential\" }\nsplit = true\n[[class]]\nname = \"open\"\n\
                        machines = 1\nload = { rate = \"9000/s\" }\nread = 0.5\nsizes = \"4 KiB\"\n[[class]]\n\
                        name = \"asks.again\"\nmachines = 2\nload = { in_flight = 1 }\nread = 1\nsizes = \"128 KiB\"\n\
                        [[objective]]\nclass = \"open\"\npercentile = 90\nbelow = \"5 ms\"\n";

fn read(text: &str, folder: &Path, sets: &[Override]) -> Scenario {
    parse(text, "s.toml", folder, sets).unwrap_or_else(|problems| panic!("{problems:?}"))
}

/// What makes a key be written, in one table or in all of a list; the value is that of its row.
fn written(row: &KeyAtDefault, scenario: &Scenario) -> Vec<Override> {
    let quoted = |name: &String| match name.contains(['.', '"', ' ']) {
        true => format!("{name:?}"),
        false => name.clone(),
    };
    let names: Vec<String> = match row.key.split_once(".*").map(|(list, _)| list) {
        None => vec![String::new()],
        Some("class") => scenario.classes.iter().map(|class| quoted(&class.name)).collect(),
        Some("objective") => {
            let all = scenario.objectives.len() + scenario.what_if.objectives.len();
            (0..all).map(|n| n.to_string()).collect()
        }
        Some("phase") => scenario.phases.iter().map(|phase| quoted(&phase.name)).collect(),
        Some("fault") => {
            let faults = scenario.faults.iter().chain(&scenario.what_if.faults);
            faults.map(|fault| quoted(&fault.name)).collect()
        }
        Some(other) => panic!("a list that this test does not know: {other}"),
    };
    let path = |name: &String| row.key.replacen('*', name, 1);
    names.iter().map(|name| Override { path: path(name), value: row.value.clone() }).collect()
}

/// The scenarios that come with the tool.
fn workloads() -> Vec<PathBuf> {
    let folders = ["workloads", "workloads/surprises", "workloads/plausibility", "workloads/textbook"];
    let files = folders.iter().flat_map(|folder| std::fs::read_dir(folder).expect("a folder"));
    let mut paths: Vec<PathBuf> = files.map(|file| file.expect("a file").path()).collect();
    paths.retain(|path| {
        let name = path.to_string_lossy();
        name.ends_with(".toml") && !name.ends_with(".expected.toml")
    });
    paths.sort();
    paths
}

/// Claim: of every scenario that comes with the tool, each row is what `explain` says; a row whose value can be written
/// goes away when it is written, alone, and the scenario stays the same.
#[test]
fn a_default_that_is_written_out_leaves_the_list_and_changes_nothing() {
    let mut tried = 0;
    for path in workloads() {
        let text = std::fs::read_to_string(&path).expect("a scenario");
        let folder = path.parent().expect("a folder");
        let left_out = read(&text, folder, &[]);
        assert!(left_out.defaults.0.iter().all(|row| !row.source.is_empty()), "{}", path.display());
        for row in &left_out.defaults.0 {
            let place = format!("{}: {}", path.display(), row.key);
            let words = explain(&row.key).expect(&place);
            let stated = row.value.split(" (").next().expect("a value");
            assert!(words.contains(stated) && words.contains(row.source), "{place}: {words}");
            if !words.contains(&format!("  default  {}\n", row.value)) || toml_of(&row.value).is_none() {
                continue;
            }
            let mut sets = written(row, &left_out);
            let mut again = read(&text, folder, &sets);
            let keys = |rows: &[KeyAtDefault]| rows.iter().map(|row| row.key.clone()).collect::<Vec<_>>();
            let mut rest = keys(&left_out.defaults.0);
            rest.retain(|key| *key != row.key);
            assert_eq!(keys(&again.defaults.0), rest, "{place}");
            again.digest.clone_from(&left_out.digest);
            // That a drive's prior is stated is known of the part, and the tail is told otherwise.
            let is_prior = row.key.ends_with(".program") || row.key.ends_with(".suspend");
            assert!(is_prior || again == left_out, "{place}");
            // One table of several: the others still leave it out.
            if sets.len() > 1 {
                sets.truncate(1);
                let one = read(&text, folder, &sets).defaults.0;
                assert!(one.iter().all(|other| other.key != row.key && other.key != sets[0].path), "{place}");
                assert!(one.len() >= left_out.defaults.0.len(), "{place}");
            }
            tried += 1;
        }
    }
    assert!(tried > 300, "{tried} keys were tried");
}

/// The value, if it is TOML and no words.
fn toml_of(text: &str) -> Option<toml::Value> {
    toml::from_str::<toml::Table>(&format!("key = {text}")).ok()?.remove("key")
}

fn answer(path: &str, sets: &[String]) -> Value {
    let sets: Vec<&str> = sets.iter().flat_map(|set| ["--set", set]).collect();
    let (status, out, err) = said(&[&["run", path, "--json", "-", "--quiet"], &sets[..]].concat());
    assert!(matches!(status, Some(0 | 1)), "{err}");
    serde_json::from_str(&out).expect("JSON")
}

/// Outside in: what the JSON lists is not in the file, `explain` knows it, and a run with all of it written out finds the
/// same figures and lists none of it.
#[test]
fn the_answer_lists_what_the_file_leaves_out() {
    let folder = Folder::new();
    let path = folder.file("s.toml", SCENARIO);
    let first = answer(&path, &[]);
    let rows = first["defaults"].as_array().expect("rows");
    let keys: Vec<&str> = rows.iter().filter_map(|row| row["key"].as_str()).collect();
    for listed in ["run.confidence", "design.layout.chunk", "class.open.arrivals", "class.*.align"] {
        assert!(keys.contains(&listed), "{listed} is not in {keys:?}");
    }
    // Written, of tables that are not there, of another kind of load, or idle beside what was written.
    let absent =
        ["run.seed", "run.length_max", "run.series", "cores", "memory", "asks.again\".arrivals", "streams"];
    for listed in absent.into_iter().chain(["speed", "spares", "compress", "extent", "design.ports"]) {
        assert!(keys.iter().all(|key| !key.contains(listed)), "{listed} is in {keys:?}");
    }
    let scenario = read(SCENARIO, Path::new(""), &[]);
    let mut sets = Vec::new();
    for (row, known) in rows.iter().zip(&scenario.defaults.0) {
        let [key, value, source] = ["key", "value", "source"].map(|field| row[field].as_str().expect("text"));
        let (status, words, err) = said(&["explain", key]);
        assert_eq!(status, Some(0), "{err}");
        assert!(words.contains(&format!("default  {value}\n")) && words.contains(source), "{key}: {words}");
        if toml_of(value).is_some() {
            sets.extend(
                written(known, &scenario).into_iter().map(|set| format!("{}={}", set.path, set.value)),
            );
        }
    }
    let second = answer(&path, &sets);
    for figures in ["run", "verdict", "carried", "classes", "stations", "blame", "objectives", "ledger"] {
        assert_eq!(first[figures], second[figures], "{figures}");
    }
    let still: Vec<&Value> =
        rows.iter().filter(|row| toml_of(row["value"].as_str().unwrap_or("")).is_none()).collect();
    assert_eq!(second["defaults"].as_array().expect("words are left").iter().collect::<Vec<_>>(), still);
}

/// What dates make of the length, and of a series that would be too fine, is told beside the default.
#[test]
fn what_dates_settle_is_told() {
    let dated = "[[phase]]\nname = \"rush\"\nfrom = \"1 s\"\nto = \"2 h\"\nload = { open = 2 }\n";
    let text = SCENARIO
        .replace("length = \"60 ms\"\n", "")
        .replace("[[objective]]", &format!("{dated}[[objective]]"));
    let rows = read(&text, Path::new(""), &[]).defaults.0;
    let value = |key: &str| rows.iter().find(|row| row.key == key).map(|row| row.value.clone());
    assert_eq!(value("run.length").as_deref(), Some("\"auto\" (2.5 h here)"));
    assert_eq!(value("run.series").as_deref(), Some("\"100 ms\" (1 s here)"));
    assert_eq!(value("run.length_max"), None);
}
