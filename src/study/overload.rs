//! Measuring on while looking out for overload: going on would only show more of it.

use std::sync::atomic::Ordering;

use rayon::prelude::*;

use crate::engine::{SimDuration, Stop};
use crate::measure::{Drift, Watch};

use super::replication::Replication;
use super::setting::Setting;
use super::targets::cycles_floor_s;

/// Requests, over all replications, before a growing backlog is a verdict: a single burst is none.
const FEWEST_REQUESTS: u64 = 40_000;
/// Half the width of the interval of its growth, at which an overloaded run is long enough.
const GROWTH_KNOWN_TO: f64 = 0.025;

/// What each replication shows of its backlog.
pub(super) fn watches(replications: &[Replication]) -> Vec<Watch> {
    replications.iter().filter_map(Replication::watch).collect()
}

/// How sure an early verdict must be.
#[derive(Clone, Copy)]
pub(super) enum Sure {
    /// That the backlog grows.
    OfGrowth,
    /// How fast.
    OfRate,
}

/// Measures another `span` of every replication; whether that shows overload: a backlog ran away, or
/// grows in a straight line.
pub(super) fn extend(
    setting: &Setting,
    replications: &mut [Replication],
    span: SimDuration,
    sure: Sure,
) -> bool {
    replications.par_iter_mut().for_each(|r| r.extend(span, setting.interrupted));
    is_overloaded(setting, replications, sure)
}

/// Whether what was measured shows overload.
pub(super) fn is_overloaded(setting: &Setting, replications: &[Replication], sure: Sure) -> bool {
    if replications.iter().any(|r| r.stop == Stop::Backlog) {
        return true;
    }
    let watches = watches(replications);
    let requests: u64 = watches.iter().map(|w| w.offered).sum();
    let seconds: f64 = watches.iter().map(|w| w.length_s).sum();
    if requests < FEWEST_REQUESTS
        || seconds < cycles_floor_s(setting.scenario)
        || setting.interrupted.load(Ordering::Relaxed)
    {
        return false;
    }
    let Some(drift) = Drift::estimate(&watches, setting.scenario.run.confidence) else { return false };
    let is_known = match sure {
        Sure::OfGrowth => true,
        Sure::OfRate => drift.growth.relative_half_width().is_some_and(|width| width <= GROWTH_KNOWN_TO),
    };
    drift.is_runaway() && is_known
}
