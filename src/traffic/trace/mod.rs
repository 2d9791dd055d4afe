//! Reading a recorded block trace.
//!
//! Six layouts, plain or gzip: each becomes the same list of reads and writes in order of time.
//! What is left out (flushes, discards, requests of no bytes) or amended (order) is said in
//! [`Trace::notes`]. No content makes the reader panic: what it cannot read it refuses, with the
//! line, what was found and what was expected.

mod collect;
mod columns;
mod error;
mod events;
mod input;
mod records;
mod summary;

use std::io::Read;
use std::path::Path;

pub use error::{Place, TraceError};
pub use summary::TraceSummary;

use crate::engine::SimDuration;
use crate::scenario::{Operation, TraceFormat};
use collect::Collector;
use error::Complaint;
use input::Input;

/// A trace longer than this is refused, so that memory stays bounded (a record takes 32 bytes).
pub const RECORDS_MAX: usize = 200_000_000;

/// One read or write of a trace.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct TraceRecord {
    /// When it was issued, from the first record.
    pub at: SimDuration,
    /// Byte offset on its device, as recorded (aligned or not).
    pub address: u64,
    /// Bytes, at least 1.
    pub bytes: u32,
    /// Number of its device, in order of appearance; replay overlays the devices.
    pub device: u16,
    /// Read or write.
    pub operation: Operation,
    /// Whether it starts where one of the 32 requests before it, of its device and operation, ended.
    pub sequential: bool,
}

/// A trace in order of time: two records or more, which do not all bear one time.
#[derive(Clone, Debug, PartialEq)]
pub struct Trace {
    records: Vec<TraceRecord>,
    format: TraceFormat,
    notes: Vec<String>,
}

impl Trace {
    /// Reads a trace file. `name` is what messages call it; the layout is found from the content
    /// unless stated.
    pub fn load(path: &Path, name: &str, format: Option<TraceFormat>) -> Result<Trace, TraceError> {
        let file = std::fs::File::open(path).map_err(|e| error::unopened(name, &e))?;
        Trace::read(file, name, format)
    }

    /// Reads a trace from any stream, gzip or plain.
    pub fn read(
        stream: impl Read + 'static,
        name: &str,
        format: Option<TraceFormat>,
    ) -> Result<Trace, TraceError> {
        read_at_most(Box::new(stream), name, format, RECORDS_MAX)
    }

    /// The records, in order of time; the first at zero.
    pub fn records(&self) -> &[TraceRecord] {
        &self.records
    }

    /// The layout it was read in.
    pub fn format(&self) -> TraceFormat {
        self.format
    }

    /// What was left out or amended, in plain words; may be empty.
    pub fn notes(&self) -> &[String] {
        &self.notes
    }

    /// From the first record to the last; above zero.
    pub fn span(&self) -> SimDuration {
        self.records.last().map_or(SimDuration::ZERO, |r| r.at)
    }

    /// Span and one mean gap: after this long a repeated trace starts again. Above zero.
    pub(super) fn circle(&self) -> SimDuration {
        let gap = self.span().ps() / (self.records.len() as u64 - 1).max(1);
        SimDuration::from_ps(self.span().ps().saturating_add(gap.max(1)))
    }

    /// Its main figures.
    pub fn summary(&self) -> TraceSummary {
        summary::summarise(self)
    }
}

fn read_at_most(
    stream: Box<dyn Read>,
    name: &str,
    format: Option<TraceFormat>,
    most: usize,
) -> Result<Trace, TraceError> {
    let mut input = Input::open(stream, name)?;
    let format = match format {
        Some(format) => format,
        None => input::recognise(input.head()).map_err(|c| c.of(name, Place::File))?,
    };
    let collected = match format {
        TraceFormat::Csv | TraceFormat::BlockCsv | TraceFormat::LunCsv => {
            columns::read(&mut input, format, Collector::new(most))
        }
        TraceFormat::HostCsv => events::read_host_records(&mut input, Collector::new(most)),
        TraceFormat::BlockEvents => events::read_block_events(&mut input, most),
        TraceFormat::ScsiRecords => records::read(&mut input, Collector::new(most)),
    };
    let (records, notes) =
        collected.and_then(Collector::finish).map_err(|c: Complaint| c.of(name, input.place()))?;
    Ok(Trace { records, format, notes })
}

#[cfg(test)]
#[path = "tests.rs"]
mod tests;
