//! A scenario at a multiple of its load.
//!
//! Open classes ask so many times as often, traces are played so much faster; closed classes have so many times as
//! many machines, whole ones and at least one. On/off times of bursts stay. The data stays, too: closed machines that
//! come along divide the space that the class was given.

use std::sync::Arc;
use std::sync::atomic::AtomicBool;

use crate::scenario::{Class, Load, Scenario};
use crate::traffic::Trace;

use super::periods::Periods;
use super::setting::{Setting, StudyError, compile, load_traces};

/// A scenario whose load, machines or design can be changed, with the traces that it replays.
pub(super) struct Base<'a> {
    pub scenario: &'a Scenario,
    pub traces: Vec<Option<Arc<Trace>>>,
    pub interrupted: &'a AtomicBool,
}

/// One variant of it.
pub(super) struct Variant<'a> {
    pub scenario: Scenario,
    scale: f64,
    traces: &'a [Option<Arc<Trace>>],
    interrupted: &'a AtomicBool,
}

impl<'a> Base<'a> {
    /// Reads the traces.
    pub fn new(scenario: &'a Scenario, interrupted: &'a AtomicBool) -> Result<Self, StudyError> {
        Ok(Base { scenario, traces: load_traces(scenario)?, interrupted })
    }

    /// The base, or another scenario of the same classes, at a multiple of its load.
    pub fn at(&self, scenario: &Scenario, scale: f64) -> Variant<'_> {
        let mut scenario = scenario.clone();
        scenario.classes.iter_mut().for_each(|class| multiply(class, scale));
        Variant { scenario, scale, traces: &self.traces, interrupted: self.interrupted }
    }

    /// Another scenario of the same classes at its stated load.
    pub fn variant(&self, scenario: Scenario) -> Variant<'_> {
        Variant { scenario, scale: 1.0, traces: &self.traces, interrupted: self.interrupted }
    }
}

impl Variant<'_> {
    /// The setting of its runs.
    pub fn setting(&self) -> Result<Setting<'_>, StudyError> {
        let plan = compile(&self.scenario)?;
        Ok(Setting {
            scenario: &self.scenario,
            plan: Arc::new(plan),
            traces: self.traces.to_vec(),
            scale: self.scale,
            periods: Periods::of(&self.scenario),
            interrupted: self.interrupted,
        })
    }
}

/// Closed machines at a multiple of the load; rates are the traffic's to multiply.
fn multiply(class: &mut Class, scale: f64) {
    if let Load::Closed { .. } = class.load {
        let machines = scaled_machines(class.machines, scale);
        let space = class.capacity as f64 * f64::from(class.machines) / f64::from(machines);
        class.capacity = (space as u64).max(class.working_set);
        class.machines = machines;
    }
}

/// Machines of a closed class at a multiple of the load.
pub(super) fn scaled_machines(machines: u32, scale: f64) -> u32 {
    // The cast saturates; a thousand times a million machines are beyond any load.
    ((f64::from(machines) * scale).round() as u32).clamp(1, 1_000_000_000)
}

/// Whether every class waits for its answers.
pub(super) fn is_closed(scenario: &Scenario) -> bool {
    scenario.classes.iter().all(|class| matches!(class.load, Load::Closed { .. }))
}
