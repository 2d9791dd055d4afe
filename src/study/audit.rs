//! The checks that every run makes on itself, each from two separate measurements.
//!
//! | law | one side | the other |
//! | --- | --- | --- |
//! | conservation | requests that came | requests that left and are left |
//! | little, system | measured requests in the system, integrated over time | latencies recorded |
//! | little, station | tokens in the group, integrated by the events | waits and services promised |
//! | utilisation | time its servers were busy | arrivals × the demand that the scenario states |
//! | blame | waits and services at all stations | latencies |
//! | ledger, drives | bytes that requests ask of the drives (with protection: that its plans move) | bytes of fragments |
//! | ledger, log | blocks written to the log, less those written again | blocks that left it and are in it |
//! | ledger, flash | bytes written to drives' buffers | bytes of programs taken from there, and of those being filled |
//! | ledger, stripes | what the blocks take, one by one | data of stripes written, and of those being filled |
//! | ledger, protection | bytes that requests ask | bytes that they cover, stripe by stripe |
//!
//! All are exact but utilisation, where service times are drawn: six standard errors of their sum are
//! allowed (a correct run fails a station once in 500 million), and the work at the window's edges.

use crate::engine::{Demand, Group, Network, Step};
use crate::outcome::AuditRow;
use crate::system::Path;

use super::replication::Replication;
use super::setting::Setting;
use super::stations::{window, work};

/// Every law of a finished run.
pub(super) fn audit(setting: &Setting, replications: &[Replication]) -> Vec<AuditRow> {
    let network = &setting.plan.network;
    let mut rows = vec![conservation(replications), little_of_system(replications)];
    rows.extend(little_of_groups(network, replications));
    rows.extend(
        network
            .groups()
            .iter()
            .enumerate()
            .filter(|(_, g)| g.members > 0)
            .map(|(index, group)| utilisation(network, index, group, replications)),
    );
    rows.push(blame(replications));
    rows.extend(ledger(setting, replications));
    rows
}

/// A law whose two sides must be the same whole number.
fn exact(law: &str, station: &str, one: u128, other: u128) -> AuditRow {
    let error = one.abs_diff(other) as f64 / one.max(other).max(1) as f64;
    AuditRow { law: law.into(), station: station.into(), error, allowed: 0.0, ok: one == other }
}

fn conservation(replications: &[Replication]) -> AuditRow {
    let (mut came, mut left) = (0, 0);
    for seen in replications.iter().filter_map(|r| r.end.as_ref()).map(|end| &end.seen) {
        came += u128::from(seen.arrived);
        left += u128::from(seen.finished + seen.in_system);
    }
    exact("conservation", "system", came, left)
}

fn little_of_system(replications: &[Replication]) -> AuditRow {
    let (mut area, mut latencies) = (0, 0);
    for r in replications {
        let recorder = &r.kernel.model.recorder;
        if recorder.population.count() > 0 {
            // Given up with measured requests inside: their latencies do not exist.
            continue;
        }
        area += recorder.population.area_until(r.kernel.now());
        latencies += recorder.latencies.iter().map(|l| l.sum_ps()).sum::<u128>();
    }
    exact("little", "system", area, latencies)
}

fn little_of_groups(network: &Network, replications: &[Replication]) -> Vec<AuditRow> {
    let mut errors = vec![(0u128, 0u128); network.groups().len()];
    for end in replications.iter().filter_map(|r| r.end.as_ref()) {
        for (error, &(promised, by_events)) in errors.iter_mut().zip(&end.sojourns) {
            // Both are known modulo 2^64; their distance is small or the law is broken.
            let apart = promised.wrapping_sub(by_events);
            error.0 += u128::from(apart.min(apart.wrapping_neg()));
            error.1 += u128::from(promised);
        }
    }
    let row = |(group, (apart, promised)): (&Group, (u128, u128))| AuditRow {
        law: "little".into(),
        station: group.name.clone(),
        error: apart as f64 / promised.max(1) as f64,
        allowed: 0.0,
        ok: apart == 0,
    };
    network.groups().iter().zip(errors).filter(|(g, _)| g.members > 0).map(row).collect()
}

fn utilisation(network: &Network, index: usize, group: &Group, replications: &[Replication]) -> AuditRow {
    let (mut stated, mut arrivals) = (0.0, 0.0);
    for (opened, closed) in replications.iter().filter_map(window) {
        for station in group.stations() {
            let (before, after) = (&opened.stations[station], &closed.stations[station]);
            stated += (after.stated - before.stated) as f64;
            arrivals += (after.arrivals - before.arrivals) as f64;
        }
    }
    let work = work(group, replications);
    let base = stated.max(1.0);
    let deviation = (arrivals * largest_variance(network, index)).sqrt();
    let allowed = (6.0 * deviation + work.at_edges + 1.0) / base + 1e-9;
    let error = (work.busy - stated).abs() / base;
    AuditRow { law: "utilisation".into(), station: group.name.clone(), error, allowed, ok: error <= allowed }
}

/// Variance of the widest law that is drawn at a group, ps².
fn largest_variance(network: &Network, index: usize) -> f64 {
    let of = |step: &Step| match step {
        Step::Serve { group, demand, .. } | Step::Charge { group, demand, .. } if group.index() == index => {
            match &network.demands()[*demand as usize] {
                Demand::Drawn(law, _) => law.scv() * law.mean_ps().powi(2),
                Demand::Asked(_) => 0.0,
            }
        }
        _ => 0.0,
    };
    network.steps().iter().map(of).fold(0.0, f64::max)
}

fn blame(replications: &[Replication]) -> AuditRow {
    let (mut parts, mut whole) = (0, 0);
    for table in replications.iter().flat_map(|r| &r.kernel.model.recorder.blame) {
        let (rows, latencies) = table.check();
        parts += rows;
        whole += latencies;
    }
    exact("blame", "system", parts, whole)
}

/// Bytes by two counts: what is asked or planned, and what the drives are handed.
fn ledger(setting: &Setting, replications: &[Replication]) -> Vec<AuditRow> {
    let sum = |of: fn(&Path) -> [u64; 2]| {
        let paths = replications.iter().map(|r| &r.kernel.model.path);
        paths.flat_map(of).map(u128::from).sum::<u128>()
    };
    let (asked, handed) = (sum(|path| path.cut), sum(|path| path.fragments));
    let mut rows = balances(replications);
    if setting.plan.protects() {
        if setting.plan.blocks().is_none() {
            rows.push(exact("ledger", "protection", asked, sum(|path| path.protected.touched)));
        }
        rows.push(exact("ledger", "drives", sum(|path| path.protected.planned), handed));
    } else if asked > 0 {
        rows.push(exact("ledger", "drives", asked, handed));
    }
    rows
}

/// What came to the log and to stripes, and what left or is there still.
fn balances(replications: &[Replication]) -> Vec<AuditRow> {
    let mut sums: Vec<(&str, u128, u128)> = Vec::new();
    for path in replications.iter().map(|r| &r.kernel.model.path) {
        for (at, (name, came, left)) in path.balances().into_iter().enumerate() {
            match sums.get_mut(at) {
                Some(sum) => (sum.1, sum.2) = (sum.1 + u128::from(came), sum.2 + u128::from(left)),
                None => sums.push((name, came.into(), left.into())),
            }
        }
    }
    sums.into_iter().map(|(name, came, left)| exact("ledger", name, came, left)).collect()
}
