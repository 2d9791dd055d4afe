//! Interrupted or out of time: what is known is said, by design and case, and nothing more; and what progress says on the way.
//!
//! Time is counted in messages of progress where a test must not depend on the machine; where the program itself runs, the
//! limits are far from what any machine takes.

use std::sync::Mutex;
use std::sync::atomic::{AtomicBool, Ordering};
use std::time::{Duration, Instant};

use forebay::outcome::{CompareOutcome, Figure, FitOutcome, KneeOutcome, State};
use forebay::report::json::to_json;
use forebay::report::terminal::{self, Style};
use forebay::scenario::Scenario;
use forebay::study::{self, Contender, Context, Time};

use crate::cli::assert_fits;
use crate::program::{Folder, forebay, said, text};
use crate::runs::{class, queue, scenario};

/// Asks with a flag that is raised at the first message with these words in it.
fn interrupted_at<T>(words: &str, ask: impl FnOnce(&Context) -> T) -> T {
    let flag = AtomicBool::new(false);
    let found = ask(&Context {
        interrupted: &flag,
        time: None,
        progress: &|said| {
            if said.contains(words) {
                flag.store(true, Ordering::Relaxed);
            }
        },
        detail: false,
    });
    assert!(flag.into_inner(), "nothing said \"{words}\"");
    found
}

/// A time that goes on by one with each message of progress.
struct Counted {
    over: AtomicBool,
    state: Mutex<Passed>,
}

/// Messages so far; when the whole and the parts that have begun end, and whether they were cut.
struct Passed {
    now: f64,
    parts: Vec<(f64, bool)>,
}

impl Counted {
    fn change(&self, how: impl FnOnce(&mut Passed)) {
        let mut state = self.state.lock().expect("whole");
        how(&mut state);
        let now = state.now;
        let part = state.parts.last_mut().expect("the whole");
        part.1 |= now >= part.0;
        self.over.store(now >= part.0, Ordering::Relaxed);
    }
}

impl Time for Counted {
    fn begin(&self, share: f64) {
        self.change(|state| {
            let left = (state.parts.last().expect("the whole").0 - state.now).max(0.0);
            state.parts.push((state.now + left * share, false));
        });
    }

    fn end(&self) {
        self.change(|state| {
            let (_, is_cut) = state.parts.pop().expect("a part");
            state.parts.last_mut().expect("the whole").1 |= is_cut;
        });
    }

    fn is_cut(&self) -> bool {
        self.state.lock().expect("whole").parts.last().expect("the whole").1
    }

    fn is_interrupted(&self) -> bool {
        false
    }

    fn given(&self) -> &str {
        "so many messages"
    }
}

/// Asks within so many messages; also what was said.
fn within<T>(messages: f64, ask: impl FnOnce(&Context) -> T) -> (T, Vec<String>) {
    let clock = Counted {
        over: AtomicBool::new(false),
        state: Mutex::new(Passed { now: 0.0, parts: vec![(messages, false)] }),
    };
    let said = Mutex::new(Vec::new());
    let found = ask(&Context {
        interrupted: &clock.over,
        time: Some(&clock),
        progress: &|words| {
            said.lock().expect("whole").push(words.to_owned());
            clock.change(|state| state.now += 1.0);
        },
        detail: false,
    });
    (found, said.into_inner().expect("whole"))
}

/// A core of 10 us, exponential, p99 below 200 us: M/M/1, whose limit is 76.97 machines of 1,000 requests/s.
fn machines(seed: u64, more: &str) -> Scenario {
    scenario(&format!(
        "[run]\nseed = {seed}\n[design.ports]\ncount = 2\nservice = {{ mean = \"10 us\", shape = \"exponential\" }}\n\
         spread = \"per-request\"\n[[class]]\nname = \"requests\"\nmachines = 60\nload = {{ rate = \"1000/s\" }}\n\
         read = 1\nsizes = \"4 KiB\"\n{more}\n[[objective]]\nclass = \"requests\"\npercentile = 99\n\
         below = \"200 us\"\nduring = \"any\"\n"
    ))
}

const TWO_FAULTS: &str = "[[fault]]\nname = \"port 0 down\"\nkind = \"port-down\"\nport = 0\nin_force = false\n\
                          [[fault]]\nname = \"port 1 down\"\nkind = \"port-down\"\nport = 1\nin_force = false\n";

fn schema_of(name: &str, json: &str) {
    assert_fits(json, &format!("schema/{name}.schema.json"));
}

fn is_known(figure: &Figure) -> bool {
    figure.value.is_some() && figure.low.is_some() && figure.high.is_some()
}

fn fit_of(scenario: &Scenario, context: &Context) -> FitOutcome {
    study::fit(scenario, None, context).unwrap_or_else(|error| panic!("{error}"))
}

fn knee_of(scenario: &Scenario, context: &Context) -> KneeOutcome {
    study::knee(scenario, context).unwrap_or_else(|error| panic!("{error}"))
}

/// The case that was finished stands in full, the one that was not begun is named, and the promise is open below a number.
#[test]
fn an_interrupted_fit_keeps_the_cases_that_it_finished() {
    let design = machines(5, TWO_FAULTS);
    let found = interrupted_at("port 0 down: objectives", |context| fit_of(&design, context));
    schema_of("fit", &to_json(&found));
    assert!(found.interrupted && is_known(&found.healthy.machines), "{:?}", found.healthy);
    let reason = |n: usize| found.faults[n].machines.reason.clone().unwrap_or_default();
    assert!(reason(0).starts_with("interrupted: no number was accepted"), "{}", reason(0));
    assert_eq!(reason(1), "interrupted: not begun");
    let (promise, healthy) = (&found.machines, found.healthy.machines.high.expect("known"));
    assert_eq!((promise.value, promise.high), (None, Some(healthy)), "{promise:?}");
    let words = promise.reason.as_deref().unwrap_or_default();
    assert!(words.contains(&format!("fewer than {healthy:.0} by healthy")), "{words}");
    // A limit is that of the case which may yet be the smallest.
    let latency = &found.by_limit[0];
    assert_eq!((latency.machines.value, latency.machines.high), (None, Some(healthy)), "{latency:?}");
}

/// In the time that one case alone takes, each of three has its turn.
#[test]
fn no_case_of_a_fit_starves_another() {
    let design = machines(5, TWO_FAULTS);
    let (whole, said) = within(1e9, |context| fit_of(&design, context));
    assert!(!whole.notes.iter().any(|note| note.contains("--within")), "{:?}", whole.notes);
    let healthy = said.iter().filter(|words| words.starts_with("case healthy: ")).count();
    let (found, said) = within(healthy as f64 + 4.0, |context| fit_of(&design, context));
    schema_of("fit", &to_json(&found));
    assert!(!found.interrupted, "time is no interruption");
    for name in ["healthy", "port 0 down", "port 1 down"] {
        let turns = said.iter().filter(|words| words.starts_with(&format!("case {name}: "))).count();
        assert!(turns > 1, "{name}: {said:?}");
    }
    let note = found
        .notes
        .iter()
        .find(|note| note.contains("stopped after so many messages (`--within`)"))
        .expect("a note");
    assert!(note.contains("not finished by then: healthy, port 0 down, port 1 down"), "{note}");
}

/// What a search accepted and rejected by then is told, and no figure that it was only on its way to.
#[test]
fn an_interrupted_knee_tells_the_ends_that_it_has() {
    let design = machines(7, "");
    let found = interrupted_at("knee: how steep", |context| knee_of(&design, context));
    schema_of("knee", &to_json(&found));
    assert!(is_known(&found.saturation.scale) && is_known(&found.limit.scale), "{:?}", found.limit);
    assert_eq!(found.point.scale.reason.as_deref(), Some("interrupted"));
    let limit = found.limit.scale;

    let found = interrupted_at("objectives: a close look", |context| knee_of(&design, context));
    schema_of("knee", &to_json(&found));
    assert!(is_known(&found.saturation.scale), "{:?}", found.saturation);
    let open = &found.limit.scale;
    let low = open.low.expect("the stated load holds");
    assert!(open.value.is_none() && low >= 1.0 && low <= limit.high.expect("known"), "{open:?}");
    assert_eq!(open.reason.as_deref(), Some("interrupted"));
    assert!(!found.curve.is_empty() && found.next.is_empty() && found.interrupted);

    let found = interrupted_at("saturation: ", |context| knee_of(&design, context));
    schema_of("knee", &to_json(&found));
    let open = &found.saturation.scale;
    assert!(open.value.is_none() && open.low == Some(1.0), "the stated load is carried: {open:?}");
    assert_eq!((found.stated.state, found.curve.len()), (State::Stable, 1));
}

/// With little time every part of a load curve has its share, and what is not finished is named.
#[test]
fn a_knee_within_a_time_gives_each_part_its_share() {
    let design = machines(7, "");
    let (_, said) = within(1e9, |context| knee_of(&design, context));
    let all = said.len() as f64;
    let (found, said) = within(0.6 * all, |context| knee_of(&design, context));
    schema_of("knee", &to_json(&found));
    for part in ["the stated load", "saturation: ", "objectives: ", "knee: ", "curve: "] {
        assert!(said.iter().any(|words| words.starts_with(part)), "{part}: {said:?}");
    }
    let note = found
        .notes
        .iter()
        .find(|note| note.contains("stopped after so many messages (`--within`)"))
        .expect("a note");
    assert!(note.contains("not finished by then: ") && !found.interrupted, "{note}");
}

fn pair(context: &Context) -> CompareOutcome {
    let service = |us: f64| format!("{{ mean = \"{us} us\", shape = \"exponential\" }}");
    let one = |us: f64| scenario(&queue("seed = 4\nprecision = 0.001", 1, &service(us), 50_000.0));
    let contenders: Vec<Contender> = [("a", 10.0), ("b", 12.0)]
        .map(|(name, us)| Contender { name: name.into(), scenario: one(us) })
        .into();
    study::compare(&contenders, context).unwrap_or_else(|error| panic!("{error}"))
}

/// Two queues at 50 and 60 % load, interrupted after two rounds: each has its verdict, and the difference is known. Seed 4; what
/// was measured of the third round differs from time to time, but 2 us are six standard errors of two rounds (under 1e-8).
#[test]
fn an_interrupted_comparison_keeps_verdicts_and_differences() {
    let found = interrupted_at("round 3: measuring", pair);
    schema_of("compare", &to_json(&found));
    for design in &found.designs {
        assert_eq!(design.run.verdict.state, State::Stable, "{}: {:?}", design.name, design.run.verdict);
    }
    let mean = found.differences.iter().find(|row| row.class == "all" && row.percentile.is_none());
    let mean = mean.expect("a row");
    // M/M/1: 10/(1 − 0.5) and 12/(1 − 0.6) us.
    assert!(
        mean.distinguishable == Some(true) && (mean.us.value.expect("known") - 10.0).abs() < 2.0,
        "{mean:?}"
    );
    assert!(
        found.notes.iter().any(|note| note.contains("designs not finished by then: a, b")),
        "{:?}",
        found.notes
    );
    // Before anything was measured nothing is claimed.
    let found = interrupted_at("b: pilot", pair);
    schema_of("compare", &to_json(&found));
    assert!(found.designs.iter().all(|design| design.run.verdict.state == State::Undecided));
    assert!(found.differences.iter().all(|row| row.us.value.is_none()));
}

/// A design whose bursts last a minute of its own time needs far longer than two that are soon told: they are compared all the
/// same, and it is named. Seed 4; 2 us are six standard errors of the difference at the precision where the two end.
#[test]
fn a_slow_design_does_not_starve_the_others() {
    let folder = Folder::new();
    let fast = |us: f64| {
        queue("seed = 4", 1, &format!("{{ mean = \"{us} us\", shape = \"exponential\" }}"), 50_000.0)
    };
    let slow = fast(8.0).replace(
        "read = 1",
        "arrivals = { shape = \"bursty\", peak_to_mean = 1.5, burst = \"60 s\" }\nread = 1",
    );
    let files = [("slow.toml", &slow), ("a.toml", &fast(10.0)), ("b.toml", &fast(12.0))]
        .map(|(name, text)| folder.file(name, text));
    let json = folder.path("out.json");
    let began = Instant::now();
    let (status, out, err) =
        said(&["compare", &files[1], &files[0], &files[2], "--within", "8s", "--json", &json, "--quiet"]);
    assert_eq!((status, out.as_str(), err.as_str()), (Some(1), "", ""));
    assert!(began.elapsed() < Duration::from_secs(40), "{:?}", began.elapsed());
    let json = std::fs::read_to_string(json).expect("written");
    schema_of("compare", &json);
    let found: CompareOutcome = serde_json::from_str(&json).expect("an outcome");
    let state = |name: &str| {
        let is_it = |design: &&forebay::outcome::DesignOutcome| design.name == name;
        found.designs.iter().find(is_it).expect("a design").run.verdict.state
    };
    assert_eq!(
        [state("a.toml"), state("b.toml"), state("slow.toml")],
        [State::Stable, State::Stable, State::Undecided]
    );
    let means = |b: &str| {
        let is_it = |row: &&forebay::outcome::DifferenceRow| {
            row.class == "all" && row.percentile.is_none() && row.b == b
        };
        found.differences.iter().find(is_it).expect("a row").us.clone()
    };
    assert!((means("b.toml").value.expect("known") - 10.0).abs() < 2.0, "{:?}", means("b.toml"));
    let reason = means("slow.toml").reason.expect("none");
    assert!(reason.contains("slow.toml: stopped after 8s (`--within`)"), "{reason}");
}

fn long_run(length: &str) -> String {
    format!(
        "[run]\nwarm_up = \"1 ms\"\nlength = \"{length}\"\n[design.cpu]\ncores = 2\nservice = {{ mean = \"10 us\", \
         shape = \"exponential\" }}\n{}",
        class("requests", "{ rate = \"100000/s\" }")
    )
}

/// A run that would take hours ends in seconds, with the figures that it has: M/M/2 at half load has a mean time in system of
/// 10/(1 − 0.25) us, and 5 % are seven standard errors of the shortest window that counts (under 1e-11).
#[test]
fn a_run_within_a_second_has_an_answer() {
    let folder = Folder::new();
    let path = folder.file("long.toml", &long_run("30 days"));
    let began = Instant::now();
    let (status, out, err) = said(&["run", &path, "--within", "1s", "--json", "-", "--quiet"]);
    assert!(began.elapsed() < Duration::from_secs(15), "{:?}", began.elapsed());
    assert_eq!((status, err.as_str()), (Some(0), ""), "{out}");
    schema_of("run", &out);
    let found: forebay::outcome::RunOutcome = serde_json::from_str(&out).expect("an outcome");
    assert_eq!(found.verdict.state, State::Stable);
    assert!(!found.run.precision_met && found.run.length_s < 86_400.0);
    let mean = &crate::runs::latency(&found, "mean");
    assert!((mean.value.expect("known") / (10.0 / 0.75) - 1.0).abs() < 0.05, "{mean:?}");
    let note =
        found.notes.iter().find(|note| note.contains("stopped after 1s (`--within`)")).expect("a note");
    assert!(note.contains("of the stated 2592000 s"), "{note}");
}

/// Every command that simulates ends soon after its time, with an answer that fits its schema.
#[test]
fn every_command_ends_within_its_time() {
    let folder = Folder::new();
    let demo = std::fs::read_to_string("workloads/emberley.toml").expect("the demo");
    // A precision that no machine reaches in the time.
    let demo = folder.file("demo.toml", &demo.replace("precision = 0.05", "precision = 0.001"));
    for (command, more) in
        [("run", ""), ("knee", ""), ("fit", ""), ("wear", ""), ("compare", "design.cpu.cores=4")]
    {
        let mut arguments = vec![command, &demo, "--within", "2s", "--json", "-", "--quiet"];
        if !more.is_empty() {
            arguments.extend(["--set", more]);
        }
        let began = Instant::now();
        let (status, out, err) = said(&arguments);
        assert!(began.elapsed() < Duration::from_secs(30), "{command}: {:?}", began.elapsed());
        assert!(matches!(status, Some(0 | 1)) && err.is_empty(), "{command}: {status:?} {err}");
        schema_of(command, &out);
        assert!(out.contains("stopped after 2s (`--within`)"), "{command}: {out}");
    }
    let page = folder.path("page.html");
    let answers = folder.path("answers");
    let (status, out, err) =
        said(&["report", &demo, "--within", "2s", "--out", &page, "--answers", &answers]);
    assert_eq!(status, Some(1), "{out}{err}");
    let page = std::fs::read_to_string(page).expect("a page");
    assert!(page.contains("`run` is not finished: stopped after 2s (`--within`)"), "{err}");
    assert!(page.contains("`wear` is not "), "{err}");
    // What is not whole is asked anew the next time.
    let kept = std::fs::read_dir(&answers).map_or(0, Iterator::count);
    assert!(kept < 4, "{kept} answers kept");
}

/// Where nothing was measured nothing is said of endurance: no bytes are not no writes.
#[test]
fn wear_without_a_measurement_claims_nothing_of_endurance() {
    let design = std::fs::read_to_string("workloads/emberley.toml").expect("the demo");
    let design = scenario(&design);
    let wear = |context: &Context| study::wear(&design, context).unwrap_or_else(|error| panic!("{error}"));
    let found = interrupted_at("pilot", wear);
    schema_of("wear", &to_json(&found));
    assert!(found.endurance.is_none() && found.years_to_rated_wear.is_none() && found.capacity.is_some());
    let shown = terminal::wear(&found, &Style { width: 100, color: false });
    assert!(shown.starts_with("Endurance: not known; nothing was measured by then\n"), "{shown}");
}

#[test]
fn a_time_that_is_none_is_refused() {
    for (given, words) in
        [("5m", "minutes are min"), ("90", "did you mean \"90s\"?"), ("soon", "expected a time")]
    {
        let (status, out, err) = said(&["run", "workloads/emberley.toml", "--within", given]);
        assert_eq!((status, out.as_str()), (Some(2), ""), "{given}");
        assert!(err.starts_with(&format!("error: `--within {given}`")) && err.contains(words), "{err}");
    }
    // Of a sweep it is the budget.
    let (status, _, err) =
        said(&["sweep", "run", "workloads/sweeps/price-and-tail.toml", "--within", "soon"]);
    assert!(status == Some(2) && err.starts_with("error: `--budget soon` is no time"), "{status:?} {err}");
}

/// Ctrl-C leaves the page with what is known by then, and names what is not on it.
#[cfg(unix)]
#[test]
fn an_interrupted_report_leaves_its_page() {
    let folder = Folder::new();
    let (page, answers) = (folder.path("page.html"), folder.path("answers"));
    let mut child =
        forebay(&["report", "workloads/emberley-everything.toml", "--out", &page, "--answers", &answers])
            .stdout(std::process::Stdio::null())
            .stderr(std::process::Stdio::null())
            .spawn()
            .expect("starts");
    std::thread::sleep(Duration::from_secs(3));
    let sent = std::process::Command::new("kill").args(["-INT", &child.id().to_string()]).status();
    assert!(sent.expect("kill").success());
    let sent = Instant::now();
    let status = loop {
        if let Some(status) = child.try_wait().expect("a child of ours") {
            break status;
        }
        if sent.elapsed() > Duration::from_secs(60) {
            child.kill().expect("a child of ours");
            panic!("still running 60 s after Ctrl-C");
        }
        std::thread::sleep(Duration::from_millis(10));
    };
    assert_eq!(status.code(), Some(130));
    let page = std::fs::read_to_string(page).expect("a page");
    assert!(page.contains("`wear` is not on this page: interrupted"), "{} bytes", page.len());
    assert!(page.contains("Assumptions") && page.contains("Make it again"));
}

/// Piped, progress is one plain line for each stage, in its order, and none with `--quiet`.
#[test]
fn piped_progress_is_a_plain_line_for_each_stage() {
    let folder = Folder::new();
    let path = folder.file("long.toml", &long_run("30 days"));
    let output = forebay(&["run", &path, "--within", "2s"]).output().expect("starts");
    let lines: Vec<String> = text(output.stderr).lines().map(str::to_owned).collect();
    let stages: Vec<&str> =
        lines.iter().filter_map(|line| line.split_once(' ')).map(|(_, stage)| stage).collect();
    assert!(stages.contains(&"measuring"), "{lines:?}");
    assert!(lines.len() <= 5, "{lines:?}");
    for (n, stage) in stages.iter().enumerate() {
        assert!(!stages[..n].contains(stage) && !stage.contains(['\r', '\u{1b}']), "{lines:?}");
    }
    let (_, _, err) = said(&["run", &path, "--within", "1s", "--quiet"]);
    assert_eq!(err, "");
}
