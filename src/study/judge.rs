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

mod balance;

use crate::engine::Stop;
use crate::measure::{Drift, Interval, Standing, Watch, t_interval};

use super::overload;
use super::replication::{Replication, Stock};
use super::setting::Setting;
use super::stations::ratio;
use super::transient;
pub(super) use balance::Balance;
use balance::balances;

/// Below this share of the fullest resource's time, what is full is destaging's own concurrency.
const NEARLY_FULL: f64 = 0.9;
/// Below this share a single replication, which has no spread, is called stable.
const CLEARLY_STABLE: f64 = 0.95;
/// Share of a resource's work behind hosts' requests that is more than what is on its way at the edges of a window.
const BEHIND: f64 = 0.05;
/// Growth of a log, as a share of what is written to it, that is as good as none where its level is the only witness.
const LEVEL_TO: f64 = 0.02;
/// Confidence at which a backlog that grows under work that surely is less than the time is told from a straight line.
const NO_STRAIGHT_LINE: f64 = 0.9;
/// Destaging's own concurrency, as a resource.
pub(super) const DESTAGE: &str = "log.destage";

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
    /// So many replications filled the backlog, of more, although the work offered surely is less than the time.
    Backlog { replications: usize, of: usize },
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
    /// Bytes that drives' write buffers filled by ÷ bytes that came to drives.
    buffering: Vec<f64>,
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
        let buffering = windows.clone().map(Replication::buffering).collect();
        let to_destage = destage.iter().flat_map(|gate| &gate.offered);
        Evidence {
            at_high_water: to_destage.zip(windows).map(|(offered, r)| offered * kept(r)).collect(),
            balances,
            destage,
            backlog: overload::watches(replications),
            buffering,
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
        let (filled, of) = (&self.given_up.0, self.given_up.1);
        if !filled.is_empty() {
            let replications = filled.len();
            // Rare bursts may fill it where nothing is overloaded, and not in most replications.
            if 2 * replications < of && self.by_balance(None, confidence) == Ruling::Stable {
                return Ruling::Undecided(Doubt::Backlog { replications, of });
            }
            let growth = filled.iter().sum::<f64>() / replications as f64;
            return Ruling::Overloaded(Overload::BacklogFull { replications, of, growth });
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

    /// The same where nothing but that is asked. Work that surely is less than the time, and a backlog that surely does not
    /// pile up in a straight line, are a queue that fills from empty: it is carried, although its percentiles have yet to
    /// settle. Near saturation a start-up lasts longer than a search can wait for.
    pub fn standing_of_load(&self, confidence: f64) -> Standing {
        let backlog = || Drift::estimate(&self.backlog, NO_STRAIGHT_LINE);
        let is_start_up = || {
            self.by_balance(None, confidence) == Ruling::Stable
                && self.by_stocks(confidence) == Ruling::Stable
                && backlog().is_some_and(|drift| drift.is_slowing())
        };
        match self.ruling(confidence) {
            Ruling::Undecided(Doubt::StartUp) if is_start_up() => Standing::Holds,
            ruling => ruling.standing(),
        }
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

    /// What fills drives' buffers comes to the stock when they are full.
    fn is_level(&self, stock: Stock, confidence: f64) -> bool {
        if t_interval(&self.buffering, confidence).is_some_and(|filling| filling.high > LEVEL_TO) {
            return false;
        }
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
