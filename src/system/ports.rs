//! Front ports: full-duplex links whose messages carry packet and protocol overhead, or a plain
//! station.
//!
//! A read sends a command in and its data out; a write sends command and data in (above `immediate`
//! the data comes only after a ready message, one more round trip) and an answer out.

use crate::engine::{
    Demand, Discipline, GroupId, Law, Network, PS_PER_S, Pick, Purpose, Shape, SimDuration, Step,
};
use crate::scenario::{Hosts, PortKind, PortLink, Ports, Transport};
use crate::theory::links;

use super::body::PORT;
use super::demand::{Ask, at_place, question};
use super::hosts::HostSteps;

/// Bytes of the storage protocol's own messages.
///
/// TCP: command capsule 72, data header 24, response 24, ready-to-transfer 24 (NVM Express TCP
/// Transport Specification 1.0, PDU layouts, from memory). RDMA: capsules of 64 and 16, a read
/// request of 16 to fetch data (NVM Express RDMA Transport Specification, from memory). Fibre
/// Channel: FCP command 32, response 24, transfer-ready 12 (INCITS T10 FCP-4, from memory).
#[derive(Clone, Copy, Debug)]
struct Messages {
    command: u64,
    data: u64,
    response: u64,
    ready: u64,
}

/// One direction of a port.
#[derive(Clone, Debug)]
pub(super) struct Wire {
    bytes_per_s: f64,
    mtu: u64,
    transport: Transport,
    messages: Messages,
    /// Largest write that carries its data with the command.
    pub immediate: u64,
}

impl Wire {
    pub fn of(link: &PortLink) -> Self {
        let messages = match link.transport {
            Transport::Tcp => Messages { command: 72, data: 24, response: 24, ready: 24 },
            Transport::Rdma => Messages { command: 64, data: 0, response: 16, ready: 16 },
            Transport::FibreChannel => Messages { command: 32, data: 0, response: 24, ready: 12 },
            Transport::Raw => Messages { command: 0, data: 0, response: 0, ready: 0 },
        };
        let nominal = link.rate_bps / 8.0;
        let bytes_per_s = match link.transport {
            Transport::FibreChannel => {
                links::fibre_channel_bytes_per_s((link.rate_bps / 1e9).round() as u32).unwrap_or(nominal)
            }
            _ => nominal,
        };
        Wire {
            bytes_per_s,
            mtu: u64::from(link.mtu),
            transport: link.transport,
            messages,
            immediate: link.immediate,
        }
    }

    /// Bytes on the wire of a message of `payload` bytes.
    fn wire_bytes(&self, payload: u64) -> u64 {
        match self.transport {
            Transport::Tcp => links::tcp_wire_bytes(payload, self.mtu),
            Transport::Rdma => links::rdma_wire_bytes(payload, self.mtu),
            Transport::FibreChannel => links::fibre_channel_wire_bytes(payload),
            Transport::Raw => payload,
        }
    }

    /// Bytes that flow back to acknowledge a message while it is sent.
    fn acknowledgement_bytes(&self, payload: u64) -> u64 {
        match self.transport {
            Transport::Tcp => links::tcp_acknowledgement_bytes(payload, self.mtu),
            _ => 0,
        }
    }

    /// Bytes on the wire of one message of a request of `bytes`.
    pub fn message_bytes(&self, ask: Ask, bytes: u64) -> u64 {
        let m = &self.messages;
        match ask {
            Ask::ReadCommand => self.wire_bytes(m.command),
            Ask::ReadData => self.wire_bytes(bytes + m.data + m.response),
            Ask::ReadAcknowledgements => self.acknowledgement_bytes(bytes + m.data + m.response),
            Ask::WriteWithData => self.wire_bytes(m.command + bytes),
            Ask::WriteWithDataAcknowledgements => self.acknowledgement_bytes(m.command + bytes),
            Ask::WriteCommand => self.wire_bytes(m.command),
            Ask::WriteReady => self.wire_bytes(m.ready),
            Ask::WriteData => self.wire_bytes(bytes + m.data),
            Ask::WriteAcknowledgements => self.acknowledgement_bytes(bytes + m.data),
            Ask::WriteResponse => self.wire_bytes(m.response),
            _ => 0,
        }
    }

    /// Time of one message on the port.
    #[inline]
    pub fn time(&self, ask: Ask, bytes: u64) -> SimDuration {
        self.span(self.message_bytes(ask, bytes))
    }

    fn span(&self, wire_bytes: u64) -> SimDuration {
        SimDuration::from_ps_f64(wire_bytes as f64 * PS_PER_S as f64 / self.bytes_per_s)
    }
}

/// The ports' groups, and the steps of requests that pass them.
pub(super) enum PortSteps {
    None,
    Station { group: GroupId, demand: u32 },
    Link { rx: GroupId, tx: GroupId, latency: GroupId, delay: u32, hosts: Option<HostSteps> },
}

/// Place of a demand at the design's own ports.
pub(super) const AT_PORT: u32 = 0;
/// At a host's.
pub(super) const AT_HOST: u32 = 1;

/// Requests above a quantum take turns; below, none would ever yield.
pub(super) fn link_discipline(link: &PortLink, largest: u64) -> Discipline {
    if largest > link.quantum {
        Discipline::Turns { quantum: Wire::of(link).span(link.quantum) }
    } else {
        Discipline::Committed
    }
}

impl PortSteps {
    /// Adds the `count` ports of all controllers to the network, and the hosts in front of them. `largest` is the
    /// largest request, which decides whether transfers have to take turns.
    pub fn add(
        network: &mut Network,
        ports: Option<&Ports>,
        count: u32,
        hosts: Option<&Hosts>,
        largest: u64,
    ) -> Self {
        let Some(ports) = ports else { return PortSteps::None };
        match &ports.kind {
            PortKind::Station(law) => PortSteps::Station {
                group: network.group("ports", "port", count, 1, Discipline::Committed),
                demand: network.demand(Demand::Drawn(law.clone(), Purpose::named("ports"))),
            },
            PortKind::Link(link) => {
                let hosts = hosts.map(|hosts| HostSteps::add(network, hosts, link, largest));
                let discipline = link_discipline(link, largest);
                PortSteps::Link {
                    hosts,
                    rx: network.group("ports.rx", "port", count, 1, discipline),
                    tx: network.group("ports.tx", "port", count, 1, discipline),
                    latency: network.delay("ports.latency"),
                    delay: network
                        .demand(Demand::Drawn(Law::new(link.latency, Shape::Fixed), Purpose::named("hop"))),
                }
            }
        }
    }

    /// Steps of a request on its way in.
    pub fn inward(&self, network: &mut Network, messages: &[Message]) -> Vec<Step> {
        match *self {
            PortSteps::Station { group, demand } => vec![serve(group, Pick::Member(PORT as u8), demand)],
            _ => self.exchange(network, messages),
        }
    }

    /// Steps of messages that cross the ports, one after the other.
    pub fn exchange(&self, network: &mut Network, messages: &[Message]) -> Vec<Step> {
        let PortSteps::Link { rx, tx, latency, delay, hosts } = *self else { return Vec::new() };
        let (port, host) = (Pick::Member(PORT as u8), Pick::Ask(question::HOST_PORT));
        let mut steps = Vec::new();
        for message in messages {
            let travel = Step::Delay { group: latency, demand: delay };
            // Group, member and place of the two ends, and of the way back.
            let (at_port, back, at_host, host_back) = match message.towards {
                Towards::Design => (rx, tx, hosts.map(|h| h.tx), hosts.map(|h| h.rx)),
                Towards::Host => (tx, rx, hosts.map(|h| h.rx), hosts.map(|h| h.tx)),
            };
            let mut demand = |ask: Ask, place: u32| network.demand(Demand::Asked(at_place(ask, place)));
            let mut way = vec![travel, serve(at_port, port, demand(message.ask, AT_PORT))];
            if let Some(group) = at_host {
                way.insert(0, serve(group, host, demand(message.ask, AT_HOST)));
            }
            if message.towards == Towards::Host {
                way.reverse();
            }
            // Acknowledgements flow while the data does: load on the way back, nobody's wait.
            let mut charges = Vec::new();
            if let Some(ask) = message.acknowledged_by {
                let demand_at_port = demand(ask, AT_PORT);
                charges.push(Step::Charge { group: back, pick: port, demand: demand_at_port });
                if let Some(group) = host_back {
                    charges.push(Step::Charge { group, pick: host, demand: demand(ask, AT_HOST) });
                }
            }
            match message.towards {
                Towards::Design => steps.extend(way.into_iter().chain(charges)),
                Towards::Host => steps.extend(charges.into_iter().chain(way)),
            }
        }
        steps
    }

    /// Taking a slot of the host's queue, or giving it back.
    pub fn host_slot(&self, enter: bool) -> Option<Step> {
        match self {
            PortSteps::Link { hosts: Some(hosts), .. } => hosts.slot(enter),
            _ => None,
        }
    }
}

/// Which way a message goes.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
enum Towards {
    Design,
    Host,
}

/// One message of a request: what it weighs, which way it goes, what acknowledges it.
#[derive(Clone, Copy, Debug)]
pub(super) struct Message {
    ask: Ask,
    towards: Towards,
    acknowledged_by: Option<Ask>,
}

impl Message {
    pub const fn to_design(ask: Ask) -> Self {
        Message { ask, towards: Towards::Design, acknowledged_by: None }
    }

    pub const fn to_host(ask: Ask) -> Self {
        Message { ask, towards: Towards::Host, acknowledged_by: None }
    }

    pub const fn acknowledged_by(self, ask: Ask) -> Self {
        Message { acknowledged_by: Some(ask), ..self }
    }
}

fn serve(group: GroupId, pick: Pick, demand: u32) -> Step {
    Step::Serve { group, pick, demand, level: 0 }
}
