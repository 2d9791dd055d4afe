//! The result of `check`: what static arithmetic says.

use serde::{Deserialize, Serialize};

/// The static column of a scenario.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct CheckOutcome {
    /// Version of this JSON layout: 1.
    pub schema: u32,
    /// Name and version of the tool.
    pub tool: String,
    /// Hash of the scenario with its overrides.
    pub scenario_digest: String,
    /// The scenario's title.
    pub title: String,
    /// Open and trace requests per second as stated; null if every class is closed.
    pub offered_iops: Option<f64>,
    /// Requests per second at which the first resource is full; null if nothing is asked of any.
    pub static_ceiling_iops: Option<f64>,
    /// That resource.
    pub static_binding: Option<String>,
    /// One row a resource, in the order of the path.
    pub ceilings: Vec<CeilingRow>,
    /// Advice.
    pub notes: Vec<String>,
}

/// What adding up demands says of one resource.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct CeilingRow {
    /// Station, as `run` names it.
    pub station: String,
    /// Servers of all its members together.
    pub servers: u32,
    /// Mean service that one request asks of it, microseconds.
    pub demand_us: f64,
    /// Requests per second at which it is full.
    pub ceiling_iops: f64,
    /// Offered load ÷ ceiling; null if every class is closed.
    pub utilisation: Option<f64>,
}
