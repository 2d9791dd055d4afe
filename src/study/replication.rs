//! One replication: a kernel with its scene, its window, and what was seen at the window's edges.

use std::sync::Arc;
use std::sync::atomic::{AtomicBool, Ordering};

use crate::engine::{Kernel, Key, Observation, SimDuration, SimTime, Stop};
use crate::measure::{Drift, Watch};
use crate::system::Path;
use crate::traffic::Sources;

use super::scene::{Recorder, Scene};
use super::setting::Setting;

/// One replication, which can be extended until it is closed.
pub(super) struct Replication {
    pub kernel: Kernel<Scene>,
    pub opened: Option<Observation>,
    pub closed: Option<Observation>,
    /// Bytes of fragments, by operation, when the window opened and closed.
    fragments: [[u64; 2]; 2],
    /// Backlog at the start of the window and after each slice of it.
    pub readings: Vec<u64>,
    pub stop: Stop,
}

impl Replication {
    /// Replication `number` of a setting, at time zero. `purpose` keeps pilots apart from the runs.
    pub fn new(setting: &Setting, purpose: &str, number: u32) -> Self {
        let scenario = setting.scenario;
        let root = Key::root(scenario.run.seed).named(purpose).numbered(u64::from(number));
        let mut traffic = Sources::new(&scenario.classes, root, &setting.traces, setting.scale);
        let first = traffic.start();
        let groups = setting.plan.network.groups().len();
        let recorder = Recorder::new(scenario.classes.len(), groups, setting.machine_histograms());
        let scene = Scene { traffic, path: Path::new(Arc::clone(&setting.plan)), recorder };
        let network = Arc::clone(&setting.plan.network);
        Replication {
            kernel: Kernel::new(network, scene, &first, setting.backlog_max()),
            opened: None,
            closed: None,
            fragments: [[0; 2]; 2],
            readings: Vec::new(),
            stop: Stop::Time,
        }
    }

    /// Runs through the warm-up, unmeasured, and opens the window.
    pub fn warm_up(&mut self, span: SimDuration, interrupted: &AtomicBool) {
        let end = SimTime::ZERO + span;
        self.kernel.model.recorder.from = end;
        for slice in 1..=16 {
            if self.stop == Stop::Backlog || interrupted.load(Ordering::Relaxed) {
                break;
            }
            self.stop = self.kernel.run(SimTime::from_ps((u128::from(end.ps()) * slice / 16) as u64));
        }
        // Given up early, the window opens where the run stands.
        self.kernel.model.recorder.from = self.kernel.now();
        self.opened = Some(self.kernel.observe());
        self.fragments[0] = self.kernel.model.path.fragments;
        self.readings.push(self.kernel.in_system());
    }

    /// Measures another `slices` slices of the window.
    pub fn extend(&mut self, slice: SimDuration, slices: u32, interrupted: &AtomicBool) {
        for _ in 0..slices {
            if self.stop == Stop::Backlog || interrupted.load(Ordering::Relaxed) {
                return;
            }
            self.stop = self.kernel.run(self.kernel.now() + slice);
            self.readings.push(self.kernel.in_system());
        }
    }

    /// Closes the window and runs on until all measured requests are done, or have been given as
    /// long again as the window was.
    pub fn close(&mut self, interrupted: &AtomicBool) {
        let now = self.kernel.now();
        self.closed = Some(self.kernel.observe());
        self.fragments[1] = self.kernel.model.path.fragments;
        self.kernel.model.recorder.close(now);
        let window = now.since(self.kernel.model.recorder.from);
        let slice = SimDuration::from_ps(window.ps() / 16 + 1_000_000);
        for _ in 0..16 {
            let waits = self.kernel.model.recorder.population.count() > 0;
            if !waits || self.stop == Stop::Backlog || interrupted.load(Ordering::Relaxed) {
                break;
            }
            if self.kernel.run(self.kernel.now() + slice) != Stop::Time {
                break;
            }
        }
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
        let (end, arrived) = match &self.closed {
            Some(closed) => (closed.at, closed.arrived),
            None => (self.kernel.now(), self.kernel.arrived()),
        };
        let last = self.readings.len().checked_sub(1)?;
        let backlog = [0, 1, 2, 3, 4].map(|quarter| self.readings[last * quarter / 4]);
        Some(Watch { backlog, offered: arrived - opened.arrived, length_s: end.since(opened.at).secs() })
    }

    /// Bytes of fragments cut while the window was open, by operation.
    pub fn fragments_in_window(&self) -> [u64; 2] {
        [0, 1].map(|op| self.fragments[1][op] - self.fragments[0][op])
    }

    /// Measured requests that were not done when the run was given up.
    pub fn survivors(&self) -> u64 {
        self.kernel.model.recorder.population.count()
    }
}

/// How fast the backlog grows, by what all replications have shown.
pub(super) fn drift(setting: &Setting, replications: &[Replication]) -> Option<Drift> {
    let watches: Vec<Watch> = replications.iter().filter_map(Replication::watch).collect();
    Drift::estimate(&watches, setting.scenario.run.confidence)
}

/// The backlog ran away, or plainly grows: going on would only show more of it.
pub(super) fn is_overloaded(setting: &Setting, replications: &[Replication]) -> bool {
    replications.iter().any(|r| r.stop == Stop::Backlog)
        || drift(setting, replications).is_some_and(|d| d.is_growing())
}
