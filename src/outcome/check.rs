//! The result of `check`: what static arithmetic says, the page that a spreadsheet would be.
//!
//! A part that the scenario says nothing about is null; so is a figure that does not exist, beside a reason.

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
    /// Why there are no ceilings and no bandwidth chain, where the design cannot be worked out.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub reason: Option<String>,
    /// What is full on paper, by name; empty if nothing is.
    pub full: Vec<String>,
    /// What each hop carries; null if bytes pass nothing that has a rate.
    pub bandwidth: Option<BandwidthChain>,
    /// One row a resource, in the order of the path.
    pub ceilings: Vec<CeilingRow>,
    /// PCIe lanes; null if nothing takes any.
    pub lanes: Option<Lanes>,
    /// Room for data; null without drives of a stated capacity.
    pub capacity: Option<CapacityPage>,
    /// Memory of the controllers; null if none is stated.
    pub memory: Option<MemoryPage>,
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

/// What each hop between hosts and flash carries, in bytes of the hosts: after overheads on its links, and behind
/// protection, reduction and cache.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct BandwidthChain {
    /// Bytes per second that open and trace classes read; null if every class is closed.
    pub offered_read_bytes_per_s: Option<f64>,
    /// Bytes per second that they write; null if every class is closed.
    pub offered_write_bytes_per_s: Option<f64>,
    /// The hop that carries the fewest bytes of reads; null if nothing is read.
    pub narrowest_read: Option<String>,
    /// The same of writes.
    pub narrowest_write: Option<String>,
    /// From the hosts to the drives.
    pub hops: Vec<HopRow>,
    /// Why nothing is offered, if nothing is.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub reason: Option<String>,
}

/// One hop of the chain.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct HopRow {
    /// Its stations' name without the direction; `drives.rating` is what the drives promise for sequential requests.
    pub hop: String,
    /// Links, controllers or drives side by side.
    pub members: u32,
    /// Bytes per second that hosts read through all members if nothing is written; null if reads ask nothing of it.
    pub read_bytes_per_s: Option<f64>,
    /// Offered reads ÷ that; null if either is not there.
    pub read_share: Option<f64>,
    /// The station that is full then.
    pub read_bound: Option<String>,
    /// Bytes per second that hosts write through all members if nothing is read; null if writes ask nothing of it.
    pub write_bytes_per_s: Option<f64>,
    /// Offered writes ÷ that.
    pub write_share: Option<f64>,
    /// The station that is full then.
    pub write_bound: Option<String>,
    /// How busy all that is offered keeps its busier direction; null if every class is closed.
    pub utilisation: Option<f64>,
    /// Why one of the two is not there.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub reason: Option<String>,
}

/// PCIe lanes that the design takes of its processor's.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct Lanes {
    /// Lanes that the processor has; null if the scenario states no budget.
    pub budget: Option<u32>,
    /// Lanes that are taken.
    pub taken: u64,
    /// What takes them.
    pub takers: Vec<LaneRow>,
    /// Why there is no budget.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub reason: Option<String>,
}

/// Things alike that take lanes.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct LaneRow {
    /// Uplinks, links, drives or ports.
    pub what: String,
    /// How many there are.
    pub count: u32,
    /// Lanes of one.
    pub lanes_each: u32,
    /// Lanes of all.
    pub lanes: u64,
}

/// Room for data, and what takes it.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct CapacityPage {
    /// Number of drives.
    pub drives: u32,
    /// All drives as they are sold, bytes.
    pub raw_bytes: f64,
    /// Kept free to restore lost drives to, bytes.
    pub spares_bytes: f64,
    /// Copies and parity, bytes.
    pub redundancy_bytes: f64,
    /// Left for data, bytes: raw less spares and redundancy.
    pub usable_bytes: f64,
    /// Kept free of that for the cleaner, bytes.
    pub reserve_bytes: f64,
    /// Room for data as it is stored, bytes: usable less the reserve.
    pub room_bytes: f64,
    /// What machines of the stated mix may be given in all, bytes; null if their data takes no room.
    pub effective_bytes: Option<f64>,
    /// What they have been given, bytes.
    pub given_bytes: f64,
    /// The same as it is stored, bytes.
    pub stored_bytes: f64,
    /// Stored ÷ room; above 1 it does not fit.
    pub fill: f64,
    /// Machines of all classes.
    pub machines: u64,
    /// Machines of the stated mix that the room takes; null if their data takes none.
    pub machines_that_fit: Option<u64>,
    /// One row a class.
    pub classes: Vec<CapacityRow>,
    /// Why a figure is null.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub reason: Option<String>,
}

/// What the machines of one class take.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct CapacityRow {
    /// The class.
    pub class: String,
    /// Its machines.
    pub machines: u32,
    /// What they have been given, bytes.
    pub given_bytes: f64,
    /// The same as it is stored, bytes.
    pub stored_bytes: f64,
    /// Stored ÷ room of the design.
    pub fill: f64,
}

/// What the memory of the controllers is wanted for.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct MemoryPage {
    /// Number of controllers.
    pub controllers: u32,
    /// All the memory.
    pub size: MemoryRow,
    /// The write log, where it is held in memory.
    pub log: MemoryRow,
    /// What the block map wants.
    pub map: MemoryRow,
    /// What the fingerprint index wants.
    pub index: MemoryRow,
    /// The read cache.
    pub cache: MemoryRow,
    /// What is left beside all these.
    pub left: MemoryRow,
    /// What map and index want and do not get.
    pub overflow: MemoryRow,
    /// Share of look-ups in the fingerprint index that go to the drives.
    pub index_misses: f64,
    /// Share of look-ups in the block map that do, by class.
    pub map_misses: Vec<MissRow>,
}

/// A part of the memory.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct MemoryRow {
    /// Of one controller, bytes.
    pub each_bytes: f64,
    /// Of all controllers, bytes.
    pub all_bytes: u64,
}

/// Look-ups of one class that find no entry in memory.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct MissRow {
    /// The class.
    pub class: String,
    /// Share of its look-ups.
    pub share: f64,
}
