//! Progress on stderr: a line that says what is being done, if stderr is a terminal.

use std::time::Duration;

use indicatif::{ProgressBar, ProgressDrawTarget, ProgressStyle};

const REDRAWS_PER_S: u8 = 10;

/// A line of progress.
pub(super) struct Progress {
    bar: ProgressBar,
}

impl Progress {
    pub fn new(quiet: bool) -> Self {
        // Draws nothing where stderr is not a terminal.
        let target = match quiet {
            true => ProgressDrawTarget::hidden(),
            false => ProgressDrawTarget::stderr_with_hz(REDRAWS_PER_S),
        };
        let bar = ProgressBar::with_draw_target(None, target);
        // A template of ours; it cannot fail to parse.
        if let Ok(style) = ProgressStyle::with_template("{spinner} {elapsed} {msg}") {
            bar.set_style(style);
        }
        bar.enable_steady_tick(Duration::from_millis(100));
        Progress { bar }
    }

    /// Says what is being done.
    pub fn say(&self, words: &str) {
        self.bar.set_message(words.to_string());
    }

    /// Clears the line.
    pub fn finish(&self) {
        self.bar.finish_and_clear();
    }
}
