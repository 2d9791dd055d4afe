//! How many machines paper allows: capacity and memory, whatever the queues do.

use crate::outcome::PaperLimit;
use crate::scenario::Scenario;
use crate::system::{Holdings, holdings};

use super::scaled::{Vary, with_machines};

/// More machines than a scenario may state.
const MACHINES_MAX: u64 = 1_000_000;

/// The limits of a design that need no simulation.
#[derive(Clone, Debug)]
pub(super) struct Paper {
    pub rows: Vec<PaperLimit>,
    /// The smallest of them, or the most that can be stated.
    pub most: f64,
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
    Paper::of(rows)
}

impl Paper {
    fn of(rows: Vec<PaperLimit>) -> Self {
        let most = rows.iter().filter_map(|row| row.machines).min().unwrap_or(MACHINES_MAX);
        Paper { rows, most: most.min(MACHINES_MAX) as f64 }
    }

    /// The same with one more limit.
    pub fn and(mut self, row: Option<PaperLimit>) -> Self {
        self.rows.extend(row);
        Paper::of(self.rows)
    }
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
