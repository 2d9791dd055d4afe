//! Whether what a log absorbs can be destaged for ever: the verdict "unsustainable".
//!
//! A run sees a log that fills only if it lasts until the log is full. So what it holds is watched like a backlog: where
//! it grows in a straight line, in the interval over all replications, the drives take less than the hosts write, and
//! the log is full after (room left) ÷ (growth), after which writes go at the drives' pace.

use crate::measure::Drift;

use super::replication::{Replication, Stock};
use super::setting::Setting;
use super::stations::ratio;

/// A log that fills.
pub(super) struct Filling {
    /// Bytes per second that come in beyond what goes out.
    pub growth_bytes_per_s: f64,
    /// Bytes per second that go to the drives.
    pub destaged_bytes_per_s: f64,
    /// Seconds from the end of the window until it is at high water.
    pub full_after_s: f64,
}

/// How fast the log fills, if it does.
pub(super) fn filling(setting: &Setting, replications: &[Replication]) -> Option<Filling> {
    let room = setting.plan.log_room()?;
    let watches: Vec<_> = replications.iter().filter_map(|r| r.watch_stock(Stock::Log)).collect();
    let drift = Drift::estimate(&watches, setting.scenario.run.confidence)?;
    if !drift.is_runaway() {
        return None;
    }
    let seconds: f64 = replications.iter().map(Replication::window_s).sum();
    let destaged: u64 = replications.iter().map(|r| r.levels_in_window().destaged).sum();
    let held: u64 = replications.iter().map(Replication::log_level).sum();
    let growth = drift.growth.value * 4096.0;
    let left = room - held as f64 / replications.len() as f64;
    Some(Filling {
        growth_bytes_per_s: growth,
        destaged_bytes_per_s: ratio(destaged as f64, seconds),
        full_after_s: (left / growth).max(0.0),
    })
}
