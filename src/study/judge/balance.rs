//! How much of its time every resource has left for the stated load.

use crate::engine::{Group, Observation};
use crate::measure::{Folds, Interval, Margin, excess_of_most_loaded, t_interval};
use crate::scenario::{Class, Load, Skew};
use crate::study::replication::Replication;
use crate::study::setting::Setting;
use crate::study::stations::ratio;
use crate::study::transient;
use crate::system::UNITS;

use super::DESTAGE;

/// The resource with the least time left, by replication.
#[derive(Clone, Debug)]
pub(in crate::study) struct Balance {
    pub resource: String,
    /// Share of its time that it was busy, at the most loaded instance.
    pub used: Vec<f64>,
    /// Work that the stated load of open classes brings it ÷ its time; what was used where no class is open.
    pub offered: Vec<f64>,
    /// Share of its work that comes behind hosts' requests.
    pub(super) behind: Vec<f64>,
}

impl Balance {
    /// Work offered ÷ time.
    pub fn interval(&self, confidence: f64) -> Option<Interval> {
        t_interval(&self.offered, confidence).filter(|found| found.value.is_finite())
    }

    /// Work offered ÷ time, summed over replications.
    pub(super) fn work(&self) -> f64 {
        self.offered.iter().sum()
    }

    /// Mean utilisation of the most loaded instance.
    pub fn utilisation(&self) -> f64 {
        ratio(self.used.iter().sum(), self.used.len() as f64)
    }

    /// How far from full, as a logarithm: zero where the resource is just full.
    pub fn margin(&self, confidence: f64) -> Option<Margin> {
        let found = self.interval(confidence).filter(|found| found.value > 0.0)?;
        Some(Margin { value: found.value.ln(), half: (found.high - found.value) / found.value })
    }
}

/// How much of its time every resource has left for the stated load.
///
/// Its busy time per request is far better known than how many requests a window of bursts happens to hold, so the
/// requests are set to what the scenario states (a ratio estimator: Cochran 1977, chapter 6). Closed classes take what
/// the others leave. Past saturation a resource is busy all the time and finishes less than is stated.
pub(super) fn balances(setting: &Setting, replications: &[Replication]) -> (Vec<Balance>, Option<Balance>) {
    let windows: Vec<(&Replication, &Observation, Observation)> = replications
        .iter()
        .filter_map(|r| Some((r, r.opened.as_ref()?, r.seen())))
        .filter(|(_, opened, seen)| seen.at > opened.at)
        .collect();
    let groups = setting.plan.network.groups();
    let stated: Vec<Vec<Stated>> = windows
        .iter()
        .map(|(r, opened, seen)| stated(setting, r, groups.len(), seen.at.since(opened.at).secs()))
        .collect();
    let of = |(place, group): (usize, &Group)| {
        let fold = |(r, ..): &(&Replication, _, _)| {
            Folds(r.folds().map(|fold| group.stations().map(|station| fold[station]).collect()))
        };
        let folds: Vec<Folds> = windows.iter().map(fold).collect();
        let excess = excess_of_most_loaded(&folds, differs_by_placement(setting, &group.name));
        let mut offered = [Vec::new(), Vec::new()];
        let mut balance = Balance {
            resource: group.name.clone(),
            used: Vec::new(),
            offered: Vec::new(),
            behind: Vec::new(),
        };
        for (((r, opened, seen), stated), excess) in windows.iter().zip(&stated).zip(excess) {
            let done = |s: usize| {
                let booked = (seen.stations[s].booked - opened.stations[s].booked) as f64;
                booked + opened.residual[s] as f64 - seen.residual[s] as f64
            };
            let busy: f64 = group.stations().map(done).sum();
            let time =
                seen.at.since(opened.at).ps() as f64 * f64::from(group.members) * f64::from(group.servers);
            let used = busy / time * (1.0 + excess);
            let behind = 1.0 - (stated[place].done[1] / busy.max(1.0)).min(1.0);
            balance.behind.push(behind);
            balance.used.push(used);
            // What fills the log has yet to come to the parts behind it, and what fills drives' buffers to their units.
            let buffered = if group.name == UNITS { r.buffering().clamp(-1.0, 0.5) } else { 0.0 };
            let to_come = 1.0 + behind * (r.log_inflow() / (1.0 - buffered) - 1.0);
            for (offered, factor) in offered.iter_mut().zip(stated[place].to_busy()) {
                offered.push(used * factor * to_come);
            }
        }
        (balance, offered)
    };
    let seen: Vec<(Balance, [Vec<f64>; 2])> =
        groups.iter().enumerate().filter(|(_, group)| group.members > 0).map(of).collect();
    let busiest = seen.iter().map(|(balance, _)| balance.utilisation()).fold(0.0, f64::max);
    let decide = |(balance, offered): (Balance, _)| {
        let waits_here = balance.utilisation() >= busiest;
        Balance { offered: estimate(offered, waits_here), ..balance }
    };
    let all = seen.into_iter().map(decide).collect();
    let log = setting.scenario.design.log.as_ref().map(|log| {
        let replications = windows.iter().map(|(r, ..)| *r).zip(&stated);
        destaging(log.destage, groups.iter().position(|group| group.name == "log"), replications)
    });
    (all, log)
}

/// The stripes that destaging has under way, beside those that it may have. With all of them under way its capacity is what
/// leaves the log, so that what comes beyond that is offered beyond it.
fn destaging<'r>(
    at_once: u32,
    log: Option<usize>,
    replications: impl Iterator<Item = (&'r Replication, &'r Vec<Stated>)>,
) -> Balance {
    let mut balance =
        Balance { resource: DESTAGE.into(), used: Vec::new(), offered: Vec::new(), behind: Vec::new() };
    for (replication, stated) in replications {
        let used = replication.destaging() / f64::from(at_once.max(1));
        let writes = log.map_or(1.0, |log| stated[log].to_busy()[1]);
        balance.used.push(used);
        balance.offered.push(used * writes * replication.log_inflow());
        balance.behind.push(1.0);
    }
    balance
}

/// Whether one replication's placement of data can give an instance more to do than its like: where some blocks are hotter
/// than others. What is so in every replication (ports that machines keep, links with more drives, a fault) counts anyway.
fn differs_by_placement(setting: &Setting, group: &str) -> bool {
    let is_uneven = |class: &Class| {
        class.skew != Skew::Uniform
            || class.sequential.share > 0.0
            || matches!(class.load, Load::Trace { .. })
    };
    (group.starts_with("drives") || group.starts_with("fabric"))
        && setting.scenario.classes.iter().any(is_uneven)
}

/// Of two estimates by replication the better one. In front of where a backlog grows or melts a resource has worked for the
/// requests that came; there and behind it for those that finished, whenever they came. It waits at the busiest resource;
/// of the others replications agree better on what is true.
fn estimate([came, finished]: [Vec<f64>; 2], waits_here: bool) -> Vec<f64> {
    let spread = |all: &[f64]| {
        let mean = ratio(all.iter().sum(), all.len() as f64);
        ratio(all.iter().map(|one| (one - mean).powi(2)).sum::<f64>().sqrt(), mean)
    };
    if !waits_here && spread(&came) < spread(&finished) { came } else { finished }
}

/// Service of hosts' requests at a group in a window, ps: of those that came, and of those that finished.
#[derive(Clone, Copy, Default)]
struct Stated {
    /// What they took, each as long as one that was measured does.
    done: [f64; 2],
    /// What the stated requests of open classes take.
    stated: [f64; 2],
    is_open: bool,
}

impl Stated {
    /// Factors on the time that the group was busy: what comes behind the requests comes in proportion.
    fn to_busy(self) -> [f64; 2] {
        [0, 1].map(|of| match self.is_open && self.done[of] > 0.0 {
            true => self.stated[of] / self.done[of],
            false => 1.0,
        })
    }
}

/// By group, as a replication has seen it.
fn stated(setting: &Setting, replication: &Replication, groups: usize, seconds: f64) -> Vec<Stated> {
    let recorder = &replication.kernel.model.recorder;
    let by_class = transient::offered(setting, replication);
    let is_open = by_class.iter().any(Option::is_some);
    let mut found = vec![Stated { is_open, ..Stated::default() }; groups];
    for (class, rate) in by_class.iter().enumerate() {
        let places = [2 * class, 2 * class + 1];
        let came = places.map(|place| (recorder.latencies[place].count() + recorder.out[place]) as f64);
        let finished = places.map(|place| recorder.finished[place] as f64);
        let means = places.map(|place| recorder.blame[place].above(0.0));
        for (of, requests) in [came, finished].into_iter().enumerate() {
            let factor = rate.map_or(0.0, |rate| ratio(rate * seconds, requests.iter().sum()));
            for (mean, requests) in means.iter().zip(requests) {
                let services = mean.iter().flat_map(|mean| &mean.stations);
                for (group, (_, service)) in found.iter_mut().zip(services) {
                    group.done[of] += service * requests;
                    group.stated[of] += service * requests * factor;
                }
            }
        }
    }
    found
}
