//! `sweep`: many variants of one scenario, each asked the same questions.
//!
//! A variant is the base with a few keys set; its number among all variants names it, on every machine and after every
//! restart. `plan` numbers the variants of a shard and drops what cannot be; `point` asks one; `figures` makes columns of
//! answers; `front` tells which points nothing surely beats, and `race` asks most where that is open, in an order that `spread`
//! makes. What was found is handed to whoever keeps it, one point at a time, as each is finished.

mod figures;
mod front;
mod listing;
mod page;
mod plan;
mod point;
mod race;
mod spread;

use std::collections::HashSet;
use std::sync::atomic::{AtomicBool, AtomicUsize, Ordering};
use std::sync::mpsc;

use crate::outcome::{PointOutcome, PointSets};
use crate::scenario::Sweep;

use super::run::Context;

pub use front::{Best, unknown_goal};
pub use listing::{Bound, Query, list};
pub use page::{findings, sought, sought_so_far};
pub use plan::{Base, Planned, Shard, answer_key, named_files, plan};
use point::point;
pub use race::{RaceEnd, can_race, race};
pub use spread::spread;

/// Points that may wait to be kept, for each worker.
const WAITING: usize = 4;

/// A point to be asked.
struct Task<'p> {
    point: &'p PointSets,
    /// Round of a race, from 1; none asks as the scenario says.
    round: Option<u32>,
}

/// How far a sweep is.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Step {
    /// Round of a race.
    pub round: Option<u32>,
    /// Points asked so far, in this round if there are rounds.
    pub done: u64,
    /// Of so many.
    pub of: u64,
}

/// Asks every point of a plan that is not among the `finished`, side by side, and hands each over as it is done, on the
/// thread that called. A point that goes wrong is handed over with its error, and the others go on. Whoever keeps them
/// may refuse, which ends the sweep.
///
/// # Errors
/// What the keeper said.
pub fn sweep<E>(
    sweep: &Sweep,
    base: &Base,
    planned: &Planned,
    finished: &HashSet<u64>,
    context: &Context,
    keep: impl FnMut(PointOutcome, Step) -> Result<(), E>,
) -> Result<(), E> {
    let to_do = planned.points.iter().filter(|point| !finished.contains(&point.number));
    let to_do: Vec<Task> = to_do.map(|point| Task { point, round: None }).collect();
    ask_all(sweep, base, &to_do, context, keep)
}

/// As many points are asked at once as there are threads, each on one of its own, so that nothing waits for anything. The
/// last ones, fewer than threads, ask in replications side by side on all of them, so that none is idle while there is work.
fn ask_all<E>(
    sweep: &Sweep,
    base: &Base,
    to_do: &[Task],
    context: &Context,
    mut keep: impl FnMut(PointOutcome, Step) -> Result<(), E>,
) -> Result<(), E> {
    let workers = rayon::current_num_threads();
    // All tasks are of one round.
    let (round, of) = (to_do.first().and_then(|task| task.round), to_do.len() as u64);
    // Those before it have a thread each.
    let last_ones = to_do.len().saturating_sub(workers);
    let taken = AtomicUsize::new(0);
    let (sender, receiver) = mpsc::sync_channel(WAITING * workers);
    let refused = AtomicBool::new(false);
    std::thread::scope(|scope| {
        for _ in 0..workers {
            let sender = sender.clone();
            let (taken, refused) = (&taken, &refused);
            scope.spawn(move || {
                let alone = rayon::ThreadPoolBuilder::new().num_threads(1).build().ok();
                while !refused.load(Ordering::Relaxed) && !context.interrupted.load(Ordering::Relaxed) {
                    let at = taken.fetch_add(1, Ordering::Relaxed);
                    let Some(next) = to_do.get(at) else { return };
                    let found = match alone.as_ref().filter(|_| at < last_ones) {
                        Some(alone) => alone.install(|| point(sweep, base, next, context)),
                        None => point(sweep, base, next, context),
                    };
                    // A point that was cut short is asked again another time.
                    if context.interrupted.load(Ordering::Relaxed) || sender.send(found).is_err() {
                        return;
                    }
                }
            });
        }
        drop(sender);
        let mut result = Ok(());
        for (found, done) in receiver.into_iter().zip(1..) {
            if result.is_ok() {
                result = keep(found, Step { round, done, of });
                refused.store(result.is_err(), Ordering::Relaxed);
            }
        }
        result
    })
}
