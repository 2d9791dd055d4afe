//! What a run with dates tells beside the whole: each period between two dates, and the figures over time.

use rayon::prelude::*;

use crate::engine::SimDuration;
use crate::measure::{Latencies, Point};
use crate::outcome::{PeriodRow, SeriesRow};

use super::replication::{Replication, Sample};
use super::setting::Setting;
use super::stations::{ratio, window};
use super::summary::{Row, latency_row, rows};

/// Stated requests per second by class: under phases, on average over the window.
pub(super) fn offered(setting: &Setting, replication: &Replication) -> Vec<Option<f64>> {
    let traffic = &replication.kernel.model.traffic;
    match window(replication) {
        Some((opened, closed)) if !setting.scenario.phases.is_empty() => {
            traffic.clone().offered_between(opened.at, closed.at)
        }
        _ => traffic.offered(),
    }
}

/// Seconds of a window in which something is being rebuilt.
pub(super) fn rebuilding_s(setting: &Setting, window_s: f64) -> f64 {
    let window = SimDuration::from_secs(window_s);
    let faults = setting.scenario.faults.iter().filter(|fault| fault.rebuilding().is_some());
    let seconds = faults.map(|fault| {
        let end = fault.end().unwrap_or(window).min(window);
        (end - fault.at).secs()
    });
    seconds.sum()
}

/// A row for each period in which requests were due.
pub(super) fn periods(setting: &Setting, replications: &[Replication]) -> Vec<PeriodRow> {
    let Some(periods) = &setting.periods else { return Vec::new() };
    let row = |(number, period): (usize, &super::periods::Period)| {
        // A replication that was given up has less of it, or nothing.
        let shares = replications.iter().map(|r| {
            let end = SimDuration::from_secs(r.window_s()).min(period.to);
            (end - period.from).secs()
        });
        let seconds: f64 = shares.sum();
        let of = |row: Row| {
            let pooled: Vec<Latencies> =
                replications.iter().map(|r| of_period(r, number, &row.places)).collect();
            let has_requests = pooled.iter().any(|latencies| latencies.total() > 0);
            let confidence = setting.scenario.run.confidence;
            has_requests.then(|| latency_row(row, &pooled, seconds, confidence))
        };
        PeriodRow {
            name: period.name.clone(),
            from_s: period.from.secs(),
            to_s: period.to.secs(),
            in_force: period.in_force.clone(),
            classes: rows(setting, replications).into_par_iter().filter_map(of).collect(),
        }
    };
    periods.list.iter().enumerate().map(row).collect()
}

fn of_period(replication: &Replication, period: usize, places: &[usize]) -> Latencies {
    let periods = replication.kernel.model.recorder.periods.as_ref();
    periods.map_or_else(Latencies::new, |periods| periods.pooled(&[period], places))
}

/// A row for each point in time that every one of some replications has seen the whole of.
pub(super) fn series(setting: &Setting, replications: &[Replication]) -> Vec<SeriesRow> {
    let Some(periods) = &setting.periods else { return Vec::new() };
    let longest = replications.iter().map(|r| r.samples.len()).max().unwrap_or(0);
    let step = setting.scenario.run.series;
    (1..longest)
        .map(|edge| {
            let from = SimDuration::from_ps(step.ps() * (edge as u64 - 1));
            let width_s = (step.min(periods.length - from)).secs();
            let whole: Vec<&Replication> = replications.iter().filter(|r| r.samples.len() > edge).collect();
            point(setting, &whole, edge, (from.secs(), width_s))
        })
        .collect()
}

/// The point that ends at this edge.
fn point(setting: &Setting, whole: &[&Replication], edge: usize, (at_s, width_s): (f64, f64)) -> SeriesRow {
    let mut pooled = Point::default();
    let points = whole.iter().filter_map(|r| r.kernel.model.recorder.points.as_ref());
    points.filter_map(|points| points.list.get(edge - 1)).for_each(|point| pooled.merge(point));
    let count = whole.len() as f64;
    let mean = |of: &dyn Fn(&Sample) -> f64| whole.iter().map(|r| of(&r.samples[edge])).sum::<f64>() / count;
    let groups = setting.plan.network.groups().iter().enumerate().filter(|(_, group)| group.members > 0);
    let busy_s = |number: usize| -> f64 {
        let spent = |r: &&Replication| {
            r.samples[edge].busy[number].saturating_sub(r.samples[edge - 1].busy[number]) as f64 / 1e12
        };
        whole.iter().map(spent).sum()
    };
    let utilisation = groups.map(|(number, group)| {
        let servers = f64::from(group.members) * f64::from(group.servers);
        (group.name.clone(), ratio(busy_s(number), width_s * count * servers))
    });
    let fills: Option<Vec<f64>> = whole.iter().map(|r| r.samples[edge].log_fill).collect();
    SeriesRow {
        at_s,
        iops: ratio(pooled.finished as f64, width_s * count),
        mean_us: pooled.mean_ps().map(|ps| ps / 1e6),
        p50_us: pooled.quantile_ps(0.5).map(|ps| ps / 1e6),
        p99_us: pooled.quantile_ps(0.99).map(|ps| ps / 1e6),
        backlog: mean(&|sample| sample.backlog as f64),
        log_fill: fills.map(|fills| fills.iter().sum::<f64>() / count),
        utilisation: utilisation.collect(),
    }
}
