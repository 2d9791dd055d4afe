//! The ladder: relieve what binds, and say what binds next and at what load.

use crate::outcome::{AuditRow, Rung};

use super::attempts::Attempts;
use super::knee::ends;
use super::relief::relieve;
use super::run::Context;
use super::saturation::{HALF_WIDTH, Saturation, saturation};
use super::scaled::Base;

/// Rungs climbed.
const RUNGS: usize = 3;

/// The rungs, what became of the audits on the way, and why there are no more.
pub(super) struct Ladder {
    pub rungs: Vec<Rung>,
    pub ends: Option<String>,
    pub requests: u64,
    pub failed_audit: Vec<AuditRow>,
}

/// Climbs from a design that is full at `first`.
/// Each rung may take so many events, and errs with `error`.
pub(super) fn climb(
    base: &Base,
    context: &Context,
    first: &Saturation,
    (error, events): (f64, u64),
) -> Ladder {
    let mut ladder = Ladder { rungs: Vec::new(), ends: None, requests: 0, failed_audit: Vec::new() };
    let mut scenario = base.scenario.clone();
    let mut full = first.clone();
    while ladder.rungs.len() < RUNGS {
        let relieved = full.binding.clone();
        let Some(change) = relieve(&mut scenario, &relieved) else {
            ladder.ends = Some(format!("{relieved} cannot be doubled"));
            break;
        };
        (context.progress)(&format!("ladder: with {change}"));
        // With one thing doubled, the design carries twice as much at the most.
        let start = expected(&full, &relieved).min(2.0 * full.scale.value);
        let say = |words: &str| (context.progress)(&format!("with {change}: {words}"));
        let inner = Context { progress: &say, ..*context };
        let mut attempts = Attempts::new(base, &scenario, &inner);
        attempts.allow(events);
        let found = saturation(&mut attempts, start, 2.0 * HALF_WIDTH, error);
        ladder.requests += attempts.requests();
        ladder.failed_audit.extend(attempts.failed_audit());
        full = match found {
            Ok(_) if attempts.is_cut_short() => break,
            Ok(found) => found,
            Err(why) => {
                ladder.ends = Some(format!("with {change}: {why}"));
                break;
            }
        };
        ladder.rungs.push(Rung {
            relieved,
            change,
            saturation_scale: ends(&full.scale, &|load| load),
            saturation_iops: full.scale.value * full.iops_per_scale,
            binding: full.binding.clone(),
        });
    }
    ladder
}

/// Where the relieved design is full by the utilisation law: the next busiest of the other stations, or the relieved
/// one, half as busy.
fn expected(full: &Saturation, relieved: &str) -> f64 {
    let component = relieved.split('.').next().unwrap_or(relieved);
    let busiest = full.near.outcome.stations.iter().map(|row| {
        let busy = full.near.utilisation(&row.name);
        let is_relieved = row.name.split('.').next() == Some(component);
        if is_relieved { busy / 2.0 } else { busy }
    });
    let busiest = busiest.fold(0.0, f64::max);
    if busiest > 0.0 { 0.9 * full.near_scale / busiest } else { full.scale.value }
}
