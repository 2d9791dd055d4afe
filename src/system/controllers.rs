//! Controllers: one or two, each with its ports, processor, memory and log.
//!
//! With two, a machine's volume is owned by one of them (machines dealt out in turn, or all to the first where the
//! second stands by); a write is answered when both logs hold it, the copy having crossed the partner link. A request
//! that arrives at the other controller's port crosses that link too, and so does its answer. Where each machine keeps
//! a port it is its owner's. Background work is done by the controllers in turn.
//!
//! Where a controller is lost its requests stall for `failover`; then the other one takes them at its own ports, alone:
//! no copy, its own memory, and a cache that has to be filled anew. What was under way at the lost one is finished as if
//! it were there.
//!
//! Left out: who owns what is fixed; the second controller's processor takes no time to receive a copy.

use crate::engine::{Demand, Discipline, GroupId, Law, Network, Pick, Purpose, SimDuration, Step};
use crate::scenario::{Controllers, Design};

use super::bus::{Bus, SUBMISSION};
use super::demand::{Ask, question};

/// Who owns what, and the link between the two.
#[derive(Clone, Debug)]
pub(super) struct Partners {
    /// Controllers that are there.
    pub count: u32,
    /// Controllers that take requests.
    pub active: u32,
    /// Ports of one controller.
    ports_each: u32,
    link: Option<Bus>,
}

impl Partners {
    pub fn of(design: &Design) -> Self {
        let controllers = design.controllers.as_ref();
        let both = controllers.is_some_and(|c| c.count > 1 && c.both_active);
        Partners {
            count: design.controllers_count(),
            active: if both { 2 } else { 1 },
            ports_each: design.ports.as_ref().map_or(1, |ports| ports.count),
            link: controllers
                .and_then(|c| c.partner)
                .map(|(link, _)| Bus::of(link, super::max_payload(design))),
        }
    }

    /// The controller that owns a machine's volume.
    #[inline]
    pub fn owner(&self, machine: u32) -> u32 {
        if self.active == 1 { 0 } else { machine % self.active }
    }

    /// The port that a machine keeps: one of its owner's.
    pub fn port(&self, machine: u32) -> u32 {
        self.owner(machine) * self.ports_each + machine / self.active % self.ports_each
    }

    /// Whether a port is another controller's than the one that works for the request.
    #[inline]
    pub fn crosses(&self, port: u32, at_work: u32) -> bool {
        self.active > 1 && port / self.ports_each != at_work
    }

    /// Ports that take requests.
    pub fn ports(&self) -> u32 {
        self.active * self.ports_each
    }

    /// Time on the partner link of a message.
    #[inline]
    pub fn time(&self, ask: Ask, bytes: u64) -> SimDuration {
        let payload = if ask == Ask::PartnerShort { SUBMISSION } else { bytes + SUBMISSION };
        self.link.as_ref().map_or(SimDuration::ZERO, |link| link.time(payload))
    }
}

/// The partner link's groups and steps.
#[derive(Clone, Copy)]
pub(super) struct PartnerSteps {
    group: GroupId,
    latency: (GroupId, u32),
    long: u32,
    short: u32,
}

impl PartnerSteps {
    pub fn add(network: &mut Network, controllers: Option<&Controllers>) -> Option<Self> {
        let (_, latency) = controllers?.partner?;
        let group = network.group("controllers.link", "from controller", 2, 1, Discipline::Committed);
        let delay = network.delay("controllers.latency");
        let law = Law::fixed(latency);
        Some(PartnerSteps {
            group,
            latency: (delay, network.demand(Demand::Drawn(law, Purpose::named("hop")))),
            long: network.demand(Demand::Asked(Ask::PartnerLong as u32)),
            short: network.demand(Demand::Asked(Ask::PartnerShort as u32)),
        })
    }

    /// A message with data, or without; `from` says which controller sends it.
    pub fn cross(&self, carries_data: bool, from: u16) -> [Step; 2] {
        let demand = if carries_data { self.long } else { self.short };
        [
            Step::Serve { group: self.group, pick: Pick::Ask(from), demand, level: 0 },
            Step::Delay { group: self.latency.0, demand: self.latency.1 },
        ]
    }

    /// The same where only requests that arrived at the other controller's port cross.
    pub fn cross_if_foreign(&self, carries_data: bool, from: u16) -> Vec<Step> {
        let mut steps = vec![Step::Ask(question::AT_OWNER)];
        steps.extend(self.cross(carries_data, from));
        steps
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn machines_are_dealt_over_controllers_and_their_ports() {
        let two = Partners { count: 2, active: 2, ports_each: 3, link: None };
        let ports: Vec<u32> = (0..12).map(|machine| two.port(machine)).collect();
        assert_eq!(ports, [0, 3, 1, 4, 2, 5, 0, 3, 1, 4, 2, 5]);
        assert!((0..12).all(|machine| !two.crosses(two.port(machine), two.owner(machine))));
        assert!(two.crosses(0, 1) && !two.crosses(0, 0));
        let one = Partners { count: 1, active: 1, ports_each: 3, link: None };
        assert_eq!((0..6).map(|m| one.port(m)).collect::<Vec<_>>(), [0, 1, 2, 0, 1, 2]);
    }
}
