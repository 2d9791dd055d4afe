//! The result of `knee`: where a design bends, gives way and breaks.

use std::collections::BTreeMap;

use serde::{Deserialize, Serialize};

use super::{AuditRow, DefaultRow, Figure, State};

/// Everything `knee` found out.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct KneeOutcome {
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
    /// Confidence of every interval.
    pub confidence: f64,
    /// Requests per second offered at scale 1; null if every class is closed.
    pub offered_iops: Option<f64>,
    /// The stated load itself.
    pub stated: StatedLoad,
    /// Loads tried, from light to heavy.
    pub curve: Vec<CurvePoint>,
    /// Where a per cent more load costs a per cent of mean latency.
    pub point: LoadMark,
    /// The largest load at which every objective holds.
    pub limit: LoadMark,
    /// The objective that gives way there.
    pub limit_objective: Option<String>,
    /// The largest load that is carried.
    pub saturation: LoadMark,
    /// The station that is full there.
    pub binding: Option<String>,
    /// What binds next, once that is relieved, and next after it.
    pub next: Vec<Rung>,
    /// Why there is no further rung.
    pub next_ends: Option<String>,
    /// Requests per second at which static arithmetic says the first resource is full.
    pub static_ceiling_iops: Option<f64>,
    /// That resource.
    pub static_binding: Option<String>,
    /// Each resource's ceiling, added up and simulated.
    pub resources: Vec<ResourceRow>,
    /// Requests simulated in all.
    pub requests: u64,
    /// Laws that did not hold in some run.
    pub failed_audit: Vec<AuditRow>,
    /// Whether the user interrupted.
    pub interrupted: bool,
    /// What was assumed: priors and approximations, in words.
    pub assumptions: Vec<String>,
    /// Keys that the scenario leaves out, and what holds for each.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub defaults: Vec<DefaultRow>,
    /// Advice to the reader.
    pub notes: Vec<String>,
}

/// What was found at the stated load.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct StatedLoad {
    /// Stable or not.
    pub state: State,
    /// Whether every objective holds; null if it cannot be told, or nothing is asked.
    pub objectives_met: Option<bool>,
}

/// One load of the curve.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct CurvePoint {
    /// Factor on the stated load.
    pub scale: f64,
    /// Requests offered per second; null if every class is closed.
    pub offered_iops: Option<f64>,
    /// Requests carried per second.
    pub carried_iops: Figure,
    /// Stable or not.
    pub state: State,
    /// The busiest station.
    pub binding: Option<String>,
    /// Its utilisation, 0 to 1.
    pub utilisation: f64,
    /// Latency of all requests: "mean", "p50", "p99" → microseconds.
    pub latency_us: BTreeMap<String, Figure>,
    /// Each objective's figure, in the order of the scenario, microseconds.
    pub objectives_us: Vec<Figure>,
}

/// A load that was searched for; null with a reason where there is none.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct LoadMark {
    /// Factor on the stated load. Of a saturation the ends are the largest load accepted and the smallest rejected; of a
    /// limit or a knee those, or the interval of a regression of all loads tried near it.
    pub scale: Figure,
    /// The same in requests per second.
    pub iops: Figure,
}

/// A rung of the ladder: what was relieved, and what binds then.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct Rung {
    /// The station that was relieved, beside those of the rungs before.
    pub relieved: String,
    /// How, in words.
    pub change: String,
    /// Factor on the stated load that is then carried.
    pub saturation_scale: Figure,
    /// Requests per second that are then carried.
    pub saturation_iops: f64,
    /// The station that is full then.
    pub binding: String,
}

/// One resource: what adding up says, and what the simulation shows at the load next below saturation.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct ResourceRow {
    /// Station.
    pub station: String,
    /// Requests per second at which its demands add up to all its time.
    pub static_ceiling_iops: Option<f64>,
    /// Requests per second at which its busiest member is full, by its utilisation.
    pub simulated_ceiling_iops: Option<f64>,
    /// Utilisation of its busiest member next below saturation, 0 to 1.
    pub utilisation: f64,
    /// Why the two differ, in a sentence.
    pub gap: String,
}
