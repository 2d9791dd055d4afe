//! The event loop: takes events in order of time and walks tokens along their routes.
//!
//! One [`Kernel`] is one replication: single-threaded, no I/O, no clock but the simulated one. At
//! one instant arrivals go before departures, and departures in order of insertion.

use std::sync::Arc;

use super::calendar::Calendar;
use super::draws::Purpose;
use super::gate::Gate;
use super::law::exponential;
use super::model::{Model, Part, Stop};
use super::route::{Demand, Discipline, GateId, GroupId, Network, Pick, Quantity, Route, Step};
use super::sources::Sources;
use super::station::{Item, Server, Station};
use super::time::{SimDuration, SimTime};
use super::token::{DETACHED, NONE, Slab, Token};

/// Marks an event of a station (a turn ends) rather than of a token.
pub(super) const STATION: u32 = 1 << 31;

/// What a step has served.
#[derive(Clone, Copy, Default)]
pub(super) struct Tally {
    pub visits: u64,
    pub booked: u64,
}

/// What Little's law needs of a group, modulo 2^64 (sums of instants overflow, their difference not).
#[derive(Clone, Copy, Default)]
pub(super) struct Sojourns {
    /// Instants at which tokens left less those at which they came, ps: the integral of their number.
    pub by_events: u64,
    /// Time promised in a delay or spent at a gate, ps (stations count their own).
    pub promised: u64,
}

/// A demand as the event loop wants it: the common laws need no further load.
#[derive(Clone, Copy)]
enum Ready {
    Fixed(u64),
    Exponential { mean_ps: f64, purpose: Purpose },
    Listed(u32),
}

/// A step as the event loop wants it: the one that is taken most, in one cache line.
#[derive(Clone, Copy)]
enum Op {
    Serve { first: u32, pick: Pick, group: u16, level: u8, demand: Ready },
    Other(Step),
}

impl Op {
    fn compile(step: &Step, network: &Network) -> Op {
        let &Step::Serve { group, pick, demand, level } = step else { return Op::Other(*step) };
        let ready = match &network.demands[demand as usize] {
            Demand::Drawn(law, _) if law.is_fixed() => Ready::Fixed(law.mean().ps()),
            Demand::Drawn(law, purpose) => match law.exponential_mean() {
                Some(mean_ps) => Ready::Exponential { mean_ps, purpose: *purpose },
                None => Ready::Listed(demand),
            },
            _ => Ready::Listed(demand),
        };
        Op::Serve { first: network.groups[group.index()].first, pick, group: group.0, level, demand: ready }
    }
}

/// One replication of a model on a network.
pub struct Kernel<M: Model> {
    pub(super) now: SimTime,
    pub(super) network: Arc<Network>,
    /// The network's steps, compiled.
    ops: Arc<[Op]>,
    /// The model, with whatever it recorded.
    pub model: M,
    pub(super) calendar: Calendar,
    sources: Sources,
    pub(super) slab: Slab<M::Body>,
    pub(super) stations: Vec<Station>,
    gates: Vec<Gate>,
    pub(super) tallies: Vec<Tally>,
    pub(super) sojourns: Vec<Sojourns>,
    parts: Vec<Part<M::Body>>,
    pub(super) in_system: u64,
    pub(super) arrived: u64,
    pub(super) finished: u64,
    events: u64,
    backlog_max: u64,
}

impl<M: Model> Kernel<M> {
    /// A kernel at time zero whose sources have their first arrivals as given.
    pub fn new(network: Arc<Network>, model: M, first: &[(u32, SimTime)], backlog_max: u64) -> Self {
        let mut stations = Vec::with_capacity(network.stations as usize);
        for group in &network.groups {
            let quantum = match group.discipline {
                Discipline::Committed => None,
                Discipline::Turns { quantum } => Some(quantum.ps()),
            };
            stations.extend((0..group.members).map(|_| Station::new(group.servers, quantum)));
        }
        let gates = network.gates.iter().map(|&capacity| Gate::new(capacity)).collect();
        let mut sources = Sources::new();
        for &(source, at) in first {
            sources.add(source, at);
        }
        Kernel {
            now: SimTime::ZERO,
            calendar: Calendar::new(),
            sources,
            slab: Slab::new(network.groups.len()),
            stations,
            gates,
            tallies: vec![Tally::default(); network.steps.len()],
            sojourns: vec![Sojourns::default(); network.groups.len()],
            parts: Vec::new(),
            in_system: 0,
            arrived: 0,
            finished: 0,
            events: 0,
            backlog_max,
            ops: network.steps.iter().map(|step| Op::compile(step, &network)).collect(),
            network,
            model,
        }
    }

    /// The present instant.
    pub fn now(&self) -> SimTime {
        self.now
    }

    /// Events handled, arrivals included.
    pub fn events(&self) -> u64 {
        self.events
    }

    /// Requests in the system.
    pub fn in_system(&self) -> u64 {
        self.in_system
    }

    /// Runs until `until` (whose own events are left for later), the model is done, or the backlog
    /// is too long.
    pub fn run(&mut self, until: SimTime) -> Stop {
        // Borrowed apart from the rest, so that a step need not be copied out to be acted on.
        let ops = Arc::clone(&self.ops);
        loop {
            let arrival = self.sources.next();
            if let Some((now, id)) = self.calendar.pop_before(arrival.min(until)) {
                self.now = now;
                self.events += 1;
                if id & STATION == 0 {
                    self.resume(&ops, id);
                    if self.model.is_done() {
                        return Stop::Done;
                    }
                } else {
                    self.turn(&ops, id & !STATION);
                }
            } else if arrival < until {
                self.now = arrival;
                self.events += 1;
                self.admit(&ops);
                if self.in_system > self.backlog_max {
                    return Stop::Backlog;
                }
            } else {
                self.now = until;
                return Stop::Time;
            }
        }
    }

    fn admit(&mut self, ops: &[Op]) {
        let Some(source) = self.sources.due() else { return };
        let arrival = self.model.arrive(source, self.now);
        self.sources.reschedule(arrival.next);
        self.in_system += 1;
        self.arrived += 1;
        let token = self.slab.take(Token {
            key: arrival.key,
            born: self.now,
            body: arrival.body,
            amount: arrival.amount,
            members: arrival.members,
            step: arrival.route.0,
            parent: NONE,
            link: NONE,
            pending: 0,
            class: arrival.class,
        });
        self.advance(ops, token);
    }

    /// A token's service or delay is over (or a gate has let it through): go on.
    #[inline(always)]
    fn resume(&mut self, ops: &[Op], token: u32) {
        let place = &mut self.slab.tokens[token as usize];
        if let Some(sojourn) = self.sojourns.get_mut(place.link as usize) {
            sojourn.by_events = sojourn.by_events.wrapping_add(self.now.ps());
            place.link = NONE;
        }
        self.advance(ops, token);
    }

    /// A turn ends at a station with an explicit queue.
    #[inline(never)]
    fn turn(&mut self, ops: &[Op], station: u32) {
        let place = &mut self.stations[station as usize];
        let Server::Turns(turns) = &mut place.server else { return };
        let (done, next) = turns.turn(self.now.ps());
        if let Some(at) = next {
            self.calendar.push(SimTime::from_ps(at), STATION | station);
        }
        let Some(item) = done.filter(|i| i.token != NONE) else { return };
        let wait = self.now.ps() - item.entered - item.service;
        place.counts.wait += u128::from(wait);
        let group = self.slab.tokens[item.token as usize].link as u16;
        self.book(item.token, group, wait, item.service);
        self.resume(ops, item.token);
    }

    #[inline]
    fn book(&mut self, token: u32, group: u16, wait: u64, service: u64) {
        let cell = self.slab.cell_mut(token, group);
        cell.wait += wait;
        cell.service += service;
    }

    /// Walks a token along its route until it has to wait for an event.
    #[inline(always)]
    fn advance(&mut self, ops: &[Op], mut token: u32) {
        loop {
            let place = &mut self.slab.tokens[token as usize];
            let at = place.step;
            place.step = at + 1;
            let step = match &ops[at as usize] {
                Op::Serve { first, pick, group, level, demand } => {
                    let station = first + self.member(*pick, token);
                    let service = self.demand(demand, at, token);
                    self.serve(token, *group, station, service, *level);
                    return;
                }
                Op::Other(step) => step,
            };
            match *step {
                // Compiled to an operation of its own, above.
                Step::Serve { .. } => return,
                Step::Join => match self.join(token) {
                    // The last fragment takes its parent along.
                    Some(parent) => token = parent,
                    None => return,
                },
                Step::End => {
                    self.end(token);
                    return;
                }
                Step::Fork { question, route } => {
                    self.fork(ops, token, question, route);
                    return;
                }
                Step::Choose { slot, count, purpose } => {
                    let purpose = self.network.purposes[purpose as usize];
                    place.members[slot as usize] = place.key.draws(purpose).below(u64::from(count)) as u32;
                }
                Step::Ask(question) => place.step += self.model.ask(question, place),
                Step::Skip(steps) => place.step += steps,
                Step::Charge { group, pick, demand } => self.charge(token, at, group, pick, demand),
                Step::Delay { group, demand } => {
                    if self.delay(token, at, group, demand) {
                        return;
                    }
                }
                Step::Take { gate, pick, quantity } => {
                    if !self.take(token, gate, pick, quantity) {
                        return;
                    }
                }
                Step::Give { gate, pick, quantity } => self.give(token, gate, pick, quantity),
                Step::Spawn(route) => {
                    let mut copy = *place;
                    (copy.step, copy.parent) = (route.0, DETACHED);
                    let copy = self.slab.take(copy);
                    self.advance_another(ops, copy);
                }
            }
        }
    }

    /// Walks a token that another one has made.
    #[inline(never)]
    fn advance_another(&mut self, ops: &[Op], token: u32) {
        self.advance(ops, token);
    }

    #[inline(always)]
    fn member(&mut self, pick: Pick, token: u32) -> u32 {
        let token = &self.slab.tokens[token as usize];
        match pick {
            Pick::Fixed(member) => member,
            Pick::Member(slot) => token.members[slot as usize],
            Pick::Ask(question) => self.model.pick(question, token),
        }
    }

    /// The service that step `at` asks for, in ps; tallied.
    #[inline(always)]
    fn demand(&mut self, demand: &Ready, at: u32, token: u32) -> u64 {
        let token = &self.slab.tokens[token as usize];
        let service = match *demand {
            Ready::Fixed(ps) => ps,
            Ready::Exponential { mean_ps, purpose } => {
                exponential(&mut token.key.draws(purpose), mean_ps).ps()
            }
            Ready::Listed(number) => match &self.network.demands[number as usize] {
                Demand::Drawn(law, purpose) => law.sample(token.key, *purpose),
                Demand::Asked(number) => self.model.service(*number, token),
            }
            .ps(),
        };
        let tally = &mut self.tallies[at as usize];
        tally.visits += 1;
        tally.booked += service;
        service
    }

    /// The token is in the hands of `group` until the next event that concerns it.
    #[inline]
    fn enter(&mut self, token: u32, group: u16) {
        self.slab.tokens[token as usize].link = u32::from(group);
        let sojourn = &mut self.sojourns[usize::from(group)];
        sojourn.by_events = sojourn.by_events.wrapping_sub(self.now.ps());
    }

    #[inline(always)]
    fn serve(&mut self, token: u32, group: u16, station: u32, service: u64, level: u8) {
        let now = self.now.ps();
        self.enter(token, group);
        let place = &mut self.stations[station as usize];
        place.counts.arrivals += 1;
        if let Some((start, end)) = place.commit(now, service) {
            place.counts.wait += u128::from(start - now);
            self.book(token, group, start - now, service);
            self.calendar.push(SimTime::from_ps(end), token);
        } else {
            self.queue(station, Item { token, level, entered: now, service, remaining: service });
        }
    }

    /// Puts an item into an explicit queue.
    #[inline(never)]
    fn queue(&mut self, station: u32, item: Item) {
        let place = &mut self.stations[station as usize];
        place.counts.booked += item.service;
        if let Server::Turns(turns) = &mut place.server
            && let Some(at) = turns.arrive(self.now.ps(), item)
        {
            self.calendar.push(SimTime::from_ps(at), STATION | station);
        }
    }

    #[inline(never)]
    fn charge(&mut self, token: u32, at: u32, group: GroupId, pick: Pick, demand: u32) {
        let station = self.network.groups[group.index()].first + self.member(pick, token);
        let service = self.demand(&Ready::Listed(demand), at, token);
        let now = self.now.ps();
        let place = &mut self.stations[station as usize];
        place.counts.charged += service;
        if place.commit(now, service).is_none() {
            self.queue(station, Item { token: NONE, level: 0, entered: now, service, remaining: service });
        }
    }

    /// Starts a delay; false if it is no time at all.
    #[inline(never)]
    fn delay(&mut self, token: u32, at: u32, group: GroupId, demand: u32) -> bool {
        let service = self.demand(&Ready::Listed(demand), at, token);
        if service == 0 {
            return false;
        }
        self.enter(token, group.0);
        let sojourn = &mut self.sojourns[group.index()];
        sojourn.promised = sojourn.promised.wrapping_add(service);
        self.book(token, group.0, 0, service);
        self.calendar.push(self.now + SimDuration::from_ps(service), token);
        true
    }

    /// Takes from a gate; false if the token has to wait.
    #[inline(never)]
    fn take(&mut self, token: u32, gate: GateId, pick: Pick, quantity: Quantity) -> bool {
        let place = gate.first + self.member(pick, token);
        let wanted = self.quantity(token, quantity);
        self.gates[place as usize].take(token, wanted, self.now)
    }

    #[inline(never)]
    fn give(&mut self, token: u32, gate: GateId, pick: Pick, quantity: Quantity) {
        let place = gate.first + self.member(pick, token);
        let given = self.quantity(token, quantity);
        self.gates[place as usize].give(given);
        while let Some((waiter, since)) = self.gates[place as usize].admit() {
            self.book(waiter, gate.group, self.now.since(since).ps(), 0);
            self.calendar.push(self.now, waiter);
        }
    }

    fn quantity(&self, token: u32, quantity: Quantity) -> u64 {
        match quantity {
            Quantity::One => 1,
            Quantity::Amount => u64::from(self.slab.tokens[token as usize].amount),
        }
    }

    #[inline(never)]
    fn fork(&mut self, ops: &[Op], token: u32, question: u32, route: Route) {
        let mut parts = std::mem::take(&mut self.parts);
        parts.clear();
        let parent = self.slab.tokens[token as usize];
        self.model.fork(question, &parent, &mut parts);
        assert!(
            !parts.is_empty() && parts.len() <= usize::from(u16::MAX),
            "at {} ps: a fork into {} parts",
            self.now.ps(),
            parts.len()
        );
        self.slab.tokens[token as usize].pending = parts.len() as u16;
        for (number, part) in parts.iter().enumerate() {
            // The first fragment keeps the key: a request that is not cut draws as if there were no fork.
            let key = if number == 0 { parent.key } else { parent.key.numbered(number as u64) };
            let fragment = self.slab.take(Token {
                key,
                born: parent.born,
                body: part.body,
                amount: part.amount,
                members: part.members,
                step: route.0,
                parent: token,
                link: NONE,
                pending: 0,
                class: parent.class,
            });
            self.advance_another(ops, fragment);
        }
        self.parts = parts;
    }

    /// A fragment is done; the parent, if it was the last.
    #[inline]
    fn join(&mut self, fragment: u32) -> Option<u32> {
        let parent = self.slab.tokens[fragment as usize].parent;
        let place = &mut self.slab.tokens[parent as usize];
        place.pending -= 1;
        let is_last = place.pending == 0;
        if is_last {
            // The parent waited exactly as long as its last fragment took.
            self.slab.add_row(parent, fragment);
        }
        self.slab.give(fragment);
        is_last.then_some(parent)
    }

    fn end(&mut self, token: u32) {
        let place = &self.slab.tokens[token as usize];
        if place.parent != DETACHED {
            self.in_system -= 1;
            self.finished += 1;
            if let Some((source, at)) = self.model.finish(place, self.slab.row(token), self.now) {
                self.sources.add(source, at);
            }
        }
        self.slab.give(token);
    }
}
