//! Capacity, memory and lanes of the static page.

use crate::outcome::{CapacityPage, CapacityRow, LaneRow, Lanes, MemoryPage, MemoryRow, MissRow};
use crate::scenario::{Class, Design};
use crate::system::{Capacity, MemoryUse};

/// Lanes that the design takes; none if it takes none and states no budget.
pub(super) fn lanes(design: &Design) -> Option<Lanes> {
    let budget = design.fabric.as_ref().and_then(|fabric| fabric.lanes);
    let takers = design.lane_takers().into_iter().filter(|taker| taker.each > 0);
    let takers: Vec<LaneRow> = takers
        .map(|taker| LaneRow {
            what: taker.what.into(),
            count: taker.count,
            lanes_each: taker.each,
            lanes: taker.lanes(),
        })
        .collect();
    (budget.is_some() || !takers.is_empty()).then(|| Lanes {
        budget,
        taken: takers.iter().map(|taker| taker.lanes).sum(),
        takers,
        reason: budget.is_none().then(|| "`design.fabric.lanes` states no budget".into()),
    })
}

/// Room for data, and what the classes take of it.
pub(in crate::study) fn capacity(found: &Capacity, classes: &[Class]) -> CapacityPage {
    let row = |(class, taken): (&Class, &crate::system::Taken)| CapacityRow {
        class: class.name.clone(),
        machines: taken.machines,
        given_bytes: taken.given,
        stored_bytes: taken.stored,
        fill: taken.stored / found.room,
    };
    let effective = found.effective();
    CapacityPage {
        drives: found.drives,
        raw_bytes: found.raw,
        spares_bytes: found.spares,
        redundancy_bytes: found.redundancy,
        usable_bytes: found.usable,
        reserve_bytes: found.reserve,
        room_bytes: found.room,
        effective_bytes: effective,
        given_bytes: found.given(),
        stored_bytes: found.stored(),
        fill: found.fill(),
        machines: classes.iter().map(|class| u64::from(class.machines)).sum(),
        machines_that_fit: found.machines_that_fit(),
        classes: classes.iter().zip(&found.classes).map(row).collect(),
        reason: effective.is_none().then(|| "all that machines hold is a duplicate and takes no room".into()),
    }
}

/// What the memory is wanted for, and what misses.
pub(super) fn memory(found: &MemoryUse, classes: &[Class]) -> MemoryPage {
    let row =
        |bytes: u64| MemoryRow { each_bytes: bytes as f64 / f64::from(found.controllers), all_bytes: bytes };
    let shares = &found.shares;
    MemoryPage {
        controllers: found.controllers,
        size: row(found.size),
        log: row(shares.log),
        map: row(shares.map),
        index: row(shares.index),
        cache: row(found.cache),
        left: row(shares.left.saturating_sub(found.cache)),
        overflow: row(found.overflow()),
        index_misses: shares.index_misses,
        map_misses: classes
            .iter()
            .zip(&shares.map_misses)
            .map(|(class, share)| MissRow { class: class.name.clone(), share: *share })
            .collect(),
    }
}
