//! The result of `wear`: room, wear, risk and price.

use serde::{Deserialize, Serialize};

use super::{AuditRow, CapacityPage, DefaultRow, Figure, RunFacts, State};

/// Everything `wear` found out. The figures at the top are those at the middle of every range; `results` holds the same with
/// what the ranges make of them.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct WearOutcome {
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
    /// Room for data as it is stored: after protection, spares and reserve, bytes; null of drives without a size.
    pub usable_bytes: Option<f64>,
    /// What machines of the stated mix may be given in all, bytes.
    pub effective_bytes: Option<f64>,
    /// Written by the machines in a day, bytes.
    pub host_bytes_per_day: f64,
    /// Programmed to all drives' flash in a day, bytes; null where the drives are no flash drives.
    pub flash_bytes_per_day: Option<f64>,
    /// How often a day a drive is written to full, on average over those that hold data, before its own cleaning.
    pub drive_writes_per_day: Option<f64>,
    /// Years until the worst drive has used up what its rating lets its flash bear.
    pub years_to_rated_wear: Option<f64>,
    /// Hours to restore a lost drive at this load; null where nothing is restored.
    pub rebuild_hours: Option<f64>,
    /// Probability of losing data within a year, by drives and unreadable sectors alone.
    pub annual_loss_probability: Option<f64>,
    /// Whether the load was carried while it was measured.
    pub state: State,
    /// What does not hold: "capacity", "endurance".
    pub fails: Vec<String>,
    /// How long was measured.
    pub run: RunFacts,
    /// Raw to room for data, and what the classes take.
    pub capacity: Option<CapacityPage>,
    /// Today and by year of growth; empty if nothing grows.
    pub years: Vec<YearRow>,
    /// Bytes of a day at each level between host and flash.
    pub ledger: Vec<DayRow>,
    /// What the drives' rating lets them bear, and how long that lasts.
    pub endurance: Option<EndurancePage>,
    /// The same design with drives of other sizes of the same family.
    pub capacities: Vec<ChoiceRow>,
    /// What reduction buys; empty where nothing is reduced.
    pub reduction: Vec<ChoiceRow>,
    /// Rebuild and risk of loss.
    pub risk: Option<RiskPage>,
    /// Power and energy; null if no power is stated.
    pub power: Option<PowerPage>,
    /// What it costs; null if no price is stated.
    pub price: Option<PricePage>,
    /// The main figures with what ranges and sampling make of them, and what they depend on.
    pub results: Vec<ResultRow>,
    /// The ranges that were stated.
    pub ranges: Vec<RangeRow>,
    /// Draws of the Monte Carlo; 0 if there was nothing to draw.
    pub draws: u32,
    /// Laws that did not hold in the run.
    pub failed_audit: Vec<AuditRow>,
    /// Whether the user interrupted.
    pub interrupted: bool,
    /// What was assumed.
    pub assumptions: Vec<String>,
    /// Keys that the scenario leaves out, and what holds for each.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub defaults: Vec<DefaultRow>,
    /// Advice to the reader.
    pub notes: Vec<String>,
}

/// A year of growth.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct YearRow {
    /// Years from now.
    pub year: u32,
    /// Machines of all classes, in fractions of one.
    pub machines: f64,
    /// What they have been given, bytes.
    pub given_bytes: Option<f64>,
    /// The same as it is stored, bytes.
    pub stored_bytes: Option<f64>,
    /// Stored ÷ room.
    pub fill: Option<f64>,
    /// Programmed to flash in a day, bytes.
    pub flash_bytes_per_day: Option<f64>,
    /// Share of what the worst drive's rating lets it bear that has been used up by then.
    pub used_up: Option<f64>,
}

/// Bytes of a day at one level.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct DayRow {
    /// As in the ledger of `run`.
    pub level: String,
    /// Read in a day, bytes.
    pub read_bytes_per_day: f64,
    /// Written in a day, bytes, with the interval of the run.
    pub write_bytes_per_day: Figure,
    /// The same for each byte that hosts write.
    pub per_host_byte: Option<f64>,
}

/// How long the drives last.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct EndurancePage {
    /// The part.
    pub part: String,
    /// Drives that hold data.
    pub drives: u32,
    /// Capacity of one, bytes.
    pub capacity_bytes: f64,
    /// Drive writes a day of its rating.
    pub rated_drive_writes_per_day: f64,
    /// Warranty, years.
    pub warranty_years: f64,
    /// Bytes that its rating lets a host write to it.
    pub rated_bytes: f64,
    /// Amplification that the rating's workload (JESD219) has on this drive.
    pub rating_amplification: f64,
    /// Bytes that its flash bears by that.
    pub flash_budget_bytes: f64,
    /// Amplification of this design's writes in the drives, measured.
    pub amplification: Option<f64>,
    /// Writes of the worst drive ÷ those of the mean drive.
    pub unevenness: f64,
    /// The drive with the most writes.
    pub worst: DriveWear,
    /// The mean drive.
    pub mean: DriveWear,
    /// Years of the worst drive if the load grows as stated; null if nothing grows, or if the design is full before.
    pub years_with_growth: Option<f64>,
}

/// Wear of one drive.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct DriveWear {
    /// Reaching the drive in a day, bytes.
    pub drive_bytes_per_day: f64,
    /// Programmed to its flash in a day, bytes.
    pub flash_bytes_per_day: f64,
    /// Drive writes a day.
    pub drive_writes_per_day: f64,
    /// Years until the flash budget is used up; null if nothing is written.
    pub years: Option<f64>,
    /// Years until the rated bytes have reached the drive, whatever it makes of them: the conservative figure.
    pub conservative_years: Option<f64>,
}

/// The same design with something else.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct ChoiceRow {
    /// What is else, in words.
    pub what: String,
    /// Whether it is the design as stated.
    pub is_stated: bool,
    /// Room for data as it is stored, bytes.
    pub usable_bytes: Option<f64>,
    /// What machines may be given in all, bytes.
    pub effective_bytes: Option<f64>,
    /// Stored ÷ room.
    pub fill: Option<f64>,
    /// Drive writes a day of the mean drive.
    pub drive_writes_per_day: Option<f64>,
    /// Years of the worst drive by its flash budget.
    pub years: Option<f64>,
    /// The same by its rated bytes.
    pub conservative_years: Option<f64>,
    /// Why figures are null.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub reason: Option<String>,
}

/// Rebuild and risk of loss.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct RiskPage {
    /// Bytes of lost content restored a second with a sixth, a half and five sixths restored; null where nothing is.
    pub rebuild_bytes_per_s: Option<[f64; 3]>,
    /// Bytes that a lost drive held.
    pub rebuild_bytes: Option<f64>,
    /// Hours to restore them.
    pub rebuild_hours: Option<f64>,
    /// Hours until that begins.
    pub wait_hours: f64,
    /// Sets of drives that fail independently.
    pub sets: u32,
    /// Drives of a set.
    pub set_drives: u32,
    /// Losses that a set survives.
    pub survives: u32,
    /// Failures of a drive in a year.
    pub failure_rate_per_year: f64,
    /// Drives that fail in a year, of all that hold data.
    pub failures_per_year: f64,
    /// Unrecoverable errors for each bit read.
    pub uber: f64,
    /// Bits that the last rebuild without redundancy reads.
    pub critical_bits: f64,
    /// Probability that one of them cannot be read.
    pub spoilt_probability: f64,
    /// Mean years until a set loses data: exact, and by the usual formula.
    pub mean_years_to_loss: Option<f64>,
    /// By the usual formula.
    pub mean_years_to_loss_rare: Option<f64>,
    /// Probability that any set loses data within a year, exactly.
    pub annual_loss_probability: f64,
    /// By the usual formula.
    pub annual_loss_probability_rare: f64,
    /// That formula, in words.
    pub formula: String,
    /// Why a figure is null.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub reason: Option<String>,
}

/// Power and energy.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct PowerPage {
    /// Of all drives, watts.
    pub drives_w: Option<f64>,
    /// Of all else, watts.
    pub system_w: Option<f64>,
    /// Of what is stated, watts.
    pub total_w: f64,
    /// Years that energy is added up over.
    pub years: f64,
    /// Energy in that time, kilowatt hours, with the site's share.
    pub energy_kwh: f64,
    /// What is not stated.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub reason: Option<String>,
}

/// What it costs.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct PricePage {
    /// What amounts are in.
    pub currency: Option<String>,
    /// Years that payments are added up over.
    pub years: f64,
    /// Of all drives; null if a drive has no price.
    pub drives: Option<f64>,
    /// Of all else.
    pub system: f64,
    /// What is paid every year, over the years.
    pub yearly: f64,
    /// Energy over the years; null without a price or a power.
    pub energy: Option<f64>,
    /// Of what is stated.
    pub total: f64,
    /// For each 10^12 bytes of room for data as it is stored.
    pub per_usable_tb: Option<f64>,
    /// For each 10^12 bytes that machines may be given.
    pub per_effective_tb: Option<f64>,
    /// For each machine stated.
    pub per_machine: f64,
    /// For each 1,000 requests a second carried with every objective met; null where one is missed or none is stated.
    pub per_1000_iops: Option<f64>,
    /// What is missing, and why.
    pub missing: Vec<String>,
}

/// A figure, what ranges and sampling make of it, and what it depends on.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct ResultRow {
    /// Name of the figure.
    pub what: String,
    /// At the middle of every range; low and high hold the middle share of all draws that `confidence` says.
    pub value: Figure,
    /// Share of the draws in which there is such a figure at all (a design that is never full has no year of it).
    pub exists: f64,
    /// Inputs by how much of its variance is theirs, the largest first.
    pub depends_on: Vec<Dependence>,
}

/// How much of a result's variance is an input's.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct Dependence {
    /// Path of the key, or "sampling" for what the run left uncertain.
    pub input: String,
    /// First-order index of variance, 0 to 1.
    pub share: f64,
}

/// A range that was stated.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct RangeRow {
    /// Path of the key.
    pub path: String,
    /// Lowest value, in the key's base unit.
    pub low: f64,
    /// Middle: what runs take.
    pub middle: f64,
    /// Highest value.
    pub high: f64,
}
