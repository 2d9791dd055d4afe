//! How many machines paper allows: capacity and memory, whatever the queues do.

use crate::outcome::PaperLimit;
use crate::scenario::{Load, Scenario};
use crate::system::{Holdings, holdings};

use super::check::check;
use super::scaled::{Vary, with_machines};

/// More machines than a scenario may state.
const MACHINES_MAX: u64 = 1_000_000;

/// Numbers of machines are simulated up to so many times the one with which the static estimate has the first resource full: caches
/// and logs may take that much from it.
const PAST_FULL: f64 = 4.0;
/// A stated number this far below that one is no place to begin a search.
const FAR_BELOW: f64 = 1.0 / 16.0;

/// The limits of a design that need no simulation.
#[derive(Clone, Debug)]
pub(super) struct Paper {
    pub rows: Vec<PaperLimit>,
}

/// How far numbers of machines are simulated. What is full on paper ends the promise and not the search: how many fit by latency
/// is asked all the same.
#[derive(Clone, Copy, Debug)]
pub(super) struct Reach {
    pub most: f64,
    /// Why no more are tried.
    pub end: &'static str,
    /// Machines with which the static estimate has the first resource full.
    full: Option<f64>,
}

impl Reach {
    /// Where the search begins: at what is stated, unless that is next to nothing.
    pub fn start(&self, stated: u64) -> f64 {
        match self.full {
            Some(full) if (stated as f64) < FAR_BELOW * full => 0.5 * full,
            _ => stated as f64,
        }
    }
}

/// The limits of what is varied.
pub(super) fn limits(scenario: &Scenario, vary: Vary) -> Paper {
    let mut rows = Vec::new();
    let held = holdings(scenario);
    if let Some(capacity) = &held.capacity {
        rows.push(PaperLimit {
            resource: "capacity".into(),
            machines: largest(scenario, vary, &|held| held.capacity.as_ref().is_none_or(|c| c.fill() <= 1.0)),
            why: format!(
                "{:.2} TB as stored today, in {:.2} TB of usable space less what is kept free",
                capacity.stored() / 1e12,
                capacity.room / 1e12
            ),
        });
    }
    if let Some(memory) = held.memory.as_ref().filter(|memory| memory.wanted() > 0) {
        let why = format!(
            "log, block map and fingerprint index want {:.1} of {:.1} GiB today",
            gib(memory.wanted()),
            gib(memory.size)
        );
        // A design that pages its tables as stated has chosen to: what that costs is simulated.
        let (machines, why) = match memory.overflow() {
            0 => (largest(scenario, vary, &tables_fit), why),
            _ => (None, format!("{why}: they do not fit as stated, which is simulated and no limit")),
        };
        rows.push(PaperLimit { resource: "memory".into(), machines, why });
    }
    if let Some(lanes) = scenario.design.fabric.as_ref().and_then(|fabric| fabric.lanes) {
        rows.push(PaperLimit {
            resource: "lanes".into(),
            machines: None,
            why: format!("the budget of {lanes} is kept; machines take none"),
        });
    }
    Paper { rows }
}

impl Paper {
    /// The same with one more limit.
    pub fn and(mut self, row: Option<PaperLimit>) -> Self {
        self.rows.extend(row);
        self
    }

    /// How far machines are simulated.
    pub fn reach(&self, scenario: &Scenario, vary: Vary, stated: u64) -> Reach {
        if scenario.classes.iter().any(|class| matches!(class.load, Load::Closed { .. })) {
            // However many wait for their answers, nothing piles up: only paper says where to end.
            let most = self.rows.iter().filter_map(|row| row.machines).min().unwrap_or(MACHINES_MAX);
            let end = "no more were tried: something else is full";
            return Reach { most: (most.min(MACHINES_MAX) as f64).max(1.0), end, full: None };
        }
        let full = full_by_statics(scenario, vary, stated);
        let past = full.map_or(MACHINES_MAX, |full| (PAST_FULL * full).ceil() as u64);
        let most = past.max(2 * stated).min(MACHINES_MAX);
        // Drives that hold data in place are taken as full; garbage collection of full stripes needs room to work at all.
        let capacity = self.rows.iter().find(|row| row.resource == "capacity");
        let room = capacity.and_then(|row| row.machines).filter(|_| scenario.design.layout.append.is_some());
        match room {
            Some(room) if room < most => {
                let end = "no more can be simulated: their data does not fit the full stripes of the layout";
                Reach { most: (room as f64).max(1.0), end, full }
            }
            _ => Reach { most: most as f64, end: "no more were tried", full },
        }
    }
}

/// Machines with which the static estimate has the first resource full; none where nothing is offered, or nothing limits.
fn full_by_statics(scenario: &Scenario, vary: Vary, stated: u64) -> Option<f64> {
    let mut alone = scenario.clone();
    alone.objectives.clear();
    alone.what_if.objectives.clear();
    alone.phases.clear();
    if let Vary::Class(place) = vary {
        // Other classes only leave less.
        alone.classes = vec![alone.classes[place].clone()];
    }
    let page = check(&alone).ok()?;
    let share = page.static_ceiling_iops? / page.offered_iops?;
    (share.is_finite() && share > 0.0).then_some(stated as f64 * share)
}

/// Years of growth that paper allows, at most so many, and what ends them.
pub(super) fn years(scenario: &Scenario, most: f64) -> (f64, String) {
    let pages_today = !tables_fit(&holdings(scenario));
    let fits = |years: f64| {
        let held = holdings(&with_machines(scenario, Vary::Years, years));
        let room = held.capacity.as_ref().is_none_or(|capacity| capacity.fill() <= 1.0);
        (room, pages_today || tables_fit(&held))
    };
    let both = |(room, tables): (bool, bool)| room && tables;
    if both(fits(most)) {
        return (most, format!("nothing on paper within {most:.0} years"));
    }
    let (mut low, mut high) = (0.0, most);
    while high - low > 1e-3 {
        let middle = (low + high) / 2.0;
        if both(fits(middle)) { low = middle } else { high = middle }
    }
    let by = if fits(high).0 { "memory" } else { "capacity" };
    (low, by.into())
}

/// The largest number of machines for which something about what they take holds; none if the number does not matter.
fn largest(scenario: &Scenario, vary: Vary, fits: &dyn Fn(&Holdings) -> bool) -> Option<u64> {
    largest_number(&|count| fits(&holdings(&with_machines(scenario, vary, count as f64))))
}

/// The largest number for which something holds that more machines only make worse; none if the most that can be stated
/// still does.
pub(super) fn largest_number(holds: &dyn Fn(u64) -> bool) -> Option<u64> {
    if holds(MACHINES_MAX) {
        return None;
    }
    let (mut low, mut high) = (0, MACHINES_MAX);
    while high - low > 1 {
        let middle = low.midpoint(high);
        if holds(middle) { low = middle } else { high = middle }
    }
    Some(low)
}

fn tables_fit(held: &Holdings) -> bool {
    held.memory.as_ref().is_none_or(|memory| memory.overflow() == 0)
}

fn gib(bytes: u64) -> f64 {
    bytes as f64 / f64::from(1 << 30)
}
