//! Compiles a design to routes: the one place that knows the order of the two paths.
//!
//! **Read**: command in → processor → fragments (command down the fabric → drive → data up) → join →
//! data out. **Write**: command and data in (above `immediate` after a ready message) → processor →
//! fragments (data down → drive's buffer → completion up) → join → answer out. A component that the
//! scenario leaves out adds no step.

use std::sync::Arc;

use crate::engine::{
    GateId, Key, MEMBER_SLOTS, Network, Part, Pick, Purpose, Quantity, Route, SimDuration, Step,
};
use crate::scenario::{Class, Design, DriveKind, Load, Operation, PortKind, Scenario, Spread};
use crate::traffic::Request;

use super::body::{Body, DRIVE, PORT, StorageToken, UNIT};
use super::cpu::CpuSteps;
use super::demand::{Ask, question};
use super::drive::{DriveModel, DriveSteps};
use super::fabric::{FabricSteps, Uplinks};
use super::layout::Layout;
use super::ports::{Message, PortSteps, Wire};

const PORT_DRAW: Purpose = Purpose::named("port");
const UNIT_DRAW: Purpose = Purpose::named("unit");

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
    layout: Option<Layout>,
    drives: usize,
    /// Steps of a write that waits for a ready message, which others leave out.
    ready_steps: u32,
}

/// The answers that a plan gives while it runs, and the bytes it has seen (one per replication).
pub struct Path {
    plan: Arc<Plan>,
    /// Bytes that requests asked of the drives, by operation.
    pub cut: [u64; 2],
    /// Bytes of the fragments made of them, by operation.
    pub fragments: [u64; 2],
    /// By drive: the unit that takes the next page written.
    next_unit: Vec<u32>,
}

/// What the builders of routes share.
struct Builder {
    network: Network,
    ports: PortSteps,
    cpu: Option<CpuSteps>,
    fabric: FabricSteps,
    drives: DriveSteps,
    cuts: bool,
    ready_steps: u32,
}

impl Plan {
    /// Compiles a checked scenario's design.
    pub fn compile(scenario: &Scenario) -> Self {
        let design = &scenario.design;
        let mut network = Network::new();
        let ports_count = design.ports.as_ref().map_or(1, |p| p.count);
        let largest = scenario.classes.iter().map(largest_request).max().unwrap_or(0);
        let ports = PortSteps::add(&mut network, design.ports.as_ref(), largest);
        let cpu = CpuSteps::add(&mut network, design.cpu.as_ref(), ports_count);
        let (fabric, uplinks) = FabricSteps::add(&mut network, design.fabric.as_ref());
        let drive = drive_model(design);
        let drives = DriveSteps::add(&mut network, design.drives.as_ref(), drive.as_ref());
        let layout = layout(design, &scenario.classes);
        let mut builder =
            Builder { network, ports, cpu, fabric, drives, cuts: layout.is_some(), ready_steps: 0 };
        let routes = scenario.classes.iter().map(|class| builder.routes(class)).collect();
        let wire = design.ports.as_ref().and_then(|p| match &p.kind {
            PortKind::Link(link) => Some(Wire::of(link)),
            PortKind::Station(_) => None,
        });
        Plan {
            ready_steps: builder.ready_steps,
            network: Arc::new(builder.network),
            routes,
            wire,
            ports: u64::from(ports_count),
            spread: design.ports.as_ref().map_or(Spread::PerMachine, |p| p.spread),
            uplinks,
            drive,
            layout,
            drives: design.drives.as_ref().map_or(0, |d| d.count as usize),
        }
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

    /// The datasheet drive's internal parameters, if the design has one.
    pub fn drive(&self) -> Option<&DriveModel> {
        self.drive.as_ref()
    }

    /// Mean fragments of a request of `bytes` whose offset is a multiple of `align`.
    pub(super) fn mean_fragments(&self, bytes: u64, align: u64) -> f64 {
        self.layout.as_ref().map_or(1.0, |layout| layout.mean_fragments(bytes, align))
    }
}

/// The largest request that a class can make; of a trace, any size up to the largest there is.
fn largest_request(class: &Class) -> u64 {
    match class.load {
        Load::Trace { .. } => u64::MAX,
        _ => class.read_sizes.iter().chain(&class.write_sizes).map(|s| s.0).max().unwrap_or(0),
    }
}

fn drive_model(design: &Design) -> Option<DriveModel> {
    match &design.drives.as_ref()?.kind {
        DriveKind::Part(part) => {
            let max_payload = design.fabric.as_ref().map_or(256, |f| f.max_payload);
            Some(DriveModel::solve(part, max_payload))
        }
        DriveKind::Station { .. } => None,
    }
}

/// The layout, where requests are cut at all.
fn layout(design: &Design, classes: &[Class]) -> Option<Layout> {
    let drives = design.drives.as_ref()?;
    if matches!(drives.kind, DriveKind::Station { split: false, .. }) {
        return None;
    }
    // Volumes lie alike in every replication and under every seed: they belong to the design.
    let root = Key::root(0).named("volumes");
    let volumes = classes.iter().map(|class| root.named(&class.name)).collect();
    Some(Layout { chunk: design.layout.chunk, drives: u64::from(drives.count), volumes })
}

impl Builder {
    /// The routes of a class: read, write.
    fn routes(&mut self, class: &Class) -> [Route; 2] {
        let gate = match class.load {
            Load::Open { in_flight_max: Some(most), .. } => {
                let name = format!("machines.{}", class.name);
                Some(self.network.gates(&name, class.machines, u64::from(most)))
            }
            _ => None,
        };
        Operation::BOTH.map(|operation| {
            let mut steps = self.admission(gate, true);
            steps.extend(match operation {
                Operation::Read => self.read(),
                Operation::Write => self.write(),
            });
            steps.extend(self.admission(gate, false));
            steps.push(Step::End);
            self.network.route(&steps)
        })
    }

    /// A machine's own limit of requests in flight.
    fn admission(&self, gate: Option<GateId>, enter: bool) -> Vec<Step> {
        let (pick, quantity) = (Pick::Ask(question::MACHINE), Quantity::One);
        gate.into_iter()
            .map(|gate| {
                if enter { Step::Take { gate, pick, quantity } } else { Step::Give { gate, pick, quantity } }
            })
            .collect()
    }

    fn read(&mut self) -> Vec<Step> {
        let network = &mut self.network;
        let mut steps = self.ports.inward(network, &[Message::to_design(Ask::ReadCommand)]);
        steps.extend(self.cpu.map(|cpu| cpu.step(Operation::Read)));
        let mut fragment = self.fabric.down(network, Ask::UplinkSubmission);
        fragment.extend(self.drives.read(network));
        fragment.extend(self.fabric.up(network, Ask::UplinkRead));
        steps.extend(self.at_drives(fragment));
        let data = Message::to_host(Ask::ReadData).acknowledged_by(Ask::ReadAcknowledgements);
        steps.extend(self.ports.exchange(&mut self.network, &[data]));
        steps
    }

    fn write(&mut self) -> Vec<Step> {
        let mut steps = self.write_arrives();
        steps.extend(self.cpu.map(|cpu| cpu.step(Operation::Write)));
        let network = &mut self.network;
        let mut fragment = self.fabric.down(network, Ask::UplinkWrite);
        fragment.extend(self.drives.write(network));
        fragment.extend(self.fabric.up(network, Ask::UplinkCompletion));
        steps.extend(self.at_drives(fragment));
        let response = Message::to_host(Ask::WriteResponse);
        steps.extend(self.ports.exchange(&mut self.network, &[response]));
        steps
    }

    /// A write's data comes with the command, or after a ready message.
    fn write_arrives(&mut self) -> Vec<Step> {
        let network = &mut self.network;
        if !matches!(self.ports, PortSteps::Link { .. }) {
            return self.ports.inward(network, &[]);
        }
        let at_once = self.ports.exchange(
            network,
            &[Message::to_design(Ask::WriteWithData).acknowledged_by(Ask::WriteWithDataAcknowledgements)],
        );
        let later = self.ports.exchange(
            network,
            &[
                Message::to_design(Ask::WriteCommand),
                Message::to_host(Ask::WriteReady),
                Message::to_design(Ask::WriteData).acknowledged_by(Ask::WriteAcknowledgements),
            ],
        );
        // READY skips the patient way (and the skip behind it) for a write that brings its data.
        let mut steps = vec![Step::Ask(question::READY)];
        steps.extend(later);
        steps.push(Step::Skip(at_once.len() as u32));
        self.ready_steps = steps.len() as u32 - 1;
        steps.extend(at_once);
        steps
    }

    /// Cuts the request at chunk edges and joins its fragments, or sends it whole to one drive.
    fn at_drives(&mut self, mut fragment: Vec<Step>) -> Vec<Step> {
        if fragment.is_empty() {
            return fragment;
        }
        if self.cuts {
            fragment.push(Step::Join);
            let route = self.network.route(&fragment);
            return vec![Step::Fork { question: question::FRAGMENTS, route }];
        }
        let mut steps: Vec<Step> = self.drives.which().into_iter().collect();
        steps.extend(fragment);
        steps
    }
}

impl Path {
    /// The path of one replication.
    pub fn new(plan: Arc<Plan>) -> Self {
        let next_unit = vec![0; plan.drives];
        Path { plan, cut: [0; 2], fragments: [0; 2], next_unit }
    }

    /// The plan it follows.
    pub fn plan(&self) -> &Plan {
        &self.plan
    }

    /// The service of an asked demand.
    #[inline]
    pub fn service(&self, demand: u32, token: &StorageToken) -> SimDuration {
        self.plan.service(Ask::numbered(demand), token)
    }

    /// The member of an asked pick.
    #[inline]
    pub fn pick(&self, asked: u16, token: &StorageToken) -> u32 {
        let plan = &*self.plan;
        let drive = token.members[DRIVE];
        match asked {
            question::UPLINK => plan.uplinks.as_ref().map_or(0, |u| drive % u.count),
            question::LINK_UP => plan.drive.as_ref().map_or(0, |d| d.link(drive, true)),
            question::LINK_DOWN => plan.drive.as_ref().map_or(0, |d| d.link(drive, false)),
            question::UNIT => plan.drive.as_ref().map_or(0, |d| drive * d.units + token.members[UNIT]),
            _ => token.body.machine(),
        }
    }

    /// How many steps a token leaves out.
    #[inline]
    pub fn ask(&mut self, asked: u32, token: &mut StorageToken) -> u32 {
        let plan = &*self.plan;
        match asked {
            question::READY => {
                let waits = plan.wire.as_ref().is_some_and(|w| u64::from(token.amount) > w.immediate);
                if waits { 0 } else { plan.ready_steps }
            }
            // One page skips the fork and the skip behind it.
            _ if plan.drive.as_ref().is_some_and(|d| d.pages(token.amount) > 1) => 0,
            _ => {
                if asked == question::ONE_PROGRAM {
                    token.members[UNIT] = self.deal(token.members[DRIVE]);
                }
                2
            }
        }
    }

    /// Cuts a request at chunk edges, or a fragment at pages.
    pub fn fork(&mut self, asked: u32, token: &StorageToken, parts: &mut Vec<Part<Body>>) {
        if asked != question::FRAGMENTS {
            self.cut_at_pages(asked == question::PROGRAMS, token, parts);
            return;
        }
        if let Some(layout) = &self.plan.layout {
            layout.cut(token, parts);
        }
        let operation = token.body.operation() as usize;
        self.cut[operation] += u64::from(token.amount);
        self.fragments[operation] += parts.iter().map(|p| u64::from(p.amount)).sum::<u64>();
    }

    fn cut_at_pages(&mut self, in_turn: bool, token: &StorageToken, parts: &mut Vec<Part<Body>>) {
        let plan = Arc::clone(&self.plan);
        let Some(drive) = &plan.drive else { return };
        let mut draws = token.key.draws(UNIT_DRAW);
        for page in 0..drive.pages(token.amount) {
            let bytes = u64::from(token.amount) - page * drive.page;
            let mut members = token.members;
            members[UNIT] = if in_turn {
                self.deal(token.members[DRIVE])
            } else {
                draws.below(u64::from(drive.units)) as u32
            };
            parts.push(Part { amount: bytes.min(drive.page) as u32, members, body: token.body });
        }
    }

    /// The unit of a drive whose turn it is to take a page.
    fn deal(&mut self, drive: u32) -> u32 {
        let units = self.plan.drive.as_ref().map_or(1, |d| d.units);
        let next = &mut self.next_unit[drive as usize];
        let unit = *next;
        *next = if unit + 1 == units { 0 } else { unit + 1 };
        unit
    }
}

impl Plan {
    /// Time of one message or program, by name.
    #[inline]
    pub(super) fn service(&self, ask: Ask, token: &StorageToken) -> SimDuration {
        let bytes = u64::from(token.amount);
        match ask {
            Ask::UplinkSubmission | Ask::UplinkWrite | Ask::UplinkRead | Ask::UplinkCompletion => {
                self.uplinks.as_ref().map_or(SimDuration::ZERO, |u| u.time(ask, bytes))
            }
            Ask::DriveSubmission | Ask::DriveWrite | Ask::DriveRead | Ask::DriveCompletion | Ask::Program => {
                self.drive
                    .as_ref()
                    .map_or(SimDuration::ZERO, |d| d.time(ask, bytes, token.body.is_sequential()))
            }
            _ => self.wire.as_ref().map_or(SimDuration::ZERO, |w| w.time(ask, bytes)),
        }
    }
}
