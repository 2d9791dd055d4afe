//! The one judge of whether a load is sustained, for a run and for every load that a search tries.
//!
//! It hears all its witnesses. *Balance*: the work that the stated load brings the most loaded resource stays below
//! its time; necessary, not sufficient (Loynes 1962; Bramson 2008). Destaging's own concurrency is such a resource: its
//! stripes under way, beside those that may be (Little 1961), are full when the part behind it takes no more with the gate
//! kept full (the saturation rule: Baccelli & Foss 1995). *Drift*: neither the backlog, nor what waits in the log for the
//! drives, nor what garbage collection still has to move grows. A load is sustained if no witness speaks against it,
//! overloaded if one surely does and none surely contradicts; otherwise it is undecided.
//!
//! An instance of a resource counts for more than the average only for what lasts (`measure::imbalance`). Closed classes
//! take what the others leave and pile nothing up: of them alone there is nothing to judge but the deferred stocks. A run
//! with dates is judged by the backlog that it leaves.

use crate::engine::{Group, Observation, Stop};
use crate::measure::{Drift, Folds, Interval, Margin, Standing, Watch, excess_of_most_loaded, t_interval};
use crate::scenario::{Class, Load, Skew};

use super::overload;
use super::replication::{Replication, Stock};
use super::setting::Setting;
use super::stations::ratio;
use super::transient;

/// Below this share of the fullest resource's time, what is full is destaging's own concurrency.
const NEARLY_FULL: f64 = 0.9;
/// Below this share a single replication, which has no spread, is called stable.
const CLEARLY_STABLE: f64 = 0.95;
/// Share of a resource's work behind hosts' requests that is more than what is on its way at the edges of a window.
const BEHIND: f64 = 0.05;
/// Growth of a log, as a share of what is written to it, that is as good as none where its level is the only witness.
const LEVEL_TO: f64 = 0.02;
/// Destaging's own concurrency, as a resource.
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

    /// Work offered ÷ time, summed over replications.
    fn work(&self) -> f64 {
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

/// What the witnesses say together.
#[derive(Clone, Copy, Debug, PartialEq)]
pub(super) enum Ruling {
    Stable,
    Overloaded(Overload),
    /// A deferred stock grows in a straight line.
    Fills(Stock),
    Undecided(Doubt),
}

/// How overload was seen; growth in requests per second.
#[derive(Clone, Copy, Debug, PartialEq)]
pub(super) enum Overload {
    /// Replications, of all, that filled the backlog.
    BacklogFull { replications: usize, of: usize, growth: f64 },
    /// A run with dates leaves more waiting than it found.
    Left { growth: f64 },
    /// The backlog grows in a straight line.
    Grows { growth: f64 },
    /// More work is offered than there is time, and the backlog is not seen to be steady.
    Offered { growth: Option<f64> },
}

impl Overload {
    /// Requests per second that pile up, where that is known.
    pub fn growth(self) -> Option<f64> {
        match self {
            Overload::BacklogFull { growth, .. } | Overload::Left { growth } | Overload::Grows { growth } => {
                Some(growth)
            }
            Overload::Offered { growth } => growth,
        }
    }
}

/// Why it cannot be told.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(super) enum Doubt {
    /// The backlog grows, but ever more slowly.
    StartUp,
    /// The fullest resource cannot be told from full.
    Full,
    /// More work is offered than there is time, but nothing piles up.
    Conflict,
    /// A deferred stock is not seen to be level, or grows ever more slowly.
    Stock(Stock),
    /// One replication has no spread.
    NoSpread,
}

impl Ruling {
    /// Whether the load is sustained.
    pub fn standing(self) -> Standing {
        match self {
            Ruling::Stable => Standing::Holds,
            Ruling::Overloaded(_) | Ruling::Fills(_) => Standing::Fails,
            Ruling::Undecided(_) => Standing::Unclear,
        }
    }
}

/// What all witnesses have seen.
pub(super) struct Evidence {
    /// Of every resource, in the order of the path.
    balances: Vec<Balance>,
    /// Of destaging's own concurrency.
    destage: Option<Balance>,
    /// The work offered to it that would be left with the log at high water.
    at_high_water: Vec<f64>,
    backlog: Vec<Watch>,
    /// What waits in the log, and what garbage collection has yet to move.
    stocks: [Vec<Watch>; 2],
    /// Requests a second that piled up in replications which filled the backlog, and all replications.
    given_up: (Vec<f64>, usize),
    has_open: bool,
    is_dated: bool,
    /// A rebuild without a cap takes what time there is.
    has_elastic: bool,
}

impl Evidence {
    /// Of replications so far, or of closed ones.
    pub fn of(setting: &Setting, replications: &[Replication]) -> Self {
        let stock = |stock: Stock| match stock {
            Stock::Log if !setting.plan.has_log() => Vec::new(),
            _ => replications.iter().filter_map(|r| r.watch_stock(stock)).collect(),
        };
        let offered = replications.first().map_or_else(Vec::new, |r| transient::offered(setting, r));
        let given_up = replications.iter().filter(|r| r.stop == Stop::Backlog);
        let piled_up = |r: &Replication| ratio(r.kernel.in_system() as f64, r.kernel.now().secs());
        let (balances, destage) = balances(setting, replications);
        let kept = |r: &Replication| r.kept_at_high_water(setting.plan.log_room().unwrap_or(0.0));
        let windows = replications.iter().filter(|r| r.opened.as_ref().is_some_and(|o| r.seen().at > o.at));
        let to_destage = destage.iter().flat_map(|gate| &gate.offered);
        Evidence {
            at_high_water: to_destage.zip(windows).map(|(offered, r)| offered * kept(r)).collect(),
            balances,
            destage,
            backlog: overload::watches(replications),
            stocks: [Stock::Log, Stock::Debt].map(stock),
            given_up: (given_up.map(piled_up).collect(), replications.len()),
            has_open: offered.iter().any(Option::is_some),
            is_dated: setting.periods.is_some(),
            has_elastic: setting.rebuilding().is_some_and(|(_, rebuilding)| rebuilding.rate.is_none()),
        }
    }

    /// The resource with the least time left.
    fn resource(&self) -> Option<&Balance> {
        self.balances.iter().max_by(|a, b| a.work().total_cmp(&b.work()))
    }

    /// What has the least left: a resource, or destaging's own concurrency.
    pub fn fullest(&self) -> Option<&Balance> {
        let destage = self.destage.iter().filter(|_| self.balances.iter().any(|b| b.utilisation() > 0.0));
        self.resource().into_iter().chain(destage).max_by(|a, b| a.work().total_cmp(&b.work()))
    }

    /// Mean utilisation of every resource's most loaded instance.
    pub fn utilisations(&self) -> Vec<(String, f64)> {
        let all = self.balances.iter().chain(&self.destage);
        all.map(|balance| (balance.resource.clone(), balance.utilisation())).collect()
    }

    /// What the witnesses say, each heard at this confidence.
    pub fn ruling(&self, confidence: f64) -> Ruling {
        let (filled, of) = &self.given_up;
        if !filled.is_empty() {
            let growth = filled.iter().sum::<f64>() / filled.len() as f64;
            return Ruling::Overloaded(Overload::BacklogFull { replications: filled.len(), of: *of, growth });
        }
        let backlog = Drift::estimate(&self.backlog, confidence);
        let growing = backlog.as_ref().filter(|_| self.has_open).filter(|drift| drift.is_growing());
        match growing {
            Some(drift) if self.is_dated => {
                return Ruling::Overloaded(Overload::Left { growth: drift.growth.value });
            }
            _ if self.is_dated => return Ruling::Stable,
            Some(drift) if drift.is_runaway() => {
                return Ruling::Overloaded(Overload::Grows { growth: drift.growth.value });
            }
            _ => {}
        }
        let balance = match self.has_open {
            true => self.by_balance(backlog.as_ref(), confidence),
            false => Ruling::Stable,
        };
        match (balance, self.by_stocks(confidence)) {
            (Ruling::Overloaded(found), _) => Ruling::Overloaded(found),
            (_, Ruling::Fills(stock)) => Ruling::Fills(stock),
            _ if growing.is_some() => Ruling::Undecided(Doubt::StartUp),
            (Ruling::Stable, by_stocks) => by_stocks,
            (found, _) => found,
        }
    }

    /// Whether the load is sustained, each witness heard at this confidence.
    pub fn standing(&self, confidence: f64) -> Standing {
        self.ruling(confidence).standing()
    }

    /// By the work offered to what is fullest, and whether a backlog contradicts.
    fn by_balance(&self, backlog: Option<&Drift>, confidence: f64) -> Ruling {
        let Some(fullest) = self.fullest() else { return Ruling::Stable };
        let Some(offered) = fullest.interval(confidence) else {
            return match fullest.work() < CLEARLY_STABLE * fullest.offered.len().max(1) as f64 {
                true => Ruling::Stable,
                false => Ruling::Undecided(Doubt::NoSpread),
            };
        };
        if offered.high < 1.0 {
            return Ruling::Stable;
        }
        let is_steady = backlog.is_some_and(Drift::is_steady);
        if let Some(stock) = self.taken_up() {
            // What takes the time that is left does not count against it.
            return match stock {
                Some(stock) if !self.is_level(stock, confidence) => Ruling::Undecided(Doubt::Stock(stock)),
                None if !is_steady => Ruling::Undecided(Doubt::Full),
                _ => Ruling::Stable,
            };
        }
        match (offered.low > 1.0, is_steady) {
            (true, false) => Ruling::Overloaded(Overload::Offered {
                growth: backlog.map(|drift| drift.growth.value).filter(|growth| *growth > 0.0),
            }),
            (true, true) => Ruling::Undecided(Doubt::Conflict),
            _ => Ruling::Undecided(Doubt::Full),
        }
    }

    /// By what is put off until later.
    fn by_stocks(&self, confidence: f64) -> Ruling {
        // Destaging and absorption at high water: what comes beyond them fills the log (Baccelli & Foss 1995).
        if t_interval(&self.at_high_water, confidence).is_some_and(|offered| offered.low > 1.0) {
            return Ruling::Fills(Stock::Log);
        }
        for stock in [Stock::Log, Stock::Debt] {
            match self.drift_of(stock, confidence) {
                Some(drift) if drift.is_runaway() => return Ruling::Fills(stock),
                Some(drift) if drift.is_growing() => return Ruling::Undecided(Doubt::Stock(stock)),
                _ => {}
            }
        }
        Ruling::Stable
    }

    fn drift_of(&self, stock: Stock, confidence: f64) -> Option<Drift> {
        let watches = &self.stocks[stock as usize - 1];
        Drift::estimate(watches, confidence).filter(|drift| drift.offered_per_s > 0.0)
    }

    fn is_level(&self, stock: Stock, confidence: f64) -> bool {
        let drift = self.drift_of(stock, confidence);
        drift.is_some_and(|drift| !drift.is_growing() && drift.growth.high <= LEVEL_TO * drift.offered_per_s)
    }

    /// Whether what is fullest works for what takes the time that is left, and the stock that is the witness then: what
    /// destaging does not get to is written again in the log; a rebuild without a cap has none.
    fn taken_up(&self) -> Option<Option<Stock>> {
        let fullest = self.fullest()?;
        let behind = ratio(fullest.behind.iter().sum(), fullest.behind.len() as f64);
        match behind > BEHIND {
            true if !self.stocks[0].is_empty() => Some(Some(Stock::Log)),
            true if self.has_elastic => Some(None),
            _ => None,
        }
    }

    /// Whether the fullest resource cannot be told from full, although it is known well.
    pub fn is_at_the_edge(&self, confidence: f64, known_to: f64) -> bool {
        let found = self.fullest().and_then(|balance| balance.interval(confidence));
        self.has_open
            && matches!(self.ruling(confidence), Ruling::Undecided(Doubt::Full))
            && found.is_some_and(|i| i.high - i.low <= 2.0 * known_to)
    }

    /// Work offered to the fullest resource ÷ its time, where a class is open.
    pub fn offered(&self, confidence: f64) -> Option<Interval> {
        self.fullest().filter(|_| self.has_open)?.interval(confidence)
    }

    /// The resource that limits: destaging's own concurrency where it is full beside resources that are not.
    pub fn bottleneck(&self) -> Option<String> {
        let balance = self.resource()?;
        let is_full =
            |gate: &Balance| gate.utilisation() >= NEARLY_FULL && balance.utilisation() < NEARLY_FULL;
        let named = self.destage.as_ref().filter(|gate| is_full(gate)).unwrap_or(balance);
        Some(named.resource.clone())
    }
}

/// How much of its time every resource has left for the stated load.
///
/// Its busy time per request is far better known than how many requests a window of bursts happens to hold, so the
/// requests are set to what the scenario states (a ratio estimator: Cochran 1977, chapter 6). Closed classes take what
/// the others leave. Past saturation a resource is busy all the time and finishes less than is stated.
fn balances(setting: &Setting, replications: &[Replication]) -> (Vec<Balance>, Option<Balance>) {
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
        for (((r, opened, seen), stated), excess) in windows.iter().zip(&stated).zip(excess) {
            let done = |s: usize| {
                let booked = (seen.stations[s].booked - opened.stations[s].booked) as f64;
                booked + opened.residual[s] as f64 - seen.residual[s] as f64
            };
            let busy: f64 = group.stations().map(done).sum();
            let time =
                seen.at.since(opened.at).ps() as f64 * f64::from(group.members) * f64::from(group.servers);
            let used = busy / time * (1.0 + excess);
            let behind = 1.0 - (stated[place].seen / busy.max(1.0)).min(1.0);
            balance.behind.push(behind);
            balance.used.push(used);
            // What fills the log has yet to come to the parts behind it.
            let to_come = 1.0 + behind * (r.log_inflow() - 1.0);
            balance.offered.push(used * stated[place].to_busy(busy) * to_come);
        }
        balance
    };
    let all = groups.iter().enumerate().filter(|(_, group)| group.members > 0).map(of).collect();
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
        let writes = log.map_or(1.0, |log| stated[log].to_busy(stated[log].seen));
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
