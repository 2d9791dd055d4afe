//! The order of the two paths, and the one place that knows it.
//!
//! **Read**: command in → processor → block map (a drive read on a miss) → log and cache; on a miss fragments
//! (command down the fabric → drive → data up) → join → processor (verify, decompress, reconstruct) → data out.
//! **Write**: command and data in (above `immediate` after a ready message) → processor → log, and the partner's →
//! answer out; behind the answer the destaging that `back` lays. With no log the stripe is written first: in
//! place fragments, with parity two rounds, reads → join → parity → writes → join; log-structured as `back` says.
//! A component that the scenario leaves out adds no step.

mod back;

use crate::engine::{Demand, GateId, GroupId, Network, Pick, Quantity, Route, Step};
use crate::scenario::{Class, FaultKind, Load, Operation, Scenario, Spread};

use super::body::DRIVE;
use super::controllers::{PartnerSteps, Partners};
use super::cpu::{Around, CpuSteps};
use super::demand::{Ask, question};
use super::drive::{DriveSteps, Models};
use super::fabric::{Fabric, FabricSteps};
use super::layout::Layout;
use super::log::LogSteps;
use super::memory::MemorySteps;
use super::ports::{Message, PortSteps};
use super::reduction::Blocks;

/// What the builders of routes share.
struct Builder {
    network: Network,
    ports: PortSteps,
    partner: Option<PartnerSteps>,
    /// Whether a request may arrive at a controller that does not own it.
    may_cross: bool,
    /// The stall of requests whose controller is lost at some date.
    failover: Option<(GroupId, u32)>,
    cpu: Option<CpuSteps>,
    memory: Option<MemorySteps>,
    log: Option<LogSteps>,
    fabric: FabricSteps,
    drives: DriveSteps,
    /// The queue of each drive, if it is short.
    queue: Option<GateId>,
    cuts: bool,
    cache: Caches,
    /// Requests are planned by stripes.
    protected: bool,
    /// These are copies, and a read goes to the drive with the fewest requests.
    mirrored: bool,
    /// Writes go to full stripes.
    appends: Option<Appends>,
    /// Whether the processor takes time to make parity, and to give back lost data.
    codes: [bool; 2],
    /// Whether the processor takes time to verify or decompress what was read.
    delivers: bool,
    /// The route of a stripe on its way from the log, and of one that only cleans.
    destage: Option<Route>,
    ready_steps: u32,
    cached_steps: u32,
}

/// How reads are looked for before the drives are asked.
#[derive(Clone, Copy, Default)]
pub(super) struct Caches {
    /// In a cache or a log at all.
    pub looks: bool,
    /// Blocks in the cache have to be decompressed.
    pub holds_stored: bool,
    /// Streams are read ahead.
    pub prefetches: bool,
}

/// What a log-structured layout adds to routes.
#[derive(Clone, Copy)]
struct Appends {
    /// Blocks take the processor time on their way.
    works: bool,
    /// They are stored plain and reduced later.
    after: bool,
    /// Look-ups of the block map may miss.
    map_misses: bool,
}

/// The largest request that a class can make; of a trace, any size up to the largest there is.
fn largest_request(class: &Class) -> u64 {
    match class.load {
        Load::Trace { .. } => u64::MAX,
        _ => class.read_sizes.iter().chain(&class.write_sizes).map(|s| s.0).max().unwrap_or(0),
    }
}

/// What comes of compiling a design's routes.
pub(super) struct Compiled {
    pub network: Network,
    /// By class: the routes of a read and of a write.
    pub by_class: Vec<[Route; 2]>,
    pub fabric: Option<Fabric>,
    /// Steps of a write that waits for a ready message, which others leave out.
    pub ready_steps: u32,
    /// Steps that a read found in the cache leaves out.
    pub cached_steps: u32,
    /// The route of a stripe that is being restored, where one is.
    pub rebuild: Option<Route>,
}

/// What is known of a design before its routes are laid.
pub(super) struct Known<'a> {
    /// The drives' part, if they have one.
    pub drives: Models<'a>,
    /// The layout, if requests are cut at chunk edges.
    pub layout: Option<&'a Layout>,
    /// The blocks of a log-structured layout.
    pub blocks: Option<&'a Blocks>,
    pub partners: &'a Partners,
    pub caches: Caches,
    /// Whether look-ups of the block map may miss.
    pub map_misses: bool,
}

/// Compiles the routes of all classes.
pub(super) fn compile(scenario: &Scenario, known: &Known) -> Compiled {
    let (design, classes) = (&scenario.design, &scenario.classes);
    let mut network = Network::new();
    let largest = classes.iter().map(largest_request).max().unwrap_or(0);
    let (all_ports, hosts) = (known.partners.ports(), design.hosts.as_ref());
    let ports = PortSteps::add(&mut network, design.ports.as_ref(), all_ports, hosts, largest);
    let is_rebuilding = scenario.faults.iter().any(|fault| fault.rebuilding().is_some());
    let around = Around {
        ports: known.partners.ports(),
        controllers: known.partners.active,
        has_background: design.log.is_some() || is_rebuilding || known.blocks.is_some(),
    };
    let partner = PartnerSteps::add(&mut network, design.controllers.as_ref());
    let cpu = CpuSteps::add(&mut network, design.cpu.as_ref(), around);
    let memory = MemorySteps::add(&mut network, design, known.partners.active);
    let log = LogSteps::add(&mut network, design);
    let drives_count = design.drives.as_ref().map_or(0, |d| d.count);
    let (fabric, links) = FabricSteps::add(&mut network, design.fabric.as_ref(), drives_count);
    let has = |is: fn(&FaultKind) -> bool| scenario.faults.iter().any(|fault| is(&fault.kind));
    let may_slow = has(|kind| matches!(kind, FaultKind::DriveSlow { .. }));
    let draws_port = design.ports.as_ref().is_some_and(|ports| ports.spread == Spread::PerRequest);
    let may_fail_over = has(|kind| matches!(kind, FaultKind::ControllerLost { .. }));
    let failover = may_fail_over.then(|| {
        let group = network.delay("controllers.failover");
        (group, network.demand(Demand::Asked(Ask::Failover as u32)))
    });
    let drives = DriveSteps::add(&mut network, design.drives.as_ref(), known.drives, may_slow);
    let queue = known.drives.add_queue(&mut network, drives_count);
    let placement = known.layout.and_then(|layout| layout.placement.as_ref());
    let is_coded = placement.is_some_and(|placement| placement.group.is_coded());
    let codes = design.cpu.as_ref().map_or([false; 2], |cpu| {
        [
            is_coded && cpu.parity.is_some(),
            is_coded && cpu.reconstruct.is_some() && scenario.faults.iter().any(|f| f.lost_drive().is_some()),
        ]
    });
    let decompresses = known.blocks.is_some_and(|blocks| blocks.compress);
    let mut builder = Builder {
        network,
        ports,
        partner,
        may_cross: known.partners.active > 1
            && (draws_port || has(|kind| matches!(kind, FaultKind::PortDown { .. }))),
        failover,
        cpu,
        memory,
        log,
        fabric,
        drives,
        queue,
        cuts: known.layout.is_some(),
        cache: known.caches,
        protected: placement.is_some(),
        mirrored: placement.is_some_and(|placement| placement.group.is_mirror()),
        appends: known.blocks.map(|blocks| Appends {
            works: cpu.is_some() && blocks.works(),
            after: blocks.after,
            map_misses: known.map_misses,
        }),
        codes,
        delivers: design.cpu.as_ref().is_some_and(|cpu| cpu.checksum.is_some() || decompresses),
        destage: None,
        ready_steps: 0,
        cached_steps: 0,
    };
    builder.destage = builder.destaging();
    let by_class = classes.iter().map(|class| builder.routes(class)).collect();
    let rebuild = is_rebuilding.then(|| builder.rebuild());
    let Builder { network, ready_steps, cached_steps, .. } = builder;
    Compiled { network, by_class, fabric: links, ready_steps, cached_steps, rebuild }
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
            steps.extend(self.failover());
            steps.extend(self.ports.host_slot(true));
            steps.extend(match operation {
                Operation::Read => self.read(),
                Operation::Write => self.write(),
            });
            steps.extend(self.ports.host_slot(false));
            steps.extend(self.admission(gate, false));
            steps.push(Step::End);
            self.network.route(&steps)
        })
    }

    /// The wait of a request whose controller was lost just now.
    fn failover(&mut self) -> Vec<Step> {
        let Some((group, demand)) = self.failover else { return Vec::new() };
        vec![Step::Ask(question::FAILS_OVER), Step::Delay { group, demand }]
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
        let mut steps = self.ports.inward(&mut self.network, &[Message::to_design(Ask::ReadCommand)]);
        steps.extend(self.cross(false, question::FROM_PARTNER));
        steps.extend(self.cpu.map(|cpu| cpu.step(Operation::Read)));
        if self.appends.is_some_and(|appends| appends.map_misses) {
            steps.extend([Step::Ask(question::MAP_MISSES), self.look_up()]);
        }
        if self.cache.prefetches {
            let ahead = self.prefetch();
            steps.extend([Step::Ask(question::PREFETCHES), Step::Spawn(ahead)]);
        }
        let from_drives = self.at_rest();
        let deliver: Vec<Step> = self.deliver().into_iter().collect();
        if self.cache.looks {
            // What the cache holds as it is stored still has to be decompressed.
            let left_out = if self.cache.holds_stored { 0 } else { deliver.len() };
            self.cached_steps = (from_drives.len() + left_out) as u32;
            steps.push(Step::Ask(question::CACHED));
        }
        steps.extend(from_drives);
        steps.extend(deliver);
        steps.extend(self.memory.map(|memory| memory.send()));
        steps.extend(self.cross(true, question::FROM_OWNER));
        let data = Message::to_host(Ask::ReadData).acknowledged_by(Ask::ReadAcknowledgements);
        steps.extend(self.ports.exchange(&mut self.network, &[data]));
        steps
    }

    /// What a read takes from the drives.
    fn at_rest(&mut self) -> Vec<Step> {
        if self.protected {
            return self.protected_read();
        }
        let fragment = self.fragment(Operation::Read);
        self.at_drives(fragment)
    }

    /// The processor's share of what was read.
    fn deliver(&mut self) -> Option<Step> {
        let cpu = self.cpu.filter(|_| self.delivers)?;
        Some(cpu.work(&mut self.network, Ask::Deliver))
    }

    /// Background reads ahead of a stream.
    fn prefetch(&mut self) -> Route {
        let mut steps = vec![Step::Ask(question::BEGIN_PREFETCH)];
        steps.extend(self.at_rest());
        steps.push(Step::End);
        self.network.route(&steps)
    }

    /// A message over the partner link, of requests that arrived at the other controller.
    fn cross(&self, carries_data: bool, from: u16) -> Vec<Step> {
        let partner = self.partner.filter(|_| self.may_cross);
        partner.map_or_else(Vec::new, |partner| partner.cross_if_foreign(carries_data, from))
    }

    fn write(&mut self) -> Vec<Step> {
        let mut steps = self.write_arrives();
        steps.extend(self.cross(true, question::FROM_PARTNER));
        steps.extend(self.memory.map(|memory| memory.receive()));
        steps.extend(self.cpu.map(|cpu| cpu.step(Operation::Write)));
        steps.extend(match (self.log, self.destage) {
            (Some(log), Some(destage)) => log.protect(&mut self.network, self.partner.as_ref(), destage),
            _ if self.appends.is_some() => self.append(),
            _ => self.in_place(),
        });
        steps.extend(self.cross(false, question::FROM_OWNER));
        let response = Message::to_host(Ask::WriteResponse);
        steps.extend(self.ports.exchange(&mut self.network, &[response]));
        steps
    }

    /// A write to where its blocks were.
    fn in_place(&mut self) -> Vec<Step> {
        if self.protected {
            return self.protected_write();
        }
        let fragment = self.fragment(Operation::Write);
        self.at_drives(fragment)
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

    /// Steps of a fragment that a drive reads or writes.
    fn fragment(&mut self, operation: Operation) -> Vec<Step> {
        let network = &mut self.network;
        let (down, up) = match operation {
            Operation::Read => (Ask::UplinkSubmission, Ask::UplinkRead),
            Operation::Write => (Ask::UplinkWrite, Ask::UplinkCompletion),
        };
        let one = |gate: GateId| (gate, Pick::Member(DRIVE as u8), Quantity::One);
        let slot = self.queue.map(one);
        let mut fragment: Vec<Step> =
            slot.into_iter().map(|(gate, pick, quantity)| Step::Take { gate, pick, quantity }).collect();
        fragment.extend(self.fabric.down(network, down));
        fragment.extend(match operation {
            Operation::Read => self.drives.read(network),
            Operation::Write => self.drives.write(network),
        });
        fragment.extend(self.fabric.up(network, up));
        fragment.extend(slot.map(|(gate, pick, quantity)| Step::Give { gate, pick, quantity }));
        fragment
    }

    /// A round of drive reads or of drive writes, joined.
    fn round(&mut self, operation: Operation) -> Step {
        let (counted, asked) = match operation {
            Operation::Read => (question::AT_DRIVE_READ, question::READS),
            Operation::Write => (question::AT_DRIVE_WRITE, question::WRITES),
        };
        let mut steps = vec![Step::Ask(counted)];
        steps.extend(self.fragment(operation));
        steps.extend(self.mirrored.then_some(Step::Ask(question::LEFT_DRIVE)));
        steps.push(Step::Join);
        Step::Fork { question: asked, route: self.network.route(&steps) }
    }

    /// The processor's share: parity of a write, or what a lost drive held.
    fn coding(&mut self, ask: Ask) -> Vec<Step> {
        let takes_time = self.codes[usize::from(ask == Ask::Reconstruct)];
        let Some(cpu) = self.cpu.filter(|_| takes_time) else { return Vec::new() };
        vec![Step::Ask(question::NOTHING_CODED), cpu.work(&mut self.network, ask)]
    }

    fn protected_read(&mut self) -> Vec<Step> {
        let mut coding = self.coding(Ask::Reconstruct);
        // The plan is asked for only where the processor wants to know of it.
        let mut steps: Vec<Step> =
            coding.first().map(|_| Step::Ask(question::PLAN_READ)).into_iter().collect();
        steps.push(self.round(Operation::Read));
        if self.delivers {
            // That is one visit to the processor, with the rest of what was read.
            coding.clear();
        }
        steps.extend(coding);
        steps
    }

    fn protected_write(&mut self) -> Vec<Step> {
        // PLAN_WRITE leaves out the two steps behind it where nothing need be read.
        let read = self.round(Operation::Read);
        let mut steps = vec![Step::Ask(question::PLAN_WRITE), read, Step::Ask(question::NEXT_ROUND)];
        steps.extend(self.coding(Ask::Parity));
        steps.push(self.round(Operation::Write));
        steps
    }

    /// A stripe that is being restored: read, given back, written to spare room, behind the hosts' work.
    fn rebuild(&mut self) -> Route {
        let mut steps = vec![self.round(Operation::Read)];
        steps.extend(self.coding(Ask::Reconstruct));
        steps.push(Step::Ask(question::NEXT_ROUND));
        steps.push(self.round(Operation::Write));
        steps.push(Step::End);
        let steps = self.network.behind(&steps);
        self.network.route(&steps)
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
