//! Where results go: stdout for the answer, files for JSON and CSV, stderr for complaints.

use std::io::{IsTerminal, Write};

use crate::report::terminal::Style;

use super::{Color, Common, Ending, ResultArgs};

/// Width of the answer where stdout is not a terminal.
const PLAIN_WIDTH: usize = 100;

/// More threads than any machine has cores to spare only take memory.
const THREADS_MAX: usize = 1024;

/// Where and how to write.
pub(super) struct Output {
    json: Option<String>,
    csv: Option<String>,
    pub quiet: bool,
    color_out: bool,
    pub color_err: bool,
    width: usize,
}

impl Output {
    pub fn new(common: &Common, results: Option<&ResultArgs>) -> Result<Self, String> {
        let (json, csv) = results.map_or((None, None), |r| (r.json.clone(), r.csv.clone()));
        let is_stdout = |target: &Option<String>| target.as_deref() == Some("-");
        if is_stdout(&json) && is_stdout(&csv) {
            return Err("`--json -` and `--csv -` both want stdout\n  help: give one of them a file".into());
        }
        if let Some(threads) = common.threads.filter(|n| !(1..=THREADS_MAX).contains(n)) {
            return Err(format!("`--threads` is {threads}: expected 1 to {THREADS_MAX}"));
        }
        let wants = |is_terminal: bool| match common.color {
            Color::Always => true,
            Color::Never => false,
            Color::Auto => is_terminal && std::env::var_os("NO_COLOR").is_none_or(|v| v.is_empty()),
        };
        Ok(Output {
            json,
            csv,
            quiet: common.quiet,
            color_out: wants(std::io::stdout().is_terminal()),
            color_err: wants(std::io::stderr().is_terminal()),
            width: terminal_size::terminal_size().map_or(PLAIN_WIDTH, |(width, _)| usize::from(width.0)),
        })
    }

    pub fn style(&self) -> Style {
        Style { width: self.width, color: self.color_out }
    }

    /// Writes the JSON and CSV that were asked for, and the answer unless one of them took stdout.
    pub fn deliver(
        &self,
        answer: impl FnOnce(&Style) -> String,
        json: impl FnOnce() -> String,
        csv: impl FnOnce() -> String,
    ) -> Result<(), Ending> {
        let takes_stdout = [&self.json, &self.csv].into_iter().flatten().any(|t| t == "-");
        if let Some(target) = &self.json {
            put(target, &json())?;
        }
        if let Some(target) = &self.csv {
            put(target, &csv())?;
        }
        if !takes_stdout && !self.quiet {
            put("-", &answer(&self.style()))?;
        }
        Ok(())
    }
}

/// Writes to a file, or to stdout for `-`. A closed pipe ends quietly.
pub(super) fn put(target: &str, text: &str) -> Result<(), Ending> {
    let written = if target == "-" {
        let mut stdout = std::io::stdout().lock();
        stdout.write_all(text.as_bytes()).and_then(|()| stdout.flush())
    } else {
        std::fs::write(target, text)
    };
    match written {
        Err(error) if target == "-" && error.kind() == std::io::ErrorKind::BrokenPipe => Ok(()),
        Err(error) => Err(refuse(format!("cannot write `{target}`: {error}"))),
        Ok(()) => Ok(()),
    }
}

/// Says what is wrong with the input.
pub(super) fn refuse(what: impl std::fmt::Display) -> Ending {
    complain(&format!("error: {what}"));
    Ending::BadInput
}

/// A complaint on stderr; if that is closed, nobody listens.
pub(super) fn complain(text: &str) {
    let _ = writeln!(std::io::stderr().lock(), "{text}");
}
