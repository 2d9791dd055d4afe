//! The order of the two paths, and the one place that knows it.
//!
//! **Read**: command in → processor → cache; on a miss fragments (command down the fabric → drive →
//! data up) → join → data out. **Write**: command and data in (above `immediate` after a ready message) → processor →
//! fragments (data down → drive's buffer → completion up) → join → answer out. A component that the
//! scenario leaves out adds no step. With protection a read may go to the survivors of a lost drive and
//! through the processor, and a write may take two rounds: reads → join → parity → writes → join.

use crate::engine::{GateId, Network, Pick, Quantity, Route, Step};
use crate::scenario::{Class, FaultKind, Load, Operation, Scenario};

use super::cpu::CpuSteps;
use super::demand::{Ask, question};
use super::drive::{DriveModel, DriveSteps};
use super::fabric::{FabricSteps, Uplinks};
use super::layout::Layout;
use super::ports::{Message, PortSteps};

/// What the builders of routes share.
struct Builder {
    network: Network,
    ports: PortSteps,
    cpu: Option<CpuSteps>,
    fabric: FabricSteps,
    drives: DriveSteps,
    cuts: bool,
    caches: bool,
    /// Requests are planned by stripes.
    protected: bool,
    /// Whether the processor takes time to make parity, and to give back lost data.
    codes: [bool; 2],
    ready_steps: u32,
    cached_steps: u32,
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
    pub uplinks: Option<Uplinks>,
    /// Steps of a write that waits for a ready message, which others leave out.
    pub ready_steps: u32,
    /// Steps that a read found in the cache leaves out.
    pub cached_steps: u32,
    /// The route of a stripe that is being restored, where one is.
    pub rebuild: Option<Route>,
}

/// Compiles the routes of all classes. `drive` is the datasheet drive, if there is one; `layout`, if
/// requests are cut at chunk edges; `caches` says whether reads are looked for in a cache.
pub(super) fn compile(
    scenario: &Scenario,
    drive: Option<&DriveModel>,
    layout: Option<&Layout>,
    caches: bool,
) -> Compiled {
    let (design, classes) = (&scenario.design, &scenario.classes);
    let mut network = Network::new();
    let ports_count = design.ports.as_ref().map_or(1, |p| p.count);
    let largest = classes.iter().map(largest_request).max().unwrap_or(0);
    let ports = PortSteps::add(&mut network, design.ports.as_ref(), largest);
    let cpu = CpuSteps::add(&mut network, design.cpu.as_ref(), ports_count);
    let (fabric, uplinks) = FabricSteps::add(&mut network, design.fabric.as_ref());
    let may_slow = scenario.faults.iter().any(|fault| matches!(fault.kind, FaultKind::DriveSlow { .. }));
    let drives = DriveSteps::add(&mut network, design.drives.as_ref(), drive, may_slow);
    let placement = layout.and_then(|layout| layout.placement.as_ref());
    let is_coded = placement.is_some_and(|placement| placement.group.data() > 1);
    let codes = design.cpu.as_ref().map_or([false; 2], |cpu| {
        [
            is_coded && cpu.parity.is_some(),
            is_coded && cpu.reconstruct.is_some() && scenario.faults.iter().any(|f| f.lost_drive().is_some()),
        ]
    });
    let mut builder = Builder {
        network,
        ports,
        cpu,
        fabric,
        drives,
        cuts: layout.is_some(),
        protected: placement.is_some(),
        codes,
        caches,
        ready_steps: 0,
        cached_steps: 0,
    };
    let by_class = classes.iter().map(|class| builder.routes(class)).collect();
    let is_rebuilding = scenario.faults.iter().any(|fault| fault.rebuilding().is_some());
    let rebuild = is_rebuilding.then(|| builder.rebuild());
    let Builder { network, ready_steps, cached_steps, .. } = builder;
    Compiled { network, by_class, uplinks, ready_steps, cached_steps, rebuild }
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
        let from_drives = if self.protected {
            self.protected_read()
        } else {
            let fragment = self.fragment(Operation::Read);
            self.at_drives(fragment)
        };
        if self.caches {
            self.cached_steps = from_drives.len() as u32;
            steps.push(Step::Ask(question::CACHED));
        }
        steps.extend(from_drives);
        let data = Message::to_host(Ask::ReadData).acknowledged_by(Ask::ReadAcknowledgements);
        steps.extend(self.ports.exchange(&mut self.network, &[data]));
        steps
    }

    fn write(&mut self) -> Vec<Step> {
        let mut steps = self.write_arrives();
        steps.extend(self.cpu.map(|cpu| cpu.step(Operation::Write)));
        steps.extend(if self.protected {
            self.protected_write()
        } else {
            let fragment = self.fragment(Operation::Write);
            self.at_drives(fragment)
        });
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

    /// Steps of a fragment that a drive reads or writes.
    fn fragment(&mut self, operation: Operation) -> Vec<Step> {
        let network = &mut self.network;
        let (down, up) = match operation {
            Operation::Read => (Ask::UplinkSubmission, Ask::UplinkRead),
            Operation::Write => (Ask::UplinkWrite, Ask::UplinkCompletion),
        };
        let mut fragment = self.fabric.down(network, down);
        fragment.extend(match operation {
            Operation::Read => self.drives.read(network),
            Operation::Write => self.drives.write(network),
        });
        fragment.extend(self.fabric.up(network, up));
        fragment
    }

    /// A round of drive reads or of drive writes, joined.
    fn round(&mut self, operation: Operation) -> Step {
        let (counted, question) = match operation {
            Operation::Read => (question::AT_DRIVE_READ, question::READS),
            Operation::Write => (question::AT_DRIVE_WRITE, question::WRITES),
        };
        let mut steps = vec![Step::Ask(counted)];
        steps.extend(self.fragment(operation));
        steps.push(Step::Join);
        Step::Fork { question, route: self.network.route(&steps) }
    }

    /// The processor's share: parity of a write, or what a lost drive held.
    fn coding(&mut self, ask: Ask) -> Vec<Step> {
        let takes_time = self.codes[usize::from(ask == Ask::Reconstruct)];
        let Some(cpu) = self.cpu.filter(|_| takes_time) else { return Vec::new() };
        vec![Step::Ask(question::NOTHING_CODED), cpu.coding(&mut self.network, ask)]
    }

    fn protected_read(&mut self) -> Vec<Step> {
        let coding = self.coding(Ask::Reconstruct);
        // The plan is asked for only where the processor wants to know of it.
        let mut steps: Vec<Step> =
            coding.first().map(|_| Step::Ask(question::PLAN_READ)).into_iter().collect();
        steps.push(self.round(Operation::Read));
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
