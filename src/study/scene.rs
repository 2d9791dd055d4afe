//! One replication's model: traffic asks, the path answers, the recorder keeps.
//!
//! This is where the engine's questions are handed to the rooms that know, and where a finished
//! request is filed under its class and operation.

use crate::engine::{Arrival, Cell, Model, Part, Route, SimDuration, SimTime};
use crate::measure::{BlameTable, Latencies, Point, Population};
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
    /// Machines told apart, where objectives want them.
    pub machines: Vec<OfMachines>,
    /// What is kept by period, in a run with dates.
    pub periods: Option<ByPeriod>,
    /// And over time.
    pub points: Option<Points>,
    /// Measured requests in the system.
    pub population: Population,
    /// The same by class and operation.
    pub out: Vec<u64>,
    /// Requests that finished while the window was open, by class and operation.
    pub finished: Vec<u64>,
    /// Their bytes, by operation.
    pub finished_bytes: [u64; 2],
    /// Latencies over time, for the pilot.
    pub series: Option<Series>,
    /// No more is measured; the run waits for what is out.
    draining: bool,
}

/// Latencies of the machines of a class.
#[derive(Clone, Debug)]
pub(super) struct OfMachines {
    pub class: usize,
    /// Which periods count; all, in a run without dates.
    pub periods: Option<Vec<bool>>,
    /// By machine and operation (machine × 2 + operation); none before the first request: a histogram takes 16 KiB.
    pub latencies: Vec<Option<Box<Latencies>>>,
}

/// Latencies by the period in which requests were due.
#[derive(Clone, Debug)]
pub(super) struct ByPeriod {
    /// When each begins.
    starts: Vec<SimTime>,
    /// By period, then class and operation.
    pub latencies: Vec<Vec<Latencies>>,
    /// Measured requests in the system, likewise.
    pub out: Vec<Vec<u64>>,
}

/// Figures over time.
#[derive(Clone, Debug)]
pub(super) struct Points {
    pub from: SimTime,
    pub step: SimDuration,
    pub list: Vec<Point>,
}

/// Sums of latency by the time at which requests were due.
#[derive(Clone, Debug)]
pub(super) struct Series {
    pub bin: SimDuration,
    pub sums: Vec<f64>,
    pub counts: Vec<u64>,
}

impl Recorder {
    pub fn new(classes: usize, groups: usize, machines: Vec<OfMachines>) -> Self {
        Recorder {
            from: SimTime::ZERO,
            to: SimTime::NEVER,
            latencies: (0..2 * classes).map(|_| Latencies::new()).collect(),
            blame: (0..2 * classes).map(|_| BlameTable::new(groups)).collect(),
            machines,
            periods: None,
            points: None,
            population: Population::default(),
            out: vec![0; 2 * classes],
            finished: vec![0; 2 * classes],
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

    /// A request comes.
    #[inline]
    fn enter(&mut self, place: usize, now: SimTime) {
        if !self.measures(now) {
            return;
        }
        self.population.enter(now);
        self.out[place] += 1;
        if let Some(periods) = &mut self.periods {
            let period = periods.of(now);
            periods.out[period][place] += 1;
        }
    }

    fn file(&mut self, token: &StorageToken, row: &[Cell], now: SimTime) {
        let (class, operation) = (usize::from(token.class), token.body.operation());
        let place = place(class, operation);
        let operation = operation as usize;
        if self.measures(now) {
            self.finished[place] += 1;
            self.finished_bytes[operation] += u64::from(token.amount);
            if let Some(point) = self.points.as_mut().and_then(|points| points.at(now)) {
                point.finished += 1;
            }
        }
        if !self.measures(token.born) {
            return;
        }
        self.population.leave(now);
        let latency = now.since(token.born).ps();
        self.out[place] -= 1;
        self.latencies[place].record(latency);
        self.blame[place].add(latency, row);
        let period = self.periods.as_mut().map(|periods| {
            let period = periods.of(token.born);
            periods.out[period][place] -= 1;
            periods.latencies[period][place].record(latency);
            period
        });
        if let Some(point) = self.points.as_mut().and_then(|points| points.at(token.born)) {
            point.record(latency);
        }
        for table in self.machines.iter_mut().filter(|table| table.class == class) {
            // A pilot has no periods.
            let counts = match (&table.periods, period) {
                (Some(counts), Some(period)) => counts[period],
                (periods, _) => periods.is_none(),
            };
            if counts {
                let own = &mut table.latencies[2 * token.body.machine() as usize + operation];
                own.get_or_insert_default().record(latency);
            }
        }
        if let Some(series) = &mut self.series {
            series.add(token.born.since(self.from), latency);
        }
    }
}

impl ByPeriod {
    /// Nothing yet, of periods that begin at these instants.
    pub fn new(starts: Vec<SimTime>, places: usize) -> Self {
        let latencies = starts.iter().map(|_| (0..places).map(|_| Latencies::new()).collect()).collect();
        ByPeriod { latencies, out: vec![vec![0; places]; starts.len()], starts }
    }

    /// Latencies of these periods and places together; requests that were given up count as above.
    pub fn pooled(&self, periods: &[usize], places: &[usize]) -> Latencies {
        let mut pooled = Latencies::new();
        for period in periods {
            places.iter().for_each(|place| pooled.merge(&self.latencies[*period][*place]));
            pooled.add_survivors(places.iter().map(|place| self.out[*period][*place]).sum());
        }
        pooled
    }

    /// The period of an instant; the first has all that came before it.
    #[inline]
    fn of(&self, due: SimTime) -> usize {
        self.starts.partition_point(|start| *start <= due).saturating_sub(1)
    }
}

impl Points {
    /// Points of `step` each from an instant on, for so long.
    pub fn new(from: SimTime, step: SimDuration, length: SimDuration) -> Self {
        let count = length.ps().div_ceil(step.ps().max(1)) as usize;
        Points { from, step, list: vec![Point::default(); count] }
    }

    /// The edges of all points, the first one last; that of the last point is `end`.
    pub fn edges(&self, end: SimTime) -> Vec<SimTime> {
        let edge =
            |n: usize| (self.from + SimDuration::from_ps(self.step.ps().saturating_mul(n as u64))).min(end);
        (0..=self.list.len()).rev().map(edge).collect()
    }

    #[inline]
    fn at(&mut self, now: SimTime) -> Option<&mut Point> {
        let place = now.since(self.from).ps() / self.step.ps().max(1);
        self.list.get_mut(place as usize)
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
        self.recorder.enter(place(usize::from(request.class), request.operation), now);
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

    fn begin(&mut self, demand: u32, token: &StorageToken, now: SimTime) -> SimDuration {
        self.path.begin(demand, token, now)
    }

    fn rank(&mut self, demand: u32, token: &StorageToken, now: SimTime) -> u64 {
        self.path.rank(demand, token, now)
    }

    #[inline]
    fn pick(&mut self, question: u16, token: &StorageToken) -> u32 {
        self.path.pick(question, token)
    }

    #[inline]
    fn ask(&mut self, question: u32, token: &mut StorageToken, now: SimTime) -> u32 {
        self.path.ask(question, token, now)
    }

    fn quantity(&mut self, question: u16, token: &StorageToken) -> u64 {
        self.path.quantity(question, token)
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
