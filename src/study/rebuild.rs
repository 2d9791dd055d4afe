//! How long a rebuild takes: what it restores a second, at three values of progress.
//!
//! No run simulates a whole rebuild. The more is restored, the less is read from survivors and the more from spare
//! room, so the pace changes on the way: it is measured in the middle of each third, in short runs like the
//! pilot's, and the hours are bytes ÷ pace, summed over the thirds.

use crate::scenario::{Auto, FaultKind, Operation, Scenario};

use super::pilot;
use super::replication::Replication;
use super::run::{Context, replicate};
use super::setting::{Setting, StudyError};
use super::stations::ratio;

/// Middles of three equal parts.
const PROGRESS: [f64; 3] = [1.0 / 6.0, 0.5, 5.0 / 6.0];

/// A rebuild as it would go on.
pub(super) struct Pace {
    /// Bytes of lost content restored a second, at each third.
    pub bytes_per_s: [f64; 3],
    /// Hours for all of it; none where a drive has no size.
    pub hours: Option<f64>,
}

/// The pace of a scenario's standing rebuild; none without one.
pub(super) fn pace(scenario: &Scenario, context: &Context) -> Result<Option<Pace>, StudyError> {
    if !scenario.faults.iter().any(|fault| fault.is_standing() && fault.rebuilding().is_some()) {
        return Ok(None);
    }
    let mut bytes_per_s = [0.0; 3];
    let mut content = None;
    for (found, progress) in bytes_per_s.iter_mut().zip(PROGRESS) {
        (context.progress)(&format!("the rebuild's pace with {:.0} % restored", 100.0 * progress));
        let mut there = scenario.clone();
        for fault in &mut there.faults {
            if let FaultKind::Rebuilding(rebuilding) = &mut fault.kind {
                rebuilding.progress = progress;
            }
        }
        there.objectives.clear();
        let length = pilot::first_length(&Setting::new(&there, context.interrupted)?);
        there.run.length = Auto::Given(length);
        let setting = Setting::new(&there, context.interrupted)?;
        content = content_of(&setting);
        let (replications, _) = replicate(&setting, context);
        *found = restored_per_s(&replications, replications.iter().map(Replication::window_s).sum());
    }
    let seconds = |bytes: f64| bytes_per_s.iter().map(|pace| bytes / 3.0 / pace).sum::<f64>();
    let hours = content.map(|bytes| seconds(bytes) / 3600.0).filter(|hours| hours.is_finite());
    Ok(Some(Pace { bytes_per_s, hours }))
}

/// Bytes that a drive has lost: with a block map what is live on it, else all of it.
pub(super) fn content_of(setting: &Setting) -> Option<f64> {
    let capacity = setting.scenario.design.drives.as_ref()?.kind.capacity()?;
    let live = setting.plan.cleaning().map_or(1.0, |(_, live)| live);
    Some(capacity as f64 * live)
}

/// Bytes of lost content restored a second, over so many seconds of all windows in which it went on.
pub(super) fn restored_per_s(replications: &[Replication], seconds: f64) -> f64 {
    let restored: u64 = replications.iter().map(|r| r.rebuilt_in_window()[Operation::Write as usize]).sum();
    ratio(restored as f64, seconds)
}
