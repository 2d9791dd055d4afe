//! Layouts with a header that names the columns: csv, block-csv, lun-csv.
//!
//! Columns are found by name, so that order and further columns do not matter. A time without its
//! unit is refused rather than guessed.

use super::collect::{Collector, Row, time_ps, whole};
use super::error::{Complaint, quoted};
use super::input::Input;
use crate::engine::PS_PER_S;
use crate::scenario::{Operation, TraceFormat};

const BLOCK_CSV: [&str; 4] = ["submit_ns", "op", "lba_512", "sectors_512"];
const LUN_CSV: [&str; 6] = ["timestamp", "response", "iotype", "lun", "offset", "size"];

/// Where the columns are and what a unit of each is worth.
#[derive(Clone, Debug, PartialEq)]
struct Columns {
    time: usize,
    time_unit: TimeUnit,
    operation: usize,
    offset: usize,
    offset_bytes: u64,
    size: usize,
    size_bytes: u64,
    device: Option<usize>,
}

#[derive(Clone, Copy, Debug, PartialEq)]
struct TimeUnit {
    name: &'static str,
    ps: u64,
}

const SECONDS: TimeUnit = TimeUnit { name: "seconds", ps: PS_PER_S };
const UNITS: [(&[&str], TimeUnit); 4] = [
    (&["s", "sec", "secs", "second", "seconds"], SECONDS),
    (&["ms", "millisecond", "milliseconds"], TimeUnit { name: "milliseconds", ps: PS_PER_S / 1_000 }),
    (
        &["us", "µs", "microsecond", "microseconds"],
        TimeUnit { name: "microseconds", ps: PS_PER_S / 1_000_000 },
    ),
    (&["ns", "nanosecond", "nanoseconds"], TimeUnit { name: "nanoseconds", ps: PS_PER_S / 1_000_000_000 }),
];

/// The layout whose header this is.
pub(super) fn looks_like(header: &str) -> Option<TraceFormat> {
    let names = names(header);
    if names.len() < 4 {
        return None;
    }
    if BLOCK_CSV.iter().all(|n| names.iter().any(|m| m == n)) {
        return Some(TraceFormat::BlockCsv);
    }
    if LUN_CSV.iter().all(|n| names.iter().any(|m| m == n)) {
        return Some(TraceFormat::LunCsv);
    }
    let is_header = names.iter().any(|n| is_operation(n)) && names.iter().any(|n| is_time(n));
    is_header.then_some(TraceFormat::Csv)
}

/// Reads a whole file of this kind.
pub(super) fn read(
    input: &mut Input,
    format: TraceFormat,
    mut collector: Collector,
) -> Result<Collector, Complaint> {
    let header = loop {
        match input.line()? {
            Some(line) if line.trim().is_empty() => {}
            Some(line) => break line.into_owned(),
            None => return Ok(collector),
        }
    };
    let columns = Columns::find(&header, format)?;
    while let Some(line) = input.line()? {
        if !line.trim().is_empty() {
            collector.add(columns.row(&line)?)?;
        }
    }
    Ok(collector)
}

fn clean(field: &str) -> &str {
    field.trim().trim_matches('"').trim()
}

fn names(header: &str) -> Vec<String> {
    header.split(',').map(|n| clean(n).to_lowercase()).collect()
}

/// `time_us`, `time (us)`, `submit_ns` → the part after the word for time.
fn time_suffix(name: &str) -> Option<&str> {
    let rest =
        ["timestamp", "time", "submit", "arrival", "issue"].iter().find_map(|w| name.strip_prefix(w))?;
    Some(rest.trim_start_matches([' ', '_']).trim_matches(['(', ')', '[', ']']))
}

fn is_time(name: &str) -> bool {
    time_suffix(name).is_some_and(|s| s.is_empty() || UNITS.iter().any(|(words, _)| words.contains(&s)))
}

fn is_operation(name: &str) -> bool {
    ["operation", "op", "opcode", "iotype", "io_type", "type", "rw"].contains(&name)
}

/// Bytes of one unit of an offset or size column.
fn unit_bytes(name: &str, words: &[&str], sector_words: &[&str]) -> Option<u64> {
    if let Some(rest) = words.iter().find_map(|w| name.strip_prefix(w)) {
        return ["", "_bytes", " (bytes)", "_b"].contains(&rest).then_some(1);
    }
    let rest = sector_words.iter().find_map(|w| name.strip_prefix(w))?;
    match rest {
        "_512" => Some(512),
        "_4096" => Some(4096),
        _ => None,
    }
}

fn offset_unit(name: &str) -> Option<u64> {
    unit_bytes(name, &["offset", "address"], &["lba", "sector", "block"])
}

fn size_unit(name: &str) -> Option<u64> {
    unit_bytes(name, &["size", "length", "bytes"], &["sectors", "blocks"])
}

impl Columns {
    fn find(header: &str, format: TraceFormat) -> Result<Columns, Complaint> {
        let names = names(header);
        let missing = |what: &str, help: &str| {
            let expected = format!("a header with a column for {what}");
            Complaint::new(format!("the first line is {}", quoted(header)), expected, help)
        };
        let place = |wanted: fn(&str) -> bool| names.iter().position(|n| wanted(n));
        let time = place(is_time)
            .ok_or_else(|| missing("the time", "name it time_s, time_ms, time_us or time_ns"))?;
        let time_unit = match time_suffix(&names[time]) {
            // This layout's time stamps are Unix seconds.
            Some("") if format == TraceFormat::LunCsv => SECONDS,
            suffix => UNITS
                .iter()
                .find(|(words, _)| suffix.is_some_and(|s| words.contains(&s)))
                .map(|(_, unit)| *unit)
                .ok_or_else(|| {
                    missing("the time with its unit", "name it time_s, time_ms, time_us or time_ns")
                })?,
        };
        let operation = place(is_operation).ok_or_else(|| {
            missing("the operation", "name it op; its values are R and W, or read and write")
        })?;
        let unit = |unit: fn(&str) -> Option<u64>| {
            names.iter().enumerate().find_map(|(i, n)| unit(n).map(|bytes| (i, bytes)))
        };
        let (offset, offset_bytes) = unit(offset_unit)
            .ok_or_else(|| missing("the offset", "name it offset_bytes, lba_512 or lba_4096"))?;
        let (size, size_bytes) = unit(size_unit)
            .ok_or_else(|| missing("the size", "name it size_bytes, sectors_512 or blocks_4096"))?;
        let device = place(|n| ["device", "device_id", "lun", "disk", "volume"].contains(&n));
        Ok(Columns { time, time_unit, operation, offset, offset_bytes, size, size_bytes, device })
    }

    fn row<'a>(&self, line: &'a str) -> Result<Row<'a>, Complaint> {
        let field = |index: usize| line.split(',').nth(index).map(clean);
        let cut_short = |what: &str| {
            Complaint::new(
                format!("the line ends before the {what}: {}", quoted(line)),
                "as many fields as the header names",
                "the file may be cut short: fetch it again, or remove the line",
            )
        };
        let operation = match field(self.operation).ok_or_else(|| cut_short("operation"))? {
            op if ["r", "read", "rd"].iter().any(|w| op.eq_ignore_ascii_case(w)) => Operation::Read,
            op if ["w", "write", "wr"].iter().any(|w| op.eq_ignore_ascii_case(w)) => Operation::Write,
            op if ["d", "discard", "trim", "unmap"].iter().any(|w| op.eq_ignore_ascii_case(w)) => {
                return Ok(Row::Discard);
            }
            op if ["f", "flush", "sync"].iter().any(|w| op.eq_ignore_ascii_case(w)) => return Ok(Row::Flush),
            _ => return Ok(Row::Other),
        };
        let time = field(self.time).ok_or_else(|| cut_short("time"))?;
        let offset = field(self.offset).ok_or_else(|| cut_short("offset"))?;
        let size = field(self.size).ok_or_else(|| cut_short("size"))?;
        Ok(Row::Request {
            time_ps: time_ps(time, self.time_unit.ps, self.time_unit.name)?,
            device: self.device.and_then(field).unwrap_or(""),
            operation,
            address: scaled(offset, "the offset", self.offset_bytes)?,
            bytes: scaled(size, "the size", self.size_bytes)?,
        })
    }
}

/// A field in units of `unit` bytes, as bytes.
fn scaled(text: &str, what: &str, unit: u64) -> Result<u64, Complaint> {
    let name = if unit == 1 { "bytes".to_owned() } else { format!("units of {unit} bytes") };
    // Beyond the range: the collector's own limits refuse it with better words.
    Ok(whole(text, what, &name)?.saturating_mul(unit))
}
