//! Routes: what a token does, step by step, compiled once and shared by all replications.
//!
//! A [`Network`] holds groups of stations, gates and the steps of every route in one table. A route
//! is a number: the place of its first step. Steps follow one another unless a step says otherwise.

use super::draws::Purpose;
use super::law::Law;
use super::time::SimDuration;

/// A group of like stations ("24 tellers"): one row of blame, one row of the answer.
#[derive(Clone, Debug)]
pub struct Group {
    /// Its name.
    pub name: String,
    /// What a member is called ("teller").
    pub member: String,
    /// Place of the first member among all stations.
    pub first: u32,
    /// Number of members; 0 for a pure delay.
    pub members: u32,
    /// Servers of one member; 0 for a pure delay.
    pub servers: u32,
    /// How a member serves.
    pub discipline: Discipline,
    /// If members come in rows ("every branch has three tellers").
    rows: Option<Rows>,
}

/// Members that come in rows.
#[derive(Clone, Debug)]
struct Rows {
    name: String,
    length: u32,
    /// What the members of a row are called, if not by number.
    places: Vec<String>,
}

impl Group {
    /// What a member is called: "teller 3", "branch 1, teller 0".
    pub fn member_name(&self, number: u32) -> String {
        let Some(rows) = &self.rows else { return format!("{} {number}", self.member) };
        let (row, place) = (number / rows.length, number % rows.length);
        match rows.places.get(place as usize) {
            Some(called) => format!("{} {row}, {called}", rows.name),
            None => format!("{} {row}, {} {place}", rows.name, self.member),
        }
    }

    /// Places of its members among all stations; none of a pure delay.
    pub fn stations(&self) -> std::ops::Range<usize> {
        self.first as usize..(self.first + self.members) as usize
    }
}

/// How a station serves. Committed unless something can change a departure once it is known.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Discipline {
    /// First come, first served; the departure is known at the arrival.
    Committed,
    /// One server and an explicit queue: the lower level first, and after each quantum the next in turn.
    Turns {
        /// Longest uninterrupted service.
        quantum: SimDuration,
    },
    /// One server and an explicit queue: the lower level first, first come, first served within a level.
    /// After each `bound` of its service an item yields to lower levels, and then goes on.
    Yields {
        /// Longest that a lower level waits behind a higher one.
        bound: SimDuration,
    },
    /// One server and an explicit queue whose next item the model chooses (`Model::rank`): the lower level first,
    /// and of a level the item with the lowest rank among those that came first. How long it is served is asked
    /// when it begins (`Model::begin`), so that it may depend on what was served before.
    Chosen {
        /// Items of a level that are looked at, at least 1; 1 is first come, first served.
        look: u32,
    },
    /// Any number of servers and an explicit queue: the lower level first, first come, first served within
    /// a level; a service that has begun is finished.
    Ranked,
}

/// Handle of a group, for building steps.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct GroupId(pub(super) u16);

impl GroupId {
    /// Place among the groups (and in a row of cells).
    pub fn index(self) -> usize {
        self.0 as usize
    }
}

/// Handle of a group of gates.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct GateId {
    pub(super) first: u32,
    pub(super) group: u16,
}

/// Place of a route's first step.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Default)]
pub struct Route(pub(super) u32);

/// Which member of a group.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Pick {
    /// The only one, or always this one.
    Fixed(u32),
    /// The one in this slot of the token.
    Member(u8),
    /// Asks the model (`Model::pick`).
    Ask(u16),
}

/// How long a token is served.
#[derive(Clone, Debug)]
pub enum Demand {
    /// A draw of a law, for the token's key and this purpose.
    Drawn(Law, Purpose),
    /// Asks the model (`Model::service`).
    Asked(u32),
}

/// How much a gate gives.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Quantity {
    /// One.
    One,
    /// The token's amount.
    Amount,
    /// Asks the model (`Model::quantity`).
    Asked(u16),
}

/// One step of a route.
#[derive(Clone, Copy, Debug)]
pub enum Step {
    /// Wait for and receive service.
    Serve {
        /// Group.
        group: GroupId,
        /// Member.
        pick: Pick,
        /// Demand, by its number.
        demand: u32,
        /// Level of a `Turns` station: 0 goes first.
        level: u8,
    },
    /// Work that a station does for the token while the token goes on (acknowledgements, say).
    Charge {
        /// Group.
        group: GroupId,
        /// Member.
        pick: Pick,
        /// Demand, by its number.
        demand: u32,
    },
    /// Time passes; nobody is in the way.
    Delay {
        /// Group (without members) that the time is booked on.
        group: GroupId,
        /// Demand, by its number.
        demand: u32,
    },
    /// Take from a gate; wait in line if there is too little.
    Take {
        /// Gate.
        gate: GateId,
        /// Member.
        pick: Pick,
        /// How much.
        quantity: Quantity,
    },
    /// Give back to a gate.
    Give {
        /// Gate.
        gate: GateId,
        /// Member.
        pick: Pick,
        /// How much.
        quantity: Quantity,
    },
    /// Let the model look at the token, change it, and perhaps skip steps (`Model::ask`).
    Ask(u32),
    /// Leave out so many steps.
    Skip(u32),
    /// Go on with the step so many before this one.
    Back(u32),
    /// Draw a member slot uniformly below `count`.
    Choose {
        /// Slot.
        slot: u8,
        /// Members.
        count: u32,
        /// What the draw is for, by its number.
        purpose: u32,
    },
    /// Let the model cut the token in fragments, which take `route`; go on when all have joined.
    Fork {
        /// Asked of the model (`Model::fork`).
        question: u32,
        /// The fragments' route; ends in `Join`.
        route: Route,
    },
    /// End of a fragment.
    Join,
    /// Send a copy along `route` that nobody waits for; it ends in `End`.
    Spawn(Route),
    /// The request, or the background work, is done.
    End,
}

/// Stations, gates and routes: everything about a model that does not change while it runs.
#[derive(Clone, Debug, Default)]
pub struct Network {
    pub(super) groups: Vec<Group>,
    pub(super) stations: u32,
    /// Capacity of every gate.
    pub(super) gates: Vec<u64>,
    /// And its group.
    pub(super) gate_groups: Vec<u16>,
    pub(super) demands: Vec<Demand>,
    pub(super) purposes: Vec<Purpose>,
    pub(super) steps: Vec<Step>,
}

impl Network {
    /// An empty network.
    pub fn new() -> Self {
        Self::default()
    }

    /// Adds `members` like stations of `servers` servers each. A station of the `Turns` discipline
    /// has one server.
    pub fn group(
        &mut self,
        name: &str,
        member: &str,
        members: u32,
        servers: u32,
        discipline: Discipline,
    ) -> GroupId {
        assert!(members > 0 && servers > 0, "{name}: a group needs members and servers");
        let takes_many = matches!(discipline, Discipline::Committed | Discipline::Ranked);
        assert!(takes_many || servers == 1, "{name}: a station that serves in turns has one server");
        let first = self.stations;
        self.stations += members;
        self.push_group(Group {
            name: name.into(),
            member: member.into(),
            first,
            members,
            servers,
            discipline,
            rows: None,
        })
    }

    /// The members of a group come in rows of `length`, each row one `name`; their `places` may have
    /// names too.
    pub fn rows(&mut self, group: GroupId, name: &str, length: u32, places: &[&str]) {
        assert!(length > 0, "{name}: a row of none");
        let places = places.iter().map(|p| p.to_string()).collect();
        self.groups[group.index()].rows = Some(Rows { name: name.into(), length, places });
    }

    /// Adds a pure delay: time that passes without a queue (counted by a station nobody waits at).
    pub fn delay(&mut self, name: &str) -> GroupId {
        self.stations += 1;
        self.push_group(Group {
            name: name.into(),
            member: String::new(),
            first: self.stations - 1,
            members: 0,
            servers: 0,
            discipline: Discipline::Committed,
            rows: None,
        })
    }

    fn push_group(&mut self, group: Group) -> GroupId {
        self.groups.push(group);
        GroupId((self.groups.len() - 1) as u16)
    }

    /// Adds `members` gates that hold `capacity` each; waiting there is booked under `name`.
    pub fn gates(&mut self, name: &str, members: u32, capacity: u64) -> GateId {
        let first = self.gates.len() as u32;
        self.gates.extend(std::iter::repeat_n(capacity, members as usize));
        let group = self.delay(name);
        self.gate_groups.extend(std::iter::repeat_n(group.0, members as usize));
        GateId { first, group: group.0 }
    }

    /// Registers a demand and returns its number.
    pub fn demand(&mut self, demand: Demand) -> u32 {
        self.demands.push(demand);
        (self.demands.len() - 1) as u32
    }

    /// Registers a purpose of draws and returns its number.
    pub fn purpose(&mut self, name: &str) -> u32 {
        self.purposes.push(Purpose::named(name));
        (self.purposes.len() - 1) as u32
    }

    /// Adds a route. The steps must lead to `End` or `Join`. No work is charged to a station that chooses: it
    /// knows a service only when it begins.
    pub fn route(&mut self, steps: &[Step]) -> Route {
        assert!(matches!(steps.last(), Some(Step::End | Step::Join)), "a route ends in End or Join");
        let is_charged = |step: &Step| match step {
            Step::Charge { group, .. } => self.chooses(*group),
            _ => false,
        };
        assert!(!steps.iter().any(is_charged), "work is charged to a station that chooses");
        let first = self.steps.len() as u32;
        self.steps.extend_from_slice(steps);
        Route(first)
    }

    /// The same steps as background work: at stations that serve in turns they go behind the others.
    /// The routes that they fork into and spawn are made again likewise.
    pub fn behind(&mut self, steps: &[Step]) -> Vec<Step> {
        let behind = |network: &mut Network, step: &Step| match *step {
            Step::Serve { group, pick, demand, .. } => Step::Serve { group, pick, demand, level: 1 },
            Step::Fork { question, route } => Step::Fork { question, route: network.route_behind(route) },
            Step::Spawn(route) => Step::Spawn(network.route_behind(route)),
            other => other,
        };
        steps.iter().map(|step| behind(self, step)).collect()
    }

    fn route_behind(&mut self, route: Route) -> Route {
        let rest = &self.steps[route.0 as usize..];
        // Every route ends in one of these, and none leads past the first.
        let length = rest.iter().position(|s| matches!(s, Step::End | Step::Join)).map_or(0, |at| at + 1);
        let steps = rest[..length].to_vec();
        let steps = self.behind(&steps);
        self.route(&steps)
    }

    /// Whether the stations of a group choose what they serve next.
    pub(super) fn chooses(&self, group: GroupId) -> bool {
        matches!(self.groups[group.index()].discipline, Discipline::Chosen { .. })
    }

    /// Groups, in order.
    pub fn groups(&self) -> &[Group] {
        &self.groups
    }

    /// Steps of all routes, in order.
    pub fn steps(&self) -> &[Step] {
        &self.steps
    }

    /// Demands, in order.
    pub fn demands(&self) -> &[Demand] {
        &self.demands
    }
}
