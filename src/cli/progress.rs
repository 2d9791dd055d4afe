//! Progress on stderr: on a terminal a line that says what is being done and how much time is left; elsewhere a plain line for
//! each stage.

use std::collections::HashSet;
use std::sync::{Arc, Mutex, PoisonError};
use std::time::{Duration, Instant};

use indicatif::{ProgressBar, ProgressDrawTarget, ProgressState, ProgressStyle};

use super::output::complain;

const REDRAWS_PER_S: u8 = 10;
/// What is done sooner needs no progress.
const SILENCE: Duration = Duration::from_millis(500);

/// A line of progress, or lines where there is no terminal.
pub(super) struct Progress {
    bar: ProgressBar,
    stages: Option<Arc<Mutex<Stages>>>,
}

impl Progress {
    /// A line on a terminal, and nothing elsewhere.
    pub fn new(quiet: bool) -> Self {
        Self::until(quiet, None, false)
    }

    /// Of a study, that ends at `until` if that is known.
    pub fn of_study(quiet: bool, until: Option<Instant>) -> Self {
        Self::until(quiet, until, true)
    }

    fn until(quiet: bool, until: Option<Instant>, has_stages: bool) -> Self {
        // Draws nothing where stderr is not a terminal.
        let target = match quiet {
            true => ProgressDrawTarget::hidden(),
            false => ProgressDrawTarget::stderr_with_hz(REDRAWS_PER_S),
        };
        let is_plain = has_stages && !quiet && target.is_hidden();
        let bar = ProgressBar::with_draw_target(None, target);
        let left = move |_: &ProgressState, line: &mut dyn std::fmt::Write| {
            let words = until.map(|until| left(until.saturating_duration_since(Instant::now())));
            let _ = write!(line, "{}", words.unwrap_or_default());
        };
        let template = match until {
            Some(_) => "{spinner} {left} {msg}",
            None => "{spinner} {elapsed} {msg}",
        };
        // A template of ours; it cannot fail to parse.
        if let Ok(style) = ProgressStyle::with_template(template) {
            bar.set_style(style.with_key("left", left));
        }
        bar.enable_steady_tick(Duration::from_millis(100));
        Progress { bar, stages: is_plain.then(Stages::begin) }
    }

    /// Says what is being done.
    pub fn say(&self, words: &str) {
        match &self.stages {
            Some(stages) => held(stages).enter(stage(words)),
            None => self.bar.set_message(words.to_string()),
        }
    }

    /// Clears the line.
    pub fn finish(&self) {
        self.bar.finish_and_clear();
        if let Some(stages) = &self.stages {
            held(stages).is_over = true;
        }
    }
}

/// "1:05 left".
fn left(time: Duration) -> String {
    // A second that has begun is left.
    let seconds = time.as_secs_f64().ceil() as u64;
    match seconds {
        0 => "time is over".into(),
        _ => format!("{}:{:02} left", seconds / 60, seconds % 60),
    }
}

/// The stage that a message is about: what stands before its first colon, without a number that counts. Objectives are what a
/// limit is looked for by.
fn stage(words: &str) -> String {
    let stage = words.split(": ").next().unwrap_or(words);
    match stage.split_once(' ') {
        Some(("round", _)) => "measuring".into(),
        None if stage == "objectives" => "limit".into(),
        _ => stage.to_owned(),
    }
}

/// Stages on plain lines, each once.
struct Stages {
    began: Instant,
    /// All that were entered.
    entered: HashSet<String>,
    /// The last one, before there is anything to say.
    waiting: Option<String>,
    is_over: bool,
}

impl Stages {
    /// Says nothing of what is done soon.
    fn begin() -> Arc<Mutex<Stages>> {
        let stages = Stages { began: Instant::now(), entered: HashSet::new(), waiting: None, is_over: false };
        let stages = Arc::new(Mutex::new(stages));
        let later = Arc::clone(&stages);
        std::thread::spawn(move || {
            std::thread::sleep(SILENCE);
            let mut stages = held(&later);
            if let Some(stage) = stages.waiting.take() {
                stages.show(&stage);
            }
        });
        stages
    }

    fn enter(&mut self, stage: String) {
        if !self.entered.insert(stage.clone()) {
            return;
        }
        match self.began.elapsed() < SILENCE {
            true => self.waiting = Some(stage),
            false => {
                self.waiting = None;
                self.show(&stage);
            }
        }
    }

    fn show(&self, stage: &str) {
        if !self.is_over {
            let seconds = self.began.elapsed().as_secs();
            complain(&format!("{}:{:02} {stage}", seconds / 60, seconds % 60));
        }
    }
}

/// What the lock guards is whole after every statement.
fn held(lock: &Mutex<Stages>) -> std::sync::MutexGuard<'_, Stages> {
    lock.lock().unwrap_or_else(PoisonError::into_inner)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_stage_is_what_stands_before_the_colon() {
        let stages = [
            ("pilot: how long the start-up lasts, 0.100 s", "pilot"),
            ("warming up", "warming up"),
            ("round 12: ± 3.1 % at the widest, 5.0 % wanted", "measuring"),
            ("measuring: part 1 of 4", "measuring"),
            ("objectives: a look at 1.733 × the stated load", "limit"),
            ("case one port down: objectives: a look at 40 machines", "case one port down"),
            ("saturation: is 7.2 × the stated load carried?", "saturation"),
        ];
        for (words, expected) in stages {
            assert_eq!(stage(words), expected);
        }
    }

    #[test]
    fn the_time_left_counts_down_to_the_second() {
        assert_eq!(left(Duration::from_millis(64_001)), "1:05 left");
        assert_eq!(left(Duration::from_millis(1)), "0:01 left");
        assert_eq!(left(Duration::ZERO), "time is over");
    }
}
