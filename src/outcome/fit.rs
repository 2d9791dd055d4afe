//! The result of `fit`: how many machines a design takes.

use serde::{Deserialize, Serialize};

use super::{AuditRow, DefaultRow, Figure};

/// Everything `fit` found out.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct FitOutcome {
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
    /// Confidence of the whole answer: of all its ends together.
    pub confidence: f64,
    /// The class whose machines are counted, or "all": all classes in the proportion that is stated.
    pub class: String,
    /// Machines that are stated, of the class or of all.
    pub stated_machines: u64,
    /// The answer: the largest number that may be promised.
    pub machines: Figure,
    /// By class, at that number.
    pub by_class: Vec<ClassMachines>,
    /// What sets it: "healthy", the name of a fault, or a resource of `limits`.
    pub binding: Option<String>,
    /// What is found with no fault.
    pub healthy: FitCase,
    /// What is found with each fault by itself.
    pub faults: Vec<FitCase>,
    /// How many machines by each limit, whatever the others do: latency, sustained load, capacity, memory, lanes, endurance.
    #[serde(default)]
    pub by_limit: Vec<FitLimit>,
    /// What paper says, whatever the queues do.
    pub limits: Vec<PaperLimit>,
    /// Price over the years stated for each of that number; null without prices.
    pub price_per_machine: Option<f64>,
    /// What it is in, if that is stated.
    pub currency: Option<String>,
    /// Years of the stated growth until the design is outgrown; null without growth.
    pub outgrown_after_years: Option<Figure>,
    /// What outgrows it first.
    pub outgrown_by: Option<String>,
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

/// Machines of a class.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct ClassMachines {
    /// The class.
    pub class: String,
    /// Its machines.
    pub machines: u64,
    /// Its machines as stated.
    pub stated_machines: u64,
}

/// How many machines fit in one case.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct FitCase {
    /// "healthy", or the name of the fault.
    pub name: String,
    /// The largest number for which every objective of the case holds. Its value is its low end, the largest that was
    /// accepted; its high end is the smallest that was rejected. Null beside a reason.
    pub machines: Figure,
    /// The objective that gives way first, in words; null if the load is not carried before one does.
    pub binding_objective: Option<String>,
    /// The busiest station at the number that was accepted.
    pub busiest: Option<String>,
    /// Its utilisation, 0 to 1.
    pub utilisation: Option<f64>,
    /// Objectives that were judged.
    pub objectives: u32,
}

/// How many machines one limit allows, whatever the others do.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct FitLimit {
    /// "latency", "sustained load", "capacity", "memory", "lanes" or "endurance".
    pub limit: String,
    /// Machines. Value and low end are the largest number that surely holds, the high end is the smallest that surely does not.
    /// Without a value the limit lies anywhere above the low end: something else ended the search. Null beside a reason.
    pub machines: Figure,
    /// The case that sets it, "healthy" or the name of a fault; null of a limit that needs no simulation.
    pub case: Option<String>,
    /// What fails above that number, in words; null where it was not found.
    pub binding: Option<String>,
}

/// A limit that needs no simulation.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct PaperLimit {
    /// "capacity", "memory", "lanes" or "endurance".
    pub resource: String,
    /// Machines that fit; null where their number does not matter, or nothing is known.
    pub machines: Option<u64>,
    /// What that rests on, in words.
    pub why: String,
}
