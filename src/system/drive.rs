//! Drives: a textbook station, or a part described by its datasheet.
//!
//! First form of the datasheet drive: a command server, parallel flash units, the drive's link, and a
//! power-protected write buffer that drains to the units as programs. A page that is read lies on a
//! unit drawn at random; pages that are written are dealt to the units in turn, as a log does. Reads
//! go ahead of programs on their unit, behind at most one turn of a program. Write amplification and erases are inside the rated random and sequential write rates:
//! a program occupies its unit for as long as those rates leave.

use crate::engine::{
    Demand, Discipline, GateId, GroupId, Law, Network, PS_PER_S, Pick, Purpose, Quantity, Route, SimDuration,
    Step,
};
use crate::scenario::{DriveKind, Drives, Interface, Part};

use super::body::{DRIVE, UNIT};
use super::bus::{Bus, COMPLETION, SUBMISSION};
use super::demand::{Ask, question};

/// A block of the random ratings, bytes.
const BLOCK: u64 = 4096;

/// A datasheet drive's internal parameters, solved from its ratings.
#[derive(Clone, Debug)]
pub struct DriveModel {
    /// Parallel flash units.
    pub units: u32,
    /// Time of the command server.
    pub command: SimDuration,
    /// Time of a unit to sense one page.
    pub sense: SimDuration,
    /// Delay of a write that the ratings leave over: link and command are paid on their own.
    pub acknowledge: SimDuration,
    /// Time of a unit for each byte of a random write, ps.
    pub random_program_ps: f64,
    /// Time of a unit for each byte of a sequential write, ps.
    pub sequential_program_ps: f64,
    /// Bytes of one page.
    pub page: u64,
    /// Ceiling of its reads, bytes per second.
    pub read_ceiling: f64,
    bus: Bus,
    half_duplex: bool,
}

impl DriveModel {
    /// Solves a part: physics of the drive, steps (b) and (c) in closed form.
    ///
    /// Sense time t_s = read latency − command − block ÷ link. Units U = x(d − 1)/(d − x) with
    /// x = R·t_s, the balanced closed network of U exponential units at depth d; the command server
    /// holds the rate at the rating R.
    pub fn solve(part: &Part, max_payload: u32) -> Self {
        let bus = Bus::of(part.interface, max_payload);
        let command = SimDuration::from_ps_f64(PS_PER_S as f64 / part.read_random.per_second);
        let block_up = bus.time_capped(BLOCK + COMPLETION, part.read_sequential);
        let sense = (part.read_latency - command - block_up).max(SimDuration::from_ps(1));
        let depth = f64::from(part.read_random.depth);
        let busy = part.read_random.per_second * sense.secs();
        let units = if busy < depth { busy * (depth - 1.0) / (depth - busy) } else { depth };
        let units = (units.ceil() as u32).clamp(1, 4096);
        let acknowledge = part.write_latency - command - bus.time(BLOCK + SUBMISSION);
        let per_byte = |bytes_per_s: f64| f64::from(units) * PS_PER_S as f64 / bytes_per_s;
        DriveModel {
            units,
            command,
            sense,
            acknowledge,
            random_program_ps: per_byte(part.write_random.per_second * BLOCK as f64),
            sequential_program_ps: per_byte(part.write_sequential),
            page: part.page,
            read_ceiling: part.read_sequential,
            bus,
            half_duplex: part.interface == Interface::Sata,
        }
    }

    /// Time on the drive's link, command server or unit.
    #[inline]
    pub(super) fn time(&self, ask: Ask, bytes: u64, sequential: bool) -> SimDuration {
        match ask {
            Ask::DriveSubmission => self.bus.time(SUBMISSION),
            Ask::DriveWrite => self.bus.time(bytes + SUBMISSION),
            Ask::DriveRead => self.bus.time_capped(bytes + COMPLETION, self.read_ceiling),
            Ask::DriveCompletion => self.bus.time(COMPLETION),
            Ask::Program => SimDuration::from_ps_f64(bytes as f64 * self.program_ps(sequential)),
            _ => SimDuration::ZERO,
        }
    }

    /// Time of a unit for each byte written, ps.
    pub fn program_ps(&self, sequential: bool) -> f64 {
        if sequential { self.sequential_program_ps } else { self.random_program_ps }
    }

    /// Servers of the drive's link: one a direction, or one for both.
    pub fn directions(&self) -> u32 {
        if self.half_duplex { 1 } else { 2 }
    }

    /// Member of the link group that carries data up or down.
    #[inline]
    pub fn link(&self, drive: u32, up: bool) -> u32 {
        match (self.half_duplex, up) {
            (true, _) => drive,
            (false, true) => 2 * drive,
            (false, false) => 2 * drive + 1,
        }
    }

    /// Pages that a read of `bytes` senses.
    #[inline]
    pub fn pages(&self, bytes: u32) -> u64 {
        u64::from(bytes).div_ceil(self.page)
    }
}

/// The drives' groups and steps.
pub(super) enum DriveSteps {
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
        sense: u32,
        acknowledge: (GroupId, u32),
        buffer: GateId,
        which_unit: Step,
    },
}

impl DriveSteps {
    pub fn add(network: &mut Network, drives: Option<&Drives>, model: Option<&DriveModel>) -> Self {
        let Some(drives) = drives else { return DriveSteps::None };
        match (&drives.kind, model) {
            (DriveKind::Part(part), Some(model)) => Self::add_part(network, drives.count, part, model),
            (DriveKind::Station { service, split }, _) => {
                let group = network.group("drives", "drive", drives.count, 1, Discipline::Committed);
                let demand = network.demand(Demand::Drawn(service.clone(), Purpose::named("drives")));
                let purpose = network.purpose("which drive");
                let which = Step::Choose { slot: DRIVE as u8, count: drives.count, purpose };
                DriveSteps::Station { group, demand, which: (!split).then_some(which) }
            }
            (DriveKind::Part(_), None) => DriveSteps::None,
        }
    }

    fn add_part(network: &mut Network, count: u32, part: &Part, model: &DriveModel) -> Self {
        let fixed = |network: &mut Network, span: SimDuration| {
            network.demand(Demand::Drawn(Law::fixed(span), Purpose::named("drive")))
        };
        let command = network.group("drives.command", "drive", count, 1, Discipline::Committed);
        let link =
            network.group("drives.link", "drive", count * model.directions(), 1, Discipline::Committed);
        if model.directions() == 2 {
            network.rows(link, "drive", 2, &["up", "down"]);
        }
        let turns = Discipline::Turns { quantum: part.program_quantum };
        let unit = network.group("drives.unit", "unit", count * model.units, 1, turns);
        network.rows(unit, "drive", model.units, &[]);
        let purpose = network.purpose("unit");
        DriveSteps::Part {
            command,
            command_time: fixed(network, model.command),
            link,
            unit,
            sense: fixed(network, model.sense),
            acknowledge: (network.delay("drives.acknowledge"), fixed(network, model.acknowledge)),
            buffer: network.gates("drives.buffer", count, part.buffer),
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
            DriveSteps::Part { command, command_time, link, unit, sense, which_unit, .. } => {
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

    /// Background work of a write: the buffer drains to a unit.
    fn drain(&self, network: &mut Network) -> Route {
        let DriveSteps::Part { unit, buffer, .. } = *self else {
            return network.route(&[Step::End]);
        };
        let demand = ask(network, Ask::Program);
        let program = Step::Serve { group: unit, pick: Pick::Ask(question::UNIT), demand, level: 1 };
        let free = Step::Give { gate: buffer, pick: Pick::Member(DRIVE as u8), quantity: Quantity::Amount };
        let page = network.route(&[program, free, Step::Join]);
        // As in a read: one page needs no fork.
        network.route(&[
            Step::Ask(question::ONE_PROGRAM),
            Step::Fork { question: question::PROGRAMS, route: page },
            Step::Skip(2),
            program,
            free,
            Step::End,
        ])
    }
}

fn ask(network: &mut Network, ask: Ask) -> u32 {
    network.demand(Demand::Asked(ask as u32))
}

fn at_drive(group: GroupId, demand: u32) -> Step {
    Step::Serve { group, pick: Pick::Member(DRIVE as u8), demand, level: 0 }
}
