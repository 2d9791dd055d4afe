//! One replication's model: traffic asks, the path answers, the recorder keeps.
//!
//! This is where the engine's questions are handed to the rooms that know, and where a finished
//! request is filed under its class and operation.

use crate::engine::{Arrival, Cell, Model, Part, Route, SimDuration, SimTime};
use crate::measure::{BlameTable, Latencies, Population};
use crate::scenario::Operation;
use crate::system::{Body, Path, StorageToken};
use crate::traffic::Sources;

/// What a replication keeps of its requests.
pub(super) struct Recorder {
    /// Requests due from here on are measured.
    pub from: SimTime,
    /// Requests due from here on are not; `NEVER` until the end is fixed.
    pub to: SimTime,
    /// By class and operation (class × 2 + operation).
    pub latencies: Vec<Latencies>,
    /// Likewise.
    pub blame: Vec<BlameTable>,
    /// By class: by machine and operation (machine × 2 + operation), where an objective wants them.
    pub machines: Vec<Vec<Latencies>>,
    /// Measured requests in the system.
    pub population: Population,
    /// The same by class and operation.
    pub out: Vec<u64>,
    /// Requests that finished while the window was open, and their bytes, by operation.
    pub finished: [u64; 2],
    pub finished_bytes: [u64; 2],
    /// Latencies over time, for the pilot.
    pub series: Option<Series>,
    /// No more is measured; the run waits for what is out.
    draining: bool,
}

/// Sums of latency by the time at which requests were due.
#[derive(Clone, Debug)]
pub(super) struct Series {
    pub bin: SimDuration,
    pub sums: Vec<f64>,
    pub counts: Vec<u64>,
}

impl Recorder {
    pub fn new(classes: usize, groups: usize, machines: Vec<Vec<Latencies>>) -> Self {
        Recorder {
            from: SimTime::ZERO,
            to: SimTime::NEVER,
            latencies: (0..2 * classes).map(|_| Latencies::new()).collect(),
            blame: (0..2 * classes).map(|_| BlameTable::new(groups)).collect(),
            machines,
            population: Population::default(),
            out: vec![0; 2 * classes],
            finished: [0; 2],
            finished_bytes: [0; 2],
            series: None,
            draining: false,
        }
    }

    /// Fixes the end of the window: what is due later is not measured.
    pub fn close(&mut self, end: SimTime) {
        self.to = end;
        self.draining = true;
    }

    #[inline]
    fn measures(&self, due: SimTime) -> bool {
        due >= self.from && due < self.to
    }

    fn file(&mut self, token: &StorageToken, row: &[Cell], now: SimTime) {
        let (class, operation) = (usize::from(token.class), token.body.operation());
        let place = place(class, operation);
        let operation = operation as usize;
        if self.measures(now) {
            self.finished[operation] += 1;
            self.finished_bytes[operation] += u64::from(token.amount);
        }
        if !self.measures(token.born) {
            return;
        }
        self.population.leave(now);
        let latency = now.since(token.born).ps();
        self.out[place] -= 1;
        self.latencies[place].record(latency);
        self.blame[place].add(latency, row);
        if let Some(machine) = self.machines[class].get_mut(2 * token.body.machine() as usize + operation) {
            machine.record(latency);
        }
        if let Some(series) = &mut self.series {
            series.add(token.born.since(self.from), latency);
        }
    }
}

impl Series {
    pub fn new(bin: SimDuration, bins: usize) -> Self {
        Series { bin, sums: vec![0.0; bins], counts: vec![0; bins] }
    }

    fn add(&mut self, due: SimDuration, latency: u64) {
        let bin = (due.ps() / self.bin.ps().max(1)) as usize;
        if let Some(sum) = self.sums.get_mut(bin) {
            *sum += latency as f64;
            self.counts[bin] += 1;
        }
    }
}

/// Traffic, path and recorder of one replication.
pub(super) struct Scene {
    pub traffic: Sources,
    pub path: Path,
    pub recorder: Recorder,
}

impl Model for Scene {
    type Body = Body;

    fn arrive(&mut self, source: u32, now: SimTime) -> Arrival<Body> {
        if let Some(background) = self.path.arrive(source) {
            return background;
        }
        let (request, next) = self.traffic.arrive(source, now);
        if self.recorder.measures(now) {
            self.recorder.population.enter(now);
            self.recorder.out[place(usize::from(request.class), request.operation)] += 1;
        }
        let route: Route = self.path.plan().route(&request);
        Arrival {
            key: request.key,
            class: request.class,
            route,
            amount: request.bytes,
            members: self.path.members(&request),
            body: Body::of(&request),
            next,
        }
    }

    #[inline]
    fn service(&mut self, demand: u32, token: &StorageToken) -> SimDuration {
        self.path.service(demand, token)
    }

    #[inline]
    fn pick(&mut self, question: u16, token: &StorageToken) -> u32 {
        self.path.pick(question, token)
    }

    #[inline]
    fn ask(&mut self, question: u32, token: &mut StorageToken) -> u32 {
        self.path.ask(question, token)
    }

    fn fork(&mut self, question: u32, token: &StorageToken, parts: &mut Vec<Part<Body>>) {
        self.path.fork(question, token, parts);
    }

    fn finish(&mut self, token: &StorageToken, row: &[Cell], now: SimTime) -> Option<(u32, SimTime)> {
        if token.body.is_background() {
            // Nobody asked for it: it is not filed.
            return self.path.finished(token, now);
        }
        self.recorder.file(token, row, now);
        let source = token.body.source;
        self.traffic.finished(token.class, source, now).map(|at| (source, at))
    }

    #[inline]
    fn is_done(&self) -> bool {
        self.recorder.draining && self.recorder.population.count() == 0
    }
}

/// Place of a class and operation in the recorder's tables.
pub(super) fn place(class: usize, operation: Operation) -> usize {
    2 * class + operation as usize
}
