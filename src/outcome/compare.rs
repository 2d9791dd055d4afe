//! The result of `compare`: several designs under the same traffic.

use serde::{Deserialize, Serialize};

use super::{Figure, RunOutcome};

/// Everything `compare` found out.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct CompareOutcome {
    /// Version of this JSON layout: 1.
    pub schema: u32,
    /// Name and version of the tool.
    pub tool: String,
    /// Each design's own answer; the first is what the others are compared with.
    pub designs: Vec<DesignOutcome>,
    /// The differences that the answer is about: of each objective's figure, or of each class's p99 where
    /// there are no objectives.
    pub answers: Vec<DifferenceRow>,
    /// All latency differences over the whole window, by class, operation and percentile.
    pub differences: Vec<DifferenceRow>,
    /// Differences of other figures: load, bytes, space.
    pub other: Vec<OtherRow>,
    /// What could not be compared, and why.
    pub notes: Vec<String>,
}

/// One design and its answer: the blocks of `run`, and a name.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct DesignOutcome {
    /// File name, or the change that makes it.
    pub name: String,
    /// What `run` would say of it, over the window that all designs share.
    #[serde(flatten)]
    pub run: RunOutcome,
}

/// How much a latency of design `b` exceeds that of design `a`.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct DifferenceRow {
    /// Class, or "all".
    pub class: String,
    /// "read", "write" or "all".
    pub operation: String,
    /// Percentile; null is the mean.
    pub percentile: Option<f64>,
    /// The fault or phase that it is about; null is the whole window.
    pub during: Option<String>,
    /// "class" or "worst-machine".
    pub over: String,
    /// Name of the first design.
    pub a: String,
    /// Name of the other.
    pub b: String,
    /// The figure of `a`, microseconds.
    pub a_us: Option<f64>,
    /// The figure of `b`, microseconds.
    pub b_us: Option<f64>,
    /// `b` less `a`, microseconds, with its paired interval.
    pub us: Figure,
    /// Whether zero lies outside the interval; null where there is none.
    pub distinguishable: Option<bool>,
    /// Both designs treat every request alike: the difference is exactly nothing.
    pub same: bool,
    /// How many times as long a run would be expected to tell the difference; null where it is told, and where
    /// more than a hundred times would not.
    pub longer: Option<f64>,
}

/// How much another figure of design `b` exceeds that of design `a`.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct OtherRow {
    /// "carried_iops", "usable_bytes", "effective_bytes", "flash_write_bytes_per_s", "drive_writes_per_day",
    /// "years_to_rated_wear", "rebuild_hours", "price_total".
    pub what: String,
    /// Name of the first design.
    pub a: String,
    /// Name of the other.
    pub b: String,
    /// The figure of `a`, in the unit that `what` names.
    pub a_value: Option<f64>,
    /// The figure of `b`.
    pub b_value: Option<f64>,
    /// `b` less `a`, in the same unit; with an interval where it was measured in pairs.
    pub difference: Figure,
    /// Whether zero lies outside the interval; null where there is none.
    pub distinguishable: Option<bool>,
}
