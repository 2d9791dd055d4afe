//! Progress on stderr: a line that says what is being done, if stderr is a terminal and it takes longer
//! than half a second.

use std::sync::Mutex;
use std::time::{Duration, Instant};

use indicatif::{ProgressBar, ProgressDrawTarget, ProgressStyle};

/// Nothing appears before this.
const PATIENCE: Duration = Duration::from_millis(500);
const REDRAWS_PER_S: u8 = 10;

/// A line of progress.
pub(super) struct Progress {
    bar: ProgressBar,
    started: Instant,
    shown: Mutex<bool>,
    quiet: bool,
}

impl Progress {
    pub fn new(quiet: bool) -> Self {
        let bar = ProgressBar::with_draw_target(None, ProgressDrawTarget::hidden());
        // A template of ours; it cannot fail to parse.
        if let Ok(style) = ProgressStyle::with_template("{spinner} {elapsed} {msg}") {
            bar.set_style(style);
        }
        Progress { bar, started: Instant::now(), shown: Mutex::new(false), quiet }
    }

    /// Says what is being done.
    pub fn say(&self, words: &str) {
        self.bar.set_message(words.to_string());
        if self.quiet || self.started.elapsed() < PATIENCE {
            return;
        }
        if let Ok(mut shown) = self.shown.lock()
            && !*shown
        {
            // Draws nothing where stderr is not a terminal.
            self.bar.set_draw_target(ProgressDrawTarget::stderr_with_hz(REDRAWS_PER_S));
            self.bar.enable_steady_tick(Duration::from_millis(100));
            *shown = true;
        }
    }

    /// Clears the line.
    pub fn finish(&self) {
        self.bar.finish_and_clear();
    }
}
