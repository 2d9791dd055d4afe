//! The time that a command may take, and how a question is put within it.

use std::sync::atomic::{AtomicBool, Ordering};
use std::sync::{Condvar, Mutex, MutexGuard, PoisonError};
use std::time::{Duration, Instant};

use clap::Args;

use crate::scenario::units::{self, Fault};
use crate::study::{Context, Time};

use super::Ending;
use super::output::{Output, refuse};
use super::progress::Progress;

/// From one look at whether the user has interrupted to the next.
const LOOK: Duration = Duration::from_millis(20);

/// How long a command may take.
#[derive(Args)]
pub(super) struct TimeArgs {
    /// Best answer within this time, as in 90s, 2min or 1h, with the intervals that it has then
    #[arg(long, value_name = "TIME")]
    within: Option<String>,
}

impl TimeArgs {
    /// The time, if one is stated.
    fn given(&self) -> Result<Option<Duration>, Ending> {
        let read = |text: &String| duration(text).map_err(|why| refuse(format!("`--within {text}`: {why}")));
        self.within.as_ref().map(read).transpose()
    }
}

/// Reads a time as a scenario states it.
fn duration(text: &str) -> Result<Duration, String> {
    let help = "expected a time\n  help: a number and a unit, as in 90s, 2min or 1h";
    match units::picoseconds(text) {
        Ok(ps) if ps >= 1_000_000_000 => Ok(Duration::from_nanos(ps / 1000)),
        Ok(_) => Err(format!("too short to simulate anything, {help}")),
        Err(Fault::NoUnit { number }) => Err(format!("no unit, {help}; did you mean \"{number}s\"?")),
        Err(Fault::UnknownUnit { unit, .. }) if unit == "m" => {
            Err(format!("m is no unit of time, {help}; minutes are min"))
        }
        Err(Fault::UnknownUnit { unit, .. }) => Err(format!("{unit} is no unit of time, {help}")),
        Err(Fault::TooLarge) => Err("longer than 213 days".into()),
        Err(_) => Err(help.into()),
    }
}

/// Asks a study, with progress on the way and within the time given.
///
/// # Errors
/// The ending of a command whose `--within` is no time.
pub(super) fn ask<T>(
    time: &TimeArgs,
    output: &Output,
    interrupted: &AtomicBool,
    study: impl FnOnce(&Context) -> T,
) -> Result<T, Ending> {
    let Some(given) = time.given()? else {
        let progress = Progress::of_study(output.quiet, None);
        let context =
            Context { interrupted, time: None, progress: &|words| progress.say(words), detail: false };
        let found = study(&context);
        progress.finish();
        return Ok(found);
    };
    let clock = Clock::new(given, time.within.as_deref().unwrap_or_default(), interrupted);
    let progress = Progress::of_study(output.quiet, Some(clock.until));
    let context = Context {
        interrupted: &clock.over,
        time: Some(&clock),
        progress: &|words| progress.say(words),
        detail: false,
    };
    let found = clock.watched(|| study(&context));
    progress.finish();
    Ok(found)
}

/// When a part ends, and whether it was stopped then.
struct Part {
    until: Instant,
    is_cut: bool,
}

/// A clock that raises a flag when a part of the time is over, or when the user interrupts.
struct Clock<'a> {
    given: String,
    until: Instant,
    interrupted: &'a AtomicBool,
    over: AtomicBool,
    /// The whole, and the parts that have begun, the innermost last. Each ends within the one around it.
    parts: Mutex<Vec<Part>>,
    is_done: Mutex<bool>,
    done: Condvar,
}

impl<'a> Clock<'a> {
    fn new(given: Duration, as_stated: &str, interrupted: &'a AtomicBool) -> Self {
        // No longer than 213 days.
        let until = Instant::now() + given;
        Clock {
            given: as_stated.to_owned(),
            until,
            interrupted,
            over: AtomicBool::new(false),
            parts: Mutex::new(vec![Part { until, is_cut: false }]),
            is_done: Mutex::new(false),
            done: Condvar::new(),
        }
    }

    /// Does something while another thread looks at the clock.
    fn watched<T>(&self, act: impl FnOnce() -> T) -> T {
        std::thread::scope(|scope| {
            let _watcher = scope.spawn(|| self.watch());
            let _done = Done(self);
            act()
        })
    }

    fn watch(&self) {
        let mut is_done = held(&self.is_done);
        while !*is_done {
            self.look(&mut held(&self.parts));
            is_done = self.done.wait_timeout(is_done, LOOK).unwrap_or_else(PoisonError::into_inner).0;
        }
    }

    /// Sets the flag to what holds of the innermost part.
    fn look(&self, parts: &mut [Part]) {
        let Some(part) = parts.last_mut() else { return };
        let is_over = self.is_interrupted() || Instant::now() >= part.until;
        part.is_cut |= is_over;
        self.over.store(is_over, Ordering::Relaxed);
    }
}

impl Time for Clock<'_> {
    fn begin(&self, share: f64) {
        let mut parts = held(&self.parts);
        let now = Instant::now();
        let around = parts.last().map_or(self.until, |part| part.until);
        let left = around.saturating_duration_since(now).mul_f64(share.clamp(0.0, 1.0));
        parts.push(Part { until: now + left, is_cut: false });
        self.look(&mut parts);
    }

    fn end(&self) {
        let mut parts = held(&self.parts);
        let ended = parts.pop().is_some_and(|part| part.is_cut);
        if let Some(around) = parts.last_mut() {
            around.is_cut |= ended;
        }
        self.look(&mut parts);
    }

    fn is_cut(&self) -> bool {
        held(&self.parts).last().is_some_and(|part| part.is_cut)
    }

    fn is_interrupted(&self) -> bool {
        self.interrupted.load(Ordering::Relaxed)
    }

    fn given(&self) -> &str {
        &self.given
    }
}

/// Ends the watch, also where a study panics: its scope waits for the watcher.
struct Done<'a>(&'a Clock<'a>);

impl Drop for Done<'_> {
    fn drop(&mut self) {
        *held(&self.0.is_done) = true;
        self.0.done.notify_all();
    }
}

/// What a lock guards here is whole after every statement, so that a panic elsewhere takes nothing from it.
fn held<T>(lock: &Mutex<T>) -> MutexGuard<'_, T> {
    lock.lock().unwrap_or_else(PoisonError::into_inner)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn times_are_read_as_a_scenario_states_them() {
        for (text, seconds) in
            [("90s", 90.0), ("90 s", 90.0), ("2min", 120.0), ("1.5 h", 5400.0), ("50 ms", 0.05)]
        {
            assert_eq!(duration(text).map(|found| found.as_secs_f64()), Ok(seconds), "{text}");
        }
        for (text, words) in [
            ("90", "did you mean \"90s\"?"),
            ("5m", "minutes are min"),
            ("2 fortnights", "fortnights is no unit of time"),
            ("soon", "expected a time"),
            ("-1s", "expected a time"),
            ("0s", "too short"),
            ("400 days", "longer than 213 days"),
        ] {
            let why = duration(text).expect_err(text);
            assert!(why.contains(words), "{text}: {why}");
        }
    }

    /// A part that is over stops itself and not what comes after it; the user stops everything.
    #[test]
    fn a_part_of_the_time_ends_by_itself() {
        let user = AtomicBool::new(false);
        let clock = Clock::new(Duration::from_secs(3600), "1h", &user);
        let is_over = || clock.over.load(Ordering::Relaxed);
        clock.watched(|| {
            clock.begin(0.0);
            assert!(is_over(), "no time at all");
            clock.begin(1.0);
            assert!(is_over(), "all of none");
            clock.end();
            clock.end();
            assert!(!is_over(), "an hour is left");
            clock.begin(2e-5);
            assert!(!is_over(), "72 ms are left");
            std::thread::sleep(Duration::from_millis(400));
            assert!(is_over(), "they are over, and the watcher has seen it");
            clock.end();
            assert!(!is_over() && clock.is_cut());
            clock.begin(0.5);
            assert!(!is_over() && !clock.is_cut(), "another part");
            clock.end();
            user.store(true, Ordering::Relaxed);
            clock.begin(0.5);
            assert!(is_over(), "the user does not wait for a part to end");
            clock.end();
            assert!(is_over());
        });
    }
}
