//! What all replications of a scenario share: the compiled design and the traces it replays.

use std::sync::Arc;
use std::sync::atomic::AtomicBool;

use crate::engine::SimDuration;
use crate::scenario::{Class, Fault, Load, Objective, Over, Rebuilding, Scenario};
use crate::system::{Plan, Refusal, Unfit};
use crate::traffic::{Trace, TraceError, sources_needed};

use super::calibrate::calibrate;
use super::periods::{Periods, Stretch};
use super::scene::OfMachines;

/// Most sources of requests: their numbers are 32 bits.
pub(super) const SOURCES_MAX: u64 = u32::MAX as u64 / 2;
/// What all replications of a scenario share.
pub(super) struct Setting<'a> {
    pub scenario: &'a Scenario,
    pub plan: Arc<Plan>,
    /// By class.
    pub traces: Vec<Option<Arc<Trace>>>,
    /// Factor on open rates and trace speed.
    pub scale: f64,
    /// The periods of a run with dates.
    pub periods: Option<Periods>,
    /// Raised when the user interrupts.
    pub interrupted: &'a AtomicBool,
}

/// Why a study could not start.
#[derive(Debug)]
pub enum StudyError {
    /// A trace could not be read.
    Trace(TraceError),
    /// More sources of requests than can be numbered.
    TooManySources(u64),
    /// The ratings of the drives' part contradict each other: its name, the key to blame, and why.
    Part(String, &'static str, String),
    /// The data does not fit a log-structured layout: live bytes, and the room for them.
    Full(f64, f64),
    /// A class that is not there, and those that are.
    NoClass(String, String),
    /// Nothing has to hold.
    NoObjective,
    /// No drive has a size.
    NoDrives,
}

impl StudyError {
    fn part(scenario: &Scenario, refusal: Refusal) -> Self {
        let name = scenario.design.drives.as_ref().and_then(|drives| drives.kind.part_name());
        let name = name.unwrap_or_default().to_owned();
        StudyError::Part(name, refusal.key, refusal.why)
    }
}

impl StudyError {
    /// There is no class of that name.
    pub(super) fn no_class(scenario: &Scenario, name: &str) -> Self {
        let names: Vec<String> = scenario.classes.iter().map(|class| format!("\"{}\"", class.name)).collect();
        StudyError::NoClass(name.to_owned(), names.join(", "))
    }
}

impl std::fmt::Display for StudyError {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        match self {
            StudyError::Trace(error) => error.fmt(f),
            StudyError::Part(name, key, why) => write!(
                f,
                "`parts.{name}.{key}`: {why}\n  help: compare the figures of the part with its datasheet; \
                 `forebay explain parts.NAME.{key}` says what is meant"
            ),
            StudyError::Full(live, room) => write!(
                f,
                "the data does not fit: {:.2} TB as it is stored, in {:.2} TB of usable space less `design.layout.reserve`\n  help: more or larger drives, fewer machines, or a smaller `capacity`",
                live / 1e12,
                room / 1e12
            ),
            StudyError::NoClass(name, known) => {
                write!(f, "there is no class \"{name}\"\n  help: the scenario has {known}")
            }
            StudyError::NoObjective => write!(
                f,
                "no objective says what must hold, so any number of machines fits\n  help: add an [[objective]] \
                 (`forebay explain objective`)"
            ),
            StudyError::NoDrives => write!(
                f,
                "no drive of the design has a size, so there is nothing to fill or to wear\n  help: give \
                 [design.drives] a `part` (`forebay explain design.drives.part`)"
            ),
            StudyError::TooManySources(count) => write!(
                f,
                "the classes need {count} independent sources of requests, more than can be numbered\n  \
                 help: fewer machines, or `arrivals = \"poisson\"`, which takes one source a class"
            ),
        }
    }
}

impl<'a> Setting<'a> {
    /// Compiles the design and reads the traces.
    pub fn new(scenario: &'a Scenario, interrupted: &'a AtomicBool) -> Result<Self, StudyError> {
        let plan = Arc::new(compile(scenario)?);
        let (traces, periods) = (load_traces(scenario)?, Periods::of(scenario));
        Ok(Setting { scenario, plan, traces, scale: 1.0, periods, interrupted })
    }

    /// What reading the traces had to say, each with its trace.
    pub fn trace_notes(&self) -> Vec<String> {
        let mut notes = Vec::new();
        for (class, trace) in self.scenario.classes.iter().zip(&self.traces) {
            if let (Load::Trace { name, .. }, Some(trace)) = (&class.load, trace) {
                notes.extend(trace.notes().iter().map(|note| format!("trace {name}: {note}")));
            }
        }
        notes
    }

    /// The fault that is being made good, and how.
    pub fn rebuilding(&self) -> Option<(&Fault, &Rebuilding)> {
        self.scenario.faults.iter().find_map(|fault| Some((fault, fault.rebuilding()?)))
    }

    /// Most requests a replication may hold: closed loops hold what they hold.
    pub fn backlog_max(&self) -> u64 {
        let tokens = |class: &Class| match class.load {
            Load::Closed { in_flight, .. } => u64::from(class.machines) * u64::from(in_flight),
            _ => 0,
        };
        self.scenario.run.backlog_max + self.scenario.classes.iter().map(tokens).sum::<u64>()
    }

    /// The periods that count for an objective, each stretch judged by itself; `None` is the whole of a run without
    /// dates.
    pub fn stretches_of(&self, objective: &Objective) -> Option<Vec<Stretch>> {
        self.periods.as_ref().map(|periods| periods.during(&objective.during, objective.class))
    }

    /// Empty histograms by machine for the objectives over the worst machine.
    pub fn machine_histograms(&self) -> Vec<OfMachines> {
        let mut tables: Vec<OfMachines> = Vec::new();
        for objective in self.scenario.objectives.iter().filter(|o| o.over == Over::WorstMachine) {
            let class = objective.class;
            let wanted = match self.stretches_of(objective) {
                Some(stretches) => stretches.into_iter().map(|stretch| Some(stretch.counts)).collect(),
                None => vec![None],
            };
            for periods in wanted {
                if !tables.iter().any(|table| table.class == class && table.periods == periods) {
                    let latencies = vec![None; 2 * self.scenario.classes[class].machines as usize];
                    tables.push(OfMachines { class, periods, latencies });
                }
            }
        }
        tables
    }
}

/// Compiles the design of a scenario.
pub(super) fn compile(scenario: &Scenario) -> Result<Plan, StudyError> {
    let sources = sources_needed(&scenario.classes);
    if sources > SOURCES_MAX {
        return Err(StudyError::TooManySources(sources));
    }
    let solved = calibrate(&scenario.design).map_err(|why| StudyError::part(scenario, why))?;
    Plan::compile(scenario, solved).map_err(|unfit| match unfit {
        Unfit::Drive(why) => StudyError::part(scenario, why),
        Unfit::Full { live, room } => StudyError::Full(live, room),
    })
}

/// Reads the trace of every class that replays one.
pub(super) fn load_traces(scenario: &Scenario) -> Result<Vec<Option<Arc<Trace>>>, StudyError> {
    let load = |class: &Class| match &class.load {
        Load::Trace { path, name, format, .. } => {
            Trace::load(path, name, *format).map(|t| Some(Arc::new(t))).map_err(StudyError::Trace)
        }
        _ => Ok(None),
    };
    scenario.classes.iter().map(load).collect()
}

/// How a run went, beside its replications.
pub(super) struct Course {
    pub warm_up: SimDuration,
    pub precision_met: bool,
    /// Why it was stopped before anything could be told, if it was.
    pub interrupted: Option<String>,
    pub notes: Vec<String>,
}
