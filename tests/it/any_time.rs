//! Objectives that must hold at any time of a run with dates: the worst period decides, and is named.

use std::sync::atomic::AtomicBool;

use forebay::outcome::{Figure, ObjectiveRow, PeriodRow, RunOutcome};
use forebay::report::json::to_json;
use forebay::report::terminal::{self, Style};
use forebay::study::{self, Contender, Context};
use forebay::theory::queues;

use crate::runs::{answer, ends, scenario};

/// One server of 10 us on average, and 40,000 reads a second of one VM at load 0.4.
fn light(seed: u64, run: &str) -> String {
    format!(
        "[run]\nseed = {seed}\nwarm_up = \"20 ms\"\n{run}\n[design.cpu]\ncores = 1\n\
         service = {{ mean = \"10 us\", shape = \"exponential\" }}\n\
         [[class]]\nname = \"ticketing\"\nmachines = 1\nload = {{ rate = \"40000/s\" }}\nread = 1\nsizes = \"4 KiB\"\n"
    )
}

fn phase(name: &str, from: &str, to: &str, factor: f64) -> String {
    format!(
        "[[phase]]\nname = \"{name}\"\nfrom = \"{from}\"\nto = \"{to}\"\nload = {{ ticketing = {factor:?} }}\n"
    )
}

fn any(percentile: f64, below: &str, more: &str) -> String {
    format!(
        "[[objective]]\nclass = \"ticketing\"\npercentile = {percentile:?}\nbelow = \"{below}\"\n\
         during = \"any\"\n{more}\n"
    )
}

fn only(outcome: &RunOutcome) -> &ObjectiveRow {
    assert_eq!(outcome.objectives.len(), 1);
    &outcome.objectives[0]
}

/// A period's own figure of the class.
fn figure<'a>(outcome: &'a RunOutcome, name: &str, key: &str) -> &'a Figure {
    let period: &PeriodRow = outcome.periods.iter().find(|p| p.name == name).expect("a period");
    let row = period.classes.iter().find(|row| row.name == "ticketing" && row.operation == "all");
    &row.expect("a row").latency_us[key]
}

fn whole_run(outcome: &RunOutcome) -> f64 {
    let row = outcome.classes.iter().find(|row| row.name == "ticketing" && row.operation == "all");
    row.expect("a row").latency_us["p99"].value.expect("a figure")
}

/// Claim:   a storm that doubles the load for a tenth of the time decides an objective for any time: its p99 is that of
///          M/M/1 at load 0.8 (230 us) and misses 190 us, which the whole run together (about 150 us) would meet.
/// Method:  8 replications of 2 s, seed 61 (fixed); 128,000 requests in the storm, which is 20 relaxation times long at
///          its shortest wait for each of 10 such spans.
/// Alarm:   the truth lies outside the interval with 5 % shared among 3 periods whenever draws change; the other
///          claims are 10 half-widths from failing.
#[test]
fn a_storm_decides_what_must_hold_at_any_time() {
    let text =
        light(61, "length = \"2 s\"") + &phase("storm", "1 s", "1200 ms", 2.0) + &any(99.0, "190 us", "");
    let outcome = answer(&text);
    let row = only(&outcome);
    assert_eq!(row.period.as_deref(), Some("during storm"));
    assert_eq!(row.value_us.value, figure(&outcome, "during storm", "p99").value);
    assert_eq!((row.met, row.certain), (Some(false), true), "{row:?}");
    assert_eq!(outcome.verdict.objectives_met, Some(false));
    assert!(whole_run(&outcome) < 175.0, "the storm would vanish in the whole: {}", whole_run(&outcome));
    let (low, high) = ends(&row.value_us);
    let truth = queues::mm1_sojourn_quantile(0.08, 10.0, 0.99);
    println!("{low} to {high}, {truth}");
    assert!(low <= truth && truth <= high, "{low} to {high}, {truth}");
    // Three periods share the error.
    let own = ends(figure(&outcome, "during storm", "p99"));
    assert!(low < own.0 && own.1 < high, "{own:?} within {low} to {high}");
    let json: serde_json::Value = serde_json::from_str(&to_json(&outcome)).expect("JSON");
    assert_eq!(json["objectives"][0]["period"], "during storm");
    let page = terminal::run(&outcome, &Style { width: 140, color: false });
    let told = page.lines().filter(|line| line.contains("any") && line.contains("during storm")).count();
    assert_eq!(told, 2, "the headline and the table name the period\n{page}");
}

/// Two storms: the heavier one is named, though the lighter one comes first and misses as well. And of the worst VM as of
/// the class.
#[test]
fn the_worst_of_two_storms_is_named() {
    let storms = phase("first", "400 ms", "600 ms", 1.8) + &phase("second", "1 s", "1200 ms", 2.0);
    let text =
        light(62, "length = \"1500 ms\"").replace("machines = 1", "machines = 2").replace("40000", "20000")
            + &storms
            + &any(99.0, "100 us", "")
            + &any(99.0, "100 us", "over = \"worst-machine\"")
            + &any(99.0, "100 us", "over = \"worst-machine\"").replace("\"any\"", "\"second\"");
    let outcome = answer(&text);
    let [of_class, of_machine, of_second] = &outcome.objectives[..] else { panic!("three objectives") };
    assert!(figure(&outcome, "during first", "p99").value > Some(100.0));
    assert_eq!(of_class.period.as_deref(), Some("during second"));
    assert_eq!(of_class.value_us.value, figure(&outcome, "during second", "p99").value);
    assert_eq!(of_machine.period.as_deref(), Some("during second"));
    assert_eq!(of_machine.value_us.value, of_second.value_us.value);
    assert!(of_machine.value_us.value >= of_class.value_us.value);
    assert_eq!(of_second.period, None, "one stretch is not chosen among several");
}

/// What meets its bound by less than the error shared among the periods allows is not certain, although the period's own
/// interval lies below the bound.
#[test]
fn the_periods_share_the_error() {
    let text = |below: &str| {
        light(63, "length = \"1 s\"") + &phase("storm", "400 ms", "600 ms", 2.0) + &any(99.0, below, "")
    };
    let outcome = answer(&text("1 s"));
    let (own, shared) = (ends(figure(&outcome, "during storm", "p99")).1, ends(&only(&outcome).value_us).1);
    assert!(own < shared, "{own}, {shared}");
    let between = (own + shared) / 2.0;
    let row = |below: f64| only(&answer(&text(&format!("{below} us")))).clone();
    let (close, sure) = (row(between), row(shared * 1.001));
    assert_eq!((close.met, close.certain), (Some(true), false), "{close:?}");
    assert_eq!((sure.met, sure.certain), (Some(true), true), "{sure:?}");
}

/// A period too short for the percentile leaves the objective open, and is named, unless another one misses it.
#[test]
fn a_period_with_too_few_requests_is_said_and_not_left_out() {
    let text = |below: &str| {
        light(64, "length = \"1 s\"") + &phase("storm", "1 ms", "500 ms", 2.0) + &any(99.0, below, "")
    };
    let open = answer(&text("1 s"));
    let row = only(&open);
    println!("{row:?}");
    assert_eq!((row.met, row.certain, row.value_us.value), (None, false, None), "{row:?}");
    assert_eq!(row.period.as_deref(), Some("before"));
    let reason = row.value_us.reason.as_deref().expect("a reason");
    assert!(reason.starts_with("too few requests in \"before\": "), "{reason}");
    assert!(reason.contains("\"during storm\""), "{reason}");
    assert_eq!(open.verdict.objectives_met, None);
    assert!(!open.run.precision_met);
    let missed = answer(&text("100 us"));
    let row = only(&missed);
    assert_eq!((row.met, row.certain), (Some(false), true), "{row:?}");
    assert_eq!(row.period.as_deref(), Some("during storm"));
    assert_eq!(row.value_us.value, figure(&missed, "during storm", "p99").value);
    assert_eq!(row.value_us.high, None, "the other period may be worse");
    assert!(row.value_us.reason.as_ref().is_some_and(|why| why.contains("\"before\"")), "{row:?}");
    let page = terminal::run(&missed, &Style { width: 120, color: false });
    assert!(page.contains("too few requests in \"before\""), "{page}");
}

/// A class that a phase stops sends nothing then, and nothing is what its objective lacks.
#[test]
fn a_period_in_which_the_class_is_stopped_needs_no_figure() {
    let text =
        light(65, "length = \"1500 ms\"") + &phase("night", "500 ms", "1 s", 0.0) + &any(99.0, "1 ms", "");
    let outcome = answer(&text);
    let row = only(&outcome);
    assert_eq!((row.met, row.certain), (Some(true), true), "{row:?}");
    assert!(row.period.as_deref().is_some_and(|name| name != "during night"), "{row:?}");
}

/// Claim:   the interval of the worst of five periods that are alike holds the true figure, though the greatest of five
///          estimates is too high.
/// Method:  M/M/1 at load 0.4, p90, five periods of 250 ms (10,000 requests each in each of 8 replications), seeds 1 to
///          25 (fixed; 1 to 100 in the full tier). Every period has the same truth.
/// Alarm:   above the truth lies the low end of any of five with 2.5 % at most; more than 4 of 25 with 0.03 %, more than 9 of
///          100 with 0.03 %.
/// Catches: in the full tier, each at the whole error: 12 of 100 are expected, 10 or more with 79 % power; and the point
///          estimates are too high in most runs.
#[test]
fn the_worst_of_periods_that_are_alike_keeps_its_promise() {
    assert_worst(25, 4);
}

#[test]
#[ignore = "minutes of simulation: the full tier runs it"]
fn the_worst_of_periods_that_are_alike_keeps_its_promise_a_hundred_times() {
    assert_worst(100, 9);
}

fn assert_worst(seeds: u64, most: u32) {
    let phases: String = (1..4)
        .map(|n| phase(&format!("p{n}"), &format!("{} ms", 250 * n), &format!("{} ms", 250 * (n + 1)), 1.0))
        .collect();
    let text = |seed: u64| {
        light(seed, "length = \"1250 ms\"\nseries = \"100 ms\"") + &phases + &any(90.0, "1 ms", "")
    };
    let truth = queues::mm1_sojourn_quantile(0.04, 10.0, 0.9);
    let (mut outside, mut above) = (0, 0);
    for seed in 1..=seeds {
        let outcome = answer(&text(seed));
        let row = only(&outcome);
        let (low, high) = ends(&row.value_us);
        outside += u32::from(truth < low || high < truth);
        above += u32::from(row.value_us.value > Some(truth));
    }
    println!("{outside} of {seeds} intervals miss the truth, {above} estimates lie above it");
    assert!(outside <= most, "{outside} of {seeds}");
    assert!(u64::from(above) >= seeds * 4 / 5, "{above} of {seeds} above: the check is too blunt");
}

/// Claim:   `fit` promises what holds in the worst period. M/M/1 meets 300 us at p99 up to load 1 - ln(100)/30 = 0.846 in
///          the storm, which 56 VMs bring; all periods together would allow 61, as the storm has a tenth of the requests.
/// Alarm:   57 VMs promised: 5 % whenever draws change, the error that is stated; seed 66 (fixed).
#[test]
fn fit_holds_every_period_to_the_objective() {
    let text =
        light(66, "length = \"800 ms\"").replace("machines = 1", "machines = 40").replace("40000", "1000")
            + &phase("storm", "100 ms", "150 ms", 1.5)
            + &any(99.0, "300 us", "");
    let context =
        Context { interrupted: &AtomicBool::new(false), time: None, progress: &|_| (), detail: false };
    let found = study::fit(&scenario(&text), None, &context).unwrap_or_else(|e| panic!("{e}"));
    println!("{:?}", found.machines);
    let (low, high) = ends(&found.machines);
    assert!((45.0..57.0).contains(&low) && high > 56.0, "{low} to {high}");
}

/// `compare` takes each design at its own worst period: what stands beside the difference are the figures of the two rows.
#[test]
fn compare_takes_each_design_at_its_worst_period() {
    let text = |service: &str| {
        light(67, "length = \"1 s\"").replace("10 us", service)
            + &phase("storm", "400 ms", "600 ms", 2.0)
            + &any(99.0, "1 ms", "")
            + &any(99.0, "1 ms", "over = \"worst-machine\"")
    };
    let contender =
        |name: &str, service: &str| Contender { name: name.into(), scenario: scenario(&text(service)) };
    let context =
        Context { interrupted: &AtomicBool::new(false), time: None, progress: &|_| (), detail: false };
    let found = study::compare(&[contender("a", "10 us"), contender("b", "9 us")], &context);
    let found = found.unwrap_or_else(|error| panic!("{error}"));
    assert_eq!(found.answers.len(), 2);
    for (place, row) in found.answers.iter().enumerate() {
        let [a, b] = [0, 1].map(|n| &found.designs[n].run.objectives[place]);
        assert_eq!((&a.period, &b.period), (&Some("during storm".into()), &Some("during storm".into())));
        assert_eq!((row.during.as_deref(), &row.over), (Some("any"), &a.over));
        assert_eq!((row.a_us, row.b_us), (a.value_us.value, b.value_us.value), "{row:?}");
    }
}
