//! Layouts of fixed columns without a header: the block-layer tracer's text, and host-csv.

use super::collect::{Collector, Row, time_ps, whole};
use super::error::{Complaint, quoted};
use super::input::Input;
use crate::scenario::Operation;

/// A line of the block-layer tracer's default output:
/// `major,minor cpu sequence seconds.nanoseconds pid action rwbs [sector + sectors] [process]`.
#[derive(Clone, Copy, Debug, PartialEq)]
struct Event<'a> {
    device: &'a str,
    time: &'a str,
    action: u8,
    flags: &'a str,
    extent: Option<(&'a str, &'a str)>,
}

/// Whether this line is an event.
pub(super) fn is_block_event(line: &str) -> bool {
    event(line).is_some()
}

fn event(line: &str) -> Option<Event<'_>> {
    let digits = |s: &str| !s.is_empty() && s.bytes().all(|b| b.is_ascii_digit());
    let mut words = line.split_ascii_whitespace();
    let device = words.next()?;
    let (major, minor) = device.split_once(',')?;
    let (cpu, sequence, time, pid) = (words.next()?, words.next()?, words.next()?, words.next()?);
    let (seconds, fraction) = time.split_once('.')?;
    let (action, flags) = (words.next()?, words.next()?);
    let numbers = [major, minor, cpu, sequence, seconds, fraction, pid].into_iter().all(digits);
    let letters = |s: &str| s.bytes().all(|b| b.is_ascii_uppercase());
    if !numbers || action.len() != 1 || !letters(action) || !letters(flags) {
        return None;
    }
    let extent = match (words.next(), words.next(), words.next()) {
        (Some(sector), Some("+"), Some(sectors)) => Some((sector, sectors)),
        _ => None,
    };
    Some(Event { device, time, action: action.as_bytes()[0], flags, extent })
}

impl<'a> Event<'a> {
    fn row(&self) -> Result<Row<'a>, Complaint> {
        let nothing = if self.flags.contains('F') { Row::Flush } else { Row::Other };
        if self.flags.contains('D') {
            return Ok(Row::Discard);
        }
        let Some((sector, sectors)) = self.extent else { return Ok(nothing) };
        let sectors = whole(sectors, "the length", "sectors")?;
        let operation = match self.flags {
            _ if sectors == 0 => return Ok(nothing),
            flags if flags.contains('W') => Operation::Write,
            flags if flags.contains('R') => Operation::Read,
            _ => return Ok(Row::Other),
        };
        Ok(Row::Request {
            time_ps: time_ps(self.time, 1_000_000_000_000, "seconds")?,
            device: self.device,
            operation,
            address: whole(sector, "the sector", "sectors")?.saturating_mul(512),
            bytes: sectors.saturating_mul(512),
        })
    }
}

/// Requests as issued to the device (D); a trace without such events gives those queued (Q), which
/// are counted before merging.
pub(super) fn read_block_events(input: &mut Input, most: usize) -> Result<Collector, Complaint> {
    let mut issued = Collector::new(most);
    let mut queued = Some(Collector::new(most));
    while let Some(line) = input.line()? {
        match event(&line) {
            Some(e) if e.action == b'D' => {
                issued.add(e.row()?)?;
                queued = None;
            }
            Some(e) if e.action == b'Q' => {
                if let Some(queued) = &mut queued {
                    queued.add(e.row()?)?;
                }
            }
            Some(_) => {}
            None if line.trim().is_empty() => {}
            None => issued.add(Row::NotAnEvent)?,
        }
    }
    match queued {
        Some(mut queued) if !queued.is_untouched() => {
            queued
                .remarks
                .push("no issue (D) events: requests are taken as queued (Q), before merging".into());
            Ok(queued)
        }
        _ => Ok(issued),
    }
}

/// Whether this line is a record of host-csv: time,host,disk,Read|Write,offset,size,response.
pub(super) fn is_host_record(line: &str) -> bool {
    let fields: Vec<&str> = line.split(',').map(str::trim).collect();
    fields.len() == 7
        && fields[0].len() >= 15
        && fields[0].bytes().all(|b| b.is_ascii_digit())
        && ["read", "write"].iter().any(|w| fields[3].eq_ignore_ascii_case(w))
}

/// Times are counts of 100 ns (since 1601; the origin does not matter), offsets and sizes bytes.
pub(super) fn read_host_records(input: &mut Input, mut collector: Collector) -> Result<Collector, Complaint> {
    let mut is_first = true;
    while let Some(line) = input.line()? {
        if line.trim().is_empty() {
            continue;
        }
        // A heading, if somebody added one.
        let heading = is_first && !line.starts_with(|c: char| c.is_ascii_digit());
        is_first = false;
        let mut device = String::new();
        let row = if heading { Row::NotAnEvent } else { host_row(&line, &mut device)? };
        collector.add(row)?;
    }
    Ok(collector)
}

fn host_row<'a>(line: &str, device: &'a mut String) -> Result<Row<'a>, Complaint> {
    let fields: Vec<&str> = line.split(',').map(str::trim).collect();
    let &[time, host, disk, kind, offset, size, ..] = fields.as_slice() else {
        return Err(Complaint::new(
            format!("the line has {} fields: {}", fields.len(), quoted(line)),
            "seven: time, host, disk, Read or Write, offset, size, response",
            "the file may be cut short: fetch it again, or remove the line",
        ));
    };
    let operation = match kind {
        _ if kind.eq_ignore_ascii_case("read") => Operation::Read,
        _ if kind.eq_ignore_ascii_case("write") => Operation::Write,
        _ => return Ok(Row::Other),
    };
    *device = format!("{host} {disk}");
    Ok(Row::Request {
        time_ps: i128::from(whole(time, "the time", "100 ns")?) * 100_000,
        device,
        operation,
        address: whole(offset, "the offset", "bytes")?,
        bytes: whole(size, "the size", "bytes")?,
    })
}
