//! Bytes at each level between the hosts and the flash: the ledger of `run`, and what `wear` counts days by.

use crate::outcome::LedgerRow;
use crate::system::Levels;

use super::replication::Replication;
use super::setting::Setting;
use super::stations::ratio;

/// Bytes of one level.
pub(super) struct Level {
    /// "host", "drives", "flash" …
    pub name: &'static str,
    /// Read and written while the window was open, by replication.
    pub bytes: Vec<[u64; 2]>,
}

/// The levels that a design has, on the way down.
pub(super) fn levels(setting: &Setting, replications: &[Replication]) -> Vec<Level> {
    let plan = &setting.plan;
    let mut levels = Vec::new();
    let mut add = |name, of: &dyn Fn(&Replication) -> [u64; 2]| {
        levels.push(Level { name, bytes: replications.iter().map(of).collect() });
    };
    let writes = |of: fn(&Levels) -> u64| move |r: &Replication| [0, of(&r.levels_in_window())];
    add("host", &|r| r.kernel.model.recorder.finished_bytes);
    if plan.has_log() {
        add("log", &writes(|l| l.destaged));
    }
    if plan.blocks().is_some() {
        add("blocks", &writes(|l| l.blocks));
        // Where a later pass reduces, what was plain was written too.
        add("reduction", &writes(|l| l.stored + l.reduced));
        add("cleaning", &|r| [r.levels_in_window().moved; 2]);
    }
    if replications.iter().any(|r| r.prefetched_in_window() > 0) {
        add("prefetch", &|r| [r.prefetched_in_window(), 0]);
    }
    if plan.protects() {
        add("protection", &|r| {
            let (all, rebuilt) = (r.fragments_in_window(), r.rebuilt_in_window());
            [0, 1].map(|operation| all[operation] - rebuilt[operation])
        });
    }
    if setting.rebuilding().is_some() {
        add("rebuild", &Replication::rebuilt_in_window);
    }
    if plan.cuts() {
        add("drives", &Replication::fragments_in_window);
    }
    if plan.drive().is_some() {
        add("drive cleaning", &|r| [r.flash_in_window()[1]; 2]);
        add("flash", &|r| {
            let [programmed, cleaned] = r.flash_in_window();
            [r.fragments_in_window()[0] + cleaned, programmed]
        });
    }
    levels
}

/// The same per second of the window, over all replications.
pub(super) fn rows(setting: &Setting, replications: &[Replication]) -> Vec<LedgerRow> {
    let seconds: f64 = replications.iter().map(Replication::window_s).sum();
    let row = |level: Level| {
        let [read, write] =
            [0, 1].map(|op| ratio(level.bytes.iter().map(|bytes| bytes[op] as f64).sum(), seconds));
        LedgerRow { level: level.name.into(), read_bytes_per_s: read, write_bytes_per_s: write }
    };
    levels(setting, replications).into_iter().map(row).collect()
}
