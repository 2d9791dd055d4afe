//! Room, wear, risk and price: standards, the ledger of a long run, ranges, and what is refused.

use std::sync::atomic::AtomicBool;

use forebay::outcome::{RunOutcome, WearOutcome};
use forebay::report::terminal::{self, Style};
use forebay::scenario::{Override, Scenario, parse};
use forebay::study::{self, Context};

use crate::program::{Folder, said};
use crate::runs::scenario;

const QUIET: fn(&str) = |_| ();

fn wear(scenario: &Scenario) -> WearOutcome {
    let context =
        Context { interrupted: &AtomicBool::new(false), time: None, progress: &QUIET, detail: false };
    let outcome = study::wear(scenario, &context).unwrap_or_else(|error| panic!("{error}"));
    assert_eq!(outcome.failed_audit, [], "an audit failed");
    outcome
}

fn run(scenario: &Scenario) -> RunOutcome {
    let context =
        Context { interrupted: &AtomicBool::new(false), time: None, progress: &QUIET, detail: false };
    study::run(scenario, &context).unwrap_or_else(|error| panic!("{error}"))
}

fn shipped(name: &str, sets: &[&str]) -> Scenario {
    let text = std::fs::read_to_string(format!("workloads/{name}")).expect("a shipped scenario");
    let sets: Vec<Override> = sets.iter().map(|set| Override::parse(set).expect("a sound change")).collect();
    parse(&text, name, std::path::Path::new("workloads"), &sets).unwrap_or_else(|d| panic!("{d}"))
}

/// One full drive of 3.84 TB under the enterprise workload of JESD219 (2010): its twelve sizes, mean 7,818.24 bytes
/// (D-JESD219-MIX), its three bands, 60 % writes (from memory: D-JESD219-RW), at one drive write a day.
fn rated(duty: f64) -> String {
    let rate = 3.84e12 / 86_400.0 / 7818.24 / 0.6;
    format!(
        "[run]\nseed = 3\nwarm_up = \"50 ms\"\nlength = \"4 s\"\n[design.drives]\ncount = 1\n\
         part = \"nvme-gen4-read-centric-3840\"\n[[class]]\nname = \"enterprise\"\nmachines = 1\nduty = {duty}\n\
         load = {{ rate = \"{rate}/s\" }}\nread = 0.4\nsizes = {{ \"512 B\" = 0.04, \"1 KiB\" = 0.01, \"1536 B\" = 0.01, \
         \"2 KiB\" = 0.01, \"2560 B\" = 0.01, \"3 KiB\" = 0.01, \"3584 B\" = 0.01, \"4 KiB\" = 0.67, \"8 KiB\" = 0.1, \
         \"16 KiB\" = 0.07, \"32 KiB\" = 0.03, \"64 KiB\" = 0.03 }}\nskew = {{ bands = [[0.05, 0.5], [0.15, 0.3], [0.8, 0.2]] }}\n\
         capacity = \"3840 GB\"\n"
    )
}

/// JESD219 at the rated drive writes per day gives the warranty years, by flash budget and by rated bytes alike: the
/// amplification of the rating cancels. Half the day at that load gives twice the years.
///
/// Method: years × drive writes a day is 5 whatever the sample was, to what the window's edges leave (a program that is
/// open, 0.1 %); drive writes a day are 1 within the run's own interval, widened by half (alarm 1e-3), which is below 2 %.
#[test]
fn the_ratings_own_workload_at_its_rated_pace_lasts_for_the_warranty() {
    let found = wear(&scenario(&rated(1.0)));
    let (years, writes) =
        (found.years_to_rated_wear.expect("flash"), found.drive_writes_per_day.expect("sized"));
    let page = found.endurance.as_ref().expect("flash");
    println!("{years} years at {writes} drive writes a day, {page:?}");
    assert_eq!((page.rated_bytes, page.drives), (7008e12, 1));
    assert!((years * writes / 5.0 - 1.0).abs() < 1e-3, "{years} {writes}");
    assert!((page.worst.conservative_years.expect("written") * writes / 5.0 - 1.0).abs() < 1e-9);
    let level = found.ledger.iter().find(|row| row.level == "drives").expect("a level");
    let half = level.write_bytes_per_day.relative_half_width().expect("an interval");
    assert!(half < 0.013 && (writes - 1.0).abs() < 1.5 * half, "{writes} ± {half}");
    let half_days = wear(&scenario(&rated(0.5)));
    assert!((half_days.years_to_rated_wear.expect("flash") / years - 2.0).abs() < 1e-9);
    // Protected by nothing and rebuilt from nothing: a drive's failure is the loss.
    assert!((found.annual_loss_probability.expect("told") - -(-0.0044_f64).exp_m1()).abs() < 1e-9);
    assert_eq!(found.rebuild_hours, None);
}

/// The demo with its busy hour all day.
const ALL_DAY: [&str; 4] = [
    "class.depot-desktops.hours=[1, 1, 1, 1, 1, 1, 1, 1, 1, 1, 1, 1, 1, 1, 1, 1, 1, 1, 1, 1, 1, 1, 1, 1]",
    "class.depot-desktops.days=[1, 1, 1, 1, 1, 1, 1]",
    "class.ticketing-db.duty=1",
    "class.timetable-batch.duty=1",
];

/// The bytes of a day of the demo are those of the ledger of a long run of it with another seed, and so are those of a
/// design with log, stripes and reduction: at every level within the two intervals, widened by half.
///
/// Alarm: 1.5 × (half + half) is 5 standard errors of the difference at seven degrees: 2e-3 a level at most, and the levels
/// of a design move together. Catches: 3 % at every level (intervals are printed).
#[test]
fn a_days_wear_is_the_ledger_of_a_long_run() {
    assert_ledger("emberley-everything.toml", "0.6 s", &[]);
}

#[test]
#[ignore = "minutes of simulation: the full tier runs it"]
fn a_days_wear_of_the_demo_is_the_ledger_of_a_long_run() {
    assert_ledger("emberley.toml", "1.5 s", &ALL_DAY);
}

fn assert_ledger(name: &str, length: &str, sets: &[&str]) {
    let found = wear(&shipped(name, sets));
    let length = format!("run.length=\"{length}\"");
    let long = run(&shipped(name, &[&length, "run.seed=99", "run.replications=16"]));
    for (day, second) in found.ledger.iter().zip(&long.ledger) {
        assert_eq!(day.level, second.level);
        let (a, b) = (day.write_bytes_per_day.value.expect("written"), second.write_bytes_per_s * 86_400.0);
        if a == 0.0 && b == 0.0 {
            continue;
        }
        let half = day.write_bytes_per_day.relative_half_width().expect("an interval");
        println!("{name} {}: {a:e} {b:e}, {:+.2} % ± {:.2}", day.level, 100.0 * (a / b - 1.0), 100.0 * half);
        assert!(half < 0.015, "{name} {}: {half}", day.level);
        assert!((a / b - 1.0).abs() < 3.0 * half, "{name} {}: {a} {b} ± {half}", day.level);
    }
}

/// A day of hours: `hours` and `days` are their means, whatever their order; `duty` is that mean.
#[test]
fn a_day_is_the_mean_of_its_hours_and_days() {
    let with = |day: &str| {
        let text = rated(1.0).replace("duty = 1\n", day).replace("\"4 s\"", "\"100 ms\"");
        wear(&scenario(&text)).host_bytes_per_day
    };
    let hours: Vec<String> =
        (0..24).map(|hour| if hour < 6 { "0.2".into() } else { "0.6".to_string() }).collect();
    let profile = with(&format!("hours = [{}]\ndays = [1, 1, 1, 1, 1, 0.5, 0]\n", hours.join(", ")));
    let mean = with(&format!("duty = {}\n", 0.5 * 5.5 / 7.0));
    assert!((profile / mean - 1.0).abs() < 1e-12, "{profile} {mean}");
}

/// Every range of the scenario turns up with what depends on it most.
#[test]
fn ranges_are_carried_through() {
    let sets = [
        "run.length=\"300 ms\"",
        "class.ticketing-db.compress=[1.5, 2.4]",
        "class.desktops.duplicate=[0.1, 0.5]",
        "class.desktops.growth=[\"10 %/year\", \"40 %/year\"]",
        "class.desktops.duty=[0.3, 0.6]",
        "design.price.system=[80000, 90000]",
    ];
    let outcome = wear(&shipped("emberley-everything.toml", &sets));
    assert_eq!((outcome.draws, outcome.ranges.len()), (100_000, 5));
    for (what, input) in [
        ("effective_bytes", "class.ticketing-db.compress"),
        ("host_bytes_per_day", "class.desktops.duty"),
        ("full_after_years", "class.desktops.growth"),
        ("price_total", "design.price.system"),
    ] {
        let row = outcome.results.iter().find(|row| row.what == what).unwrap_or_else(|| panic!("{what}"));
        assert!(row.value.low <= row.value.value && row.value.value <= row.value.high, "{row:?}");
        assert_eq!(row.depends_on.first().map(|most| most.input.as_str()), Some(input), "{row:?}");
    }
    for width in [60, 80, 100, 140] {
        let page = terminal::wear(&outcome, &Style { width, color: false });
        assert!(page.lines().all(|line| line.chars().count() <= width), "{width}\n{page}");
    }
}

/// Two mirrored pairs of drives without a spare: the chain of R-MTTDL with the rebuild measured and a wait of 24 hours.
#[test]
#[ignore = "a minute of simulation: the full tier runs it"]
fn risk_is_that_of_the_chain_with_the_rebuild_that_was_measured() {
    let text = "[run]\nseed = 5\nlength = \"50 ms\"\nwarm_up = \"10 ms\"\n[design.layout]\nprotection = \"mirror-2\"\n\
                [design.drives]\ncount = 4\npart = \"mine\"\n[[class]]\nname = \"one\"\nmachines = 4\nread = 0.7\n\
                load = { rate = \"500/s\" }\nsizes = \"8 KiB\"\ncapacity = \"1 TB\"\n\
                [[fault]]\nname = \"rebuilt\"\nkind = \"rebuilding\"\ndrive = 1\nrate = \"100 MB/s\"\nin_force = false\n";
    let part = std::fs::read_to_string("workloads/parts/nvme-gen4-read-centric-3840.toml").expect("a part");
    let part =
        part.replace("nvme-gen4-read-centric-3840", "mine") + "failure_rate = \"1 %/year\"\nuber = 0\n";
    // A fault that rebuilds asks for spares: six drives, two of them spare.
    let spared =
        text.replace("\"mirror-2\"\n", "\"mirror-2\"\nspares = 2\n").replace("count = 4", "count = 6");
    let found = wear(&scenario(&format!("{part}\n{spared}")));
    let risk = found.risk.as_ref().expect("protected");
    println!("{risk:?}");
    // 3.84 TB at the cap of 100 MB/s: 10.67 h, a little more for stripes that wait.
    let hours = found.rebuild_hours.expect("rebuilt");
    assert!(hours > 3.84e12 / 100e6 / 3600.0 && hours < 1.05 * 3.84e12 / 100e6 / 3600.0, "{hours}");
    assert_eq!((risk.sets, risk.set_drives, risk.survives, risk.wait_hours), (2, 2, 1, 0.0));
    // Two pairs, each with two ways to lose one and then the other: 2 · 2λ²/μ a year.
    let rare = 2.0 * 2.0 * 0.01_f64.powi(2) * hours / 8760.0;
    assert!((risk.annual_loss_probability_rare / rare - 1.0).abs() < 1e-9, "{rare}");
    assert!((risk.annual_loss_probability / rare - 1.0).abs() < 0.01, "{rare}");
    // Without spares and without that fault: no cap, but a day until the drive is there.
    let bare = text.split("[[fault]]").next().expect("a head");
    let waits = wear(&scenario(&format!("{part}\n{bare}")));
    let risk = waits.risk.as_ref().expect("protected");
    assert_eq!((risk.wait_hours, risk.sets), (24.0, 2));
    let wait = waits.rebuild_hours.expect("rebuilt") + 24.0;
    assert!((risk.annual_loss_probability_rare / (rare / hours * wait) - 1.0).abs() < 1e-9);
    // Unreadable sectors: one mirror's copy of 3.84 TB read at 1e-16 a bit (D-UBER, 0.003067286).
    let worse = wear(&scenario(&format!("{}\n{bare}", part.replace("uber = 0", "uber = 1e-16"))));
    let spoilt = worse.risk.as_ref().expect("protected").spoilt_probability;
    assert!((spoilt / 0.003067286 - 1.0).abs() < 1e-6, "{spoilt}");
}

/// Prices are arithmetic: drives, all else, five years of payments and of energy.
#[test]
fn prices_are_added_up_as_they_are_stated() {
    let part = std::fs::read_to_string("workloads/parts/nvme-gen4-read-centric-3840.toml").expect("a part");
    let part = part.replace("nvme-gen4-read-centric-3840", "mine") + "price = 900\npower = \"12 W\"\n";
    let text = format!(
        "{part}\n[run]\nseed = 5\nlength = \"100 ms\"\nwarm_up = \"10 ms\"\n[design]\npower = \"760 W\"\n[design.price]\n\
         currency = \"EUR\"\nsystem = 50000\nyearly = 4000\nenergy = 0.25\npue = 1.5\n[design.layout]\n\
         protection = \"mirror-2\"\n[design.drives]\ncount = 20\npart = \"mine\"\n[[class]]\nname = \"one\"\nmachines = 10\n\
         read = 1\nload = {{ rate = \"2000/s\" }}\nsizes = \"8 KiB\"\ncapacity = \"1 TB\"\n\
         [[objective]]\nclass = \"one\"\npercentile = 90\nbelow = \"1 ms\"\n"
    );
    let found = wear(&scenario(&text));
    let (power, price) = (found.power.as_ref().expect("stated"), found.price.as_ref().expect("stated"));
    // (20 · 12 + 760) W · 1.5 · 43,800 h = 65,700 kWh.
    assert!((power.energy_kwh / 65_700.0 - 1.0).abs() < 1e-12, "{power:?}");
    let total = 18_000.0 + 50_000.0 + 20_000.0 + 65_700.0 * 0.25;
    assert!((price.total / total - 1.0).abs() < 1e-12, "{price:?}");
    assert!((price.per_usable_tb.expect("sized") / (total / 38.4) - 1.0).abs() < 1e-9);
    assert_eq!((price.per_machine, price.missing.len()), (total / 10.0, 0));
    let iops = price.per_1000_iops.expect("the objective is met");
    assert!((iops / (total / 20.0) - 1.0).abs() < 0.05, "{iops}");
    // Nothing is written, so nothing wears.
    assert_eq!((found.years_to_rated_wear, found.host_bytes_per_day), (None, 0.0));
}

/// Statuses and sentences, as the user meets them.
#[test]
fn what_does_not_hold_is_told_by_the_status() {
    let folder = Folder::new();
    let path = folder.file("rated.toml", &rated(1.0).replace("\"4 s\"", "\"200 ms\""));
    let (status, out, _) = said(&["wear", &path, "--set", "class.enterprise.duty=2.5"]);
    assert_eq!(status, Some(1), "{out}");
    assert!(out.starts_with("Endurance: 2.0") || out.starts_with("Endurance: 1.9"), "{out}");
    let (status, out, _) = said(&["wear", &path, "--set", "class.enterprise.machines=2"]);
    assert_eq!(status, Some(1), "{out}");
    assert!(out.contains("DOES NOT FIT"), "{out}");
    let (status, _, err) = said(&["wear", "workloads/textbook/mm1-0.5.toml"]);
    assert_eq!(status, Some(2), "{err}");
    assert!(err.contains("no drive of the design has a size"), "{err}");
    let (status, json, _) = said(&["wear", &path, "--set", "class.enterprise.duty=0.5", "--json", "-"]);
    assert_eq!(status, Some(0));
    let value: serde_json::Value = serde_json::from_str(&json).expect("JSON and nothing else");
    let schema = std::fs::read_to_string("schema/wear.schema.json").expect("the schema");
    let schema = serde_json::from_str(&schema).expect("JSON");
    let errors: Vec<String> = jsonschema::validator_for(&schema)
        .expect("a schema")
        .iter_errors(&value)
        .map(|error| error.to_string())
        .collect();
    assert!(errors.is_empty(), "{errors:?}");
    let (_, csv, _) = said(&["wear", &path, "--csv", "-"]);
    assert!(csv.starts_with("figure,value,low,high"), "{csv}");
    assert!(csv.contains("years_to_rated_wear,") && csv.contains("flash bytes written a day,"), "{csv}");
}
