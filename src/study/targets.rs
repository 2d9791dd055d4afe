//! What a run must estimate to the stated precision, and how many requests that takes at least.

use crate::measure::{
    Interval, Latencies, log_percentile_estimate, mean_estimate, percentile_estimate, pool, precision,
};
use crate::scenario::{Arrivals, Class, Load, Objective, Operation, Over, RunPlan, Scenario};

use super::replication::Replication;
use super::scene::OfMachines;
use super::setting::Setting;

/// Requests beyond the percentile that each machine should have where the worst one is wanted: a
/// percentile needs 200, and machines differ by chance.
const FEWEST_BEYOND_A_MACHINE: f64 = 300.0;

/// A figure that must reach the precision.
#[derive(Clone, Debug)]
pub(super) struct Target {
    /// Index of the class.
    pub class: usize,
    /// `None` is both.
    pub operation: Option<Operation>,
    /// 0 to 1; `None` is the mean.
    pub quantile: Option<f64>,
    pub over: Over,
    /// The periods that count; the whole of a run without dates, if absent.
    pub periods: Option<Vec<bool>>,
}

/// The objectives that can be judged; where there are none, every class's mean and p99.
pub(super) fn targets(setting: &Setting) -> Vec<Target> {
    let scenario = setting.scenario;
    let is_judged = |o: &&Objective| is_measured(o, setting);
    let of = |o: &Objective| Target::of(o, setting);
    let judged: Vec<Target> = scenario.objectives.iter().filter(is_judged).map(of).collect();
    if !judged.is_empty() {
        return judged;
    }
    let both = |class| {
        let target = |quantile| Target { class, operation: None, quantile, over: Over::Class, periods: None };
        [None, Some(0.99)].map(target)
    };
    (0..scenario.classes.len()).flat_map(both).collect()
}

/// Whether anything is measured that an objective is about: under a standing fault nothing healthy is.
pub(super) fn is_measured(objective: &Objective, setting: &Setting) -> bool {
    match setting.periods_of(objective) {
        Some(periods) => periods.contains(&true),
        None => setting.scenario.faults.is_empty() || objective.during != "healthy",
    }
}

impl Target {
    /// The figure that an objective is about.
    pub fn of(objective: &Objective, setting: &Setting) -> Self {
        Target {
            class: objective.class,
            operation: objective.operation,
            quantile: Some(objective.percentile / 100.0),
            over: objective.over,
            periods: setting.periods_of(objective),
        }
    }

    /// Places in the recorder's tables.
    fn places(&self) -> Vec<usize> {
        Operation::BOTH
            .into_iter()
            .filter(|op| self.operation.is_none_or(|wanted| wanted == *op))
            .map(|op| super::scene::place(self.class, op))
            .collect()
    }

    /// The latencies that the figure is of, by replication.
    fn latencies(&self, replications: &[Replication]) -> Vec<Latencies> {
        let places = self.places();
        let of = |r: &Replication| {
            let recorder = &r.kernel.model.recorder;
            match (&self.periods, &recorder.periods) {
                (Some(which), Some(periods)) => {
                    let which: Vec<usize> = (0..which.len()).filter(|n| which[*n]).collect();
                    periods.pooled(&which, &places)
                }
                _ => pool(&places.iter().map(|p| &recorder.latencies[*p]).collect::<Vec<_>>()),
            }
        };
        replications.iter().map(of).collect()
    }

    /// Where a replication tells the machines apart for it.
    fn table<'r>(&self, replication: &'r Replication) -> Option<&'r OfMachines> {
        let tables = &replication.kernel.model.recorder.machines;
        tables.iter().find(|table| table.class == self.class && table.periods == self.periods)
    }

    /// The latencies of one machine, by replication.
    fn of_machine(&self, replications: &[Replication], machine: usize) -> Vec<Latencies> {
        let of = |r: &Replication| {
            let Some(table) = self.table(r) else { return Latencies::new() };
            let wanted: Vec<_> =
                self.places().iter().map(|p| &table.latencies[2 * machine + p % 2]).collect();
            pool(&wanted)
        };
        replications.iter().map(of).collect()
    }

    /// The figure, in ps, or why there is none.
    pub fn estimate(&self, replications: &[Replication], confidence: f64) -> Result<Interval, String> {
        self.estimate_of(&self.measured(replications, confidence)?, confidence)
    }

    /// The natural logarithm of the figure ÷ a bound in ps, or why there is none. Of the worst machine the interval is
    /// the figure's own.
    pub fn against(
        &self,
        bound_ps: f64,
        replications: &[Replication],
        confidence: f64,
    ) -> Result<Interval, String> {
        let logarithm = match (self.over, self.quantile) {
            (Over::Class, Some(p)) => {
                let latencies = self.latencies(replications);
                let all: Vec<&Latencies> = latencies.iter().collect();
                log_percentile_estimate(&all, p, confidence).map_err(|reason| reason.to_string())?
            }
            _ => {
                let found = self.estimate(replications, confidence)?;
                let half = found.relative_half_width().unwrap_or(0.0);
                Interval::about(found.value.ln(), half)
            }
        };
        let shift = bound_ps.ln();
        Ok(Interval {
            value: logarithm.value - shift,
            low: logarithm.low - shift,
            high: logarithm.high - shift,
        })
    }

    /// The latencies that [`estimate`](Self::estimate) tells the figure of, by replication: of the class, or of its
    /// worst machine.
    pub fn measured(&self, replications: &[Replication], confidence: f64) -> Result<Vec<Latencies>, String> {
        if self.over == Over::Class {
            return Ok(self.latencies(replications));
        }
        let table = replications.first().and_then(|r| self.table(r));
        let machines = table.map_or(0, |table| table.latencies.len() / 2);
        let mut worst: Option<(f64, Vec<Latencies>)> = None;
        for machine in 0..machines {
            let latencies = self.of_machine(replications, machine);
            let found = self.estimate_of(&latencies, confidence)?.value;
            if worst.as_ref().is_none_or(|(value, _)| found > *value) {
                worst = Some((found, latencies));
            }
        }
        worst.map(|(_, latencies)| latencies).ok_or_else(|| "no machine was measured".into())
    }

    /// Whether the figure is known as well as the run wants.
    pub fn is_precise(&self, replications: &[Replication], run: &RunPlan) -> bool {
        let width = self.relative_half_width(replications, run.confidence);
        width.is_some_and(|width| width <= run.precision)
    }

    /// Half the width of its interval ÷ the figure; none while there is no figure.
    pub fn relative_half_width(&self, replications: &[Replication], confidence: f64) -> Option<f64> {
        self.estimate(replications, confidence).ok()?.relative_half_width()
    }

    fn estimate_of(&self, latencies: &[Latencies], confidence: f64) -> Result<Interval, String> {
        let all: Vec<&Latencies> = latencies.iter().collect();
        match self.quantile {
            None => mean_estimate(&all, confidence),
            Some(p) => percentile_estimate(&all, p, confidence),
        }
        .map_err(|reason| reason.to_string())
    }

    /// Requests beyond the percentile so far, over all replications; of a mean, all of them.
    pub fn beyond(&self, replications: &[Replication]) -> u64 {
        let all = self.latencies(replications);
        all.iter().map(|l| self.quantile.map_or(l.count(), |p| l.beyond(p))).sum()
    }

    /// Simulated seconds, over all replications, in which enough requests lie beyond the percentile.
    pub fn floor_s(&self, rates: &[f64], machines: u32) -> f64 {
        let rate: f64 = self.places().iter().map(|p| rates[*p]).sum();
        let share = self.quantile.map_or(1.0, |p| 1.0 - p);
        let pooled = precision::FEWEST_BEYOND_TIGHTEST as f64;
        let wanted = match self.over {
            Over::Class => pooled,
            Over::WorstMachine => pooled.max(FEWEST_BEYOND_A_MACHINE * f64::from(machines)),
        };
        if rate > 0.0 { wanted / (share * rate) } else { 0.0 }
    }
}

/// Simulated seconds, over all replications, in which every bursty class has gone through its cycles.
pub(super) fn cycles_floor_s(scenario: &Scenario) -> f64 {
    let floor = |class: &Class| match &class.load {
        Load::Open { arrivals: Arrivals::Bursty { peak_to_mean, burst, together, floor }, .. } => {
            let cycle = burst.secs() * (1.0 + (peak_to_mean - 1.0) / (1.0 - floor));
            // Machines in step make one process.
            let processes = if *together > 0.0 { 1.0 } else { f64::from(class.machines) };
            precision::FEWEST_CYCLES as f64 * cycle / processes
        }
        _ => 0.0,
    };
    scenario.classes.iter().map(floor).fold(0.0, f64::max)
}
