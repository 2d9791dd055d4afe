//! The fabric: shared uplinks between processor and drives, full duplex, with hop latency.
//!
//! Direction follows the data; each command also sends a submission down and a completion up.
//! Commands queue behind other traffic on a shared uplink; the switch's hop is paid once for the way
//! down and back.

use crate::engine::{Demand, Discipline, GroupId, Law, Network, Pick, Purpose, SimDuration, Step};
use crate::scenario::{Fabric, FabricShape, Interface};

use super::bus::{Bus, COMPLETION, SUBMISSION};
use super::demand::{Ask, question};

/// The uplinks as the path needs them while it runs.
#[derive(Clone, Debug)]
pub(super) struct Uplinks {
    pub count: u32,
    /// One direction at a time: both share the server.
    pub shared: bool,
    bus: Bus,
}

impl Uplinks {
    /// Time of one message on an uplink.
    #[inline]
    pub fn time(&self, ask: Ask, bytes: u64) -> SimDuration {
        self.bus.time(match ask {
            Ask::UplinkSubmission => SUBMISSION,
            Ask::UplinkWrite => bytes + SUBMISSION,
            Ask::UplinkRead => bytes + COMPLETION,
            _ => COMPLETION,
        })
    }
}

/// The fabric's groups and steps.
#[derive(Clone, Copy)]
pub(super) enum FabricSteps {
    Direct,
    Uplinks { down: GroupId, up: GroupId, hop: GroupId, both_hops: u32 },
}

impl FabricSteps {
    pub fn add(network: &mut Network, fabric: Option<&Fabric>) -> (Self, Option<Uplinks>) {
        let Some(Fabric { shape: FabricShape::Uplinks { count, link, hop }, max_payload, .. }) = fabric
        else {
            return (FabricSteps::Direct, None);
        };
        let mut group = |name: &str| network.group(name, "uplink", *count, 1, Discipline::Committed);
        let shared = *link == Interface::Sata;
        let (down, up) = if shared {
            let both = group("fabric.uplinks");
            (both, both)
        } else {
            (group("fabric.uplinks.down"), group("fabric.uplinks.up"))
        };
        let both = Law::fixed(SimDuration::from_ps(hop.ps() * 2));
        let steps = FabricSteps::Uplinks {
            down,
            up,
            hop: network.delay("fabric.hop"),
            both_hops: network.demand(Demand::Drawn(both, Purpose::named("hop"))),
        };
        (steps, Some(Uplinks { count: *count, shared, bus: Bus::of(*link, *max_payload) }))
    }

    /// A message towards the drives.
    pub fn down(&self, network: &mut Network, ask: Ask) -> Vec<Step> {
        match *self {
            FabricSteps::Direct => Vec::new(),
            FabricSteps::Uplinks { down, .. } => vec![serve(network, down, ask)],
        }
    }

    /// A message towards the processor, and the hops of the round trip.
    pub fn up(&self, network: &mut Network, ask: Ask) -> Vec<Step> {
        match *self {
            FabricSteps::Direct => Vec::new(),
            FabricSteps::Uplinks { up, hop, both_hops, .. } => {
                vec![Step::Delay { group: hop, demand: both_hops }, serve(network, up, ask)]
            }
        }
    }
}

fn serve(network: &mut Network, group: GroupId, ask: Ask) -> Step {
    let demand = network.demand(Demand::Asked(ask as u32));
    Step::Serve { group, pick: Pick::Ask(question::UPLINK), demand, level: 0 }
}
