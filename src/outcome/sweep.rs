//! The results of `sweep`: what will run, what was found at each point, and what a store holds.

use std::collections::BTreeMap;

use serde::{Deserialize, Serialize};

/// What a sweep was made from: two stores with equal inputs may be joined, and a sweep goes on only where these agree.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize)]
pub struct SweepInputs {
    /// Name and version of the tool.
    pub tool: String,
    /// The sweep's title.
    pub title: String,
    /// Text of the sweep file.
    pub sweep: String,
    /// Text of the base scenario.
    pub base: String,
    /// BLAKE3 of every file that the base names, by its name as written.
    pub files: BTreeMap<String, String>,
    /// Variants before any was dropped.
    pub variants: u64,
}

/// What a sweep will do.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct SweepPlan {
    /// Version of this JSON layout: 1.
    pub schema: u32,
    /// Name and version of the tool.
    pub tool: String,
    /// The sweep's title.
    pub title: String,
    /// The base scenario's file, as written.
    pub base: String,
    /// What is asked of each variant.
    pub ask: Vec<String>,
    /// What is sought, in words; empty if nothing is.
    pub front: Vec<String>,
    /// Keys that vary, with how many values each has; keys that vary together have one row.
    pub axes: Vec<AxisRow>,
    /// Variants in all.
    pub variants: u64,
    /// Variants of this shard that will run.
    pub points: u64,
    /// This shard and all of them, from 1; absent where there is one.
    pub shard: Option<[u64; 2]>,
    /// What was left out, and why.
    pub dropped: Vec<DroppedRow>,
    /// What the first variants change.
    pub first: Vec<PointSets>,
    /// How long all points are expected to take; null if nothing was probed.
    pub expected: Option<ExpectedTime>,
}

/// How long a sweep is expected to take, from a probe of some of its points.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct ExpectedTime {
    /// Points that the probe asked to their end, spread over the space.
    pub probed: u64,
    /// Points that were under way when its time was over.
    pub cut_off: u64,
    /// Seconds that the probe took.
    pub probe_s: f64,
    /// Seconds that all points take on as many threads; a lower bound if some were cut off, since those take longer than was
    /// seen.
    pub all_s: f64,
}

/// What varies.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct AxisRow {
    /// Paths of the keys.
    pub keys: Vec<String>,
    /// Values that a grid takes.
    pub values: u64,
    /// First and last value of each key.
    pub ends: Vec<[String; 2]>,
}

/// Variants that were left out for one reason.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct DroppedRow {
    /// Why.
    pub why: String,
    /// How many.
    pub count: u64,
    /// The first of them.
    pub first: PointSets,
}

/// What a variant changes of the base.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize)]
pub struct PointSets {
    /// Its number among all variants, from 0.
    pub number: u64,
    /// Path and value of each change, in the order of the sweep file.
    pub sets: Vec<(String, String)>,
}

/// What was found at one point.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct PointOutcome {
    /// What it changes.
    #[serde(flatten)]
    pub point: PointSets,
    /// Hash of the scenario with its changes.
    pub scenario_digest: String,
    /// Why there is no answer; null if there is one.
    pub error: Option<String>,
    /// Round of a budget in which it was asked, from 1; null if it was asked as the scenario says.
    pub round: Option<u32>,
    /// Keys and values that the round changed beside, to make the same answer again; none if it was asked as the scenario says.
    pub asked_with: Vec<(String, String)>,
    /// Whole answers as JSON: an object with one for each question; empty if it was left in the store.
    pub answers: String,
    /// The figures that are kept.
    pub figures: Vec<KeptFigure>,
    /// Requests simulated.
    pub requests: u64,
}

/// A figure of a point.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct KeptFigure {
    /// "run.ticketing-db.read.p99_us" and the like.
    pub name: String,
    /// Its value; null if the point has none.
    pub value: Option<f64>,
    /// Low end of its interval, if it has one.
    pub low: Option<f64>,
    /// High end.
    pub high: Option<f64>,
}

/// What became of a sweep that ran.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct SweepRun {
    /// The plan.
    pub plan: SweepPlan,
    /// Points that had been finished before.
    pub before: u64,
    /// Points that were finished now.
    pub finished: u64,
    /// Of all finished points, those with an error.
    pub failed: u64,
    /// Whether the user interrupted.
    pub interrupted: bool,
    /// How a budget was spent; null without one.
    pub budget: Option<BudgetPage>,
}

/// How the time of a budget was spent.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct BudgetPage {
    /// Seconds that it was given.
    pub given_s: f64,
    /// Seconds that it took.
    pub used_s: f64,
    /// What each round asked, in earlier starts too.
    pub rounds: Vec<RoundRow>,
    /// Points that were asked at all; only these are compared.
    pub asked: u64,
    /// Points that were not, and may beat all of those.
    pub not_asked: u64,
    /// Points that nothing asked surely beats.
    pub front: u64,
    /// Of these, those of which it is open whether another beats them or they beat another.
    pub open: u64,
    /// Points that a further round would have asked.
    pub waiting: u64,
}

/// A round of a budget.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize)]
pub struct RoundRow {
    /// From 1, each asks about four times as much of a point as the one before; null for what was asked as the scenario says.
    pub round: Option<u32>,
    /// Points that it asked.
    pub points: u64,
    /// Requests that it simulated.
    pub requests: u64,
}

/// What a store holds: of every point what it changes and what was kept.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct SweepTable {
    /// Version of this JSON layout: 1.
    pub schema: u32,
    /// What it was made from.
    pub inputs: SweepInputs,
    /// Points that the sweep asks, the variants less those that are dropped; null while a shard of it is missing.
    pub planned: Option<u64>,
    /// Points in the order of their numbers, without their whole answers.
    pub points: Vec<PointOutcome>,
}

/// Rows of a store, chosen and ordered.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct SweepListing {
    /// Version of this JSON layout: 1.
    pub schema: u32,
    /// Name and version of the tool.
    pub tool: String,
    /// The sweep's title.
    pub title: String,
    /// Variants before any was dropped.
    pub variants: u64,
    /// Points that the sweep asks, the variants less those that are dropped; null while a shard of it is missing.
    #[serde(default)]
    pub planned: Option<u64>,
    /// Points that are finished.
    pub finished: u64,
    /// Of these, those with an error.
    pub failed: u64,
    /// Points that were asked for, before the number of rows was cut.
    pub kept: u64,
    /// Names of all figures that some point has.
    pub known: Vec<String>,
    /// Goals of the front, in words; empty if none was asked for.
    pub front: Vec<String>,
    /// The points.
    pub rows: Vec<ListingRow>,
}

/// One point of a listing.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct ListingRow {
    /// Its number among all variants.
    pub number: u64,
    /// What it changes.
    pub sets: Vec<(String, String)>,
    /// Why it has no answer.
    pub error: Option<String>,
    /// Round of a budget in which it was asked last; null if it was asked as the scenario says.
    pub round: Option<u32>,
    /// Where it stands, if a front was asked for.
    pub standing: Option<Standing>,
    /// The figures, a column each.
    pub figures: Vec<KeptFigure>,
}

/// Where a point stands among all.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "lowercase")]
pub enum Standing {
    /// No other is as good in everything and better in something.
    Front,
    /// Some other is, by its values, but intervals leave it open.
    Perhaps,
    /// Some other surely is.
    Beaten,
}

impl Standing {
    /// The answer to "is it on the front?".
    pub fn word(self) -> &'static str {
        match self {
            Standing::Front => "yes",
            Standing::Perhaps => "perhaps",
            Standing::Beaten => "no",
        }
    }
}

/// A sweep as a page shows it.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct SweepFindings {
    /// Its points: with their standing if a front is sought, those that are beaten too.
    pub listing: SweepListing,
    /// The scenario of any of them; null where points change unlike keys, or only their figures are known.
    pub scenario: Option<SlottedScenario>,
}

/// The text of a scenario with slots for the values that points change.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize)]
pub struct SlottedScenario {
    /// What stands before, between and after the slots: one more than there are slots.
    pub pieces: Vec<String>,
    /// Which change of a point goes into each slot, from 0.
    pub keys: Vec<usize>,
    /// Values that are texts, and stand in quotes there.
    pub texts: Vec<String>,
}
