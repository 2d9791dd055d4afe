//! The drives' stations and the steps that visit them.

use crate::engine::{
    Demand, Discipline, GateId, GroupId, Law, Network, Pick, Purpose, Quantity, Route, SimDuration, Step,
};
use crate::scenario::{DriveKind, Drives, Part};

use super::{ArmModel, DriveLink, DriveModel};
use crate::system::body::{DRIVE, UNIT};
use crate::system::demand::{Ask, question};

/// What the service of a textbook drive is drawn for.
pub(in crate::system) const SERVICE: Purpose = Purpose::named("drives");

/// The flash units of all drives, as a group of stations.
pub const UNITS: &str = "drives.unit";
/// The gates of their write buffers, behind which they work.
pub const BUFFERS: &str = "drives.buffer";

/// The drives' groups and steps.
pub(in crate::system) enum DriveSteps {
    None,
    Station {
        group: GroupId,
        demand: u32,
        which: Option<Step>,
    },
    Part {
        command: GroupId,
        command_time: u32,
        link: GroupId,
        unit: GroupId,
        fixed: (GroupId, u32),
        sense: u32,
        acknowledge: (GroupId, u32),
        buffer: GateId,
        which_unit: Step,
    },
    Arm {
        arm: GroupId,
        link: GroupId,
    },
}

/// What is known of the drives' part, if they have one.
#[derive(Clone, Copy, Default)]
pub(in crate::system) struct Models<'a> {
    pub flash: Option<&'a DriveModel>,
    pub arm: Option<&'a ArmModel>,
}

impl Models<'_> {
    /// The gates before drives that take few commands at once, one for each drive.
    pub fn add_queue(self, network: &mut Network, count: u32) -> Option<GateId> {
        let link = self.flash.map(|model| &model.link).or(self.arm.map(|model| &model.link))?;
        Some(network.gates("drives.queue", count, link.depth()?))
    }
}

impl DriveSteps {
    /// Adds the drives. `may_slow` says whether a fault makes one slow: its times are then asked of the path.
    pub fn add(network: &mut Network, drives: Option<&Drives>, models: Models, may_slow: bool) -> Self {
        let Some(drives) = drives else { return DriveSteps::None };
        match (&drives.kind, models.flash) {
            (DriveKind::Part(part), Some(model)) => {
                Self::add_part(network, drives.count, part, model, may_slow)
            }
            (DriveKind::Station { service, split }, _) => {
                let group = network.group("drives", "drive", drives.count, 1, Discipline::Committed);
                let demand = network.demand(match may_slow {
                    true => Demand::Asked(Ask::Service as u32),
                    false => Demand::Drawn(service.clone(), SERVICE),
                });
                let purpose = network.purpose("which drive");
                let which = Step::Choose { slot: DRIVE as u8, count: drives.count, purpose };
                DriveSteps::Station { group, demand, which: (!split).then_some(which) }
            }
            (DriveKind::Part(_), None) => DriveSteps::None,
            (DriveKind::Rotating(_), _) => {
                models.arm.map_or(DriveSteps::None, |model| Self::add_arm(network, drives.count, model))
            }
        }
    }

    fn add_arm(network: &mut Network, count: u32, model: &ArmModel) -> Self {
        let link = add_link(network, count, &model.link);
        let chosen = Discipline::Chosen { look: model.look() };
        DriveSteps::Arm { arm: network.group("drives.arm", "drive", count, 1, chosen), link }
    }

    fn add_part(network: &mut Network, count: u32, part: &Part, model: &DriveModel, may_slow: bool) -> Self {
        let fixed = |network: &mut Network, span: SimDuration| {
            network.demand(Demand::Drawn(Law::fixed(span), Purpose::named("drive")))
        };
        let own = |network: &mut Network, span: SimDuration, asked: Ask| match may_slow {
            true => ask(network, asked),
            false => fixed(network, span),
        };
        let command = network.group("drives.command", "drive", count, 1, Discipline::Committed);
        let link = add_link(network, count, &model.link);
        let turns = Discipline::Yields { bound: model.suspend };
        let unit = network.group(UNITS, "unit", count * model.units, 1, turns);
        network.rows(unit, "drive", model.units, &[]);
        let purpose = network.purpose("unit");
        DriveSteps::Part {
            command,
            command_time: own(network, model.command, Ask::Command),
            link,
            unit,
            fixed: (network.delay("drives.latency"), fixed(network, model.fixed)),
            sense: own(network, model.sense, Ask::Sense),
            acknowledge: (network.delay("drives.acknowledge"), fixed(network, model.acknowledge)),
            // What waits in an open program takes no room from the rest.
            buffer: network.gates(BUFFERS, count, part.buffer + u64::from(model.program_bytes)),
            which_unit: Step::Choose { slot: UNIT as u8, count: model.units, purpose },
        }
    }

    /// The step that draws a drive for a whole request, where requests are not cut.
    pub fn which(&self) -> Option<Step> {
        match self {
            DriveSteps::Station { which, .. } => *which,
            _ => None,
        }
    }

    /// Steps of a read fragment at its drive.
    pub fn read(&self, network: &mut Network) -> Vec<Step> {
        match *self {
            DriveSteps::None => Vec::new(),
            DriveSteps::Station { group, demand, .. } => vec![at_drive(group, demand)],
            DriveSteps::Arm { arm, link } => {
                let [submission, read, data] =
                    [Ask::DriveSubmission, Ask::ArmRead, Ask::DriveRead].map(|a| ask(network, a));
                vec![
                    Step::Charge { group: link, pick: Pick::Ask(question::LINK_DOWN), demand: submission },
                    at_drive(arm, read),
                    Step::Serve { group: link, pick: Pick::Ask(question::LINK_UP), demand: data, level: 0 },
                ]
            }
            DriveSteps::Part { command, command_time, link, unit, fixed, sense, which_unit, .. } => {
                let serve_unit =
                    Step::Serve { group: unit, pick: Pick::Ask(question::UNIT), demand: sense, level: 0 };
                let data = ask(network, Ask::DriveRead);
                let up =
                    Step::Serve { group: link, pick: Pick::Ask(question::LINK_UP), demand: data, level: 0 };
                let page = network.route(&[serve_unit, Step::Join]);
                // One page needs no fork: the common case skips it.
                let submission = ask(network, Ask::DriveSubmission);
                vec![
                    Step::Charge { group: link, pick: Pick::Ask(question::LINK_DOWN), demand: submission },
                    Step::Delay { group: fixed.0, demand: fixed.1 },
                    at_drive(command, command_time),
                    Step::Ask(question::ONE_PAGE),
                    Step::Fork { question: question::PAGES, route: page },
                    Step::Skip(2),
                    which_unit,
                    serve_unit,
                    up,
                ]
            }
        }
    }

    /// Steps of a write fragment at its drive, up to the acknowledgement.
    pub fn write(&self, network: &mut Network) -> Vec<Step> {
        match *self {
            DriveSteps::None => Vec::new(),
            DriveSteps::Station { group, demand, .. } => vec![at_drive(group, demand)],
            DriveSteps::Arm { arm, link } => {
                let [data, write, completion] =
                    [Ask::DriveWrite, Ask::ArmWrite, Ask::DriveCompletion].map(|a| ask(network, a));
                vec![
                    Step::Serve { group: link, pick: Pick::Ask(question::LINK_DOWN), demand: data, level: 0 },
                    at_drive(arm, write),
                    Step::Charge { group: link, pick: Pick::Ask(question::LINK_UP), demand: completion },
                ]
            }
            DriveSteps::Part { command, command_time, link, acknowledge, buffer, .. } => {
                let drain = self.drain(network);
                let data = ask(network, Ask::DriveWrite);
                let completion = ask(network, Ask::DriveCompletion);
                vec![
                    Step::Serve { group: link, pick: Pick::Ask(question::LINK_DOWN), demand: data, level: 0 },
                    at_drive(command, command_time),
                    Step::Take { gate: buffer, pick: Pick::Member(DRIVE as u8), quantity: Quantity::Amount },
                    Step::Spawn(drain),
                    Step::Delay { group: acknowledge.0, demand: acknowledge.1 },
                    Step::Charge { group: link, pick: Pick::Ask(question::LINK_UP), demand: completion },
                ]
            }
        }
    }

    /// Background work of a write: full programs go to their units, and behind each the cleaner's share;
    /// then its room in the buffer is free.
    fn drain(&self, network: &mut Network) -> Route {
        let DriveSteps::Part { unit, buffer, sense, .. } = *self else {
            return network.route(&[Step::End]);
        };
        let demand = ask(network, Ask::Program);
        let at_unit = |demand| Step::Serve { group: unit, pick: Pick::Ask(question::UNIT), demand, level: 1 };
        let read = network.route(&[at_unit(sense), Step::Join]);
        let write = network.route(&[at_unit(demand), Step::Join]);
        let free = Step::Give { gate: buffer, pick: Pick::Member(DRIVE as u8), quantity: Quantity::Amount };
        let program = network.route(&[
            at_unit(demand),
            Step::Ask(question::CLEANER_READS),
            Step::Fork { question: question::CLEANER_PAGES, route: read },
            Step::Ask(question::CLEANER_WRITES),
            Step::Fork { question: question::CLEANER_PROGRAMS, route: write },
            free,
            Step::Join,
        ]);
        network.route(&[
            Step::Ask(question::PROGRAM_IS_FULL),
            Step::Fork { question: question::PROGRAMS, route: program },
            Step::End,
        ])
    }
}

/// Adds the drives' own links.
fn add_link(network: &mut Network, count: u32, link: &DriveLink) -> GroupId {
    let group = network.group("drives.link", "drive", count * link.directions(), 1, Discipline::Committed);
    if link.directions() == 2 {
        network.rows(group, "drive", 2, &["up", "down"]);
    }
    group
}

fn ask(network: &mut Network, ask: Ask) -> u32 {
    network.demand(Demand::Asked(ask as u32))
}

fn at_drive(group: GroupId, demand: u32) -> Step {
    Step::Serve { group, pick: Pick::Member(DRIVE as u8), demand, level: 0 }
}
