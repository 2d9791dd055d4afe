//! A scenario at a multiple of its load, or with other numbers of machines.
//!
//! Of a multiple: open classes ask so many times as often, traces are played so much faster; closed classes have so many times as
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

/// What a study varies.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(super) enum Vary {
    /// The load: a factor on what is stated.
    Load,
    /// Machines of one class, by its place.
    Class(usize),
    /// Machines of all classes in the proportion that is stated: how many in all.
    Mix,
    /// All classes at once, each by its growth: years from now.
    Years,
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

    /// The base, or another scenario of the same classes, varied so far.
    pub fn at(&self, scenario: &Scenario, vary: Vary, to: f64) -> Variant<'_> {
        let mut scenario = with_machines(scenario, vary, to);
        if vary == Vary::Load {
            scenario.classes.iter_mut().for_each(|class| multiply(class, to));
        }
        let scale = if vary == Vary::Load { to } else { 1.0 };
        Variant { scenario, scale, traces: &self.traces, interrupted: self.interrupted }
    }
}

/// The scenario with the machines of each class as [`machines_at`] has them.
pub(super) fn with_machines(scenario: &Scenario, vary: Vary, to: f64) -> Scenario {
    let mut scenario = scenario.clone();
    let machines = machines_at(&scenario.classes, vary, to);
    scenario.classes.iter_mut().zip(machines).for_each(|(class, count)| class.machines = count);
    scenario
}

/// Machines of each class.
pub(super) fn machines_at(classes: &[Class], vary: Vary, to: f64) -> Vec<u32> {
    let stated = || classes.iter().map(|class| class.machines);
    match vary {
        Vary::Load => stated().collect(),
        Vary::Class(place) => {
            // The cast saturates.
            let varied = |(n, count)| if n == place { (to.round() as u32).max(1) } else { count };
            stated().enumerate().map(varied).collect()
        }
        Vary::Mix => {
            let dealt = apportion(&stated().collect::<Vec<_>>(), to.round() as u64);
            dealt.into_iter().map(|count| count.max(1)).collect()
        }
        Vary::Years => {
            let grown = |class: &Class| f64::from(class.machines) * (1.0 + class.growth / 100.0).powf(to);
            classes.iter().map(|class| (grown(class).round() as u32).max(1)).collect()
        }
    }
}

/// So many machines in all, in the proportion that is stated, by the method of odd divisors (Webster; Balinski & Young
/// 1982): one machine more never takes one from a class, so that what is tried with more machines has all of the
/// fewer.
fn apportion(stated: &[u32], all: u64) -> Vec<u32> {
    let total: f64 = stated.iter().map(|count| f64::from(*count)).sum();
    // No class gets fewer than its share less one, so only the rest is dealt one by one.
    let least = |count: &u32| ((f64::from(*count) / total * all as f64 - 1.0).floor().max(0.0)) as u32;
    let mut dealt: Vec<u32> = stated.iter().map(least).collect();
    let mut left = all.saturating_sub(dealt.iter().map(|count| u64::from(*count)).sum());
    while left > 0 {
        let claim = |n: &usize| f64::from(stated[*n]) / (2.0 * f64::from(dealt[*n]) + 1.0);
        let next = (0..stated.len()).max_by(|a, b| claim(a).total_cmp(&claim(b)).then(b.cmp(a)));
        match next {
            Some(next) => dealt[next] += 1,
            None => break,
        }
        left -= 1;
    }
    dealt
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

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    proptest! {
        /// The parts sum to the whole, keep the proportion, and none shrinks when the whole grows.
        #[test]
        fn machines_are_dealt_in_proportion(stated in prop::collection::vec(1u32..500, 1..6), all in 1u64..5000) {
            let (now, more) = (apportion(&stated, all), apportion(&stated, all + 1));
            prop_assert_eq!(now.iter().map(|n| u64::from(*n)).sum::<u64>(), all);
            prop_assert!(now.iter().zip(&more).all(|(a, b)| a <= b));
            let total: u32 = stated.iter().sum();
            for (dealt, stated) in now.iter().zip(&stated) {
                let share = f64::from(*stated) / f64::from(total) * all as f64;
                prop_assert!((f64::from(*dealt) - share).abs() < 2.5, "{} of {}", dealt, share);
            }
        }
    }

    #[test]
    fn the_stated_number_is_dealt_as_stated() {
        assert_eq!(apportion(&[24, 400, 4], 428), [24, 400, 4]);
    }
}
