//! Replaying a trace: each machine is a source that asks what the trace asked, when it asked it.
//!
//! A trace that repeats is laid round a circle whose length is its span and one mean gap; each
//! machine (and replication) starts at its own keyed point of that circle, so that many machines on
//! one trace do not move in step. One that does not repeat plays once, from its start.

use std::sync::Arc;

use super::arrivals::{Asker, after};
use super::body::Ask;
use super::trace::Trace;
use crate::engine::{Key, Purpose, SimDuration, SimTime};

const START: Purpose = Purpose::named("start");

/// The machines of a class that replay one trace.
#[derive(Clone, Debug)]
pub(super) struct Replay {
    machines: Key,
    trace: Arc<Trace>,
    speed: f64,
    repeat: bool,
    /// Length of the circle, in picoseconds of the trace.
    circle: u64,
    heads: Vec<Head>,
}

/// Where a machine stands in the trace.
#[derive(Clone, Copy, Debug)]
struct Head {
    /// Its time 0, in picoseconds of the trace, and the first record from there on.
    start: u64,
    first: u64,
    /// Requests made so far.
    number: u64,
}

impl Replay {
    pub(super) fn new(machines: Key, count: u32, trace: Arc<Trace>, speed: f64, repeat: bool) -> Self {
        let circle = trace.circle().ps();
        let heads = (0..count)
            .map(|machine| {
                if !repeat {
                    return Head { start: 0, first: 0, number: 0 };
                }
                let start = machines.numbered(u64::from(machine)).draws(START).below(circle);
                let first = trace.records().partition_point(|r| r.at.ps() < start) as u64;
                Head { start, first, number: 0 }
            })
            .collect();
        Replay { machines, trace, speed, repeat, circle, heads }
    }

    /// Time of the machine's next request.
    fn next(&self, machine: u32) -> Option<SimTime> {
        let head = self.heads[machine as usize];
        let records = self.trace.records();
        let index = head.first + head.number;
        let lap = index / records.len() as u64;
        if lap > 0 && !self.repeat {
            return None;
        }
        let record = records.get((index % records.len() as u64) as usize)?;
        let run = u128::from(lap) * u128::from(self.circle) + u128::from(record.at.ps());
        let played = (run - u128::from(head.start)) as f64 / self.speed;
        after(SimTime::ZERO, SimDuration::from_ps_f64(played))
    }

    pub(super) fn first(&self, machine: u32) -> Option<SimTime> {
        self.next(machine)
    }

    #[inline]
    pub(super) fn arrive(&mut self, machine: u32) -> (Asker, Ask, Option<SimTime>) {
        let head = &mut self.heads[machine as usize];
        let records = self.trace.records();
        let record = records[((head.first + head.number) % records.len() as u64) as usize];
        let key = self.machines.numbered(u64::from(machine)).numbered(head.number);
        head.number += 1;
        let ask = Ask {
            operation: record.operation,
            sequential: record.sequential,
            address: record.address,
            bytes: record.bytes,
        };
        (Asker { key, machine }, ask, self.next(machine))
    }

    /// Mean requests per second of all machines while they play.
    pub(super) fn rate(&self) -> f64 {
        let circle = SimDuration::from_ps(self.circle).secs();
        self.trace.records().len() as f64 / circle * self.speed * self.heads.len() as f64
    }
}
