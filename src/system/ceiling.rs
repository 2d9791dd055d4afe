//! The static column: what adding up demands says, before anything is simulated.
//!
//! For each group of stations, the mean service that a request of the stated mix asks of it. The load
//! at which a group is full is servers ÷ demand (the utilisation law; Denning & Buzen 1978); the
//! lowest of them is what a spreadsheet would call the capacity of the design. It knows nothing of
//! queues, and of skewed or bursty load only the mean; of drives that share work unevenly because one
//! is lost, too; and nothing of a rebuild, of a drive that is slow, of a narrowed link, or of anything with a date.

use crate::engine::Law;
use crate::scenario::{CpuQueue, Design, DriveKind, Operation, PortKind};

use super::demand::Ask;
use super::plan::Plan;
use super::work::DriveWork;

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

/// Every group's ceiling for a mix of requests, in the order of the path.
pub fn ceilings(design: &Design, plan: &Plan, kinds: &[Kind]) -> Vec<Ceiling> {
    let mut found = Vec::new();
    ports(design, plan, kinds, &mut found);
    let works: Vec<DriveWork> = kinds.iter().map(|kind| DriveWork::of(plan, kind)).collect();
    cpu(design, plan, kinds, &works, &mut found);
    uplinks(plan, kinds, &works, &mut found);
    drives(design, plan, kinds, &works, &mut found);
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

/// The same of what one asks of the drives.
fn mean_work(kinds: &[Kind], works: &[DriveWork], of: impl Fn(&DriveWork) -> f64) -> f64 {
    kinds.iter().zip(works).map(|(k, work)| k.share * of(work)).sum()
}

/// Time of drive reads and of drive writes, with messages of their mean sizes, in seconds.
fn messages(work: &DriveWork, times: [&dyn Fn(u64) -> f64; 2]) -> f64 {
    let [read, write] = work.bytes_each();
    work.reads * times[0](read) + work.writes * times[1](write)
}

fn ports(design: &Design, plan: &Plan, kinds: &[Kind], found: &mut Found) {
    let Some(ports) = &design.ports else { return };
    if let PortKind::Station(law) = &ports.kind {
        found.push(("ports".into(), plan.working_ports(), law.mean_ps() / 1e12));
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
        found.push((name.into(), plan.working_ports(), mean(kinds, time)));
    }
}

fn cpu(design: &Design, plan: &Plan, kinds: &[Kind], works: &[DriveWork], found: &mut Found) {
    let Some(cpu) = &design.cpu else { return };
    let secs = |law: &Law| law.mean_ps() / 1e12;
    let demand = kinds.iter().zip(works).map(|(k, work)| {
        let (law, ask) = match k.operation {
            Operation::Read => (&cpu.read, Ask::Reconstruct),
            Operation::Write => (&cpu.write, Ask::Parity),
        };
        k.share * (secs(law) + plan.coding(ask, work.bytes_coded).secs())
    });
    let demand = demand.sum();
    let ports = design.ports.as_ref().map_or(1, |p| p.count);
    let cores = match cpu.queue {
        CpuQueue::Shared => cpu.cores,
        CpuQueue::PerPort => (cpu.cores / ports).max(1) * plan.working_ports(),
    };
    found.push(("cpu".into(), cores, demand));
}

fn uplinks(plan: &Plan, kinds: &[Kind], works: &[DriveWork], found: &mut Found) {
    let Some(uplinks) = &plan.uplinks else { return };
    // Fragments share the request's bytes: headers are counted for each.
    let times = |read: Ask, write: Ask| {
        let time = |ask: Ask| move |bytes: u64| uplinks.time(ask, bytes).secs();
        mean_work(kinds, works, |work| messages(work, [&time(read), &time(write)]))
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

fn drives(design: &Design, plan: &Plan, kinds: &[Kind], works: &[DriveWork], found: &mut Found) {
    let Some(drives) = &design.drives else { return };
    let requests = |work: &DriveWork| work.reads + work.writes;
    let count = plan.working_drives();
    if let DriveKind::Station { service, .. } = &drives.kind {
        let demand = mean_work(kinds, works, |work| requests(work) * service.mean_ps() / 1e12);
        found.push(("drives".into(), count, demand));
    }
    let Some(drive) = &plan.drive else { return };
    found.push(("drives.command".into(), count, mean_work(kinds, works, requests) * drive.command.secs()));
    let both = |read: Ask, write: Ask| {
        let time = |ask: Ask| move |bytes: u64| drive.time(ask, bytes).secs();
        mean_work(kinds, works, |work| messages(work, [&time(read), &time(write)]))
    };
    let down = both(Ask::DriveSubmission, Ask::DriveWrite);
    let up = both(Ask::DriveRead, Ask::DriveCompletion);
    // One group, whose members are the directions: the busier one is full first.
    let link_demand = if drive.directions() == 1 { down + up } else { down.max(up) };
    found.push(("drives.link".into(), count, link_demand));
    let unit_demand = kinds.iter().zip(works).map(|(k, work)| {
        let [each, _] = work.bytes_each();
        let per_byte = k.sequential * drive.write_s_per_byte(true)
            + (1.0 - k.sequential) * drive.write_s_per_byte(false);
        let sensing = work.reads * drive.pages(each as u32) as f64 * drive.sense.secs();
        k.share * (sensing + work.bytes_written * per_byte)
    });
    found.push(("drives.unit".into(), count * drive.units, unit_demand.sum()));
}
