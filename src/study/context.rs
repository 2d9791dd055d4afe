//! What a study hears on its way: that it is to stop, and how long each part of it may take.
//!
//! Nothing below the command line reads a clock. Whoever keeps one says so by [`Time`]; a study divides what is left among its
//! parts, so that a part that needs too long costs the others nothing. Without one a study takes the time it needs, and its
//! answer does not depend on it.

use std::sync::atomic::{AtomicBool, Ordering};

/// The time that a study has.
pub trait Time: Sync {
    /// Begins a part that has this share, 0 to 1, of the time left. Lowers the flag of the [`Context`] until the part's
    /// time is over, unless all of it is over already or the user has interrupted.
    fn begin(&self, share: f64);
    /// Ends the part that was begun last: the flag then tells of the one around it, which counts as cut if this one was.
    fn end(&self);
    /// Whether the time of this part, or of one within it, was over before its end.
    fn is_cut(&self) -> bool;
    /// Whether the user has interrupted.
    fn is_interrupted(&self) -> bool;
    /// The whole time, as the user states it.
    fn given(&self) -> &str;
}

/// How a study reports on its way and hears that it is to stop.
pub struct Context<'a> {
    /// Raised when the user interrupts, or when the time of this part is over; the study then says what is known.
    pub interrupted: &'a AtomicBool,
    /// The time that it has; none if it may take what it needs.
    pub time: Option<&'a dyn Time>,
    /// Told in words what is being done: a stage, and after ": " what of it.
    pub progress: &'a (dyn Fn(&str) + Sync),
    /// Whether every member of every station is wanted in the answer.
    pub detail: bool,
}

impl Context<'_> {
    /// Whether this part is to stop.
    pub fn is_over(&self) -> bool {
        self.interrupted.load(Ordering::Relaxed)
    }

    /// Whether something in this part was stopped before it was done.
    pub fn is_cut(&self) -> bool {
        self.is_over() || self.time.is_some_and(|time| time.is_cut())
    }

    /// Whether the user has interrupted.
    pub fn is_interrupted(&self) -> bool {
        self.time.map_or_else(|| self.is_over(), |time| time.is_interrupted())
    }

    /// Does something within this share, 0 to 1, of the time left.
    pub fn part<T>(&self, share: f64, act: impl FnOnce() -> T) -> T {
        let _ends = self.time.map(|time| {
            time.begin(share);
            Part(time)
        });
        act()
    }

    /// Within an equal share of the time left, with so many parts to come, this one among them.
    pub fn one_of<T>(&self, parts: usize, act: impl FnOnce() -> T) -> T {
        self.part(1.0 / parts.max(1) as f64, act)
    }

    /// Why something is not known that was to be found out.
    pub fn why_cut(&self) -> String {
        match self.time {
            Some(time) if !time.is_interrupted() => format!("stopped after {} (`--within`)", time.given()),
            _ => "interrupted".into(),
        }
    }
}

/// Ends a part of the time, also where the stack unwinds.
struct Part<'a>(&'a dyn Time);

impl Drop for Part<'_> {
    fn drop(&mut self) {
        self.0.end();
    }
}
