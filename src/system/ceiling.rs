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
use super::fabric::Fabric;
use super::log::GRAIN;
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
    /// Place of its class among the classes.
    pub class: usize,
}

/// Every group's ceiling for a mix of requests, in the order of the path.
pub fn ceilings(design: &Design, plan: &Plan, kinds: &[Kind]) -> Vec<Ceiling> {
    let mut found = Vec::new();
    ports(design, plan, kinds, &mut found);
    let works: Vec<DriveWork> = kinds.iter().map(|kind| DriveWork::of(plan, kind)).collect();
    controllers(design, plan, kinds, &works, &mut found);
    cpu(design, plan, kinds, &works, &mut found);
    fabric(plan, kinds, &works, &mut found);
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
    let mut ends = vec![(["ports.rx", "ports.tx"], plan.working_ports(), wire)];
    ends.splice(
        0..0,
        plan.hosts.iter().map(|hosts| (["hosts.tx", "hosts.rx"], hosts.all_ports(), &hosts.wire)),
    );
    for (names, count, wire) in ends {
        for (way, name) in names.into_iter().enumerate() {
            let time = |k: &Kind| both_ways(k)[way].iter().map(|ask| wire.time(*ask, k.bytes).secs()).sum();
            found.push((name.into(), count, mean(kinds, time)));
        }
    }
}

/// The partner link, the memory and the log.
fn controllers(design: &Design, plan: &Plan, kinds: &[Kind], works: &[DriveWork], found: &mut Found) {
    let count = plan.partners.count;
    let bytes = |k: &Kind, operation: Operation| if k.operation == operation { k.bytes as f64 } else { 0.0 };
    let written = |of: &dyn Fn(&Kind) -> f64| {
        mean(kinds, |k| if k.operation == Operation::Write { of(k) } else { 0.0 })
    };
    if plan.has_log() && count > 1 {
        let time = |ask: Ask, bytes: u64| plan.partners.time(ask, bytes).secs();
        let both = |k: &Kind| time(Ask::PartnerLong, k.bytes) + time(Ask::PartnerShort, 0);
        found.push(("controllers.link".into(), 2, written(&both)));
    }
    let reduced = |work: &DriveWork| plan.memory_time(1, work.bytes_destaged).secs();
    let crossed = |k: &Kind| {
        let [received, sent] = [Operation::Write, Operation::Read].map(|operation| bytes(k, operation));
        plan.memory_time(0, received).secs() + plan.memory_time(2, sent).secs()
    };
    let memory = mean(kinds, crossed) + mean_work(kinds, works, reduced);
    found.push(("memory".into(), plan.partners.active, memory));
    if let Some(log) = &design.log {
        let time = |k: &Kind| (k.bytes.div_ceil(GRAIN) * GRAIN) as f64 / log.rate * f64::from(count);
        found.push(("log".into(), count, written(&time)));
    }
}

fn cpu(design: &Design, plan: &Plan, kinds: &[Kind], works: &[DriveWork], found: &mut Found) {
    let Some(cpu) = &design.cpu else { return };
    let secs = |law: &Law| law.mean_ps() / 1e12 * cpu.slowdown();
    let demand = kinds.iter().zip(works).map(|(k, work)| {
        let (law, ask) = match k.operation {
            Operation::Read => (&cpu.read, Ask::Reconstruct),
            Operation::Write => (&cpu.write, Ask::Parity),
        };
        k.share * (secs(law) + plan.coding(ask, work.bytes_coded).secs() + work.work_s)
    });
    let demand = demand.sum();
    let active = plan.partners.active;
    let each = plan.ports() as u32 / active;
    let servers = match cpu.queue {
        CpuQueue::Shared => cpu.servers() * active,
        CpuQueue::PerPort => (cpu.servers() / each).max(1) * plan.working_ports(),
    };
    found.push(("cpu".into(), servers, demand));
}

fn fabric(plan: &Plan, kinds: &[Kind], works: &[DriveWork], found: &mut Found) {
    for link in plan.fabric.iter().flat_map(Fabric::links) {
        // Fragments share the request's bytes: headers are counted for each.
        let times = |read: Ask, write: Ask| {
            let time = |ask: Ask| move |bytes: u64| link.time(ask, bytes).secs();
            mean_work(kinds, works, |work| messages(work, [&time(read), &time(write)]))
        };
        // A link of a tree sees the share of the drives behind it that take requests.
        let share = link.behind.as_ref().map_or(1.0, |drives| {
            let working = drives.iter().filter(|drive| plan.works(**drive)).count();
            working as f64 / f64::from(plan.working_drives())
        });
        let down = share * times(Ask::UplinkSubmission, Ask::UplinkWrite);
        let up = share * times(Ask::UplinkRead, Ask::UplinkCompletion);
        if link.shared {
            found.push((link.name.clone(), link.count, down + up));
        } else {
            found.push((format!("{}.down", link.name), link.count, down));
            found.push((format!("{}.up", link.name), link.count, up));
        }
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
    let Some(link) = plan.drive_link() else { return };
    if let Some(drive) = &plan.drive {
        let demand = mean_work(kinds, works, requests) * drive.command.secs();
        found.push(("drives.command".into(), count, demand));
    }
    let both = |read: Ask, write: Ask| {
        let time = |ask: Ask| move |bytes: u64| link.time(ask, bytes).secs();
        mean_work(kinds, works, |work| messages(work, [&time(read), &time(write)]))
    };
    let down = both(Ask::DriveSubmission, Ask::DriveWrite);
    let up = both(Ask::DriveRead, Ask::DriveCompletion);
    // One group, whose members are the directions: the busier one is full first.
    let link_demand = if link.directions() == 1 { down + up } else { down.max(up) };
    found.push(("drives.link".into(), count, link_demand));
    if let Some(arm) = &plan.arm {
        let demand = kinds.iter().zip(works).map(|(k, work)| {
            let time = |bytes: u64| {
                let service = |continues| arm.service_s(bytes as f64, continues);
                k.sequential * service(true) + (1.0 - k.sequential) * service(false)
            };
            k.share * messages(work, [&time, &time])
        });
        found.push(("drives.arm".into(), count, demand.sum()));
    }
    let Some(drive) = &plan.drive else { return };
    let unit_demand = kinds.iter().zip(works).map(|(k, work)| {
        let [each, _] = work.bytes_each();
        let large = plan.stripes.as_ref().map_or(k.sequential, |s| if s.suits_drives { 1.0 } else { 0.0 });
        let per_byte = large * drive.write_s_per_byte(true) + (1.0 - large) * drive.write_s_per_byte(false);
        let sensing = work.reads * drive.pages(each as u32) as f64 * drive.sense.secs();
        k.share * (sensing + work.bytes_written * per_byte)
    });
    found.push(("drives.unit".into(), count * drive.units, unit_demand.sum()));
}
