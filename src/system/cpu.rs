//! The processor: cores that spend a stated time on each request, and on the bytes that go through
//! parity.

use crate::engine::{Demand, Discipline, GroupId, Law, Network, Pick, Purpose, Step};
use crate::scenario::{Cpu, CpuQueue, Operation};

use super::body::PORT;
use super::demand::Ask;

/// The processor's group and how a request finds its queue.
#[derive(Clone, Copy)]
pub(super) struct CpuSteps {
    group: GroupId,
    pick: Pick,
    demands: [u32; 2],
}

impl CpuSteps {
    /// Adds the processor; `ports` decides the number of queues when each port has its own.
    pub fn add(network: &mut Network, cpu: Option<&Cpu>, ports: u32) -> Option<Self> {
        let cpu = cpu?;
        let (members, servers, pick) = match cpu.queue {
            CpuQueue::Shared => (1, cpu.cores, Pick::Fixed(0)),
            CpuQueue::PerPort => (ports, (cpu.cores / ports).max(1), Pick::Member(PORT as u8)),
        };
        let mut demand = |law: &Law| network.demand(Demand::Drawn(law.clone(), Purpose::named("cpu")));
        let demands = [demand(&cpu.read), demand(&cpu.write)];
        let group = network.group("cpu", "queue", members, servers, Discipline::Committed);
        Some(CpuSteps { group, pick, demands })
    }

    /// The step of a request of this operation.
    pub fn step(&self, operation: Operation) -> Step {
        let demand = self.demands[operation as usize];
        Step::Serve { group: self.group, pick: self.pick, demand, level: 0 }
    }

    /// The step of making parity or giving back lost data.
    pub fn coding(&self, network: &mut Network, ask: Ask) -> Step {
        let demand = network.demand(Demand::Asked(ask as u32));
        Step::Serve { group: self.group, pick: self.pick, demand, level: 0 }
    }
}
