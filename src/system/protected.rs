//! The protected part of the path of one replication: plans by stripes, bytes, and the rebuild stream.
//!
//! Bytes are counted twice: by the arithmetic of the plan when a round begins, and fragment by fragment
//! where it reaches its drive. The audit holds one against the other. What is lost comes from the conditions in
//! force; stripes that are being restored when their rebuild ends are finished.

use crate::engine::{Arrival, Key, Part, Purpose, SimDuration, SimTime};
use crate::scenario::{Operation, Rebuilding};

use super::body::{BACKGROUND, Body, DRIVE, PORT, StorageToken, UNIT};
use super::condition::Conditions;
use super::demand::question;
use super::destage::Destage;
use super::layout::{Planner, Request, Stored, fragments};
use super::plan::Plan;

const COPY: Purpose = Purpose::named("copy");
const MAP: Purpose = Purpose::named("map entry");
/// Number of the key of a token's second round: fragments have smaller ones.
const NEXT_ROUND: u64 = 1 << 32;
/// Sources of one stream are fewer (`fault.NAME.window`).
const SOURCES: u32 = 1 << 11;
/// Stripes looked at for one whose spare room is not lost too.
const TRIES: u64 = 10_000;

/// What protection has done in one replication.
#[derive(Clone, Debug, Default)]
pub struct Protected {
    planner: Planner,
    /// Whose plan the planner holds, and of which round: that follows the question about it at once.
    planned_for: Option<(Key, bool)>,
    /// Bytes that requests cover, stripe by stripe, by the request's operation.
    pub touched: [u64; 2],
    /// Bytes of drive reads and writes, by the arithmetic of the plans.
    pub planned: [u64; 2],
    /// Bytes of the rebuild alone that reached the drives, by drive operation.
    pub rebuilt: [u64; 2],
    /// Bytes of a chunk, and what rebuilds draw from.
    chunk: u64,
    key: Key,
    /// The rebuild that runs, and those that have begun in all.
    stream: Option<Stream>,
    streams: Vec<u32>,
    started: u64,
    finished: u64,
}

/// The stripes that are being restored, a fixed number at once.
#[derive(Clone, Debug)]
struct Stream {
    /// Number of its fault.
    fault: usize,
    key: Key,
    window: u32,
    /// From the start of one stripe to that of the next, at least.
    spacing: SimDuration,
    next: u64,
    next_at: SimTime,
}

impl Protected {
    /// Nothing done yet, nothing lost. Rebuilds restore chunks of so many bytes and draw from `key`; of mirrors
    /// the requests at each of so many drives are counted.
    pub fn new(chunk: u64, mirrored_drives: u32, key: Key) -> Self {
        let mut protected = Protected { chunk, key, ..Protected::default() };
        protected.planner.count_at(mirrored_drives);
        protected
    }

    /// Plans under these conditions from now on; a rebuild among them begins, one that is over ends. Sources of
    /// the new one, and when each starts its first stripe.
    pub(super) fn suffer(&mut self, conditions: &Conditions, now: SimTime) -> Vec<(u32, SimTime)> {
        self.planner.suffer(conditions.losses());
        self.planned_for = None;
        let rebuilding = conditions.rebuilding();
        if rebuilding.map(|(fault, _)| fault) == self.stream.as_ref().map(|stream| stream.fault) {
            return Vec::new();
        }
        self.stream = rebuilding.map(|(fault, rebuilding)| self.stream_of(fault, &rebuilding, now));
        let Some(stream) = &self.stream else { return Vec::new() };
        let first = (self.streams.len() as u32 - 1) * SOURCES;
        let sources = first..first + stream.window;
        sources.filter_map(|source| self.next_stripe(source | BACKGROUND, now)).collect()
    }

    fn stream_of(&mut self, fault: usize, rebuilding: &Rebuilding, now: SimTime) -> Stream {
        let begun = self.streams.len() as u64;
        self.streams.push(rebuilding.drive);
        let spacing = |rate: f64| SimDuration::from_secs(self.chunk as f64 / rate);
        Stream {
            fault,
            // Stripes of the first are numbered from 0, and they are fewer than that.
            key: if begun == 0 { self.key } else { self.key.numbered(begun << 40) },
            window: rebuilding.window,
            spacing: rebuilding.rate.map_or(SimDuration::ZERO, spacing),
            next: 0,
            next_at: now,
        }
    }

    /// Whether a source of background work belongs to the rebuild that runs.
    pub fn goes_on(&self, source: u32) -> bool {
        self.stream.is_some() && self.number_of(source) + 1 == self.streams.len()
    }

    /// Which of all rebuilds a source belongs to.
    fn number_of(&self, source: u32) -> usize {
        ((source & !BACKGROUND) / SOURCES) as usize
    }

    /// When a source may start its next stripe.
    fn next_stripe(&mut self, source: u32, now: SimTime) -> Option<(u32, SimTime)> {
        let stream = self.stream.as_mut()?;
        let at = now.max(stream.next_at);
        stream.next_at = at + stream.spacing;
        Some((source, at))
    }

    /// A stripe is restored.
    pub fn finished(&mut self, source: u32, now: SimTime) -> Option<(u32, SimTime)> {
        self.finished += 1;
        if self.goes_on(source) { self.next_stripe(source, now) } else { None }
    }

    /// Stripes that were begun, and those that are restored.
    pub fn stripes(&self) -> (u64, u64) {
        (self.started, self.finished)
    }

    /// The next stripe to restore, as an arrival of background work.
    pub fn arrive(&mut self, plan: &Plan, source: u32) -> Option<Arrival<Body>> {
        let (stream, placement, route) = (self.stream.as_mut()?, plan.placement()?, plan.rebuild?);
        let layout = plan.layout.as_ref()?;
        let restored = *self.streams.last()?;
        for number in stream.next..stream.next + TRIES {
            self.planner.plan_rebuild(layout, placement, (number, restored), false);
            stream.next = number + 1;
            if !self.planner.writes.is_empty() {
                break;
            }
        }
        self.started += 1;
        let number = stream.next - 1;
        let key = stream.key.numbered(number);
        self.planned_for = Some((key, false));
        let mut members = [0; 3];
        members[PORT] = (number % plan.ports()) as u32;
        members[UNIT] = coded(&self.planner);
        Some(Arrival {
            key,
            class: 0,
            route,
            amount: layout.chunk as u32,
            members,
            body: Body::background(source, number),
            next: None,
        })
    }

    /// How many steps a token leaves out.
    pub fn ask(&mut self, plan: &Plan, destage: &Destage, asked: u32, token: &mut StorageToken) -> u32 {
        match asked {
            question::PLAN_READ => {
                self.plan(plan, destage, token, false);
                token.members[UNIT] = coded(&self.planner);
                0
            }
            question::PLAN_STRIPE => {
                self.plan(plan, destage, token, true);
                token.members[UNIT] = coded(&self.planner);
                0
            }
            question::PLAN_WRITE => {
                self.plan(plan, destage, token, true);
                token.members[UNIT] = coded(&self.planner);
                if self.planner.reads.is_empty() { 2 } else { 0 }
            }
            question::NEXT_ROUND => {
                token.key = token.key.numbered(NEXT_ROUND);
                0
            }
            _ => u32::from(token.members[UNIT] == 0),
        }
    }

    /// Cuts a round.
    pub fn fork(
        &mut self,
        plan: &Plan,
        destage: &Destage,
        asked: u32,
        token: &StorageToken,
        parts: &mut Vec<Part<Body>>,
    ) {
        let drives = if asked == question::READS { Operation::Read } else { Operation::Write };
        self.plan(plan, destage, token, drives == Operation::Write);
        let (sums, operation) = (self.planner.sums, token.body.operation());
        let (pieces, bytes) = match drives {
            Operation::Read => (&self.planner.reads, sums.read),
            Operation::Write => (&self.planner.writes, sums.written),
        };
        self.planned[drives as usize] += bytes;
        if operation == drives && !token.body.is_background() && plan.stripes.is_none() {
            self.touched[operation as usize] += sums.touched;
        }
        fragments(pieces, token, parts);
    }

    /// The drive read of an entry of the block map, which lies anywhere.
    pub fn look_up(&mut self, plan: &Plan, token: &StorageToken, parts: &mut Vec<Part<Body>>) {
        let (Some(layout), Some(placement), Some(stripes)) = (&plan.layout, plan.placement(), &plan.stripes)
        else {
            return;
        };
        let (stripe, chunk) = stripes.place(token.key, token.key.draws(MAP).bits());
        let entry = Stored { stripe, chunk, offset: 0, bytes: 4096 };
        self.planned_for = None;
        self.planner.begin(layout);
        self.planner.read_stored(placement, &entry, token.key.draws(COPY).bits());
        self.planned[Operation::Read as usize] += self.planner.sums.read;
        fragments(&self.planner.reads, token, parts);
    }

    /// A fragment is at its drive.
    pub fn at_drive(&mut self, operation: Operation, token: &StorageToken) {
        if token.body.is_rebuild() {
            self.rebuilt[operation as usize] += u64::from(token.amount);
        }
        self.planner.comes_to(token.members[DRIVE]);
    }

    /// A fragment is done there: told of mirrors alone.
    pub fn left_drive(&mut self, token: &StorageToken) {
        self.planner.leaves(token.members[DRIVE]);
    }

    fn plan(&mut self, plan: &Plan, destage: &Destage, token: &StorageToken, writes: bool) {
        // In place one plan holds both rounds; a full stripe is another matter than what is read for it.
        let round = (token.key, writes && plan.stripes.is_some());
        if self.planned_for.replace(round) == Some(round) {
            return;
        }
        let (Some(layout), Some(placement)) = (&plan.layout, plan.placement()) else { return };
        let operation = token.body.operation();
        if token.body.is_rebuild() {
            let number = self.number_of(token.body.source);
            let restored = self.streams.get(number).copied().unwrap_or_default();
            self.planner.plan_rebuild(layout, placement, (token.body.address, restored), true);
            return;
        }
        if token.body.is_job() || (plan.stripes.is_some() && operation == Operation::Write) {
            destage.plan(plan, &mut self.planner, token, writes);
            return;
        }
        let copy = token.key.draws(COPY).bits();
        let (class, machine, bytes) = (token.class, token.body.machine(), u64::from(token.amount));
        if plan.stripes.is_some() {
            plan.read_blocks(&mut self.planner, (class, machine), token.body.address, bytes, copy);
            return;
        }
        let request = Request { operation, class, machine, address: token.body.address, bytes, copy };
        self.planner.plan(layout, placement, &request);
    }
}

/// Bytes for the processor, as a slot of a token holds them.
fn coded(planner: &Planner) -> u32 {
    planner.sums.coded.min(u64::from(u32::MAX)) as u32
}
