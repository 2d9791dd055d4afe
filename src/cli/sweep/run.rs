//! `sweep run`: asks points and keeps them, all of them as the scenario says or within a budget of time.

use std::collections::HashSet;
use std::sync::atomic::{AtomicBool, Ordering};
use std::time::{Duration, Instant};

use crate::cli::output::{Output, refuse};
use crate::cli::progress::Progress;
use crate::cli::{Ending, sweep::table_of};
use crate::outcome::{BudgetPage, PointOutcome, SweepRun};
use crate::report::numbers::format_significant;
use crate::report::{csv, json, terminal};
use crate::scenario::{Sweep, units};
use crate::store::Store;
use crate::study::{self, Base, Best, Context, Planned, Query, RaceEnd, Step};

use super::{RunArgs, cannot, clock, planned};

pub(super) fn run(args: &RunArgs, output: &Output, interrupted: &AtomicBool) -> Result<Ending, Ending> {
    let (sweep, base, planned) = planned(&args.sweep, args.shard.as_deref(), output)?;
    let budget = args.budget.as_deref().map(|text| budget(text, &sweep, &planned)).transpose()?;
    let path = args.out.clone().unwrap_or_else(|| args.sweep.with_extension("db"));
    let cannot = |error| cannot(&path, error);
    let store = Store::open(&path, &planned.inputs, planned.plan.shard.is_some()).map_err(cannot)?;
    store.plan(planned.plan.shard.unwrap_or([1, 1]), planned.plan.points).map_err(cannot)?;
    let mut keeper = Keeper::new(&sweep, store, output.quiet);
    let (before, end) = match budget {
        None => (keeper.all(&base, &planned, interrupted), None),
        Some(given) => match keeper.within(given, &base, &planned, interrupted) {
            Ok((before, end)) => (Ok(before), Some((given, end))),
            Err(why) => (Err(why), None),
        },
    };
    keeper.progress.finish();
    let before = before.map_err(|why| refuse(format!("{}: {why}", path.display())))?;
    let Keeper { store, new, began, .. } = keeper;
    let page = |(given, end): (Duration, RaceEnd)| -> Result<BudgetPage, Ending> {
        Ok(BudgetPage {
            given_s: given.as_secs_f64(),
            used_s: began.elapsed().as_secs_f64(),
            rounds: store.rounds().map_err(cannot)?,
            asked: end.asked,
            not_asked: end.not_asked,
            front: end.front,
            open: end.open,
            waiting: end.waiting,
        })
    };
    let outcome = SweepRun {
        plan: planned.plan,
        before,
        finished: new,
        failed: store.failed().map_err(cannot)?,
        interrupted: interrupted.load(Ordering::Relaxed),
        budget: end.map(page).transpose()?,
    };
    drop(store);
    // The whole table is read only where it is asked for.
    let rows = args.results.csv.as_ref().map(|_| {
        let table = table_of(&path)?;
        study::list(&table, &Query::default()).map_err(refuse)
    });
    let rows = rows.transpose()?;
    let shown = path.display().to_string();
    output.deliver(
        |style| terminal::sweep_run(&outcome, &shown, style),
        || json::to_json(&outcome),
        || rows.as_ref().map_or(String::new(), csv::sweep_csv),
    )?;
    Ok(if outcome.interrupted {
        Ending::Interrupted
    } else if outcome.failed > 0 || outcome.before + outcome.finished < outcome.plan.points {
        Ending::Missed
    } else {
        Ending::Well
    })
}

/// Reads a budget, and refuses what cannot be asked within one.
fn budget(text: &str, sweep: &Sweep, planned: &Planned) -> Result<Duration, Ending> {
    let ps = units::picoseconds(text).map_err(|_| {
        refuse(format!("`--budget {text}` is no time\n  help: a number and a unit, as in 6h or \"90 min\""))
    })?;
    study::can_race(sweep).map_err(refuse)?;
    if planned.plan.shard.is_some() {
        return Err(refuse(
            "a budget needs all points in one store, and a shard has some of them\n  help: without `--shard`, or \
             without `--budget`",
        ));
    }
    Ok(Duration::from_nanos(ps / 1000))
}

/// Keeps points and says how far it is.
struct Keeper<'s> {
    sweep: &'s Sweep,
    store: Store,
    progress: Progress,
    began: Instant,
    /// When this round began.
    round: (Option<u32>, Instant),
    best: Best,
    /// Points that are in the store.
    known: HashSet<u64>,
    /// Those of them that were not before, and answers that failed.
    new: u64,
    failed: u64,
}

impl<'s> Keeper<'s> {
    fn new(sweep: &'s Sweep, store: Store, quiet: bool) -> Self {
        let (progress, now) = (Progress::new(quiet), Instant::now());
        progress.say("the first point");
        let best = Best::new(&sweep.front);
        Keeper {
            sweep,
            store,
            progress,
            began: now,
            round: (None, now),
            best,
            known: HashSet::new(),
            new: 0,
            failed: 0,
        }
    }

    /// Asks all that is missing; how many points of the plan were there before.
    fn all(&mut self, base: &Base, planned: &Planned, interrupted: &AtomicBool) -> Result<u64, String> {
        let finished = self.store.finished().map_err(|error| error.to_string())?;
        let before = planned.points.iter().filter(|point| finished.contains(&point.number)).count() as u64;
        let context = Context { interrupted, time: None, progress: &|_| (), detail: false };
        study::sweep(self.sweep, base, planned, &finished, &context, |found, step| self.keep(&found, step))?;
        Ok(before)
    }

    /// Asks in rounds until the time is over; how many points were there before, and how it ended.
    fn within(
        &mut self,
        given: Duration,
        base: &Base,
        planned: &Planned,
        interrupted: &AtomicBool,
    ) -> Result<(u64, RaceEnd), String> {
        let held = self.store.table().map_err(|error| error.to_string())?.points;
        held.iter().for_each(|found| self.best.take(found));
        self.known = held.iter().map(|found| found.point.number).collect();
        let before = self.known.len() as u64;
        let end = clock::until(self.began + given, interrupted, |stop| {
            let context = Context { interrupted: stop, time: None, progress: &|_| (), detail: false };
            study::race(self.sweep, base, planned, held, &context, |found, step| self.keep(&found, step))
        })?;
        Ok((before, end))
    }

    fn keep(&mut self, found: &PointOutcome, step: Step) -> Result<(), String> {
        if let (None, Some(why)) = (&found.error, study::unknown_goal(&self.sweep.front, &found.figures)) {
            return Err(why);
        }
        self.store.keep(found).map_err(|error| error.to_string())?;
        self.new += u64::from(self.known.insert(found.point.number));
        self.failed += u64::from(found.error.is_some());
        self.best.take(found);
        if self.round.0 != step.round {
            self.round = (step.round, Instant::now());
        }
        self.progress.say(&self.so_far(step));
        Ok(())
    }

    fn so_far(&self, step: Step) -> String {
        let Step { round, done, of } = step;
        let rate = done as f64 / self.round.1.elapsed().as_secs_f64().max(1e-9);
        let left = (of - done) as f64 / rate;
        let failed = if self.failed > 0 { format!(", {} failed", self.failed) } else { String::new() };
        let (hours, minutes, seconds) = (left as u64 / 3600, left as u64 / 60 % 60, left as u64 % 60);
        let round = round.map_or(String::new(), |round| format!("round {round}: "));
        let best: Vec<String> = self
            .best
            .rows()
            .map(|(figure, value, number)| format!("{figure} {} (point {number})", format_significant(value)))
            .collect();
        let best =
            if best.is_empty() { String::new() } else { format!("; best so far: {}", best.join(", ")) };
        format!(
            "{round}{done} of {of} points{failed}; {rate:.2} a second, {hours}:{minutes:02}:{seconds:02} left{best}"
        )
    }
}
