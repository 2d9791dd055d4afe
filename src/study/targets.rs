//! What a run must estimate to the stated precision, and how many requests that takes at least.

use crate::measure::{
    Interval, Latencies, Reason, log_percentile_estimate, mean_estimate, percentile_estimate, pool, precision,
};
use crate::scenario::{Arrivals, Class, Load, Objective, Operation, Over, RunPlan, Scenario};

use super::periods::Stretch;
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
    /// The periods that count, each stretch judged by itself: the greatest figure decides. The whole of a run without
    /// dates, if absent.
    pub stretches: Option<Vec<Stretch>>,
}

/// What is found of a figure, stretch by stretch.
pub(super) struct Found {
    /// The greatest figure, and its period where periods are judged each by itself. The ends of its interval are the
    /// greatest of all: they hold the true greatest figure at the confidence asked for.
    pub worst: Option<(Option<String>, Interval)>,
    /// The first period without a figure, likewise, and why it has none.
    pub lacking: Option<(Option<String>, Reason)>,
}

impl Found {
    /// The greatest figure and its period, if no stretch lacks one.
    fn whole(self) -> Result<(Option<String>, Interval), String> {
        match (self.lacking, self.worst) {
            (Some((period, why)), _) => Err(in_period(period.as_deref(), why)),
            (None, worst) => worst.ok_or_else(|| Reason::Nothing.to_string()),
        }
    }
}

/// Why a figure is missing, with the period that lacks it.
pub(super) fn in_period(period: Option<&str>, why: Reason) -> String {
    match (period, why) {
        (None, why) => why.to_string(),
        (Some(period), Reason::Nothing | Reason::FewBeyond(_) | Reason::FewBeyondInOne(_)) => {
            format!("too few requests in \"{period}\": {why}")
        }
        (Some(period), why) => format!("no figure in \"{period}\": {why}"),
    }
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
        let target =
            |quantile| Target { class, operation: None, quantile, over: Over::Class, stretches: None };
        [None, Some(0.99)].map(target)
    };
    (0..scenario.classes.len()).flat_map(both).collect()
}

/// Whether anything is measured that an objective is about: under a standing fault nothing healthy is.
pub(super) fn is_measured(objective: &Objective, setting: &Setting) -> bool {
    match setting.stretches_of(objective) {
        Some(stretches) => stretches.iter().any(|stretch| stretch.counts.contains(&true)),
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
            stretches: setting.stretches_of(objective),
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

    /// Stretches of time, each with a figure of its own.
    fn spans(&self) -> Vec<Option<&Stretch>> {
        match &self.stretches {
            Some(stretches) => stretches.iter().map(Some).collect(),
            None => vec![None],
        }
    }

    /// The latencies of the class in a stretch, by replication.
    fn latencies(&self, span: Option<&Stretch>, replications: &[Replication]) -> Vec<Latencies> {
        let places = self.places();
        let of = |r: &Replication| {
            let recorder = &r.kernel.model.recorder;
            match (span, &recorder.periods) {
                (Some(Stretch { counts, .. }), Some(periods)) => {
                    let which: Vec<usize> = (0..counts.len()).filter(|n| counts[*n]).collect();
                    periods.pooled(&which, &places)
                }
                _ => pool(&places.iter().map(|p| &recorder.latencies[*p]).collect::<Vec<_>>()),
            }
        };
        replications.iter().map(of).collect()
    }

    /// Where a replication tells the machines apart in a stretch.
    fn table<'r>(&self, span: Option<&Stretch>, replication: &'r Replication) -> Option<&'r OfMachines> {
        let tables = &replication.kernel.model.recorder.machines;
        let counts = span.map(|stretch| &stretch.counts);
        tables.iter().find(|table| table.class == self.class && table.periods.as_ref() == counts)
    }

    /// The latencies of one machine, by replication.
    fn of_machine(
        &self,
        span: Option<&Stretch>,
        replications: &[Replication],
        machine: usize,
    ) -> Vec<Latencies> {
        let of = |r: &Replication| {
            let Some(table) = self.table(span, r) else { return Latencies::new() };
            let places = self.places();
            let wanted = places.iter().filter_map(|p| table.latencies[2 * machine + p % 2].as_deref());
            pool(&wanted.collect::<Vec<_>>())
        };
        replications.iter().map(of).collect()
    }

    /// The figure, in ps, or why there is none.
    pub fn estimate(&self, replications: &[Replication], confidence: f64) -> Result<Interval, String> {
        Ok(self.found(replications, confidence).whole()?.1)
    }

    /// The figure in ps, stretch by stretch.
    pub fn found(&self, replications: &[Replication], confidence: f64) -> Found {
        self.worst(replications, confidence, |span, confidence| {
            self.estimate_of(&self.measured_in(span, replications, confidence)?, confidence)
        })
    }

    /// The worst of the stretches. Each has its interval at a share of the error (Bonferroni), so that all of them
    /// are right together at the confidence asked for: the greatest of several noisy estimates is too high, and says so.
    fn worst(
        &self,
        replications: &[Replication],
        confidence: f64,
        figure: impl Fn(Option<&Stretch>, f64) -> Result<Interval, Reason>,
    ) -> Found {
        let is_silent = |span: &Option<&Stretch>| {
            span.is_some_and(|stretch| stretch.is_stopped) && self.has_no_request(*span, replications)
        };
        let spans: Vec<Option<&Stretch>> = self.spans().into_iter().filter(|span| !is_silent(span)).collect();
        let stricter = 1.0 - (1.0 - confidence) / spans.len().max(1) as f64;
        let mut found = Found { worst: None, lacking: None };
        for span in spans {
            let period = span.and_then(|stretch| stretch.period.clone());
            match (figure(span, stricter), &mut found.worst) {
                (Err(why), _) => {
                    found.lacking.get_or_insert((period, why));
                }
                (Ok(own), None) => found.worst = Some((period, own)),
                (Ok(own), Some((of, worst))) => {
                    if own.value > worst.value {
                        (*of, worst.value) = (period, own.value);
                    }
                    worst.low = worst.low.max(own.low);
                    worst.high = worst.high.max(own.high);
                }
            }
        }
        found
    }

    fn has_no_request(&self, span: Option<&Stretch>, replications: &[Replication]) -> bool {
        self.latencies(span, replications).iter().all(|latencies| latencies.total() == 0)
    }

    /// The natural logarithm of the figure ÷ a bound in ps, or why there is none. Of the worst machine the interval is
    /// the figure's own. While a stretch has no figure yet the greatest may be anything above that of the others.
    pub fn against(
        &self,
        bound_ps: f64,
        replications: &[Replication],
        confidence: f64,
    ) -> Result<Interval, String> {
        let logarithm = self.worst(replications, confidence, |span, confidence| {
            self.log_figure(span, replications, confidence)
        });
        let logarithm = match logarithm {
            Found { worst: Some((_, known)), lacking: Some(_) } => Interval { high: f64::INFINITY, ..known },
            found => found.whole()?.1,
        };
        let shift = bound_ps.ln();
        Ok(Interval {
            value: logarithm.value - shift,
            low: logarithm.low - shift,
            high: logarithm.high - shift,
        })
    }

    /// The natural logarithm of a stretch's figure in ps.
    fn log_figure(
        &self,
        span: Option<&Stretch>,
        replications: &[Replication],
        confidence: f64,
    ) -> Result<Interval, Reason> {
        if let (Over::Class, Some(p)) = (self.over, self.quantile) {
            let latencies = self.latencies(span, replications);
            let all: Vec<&Latencies> = latencies.iter().collect();
            return log_percentile_estimate(&all, p, confidence);
        }
        let measured = self.measured_in(span, replications, confidence)?;
        let found = self.estimate_of(&measured, confidence)?;
        let half = found.relative_half_width().unwrap_or(0.0);
        Ok(Interval::about(found.value.ln(), half))
    }

    /// The latencies that [`estimate`](Self::estimate) tells the figure of, by replication: of the class, or of its
    /// worst machine; in the stretch with the greatest figure.
    pub fn measured(&self, replications: &[Replication], confidence: f64) -> Result<Vec<Latencies>, String> {
        let spans = self.spans();
        let span = match spans[..] {
            [only] => only,
            _ => {
                let (worst, _) = self.found(replications, confidence).whole()?;
                let is_worst =
                    |span: &Option<&Stretch>| span.and_then(|s| s.period.as_ref()) == worst.as_ref();
                spans.into_iter().find(is_worst).flatten()
            }
        };
        self.measured_in(span, replications, confidence).map_err(|reason| reason.to_string())
    }

    /// The latencies of the class in a stretch, or of its worst machine there, by replication.
    fn measured_in(
        &self,
        span: Option<&Stretch>,
        replications: &[Replication],
        confidence: f64,
    ) -> Result<Vec<Latencies>, Reason> {
        if self.over == Over::Class {
            return Ok(self.latencies(span, replications));
        }
        let table = replications.first().and_then(|r| self.table(span, r));
        let machines = table.map_or(0, |table| table.latencies.len() / 2);
        let mut worst: Option<(f64, Vec<Latencies>)> = None;
        for machine in 0..machines {
            let latencies = self.of_machine(span, replications, machine);
            let found = self.estimate_of(&latencies, confidence)?.value;
            if worst.as_ref().is_none_or(|(value, _)| found > *value) {
                worst = Some((found, latencies));
            }
        }
        worst.map(|(_, latencies)| latencies).ok_or(Reason::Nothing)
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

    fn estimate_of(&self, latencies: &[Latencies], confidence: f64) -> Result<Interval, Reason> {
        let all: Vec<&Latencies> = latencies.iter().collect();
        match self.quantile {
            None => mean_estimate(&all, confidence),
            Some(p) => percentile_estimate(&all, p, confidence),
        }
    }

    /// Requests beyond the percentile so far, over all replications, in the stretch that has fewest; of a mean, all of
    /// them.
    pub fn beyond(&self, replications: &[Replication]) -> u64 {
        let of = |span: Option<&Stretch>| {
            let all = self.latencies(span, replications);
            all.iter().map(|l| self.quantile.map_or(l.count(), |p| l.beyond(p))).sum()
        };
        self.spans().into_iter().map(of).min().unwrap_or(0)
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
