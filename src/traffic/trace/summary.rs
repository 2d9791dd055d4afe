//! The main figures of a trace.

use super::{Trace, TraceRecord};
use crate::scenario::Operation;

/// Main figures of a trace's reads and writes.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct TraceSummary {
    /// Reads and writes.
    pub requests: u64,
    /// Share of requests that read.
    pub read_fraction: f64,
    /// Share of bytes that are read.
    pub read_fraction_bytes: f64,
    /// Mean size, bytes.
    pub size_mean: f64,
    /// Requests per second: requests ÷ span.
    pub mean_iops: f64,
    /// From the first request to the last, seconds.
    pub span_s: f64,
    /// Distinct 4 KiB blocks touched (by device) × 4096, bytes.
    pub footprint_bytes: u64,
    /// Share of requests that start where one of the 32 before them, of the same device and
    /// operation, ended.
    pub sequential_fraction: f64,
}

pub(super) fn summarise(trace: &Trace) -> TraceSummary {
    let records = trace.records();
    let requests = records.len() as f64;
    let is_read = |r: &&TraceRecord| r.operation == Operation::Read;
    let bytes = |r: &TraceRecord| u64::from(r.bytes);
    let all_bytes: u64 = records.iter().map(bytes).sum();
    let read_bytes: u64 = records.iter().filter(is_read).map(bytes).sum();
    let span_s = trace.span().secs();
    TraceSummary {
        requests: records.len() as u64,
        read_fraction: records.iter().filter(is_read).count() as f64 / requests,
        read_fraction_bytes: read_bytes as f64 / all_bytes as f64,
        size_mean: all_bytes as f64 / requests,
        mean_iops: requests / span_s,
        span_s,
        footprint_bytes: footprint_blocks(records) * 4096,
        sequential_fraction: records.iter().filter(|r| r.sequential).count() as f64 / requests,
    }
}

/// Blocks in the union of all requests, device by device: sorted intervals, merged, so that memory
/// goes with the requests and not with the blocks.
fn footprint_blocks(records: &[TraceRecord]) -> u64 {
    let mut touched: Vec<(u16, u64, u64)> = records
        .iter()
        .map(|r| (r.device, r.address / 4096, (r.address + u64::from(r.bytes) - 1) / 4096 + 1))
        .collect();
    touched.sort_unstable();
    let (mut blocks, mut device, mut end) = (0, u16::MAX, 0);
    for (d, first, past) in touched {
        if d != device {
            (device, end) = (d, 0);
        }
        blocks += past.max(end) - first.max(end);
        end = end.max(past);
    }
    blocks
}
