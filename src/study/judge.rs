//! The one judge of whether a load is sustained, for a run and for every load that a search tries.
//!
//! It hears all its witnesses. *Balance*: the work that the stated load brings the most loaded resource stays below
//! its time; necessary, not sufficient (Loynes 1962; Bramson 2008). *Drift*: neither the backlog, nor what waits in the
//! log for the drives, nor what garbage collection still has to move grows. A load is sustained if no witness speaks
//! against it, overloaded if one surely does and none surely contradicts; otherwise it is undecided.
//!
//! An instance of a resource counts for more than the average only for what lasts (`measure::imbalance`). Closed classes
//! take what the others leave and pile nothing up: of them alone there is nothing to judge but the deferred stocks.

use crate::engine::{Group, Observation};
use crate::measure::{Drift, Folds, Interval, Margin, Standing, Watch, excess_of_most_loaded, t_interval};
use crate::scenario::{Class, Load, Skew};

use super::overload;
use super::replication::{Replication, Stock};
use super::setting::Setting;
use super::stations::ratio;
use super::transient;

/// Below this share of the fullest resource's time a log that fills waits for destaging's own concurrency.
const NEARLY_FULL: f64 = 0.9;
/// Share of a resource's work behind hosts' requests that is more than what is on its way at the edges of a window.
const BEHIND: f64 = 0.05;
/// What a log waits for where no resource is nearly full.
pub(super) const DESTAGE: &str = "log.destage";

/// The resource with the least time left, by replication.
#[derive(Clone, Debug)]
pub(super) struct Balance {
    pub resource: String,
    /// Share of its time that it was busy, at the most loaded instance.
    pub used: Vec<f64>,
    /// Work that the stated load of open classes brings it ÷ its time; what was used where no class is open.
    pub offered: Vec<f64>,
    /// Share of its work that comes behind hosts' requests.
    behind: Vec<f64>,
}

impl Balance {
    /// Work offered ÷ time.
    pub fn interval(&self, confidence: f64) -> Option<Interval> {
        t_interval(&self.offered, confidence).filter(|found| found.value.is_finite())
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

/// What all witnesses have seen.
pub(super) struct Evidence {
    /// Of every resource, in the order of the path.
    balances: Vec<Balance>,
    backlog: Vec<Watch>,
    stocks: [Vec<Watch>; 2],
    has_open: bool,
}

impl Evidence {
    /// Of replications so far, or of closed ones.
    pub fn of(setting: &Setting, replications: &[Replication]) -> Self {
        let stock = |stock: Stock| match setting.plan.has_log() || stock == Stock::Debt {
            true => replications.iter().filter_map(|r| r.watch_stock(stock)).collect(),
            false => Vec::new(),
        };
        let offered = replications.first().map_or_else(Vec::new, |r| transient::offered(setting, r));
        Evidence {
            balances: balances(setting, replications),
            backlog: overload::watches(replications),
            stocks: [Stock::Log, Stock::Debt].map(stock),
            has_open: offered.iter().any(Option::is_some),
        }
    }

    /// The resource with the least time left.
    pub fn fullest(&self) -> Option<&Balance> {
        let work = |balance: &Balance| balance.offered.iter().sum::<f64>();
        self.balances.iter().max_by(|a, b| work(a).total_cmp(&work(b)))
    }

    /// Mean utilisation of every resource's most loaded instance.
    pub fn utilisations(&self) -> Vec<(String, f64)> {
        self.balances.iter().map(|balance| (balance.resource.clone(), balance.utilisation())).collect()
    }

    /// Whether the load is sustained, each witness heard at this confidence.
    pub fn standing(&self, confidence: f64) -> Standing {
        let stocks = self.stocks.each_ref().map(|watches| Drift::estimate(watches, confidence));
        let deferred = || stocks.iter().flatten().filter(|drift| drift.offered_per_s > 0.0);
        let piles_up = deferred().any(Drift::is_runaway);
        let is_level = deferred().all(Drift::is_steady);
        if !self.has_open {
            return match (piles_up, is_level) {
                (true, _) => Standing::Fails,
                (_, true) => Standing::Holds,
                _ => Standing::Unclear,
            };
        }
        let backlog = Drift::estimate(&self.backlog, confidence);
        let Some(balance) = self.fullest().and_then(|b| b.interval(confidence)) else {
            return Standing::Unclear;
        };
        let is_steady = backlog.as_ref().is_none_or(Drift::is_steady);
        let is_growing = backlog.as_ref().is_some_and(Drift::is_growing);
        if piles_up || backlog.as_ref().is_some_and(Drift::is_runaway) || (balance.low > 1.0 && !is_steady) {
            return Standing::Fails;
        }
        // Where bursts keep a backlog moving it is not seen to be steady; but what no resource limits piles up in sight.
        let holds =
            (balance.high < 1.0 || self.is_taken_up(confidence)) && (is_steady || !is_growing) && is_level;
        if holds { Standing::Holds } else { Standing::Unclear }
    }

    /// Whether the fullest resource works behind a log that is not seen to fill: destaging takes what time there is, and what
    /// it does not get to is written again in the log. Then the log is the witness.
    pub fn is_taken_up(&self, confidence: f64) -> bool {
        let log = Drift::estimate(&self.stocks[0], confidence).filter(|drift| drift.offered_per_s > 0.0);
        let behind = |balance: &Balance| ratio(balance.behind.iter().sum(), balance.behind.len() as f64);
        log.is_some_and(|drift| !drift.is_growing())
            && self.fullest().is_some_and(|full| behind(full) > BEHIND)
    }

    /// Whether the fullest resource cannot be told from full, although it is known well.
    pub fn is_at_the_edge(&self, confidence: f64, known_to: f64) -> bool {
        let found = self.fullest().and_then(|balance| balance.interval(confidence));
        self.has_open
            && !self.is_taken_up(confidence)
            && found.is_some_and(|i| i.low <= 1.0 && i.high >= 1.0 && i.high - i.low <= 2.0 * known_to)
    }

    /// Work offered to the fullest resource ÷ its time, where a class is open.
    pub fn offered(&self, confidence: f64) -> Option<Interval> {
        self.fullest().filter(|_| self.has_open)?.interval(confidence)
    }

    /// The resource that limits: the fullest one, or destaging's own concurrency where the log fills beside idle ones.
    pub fn bottleneck(&self, confidence: f64) -> Option<String> {
        let log = Drift::estimate(&self.stocks[0], confidence);
        let fills = log.is_some_and(|drift| drift.offered_per_s > 0.0 && drift.is_runaway());
        let balance = self.fullest()?;
        match fills && balance.utilisation() < NEARLY_FULL {
            true => Some(DESTAGE.into()),
            false => Some(balance.resource.clone()),
        }
    }
}

/// How much of its time every resource has left for the stated load.
///
/// Its busy time per request is far better known than how many requests a window of bursts happens to hold, so the
/// requests are set to what the scenario states (a ratio estimator: Cochran 1977, chapter 6). Closed classes take what
/// the others leave. Past saturation a resource is busy all the time and finishes less than is stated.
fn balances(setting: &Setting, replications: &[Replication]) -> Vec<Balance> {
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
        let mut balance = Balance {
            resource: group.name.clone(),
            used: Vec::new(),
            offered: Vec::new(),
            behind: Vec::new(),
        };
        for (((_, opened, seen), stated), excess) in windows.iter().zip(&stated).zip(excess) {
            let done = |s: usize| {
                let booked = (seen.stations[s].booked - opened.stations[s].booked) as f64;
                booked + opened.residual[s] as f64 - seen.residual[s] as f64
            };
            let busy: f64 = group.stations().map(done).sum();
            let time =
                seen.at.since(opened.at).ps() as f64 * f64::from(group.members) * f64::from(group.servers);
            let used = busy / time * (1.0 + excess);
            balance.behind.push(1.0 - (stated[place].seen / busy.max(1.0)).min(1.0));
            balance.used.push(used);
            balance.offered.push(used * stated[place].to_busy(busy));
        }
        balance
    };
    groups.iter().enumerate().filter(|(_, group)| group.members > 0).map(of).collect()
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

/// Service of hosts' requests at a group in a window, ps.
#[derive(Clone, Copy, Default)]
struct Stated {
    /// What was seen.
    seen: f64,
    /// What the stated requests of open classes take.
    stated: f64,
    is_open: bool,
}

impl Stated {
    /// Factor on the time that the group was busy: what comes behind the requests comes in proportion. A backlog that grew
    /// in the window was seen and not yet served.
    fn to_busy(self, busy: f64) -> f64 {
        match self.is_open && self.seen > 0.0 && busy > 0.0 {
            true => self.stated / self.seen.min(busy),
            false => 1.0,
        }
    }
}

/// By group, as a replication has seen it.
fn stated(setting: &Setting, replication: &Replication, groups: usize, seconds: f64) -> Vec<Stated> {
    let recorder = &replication.kernel.model.recorder;
    let by_class = transient::offered(setting, replication);
    let is_open = by_class.iter().any(Option::is_some);
    let mut found = vec![Stated { is_open, ..Stated::default() }; groups];
    for (class, rate) in by_class.iter().enumerate() {
        let tables = &recorder.blame[2 * class..][..2];
        let requests: f64 = tables.iter().map(|table| table.count() as f64).sum();
        let factor = rate.filter(|_| requests > 0.0).map_or(0.0, |rate| rate * seconds / requests);
        for table in tables {
            let Some(blame) = table.above(0.0) else { continue };
            for (group, (_, service)) in found.iter_mut().zip(&blame.stations) {
                let all = service * table.count() as f64;
                group.seen += all;
                group.stated += all * factor;
            }
        }
    }
    found
}
