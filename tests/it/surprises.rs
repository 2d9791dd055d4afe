//! What adding up bandwidths does not show: four shipped scenarios, each with its mechanism and with it taken
//! away. A mechanism that went missing would leave the two alike.

use std::path::Path;

use forebay::outcome::RunOutcome;
use forebay::scenario::{Override, load};

use crate::runs::{row, run};

/// The answer to a shipped scenario with some keys set; runs are kept short.
fn surprise(name: &str, set: &[&str]) -> RunOutcome {
    let path = Path::new(env!("CARGO_MANIFEST_DIR")).join(format!("workloads/surprises/{name}.toml"));
    let overrides: Vec<Override> =
        set.iter().map(|o| Override::parse(o).unwrap_or_else(|e| panic!("{e}"))).collect();
    let outcome = run(&load(&path, &overrides).unwrap_or_else(|d| panic!("{d}")));
    assert!(outcome.audit.iter().all(|row| row.ok), "{:?}", outcome.audit);
    outcome
}

/// A latency in microseconds.
fn us(outcome: &RunOutcome, class: &str, operation: &str, figure: &str) -> f64 {
    row(outcome, class, operation).latency_us[figure].value.unwrap_or_else(|| panic!("no {figure}"))
}

fn utilisation(outcome: &RunOutcome, name: &str) -> f64 {
    outcome.stations.iter().find(|s| s.name == name).expect("a station").utilisation
}

const SHORT: [&str; 2] = ["run.replications=4", "run.length=\"1 s\""];

#[test]
fn reads_wait_for_programs_on_drives_that_are_nearly_idle() {
    let with = surprise("read-tail-from-programs", &SHORT);
    let without =
        surprise("read-tail-from-programs", &[SHORT[0], SHORT[1], "class.archive.load.rate=\"1/s\""]);
    let p99 = |outcome: &RunOutcome| us(outcome, "ticketing", "read", "p99");
    println!("p99 {} us beside writes, {} us alone", p99(&with), p99(&without));
    assert!(p99(&with) > 4.0 * p99(&without));
    // The median knows nothing of it, and neither does utilisation.
    let p50 = |outcome: &RunOutcome| us(outcome, "ticketing", "read", "p50");
    assert!(p50(&with) < 1.02 * p50(&without));
    assert!(utilisation(&with, "drives.unit") < 0.06);
    assert_eq!(with.verdict.objectives_met, Some(false));
    assert_eq!(without.verdict.objectives_met, Some(true));
}

#[test]
fn the_log_absorbs_bursts_until_it_is_full() {
    let with = surprise("log-cliff", &[]);
    let without = surprise("log-cliff", &["design.log.size=\"32 GiB\""]);
    let p95 = |outcome: &RunOutcome| us(outcome, "journeys", "write", "p95");
    println!("p95 {} us with a small log, {} us with a large one", p95(&with), p95(&without));
    assert!(p95(&without) < 20.0 && p95(&with) > 1_000.0 * p95(&without));
    // On paper the drives take five times the load, with either log.
    assert!(with.verdict.static_ceiling_iops > Some(5.0 * 9_000.0));
    assert_eq!(with.verdict.static_ceiling_iops, without.verdict.static_ceiling_iops);
}

#[test]
fn an_index_that_does_not_fit_doubles_the_time_of_a_write() {
    let with = surprise("index-overflow", &SHORT);
    let without = surprise("index-overflow", &[SHORT[0], SHORT[1], "design.memory.size=\"96 GiB\""]);
    let mean = |outcome: &RunOutcome| us(outcome, "desktops", "write", "mean");
    let p90 = |outcome: &RunOutcome| us(outcome, "desktops", "write", "p90");
    println!("mean {} us, {} us; p90 {} us, {} us", mean(&with), mean(&without), p90(&with), p90(&without));
    assert!(mean(&with) > 1.7 * mean(&without) && p90(&with) > 2.0 * p90(&without));
    // Machines alone make the difference.
    let fewer = surprise("index-overflow", &[SHORT[0], SHORT[1], "class.desktops.machines=200"]);
    assert!(mean(&fewer) < mean(&without));
}

#[test]
fn the_tail_grows_while_a_drive_is_rebuilt() {
    let with = surprise("rebuild-tail", &SHORT);
    let without = surprise("rebuild-tail", &[SHORT[0], SHORT[1], "fault=[]"]);
    let p99 = |outcome: &RunOutcome| us(outcome, "ticketing", "read", "p99");
    println!("p99 {} us while rebuilding, {} us healthy", p99(&with), p99(&without));
    assert!(p99(&with) > 2.0 * p99(&without));
    // Lost and left so, reads fan out all the same; the rebuild's own work comes on top.
    let lost = "fault=[{name=\"lost\",kind=\"drive-lost\",drive=3}]";
    let lost = surprise("rebuild-tail", &[SHORT[0], SHORT[1], lost]);
    assert!(p99(&lost) > 1.2 * p99(&without) && p99(&with) > 1.3 * p99(&lost), "{}", p99(&lost));
    let restored = with.ledger.iter().find(|row| row.level == "rebuild").expect("a rebuild");
    assert!(restored.write_bytes_per_s > 100e6, "{restored:?}");
}
