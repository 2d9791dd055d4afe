//! The processor: cores that spend a stated time on each request, and on the bytes that are checked, reduced, or go
//! through parity.
//!
//! A request's own time has its law; what its bytes cost comes on top. Work that nobody waits for (destaging, rebuilds)
//! goes behind the hosts' requests, but what a core has begun it ends. Threads of a core share it: each is slower by
//! threads ÷ gain. Left out: caches of the processor, interrupts, cores that are far from a port.

use crate::engine::{Demand, Discipline, GroupId, Law, Network, PS_PER_S, Pick, Purpose, SimDuration, Step};
use crate::scenario::{Cpu, CpuQueue, Operation};

use super::body::PORT;
use super::demand::{Ask, question};

/// What a request's law is drawn for.
pub(super) const CPU: Purpose = Purpose::named("cpu");

/// The processor's group and how a request finds its queue.
#[derive(Clone, Copy)]
pub(super) struct CpuSteps {
    group: GroupId,
    pick: Pick,
    demands: [u32; 2],
}

/// What stands before the processor.
#[derive(Clone, Copy)]
pub(super) struct Around {
    /// Ports of all controllers at work.
    pub ports: u32,
    /// Controllers at work.
    pub controllers: u32,
    /// Whether there is work that nobody waits for.
    pub has_background: bool,
}

impl CpuSteps {
    /// Adds the processors of all controllers; where each port has its own queue there are as many.
    pub fn add(network: &mut Network, cpu: Option<&Cpu>, around: Around) -> Option<Self> {
        let cpu = cpu?;
        let each = (around.ports / around.controllers).max(1);
        let (members, servers, pick) = match cpu.queue {
            CpuQueue::Shared if around.controllers == 1 => (1, cpu.servers(), Pick::Fixed(0)),
            CpuQueue::Shared => (around.controllers, cpu.servers(), Pick::Ask(question::CONTROLLER)),
            CpuQueue::PerPort => (around.ports, (cpu.servers() / each).max(1), Pick::Member(PORT as u8)),
        };
        let mut demand = |law: &Law, ask: Ask| {
            let is_plain = cpu.threads == 1 && cpu.checksum.is_none();
            network.demand(if is_plain { Demand::Drawn(law.clone(), CPU) } else { Demand::Asked(ask as u32) })
        };
        let demands = [demand(&cpu.read, Ask::CpuRead), demand(&cpu.write, Ask::CpuWrite)];
        let discipline = if around.has_background { Discipline::Ranked } else { Discipline::Committed };
        let group = network.group("cpu", "queue", members, servers, discipline);
        Some(CpuSteps { group, pick, demands })
    }

    /// The step of a request of this operation.
    pub fn step(&self, operation: Operation) -> Step {
        let demand = self.demands[operation as usize];
        Step::Serve { group: self.group, pick: self.pick, demand, level: 0 }
    }

    /// The step of work on bytes.
    pub fn work(&self, network: &mut Network, ask: Ask) -> Step {
        let demand = network.demand(Demand::Asked(ask as u32));
        Step::Serve { group: self.group, pick: self.pick, demand, level: 0 }
    }
}

/// Processor time for each byte, ps: none where nothing is stated.
#[derive(Clone, Copy, Debug, Default)]
pub(super) struct PerByte {
    pub parity: f64,
    pub reconstruct: f64,
    pub checksum: f64,
}

impl PerByte {
    pub fn of(cpu: &Cpu) -> Self {
        let of = |rate: Option<f64>| rate.map_or(0.0, |rate| PS_PER_S as f64 * cpu.slowdown() / rate);
        PerByte { parity: of(cpu.parity), reconstruct: of(cpu.reconstruct), checksum: of(cpu.checksum) }
    }
}

/// A time of the law as a thread of a shared core takes it, and what is paid for its bytes.
#[inline]
pub(super) fn with_bytes(law: SimDuration, slowdown: f64, bytes_ps: f64) -> SimDuration {
    SimDuration::from_ps_f64(law.ps() as f64 * slowdown + bytes_ps)
}
