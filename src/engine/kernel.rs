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
use super::route::{Demand, GateId, GroupId, Network, Pick, Quantity, Route, Step};
use super::sources::Sources;
use super::station::{Item, More, Station, Waiting};
use super::time::{SimDuration, SimTime};
use super::token::{DETACHED, NONE, Slab};

/// Marks an event of a station (a turn ends) rather than of a token.
pub(super) const STATION: u32 = 1 << 31;

/// A demand as the event loop wants it: the common laws need no further load.
#[derive(Clone, Copy)]
enum Ready {
    Fixed(u64),
    Exponential { mean_ps: f64, stated: u64, purpose: Purpose },
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
        if network.chooses(group) {
            return Op::Other(*step);
        }
        let ready = match &network.demands[demand as usize] {
            Demand::Drawn(law, _) if law.is_fixed() => Ready::Fixed(law.mean().ps()),
            Demand::Drawn(law, purpose) => match law.exponential_mean() {
                Some(mean_ps) => Ready::Exponential { mean_ps, stated: law.mean().ps(), purpose: *purpose },
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
    pub(super) gates: Vec<Gate>,
    /// By station: service charged to nobody, ps.
    pub(super) charged: Vec<u64>,
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
            let queue = || More::of(group.discipline, group.servers);
            stations.extend((0..group.members.max(1)).map(|_| Station::new(group.servers, queue())));
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
            charged: vec![0; network.stations as usize],
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

    /// One more source of arrivals, or one that had none.
    pub fn add_source(&mut self, source: u32, at: SimTime) {
        self.sources.add(source, at.max(self.now));
    }

    /// Drops the arrivals to come of all sources but those to keep.
    pub fn retain_sources(&mut self, keep: impl Fn(&M, u32) -> bool) {
        self.sources.retain(|source| keep(&self.model, source));
    }

    /// The present instant.
    pub fn now(&self) -> SimTime {
        self.now
    }

    /// Events handled, arrivals included.
    pub fn events(&self) -> u64 {
        self.events
    }

    /// Requests that have arrived.
    pub fn arrived(&self) -> u64 {
        self.arrived
    }

    /// Requests in the system.
    pub fn in_system(&self) -> u64 {
        self.in_system
    }

    /// Frees what is in flight: the run is over. What it recorded and counted stays; it must not be run
    /// on, and what it holds must have been asked before.
    pub fn release(&mut self) {
        self.slab = Slab::new(0);
        self.calendar = Calendar::new();
        self.sources = Sources::new();
        self.stations = Vec::new();
        self.gates = Vec::new();
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
        let token = self.slab.take();
        let place = &mut self.slab.tokens[token as usize];
        place.key = arrival.key;
        place.born = self.now;
        place.body = arrival.body;
        place.amount = arrival.amount;
        place.members = arrival.members;
        place.step = arrival.route.0;
        place.parent = NONE;
        place.link = NONE;
        place.pending = 0;
        place.class = arrival.class;
        self.advance(ops, token);
    }

    /// A token's service or delay is over (or a gate has let it through): go on.
    #[inline(always)]
    fn resume(&mut self, ops: &[Op], token: u32) {
        let place = &mut self.slab.tokens[token as usize];
        if let Some(station) = self.stations.get_mut(place.link as usize) {
            station.by_events = station.by_events.wrapping_add(self.now.ps());
            place.link = NONE;
        }
        self.advance(ops, token);
    }

    /// A turn ends at a station with an explicit queue.
    #[inline(never)]
    fn turn(&mut self, ops: &[Op], station: u32) {
        let now = self.now.ps();
        if self.stations[station as usize].chosen().is_some() {
            self.chosen_is_done(ops, station);
            return;
        }
        let (done, next) = self.stations[station as usize].turn(now);
        if let Some(at) = next {
            self.calendar.push(SimTime::from_ps(at), STATION | station);
        }
        let Some(item) = done.filter(|i| i.token != NONE) else { return };
        let wait = now - item.entered - item.service;
        self.stations[station as usize].counts.wait.add(wait);
        self.book(item.token, item.group, wait, item.service);
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
                    let (service, stated) = self.demand(demand, token);
                    self.serve(token, *group, station, service, stated, *level);
                    return;
                }
                Op::Other(step) => step,
            };
            match *step {
                // At other stations it is an operation of its own, above.
                Step::Serve { group, pick, demand, level } => {
                    self.line_up(token, group, pick, demand, level);
                    return;
                }
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
                Step::Ask(question) => place.step += self.model.ask(question, place, self.now),
                Step::Skip(steps) => place.step += steps,
                Step::Back(steps) => place.step = at - steps,
                Step::Charge { group, pick, demand } => self.charge(token, group, pick, demand),
                Step::Delay { group, demand } => {
                    if self.delay(token, group, demand) {
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
                    let place = self.slab.take();
                    self.slab.tokens[place as usize] = copy;
                    self.advance_another(ops, place);
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

    /// The service that a step asks for, and its mean as stated, in ps.
    #[inline(always)]
    fn demand(&mut self, demand: &Ready, token: u32) -> (u64, u64) {
        let token = &self.slab.tokens[token as usize];
        match *demand {
            Ready::Fixed(ps) => (ps, ps),
            Ready::Exponential { mean_ps, stated, purpose } => {
                (exponential(&mut token.key.draws(purpose), mean_ps).ps(), stated)
            }
            Ready::Listed(number) => match &self.network.demands[number as usize] {
                Demand::Drawn(law, purpose) => (law.sample(token.key, *purpose).ps(), law.mean().ps()),
                Demand::Asked(number) => {
                    let service = self.model.service(*number, token).ps();
                    (service, service)
                }
            },
        }
    }

    /// The token is in the hands of a station until the next event that concerns it.
    #[inline(always)]
    fn enter(&mut self, token: u32, station: u32) -> &mut Station {
        self.slab.tokens[token as usize].link = station;
        let place = &mut self.stations[station as usize];
        place.by_events = place.by_events.wrapping_sub(self.now.ps());
        place
    }

    #[inline(always)]
    fn serve(&mut self, token: u32, group: u16, station: u32, service: u64, stated: u64, level: u8) {
        let now = self.now.ps();
        let place = self.enter(token, station);
        place.counts.arrivals += 1;
        place.counts.booked += service;
        place.counts.stated += stated;
        if let Some((start, end)) = place.commit(now, service) {
            place.counts.wait.add(start - now);
            self.book(token, group, start - now, service);
            self.calendar.push(SimTime::from_ps(end), token);
        } else {
            self.queue(station, Item { token, group, level, entered: now, service, remaining: service });
        }
    }

    /// Puts an item into an explicit queue.
    #[inline(never)]
    fn queue(&mut self, station: u32, item: Item) {
        let now = self.now.ps();
        if let Some(at) = self.stations[station as usize].arrive(now, item) {
            self.calendar.push(SimTime::from_ps(at), STATION | station);
        }
    }

    /// Puts a token into a queue whose next item is chosen.
    #[inline(never)]
    fn line_up(&mut self, token: u32, group: GroupId, pick: Pick, demand: u32, level: u8) {
        let station = self.network.groups[group.index()].first + self.member(pick, token);
        let entered = self.now.ps();
        let place = self.enter(token, station);
        place.counts.arrivals += 1;
        let Some(chosen) = place.chosen() else { return };
        chosen.arrive(Waiting { token, group: group.0, level, demand, entered });
        if chosen.serving.is_none() {
            self.begin_next(station);
        }
    }

    /// Begins to serve whatever the model chooses of those who wait, if anyone does.
    fn begin_next(&mut self, station: u32) {
        let (now, tokens, model) = (self.now, &self.slab.tokens, &mut self.model);
        let demands = &self.network.demands;
        let place = &mut self.stations[station as usize];
        let Some(chosen) = place.chosen() else { return };
        let next = chosen.take(|waiting| match demands[waiting.demand as usize] {
            Demand::Asked(number) => model.rank(number, &tokens[waiting.token as usize], now),
            Demand::Drawn(..) => 0,
        });
        let Some(waiting) = next else { return };
        let token = &tokens[waiting.token as usize];
        let (service, stated) = match &demands[waiting.demand as usize] {
            Demand::Drawn(law, purpose) => (law.sample(token.key, *purpose).ps(), law.mean().ps()),
            Demand::Asked(number) => {
                let service = model.begin(*number, token, now).ps();
                (service, service)
            }
        };
        let end = chosen.begin(now.ps(), waiting, service);
        place.counts.booked += service;
        place.counts.stated += stated;
        self.calendar.push(SimTime::from_ps(end), STATION | station);
    }

    /// A service at a station that chooses is over: the next one begins, and the token goes on.
    fn chosen_is_done(&mut self, ops: &[Op], station: u32) {
        let done = self.stations[station as usize].chosen().and_then(|chosen| chosen.serving.take());
        let Some(item) = done else { return };
        self.begin_next(station);
        let wait = self.now.ps() - item.entered - item.service;
        self.stations[station as usize].counts.wait.add(wait);
        self.book(item.token, item.group, wait, item.service);
        self.resume(ops, item.token);
    }

    #[inline(never)]
    fn charge(&mut self, token: u32, group: GroupId, pick: Pick, demand: u32) {
        let station = self.network.groups[group.index()].first + self.member(pick, token);
        let (service, stated) = self.demand(&Ready::Listed(demand), token);
        let now = self.now.ps();
        self.charged[station as usize] += service;
        let place = &mut self.stations[station as usize];
        place.counts.booked += service;
        place.counts.stated += stated;
        if place.commit(now, service).is_none() {
            let nobody = NONE;
            let remaining = service;
            self.queue(
                station,
                Item { token: nobody, group: group.0, level: 0, entered: now, service, remaining },
            );
        }
    }

    /// Starts a delay; false if it is no time at all.
    #[inline(never)]
    fn delay(&mut self, token: u32, group: GroupId, demand: u32) -> bool {
        let (service, _) = self.demand(&Ready::Listed(demand), token);
        if service == 0 {
            return false;
        }
        let station = self.network.groups[group.index()].first;
        self.enter(token, station).counts.booked += service;
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

    fn quantity(&mut self, token: u32, quantity: Quantity) -> u64 {
        let token = &self.slab.tokens[token as usize];
        match quantity {
            Quantity::One => 1,
            Quantity::Amount => u64::from(token.amount),
            Quantity::Asked(question) => self.model.quantity(question, token),
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
            let fragment = self.slab.take();
            let place = &mut self.slab.tokens[fragment as usize];
            place.key = key;
            place.born = parent.born;
            place.body = part.body;
            place.amount = part.amount;
            place.members = part.members;
            place.step = route.0;
            place.parent = token;
            place.link = NONE;
            place.pending = 0;
            place.class = parent.class;
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
