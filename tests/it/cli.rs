//! The outside of the program: help, errors, JSON, exit statuses, closed pipes, interruption.

use std::io::{BufRead, BufReader, Read};
use std::process::Stdio;
use std::time::{Duration, Instant};

use crate::program::{Folder, forebay, said};
use crate::runs::{class, queue};

const MM1: &str = "workloads/textbook/mm1-0.5.toml";
const SERVICE: &str = "{ mean = \"10 us\", shape = \"exponential\" }";

fn small_queue(rate: f64) -> String {
    queue("seed = 3\nreplications = 4\nwarm_up = \"10 ms\"\nlength = \"500 ms\"", 1, SERVICE, rate)
}

#[test]
fn short_help_fits_a_screen_and_lists_what_works() {
    let (status, out, _) = said(&["-h"]);
    assert_eq!(status, Some(0));
    assert!(out.lines().count() <= 30, "{} lines", out.lines().count());
    for command in ["new", "check", "run", "knee", "fit", "compare", "wear", "sweep", "verify", "explain"] {
        assert!(out.contains(command), "{command}");
        assert_eq!(said(&[command, "--help"]).0, Some(0), "{command}");
    }
    assert!(!out.contains("  hinge "), "hinge does not work yet");
}

#[test]
fn long_help_starts_with_examples_and_ends_with_exit_statuses() {
    let (_, out, _) = said(&["--help"]);
    assert!(out.starts_with("Examples:"), "{out}");
    assert!(out.contains("Exit status:"));
    assert!(out.find("Exit status:") > out.find("Options:"));
}

#[test]
fn statuses_tell_how_it_ended() {
    let folder = Folder::new();
    let stable = folder.file("stable.toml", &small_queue(50_000.0));
    assert_eq!(said(&["run", &stable]).0, Some(0));
    let objective = "[[objective]]\nclass = \"requests\"\npercentile = 99\nbelow = \"50 us\"\n".to_string();
    let missed = folder.file("missed.toml", &(small_queue(50_000.0) + &objective));
    assert_eq!(said(&["run", &missed]).0, Some(1), "p99 is 92 us");
    let met = said(&["run", &missed, "--set", "objective.0.below=\"150 us\""]);
    assert_eq!(met.0, Some(0), "{}", met.2);
    assert_eq!(said(&["run", &stable, "--set", "class.requests.load.rate=\"200000/s\""]).0, Some(1));
    assert_eq!(said(&["check", &stable, "--set", "class.requests.load.rate=\"200000/s\""]).0, Some(1));
    assert_eq!(said(&["run", &folder.path("absent.toml")]).0, Some(2));
    assert_eq!(said(&["frobnicate"]).0, Some(2));
    for threads in ["0", "1000000"] {
        assert_eq!(said(&["run", &stable, "--threads", threads]).0, Some(2), "{threads} threads");
    }
    assert_eq!(said(&["verify", "--only", "mm1-0.5"]).0, Some(0));
    assert_eq!(said(&["verify", "--only", "nothing of that name"]).0, Some(2));
}

#[test]
fn json_on_stdout_is_alone_and_fits_its_schema() {
    let (status, out, _) = said(&["run", MM1, "--json", "-"]);
    assert_eq!(status, Some(0));
    assert_fits(&out, "schema/run.schema.json");
    assert_fits(
        &said(&["check", "workloads/emberley-replay.toml", "--json", "-"]).1,
        "schema/check.schema.json",
    );
    assert_fits(&said(&["verify", "--only", "closed-jain-5", "--json", "-"]).1, "schema/verify.schema.json");
    // Short searches: a loose precision, and a load that is soon told.
    let folder = Folder::new();
    let objective = "[[objective]]\nclass = \"requests\"\npercentile = 90\nbelow = \"60 us\"\n";
    let search = folder.file("search.toml", &(small_queue(50_000.0) + objective));
    for command in ["knee", "fit"] {
        let (_, out, err) = said(&[command, &search, "--set", "run.precision=0.1", "--json", "-", "--quiet"]);
        assert!(err.is_empty(), "{err}");
        assert_fits(&out, &format!("schema/{command}.schema.json"));
        let (_, csv, _) = said(&[command, &search, "--set", "run.precision=0.1", "--csv", "-"]);
        assert!(
            csv.starts_with(if command == "knee" {
                "scale,offered_iops"
            } else {
                "case,limit,machines,accepted"
            }),
            "{csv}"
        );
    }
    let (_, csv, _) = said(&["run", MM1, "--csv", "-"]);
    assert!(csv.starts_with("class,operation,requests,iops,mean_us"), "{csv}");
}

/// The text is JSON, nothing else, and fits the schema.
pub fn assert_fits(text: &str, schema: &str) {
    let value: serde_json::Value = serde_json::from_str(text).expect("JSON and nothing else");
    let schema = std::fs::read_to_string(schema).expect("the schema");
    let schema: serde_json::Value = serde_json::from_str(&schema).expect("JSON");
    let validator = jsonschema::validator_for(&schema).expect("a schema");
    let errors: Vec<String> = validator.iter_errors(&value).map(|e| e.to_string()).collect();
    assert!(errors.is_empty(), "{errors:?}");
}

#[test]
fn json_and_csv_cannot_share_stdout() {
    let (status, out, err) = said(&["run", MM1, "--json", "-", "--csv", "-"]);
    assert_eq!((status, out.as_str()), (Some(2), ""));
    assert!(err.contains("both want stdout"), "{err}");
}

#[test]
fn an_override_is_held_to_the_rules_of_the_file() {
    for (set, word) in [
        ("design.cpu.coers=2", "cores"),
        ("design.cpu.cores=-1", "cores"),
        ("class.request.machines=2", "requests"),
        ("class.requests.load.rate=12", "/s"),
        ("nonsense", "="),
    ] {
        let (status, out, err) = said(&["run", MM1, "--set", set]);
        assert_eq!((status, out.as_str()), (Some(2), ""), "{set}");
        assert!(err.contains(word), "{set}: {err}");
    }
}

#[test]
fn the_seed_option_changes_the_seed() {
    let seed = |arguments: &[&str]| {
        let value: serde_json::Value = serde_json::from_str(&said(arguments).1).expect("JSON");
        value["seed"].as_u64()
    };
    assert_eq!(seed(&["run", MM1, "--json", "-", "--seed", "99"]), Some(99));
}

#[test]
fn a_missing_trace_is_one_clear_error() {
    let folder = Folder::new();
    let text = "[design.cpu]\ncores = 1\nservice = \"1 us\"\n[[class]]\nname = \"t\"\nmachines = 1\nload = { trace = \"absent.csv\" }\n";
    let (status, _, err) = said(&["run", &folder.file("trace.toml", text)]);
    assert_eq!(status, Some(2));
    assert!(err.contains("absent.csv") && err.starts_with("error: "), "{err}");
}

#[test]
fn new_writes_a_scenario_that_passes_its_check_and_never_overwrites() {
    let folder = Folder::new();
    let path = folder.path("mine.toml");
    assert_eq!(said(&["new", &path]).0, Some(0));
    let (status, out, err) = said(&["check", &path]);
    assert_eq!(status, Some(0), "{err}");
    assert!(out.starts_with("The scenario is valid"), "{out}");
    let (status, _, err) = said(&["new", &path]);
    assert_eq!(status, Some(2));
    assert!(err.contains("exists"), "{err}");
}

#[test]
fn explain_knows_keys_and_near_misses() {
    let (status, out, _) = said(&["explain", "design.ports.rate"]);
    assert_eq!(status, Some(0));
    assert!(out.contains("design.ports.rate"));
    let (status, _, err) = said(&["explain", "design.ports.rat"]);
    assert_eq!(status, Some(2));
    assert!(err.contains("rate"), "{err}");
}

#[test]
fn colour_comes_only_when_asked_for() {
    assert!(!said(&["check", MM1]).1.contains('\u{1b}'), "piped output is plain");
    assert!(said(&["check", MM1, "--color", "always"]).1.contains('\u{1b}'));
}

#[test]
fn a_closed_pipe_ends_quietly() {
    let mut child =
        forebay(&["explain"]).stdout(Stdio::piped()).stderr(Stdio::piped()).spawn().expect("starts");
    let mut first = String::new();
    BufReader::new(child.stdout.take().expect("piped")).read_line(&mut first).expect("a line");
    let mut complaint = String::new();
    child.stderr.take().expect("piped").read_to_string(&mut complaint).expect("readable");
    child.wait().expect("ends");
    assert!(complaint.is_empty(), "{complaint}");
}

/// Ctrl-C in a run of minutes and in one of a month, where the parts of the stated length are days.
#[cfg(unix)]
#[test]
fn an_interruption_prints_what_is_known() {
    for length in ["600 s", "30 days"] {
        let folder = Folder::new();
        let text = format!(
            "[run]\nwarm_up = \"1 ms\"\nlength = \"{length}\"\n[design.cpu]\ncores = 2\nservice = {SERVICE}\n{}",
            class("requests", "{ rate = \"100000/s\" }")
        );
        let path = folder.file("long.toml", &text);
        let mut child =
            forebay(&["run", &path]).stdout(Stdio::piped()).stderr(Stdio::piped()).spawn().expect("starts");
        std::thread::sleep(Duration::from_millis(1500));
        let id = child.id().to_string();
        let sent = std::process::Command::new("kill").args(["-INT", &id]).status().expect("kill");
        assert!(sent.success());
        let sent = Instant::now();
        while child.try_wait().expect("a child of ours").is_none() {
            if sent.elapsed() > Duration::from_secs(20) {
                child.kill().expect("a child of ours");
                panic!("{length}: still running 20 s after Ctrl-C");
            }
            std::thread::sleep(Duration::from_millis(10));
        }
        let output = child.wait_with_output().expect("ends");
        let out = String::from_utf8_lossy(&output.stdout);
        assert_eq!(output.status.code(), Some(130), "{length}: {out}");
        assert!(out.contains("interrupted"), "{length}: {out}");
    }
}
