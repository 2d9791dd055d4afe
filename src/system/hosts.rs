//! Hosts: the machines' own adapters, in front of the design's ports.
//!
//! Machines are dealt out to hosts in turn over all classes, and those of a host to its ports likewise. A host keeps
//! so many requests outstanding and no more; others wait for a slot before they leave it. Messages pass the
//! host's port and the design's one after the other, with the same overheads at either's rate.

use crate::engine::{GateId, GroupId, Network, Pick, Quantity, Step};
use crate::scenario::{Class, Hosts as Given, PortLink};

use super::demand::question;
use super::ports::{Wire, link_discipline};

/// The hosts as the path needs them while it runs.
#[derive(Clone, Debug)]
pub(super) struct Hosts {
    count: u32,
    /// Ports of a host.
    ports: u32,
    /// By class: the number of its first machine among all.
    first: Vec<u32>,
    /// One direction of a host's port.
    pub wire: Wire,
}

impl Hosts {
    /// The hosts of a design whose ports are links.
    pub fn of(given: &Given, link: &PortLink, classes: &[Class]) -> Self {
        let first = classes.iter().scan(0u32, |next, class| {
            let here = *next;
            // Which host a machine is on matters modulo their number only, but must not overflow.
            *next = next.wrapping_add(class.machines);
            Some(here)
        });
        Hosts {
            count: given.count,
            ports: given.ports,
            first: first.collect(),
            wire: Wire::of(&at_rate(given, link)),
        }
    }

    fn number(&self, class: u16, machine: u32) -> u32 {
        self.first.get(usize::from(class)).map_or(machine, |first| first.wrapping_add(machine))
    }

    /// The host of a machine.
    #[inline]
    pub fn host(&self, class: u16, machine: u32) -> u32 {
        self.number(class, machine) % self.count
    }

    /// The port of a machine among those of all hosts.
    #[inline]
    pub fn port(&self, class: u16, machine: u32) -> u32 {
        let number = self.number(class, machine);
        let host = number % self.count;
        host * self.ports + number / self.count % self.ports
    }

    /// Ports of all hosts.
    pub fn all_ports(&self) -> u32 {
        self.count * self.ports
    }
}

/// The design's link at the rate of a host.
fn at_rate(given: &Given, link: &PortLink) -> PortLink {
    PortLink { rate_bps: given.rate_bps, ..link.clone() }
}

/// The hosts' groups and steps.
#[derive(Clone, Copy)]
pub(super) struct HostSteps {
    /// Towards the design.
    pub tx: GroupId,
    /// Towards the host.
    pub rx: GroupId,
    queue: Option<GateId>,
}

impl HostSteps {
    /// Adds the hosts to the network. `largest` is the largest request.
    pub fn add(network: &mut Network, given: &Given, link: &PortLink, largest: u64) -> Self {
        let discipline = link_discipline(&at_rate(given, link), largest);
        let queue = given.queue_depth.map(|depth| network.gates("hosts.queue", given.count, depth.into()));
        let mut group = |name: &str| {
            let group = network.group(name, "port", given.count * given.ports, 1, discipline);
            network.rows(group, "host", given.ports, &[]);
            group
        };
        HostSteps { tx: group("hosts.tx"), rx: group("hosts.rx"), queue }
    }

    /// Taking a slot of the host's queue, or giving it back.
    pub fn slot(&self, enter: bool) -> Option<Step> {
        let (gate, pick, quantity) = (self.queue?, Pick::Ask(question::HOST), Quantity::One);
        Some(if enter { Step::Take { gate, pick, quantity } } else { Step::Give { gate, pick, quantity } })
    }
}
