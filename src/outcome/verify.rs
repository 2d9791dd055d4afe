//! The result of `verify`: the tool against theory and standards.

use serde::{Deserialize, Serialize};

use super::Figure;

/// Every check of `verify`.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct VerifyOutcome {
    /// Version of this JSON layout: 1.
    pub schema: u32,
    /// Name and version of the tool.
    pub tool: String,
    /// One row a figure.
    pub checks: Vec<CheckRow>,
    /// Textbook scenarios that were not checked: interrupted, or out of time. Absent if all were.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub not_checked: Vec<String>,
}

/// One figure held against an outside value.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct CheckRow {
    /// Identity of the check ("mm1-0.8 p99").
    pub id: String,
    /// What is compared, in words, with its unit.
    pub what: String,
    /// Author, year, place.
    pub source: String,
    /// The outside value.
    pub expected: f64,
    /// Allowed relative difference beyond the interval's own half-width.
    pub tolerance: f64,
    /// What the tool found.
    pub found: Figure,
    /// Whether they agree.
    pub ok: bool,
}
