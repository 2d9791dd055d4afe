//! A design compiled: its network, and the small tables that answer what depends on a request.

use std::sync::Arc;

use crate::engine::{Key, MEMBER_SLOTS, Network, PS_PER_S, Purpose, Route, SimDuration};
use crate::scenario::{Class, Design, DriveKind, Fault, PortKind, Scenario, SpareKind, Spread};
use crate::traffic::Request;

use super::body::{PORT, StorageToken, UNIT};
use super::cache::Cache;
use super::demand::Ask;
use super::drive::{DriveModel, Refusal, Solved};
use super::fabric::Fabric;
use super::hosts::Hosts;
use super::layout::{Layout, Placement};
use super::ports::{AT_HOST, Wire};
use super::protected::Protected;
use super::routes;

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
    ports: u64,
    spread: Spread,
    pub(super) fabric: Option<Fabric>,
    pub(super) drive: Option<DriveModel>,
    pub(super) layout: Option<Layout>,
    /// Number of drives.
    pub(super) drives: usize,
    /// Steps of a write that waits for a ready message, which others leave out.
    pub(super) ready_steps: u32,
    pub(super) cache: Option<Cache>,
    /// Steps that a read found in the cache leaves out.
    pub(super) cached_steps: u32,
    /// The route of a stripe that is being restored.
    pub(super) rebuild: Option<Route>,
    /// Processor time for each byte that goes through parity, ps: made, given back.
    coding_ps: [f64; 2],
    faults: Vec<Fault>,
}

impl Plan {
    /// Compiles a checked scenario's design; `solved` is what simulation tells of its drives' part.
    ///
    /// # Errors
    /// The part's ratings contradict each other.
    pub fn compile(scenario: &Scenario, solved: Option<Solved>) -> Result<Self, Refusal> {
        let design = &scenario.design;
        let drive = drive_model(scenario, solved)?;
        let layout = layout(scenario);
        let cache = Cache::of(design, &scenario.classes);
        let compiled = routes::compile(scenario, drive.as_ref(), layout.as_ref(), cache.is_some());
        let per_byte = |rate: Option<f64>| rate.map_or(0.0, |rate| PS_PER_S as f64 / rate);
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
            ports: design.ports.as_ref().map_or(1, |p| u64::from(p.count)),
            spread: design.ports.as_ref().map_or(Spread::PerMachine, |p| p.spread),
            fabric: compiled.fabric,
            drive,
            layout,
            drives: design.drives.as_ref().map_or(0, |d| d.count as usize),
            ready_steps: compiled.ready_steps,
            cache,
            cached_steps: compiled.cached_steps,
            rebuild: compiled.rebuild,
            coding_ps: design.cpu.as_ref().map_or([0.0; 2], |c| [c.parity, c.reconstruct].map(per_byte)),
            faults: scenario.faults.clone(),
        })
    }

    /// The route of a request.
    pub fn route(&self, request: &Request) -> Route {
        self.routes[usize::from(request.class)][request.operation as usize]
    }

    /// The members a request starts with: its port.
    pub fn members(&self, request: &Request) -> [u32; MEMBER_SLOTS] {
        let port = match self.spread {
            Spread::PerMachine => u64::from(request.machine) % self.ports,
            Spread::PerRequest => request.key.draws(PORT_DRAW).below(self.ports),
        };
        let mut members = [0; MEMBER_SLOTS];
        members[PORT] = port as u32;
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

    /// What replications keep of protection; a rebuild, if there is one, draws from `key`.
    pub fn protected(&self, key: Key) -> Protected {
        Protected::new(&self.faults, self.layout.as_ref().map_or(0, |layout| layout.chunk), key)
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

    /// Number of ports, or one where there are none.
    pub(super) fn ports(&self) -> u64 {
        self.ports
    }

    /// Processor time of bytes that go through parity: made, or given back.
    #[inline]
    pub(super) fn coding(&self, ask: Ask, bytes: f64) -> SimDuration {
        SimDuration::from_ps_f64(bytes * self.coding_ps[usize::from(ask == Ask::Reconstruct)])
    }

    /// Mean fragments of a request of `bytes` whose offset is a multiple of `align`.
    pub(super) fn mean_fragments(&self, bytes: u64, align: u64) -> f64 {
        self.layout.as_ref().map_or(1.0, |layout| layout.mean_fragments(bytes, align))
    }

    /// Time of one message or program, by name and place.
    #[inline]
    pub(super) fn service(&self, ask: Ask, place: u32, token: &StorageToken) -> SimDuration {
        let bytes = u64::from(token.amount);
        match ask {
            Ask::UplinkSubmission | Ask::UplinkWrite | Ask::UplinkRead | Ask::UplinkCompletion => {
                self.fabric.as_ref().map_or(SimDuration::ZERO, |f| f.time(ask, place, bytes))
            }
            Ask::DriveSubmission | Ask::DriveWrite | Ask::DriveRead | Ask::DriveCompletion | Ask::Program => {
                self.drive.as_ref().map_or(SimDuration::ZERO, |d| d.time(ask, bytes))
            }
            Ask::Parity | Ask::Reconstruct => self.coding(ask, f64::from(token.members[UNIT])),
            _ => {
                let at_host = self.hosts.as_ref().filter(|_| place == AT_HOST).map(|hosts| &hosts.wire);
                at_host.or(self.wire.as_ref()).map_or(SimDuration::ZERO, |w| w.time(ask, bytes))
            }
        }
    }
}

fn drive_model(scenario: &Scenario, solved: Option<Solved>) -> Result<Option<DriveModel>, Refusal> {
    let (Some(drives), Some(solved)) = (&scenario.design.drives, solved) else { return Ok(None) };
    let DriveKind::Part(part) = &drives.kind else { return Ok(None) };
    let live = allocated(&scenario.classes) / (room(&scenario.design, drives.count) * part.capacity as f64);
    DriveModel::solve(part, max_payload(&scenario.design), solved, live).map(Some)
}

/// Largest payload of a PCIe packet, bytes.
pub fn max_payload(design: &Design) -> u32 {
    design.fabric.as_ref().map_or(256, |f| f.max_payload)
}

/// Drives whose whole capacity holds data, were they full: less spares of their own, and redundancy.
fn room(design: &Design, count: u32) -> f64 {
    let Some(protection) = &design.layout.protection else { return f64::from(count) };
    let apart = match protection.spare_kind {
        SpareKind::Dedicated => protection.spares,
        SpareKind::Distributed => 0,
    };
    f64::from(count - apart) * protection.group.usable_share()
}

/// Space that machines have been given, bytes. Without discards all of it counts as written.
fn allocated(classes: &[Class]) -> f64 {
    classes.iter().map(|c| f64::from(c.machines) * c.capacity as f64).sum()
}

/// The layout, where requests are cut at all.
fn layout(scenario: &Scenario) -> Option<Layout> {
    let (design, classes) = (&scenario.design, &scenario.classes);
    let drives = design.drives.as_ref()?;
    if matches!(drives.kind, DriveKind::Station { split: false, .. }) {
        return None;
    }
    // Volumes lie alike in every replication and under every seed: they belong to the design.
    let root = Key::root(0).named("volumes");
    let volumes = classes.iter().map(|class| root.named(&class.name)).collect();
    let protection = design.layout.protection.as_ref();
    let placement = protection.map(|p| Placement::new(p, drives.count, &scenario.faults));
    Some(Layout { chunk: design.layout.chunk, drives: u64::from(drives.count), volumes, placement })
}
