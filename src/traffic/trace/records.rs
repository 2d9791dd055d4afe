//! The binary layout scsi-records: 32-byte little-endian records of a virtual SCSI disk, no header.
//!
//! | bytes | field |
//! | --- | --- |
//! | 0–3 | serial number (not used) |
//! | 4–7 | length, bytes |
//! | 8–11 | scatter-gather elements (not used) |
//! | 12–13 | SCSI command (READ and WRITE of 6, 10, 12 and 16 bytes; SBC-3) |
//! | 14–15 | record version, 256 |
//! | 16–23 | logical block, of 512 bytes |
//! | 24–31 | time stamp, microseconds, any origin |

use super::collect::{Collector, Row};
use super::error::Complaint;
use super::input::Input;
use crate::scenario::Operation;

const RECORD: usize = 32;
const VERSION: u16 = 256;

fn u16_at(record: &[u8; RECORD], at: usize) -> u16 {
    u16::from_le_bytes([record[at], record[at + 1]])
}

fn number(record: &[u8; RECORD], at: usize, bytes: usize) -> u64 {
    record[at..at + bytes].iter().rev().fold(0, |n, b| n << 8 | u64::from(*b))
}

/// Whether the head is such records: up to eight of them, all with the version.
pub(super) fn looks_like(head: &[u8]) -> bool {
    let mut records = head.chunks_exact(RECORD).take(8).peekable();
    records.peek().is_some() && records.all(|r| r[14..16] == VERSION.to_le_bytes())
}

/// Reads a whole file of this kind.
pub(super) fn read(input: &mut Input, mut collector: Collector) -> Result<Collector, Complaint> {
    let mut record = [0; RECORD];
    loop {
        match input.record(&mut record)? {
            0 => return Ok(collector),
            RECORD => collector.add(row(&record)?)?,
            part => {
                let text = format!("the last record is cut short ({part} of {RECORD} bytes): left out");
                collector.remarks.push(text);
                return Ok(collector);
            }
        }
    }
}

fn row(record: &[u8; RECORD]) -> Result<Row<'static>, Complaint> {
    let version = u16_at(record, 14);
    if version != VERSION {
        return Err(Complaint::new(
            format!("the record's version is {version}"),
            "256 in every record",
            "the file is another layout, or damaged: state the layout, or fetch it again",
        ));
    }
    let operation = match u16_at(record, 12) {
        0x08 | 0x28 | 0x88 | 0xA8 => Operation::Read,
        0x0A | 0x2A | 0x8A | 0xAA => Operation::Write,
        0x35 | 0x91 => return Ok(Row::Flush),
        0x42 => return Ok(Row::Discard),
        _ => return Ok(Row::Other),
    };
    Ok(Row::Request {
        time_ps: i128::from(number(record, 24, 8)) * 1_000_000,
        device: "",
        operation,
        address: number(record, 16, 8).saturating_mul(512),
        bytes: number(record, 4, 4),
    })
}
