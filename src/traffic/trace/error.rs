//! Why a trace was refused.

use std::fmt;

/// A trace that cannot be used: which file, where in it, what was found, what was expected, and the
/// likeliest fix. The run cannot go on without the trace.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct TraceError {
    /// The file, as the scenario spells it.
    pub file: String,
    /// Where in the file.
    pub place: Place,
    /// What was found: a clause without a full stop.
    pub found: String,
    /// What was expected: a noun phrase.
    pub expected: String,
    /// The likeliest fix.
    pub help: String,
}

/// A place in a trace file.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Place {
    /// The file as a whole.
    File,
    /// A line of text, from 1 (of the unpacked text).
    Line(u64),
    /// A binary record, from 1.
    Record(u64),
}

impl fmt::Display for TraceError {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        write!(f, "trace `{}`", self.file)?;
        match self.place {
            Place::File => {}
            Place::Line(n) => write!(f, ", line {n}")?,
            Place::Record(n) => write!(f, ", record {n}")?,
        }
        write!(f, ": {}; expected {}; help: {}", self.found, self.expected, self.help)
    }
}

impl std::error::Error for TraceError {}

/// An error before its file and place are known.
#[derive(Clone, Debug, PartialEq)]
pub(super) struct Complaint {
    pub(super) found: String,
    pub(super) expected: String,
    pub(super) help: String,
    /// True if it concerns the whole file, wherever reading stopped.
    pub(super) whole_file: bool,
}

impl Complaint {
    pub(super) fn new(
        found: impl Into<String>,
        expected: impl Into<String>,
        help: impl Into<String>,
    ) -> Self {
        Complaint { found: found.into(), expected: expected.into(), help: help.into(), whole_file: false }
    }

    /// The same about the whole file.
    pub(super) fn of_file(self) -> Self {
        Complaint { whole_file: true, ..self }
    }

    pub(super) fn of(self, file: &str, place: Place) -> TraceError {
        let place = if self.whole_file { Place::File } else { place };
        TraceError { file: file.into(), place, found: self.found, expected: self.expected, help: self.help }
    }
}

pub(super) fn unopened(name: &str, error: &std::io::Error) -> TraceError {
    Complaint::new(
        format!("it cannot be opened ({error})"),
        "a readable file",
        "a trace is looked for relative to the scenario that names it",
    )
    .of(name, Place::File)
}

/// Text from the file, short and with nothing unprintable, in back quotes.
pub(super) fn quoted(text: &str) -> String {
    const SHOWN: usize = 40;
    let short: String = text.chars().take(SHOWN).flat_map(char::escape_debug).collect();
    let more = if text.chars().nth(SHOWN).is_some() { "…" } else { "" };
    format!("`{short}{more}`")
}
