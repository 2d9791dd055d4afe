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
    first: Vec<u64>,
    /// One direction of a host's port.
    pub wire: Wire,
}

impl Hosts {
    /// The hosts of a design whose ports are links.
    pub fn of(given: &Given, link: &PortLink, classes: &[Class]) -> Self {
        let first = classes.iter().scan(0, |next, class| {
            let here = *next;
            *next += u64::from(class.machines);
            Some(here)
        });
        Hosts {
            count: given.count,
            ports: given.ports,
            first: first.collect(),
            wire: Wire::of(&at_rate(given, link)),
        }
    }

    /// A machine's number among those of all classes.
    fn number(&self, class: u16, machine: u32) -> u64 {
        self.first[usize::from(class)] + u64::from(machine)
    }

    /// The host of a machine.
    #[inline]
    pub fn host(&self, class: u16, machine: u32) -> u32 {
        (self.number(class, machine) % u64::from(self.count)) as u32
    }

    /// The port of a machine among those of all hosts.
    #[inline]
    pub fn port(&self, class: u16, machine: u32) -> u32 {
        let (number, hosts) = (self.number(class, machine), u64::from(self.count));
        self.host(class, machine) * self.ports + (number / hosts % u64::from(self.ports)) as u32
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

#[cfg(test)]
mod tests {
    use super::*;
    use crate::scenario::parse;

    #[test]
    fn machines_of_all_classes_are_dealt_to_hosts_and_their_ports_in_turn() {
        let class = |name: &str, machines: u32| {
            format!(
                "[[class]]\nname = \"{name}\"\nmachines = {machines}\nload = {{ in_flight = 1 }}\nread = 1\n\
                 sizes = \"4 KiB\"\n"
            )
        };
        let text = format!(
            "[design.ports]\nrate = \"25 Gb/s\"\n[design.hosts]\ncount = 3\nports = 2\nrate = \"10 Gb/s\"\n{}{}",
            class("a", 4),
            class("b", 5)
        );
        let scenario =
            parse(&text, "t.toml", std::path::Path::new(""), &[]).unwrap_or_else(|d| panic!("{d}"));
        let design = &scenario.design;
        let (Some(given), Some(ports)) = (&design.hosts, &design.ports) else { panic!("hosts and ports") };
        let crate::scenario::PortKind::Link(link) = &ports.kind else { panic!("a link") };
        let hosts = Hosts::of(given, link, &scenario.classes);
        let all = (0..4).map(|machine| (0, machine)).chain((0..5).map(|machine| (1, machine)));
        let found: Vec<_> =
            all.map(|(class, machine)| (hosts.host(class, machine), hosts.port(class, machine))).collect();
        let expected = [(0, 0), (1, 2), (2, 4), (0, 1), (1, 3), (2, 5), (0, 0), (1, 2), (2, 4)];
        assert_eq!(found, expected);
        assert_eq!(hosts.all_ports(), 6);
    }
}
