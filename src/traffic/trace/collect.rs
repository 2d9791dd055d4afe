//! From rows to records: times made relative, order mended, what was left out counted.

use std::collections::HashMap;

use super::TraceRecord;
use super::error::{Complaint, quoted};
use crate::engine::SimDuration;
use crate::scenario::Operation;

/// What a row of a trace is.
#[derive(Clone, Copy, Debug, PartialEq)]
pub(super) enum Row<'a> {
    /// A read or write.
    Request {
        /// Picoseconds from any origin.
        time_ps: i128,
        device: &'a str,
        operation: Operation,
        address: u64,
        bytes: u64,
    },
    Flush,
    Discard,
    /// Neither read nor write, nor known.
    Other,
    /// A line that is not an event (a heading, a summary).
    NotAnEvent,
}

/// Takes rows, gives records.
#[derive(Debug)]
pub(super) struct Collector {
    most: usize,
    origin_ps: Option<i128>,
    /// (picoseconds from the origin, record whose `at` is not set yet).
    rows: Vec<(i64, TraceRecord)>,
    devices: HashMap<String, u16>,
    flushes: u64,
    discards: u64,
    others: u64,
    empty: u64,
    not_events: u64,
    /// Said first among the notes.
    pub(super) remarks: Vec<String>,
}

impl Collector {
    pub(super) fn new(most: usize) -> Self {
        Collector {
            most,
            origin_ps: None,
            rows: Vec::new(),
            devices: HashMap::new(),
            flushes: 0,
            discards: 0,
            others: 0,
            empty: 0,
            not_events: 0,
            remarks: Vec::new(),
        }
    }

    /// Whether nothing but lines that are no events came by.
    pub(super) fn is_untouched(&self) -> bool {
        self.rows.is_empty() && self.flushes + self.discards + self.others + self.empty == 0
    }

    pub(super) fn add(&mut self, row: Row) -> Result<(), Complaint> {
        match row {
            Row::Flush => self.flushes += 1,
            Row::Discard => self.discards += 1,
            Row::Other => self.others += 1,
            Row::NotAnEvent => self.not_events += 1,
            Row::Request { bytes: 0, .. } => self.empty += 1,
            Row::Request { time_ps, device, operation, address, bytes } => {
                self.request(time_ps, device, operation, address, bytes)?;
            }
        }
        Ok(())
    }

    fn request(
        &mut self,
        time_ps: i128,
        device: &str,
        operation: Operation,
        address: u64,
        bytes: u64,
    ) -> Result<(), Complaint> {
        if self.rows.len() >= self.most {
            return Err(Complaint::new(
                format!("there are more than {} requests", grouped(self.most as u64)),
                "a trace that fits in memory",
                "cut it to the hours that matter, or to one volume",
            )
            .of_file());
        }
        let origin = *self.origin_ps.get_or_insert(time_ps);
        let since = time_ps.checked_sub(origin).and_then(|t| i64::try_from(t).ok());
        let Some(since) = since else {
            return Err(Complaint::new(
                "the time is more than 106 days from that of the first request",
                "a trace of weeks at most",
                "check the unit of the time column",
            ));
        };
        let Ok(bytes) = u32::try_from(bytes) else {
            return Err(Complaint::new(
                format!("the request has {} bytes", grouped(bytes)),
                "less than 4 GiB",
                "check the unit of the size column",
            ));
        };
        if address > 1 << 62 {
            return Err(Complaint::new(
                format!("the offset is {} bytes", grouped(address)),
                "at most 4 EiB",
                "check the unit of the offset column",
            ));
        }
        let device = self.device(device);
        let at = SimDuration::ZERO;
        let record = TraceRecord { at, address, bytes, device, operation, sequential: false };
        self.rows.push((since, record));
        Ok(())
    }

    /// The device's number; past 65,535 devices the rest share the last.
    fn device(&mut self, name: &str) -> u16 {
        if let Some(number) = self.devices.get(name) {
            return *number;
        }
        let number = u16::try_from(self.devices.len()).unwrap_or(u16::MAX);
        if number < u16::MAX {
            self.devices.insert(name.to_owned(), number);
        }
        number
    }

    /// The records in order of time, and the notes.
    pub(super) fn finish(mut self) -> Result<(Vec<TraceRecord>, Vec<String>), Complaint> {
        let disorder = self.rows.windows(2).filter(|w| w[1].0 < w[0].0).count();
        if disorder > 0 {
            self.rows.sort_by_key(|r| r.0);
        }
        let first = self.rows.first().map_or(0, |r| r.0);
        let last = self.rows.last().map_or(0, |r| r.0);
        if self.rows.len() < 2 || first == last {
            return Err(self.too_little());
        }
        let notes = self.notes(disorder as u64);
        let mut records: Vec<TraceRecord> = self
            .rows
            .into_iter()
            .map(|(t, record)| TraceRecord { at: SimDuration::from_ps(t.abs_diff(first)), ..record })
            .collect();
        mark_sequential(&mut records, self.devices.len());
        Ok((records, notes))
    }

    fn too_little(&self) -> Complaint {
        let left_out = self.flushes + self.discards + self.others + self.empty + self.not_events;
        let found = match self.rows.len() {
            n @ (0 | 1) => format!(
                "it holds {} ({} other rows were left out)",
                if n == 0 { "no read or write" } else { "a single read or write" },
                grouped(left_out)
            ),
            n => format!("all {} requests bear the same time", grouped(n as u64)),
        };
        Complaint::new(
            found,
            "two requests or more at different times",
            "check that the file is the trace, and state its layout if it was guessed wrong, e.g. format = \
             \"csv\"",
        )
        .of_file()
    }

    fn notes(&self, disorder: u64) -> Vec<String> {
        let mut notes = self.remarks.clone();
        let counted = [
            (self.flushes, "flush", "flushes", "left out"),
            (self.discards, "discard", "discards", "left out"),
            (
                self.others,
                "row that is neither read nor write",
                "rows that are neither read nor write",
                "left out",
            ),
            (self.empty, "request of no bytes", "requests of no bytes", "left out"),
            (self.not_events, "line that is no event", "lines that are no events", "passed over"),
        ];
        for (n, one, many, what) in counted {
            if n > 0 {
                notes.push(format!("{} {} {what}", grouped(n), if n == 1 { one } else { many }));
            }
        }
        if disorder > 0 {
            notes.push(format!("not in time order ({} steps back): sorted", grouped(disorder)));
        }
        if self.devices.len() > 1 {
            let n = grouped(self.devices.len() as u64);
            notes.push(format!("{n} devices: replay overlays their addresses on one volume"));
        }
        notes.extend(self.coarse_clock());
        notes
    }

    /// A clock that ticks less often than requests come hides how they bunch.
    fn coarse_clock(&self) -> Option<String> {
        let first = self.rows.first()?.0;
        let span = self.rows.last()?.0.abs_diff(first);
        let tick = self.rows.iter().fold(0, |tick, r| gcd(tick, r.0.abs_diff(first)));
        let per_tick = self.rows.len() as f64 / (span / tick.max(1) + 1) as f64;
        (per_tick > 1.0 && tick > 1_000_000).then(|| {
            let tick = SimDuration::from_ps(tick).secs();
            format!("coarse clock: times are multiples of {tick} s, {per_tick:.1} requests a tick on average")
        })
    }
}

fn gcd(mut a: u64, mut b: u64) -> u64 {
    while b > 0 {
        (a, b) = (b, a % b);
    }
    a
}

/// Marks requests that start where one of the 32 before, of the same device and operation, ended.
fn mark_sequential(records: &mut [TraceRecord], devices: usize) {
    const STREAMS: usize = 32;
    // Ends of recent requests, and the place of the oldest; no request ends at 0.
    let mut recent = vec![([0u64; STREAMS], 0usize); 2 * (devices + 1)];
    for record in records {
        let of_write = usize::from(record.operation == Operation::Write);
        let slot = (2 * usize::from(record.device) + of_write).min(recent.len() - 1);
        let (ends, oldest) = &mut recent[slot];
        record.sequential = record.address > 0 && ends.contains(&record.address);
        ends[*oldest] = record.address + u64::from(record.bytes);
        *oldest = (*oldest + 1) % STREAMS;
    }
}

/// 1234567 → `1,234,567`.
pub(super) fn grouped(n: u64) -> String {
    let digits = n.to_string();
    let mut out = String::with_capacity(digits.len() + digits.len() / 3);
    for (i, c) in digits.chars().enumerate() {
        if i > 0 && (digits.len() - i).is_multiple_of(3) {
            out.push(',');
        }
        out.push(c);
    }
    out
}

/// A whole number, or why not. `what` names it: "the offset".
pub(super) fn whole(text: &str, what: &str, unit: &str) -> Result<u64, Complaint> {
    text.parse().map_err(|_| {
        Complaint::new(
            format!("{what} is {}", quoted(text)),
            format!("a whole number of {unit}"),
            "check that the line is whole and the layout is the one stated",
        )
    })
}

/// A time in units of `ps_per_unit` picoseconds, exact to the picosecond in plain decimal notation.
pub(super) fn time_ps(text: &str, ps_per_unit: u64, unit: &str) -> Result<i128, Complaint> {
    decimal_ps(text, ps_per_unit).or_else(|| scientific_ps(text, ps_per_unit)).ok_or_else(|| {
        Complaint::new(
            format!("the time is {}", quoted(text)),
            format!("a number of {unit}, not negative"),
            "check that the line is whole and the layout is the one stated",
        )
    })
}

fn decimal_ps(text: &str, ps_per_unit: u64) -> Option<i128> {
    let (whole, fraction) = text.split_once('.').unwrap_or((text, ""));
    let digits = |s: &str| s.bytes().all(|b| b.is_ascii_digit());
    if whole.is_empty() || whole.len() > 20 || !digits(whole) || !digits(fraction) {
        return None;
    }
    let mut ps = whole.parse::<i128>().ok()?.checked_mul(i128::from(ps_per_unit))?;
    let mut place = ps_per_unit;
    for digit in fraction.bytes() {
        place /= 10;
        ps += i128::from(digit - b'0') * i128::from(place);
    }
    Some(ps)
}

fn scientific_ps(text: &str, ps_per_unit: u64) -> Option<i128> {
    let value: f64 = text.parse().ok()?;
    (text.contains(['e', 'E']) && value.is_finite() && value >= 0.0)
        .then(|| (value * ps_per_unit as f64).round() as i128)
}
