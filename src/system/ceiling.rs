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
use super::drive::{DriveLink, UNITS};
use super::fabric::Fabric;
use super::log::GRAIN;
use super::plan::Plan;
use super::work::DriveWork;

/// What static arithmetic says of one group of stations.
#[derive(Clone, Debug, PartialEq)]
pub struct Ceiling {
    /// The group's name, as in the answer.
    pub station: String,
    /// The hop of the bandwidth chain that it is one direction of, or all of; none if bytes do not pass it at a rate.
    pub hop: Option<String>,
    /// Servers of all members together; of a link, of one direction.
    pub servers: u32,
    /// Mean service that a request asks of the group, seconds; of a link, of its busier direction.
    pub demand_s: f64,
    /// Requests per second at which the group is full.
    pub iops: f64,
}

impl Ceiling {
    /// Of a station through which bytes do not pass at a rate.
    fn of(station: &str, servers: u32, demand_s: f64) -> Self {
        Ceiling { station: station.into(), hop: None, servers, demand_s, iops: f64::from(servers) / demand_s }
    }

    /// Of one that is a hop of the bandwidth chain, or a direction of it.
    pub(super) fn of_hop(hop: &str, direction: &str, servers: u32, demand_s: f64) -> Self {
        Ceiling { hop: Some(hop.into()), ..Self::of(&format!("{hop}{direction}"), servers, demand_s) }
    }
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

/// A mix of requests, and what each kind asks of the drives.
pub(super) struct Mix {
    kinds: Vec<Kind>,
    works: Vec<DriveWork>,
}

impl Mix {
    /// What the kinds ask of a plan's drives.
    pub fn of(plan: &Plan, kinds: &[Kind]) -> Self {
        Mix { kinds: kinds.to_vec(), works: kinds.iter().map(|kind| DriveWork::of(plan, kind)).collect() }
    }

    /// The requests of one operation alone, as shares of themselves; no kinds if there are none.
    pub fn only(&self, operation: Operation) -> Self {
        let of_it = || self.kinds.iter().zip(&self.works).filter(|(kind, _)| kind.operation == operation);
        let all: f64 = of_it().map(|(kind, _)| kind.share).sum();
        let kinds = of_it().map(|(kind, _)| Kind { share: kind.share / all, ..kind.clone() });
        Mix { kinds: kinds.collect(), works: of_it().map(|(_, work)| *work).collect() }
    }

    /// The mean over all requests of what one asks for.
    pub fn mean(&self, of: impl Fn(&Kind) -> f64) -> f64 {
        self.kinds.iter().map(|k| k.share * of(k)).sum()
    }

    /// The same of what one asks of the drives.
    pub fn mean_work(&self, of: impl Fn(&DriveWork) -> f64) -> f64 {
        self.both().map(|(kind, work)| kind.share * of(work)).sum()
    }

    fn both(&self) -> impl Iterator<Item = (&Kind, &DriveWork)> {
        self.kinds.iter().zip(&self.works)
    }
}

/// Every group's ceiling for a mix of requests, in the order of the path.
pub fn ceilings(design: &Design, plan: &Plan, kinds: &[Kind]) -> Vec<Ceiling> {
    ceilings_of(design, plan, &Mix::of(plan, kinds))
}

/// The same of a mix whose work at the drives is known.
pub(super) fn ceilings_of(design: &Design, plan: &Plan, mix: &Mix) -> Vec<Ceiling> {
    let mut found = Vec::new();
    ports(design, plan, mix, &mut found);
    controllers(design, plan, mix, &mut found);
    cpu(design, plan, mix, &mut found);
    fabric(plan, mix, &mut found);
    drives(design, plan, mix, &mut found);
    found.retain(|ceiling| ceiling.demand_s > 0.0);
    found
}

type Found = Vec<Ceiling>;

/// Time of drive reads and of drive writes, with messages of their mean sizes, in seconds.
fn messages(work: &DriveWork, times: [&dyn Fn(u64) -> f64; 2]) -> f64 {
    let [read, write] = work.bytes_each();
    work.reads * times[0](read) + work.writes * times[1](write)
}

fn ports(design: &Design, plan: &Plan, mix: &Mix, found: &mut Found) {
    let Some(ports) = &design.ports else { return };
    if let PortKind::Station(law) = &ports.kind {
        found.push(Ceiling::of("ports", plan.working_ports(), law.mean_ps() / 1e12));
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
    let hosts = plan.hosts.iter().map(|hosts| ("hosts", [".tx", ".rx"], hosts.all_ports(), &hosts.wire));
    let ports = ("ports", [".rx", ".tx"], plan.working_ports(), wire);
    for (hop, ways, count, wire) in hosts.chain([ports]) {
        for (way, direction) in ways.into_iter().enumerate() {
            let time = |k: &Kind| both_ways(k)[way].iter().map(|ask| wire.time(*ask, k.bytes).secs()).sum();
            found.push(Ceiling::of_hop(hop, direction, count, mix.mean(time)));
        }
    }
}

/// The memory, the partner link and the log.
fn controllers(design: &Design, plan: &Plan, mix: &Mix, found: &mut Found) {
    let reduced = |work: &DriveWork| plan.memory_time(1, work.bytes_destaged).secs();
    let crossed = |k: &Kind| {
        let purpose = if k.operation == Operation::Write { 0 } else { 2 };
        plan.memory_time(purpose, k.bytes as f64).secs()
    };
    let memory = mix.mean(crossed) + mix.mean_work(reduced);
    found.push(Ceiling::of_hop("memory", "", plan.partners.active, memory));
    let count = plan.partners.count;
    let is_write = |k: &Kind| if k.operation == Operation::Write { 1.0 } else { 0.0 };
    if count > 1 {
        let time = |ask: Ask, bytes: u64| plan.partners.time(ask, bytes).secs();
        // Copies of a log's writes, and whatever arrives at the other controller: data one way, a message the other.
        let copied = if plan.has_log() { 1.0 } else { 0.0 };
        let crossings = |k: &Kind| copied * is_write(k) + plan.foreign_share();
        let data = mix.mean(|k| crossings(k) * time(Ask::PartnerLong, k.bytes));
        let short = mix.mean(|k| crossings(k) * time(Ask::PartnerShort, 0));
        // Where one stands by all data goes the same way.
        let (ways, demand) = if plan.partners.active > 1 { (2, data + short) } else { (1, data) };
        found.push(Ceiling::of_hop("controllers.link", "", ways, demand));
    }
    if let Some(log) = &design.log {
        let time = |k: &Kind| (k.bytes.div_ceil(GRAIN) * GRAIN) as f64 / log.rate * f64::from(count);
        found.push(Ceiling::of_hop("log", "", count, mix.mean(|k| is_write(k) * time(k))));
    }
}

fn cpu(design: &Design, plan: &Plan, mix: &Mix, found: &mut Found) {
    let Some(cpu) = &design.cpu else { return };
    let secs = |law: &Law| law.mean_ps() / 1e12 * cpu.slowdown();
    let demand = mix.both().map(|(k, work)| {
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
    found.push(Ceiling::of("cpu", servers, demand));
}

fn fabric(plan: &Plan, mix: &Mix, found: &mut Found) {
    for link in plan.fabric.iter().flat_map(Fabric::links) {
        // Fragments share the request's bytes: headers are counted for each.
        let times = |read: Ask, write: Ask| {
            let time = |ask: Ask| move |bytes: u64| link.time(ask, bytes).secs();
            mix.mean_work(|work| messages(work, [&time(read), &time(write)]))
        };
        // A link of a tree sees the share of the drives behind it that take requests.
        let share = link.behind.as_ref().map_or(1.0, |drives| {
            let working = drives.iter().filter(|drive| plan.works(**drive)).count();
            working as f64 / f64::from(plan.working_drives())
        });
        let down = share * times(Ask::UplinkSubmission, Ask::UplinkWrite);
        let up = share * times(Ask::UplinkRead, Ask::UplinkCompletion);
        if link.shared {
            found.push(Ceiling::of_hop(&link.name, "", link.count, down + up));
        } else {
            found.push(Ceiling::of_hop(&link.name, ".down", link.count, down));
            found.push(Ceiling::of_hop(&link.name, ".up", link.count, up));
        }
    }
}

fn drives(design: &Design, plan: &Plan, mix: &Mix, found: &mut Found) {
    let Some(drives) = &design.drives else { return };
    let requests = |work: &DriveWork| work.reads + work.writes;
    let count = plan.working_drives();
    if let DriveKind::Station { service, .. } = &drives.kind {
        let demand = mix.mean_work(|work| requests(work) * service.mean_ps() / 1e12);
        found.push(Ceiling::of("drives", count, demand));
    }
    let Some(link) = plan.drive_link() else { return };
    if let Some(drive) = &plan.drive {
        let demand = mix.mean_work(requests) * drive.command.secs();
        found.push(Ceiling::of("drives.command", count, demand));
    }
    found.push(Ceiling::of_hop("drives.link", "", count, drive_link(link, mix)));
    if let Some(arm) = &plan.arm {
        let demand = mix.both().map(|(k, work)| {
            let time = |bytes: u64| {
                let service = |continues| arm.service_s(bytes as f64, continues);
                k.sequential * service(true) + (1.0 - k.sequential) * service(false)
            };
            k.share * messages(work, [&time, &time])
        });
        found.push(Ceiling::of("drives.arm", count, demand.sum()));
    }
    let Some(drive) = &plan.drive else { return };
    let unit_demand = mix.both().map(|(k, work)| {
        let [each, _] = work.bytes_each();
        let large = plan.stripes.as_ref().map_or(k.sequential, |s| if s.suits_drives { 1.0 } else { 0.0 });
        let per_byte = large * drive.write_s_per_byte(true) + (1.0 - large) * drive.write_s_per_byte(false);
        let sensing = work.reads * drive.pages(each as u32) as f64 * drive.sense.secs();
        k.share * (sensing + work.bytes_written * per_byte)
    });
    found.push(Ceiling::of(UNITS, count * drive.units, unit_demand.sum()));
}

/// Time that a request asks of the drives' own links, seconds: of the busier direction, for they are one group.
pub(super) fn drive_link(link: &DriveLink, mix: &Mix) -> f64 {
    let both = |read: Ask, write: Ask| {
        let time = |ask: Ask| move |bytes: u64| link.time(ask, bytes).secs();
        mix.mean_work(|work| messages(work, [&time(read), &time(write)]))
    };
    let down = both(Ask::DriveSubmission, Ask::DriveWrite);
    let up = both(Ask::DriveRead, Ask::DriveCompletion);
    if link.directions() == 1 { down + up } else { down.max(up) }
}
