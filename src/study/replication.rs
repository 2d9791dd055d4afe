//! One replication: a kernel with its scene, its window, and what was seen at the window's edges.

use std::sync::Arc;
use std::sync::atomic::{AtomicBool, Ordering};

use crate::engine::{Group, Kernel, Key, Observation, SimDuration, SimTime, Stop};
use crate::measure::Watch;
use crate::system::{BUFFERS, Levels, Path};
use crate::traffic::Sources;

use super::scene::{ByPeriod, Points, Recorder, Scene};
use super::setting::Setting;

/// Events between two looks at whether the user has interrupted: at least a tenth of a second's work.
const STRIDE_EVENTS: u64 = 1 << 20;

/// Part of the window for which an interrupted run waits for its last requests: one in so many.
const SOON: u64 = 20;

/// Unit in which the log is read, bytes.
const LOG_BLOCK: u64 = 4096;

/// One replication, which can be extended until it is closed.
pub(super) struct Replication {
    pub kernel: Kernel<Scene>,
    pub opened: Option<Observation>,
    pub closed: Option<Observation>,
    /// The group of the gates of drives' write buffers, by its place.
    buffers: Option<usize>,
    /// What had gone to the drives when the window opened and closed.
    edges: [Edge; 2],
    /// Bytes that had been written to each drive then.
    written: [Vec<u64>; 2],
    /// Backlog at the start of the window and at moments in it, and the deferred stocks, in blocks of the log.
    readings: Vec<(SimTime, [u64; 3])>,
    /// By station: time that it has been busy in the first halves of what was measured, and in the second ones, ps.
    folds: [Vec<f64>; 2],
    /// Work done by each station until the last quarter ended, ps.
    done: Vec<u64>,
    /// What the log held when the window opened, and at the last reading, bytes.
    level: [u64; 2],
    /// In a run with dates: what was seen at the edges of the points in time, and edges still to come.
    pub samples: Vec<Sample>,
    edges_to_come: Vec<SimTime>,
    pub stop: Stop,
    /// What the audit needs of a kernel that has been closed.
    pub end: Option<End>,
}

/// What had gone to the drives at an edge of the window.
#[derive(Clone, Copy, Default)]
struct Edge {
    /// Bytes of fragments, by operation.
    fragments: [u64; 2],
    /// Of these, what a rebuild moved.
    rebuilt: [u64; 2],
    /// Stripes that a rebuild had begun: they arrive as requests do, and are none.
    stripes: u64,
    /// Bytes at each level between log and drives.
    levels: Levels,
    /// Bytes of flash programmed, and of these by the drives' own cleaners.
    flash: [u64; 2],
    /// Bytes read ahead of streams.
    prefetched: u64,
    /// Time that stripes have been on their way from the log, ps.
    destaging: u128,
    /// Bytes that drives hold in their write buffers, and bytes that came to drives.
    buffered: u64,
    written: u64,
}

/// What was seen at an edge of a point in time.
pub(super) struct Sample {
    /// By group: time that its servers have been busy since the start, ps.
    pub busy: Vec<u128>,
    /// Requests in the system.
    pub backlog: u64,
    /// How full the write log is, if there is one.
    pub log_fill: Option<f64>,
}

/// What is put off until later, by its place among the readings.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(super) enum Stock {
    /// What waits in the log for the drives.
    Log = 1,
    /// What the layout's garbage collection has yet to move.
    Debt = 2,
}

/// By station: work done since time zero, ps.
fn done(seen: &Observation) -> Vec<u64> {
    seen.stations
        .iter()
        .zip(&seen.residual)
        .map(|(station, left)| station.booked.wrapping_sub(*left))
        .collect()
}

/// What a kernel knew when it was closed.
pub(super) struct End {
    pub seen: Observation,
    /// By group, see [`Kernel::sojourns`].
    pub sojourns: Vec<(u64, u64)>,
}

impl Replication {
    /// Replication `number` of a setting, at time zero, without what has a date. `purpose` keeps pilots apart
    /// from the runs.
    pub fn new(setting: &Setting, purpose: &str, number: u32) -> Self {
        Self::at_zero(setting, purpose, number, None)
    }

    /// Replication `number` of a run; dates count from the end of its warm-up.
    pub fn of_run(setting: &Setting, number: u32, warm_up: SimDuration) -> Self {
        Self::at_zero(setting, "run", number, Some(SimTime::ZERO + warm_up))
    }

    fn at_zero(setting: &Setting, purpose: &str, number: u32, origin: Option<SimTime>) -> Self {
        let scenario = setting.scenario;
        let root = Key::root(scenario.run.seed).named(purpose).numbered(u64::from(number));
        let mut traffic = Sources::new(&scenario.classes, root, &setting.traces, setting.scale);
        let groups = setting.plan.network.groups().len();
        let mut recorder = Recorder::new(scenario.classes.len(), groups, setting.machine_histograms());
        // No class bears a name with a line feed.
        let mut path = Path::new(Arc::clone(&setting.plan), root.named("\nrebuild"));
        let mut edges_to_come = Vec::new();
        if let (Some(origin), Some(periods)) = (origin, &setting.periods) {
            traffic.date_from(&scenario.phases, origin);
            path.date_from(origin);
            let starts = periods.list.iter().map(|period| origin + period.from).collect();
            recorder.periods = Some(ByPeriod::new(starts, 2 * scenario.classes.len()));
            let points = Points::new(origin, scenario.run.series, periods.length);
            edges_to_come = points.edges(origin + periods.length);
            recorder.points = Some(points);
        }
        let mut first = traffic.start();
        first.extend(path.start());
        let scene = Scene { traffic, path, recorder };
        let network = Arc::clone(&setting.plan.network);
        Replication {
            buffers: network.groups().iter().position(|group| group.name == BUFFERS),
            kernel: Kernel::new(network, scene, &first, setting.backlog_max()),
            opened: None,
            closed: None,
            edges: [Edge::default(); 2],
            written: [Vec::new(), Vec::new()],
            readings: Vec::new(),
            folds: [Vec::new(), Vec::new()],
            done: Vec::new(),
            level: [0; 2],
            samples: Vec::new(),
            edges_to_come,
            stop: Stop::Time,
            end: None,
        }
    }

    /// Runs unmeasured through the warm-up and opens the window.
    pub fn warm_up(&mut self, span: SimDuration, interrupted: &AtomicBool) {
        self.kernel.model.recorder.from = SimTime::ZERO + span;
        self.run_to(SimTime::ZERO + span, interrupted);
        // Given up early, the window opens where the run stands.
        self.kernel.model.recorder.from = self.kernel.now();
        let opened = self.kernel.observe();
        self.done = done(&opened);
        self.folds = [(); 2].map(|()| vec![0.0; self.done.len()]);
        self.opened = Some(opened);
        self.edges[0] = self.edge();
        self.written[0].clone_from(&self.kernel.model.path.written);
        self.read_backlog();
        self.level[0] = self.level[1];
    }

    /// Measures another `span` of the window and reads the backlog at each quarter of it. A replication
    /// whose backlog runs away is closed at once: what it holds is most of what the program holds.
    pub fn extend(&mut self, span: SimDuration, interrupted: &AtomicBool) {
        let start = self.kernel.now();
        for quarter in 1..=4_usize {
            if self.stop == Stop::Backlog || interrupted.load(Ordering::Relaxed) {
                break;
            }
            let so_far = u128::from(span.ps()) * quarter as u128 / 4;
            self.run_to(start + SimDuration::from_ps(so_far as u64), interrupted);
            self.read_backlog();
            self.fold((quarter - 1) / 2);
        }
        if self.stop == Stop::Backlog {
            self.close();
        }
    }

    /// Runs to an instant and stops on the way at every date, so that what changes there changes before anything
    /// else happens.
    fn run_to(&mut self, end: SimTime, interrupted: &AtomicBool) {
        loop {
            let edge = self.edges_to_come.last().copied().unwrap_or(SimTime::NEVER);
            let date = self.kernel.model.path.next_change().min(edge);
            self.stride_to(end.min(date), interrupted);
            if date > end || self.kernel.now() < date {
                return;
            }
            if edge <= date {
                self.edges_to_come.pop();
                self.sample();
            }
            if self.kernel.model.path.next_change() <= date {
                self.change();
            }
        }
    }

    /// Changes the conditions to those of this instant.
    fn change(&mut self) {
        let begins = self.kernel.model.path.change_to(self.kernel.now());
        self.kernel.retain_sources(|scene, source| scene.path.goes_on(source));
        for (source, at) in begins {
            self.kernel.add_source(source, at);
        }
    }

    /// Looks at the stations and the backlog.
    fn sample(&mut self) {
        let seen = self.kernel.observe();
        let busy = |group: &Group| {
            let sum = |of: &dyn Fn(usize) -> u64| group.stations().map(|s| u128::from(of(s))).sum::<u128>();
            sum(&|s| seen.stations[s].booked) - sum(&|s| seen.residual[s])
        };
        let busy = self.kernel.model.path.plan().network.groups().iter().map(busy).collect();
        let log_fill = self.kernel.model.path.log_fill();
        self.samples.push(Sample { busy, backlog: self.backlog(), log_fill });
    }

    /// Requests in the system.
    fn backlog(&self) -> u64 {
        let (begun, restored) = self.kernel.model.path.protected.stripes();
        self.kernel.in_system() - (begun - restored)
    }

    /// Runs to an instant in strides of about [`STRIDE_EVENTS`], so that an interruption is heard.
    fn stride_to(&mut self, end: SimTime, interrupted: &AtomicBool) {
        let mut stride = SimDuration::from_us(100);
        while self.kernel.now() < end && self.stop == Stop::Time && !interrupted.load(Ordering::Relaxed) {
            let before = self.kernel.events();
            self.stop = self.kernel.run(end.min(self.kernel.now() + stride));
            if self.kernel.events() - before < STRIDE_EVENTS / 2 {
                stride = SimDuration::from_ps(stride.ps().saturating_mul(2));
            } else {
                stride = SimDuration::from_ps(stride.ps() / 2 + 1);
            }
        }
    }

    fn read_backlog(&mut self) {
        let path = &self.kernel.model.path;
        let [waiting, debt] = path.destage.deferred(path.plan()).map(|bytes| bytes / LOG_BLOCK);
        self.level[1] = path.destage.level();
        self.readings.push((self.kernel.now(), [self.backlog(), waiting, debt]));
    }

    /// Adds what the stations have done since the last quarter to a fold.
    fn fold(&mut self, which: usize) {
        let now = done(&self.kernel.observe());
        let since = now.iter().zip(&self.done).map(|(now, before)| now.wrapping_sub(*before) as f64);
        self.folds[which].iter_mut().zip(since).for_each(|(sum, more)| *sum += more);
        self.done = now;
    }

    /// By station: time that it was busy in either fold of the window, ps.
    pub fn folds(&self) -> [&[f64]; 2] {
        [&self.folds[0], &self.folds[1]]
    }

    fn edge(&self) -> Edge {
        let path = &self.kernel.model.path;
        let (stripes, _) = path.protected.stripes();
        Edge {
            fragments: path.fragments,
            rebuilt: path.protected.rebuilt,
            stripes,
            levels: path.destage.levels(),
            flash: path.flash(),
            prefetched: path.prefetched,
            destaging: path.destage.under_way_ps(self.kernel.now()),
            buffered: self.buffers.map_or(0, |group| self.kernel.held(group)),
            written: path.written.iter().sum(),
        }
    }

    /// Requests that have arrived.
    pub fn arrived(&self) -> u64 {
        let (stripes, _) = self.kernel.model.path.protected.stripes();
        self.kernel.arrived() - stripes
    }

    /// Closes the window and runs on until all measured requests are done, or have been given as
    /// long again as the window was.
    pub fn drain(&mut self, interrupted: &AtomicBool) {
        self.drain_for(1, interrupted);
    }

    /// The same of a run that the user has interrupted: for a small part of the window, which is enough for all but those
    /// that wait in a long queue.
    pub fn drain_soon(&mut self) {
        self.drain_for(SOON, &AtomicBool::new(false));
    }

    /// Waits for as long as the window was ÷ `parts`.
    fn drain_for(&mut self, parts: u64, interrupted: &AtomicBool) {
        if self.closed.is_some() {
            return;
        }
        self.close_window();
        let now = self.kernel.now();
        let window = now.since(self.kernel.model.recorder.from);
        let window = SimDuration::from_ps(window.ps() / parts);
        if self.kernel.model.recorder.population.count() > 0 && self.stop == Stop::Time {
            self.run_to(now + window + SimDuration::from_us(1), interrupted);
            // What happens after the window is no verdict on it.
            self.stop = Stop::Time;
        }
        self.end();
    }

    /// Closes the window; what is in the system is given up.
    pub fn close(&mut self) {
        if self.closed.is_none() {
            self.close_window();
            self.end();
        }
    }

    fn close_window(&mut self) {
        self.closed = Some(self.kernel.observe());
        self.edges[1] = self.edge();
        self.written[1].clone_from(&self.kernel.model.path.written);
        self.kernel.model.recorder.close(self.kernel.now());
    }

    fn end(&mut self) {
        self.end = Some(End { seen: self.kernel.observe(), sojourns: self.kernel.sojourns() });
        self.kernel.release();
    }

    /// What the stations have done until now, or until the window closed.
    pub fn seen(&self) -> Observation {
        self.closed.clone().unwrap_or_else(|| self.kernel.observe())
    }

    /// Length of the closed window, seconds.
    pub fn window_s(&self) -> f64 {
        match (&self.opened, &self.closed) {
            (Some(opened), Some(closed)) => closed.at.since(opened.at).secs(),
            _ => 0.0,
        }
    }

    /// The backlog at the start, the quarters and the end of the window, closed or so far.
    pub fn watch(&self) -> Option<Watch> {
        let opened = self.opened.as_ref()?;
        let arrived = self
            .closed
            .as_ref()
            .map_or_else(|| self.arrived(), |closed| closed.arrived - self.edges[1].stripes);
        self.watch_of(0, arrived - (opened.arrived - self.edges[0].stripes))
    }

    /// The same of a deferred stock, in blocks, beside the blocks that were written to the log, or to stripes.
    pub fn watch_stock(&self, stock: Stock) -> Option<Watch> {
        let written = self.last_edge().levels.since(&self.edges[0].levels);
        let bytes = match stock {
            Stock::Log => written.committed,
            Stock::Debt => written.striped,
        };
        self.watch_of(stock as usize, bytes / LOG_BLOCK)
    }

    /// Stripes under way from the log on average over the window, closed or so far.
    pub fn destaging(&self) -> f64 {
        let Some(opened) = &self.opened else { return 0.0 };
        let end = self.closed.as_ref().map_or(self.kernel.now(), |closed| closed.at);
        let span = end.since(opened.at).ps().max(1);
        (self.last_edge().destaging - self.edges[0].destaging) as f64 / span as f64
    }

    /// Bytes that came to the log to stay ÷ bytes that left it, in the window, closed or so far: above one where it fills.
    pub fn log_inflow(&self) -> f64 {
        let levels = self.last_edge().levels.since(&self.edges[0].levels);
        let (came, left) = (levels.committed.saturating_sub(levels.overwritten), levels.destaged);
        if left > 0 { (came as f64 / left as f64).max(1.0) } else { 1.0 }
    }

    /// Bytes that the drives' write buffers hold more of at the end of the window, closed or so far, ÷ bytes that came to
    /// drives: work that has yet to come to their units.
    pub fn buffering(&self) -> f64 {
        let (first, last) = (&self.edges[0], self.last_edge());
        let came = last.written.saturating_sub(first.written) as f64;
        if came > 0.0 { (last.buffered as f64 - first.buffered as f64) / came } else { 0.0 }
    }

    /// Of the bytes that come to the log the part that would stay at high water, which is at `room` bytes, ÷ the part that
    /// stays now: what is written again grows with what is held, in proportion at the most.
    pub fn kept_at_high_water(&self, room: f64) -> f64 {
        let levels = self.last_edge().levels.since(&self.edges[0].levels);
        let again = levels.overwritten as f64 / (levels.committed as f64).max(1.0);
        let held = (self.level[0] + self.level[1]) as f64 / 2.0;
        let then = (again * (room / held.max(1.0)).max(1.0)).min(1.0);
        if again < 1.0 { (1.0 - then) / (1.0 - again) } else { 0.0 }
    }

    /// The edge at which the window closed, or one now.
    fn last_edge(&self) -> Edge {
        if self.closed.is_some() { self.edges[1] } else { self.edge() }
    }

    fn watch_of(&self, which: usize, offered: u64) -> Option<Watch> {
        let opened = self.opened.as_ref()?;
        let end = self.closed.as_ref().map_or(self.kernel.now(), |closed| closed.at);
        let span = end.since(opened.at);
        let near = |quarter: u64| {
            let wanted = opened.at + SimDuration::from_ps(span.ps() / 4 * quarter);
            let distance = |reading: &&(SimTime, [u64; 3])| reading.0.ps().abs_diff(wanted.ps());
            self.readings.iter().min_by_key(distance).map_or(0, |reading| reading.1[which])
        };
        let mut backlog = [0, 1, 2, 3, 4].map(near);
        if self.kernel.model.recorder.periods.is_some() {
            // What a date brings and takes away again is no drift: only whether it was taken away counts.
            let (first, last) = (backlog[0], backlog[4]);
            let between = |quarter: u64| (first * (4 - quarter) + last * quarter) / 4;
            backlog = [0, 1, 2, 3, 4].map(between);
        }
        Some(Watch { backlog, offered, length_s: span.secs() })
    }

    /// What the log held when the window closed, bytes.
    pub fn log_level(&self) -> u64 {
        self.level[1]
    }

    /// Bytes of fragments cut while the window was open, by operation.
    pub fn fragments_in_window(&self) -> [u64; 2] {
        [0, 1].map(|op| self.edges[1].fragments[op] - self.edges[0].fragments[op])
    }

    /// Of these, what a rebuild moved.
    pub fn rebuilt_in_window(&self) -> [u64; 2] {
        [0, 1].map(|op| self.edges[1].rebuilt[op] - self.edges[0].rebuilt[op])
    }

    /// Bytes written to each drive while the window was open.
    pub fn written_in_window(&self) -> Vec<u64> {
        self.written[1].iter().zip(&self.written[0]).map(|(closed, opened)| closed - opened).collect()
    }

    /// Bytes that went from level to level between log and drives while the window was open.
    pub fn levels_in_window(&self) -> Levels {
        self.edges[1].levels.since(&self.edges[0].levels)
    }

    /// Bytes of flash programmed while it was, and of these by the drives' own cleaners.
    pub fn flash_in_window(&self) -> [u64; 2] {
        [0, 1].map(|at| self.edges[1].flash[at] - self.edges[0].flash[at])
    }

    /// Bytes read ahead of streams while it was.
    pub fn prefetched_in_window(&self) -> u64 {
        self.edges[1].prefetched - self.edges[0].prefetched
    }

    /// Measured requests that were not done when the run was given up.
    pub fn survivors(&self) -> u64 {
        self.kernel.model.recorder.population.count()
    }
}
