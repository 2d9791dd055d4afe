//! `sweep plan`: what will run, and how long that takes by a probe of ten seconds at most.

use std::collections::HashSet;
use std::convert::Infallible;
use std::sync::atomic::{AtomicBool, Ordering};
use std::time::{Duration, Instant};

use crate::cli::Ending;
use crate::cli::output::{Output, refuse};
use crate::cli::progress::Progress;
use crate::outcome::ExpectedTime;
use crate::report::{csv, json, terminal};
use crate::scenario::Sweep;
use crate::study::{self, Base, Context, Planned};

use super::{PlanArgs, clock, planned};

/// When a probe is ended: what is under way takes up to a second to look up, and all is over within ten.
const PROBE: Duration = Duration::from_secs(9);

pub(super) fn plan(args: &PlanArgs, output: &Output, interrupted: &AtomicBool) -> Result<Ending, Ending> {
    let (sweep, base, mut planned) = planned(&args.sweep, args.shard.as_deref(), output)?;
    if !args.no_probe && !planned.points.is_empty() {
        let progress = Progress::new(output.quiet);
        let expected = probe(&sweep, &base, &planned, interrupted, &progress);
        progress.finish();
        if interrupted.load(Ordering::Relaxed) {
            return Ok(Ending::Interrupted);
        }
        planned.plan.expected = Some(expected.map_err(refuse)?);
    }
    output.deliver(
        |style| terminal::sweep_plan(&planned.plan, style),
        || json::to_json(&planned.plan),
        || csv::plan_csv(&planned.points),
    )?;
    Ok(Ending::Well)
}

/// Asks points spread over the space, side by side as the sweep does, until the time is over; or says why none can be asked.
fn probe(
    sweep: &Sweep,
    base: &Base,
    planned: &Planned,
    interrupted: &AtomicBool,
    progress: &Progress,
) -> Result<ExpectedTime, String> {
    let order = study::spread(sweep, planned);
    let points = order.iter().map(|at| planned.points[*at].clone()).collect();
    let spread = Planned { points, ..planned.clone() };
    let began = Instant::now();
    let (mut probed, mut sound, mut wrong) = (0, 0, None);
    progress.say("a probe of points spread over the space");
    let is_cut = clock::until(began + PROBE, interrupted, |stop| {
        let context = Context { interrupted: stop, time: None, progress: &|_| (), detail: false };
        let none = HashSet::new();
        let _: Result<(), Infallible> = study::sweep(sweep, base, &spread, &none, &context, |found, step| {
            probed = step.done;
            sound += u64::from(found.error.is_none());
            progress.say(&format!("a probe of points spread over the space: {probed} of {}", step.of));
            wrong = wrong.take().or(found.error);
            Ok(())
        });
        stop.load(Ordering::Relaxed)
    });
    match wrong {
        Some(why) if sound == 0 => Err(format!("no point of the probe has an answer; the first says: {why}")),
        _ => Ok(expected(probed, planned.plan.points, began.elapsed().as_secs_f64(), is_cut)),
    }
}

/// What a probe says of all points: they take as long for each as those of it, which were asked side by side as all will be.
fn expected(probed: u64, points: u64, probe_s: f64, is_cut: bool) -> ExpectedTime {
    // Each thread had a point under way.
    let threads = rayon::current_num_threads() as u64;
    let cut_off = if is_cut { threads.min(points - probed) } else { 0 };
    let all_s = probe_s * points as f64 / (probed + cut_off).max(1) as f64;
    ExpectedTime { probed, cut_off, probe_s, all_s }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_probe_that_ends_in_time_was_the_whole_sweep() {
        let found = expected(40, 40, 2.5, false);
        assert_eq!((found.cut_off, found.all_s), (0, 2.5));
    }

    /// What was under way counts as done by then, so that the time of all is no more than it takes.
    #[test]
    fn points_that_were_cut_off_make_a_lower_bound() {
        let threads = rayon::current_num_threads() as u64;
        let found = expected(0, 100_000, 10.0, true);
        assert_eq!(found.cut_off, threads);
        assert!((found.all_s - 1e6 / threads as f64).abs() < 1e-6, "{found:?}");
        let last = expected(99_999, 100_000, 10.0, true);
        assert_eq!((last.cut_off, last.all_s), (1, 10.0));
    }
}
