//! A design compiled: its network, and the small tables that answer what depends on a request.

use std::sync::Arc;

use crate::engine::{Key, Law, MEMBER_SLOTS, Network, PS_PER_S, Purpose, Route, SimDuration};
use crate::scenario::{Class, Design, DriveKind, Fault, FaultKind, PortKind, Scenario, SpareKind, Spread};
use crate::traffic::Request;

use super::body::{PORT, StorageToken, UNIT};
use super::cache::Cache;
use super::condition::Conditions;
use super::demand::Ask;
use super::drive::{DriveModel, Refusal, SERVICE, Solved};
use super::fabric::Uplinks;
use super::layout::{Layout, Placement};
use super::ports::Wire;
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
    ports: u64,
    spread: Spread,
    pub(super) uplinks: Option<Uplinks>,
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
    /// The law of a textbook drive.
    drive_law: Option<Law>,
    faults: Arc<[Fault]>,
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
        let is_emptied = scenario.faults.iter().any(|fault| fault.kind == FaultKind::CacheCold);
        let cache = Cache::of(design, &scenario.classes, is_emptied);
        let compiled = routes::compile(scenario, drive.as_ref(), layout.as_ref(), cache.is_some());
        let per_byte = |rate: Option<f64>| rate.map_or(0.0, |rate| PS_PER_S as f64 / rate);
        let wire = design.ports.as_ref().and_then(|p| match &p.kind {
            PortKind::Link(link) => Some(Wire::of(link)),
            PortKind::Station(_) => None,
        });
        Ok(Plan {
            network: Arc::new(compiled.network),
            routes: compiled.by_class,
            wire,
            ports: design.ports.as_ref().map_or(1, |p| u64::from(p.count)),
            spread: design.ports.as_ref().map_or(Spread::PerMachine, |p| p.spread),
            uplinks: compiled.uplinks,
            drive,
            layout,
            drives: design.drives.as_ref().map_or(0, |d| d.count as usize),
            ready_steps: compiled.ready_steps,
            cache,
            cached_steps: compiled.cached_steps,
            rebuild: compiled.rebuild,
            coding_ps: design.cpu.as_ref().map_or([0.0; 2], |c| [c.parity, c.reconstruct].map(per_byte)),
            drive_law: design.drives.as_ref().and_then(|drives| match &drives.kind {
                DriveKind::Station { service, .. } => Some(service.clone()),
                DriveKind::Part(_) => None,
            }),
            faults: Arc::from(scenario.faults.as_slice()),
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

    /// What replications keep of protection; rebuilds draw from `key`.
    pub fn protected(&self, key: Key) -> Protected {
        Protected::new(self.layout.as_ref().map_or(0, |layout| layout.chunk), key)
    }

    /// The conditions that stand all the time.
    pub(super) fn conditions(&self) -> Conditions {
        Conditions::standing(Arc::clone(&self.faults), self.ports as u32)
    }

    /// Whether a machine keeps its port.
    pub(super) fn is_per_machine(&self) -> bool {
        self.spread == Spread::PerMachine
    }

    /// Ports that take requests all the time.
    pub(super) fn working_ports(&self) -> u32 {
        let is_down =
            |fault: &&Fault| fault.is_standing() && matches!(fault.kind, FaultKind::PortDown { .. });
        self.ports as u32 - self.faults.iter().filter(is_down).count() as u32
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

    /// Time of one message or program, by name.
    #[inline]
    pub(super) fn service(&self, ask: Ask, token: &StorageToken) -> SimDuration {
        let bytes = u64::from(token.amount);
        match ask {
            Ask::UplinkSubmission | Ask::UplinkWrite | Ask::UplinkRead | Ask::UplinkCompletion => {
                self.uplinks.as_ref().map_or(SimDuration::ZERO, |u| u.time(ask, bytes))
            }
            Ask::DriveSubmission | Ask::DriveWrite | Ask::DriveRead | Ask::DriveCompletion | Ask::Program => {
                self.drive.as_ref().map_or(SimDuration::ZERO, |d| d.time(ask, bytes))
            }
            Ask::Sense => self.drive.as_ref().map_or(SimDuration::ZERO, |d| d.sense),
            Ask::Command => self.drive.as_ref().map_or(SimDuration::ZERO, |d| d.command),
            Ask::Service => {
                self.drive_law.as_ref().map_or(SimDuration::ZERO, |law| law.sample(token.key, SERVICE))
            }
            Ask::Parity | Ask::Reconstruct => self.coding(ask, f64::from(token.members[UNIT])),
            _ => self.wire.as_ref().map_or(SimDuration::ZERO, |w| w.time(ask, bytes)),
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
