//! `[design]` and its components.

use super::parts::{self, FilePart};
use super::{Reader, Section, fabric, layout, values, writeback};
use crate::engine::Law;
use crate::scenario::catalogue;
use crate::scenario::diagnostics::Diagnostic;
use crate::scenario::model::{
    Cpu, CpuQueue, Design, DriveKind, Drives, Hosts, Input, PortKind, PortLink, Ports, Price, Spread,
    Transport,
};
use crate::scenario::spelling::nearest;
use crate::scenario::tree::{Origin, Value};

/// Rates of Fibre Channel by their names, Gb/s (INCITS T11 FC-PI; check L-FC).
const FIBRE_CHANNEL: [f64; 4] = [8e9, 16e9, 32e9, 64e9];

/// Largest payload of a Fibre Channel frame, bytes (INCITS T11 FC-FS).
const FIBRE_CHANNEL_FRAME: u32 = 2112;

/// Reads `[design]`, which must hold a component.
pub fn read(reader: &mut Reader, top: &Section, file_parts: &[FilePart]) -> Option<Design> {
    let help = Some("add a table such as [design.drives]".to_owned());
    let Some(section) = reader.table(top, "design", "design")? else {
        let title = "there is no [design]".to_owned();
        return reader.lacks(top, title, String::new(), help);
    };
    let ports = ports(reader, &section);
    let hosts = hosts(reader, &section);
    let cpu = cpu(reader, &section);
    let fabric = fabric::read(reader, &section);
    // Where the fabric has a mistake, the usual packets stand in, so that parts are checked all the same.
    let max_payload = fabric.as_ref().and_then(Option::as_ref).map_or(256, |f| f.max_payload);
    parts::check_interfaces(reader, file_parts, max_payload);
    let drives = drives(reader, &section, file_parts, max_payload);
    let layout = layout::read(reader, &section);
    let between = writeback::read(reader, &section);
    let power = reader.optional(&section, "power", values::rate);
    let price = price(reader, &section);
    if !["ports", "cpu", "drives"].iter().any(|key| section.has(key)) {
        let title = "the design is empty".to_owned();
        let label = "expected ports, cpu or drives".to_owned();
        return reader.lacks(&section, title, label, help);
    }
    let between = between?;
    let design = Design {
        ports: ports?,
        hosts: hosts?,
        cpu: cpu?,
        fabric: fabric?,
        drives: drives?,
        layout: layout?,
        controllers: between.controllers,
        memory: between.memory,
        cache: between.cache,
        log: between.log,
        reduction: between.reduction,
        power: power?,
        price: price?,
    };
    check_hosts(reader, &section, &design);
    check_queues(reader, &section, &design);
    fabric::check(reader, &section, &design);
    layout::check(reader, &section, &design);
    writeback::check(reader, &section, &design);
    Some(design)
}

fn price(reader: &mut Reader, design: &Section) -> Option<Option<Price>> {
    let Some(section) = reader.table(design, "price", "design.price")? else { return Some(None) };
    let currency = reader.optional(&section, "currency", values::text);
    let system = reader.guess(&section, "system", Input::SystemPrice);
    let yearly = reader.guess(&section, "yearly", Input::YearlyPrice);
    let energy = reader.optional_guess(&section, "energy", Input::EnergyPrice);
    let pue = reader.value(&section, "pue", values::number);
    let years = reader.value(&section, "years", values::rate);
    Some(Some(Price {
        currency: currency?,
        system: system?,
        yearly: yearly?,
        energy: energy?,
        pue: pue?,
        years: years?,
    }))
}

/// A component with a textbook form (`service`) and a full form (`keys`): whether it is the
/// textbook one. `None` if both are there, or neither, which is reported.
fn is_textbook(reader: &mut Reader, section: &Section, keys: &[&str], due: &str) -> Option<bool> {
    let full = keys.iter().find(|key| section.has(key));
    match (section.has("service"), full) {
        (true, Some(key)) => {
            reader.exclude(section, key, "service");
            None
        }
        (true, None) => Some(true),
        (false, Some(_)) => Some(false),
        (false, None) => {
            let title = format!("`{}` needs {due} or `service`", section.path);
            reader.lacks(section, title, "expected one of them here".into(), None)
        }
    }
}

fn ports(reader: &mut Reader, design: &Section) -> Option<Option<Ports>> {
    let Some(section) = reader.table(design, "ports", "design.ports")? else { return Some(None) };
    let count = reader.count(&section, "count");
    let spread = reader.choice(&section, "spread", &[Spread::PerMachine, Spread::PerRequest]);
    let lanes = reader.optional_count(&section, "lanes");
    let link_keys = ["rate", "mtu", "transport", "immediate", "latency", "quantum"];
    let kind = match is_textbook(reader, &section, &link_keys, "`rate`") {
        Some(true) => reader.law(&section, "service").map(PortKind::Station),
        Some(false) => port_link(reader, &section).map(PortKind::Link),
        None => None,
    };
    Some(Some(Ports { count: count?, spread: spread?, kind: kind?, lanes: lanes? }))
}

fn port_link(reader: &mut Reader, section: &Section) -> Option<PortLink> {
    let all = [Transport::Tcp, Transport::Rdma, Transport::FibreChannel, Transport::Raw];
    let transport = reader.choice(section, "transport", &all);
    let rate = reader.value(section, "rate", values::rate);
    let mtu = reader.optional_count(section, "mtu");
    let immediate = reader.value(section, "immediate", values::bytes);
    let latency = reader.value(section, "latency", values::time);
    let quantum = reader.value(section, "quantum", values::bytes);
    let (transport, rate) = (transport?, rate?);
    let default_mtu = match transport {
        Transport::FibreChannel => FIBRE_CHANNEL_FRAME,
        _ => 1500,
    };
    if matches!(transport, Transport::FibreChannel | Transport::Raw) {
        reader.stray(section, "mtu", "only tcp and rdma have one");
    }
    if transport == Transport::FibreChannel && !FIBRE_CHANNEL.contains(&rate) {
        let at = reader.place(section, "rate");
        return reader.report(not_of_fibre_channel(&at, &section.path_of("rate")));
    }
    Some(PortLink {
        rate_bps: rate,
        mtu: mtu?.unwrap_or(default_mtu),
        transport,
        immediate: immediate?,
        latency: latency?,
        quantum: quantum?,
    })
}

fn not_of_fibre_channel(at: &Origin, path: &str) -> Diagnostic {
    let title = format!("`{path}` is not a rate of fibre-channel");
    Diagnostic::at(at, title, "expected 8, 16, 32 or 64 Gb/s")
}

fn hosts(reader: &mut Reader, design: &Section) -> Option<Option<Hosts>> {
    let Some(section) = reader.table(design, "hosts", "design.hosts")? else { return Some(None) };
    let count = reader.count(&section, "count");
    let ports = reader.count(&section, "ports");
    let rate = reader.value(&section, "rate", values::rate);
    let queue_depth = reader.optional_count(&section, "queue_depth");
    Some(Some(Hosts { count: count?, ports: ports?, rate_bps: rate?, queue_depth: queue_depth? }))
}

/// Hosts speak as the ports do, which must be links.
fn check_hosts(reader: &mut Reader, section: &Section, design: &Design) {
    let (Some(hosts), Some(entry)) = (&design.hosts, section.entry("hosts")) else { return };
    match design.ports.as_ref().map(|ports| &ports.kind) {
        Some(PortKind::Link(link)) => {
            if link.transport == Transport::FibreChannel && !FIBRE_CHANNEL.contains(&hosts.rate_bps) {
                let at = match &entry.node.value {
                    Value::Table(table) => table.get("rate").map_or(&entry.key_at, |rate| &rate.node.at),
                    _ => &entry.key_at,
                };
                reader.out.push(not_of_fibre_channel(at, "design.hosts.rate"));
            }
        }
        Some(PortKind::Station(_)) => {
            let title = "hosts need ports with a `rate`: a textbook station speaks no transport".to_owned();
            let help = "give [design.ports] a `rate` in place of `service`".to_owned();
            let diagnostic = Diagnostic::at(&entry.key_at, title, "expected links behind the hosts");
            reader.out.push(diagnostic.help(Some(help)));
        }
        None => {
            let title = "`design.hosts` lead to no ports".to_owned();
            let help = "add [design.ports], or leave out [design.hosts]".to_owned();
            let diagnostic = Diagnostic::at(&entry.key_at, title, "expected [design.ports] too");
            reader.out.push(diagnostic.help(Some(help)));
        }
    }
}

fn cpu(reader: &mut Reader, design: &Section) -> Option<Option<Cpu>> {
    let Some(section) = reader.table(design, "cpu", "design.cpu")? else { return Some(None) };
    let cores = reader.count(&section, "cores");
    let queue = reader.choice(&section, "queue", &[CpuQueue::Shared, CpuQueue::PerPort]);
    let laws: Option<(Law, Law)> =
        match is_textbook(reader, &section, &["read", "write"], "`read` and `write`") {
            Some(true) => reader.law(&section, "service").map(|law| (law.clone(), law)),
            Some(false) => {
                let read = reader.law(&section, "read");
                let write = reader.law(&section, "write");
                read.zip(write)
            }
            None => None,
        };
    let parity = reader.optional(&section, "parity", values::rate);
    let reconstruct = reader.optional(&section, "reconstruct", values::rate);
    let checksum = reader.optional(&section, "checksum", values::rate);
    let [compress, decompress, fingerprint] =
        ["compress", "decompress", "fingerprint"].map(|key| reader.value(&section, key, values::rate));
    let threads = reader.count(&section, "threads_per_core");
    let gain = reader.optional(&section, "thread_gain", values::number);
    let (read, write) = laws?;
    let (threads, gain) = (threads?, gain?);
    if threads > 1 && gain.is_none() {
        return reader.missing(&section, "thread_gain");
    }
    if threads == 1 {
        reader.stray(&section, "thread_gain", "it goes with more than one thread a core");
    }
    Some(Some(Cpu {
        cores: cores?,
        queue: queue?,
        read,
        write,
        parity: parity?,
        reconstruct: reconstruct?,
        checksum: checksum?,
        compress: compress?,
        decompress: decompress?,
        fingerprint: fingerprint?,
        threads,
        thread_gain: gain.unwrap_or(1.0),
    }))
}

/// Cores with a queue for each port must divide evenly among ports.
fn check_queues(reader: &mut Reader, section: &Section, design: &Design) {
    let Some(cpu) = design.cpu.as_ref().filter(|c| c.queue == CpuQueue::PerPort) else { return };
    let Some(entry) = section.entry("cpu") else { return };
    let (title, expected) = match &design.ports {
        None => (
            "`design.cpu.queue` is \"per-port\" in a design without ports".to_owned(),
            "expected [design.ports]",
        ),
        Some(ports) if cpu.cores % ports.count != 0 => (
            format!("{} cores do not divide evenly among {} ports", cpu.cores, ports.count),
            "due with `queue = \"per-port\"`",
        ),
        Some(_) => return,
    };
    reader.out.push(Diagnostic::at(&entry.key_at, title, expected));
}

fn drives(
    reader: &mut Reader,
    design: &Section,
    file_parts: &[FilePart],
    max_payload: u32,
) -> Option<Option<Drives>> {
    let Some(section) = reader.table(design, "drives", "design.drives")? else { return Some(None) };
    let count = reader.count(&section, "count");
    let kind = match is_textbook(reader, &section, &["part"], "`part`") {
        Some(true) => {
            let split = reader.value(&section, "split", values::flag);
            let service = reader.law(&section, "service");
            split.zip(service).map(|(split, service)| (DriveKind::Station { service, split }, None))
        }
        Some(false) => {
            reader.stray(&section, "split", "requests are always cut for drives with a `part`");
            let part = part(reader, &section, file_parts, max_payload);
            part.map(|(kind, upkeep, ranges)| {
                reader.ranges.extend(ranges);
                (kind, Some(upkeep))
            })
        }
        None => None,
    };
    let (kind, upkeep) = kind?;
    Some(Some(Drives { count: count?, kind, upkeep }))
}

/// The part of that name: of the file, else of the catalogue.
fn part(
    reader: &mut Reader,
    section: &Section,
    file_parts: &[FilePart],
    max_payload: u32,
) -> Option<parts::ReadPart> {
    let name = reader.value(section, "part", values::text)?;
    if let Some(file_part) = file_parts.iter().find(|p| p.name == name) {
        // A mistake in the part itself was reported where it stands.
        return file_part.part.clone();
    }
    if let Some(table) = catalogue::part(&name) {
        let part = parts::read_catalogue(reader, &name, &table)?;
        parts::check_interface(reader, &part.0, max_payload, |reader, _| reader.place(section, "part"));
        return Some(part);
    }
    let at = reader.place(section, "part");
    let mut known: Vec<&str> = catalogue::names();
    known.extend(file_parts.iter().map(|p| p.name));
    let help = match nearest(&name, known.iter().copied()) {
        Some(near) => format!("did you mean \"{near}\"?"),
        None => format!("there are: {}", known.join(", ")),
    };
    let title = format!("there is no part \"{}\"", values::short(&name));
    reader.report(Diagnostic::at(&at, title, "expected [parts.NAME], or a name of the catalogue").help(help))
}
