//! The checked scenario: what the engine runs.
//!
//! Every value here was checked once, where it entered, and is trusted from then on. What the user
//! typed (text and spans) stays in `read`; only these types travel further.

use std::path::{Path, PathBuf};

use super::defaults::Defaults;
use crate::engine::{Law, SimDuration};
use crate::theory::protection::{Group, Scheme};

/// A whole question: design, classes, objectives and how to run it.
#[derive(Clone, Debug, PartialEq)]
pub struct Scenario {
    /// What the user calls it.
    pub title: String,
    /// Hash of the scenario's text and overrides (hex), so that a result can be traced to its input.
    pub digest: String,
    /// How to run it.
    pub run: RunPlan,
    /// The proposed design.
    pub design: Design,
    /// The kinds of virtual machine, in the order of the file. Not empty.
    pub classes: Vec<Class>,
    /// What must hold, in the order of the file.
    pub objectives: Vec<Objective>,
    /// What has gone wrong, in the order of the file.
    pub faults: Vec<Fault>,
    /// What a run leaves out.
    pub what_if: WhatIf,
    /// When classes ask for more or less, in the order of the file.
    pub phases: Vec<Phase>,
    /// Keys that were given as ranges, whose middles stand in the rest.
    pub ranges: Vec<Uncertain>,
    /// Keys that were left at their default and have an effect.
    pub defaults: Defaults,
}

/// A key that was given as a range.
#[derive(Clone, Debug, PartialEq)]
pub struct Uncertain {
    /// As the user would write it.
    pub path: String,
    /// What it is.
    pub input: Input,
    /// Lowest value, in the unit of the model.
    pub low: f64,
    /// Highest value, not below the lowest.
    pub high: f64,
}

/// What may be a range. A class is given by its place.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Input {
    /// Mean size of a block ÷ what it compresses to.
    Compress(usize),
    /// Share of blocks written that are stored already.
    Duplicate(usize),
    /// Share of blocks at rest that need no room.
    DuplicateStored(usize),
    /// Both, where only the first was stated.
    BothDuplicates(usize),
    /// Growth, per cent a year.
    Growth(usize),
    /// Mean load of a day, as a share of the stated one.
    Duty(usize),
    /// Failures of a drive, per cent a year.
    FailureRate,
    /// Unrecoverable errors for each bit read.
    Uber,
    /// Price of a drive.
    DrivePrice,
    /// Price of all but the drives.
    SystemPrice,
    /// What is paid every year.
    YearlyPrice,
    /// Price of a kilowatt hour.
    EnergyPrice,
}

/// Faults that are not in force, and what must hold under them: the study of how many machines fit takes
/// every fault by itself.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct WhatIf {
    /// In the order of the file.
    pub faults: Vec<Fault>,
    /// Objectives about these faults, in the order of the file.
    pub objectives: Vec<Objective>,
}

impl Scenario {
    /// Whether anything in it has a date: the run is then transient, its length given.
    pub fn is_dated(&self) -> bool {
        !self.phases.is_empty() || self.faults.iter().any(|fault| !fault.is_standing())
    }

    /// Recorded loads that it names: where each is, and the name as written.
    pub fn traces(&self) -> impl Iterator<Item = (&Path, &str)> {
        self.classes.iter().filter_map(|class| match &class.load {
            Load::Trace { path, name, .. } => Some((path.as_path(), name.as_str())),
            _ => None,
        })
    }
}

/// A quantity that the tool settles itself unless it is stated.
#[derive(Clone, Copy, Debug, PartialEq)]
pub enum Auto<T> {
    /// The tool finds it.
    Auto,
    /// As stated.
    Given(T),
}

/// `[run]`.
#[derive(Clone, Debug, PartialEq)]
pub struct RunPlan {
    /// Master seed.
    pub seed: u64,
    /// Simulated time discarded at the start of each replication.
    pub warm_up: Auto<SimDuration>,
    /// Simulated time measured in each replication.
    pub length: Auto<SimDuration>,
    /// Longest measured time a replication may reach under `length = "auto"`.
    pub length_max: SimDuration,
    /// Relative half-width wanted at `confidence`.
    pub precision: f64,
    /// Confidence of every interval, e.g. 0.95.
    pub confidence: f64,
    /// Independent replications, at least 2.
    pub replications: u32,
    /// Requests in the system past which a replication is given up as saturated.
    pub backlog_max: u64,
    /// Whether drives and layout have been in use, or are new.
    pub start: Start,
    /// From one point of the figures over time to the next (transient runs).
    pub series: SimDuration,
}

/// State of the drives at the start.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Start {
    /// In use long enough to clean as they always will.
    Steady,
    /// New: nothing is cleaned yet.
    Fresh,
}

/// `[design]`: every component is optional; one that is left out is infinitely fast.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct Design {
    /// The machines' hosts; only where ports are links.
    pub hosts: Option<Hosts>,
    /// Front ports.
    pub ports: Option<Ports>,
    /// Processor.
    pub cpu: Option<Cpu>,
    /// Links from processor to drives.
    pub fabric: Option<Fabric>,
    /// Drives.
    pub drives: Option<Drives>,
    /// How addresses map to drives.
    pub layout: Layout,
    /// Controllers; one if absent.
    pub controllers: Option<Controllers>,
    /// Memory of a controller.
    pub memory: Option<Memory>,
    /// Read cache.
    pub cache: Option<CacheKeys>,
    /// Write log.
    pub log: Option<LogKeys>,
    /// Compression and deduplication.
    pub reduction: Option<Reduction>,
    /// Power of all but the drives, watts, if stated.
    pub power: Option<f64>,
    /// What it costs, if stated.
    pub price: Option<Price>,
}

/// `[design.price]`: amounts in one currency.
#[derive(Clone, Debug, PartialEq)]
pub struct Price {
    /// Its name, if given.
    pub currency: Option<String>,
    /// Of all but the drives.
    pub system: f64,
    /// Paid every year.
    pub yearly: f64,
    /// Of a kilowatt hour, if stated.
    pub energy: Option<f64>,
    /// Energy of the site for each of its equipment, at least 1.
    pub pue: f64,
    /// Years over which yearly payments and energy are added up.
    pub years: f64,
}

impl Design {
    /// Ports of all controllers that take requests; one for each where there are none.
    pub fn ports_count(&self) -> u32 {
        let active =
            if self.controllers.as_ref().is_some_and(|c| c.count > 1 && c.both_active) { 2 } else { 1 };
        active * self.ports.as_ref().map_or(1, |ports| ports.count)
    }

    /// Drives that hold data: all but dedicated spares.
    pub fn filled_drives(&self) -> u32 {
        let idle = self.layout.protection.as_ref().map_or(0, Protection::idle_drives);
        self.drives.as_ref().map_or(0, |drives| drives.count.saturating_sub(idle))
    }

    /// Number of controllers.
    pub fn controllers_count(&self) -> u32 {
        self.controllers.as_ref().map_or(1, |c| c.count)
    }
}

/// `[design.controllers]`.
#[derive(Clone, Debug, PartialEq)]
pub struct Controllers {
    /// One or two.
    pub count: u32,
    /// Whether both take requests; if not, the second holds copies alone.
    pub both_active: bool,
    /// The link between two: its interface, and the time to cross it.
    pub partner: Option<(Interface, SimDuration)>,
    /// How long requests of a lost controller stall.
    pub failover: SimDuration,
}

/// `[design.memory]`.
#[derive(Clone, Debug, PartialEq)]
pub struct Memory {
    /// Bytes of a controller.
    pub size: u64,
    /// Bytes per second; never in the way if absent.
    pub bandwidth: Option<f64>,
    /// Crossings of a byte received, reduced and sent.
    pub passes: [f64; 3],
}

/// `[design.cache]`.
#[derive(Clone, Debug, PartialEq)]
pub struct CacheKeys {
    /// Share of the memory that is left.
    pub share: f64,
    /// Whether it holds blocks as they are stored.
    pub holds_stored: bool,
    /// Bytes read ahead of a stream; 0 for none.
    pub prefetch: u64,
}

/// `[design.log]`.
#[derive(Clone, Debug, PartialEq)]
pub struct LogKeys {
    /// Bytes of a controller.
    pub size: u64,
    /// Bytes per second.
    pub rate: f64,
    /// Time of a commit beside the transfer.
    pub latency: SimDuration,
    /// Fill at which writes wait, above 0 to 1.
    pub high_water: f64,
    /// Whether it takes room in the memory.
    pub is_in_memory: bool,
    /// Most stripes being destaged at once.
    pub destage: u32,
}

/// `[design.reduction]`.
#[derive(Clone, Debug, PartialEq)]
pub struct Reduction {
    /// Bytes of a block.
    pub block: u64,
    /// Whether blocks are compressed.
    pub compress: bool,
    /// Whether equal blocks are stored once.
    pub deduplicate: bool,
    /// Whether plain blocks are stored first and reduced by a later pass.
    pub after: bool,
    /// Bytes of an entry of the fingerprint index.
    pub index_entry: u64,
    /// Bytes of an entry of the block map.
    pub map_entry: u64,
    /// A stored block is a whole number of these, bytes.
    pub sector: u64,
}

/// `[design.hosts]`: what the machines run on.
#[derive(Clone, Debug, PartialEq)]
pub struct Hosts {
    /// Number of hosts; machines are dealt out to them in turn.
    pub count: u32,
    /// Ports of a host.
    pub ports: u32,
    /// Nominal rate of a port, bits per second; all else is as at the design's ports.
    pub rate_bps: f64,
    /// Requests that a host may have outstanding; no limit if absent.
    pub queue_depth: Option<u32>,
}

/// `[design.ports]`.
#[derive(Clone, Debug, PartialEq)]
pub struct Ports {
    /// Number of ports.
    pub count: u32,
    /// How a request chooses its port.
    pub spread: Spread,
    /// What a port does with a message.
    pub kind: PortKind,
    /// PCIe lanes that a port's adapter takes of the processor's, if stated.
    pub lanes: Option<u32>,
}

/// A port as a link with wire overheads, or as a textbook station.
#[derive(Clone, Debug, PartialEq)]
pub enum PortKind {
    /// A full-duplex link.
    Link(PortLink),
    /// One server with a stated service time; each request visits it once, on its way in.
    Station(Law),
}

/// A full-duplex port link.
#[derive(Clone, Debug, PartialEq)]
pub struct PortLink {
    /// Nominal rate, bits per second.
    pub rate_bps: f64,
    /// Largest packet (Ethernet: IP header included), bytes.
    pub mtu: u32,
    /// What carries the requests.
    pub transport: Transport,
    /// Largest write that carries its data with the command, bytes.
    pub immediate: u64,
    /// Switch and adapter, paid each way.
    pub latency: SimDuration,
    /// Large transfers interleave in pieces of this many bytes.
    pub quantum: u64,
}

/// What carries requests on a port.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Transport {
    /// TCP over Ethernet.
    Tcp,
    /// RDMA over routable Ethernet.
    Rdma,
    /// Fibre Channel.
    FibreChannel,
    /// Payload only, no overhead.
    Raw,
}

/// How requests are spread over ports.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Spread {
    /// A machine keeps one port: machines are dealt out in turn.
    PerMachine,
    /// Each request draws one.
    PerRequest,
}

/// `[design.cpu]`.
#[derive(Clone, Debug, PartialEq)]
pub struct Cpu {
    /// Number of cores.
    pub cores: u32,
    /// One queue for all cores, or one per port.
    pub queue: CpuQueue,
    /// Time of a core for a read.
    pub read: Law,
    /// Time of a core for a write.
    pub write: Law,
    /// Bytes per second that one core takes in to make parity; no time if absent.
    pub parity: Option<f64>,
    /// Bytes per second that one core takes in to give back lost data; no time if absent.
    pub reconstruct: Option<f64>,
    /// Bytes per second of a checksum; no time if absent.
    pub checksum: Option<f64>,
    /// Bytes per second that one core compresses.
    pub compress: f64,
    /// Bytes per second, counted after decompressing.
    pub decompress: f64,
    /// Bytes per second of a fingerprint.
    pub fingerprint: f64,
    /// Hardware threads of a core.
    pub threads: u32,
    /// What all of them get done relative to one.
    pub thread_gain: f64,
}

impl Cpu {
    /// Servers: threads of all cores.
    pub fn servers(&self) -> u32 {
        self.cores * self.threads
    }

    /// Factor on every time, for threads share a core.
    pub fn slowdown(&self) -> f64 {
        f64::from(self.threads) / self.thread_gain
    }
}

/// How requests wait for cores.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum CpuQueue {
    /// One queue, any core: the optimistic bound.
    Shared,
    /// Cores divided evenly among ports, a queue each.
    PerPort,
}

/// `[design.fabric]`.
#[derive(Clone, Debug, PartialEq)]
pub struct Fabric {
    /// How drives hang off the processor.
    pub shape: FabricShape,
    /// Largest payload of a PCIe packet, bytes.
    pub max_payload: u32,
    /// Lanes the processor has for drives, if stated.
    pub lanes: Option<u32>,
}

/// Shape of the fabric.
#[derive(Clone, Debug, PartialEq)]
pub enum FabricShape {
    /// Every drive has its own way to the processor: only the drive's own link binds.
    Direct,
    /// Drives share uplinks.
    Uplinks {
        /// Number of uplinks.
        count: u32,
        /// Each uplink.
        link: Interface,
        /// Switch time of one traverse.
        hop: SimDuration,
        /// Which drive hangs on which uplink.
        deal: Deal,
    },
    /// Named links, each below another or below the processor; a parent stands before its children. Every drive
    /// hangs on exactly one of them.
    Tree(Vec<TreeLink>),
}

/// How drives are dealt to uplinks.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Deal {
    /// Drive d on uplink d mod n.
    Round,
    /// Consecutive drives together: drive d of D on uplink ⌊d·n/D⌋.
    Blocks,
}

/// `[design.fabric.links.NAME]`.
#[derive(Clone, Debug, PartialEq)]
pub struct TreeLink {
    /// Its name.
    pub name: String,
    /// What it is.
    pub link: Interface,
    /// The link above it, by its place among the links; none if it hangs on the processor.
    pub parent: Option<usize>,
    /// Switch time of one traverse.
    pub hop: SimDuration,
    /// Drives that hang on it directly; perhaps none.
    pub drives: std::ops::Range<u32>,
}

/// A drive or uplink interface.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Interface {
    /// PCI Express.
    Pcie {
        /// 1 to 6.
        generation: u8,
        /// 1 to 16.
        lanes: u8,
    },
    /// SAS at 12 or 24 Gb/s nominal, `width` lanes.
    Sas {
        /// 12 or 24.
        gigabits: u8,
        /// Lanes of a wide port, 1 to 8.
        width: u8,
    },
    /// SATA at 6 Gb/s: one direction at a time.
    Sata,
}

/// `[design.drives]`.
#[derive(Clone, Debug, PartialEq)]
pub struct Drives {
    /// Number of drives.
    pub count: u32,
    /// What a drive does.
    pub kind: DriveKind,
    /// How long it lasts and what it takes to run; of a part.
    pub upkeep: Option<Upkeep>,
}

/// What is known of a part beside its performance.
#[derive(Clone, Debug, PartialEq)]
pub struct Upkeep {
    /// Drives that fail, per cent a year.
    pub failure_rate: f64,
    /// Unrecoverable errors for each bit read.
    pub uber: f64,
    /// Price of a drive, if stated.
    pub price: Option<f64>,
    /// Power of a drive at work, watts, if stated.
    pub power: Option<f64>,
}

/// A textbook station or a part with ratings.
#[derive(Clone, Debug, PartialEq)]
pub enum DriveKind {
    /// One server a drive with a stated service time.
    Station {
        /// Time of the drive for each request or piece.
        service: Law,
        /// Whether a request is cut at chunk edges, each piece to the drive of its address; if not,
        /// it goes whole to one drive drawn at random.
        split: bool,
    },
    /// A flash drive described by its datasheet.
    Part(Box<Part>),
    /// A rotating drive described by its datasheet.
    Rotating(Box<Rotating>),
}

impl DriveKind {
    /// Name of the part; none of a textbook station.
    pub fn part_name(&self) -> Option<&str> {
        match self {
            DriveKind::Part(part) => Some(&part.name),
            DriveKind::Rotating(part) => Some(&part.name),
            DriveKind::Station { .. } => None,
        }
    }

    /// Capacity of a part, bytes.
    pub fn capacity(&self) -> Option<u64> {
        match self {
            DriveKind::Part(part) => Some(part.capacity),
            DriveKind::Rotating(part) => Some(part.capacity),
            DriveKind::Station { .. } => None,
        }
    }

    /// Interface of a part.
    pub fn interface(&self) -> Option<Interface> {
        match self {
            DriveKind::Part(part) => Some(part.interface),
            DriveKind::Rotating(part) => Some(part.interface),
            DriveKind::Station { .. } => None,
        }
    }
}

/// A rotating drive's datasheet: `[parts.NAME]` with `rotation`, or the catalogue.
#[derive(Clone, Debug, PartialEq)]
pub struct Rotating {
    /// Name in the catalogue or the file.
    pub name: String,
    /// Its interface.
    pub interface: Interface,
    /// Capacity, bytes.
    pub capacity: u64,
    /// Turns per minute.
    pub turns_per_minute: f64,
    /// Times of a seek: to the next track, between two tracks anywhere on average, and over the full stroke.
    pub seek: [SimDuration; 3],
    /// Sequential rate at the rim, bytes per second.
    pub outer: f64,
    /// And at the innermost track; not above `outer`.
    pub inner: f64,
    /// Which request is served next.
    pub queue: ArmQueue,
}

/// How a rotating drive orders what waits for its arm.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum ArmQueue {
    /// First come, first served.
    Fifo,
    /// Shortest positioning first: the least seek and turn, among the first [`ArmQueue::LOOK`] that wait.
    Shortest,
}

impl ArmQueue {
    /// Requests that a drive reorders: the depth of a SATA queue (Serial ATA revision 3).
    pub const LOOK: u32 = 32;
}

/// A drive's datasheet: `[parts.NAME]` or the catalogue.
#[derive(Clone, Debug, PartialEq)]
pub struct Part {
    /// Name in the catalogue or the file.
    pub name: String,
    /// Its interface.
    pub interface: Interface,
    /// Capacity, bytes.
    pub capacity: u64,
    /// 128 KiB sequential read, bytes per second.
    pub read_sequential: f64,
    /// 128 KiB sequential write, bytes per second.
    pub write_sequential: f64,
    /// 4 KiB random read.
    pub read_random: Rating,
    /// 4 KiB random write, steady state.
    pub write_random: Rating,
    /// 4 KiB read, one outstanding.
    pub read_latency: SimDuration,
    /// 4 KiB write, one outstanding, into the buffer.
    pub write_latency: SimDuration,
    /// Drive writes per day over the warranty.
    pub drive_writes_per_day: f64,
    /// Warranty, in years of 365 days (simulated time spans only 213 days).
    pub warranty_years: f64,
    /// Power-protected write buffer, bytes (a prior: ratings cannot tell it).
    pub buffer: u64,
    /// Flash page read by one sense, bytes (a prior).
    pub page: u64,
    /// Part of a read's latency that keeps no station busy (a prior).
    pub fixed_latency: SimDuration,
    /// Time of one program (a prior).
    pub program: SimDuration,
    /// Time of one erase (a prior).
    pub erase: SimDuration,
    /// Bytes programmed for each erase (a prior).
    pub erase_block: u64,
    /// Longest a read waits behind a program or erase on its unit (a prior).
    pub suspend: SimDuration,
    /// Parallel flash units, where they are known.
    pub units: Option<u32>,
    /// A rated mix of reads and writes, which tells the time of a program.
    pub mixed: Option<Mixed>,
    /// A rated tail of reads beside writes, which tells the suspend bound.
    pub read_p99: Option<ReadTail>,
    /// Whether the time of a program is stated or rated, and no prior.
    pub knows_program: bool,
    /// The same of the suspend bound.
    pub knows_suspend: bool,
}

/// A rated mix of random reads and writes of 4 KiB.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Mixed {
    /// Share of reads, above 0 and below 1.
    pub read: f64,
    /// Requests of either kind, and how many are outstanding.
    pub rate: Rating,
}

/// A rated 99th percentile of random reads of 4 KiB beside random writes.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct ReadTail {
    /// What it is below.
    pub below: SimDuration,
    /// Reads outstanding.
    pub depth: u32,
    /// Writes of 4 KiB per second.
    pub write_rate: f64,
}

/// A rate at a queue depth.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Rating {
    /// Requests per second.
    pub per_second: f64,
    /// Outstanding requests.
    pub depth: u32,
}

/// `[design.layout]`.
#[derive(Clone, Debug, PartialEq)]
pub struct Layout {
    /// Bytes laid on one drive before the next takes over.
    pub chunk: u64,
    /// What a lost drive is made good from; nothing if absent.
    pub protection: Option<Protection>,
    /// How full stripes are made room for, where writes do not go in place.
    pub append: Option<Append>,
    /// Time until a lost drive is replaced where there is no spare.
    pub replacement: SimDuration,
}

impl Default for Layout {
    fn default() -> Self {
        Layout {
            chunk: 64 << 10,
            protection: None,
            append: None,
            replacement: SimDuration::from_secs(86_400.0),
        }
    }
}

/// A log-structured layout.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Append {
    /// Share of the usable space that is kept free.
    pub reserve: f64,
    /// Bytes of a drive that are freed together; whole erase stripes if absent.
    pub segment: Option<u64>,
    /// Whether data of unlike popularity goes to stripes of its own.
    pub separate: bool,
}

/// Copies or parity, written in place.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Protection {
    /// Copies or parity.
    pub scheme: Scheme,
    /// Drives of a group, redundancy included.
    pub group: Group,
    /// Drives whose room is kept free.
    pub spares: u32,
    /// Where that room is.
    pub spare_kind: SpareKind,
}

impl Protection {
    /// Drives that hold nothing until another one is lost; none where spare room is spread over all.
    pub fn idle_drives(&self) -> u32 {
        match self.spare_kind {
            SpareKind::Dedicated => self.spares,
            SpareKind::Distributed => 0,
        }
    }
}

/// Where spare room is.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum SpareKind {
    /// On drives of its own, the last ones; the others are divided in groups.
    Dedicated,
    /// On all drives, over which the stripes are spread too.
    Distributed,
}

/// `[[class]]`.
#[derive(Clone, Debug, PartialEq)]
pub struct Class {
    /// Name, unique in the scenario.
    pub name: String,
    /// Number of machines, at least 1.
    pub machines: u32,
    /// What a machine asks for.
    pub load: Load,
    /// Share of requests that read, 0 to 1. Traces bring their own.
    pub read: f64,
    /// Sizes of reads: (bytes, share); shares sum to 1. Traces bring their own.
    pub read_sizes: Vec<(u64, f64)>,
    /// Sizes of writes.
    pub write_sizes: Vec<(u64, f64)>,
    /// Requests that continue a stream.
    pub sequential: Sequential,
    /// Allocated space of a machine, bytes.
    pub capacity: u64,
    /// Space that a machine's requests touch, bytes; at most `capacity`.
    pub working_set: u64,
    /// Where in the working set.
    pub skew: Skew,
    /// Ranks of popularity are scattered in extents of this many bytes.
    pub extent: u64,
    /// Random addresses are multiples of this many bytes.
    pub align: u64,
    /// How its blocks reduce.
    pub reduces: Reduces,
    /// Growth of the number of machines, per cent a year.
    pub growth: f64,
    /// Mean load over a week, as a share of the stated load.
    pub duty: f64,
}

/// How the blocks of a class reduce.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Reduces {
    /// Mean size ÷ compressed size, at least 1.
    pub compress: f64,
    /// Spread of the stored share round its mean, 0 to 1.
    pub spread: f64,
    /// Share of blocks written that are stored already.
    pub duplicate: f64,
    /// Share of blocks at rest that need no room of their own.
    pub duplicate_stored: f64,
}

/// What a machine asks for.
#[derive(Clone, Debug, PartialEq)]
pub enum Load {
    /// Arrivals that do not wait for answers.
    Open {
        /// Requests per second and machine.
        rate: f64,
        /// The process of arrivals.
        arrivals: Arrivals,
        /// Requests a machine may have outstanding; further ones wait at the machine.
        in_flight_max: Option<u32>,
    },
    /// A fixed number of tokens, each thinking, asking, and again.
    Closed {
        /// Tokens per machine.
        in_flight: u32,
        /// Think time; none if absent.
        think: Option<Law>,
    },
    /// A recorded trace.
    Trace {
        /// The file.
        path: PathBuf,
        /// As the scenario spells it, for messages.
        name: String,
        /// Layout of the file; found from its content if not stated.
        format: Option<TraceFormat>,
        /// Time is divided by this.
        speed: f64,
        /// Whether it starts again when it ends.
        repeat: bool,
    },
}

/// Layout of a trace file.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum TraceFormat {
    /// CSV with a header naming time, operation, offset and size.
    Csv,
    /// Binary 32-byte records of a virtual SCSI disk.
    ScsiRecords,
    /// CSV with submit_ns, op, lba_512, sectors_512.
    BlockCsv,
    /// Text output of the block-layer tracer.
    BlockEvents,
    /// CSV without header: time in ticks of 100 ns, host, disk, type, offset, size, response.
    HostCsv,
    /// CSV: Timestamp, Response, IOType, LUN, Offset, Size.
    LunCsv,
}

/// The process of open arrivals.
#[derive(Clone, Debug, PartialEq)]
pub enum Arrivals {
    /// Poisson.
    Poisson,
    /// Evenly spaced, each machine at a random phase.
    Regular,
    /// Renewal with hyperexponential gaps (balanced means), per machine.
    Hyperexponential {
        /// Coefficient of variation of the gaps, above 1.
        cv: f64,
    },
    /// Poisson batches: each arrival brings a geometric number of requests with this mean, at once.
    Batch {
        /// Mean requests a batch, at least 1.
        mean: f64,
    },
    /// On/off per machine.
    Bursty {
        /// Rate while on ÷ mean rate, above 1.
        peak_to_mean: f64,
        /// Mean on-time.
        burst: SimDuration,
        /// Rate while off ÷ mean rate, 0 to below 1.
        floor: f64,
        /// Share of machines driven by one common on/off process, 0 to 1.
        together: f64,
    },
}

/// Sequential requests of a class.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Sequential {
    /// Share of requests that continue a stream, 0 to 1.
    pub share: f64,
    /// Streams of a machine.
    pub streams: u32,
    /// Bytes of a stream before it starts elsewhere.
    pub run_length: u64,
}

/// Popularity of addresses within the working set.
#[derive(Clone, Debug, PartialEq)]
pub enum Skew {
    /// All alike.
    Uniform,
    /// Zipf with this exponent over 4 KiB blocks.
    Zipf(f64),
    /// (share of space, share of accesses); each column sums to 1.
    Bands(Vec<(f64, f64)>),
}

/// Read or write.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash, PartialOrd, Ord)]
pub enum Operation {
    /// A read.
    Read,
    /// A write.
    Write,
}

impl Operation {
    /// Both, in the order of every table.
    pub const BOTH: [Operation; 2] = [Operation::Read, Operation::Write];

    /// "read" or "write".
    pub const fn name(self) -> &'static str {
        match self {
            Operation::Read => "read",
            Operation::Write => "write",
        }
    }
}

/// `[[objective]]`.
#[derive(Clone, Debug, PartialEq)]
pub struct Objective {
    /// Index into the classes.
    pub class: usize,
    /// Which requests; `None` is both.
    pub operation: Option<Operation>,
    /// Percentile, above 0 and below 100.
    pub percentile: f64,
    /// What it must stay below.
    pub below: SimDuration,
    /// When it must hold: "healthy", "any", or the name of a fault or phase.
    pub during: String,
    /// Over which population.
    pub over: Over,
}

/// Population of an objective.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Over {
    /// All requests of the class pooled.
    Class,
    /// The machine with the worst figure.
    WorstMachine,
}

/// `[[fault]]`: something that has gone wrong.
#[derive(Clone, Debug, PartialEq)]
pub struct Fault {
    /// Name, unique among faults and phases.
    pub name: String,
    /// Since when, counted from the end of warm-up.
    pub at: SimDuration,
    /// How long; to the end of the run if absent.
    pub lasts: Option<SimDuration>,
    /// What it is.
    pub kind: FaultKind,
    /// Whether it is the loss of one more drive, which needs a first.
    pub is_second: bool,
}

impl Fault {
    /// Whether it is in force all the time, the warm-up included. All else is dated.
    pub fn is_standing(&self) -> bool {
        // A cache that was always cold would be warm by now: emptied at 0 it is dated too.
        self.at.is_zero() && self.lasts.is_none() && self.kind != FaultKind::CacheCold
    }

    /// When it is over, counted from the end of warm-up, if before the end of the run.
    pub fn end(&self) -> Option<SimDuration> {
        self.lasts.map(|lasts| self.at + lasts)
    }

    /// Whether it is in force at an instant, counted from the end of warm-up.
    pub fn is_in_force(&self, at: SimDuration) -> bool {
        self.at <= at && self.end().is_none_or(|end| at < end)
    }

    /// Whether there is an instant at which both are in force.
    pub fn overlaps(&self, other: &Fault) -> bool {
        self.is_in_force(other.at) || other.is_in_force(self.at)
    }

    /// The drive that it takes away, if it does.
    pub fn lost_drive(&self) -> Option<u32> {
        match self.kind {
            FaultKind::DriveLost { drive } => Some(drive),
            FaultKind::Rebuilding(rebuilding) => Some(rebuilding.drive),
            _ => None,
        }
    }

    /// How it is being made good, if it is.
    pub fn rebuilding(&self) -> Option<&Rebuilding> {
        match &self.kind {
            FaultKind::Rebuilding(rebuilding) => Some(rebuilding),
            _ => None,
        }
    }
}

/// What has gone wrong.
#[derive(Clone, Copy, Debug, PartialEq)]
pub enum FaultKind {
    /// A drive is gone.
    DriveLost {
        /// Its number, from 0.
        drive: u32,
    },
    /// A drive is gone, and its content is being restored to spare room. At most one drive at a time.
    Rebuilding(Rebuilding),
    /// A front port takes no new request; its machines use the others.
    PortDown {
        /// Its number, from 0.
        port: u32,
    },
    /// An uplink carries less.
    UplinkNarrowed {
        /// Its number, from 0.
        uplink: u32,
        /// Share of its rate that is left, above 0 to below 1.
        left: f64,
    },
    /// The link of a drive carries less.
    DriveLinkNarrowed {
        /// Number of the drive, from 0.
        drive: u32,
        /// Share of its rate that is left, above 0 to below 1.
        left: f64,
    },
    /// A drive takes longer for everything that it does itself.
    DriveSlow {
        /// Its number, from 0.
        drive: u32,
        /// Factor on its times, above 1.
        factor: f64,
    },
    /// The read cache is emptied, once.
    CacheCold,
    /// A controller is gone; the other one takes its requests.
    ControllerLost {
        /// Number of the controller, 0 or 1.
        controller: u32,
    },
}

/// A rebuild held where it is.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Rebuilding {
    /// Number of the drive, from 0.
    pub drive: u32,
    /// Most bytes of lost content restored per second; no cap if absent.
    pub rate: Option<f64>,
    /// Share of stripes that are restored, 0 to below 1.
    pub progress: f64,
    /// Stripes that are being restored at once.
    pub window: u32,
}

impl Default for Rebuilding {
    /// Drive 0, and the defaults of the table of keys.
    fn default() -> Self {
        Rebuilding { drive: 0, rate: None, progress: 0.5, window: 8 }
    }
}

/// `[[phase]]`: a time of day at which classes ask for more, or for less.
#[derive(Clone, Debug, PartialEq)]
pub struct Phase {
    /// Name, unique among faults and phases.
    pub name: String,
    /// Its start, counted from the end of warm-up.
    pub from: SimDuration,
    /// Its end, later than the start.
    pub to: SimDuration,
    /// Machine m of M starts and ends its phase later by this × m/M.
    pub stagger: SimDuration,
    /// Index into the classes and factor on the rate; at most one for each class.
    pub load: Vec<(usize, f64)>,
}

impl Phase {
    /// When the last machine's phase is over, counted from the end of warm-up.
    pub fn end(&self) -> SimDuration {
        self.to + self.stagger
    }
}
