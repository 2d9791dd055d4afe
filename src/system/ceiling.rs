//! The static column: what adding up demands says, before anything is simulated.
//!
//! For each group of stations, the mean service that a request of the stated mix asks of it. The load
//! at which a group is full is servers ÷ demand (the utilisation law; Denning & Buzen 1978); the
//! lowest of them is what a spreadsheet would call the capacity of the design. It knows nothing of
//! queues, and of skewed or bursty load only the mean.

use crate::engine::Law;
use crate::scenario::{CpuQueue, Design, DriveKind, Operation, PortKind};

use super::demand::Ask;
use super::plan::Plan;

/// What static arithmetic says of one group of stations.
#[derive(Clone, Debug, PartialEq)]
pub struct Ceiling {
    /// The group's name, as in the answer.
    pub station: String,
    /// Servers of all members together; of a link, of one direction.
    pub servers: u32,
    /// Mean service that a request asks of the group, seconds; of a link, of its busier direction.
    pub demand_s: f64,
    /// Requests per second at which the group is full.
    pub iops: f64,
}

/// One kind of request and its share of all requests.
#[derive(Clone, Debug, PartialEq)]
pub struct Kind {
    /// Read or write.
    pub operation: Operation,
    /// Its size.
    pub bytes: u64,
    /// Share of its requests that continue a stream.
    pub sequential: f64,
    /// Its offset is a multiple of this.
    pub align: u64,
    /// Share of all requests.
    pub share: f64,
    /// Share of its requests that a cache answers, so that no drive is asked.
    pub cached: f64,
}

impl Kind {
    /// Mean fragments at the drives.
    fn at_drives(&self, plan: &Plan) -> f64 {
        (1.0 - self.cached) * plan.mean_fragments(self.bytes, self.align)
    }

    /// Mean bytes of a fragment.
    fn fragment_bytes(&self, plan: &Plan) -> u64 {
        (self.bytes as f64 / plan.mean_fragments(self.bytes, self.align)) as u64
    }
}

/// Every group's ceiling for a mix of requests, in the order of the path.
pub fn ceilings(design: &Design, plan: &Plan, kinds: &[Kind]) -> Vec<Ceiling> {
    let mut found = Vec::new();
    ports(design, plan, kinds, &mut found);
    cpu(design, kinds, &mut found);
    uplinks(plan, kinds, &mut found);
    drives(design, plan, kinds, &mut found);
    found
        .into_iter()
        .filter(|(_, _, demand_s)| *demand_s > 0.0)
        .map(|(station, servers, demand_s)| Ceiling {
            station,
            servers,
            demand_s,
            iops: f64::from(servers) / demand_s,
        })
        .collect()
}

type Found = Vec<(String, u32, f64)>;

/// The mean over all requests of what one asks for, in seconds.
fn mean(kinds: &[Kind], of: impl Fn(&Kind) -> f64) -> f64 {
    kinds.iter().map(|k| k.share * of(k)).sum()
}

fn ports(design: &Design, plan: &Plan, kinds: &[Kind], found: &mut Found) {
    let Some(ports) = &design.ports else { return };
    if let PortKind::Station(law) = &ports.kind {
        found.push(("ports".into(), ports.count, law.mean_ps() / 1e12));
    }
    let Some(wire) = &plan.wire else { return };
    let both_ways = |k: &Kind| -> [&[Ask]; 2] {
        match k.operation {
            Operation::Read => [&[Ask::ReadCommand, Ask::ReadAcknowledgements], &[Ask::ReadData]],
            Operation::Write if k.bytes > wire.immediate => [
                &[Ask::WriteCommand, Ask::WriteData],
                &[Ask::WriteReady, Ask::WriteResponse, Ask::WriteAcknowledgements],
            ],
            Operation::Write => {
                [&[Ask::WriteWithData], &[Ask::WriteResponse, Ask::WriteWithDataAcknowledgements]]
            }
        }
    };
    for (way, name) in ["ports.rx", "ports.tx"].into_iter().enumerate() {
        let time = |k: &Kind| both_ways(k)[way].iter().map(|ask| wire.time(*ask, k.bytes).secs()).sum();
        found.push((name.into(), ports.count, mean(kinds, time)));
    }
}

fn cpu(design: &Design, kinds: &[Kind], found: &mut Found) {
    let Some(cpu) = &design.cpu else { return };
    let secs = |law: &Law| law.mean_ps() / 1e12;
    let demand =
        mean(kinds, |k| if k.operation == Operation::Read { secs(&cpu.read) } else { secs(&cpu.write) });
    let ports = design.ports.as_ref().map_or(1, |p| p.count);
    let cores = match cpu.queue {
        CpuQueue::Shared => cpu.cores,
        CpuQueue::PerPort => (cpu.cores / ports).max(1) * ports,
    };
    found.push(("cpu".into(), cores, demand));
}

fn uplinks(plan: &Plan, kinds: &[Kind], found: &mut Found) {
    let Some(uplinks) = &plan.uplinks else { return };
    // Fragments share the request's bytes: headers are counted for each.
    let times = |read: Ask, write: Ask| {
        mean(kinds, |k| {
            let fragments = k.at_drives(plan);
            let ask = if k.operation == Operation::Read { read } else { write };
            fragments * uplinks.time(ask, k.fragment_bytes(plan)).secs()
        })
    };
    let down = times(Ask::UplinkSubmission, Ask::UplinkWrite);
    let up = times(Ask::UplinkRead, Ask::UplinkCompletion);
    if uplinks.shared {
        found.push(("fabric.uplinks".into(), uplinks.count, down + up));
    } else {
        found.push(("fabric.uplinks.down".into(), uplinks.count, down));
        found.push(("fabric.uplinks.up".into(), uplinks.count, up));
    }
}

fn drives(design: &Design, plan: &Plan, kinds: &[Kind], found: &mut Found) {
    let Some(drives) = &design.drives else { return };
    if let DriveKind::Station { service, .. } = &drives.kind {
        let demand = mean(kinds, |k| k.at_drives(plan) * service.mean_ps() / 1e12);
        found.push(("drives".into(), drives.count, demand));
    }
    let Some(drive) = &plan.drive else { return };
    let fragments = |k: &Kind| k.at_drives(plan);
    found.push(("drives.command".into(), drives.count, mean(kinds, fragments) * drive.command.secs()));
    let link = |ask: Ask, k: &Kind| fragments(k) * drive.time(ask, k.fragment_bytes(plan)).secs();
    let both = |read: Ask, write: Ask| {
        mean(kinds, |k| link(if k.operation == Operation::Read { read } else { write }, k))
    };
    let down = both(Ask::DriveSubmission, Ask::DriveWrite);
    let up = both(Ask::DriveRead, Ask::DriveCompletion);
    // One group, whose members are the directions: the busier one is full first.
    let link_demand = if drive.directions() == 1 { down + up } else { down.max(up) };
    found.push(("drives.link".into(), drives.count, link_demand));
    let unit_demand = mean(kinds, |k| match k.operation {
        Operation::Read => {
            fragments(k) * drive.pages(k.fragment_bytes(plan) as u32) as f64 * drive.sense.secs()
        }
        Operation::Write => {
            let per_byte = k.sequential * drive.write_s_per_byte(true)
                + (1.0 - k.sequential) * drive.write_s_per_byte(false);
            k.bytes as f64 * per_byte
        }
    });
    found.push(("drives.unit".into(), drives.count * drive.units, unit_demand));
}
