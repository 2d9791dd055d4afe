//! The result of `run`.

use std::collections::BTreeMap;

use serde::{Deserialize, Serialize};

use super::Figure;

/// Everything `run` found out.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct RunOutcome {
    /// Version of this JSON layout: 1.
    pub schema: u32,
    /// Name and version of the tool.
    pub tool: String,
    /// Hash of the scenario with its overrides.
    pub scenario_digest: String,
    /// The scenario's title.
    pub title: String,
    /// Master seed.
    pub seed: u64,
    /// How long was measured.
    pub run: RunFacts,
    /// The answer.
    pub verdict: Verdict,
    /// What the classes ask for.
    pub offered: Offered,
    /// What the design delivered.
    pub carried: Carried,
    /// Latency by class and operation; rows named "all" sum them.
    pub classes: Vec<ClassRow>,
    /// Every queue.
    pub stations: Vec<StationRow>,
    /// Where the time went.
    pub blame: Vec<BlameRow>,
    /// What had to hold.
    pub objectives: Vec<ObjectiveRow>,
    /// What was seen before, during and after each date (dated runs only).
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub periods: Vec<PeriodRow>,
    /// Figures over time (dated runs only).
    pub series: Vec<SeriesRow>,
    /// Bytes at each level.
    pub ledger: Vec<LedgerRow>,
    /// The checks that the run made on itself.
    pub audit: Vec<AuditRow>,
    /// What was assumed: priors and approximations, in words.
    pub assumptions: Vec<String>,
    /// Keys that the scenario leaves out, and what holds for each.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub defaults: Vec<DefaultRow>,
    /// Hours in which a standing rebuild would restore all of a drive; null without one.
    pub rebuild_hours: Option<f64>,
    /// Advice to the reader: short warm-up, coarse trace clock and the like.
    pub notes: Vec<String>,
}

/// A key that the scenario leaves out and that has an effect in it.
#[derive(Clone, Debug, PartialEq, Eq, Hash, Serialize, Deserialize)]
pub struct DefaultRow {
    /// As `explain` takes it: "run.seed", "class.ticketing-db.arrivals"; "class.*.arrivals" where every class leaves it out.
    pub key: String,
    /// What holds, with its unit, as `explain` spells it; what is settled by the scenario has "(… here)" after it.
    pub value: String,
    /// Where that comes from: a standard, a paper, common practice, a project choice.
    pub source: String,
}

/// How long was measured.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct RunFacts {
    /// Simulated seconds discarded at the start of each replication.
    pub warm_up_s: f64,
    /// Simulated seconds measured in each replication.
    pub length_s: f64,
    /// Independent replications.
    pub replications: u32,
    /// Confidence of every interval.
    pub confidence: f64,
    /// Relative half-width that was wanted.
    pub precision: f64,
    /// Whether it was reached on every objective (every class's p99 and mean, if there are none).
    pub precision_met: bool,
    /// Requests measured, over all replications.
    pub requests: u64,
    /// Events handled for each request that arrived, warm-up included: what simulating one takes.
    pub events_per_request: f64,
}

/// State of the design under the stated load.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "lowercase")]
pub enum State {
    /// The backlog does not drift.
    Stable,
    /// The backlog grows.
    Saturated,
    /// Stable now, not for ever (a log that fills).
    Unsustainable,
    /// The run was too short to tell, or was interrupted.
    Undecided,
}

impl State {
    /// As the JSON spells it.
    pub fn word(self) -> &'static str {
        match self {
            State::Stable => "stable",
            State::Saturated => "saturated",
            State::Unsustainable => "unsustainable",
            State::Undecided => "undecided",
        }
    }
}

/// The answer.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct Verdict {
    /// Stable or not.
    pub state: State,
    /// Whether every objective holds; null if it cannot be told.
    pub objectives_met: Option<bool>,
    /// The station with the highest utilisation.
    pub binding: Option<String>,
    /// Its utilisation, 0 to 1: of its busiest member.
    pub utilisation: f64,
    /// How much more load the binding station could carry on paper: 1/utilisation − 1.
    pub headroom: Option<f64>,
    /// Requests per second at which static arithmetic says the first resource is full; null if nothing limits (closed or trace load has no static figure).
    pub static_ceiling_iops: Option<f64>,
    /// The resource that the static ceiling names.
    pub static_binding: Option<String>,
    /// Growth of the backlog, requests per second (saturated runs only).
    pub growth_per_s: Option<f64>,
    /// Seconds after which the log is at high water (unsustainable runs only).
    pub log_full_after_s: Option<f64>,
    /// In words, why the state is what it is, if it is not stable.
    pub reason: Option<String>,
}

/// What the classes ask for.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct Offered {
    /// Open and trace requests per second as the scenario states them; null if every class is closed.
    pub iops: Option<f64>,
    /// Classes that wait for their answers and offer nothing.
    #[serde(default)]
    pub closed_classes: u32,
}

/// What the design delivered.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct Carried {
    /// Requests finished per second.
    pub iops: Figure,
    /// Bytes read per second.
    pub read_bytes_per_s: Figure,
    /// Bytes written per second.
    pub write_bytes_per_s: Figure,
}

/// Latency of one class and operation.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct ClassRow {
    /// Class, or "all".
    pub name: String,
    /// "read", "write" or "all".
    pub operation: String,
    /// Requests measured.
    pub requests: u64,
    /// Requests per second.
    pub iops: f64,
    /// "mean", "p50", "p90", "p95", "p99", "p99.9", "p99.99" → microseconds.
    pub latency_us: BTreeMap<String, Figure>,
}

/// One queue, or a group of like ones.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct StationRow {
    /// "ports.rx", "cpu", "drives.unit" …
    pub name: String,
    /// Members of the group (24 drives).
    pub members: u32,
    /// Servers of one member.
    pub servers: u32,
    /// Mean utilisation over the members, 0 to 1.
    pub utilisation: f64,
    /// Mean number waiting, all members together.
    pub mean_queue: f64,
    /// Mean wait, microseconds.
    pub mean_wait_us: f64,
    /// Mean service, microseconds.
    pub mean_service_us: f64,
    /// Arrivals per second, all members together.
    pub arrivals_per_s: f64,
    /// The member with the highest utilisation.
    pub busiest: Option<MemberRow>,
    /// Every member (only with --detail).
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub detail: Vec<MemberRow>,
}

/// One member of a group.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct MemberRow {
    /// Its name within the group ("drive 3").
    pub name: String,
    /// Utilisation, 0 to 1.
    pub utilisation: f64,
    /// Mean wait, microseconds.
    pub mean_wait_us: f64,
    /// Arrivals per second.
    pub arrivals_per_s: f64,
}

/// Where the time of requests went: mean wait and service at one station.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct BlameRow {
    /// Class, or "all".
    pub class: String,
    /// "read" or "write" or "all".
    pub operation: String,
    /// "all", or "p50", "p99" or "p99.9": only the requests slower than that percentile.
    pub above: String,
    /// Station.
    pub station: String,
    /// Mean wait per request, microseconds.
    pub wait_us: f64,
    /// Mean service per request, microseconds.
    pub service_us: f64,
}

/// An objective and what was found.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct ObjectiveRow {
    /// Class.
    pub class: String,
    /// "read", "write" or "all".
    pub operation: String,
    /// Percentile.
    pub percentile: f64,
    /// What it must stay below, microseconds.
    pub below_us: f64,
    /// What was found, microseconds.
    pub value_us: Figure,
    /// Whether it holds (the value below the bound); null if it cannot be told.
    pub met: Option<bool>,
    /// Whether the whole interval lies on one side of the bound.
    pub certain: bool,
    /// When it must hold.
    pub during: String,
    /// In a run with dates, of an objective for any time: the period judged, which has the greatest figure or, if that
    /// leaves it open, is the first without one. Else null.
    #[serde(default)]
    pub period: Option<String>,
    /// "class" or "worst-machine".
    pub over: String,
}

/// The time between two dates, and the requests that were due in it.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct PeriodRow {
    /// "before", "during NAME + NAME", "after NAME".
    pub name: String,
    /// Its start, seconds since the end of warm-up.
    pub from_s: f64,
    /// Its end.
    pub to_s: f64,
    /// Faults and phases in force, standing ones too.
    pub in_force: Vec<String>,
    /// Latency by class and operation of the requests due in it, as in the whole run.
    pub classes: Vec<ClassRow>,
}

/// One point of the figures over time; over all replications.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct SeriesRow {
    /// Start of the point, seconds since the end of warm-up; it ends where the next one starts.
    pub at_s: f64,
    /// Requests finished per second.
    pub iops: f64,
    /// Mean latency of the requests due in it, microseconds; null if there were none.
    pub mean_us: Option<f64>,
    /// Their median; null with fewer than 10 requests beyond it.
    pub p50_us: Option<f64>,
    /// Their 99th percentile; likewise.
    pub p99_us: Option<f64>,
    /// Requests in the system at its end, mean over replications.
    pub backlog: f64,
    /// How full the write log is at its end, 0 to 1; null without one.
    pub log_fill: Option<f64>,
    /// By group of stations: utilisation, mean over its members, 0 to 1.
    pub utilisation: BTreeMap<String, f64>,
}

/// Bytes at one level between host and flash.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct LedgerRow {
    /// "host", "drives" …
    pub level: String,
    /// Bytes read per second.
    pub read_bytes_per_s: f64,
    /// Bytes written per second.
    pub write_bytes_per_s: f64,
}

/// A law that the run was held to.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct AuditRow {
    /// "little", "utilisation", "conservation", "blame" or "ledger".
    pub law: String,
    /// Station, or "system".
    pub station: String,
    /// Relative difference of the two measurements.
    pub error: f64,
    /// What was allowed.
    pub allowed: f64,
    /// Whether it held.
    pub ok: bool,
}
