//! A design compiled: its network, and the small tables that answer what depends on a request.

mod space;
mod times;

use std::sync::Arc;

use crate::engine::{Key, Law, MEMBER_SLOTS, Network, Purpose, Route, SimDuration};
use crate::scenario::{Class, Cpu, DriveKind, Fault, FaultKind, LogKeys, PortKind, Scenario, Spread};
use crate::traffic::Request;

use super::body::PORT;
use super::cache::Cache;
use super::condition::{Conditions, ControllerPorts};
use super::controllers::Partners;
use super::cpu::PerByte;
use super::drive::{ArmModel, DriveLink, DriveModel, Models, Refusal, Solved};
use super::fabric::Fabric;
use super::hosts::Hosts;
use super::layout::{Layout, Placement, Planner, Stored, Stripes};
use super::log::GRAIN;
use super::memory::Shares;
use super::ports::Wire;
use super::protected::Protected;
use super::reduction::Blocks;
use super::routes::{self, Caches, Known};
pub use space::max_payload;
pub(super) use space::{in_force, in_place_heats};

const PORT_DRAW: Purpose = Purpose::named("port");

/// A design compiled for a set of classes: shared by all replications.
#[derive(Debug)]
pub struct Plan {
    /// Stations and routes.
    pub network: Arc<Network>,
    /// By class: the routes of a read and of a write.
    routes: Vec<[Route; 2]>,
    pub(super) wire: Option<Wire>,
    pub(super) hosts: Option<Hosts>,
    pub(super) partners: Partners,
    spread: Spread,
    pub(super) fabric: Option<Fabric>,
    pub(super) drive: Option<DriveModel>,
    pub(super) arm: Option<ArmModel>,
    pub(super) layout: Option<Layout>,
    /// How full stripes are made room for, where writes do not go in place.
    pub(super) stripes: Option<Stripes>,
    pub(super) blocks: Option<Blocks>,
    /// How the memory is shared out.
    pub(super) shares: Shares,
    pub(super) log: Option<LogKeys>,
    /// Number of drives.
    pub(super) drives: usize,
    /// Steps of a write that waits for a ready message, which others leave out.
    pub(super) ready_steps: u32,
    pub(super) cache: Option<Cache>,
    /// Steps that a read found in the cache leaves out.
    pub(super) cached_steps: u32,
    /// The route of a stripe that is being restored.
    pub(super) rebuild: Option<Route>,
    pub(super) cpu: Option<Cpu>,
    per_byte: PerByte,
    /// Bandwidth of the memory, and crossings of a byte received, reduced and sent.
    memory: Option<(f64, [f64; 3])>,
    /// How long requests of a lost controller stall.
    failover: SimDuration,
    /// Memory and cache of one controller alone, where a date leaves it so.
    pub(super) alone: Option<(Shares, Option<Cache>)>,
    /// The law of a textbook drive.
    drive_law: Option<Law>,
    faults: Arc<[Fault]>,
    classes: Vec<Class>,
}

/// Why a design cannot be compiled.
#[derive(Clone, Debug, PartialEq)]
pub enum Unfit {
    /// The ratings of its drives contradict each other.
    Drive(Refusal),
    /// Live data, and the room for it, bytes.
    Full {
        /// What machines have been given, as it is stored.
        live: f64,
        /// Usable space less what is kept free.
        room: f64,
    },
}

impl From<Refusal> for Unfit {
    fn from(refusal: Refusal) -> Self {
        Unfit::Drive(refusal)
    }
}

impl Plan {
    /// Compiles a checked scenario's design; `solved` is what simulation tells of its drives' part.
    ///
    /// # Errors
    /// The part's ratings contradict each other, or the data does not fit a log-structured layout.
    pub fn compile(scenario: &Scenario, solved: Option<Solved>) -> Result<Self, Unfit> {
        let scenario = &*in_force(scenario);
        let is_lost = |fault: &&Fault| matches!(fault.kind, FaultKind::ControllerLost { .. });
        let design = &scenario.design;
        let classes = &scenario.classes;
        let blocks = Blocks::of(design, classes);
        let live = space::live_share(scenario, blocks.as_ref())?;
        let drive = space::drive_model(scenario, solved, live)?;
        let arm = space::arm_model(scenario);
        let layout = space::layout(scenario);
        let stripes = space::stripes(scenario, layout.as_ref(), blocks.as_ref(), drive.as_ref(), live);
        let partners = Partners::of(design);
        let controllers = design.controllers_count();
        let shares = Shares::of(design, classes, blocks.as_ref(), controllers);
        let may_fail_over = scenario.faults.iter().any(|fault| is_lost(&fault));
        let is_emptied =
            may_fail_over || scenario.faults.iter().any(|fault| fault.kind == FaultKind::CacheCold);
        let alone = may_fail_over.then(|| {
            let shares = Shares::of(design, classes, blocks.as_ref(), 1);
            let cache = Cache::of(design, classes, &shares, blocks.as_ref(), true);
            (shares, cache)
        });
        let cache = Cache::of(design, classes, &shares, blocks.as_ref(), is_emptied);
        let caches = Caches {
            looks: cache.is_some() || design.log.is_some(),
            holds_stored: design.cache.as_ref().is_some_and(|cache| cache.holds_stored),
            prefetches: design.cache.as_ref().is_some_and(|cache| cache.prefetch > 0),
        };
        let misses = |shares: &Shares| shares.map_misses.iter().any(|miss| *miss > 0.0);
        let map_misses = misses(&shares) || alone.as_ref().is_some_and(|(shares, _)| misses(shares));
        let known = Known {
            drives: Models { flash: drive.as_ref(), arm: arm.as_ref() },
            layout: layout.as_ref(),
            blocks: blocks.as_ref(),
            partners: &partners,
            caches,
            map_misses,
        };
        let compiled = routes::compile(scenario, &known);
        let link = design.ports.as_ref().and_then(|p| match &p.kind {
            PortKind::Link(link) => Some(link),
            PortKind::Station(_) => None,
        });
        let hosts = design.hosts.as_ref().zip(link);
        Ok(Plan {
            network: Arc::new(compiled.network),
            routes: compiled.by_class,
            wire: link.map(Wire::of),
            hosts: hosts.map(|(hosts, link)| Hosts::of(hosts, link, &scenario.classes)),
            partners,
            spread: design.ports.as_ref().map_or(Spread::PerMachine, |p| p.spread),
            fabric: compiled.fabric,
            drive,
            arm,
            layout,
            stripes,
            blocks,
            shares,
            log: design.log.clone(),
            drives: design.drives.as_ref().map_or(0, |d| d.count as usize),
            ready_steps: compiled.ready_steps,
            cache,
            cached_steps: compiled.cached_steps,
            rebuild: compiled.rebuild,
            per_byte: design.cpu.as_ref().map_or(PerByte::default(), PerByte::of),
            cpu: design.cpu.clone(),
            memory: design.memory.as_ref().and_then(|m| Some((m.bandwidth?, m.passes))),
            failover: design.controllers.as_ref().map_or(SimDuration::ZERO, |c| c.failover),
            alone,
            drive_law: design.drives.as_ref().and_then(|drives| match &drives.kind {
                DriveKind::Station { service, .. } => Some(service.clone()),
                _ => None,
            }),
            faults: Arc::from(scenario.faults.as_slice()),
            classes: classes.clone(),
        })
    }

    /// The route of a request.
    pub fn route(&self, request: &Request) -> Route {
        self.routes[usize::from(request.class)][request.operation as usize]
    }

    /// The members a request starts with: its port.
    pub fn members(&self, request: &Request) -> [u32; MEMBER_SLOTS] {
        let port = match self.spread {
            Spread::PerMachine => self.partners.port(request.machine),
            Spread::PerRequest => request.key.draws(PORT_DRAW).below(self.ports()) as u32,
        };
        let mut members = [0; MEMBER_SLOTS];
        members[PORT] = port;
        members
    }

    /// Whether requests are cut at chunk edges.
    pub fn cuts(&self) -> bool {
        self.layout.is_some()
    }

    /// The read cache, if the design has one.
    pub fn cache(&self) -> Option<&Cache> {
        self.cache.as_ref()
    }

    /// The datasheet drive's internal parameters, if the design has one.
    pub fn drive(&self) -> Option<&DriveModel> {
        self.drive.as_ref()
    }

    /// The rotating drive, if the design has one.
    pub fn arm(&self) -> Option<&ArmModel> {
        self.arm.as_ref()
    }

    /// The drives' own link, if they have one.
    pub(super) fn drive_link(&self) -> Option<&DriveLink> {
        self.drive.as_ref().map(|drive| &drive.link).or(self.arm.as_ref().map(|arm| &arm.link))
    }

    /// What replications keep of protection; rebuilds draw from `key`.
    pub fn protected(&self, key: Key) -> Protected {
        let mirrors = self.placement().is_some_and(|placement| placement.group.is_mirror());
        let counted = if mirrors { self.drives as u32 } else { 0 };
        Protected::new(self.layout.as_ref().map_or(0, |layout| layout.chunk), counted, key)
    }

    /// The conditions that stand all the time.
    pub(super) fn conditions(&self) -> Conditions {
        let controllers = ControllerPorts { active: self.partners.active, failover: self.failover };
        Conditions::standing(Arc::clone(&self.faults), self.partners.ports(), controllers)
    }

    /// Whether a machine keeps its port.
    pub(super) fn is_per_machine(&self) -> bool {
        self.spread == Spread::PerMachine
    }

    /// Share of requests that arrive at another controller's port than their owner's, with all ports up.
    pub(super) fn foreign_share(&self) -> f64 {
        if self.is_per_machine() { 0.0 } else { 1.0 - 1.0 / f64::from(self.partners.active) }
    }

    /// Ports that take requests all the time.
    pub(super) fn working_ports(&self) -> u32 {
        let is_down =
            |fault: &&Fault| fault.is_standing() && matches!(fault.kind, FaultKind::PortDown { .. });
        self.partners.ports() - self.faults.iter().filter(is_down).count() as u32
    }

    /// Whether requests are planned by stripes.
    pub fn protects(&self) -> bool {
        self.placement().is_some()
    }

    /// Where stripes lie, if there is protection.
    pub(super) fn placement(&self) -> Option<&Placement> {
        self.layout.as_ref()?.placement.as_ref()
    }

    /// Drives that take requests when nothing is being restored.
    pub(super) fn working_drives(&self) -> u32 {
        self.placement().map_or(self.drives as u32, Placement::working_drives)
    }

    /// Whether a drive takes requests when nothing is being restored.
    pub(super) fn works(&self, drive: u32) -> bool {
        self.placement().is_none_or(|placement| placement.works(drive))
    }

    /// Number of ports of all controllers, or one for each where there are none.
    pub(super) fn ports(&self) -> u64 {
        u64::from(self.partners.ports())
    }

    /// How the memory is shared out.
    pub fn shares(&self) -> &Shares {
        &self.shares
    }

    /// The blocks of a log-structured layout.
    pub fn blocks(&self) -> Option<&Blocks> {
        self.blocks.as_ref()
    }

    /// Write amplification of a log-structured layout, and its live share.
    pub fn cleaning(&self) -> Option<(f64, f64)> {
        self.stripes.as_ref().map(|stripes| (stripes.amplification, stripes.live))
    }

    /// Whether stripes are such that the drives move nothing themselves.
    pub fn suits_drives(&self) -> bool {
        self.stripes.as_ref().is_some_and(|stripes| stripes.suits_drives)
    }

    /// Whether there is a write log.
    pub fn has_log(&self) -> bool {
        self.log.is_some()
    }

    /// Room of the log below its high water, bytes; none without a log.
    pub fn log_room(&self) -> Option<f64> {
        self.log.as_ref().map(|log| log.size as f64 * log.high_water)
    }

    /// The classes it was compiled for.
    pub(super) fn classes(&self) -> &[Class] {
        &self.classes
    }

    /// Bytes of a chunk.
    pub(super) fn chunk(&self) -> u64 {
        self.layout.as_ref().map_or(1 << 20, |layout| layout.chunk)
    }

    /// Bytes of data that one stripe holds; of one chunk without protection.
    pub(super) fn stripe_bytes(&self) -> u64 {
        self.chunk() * self.placement().map_or(1, |placement| u64::from(placement.group.data()))
    }

    /// Where part of one chunk of a volume is stored, and how many blocks that are compressed it lies in.
    pub(super) fn stored_part(&self, class: u16, machine: u32, address: u64, bytes: u64) -> (Stored, u64) {
        let nowhere = (Stored { stripe: 0, chunk: 0, offset: 0, bytes: 0 }, 0);
        let (Some(layout), Some(stripes), Some(blocks)) = (&self.layout, &self.stripes, &self.blocks) else {
            return nowhere;
        };
        let (volume, within) = (layout.volume(class, machine), address % layout.chunk);
        let (stripe, chunk) = stripes.place(volume, address / layout.chunk);
        if !blocks.compress {
            let (from, to) = (within / GRAIN * GRAIN, (within + bytes).div_ceil(GRAIN) * GRAIN);
            return (Stored { stripe, chunk, offset: from, bytes: to.min(layout.chunk) - from }, 0);
        }
        let (first, last) = (address / blocks.bytes, (address + bytes - 1) / blocks.bytes);
        let taken: u64 = (first..=last).map(|block| blocks.stored(class, volume.numbered(block))).sum();
        // Its neighbours before it in the chunk take what blocks take on average.
        let before = (within / blocks.bytes) as f64 * blocks.mean_stored(usize::from(class));
        let offset = (before as u64 / GRAIN * GRAIN).min(layout.chunk.saturating_sub(taken));
        (Stored { stripe, chunk, offset, bytes: taken.min(layout.chunk) }, last - first + 1)
    }

    /// Plans the reading of a request's blocks where they are stored.
    pub(super) fn read_blocks(
        &self,
        planner: &mut Planner,
        (class, machine): (u16, u32),
        address: u64,
        bytes: u64,
        copy: u64,
    ) {
        let (Some(layout), Some(placement)) = (&self.layout, self.placement()) else { return };
        planner.begin(layout);
        let (mut at, end) = (address, address + bytes);
        while at < end {
            let next = ((at / layout.chunk + 1) * layout.chunk).min(end);
            let (place, _) = self.stored_part(class, machine, at, next - at);
            planner.read_stored(placement, &place, copy);
            at = next;
        }
    }

    /// Mean fragments of a request of `bytes` whose offset is a multiple of `align`.
    pub(super) fn mean_fragments(&self, bytes: u64, align: u64) -> f64 {
        self.layout.as_ref().map_or(1.0, |layout| layout.mean_fragments(bytes, align))
    }
}
