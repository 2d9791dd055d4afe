//! Three small networks on the engine's public interface, built at run time: for the bench and for
//! the tests that hold the engine to known sojourn times.
//!
//! - N1: M/M/1, 0.8 arrivals per us, mean service 1 us.
//! - N2: Poisson arrivals, 0.7 per us; port (1 server, 1 us fixed), processor (16 servers,
//!   exponential, mean 16 us), link (1 us fixed), one of 24 drives at random (exponential, mean
//!   24 us), return port (1 us fixed). All first come, first served; all 70 % busy.
//! - N3: as N2, but at the drives it forks to 6 distinct ones of the 24 (mean 4 us each) and goes on
//!   when the last is done.

use std::sync::Arc;

use forebay::engine::*;
use forebay::measure::{BlameTable, Latencies};

const GAP: Purpose = Purpose::named("gap");
const DRIVES: Purpose = Purpose::named("drives");

/// Requests from one Poisson source along one route; latencies and blame are recorded.
pub struct Stream {
    root: Key,
    gap: Law,
    route: Route,
    arrived: u64,
    asked: u64,
    skip: u64,
    finished: u64,
    order: [u8; 24],
    /// Latencies after the first tenth.
    pub latencies: Latencies,
    /// Where the time went.
    pub blame: BlameTable,
}

impl Model for Stream {
    type Body = [u64; 2];

    fn arrive(&mut self, _source: u32, now: SimTime) -> Arrival<[u64; 2]> {
        let key = self.root.numbered(self.arrived);
        self.arrived += 1;
        let next = (self.arrived < self.asked).then(|| now + self.gap.sample(key, GAP));
        Arrival { key, class: 0, route: self.route, amount: 1, members: [0; 3], body: [0; 2], next }
    }

    fn fork(&mut self, _question: u32, token: &Token<[u64; 2]>, parts: &mut Vec<Part<[u64; 2]>>) {
        let mut draws = token.key.draws(DRIVES);
        for i in 0..6 {
            let j = i + draws.below(24 - i as u64) as usize;
            self.order.swap(i, j);
            parts.push(Part { amount: 1, members: [u32::from(self.order[i]), 0, 0], body: [0; 2] });
        }
    }

    fn finish(&mut self, token: &Token<[u64; 2]>, row: &[Cell], now: SimTime) -> Option<(u32, SimTime)> {
        self.finished += 1;
        if self.finished > self.skip {
            let latency = now.since(token.born).ps();
            self.latencies.record(latency);
            self.blame.add(latency, row);
        }
        None
    }
}

/// The network of that name ("n1", "n2", "n3"), ready to serve `requests`.
pub fn kernel(name: &str, requests: u64, seed: u64) -> Kernel<Stream> {
    let mut network = Network::new();
    let us = SimDuration::from_us;
    let drawn = |network: &mut Network, law: Law, what: &str| {
        network.demand(Demand::Drawn(law, Purpose::named(what)))
    };
    let route = if name == "n1" {
        let server = network.group("server", "server", 1, 1, Discipline::Committed);
        let demand = drawn(&mut network, Law::exponential(us(1)), "service");
        network.route(&[Step::Serve { group: server, pick: Pick::Fixed(0), demand, level: 0 }, Step::End])
    } else {
        let port = network.group("port", "port", 1, 1, Discipline::Committed);
        let cpu = network.group("cpu", "core", 1, 16, Discipline::Committed);
        let link = network.group("link", "link", 1, 1, Discipline::Committed);
        let drives = network.group("drives", "drive", 24, 1, Discipline::Committed);
        let back = network.group("back", "port", 1, 1, Discipline::Committed);
        let fixed = drawn(&mut network, Law::fixed(us(1)), "fixed");
        let cpu_time = drawn(&mut network, Law::exponential(us(16)), "cpu");
        let drive_mean = us(if name == "n2" { 24 } else { 4 });
        let drive_time = drawn(&mut network, Law::exponential(drive_mean), "drive");
        let serve = |group, demand| Step::Serve { group, pick: Pick::Fixed(0), demand, level: 0 };
        let drive = Step::Serve { group: drives, pick: Pick::Member(0), demand: drive_time, level: 0 };
        let at_drives = if name == "n2" {
            let purpose = network.purpose("which drive");
            vec![Step::Choose { slot: 0, count: 24, purpose }, drive]
        } else {
            let fragment = network.route(&[drive, Step::Join]);
            vec![Step::Fork { question: 0, route: fragment }]
        };
        let mut steps = vec![serve(port, fixed), serve(cpu, cpu_time), serve(link, fixed)];
        steps.extend(at_drives);
        steps.extend([serve(back, fixed), Step::End]);
        network.route(&steps)
    };
    let gap_ns = if name == "n1" { 1_250_000.0 } else { 1e6 / 0.7 };
    let groups = network.groups().len();
    let model = Stream {
        root: Key::root(seed).named(name),
        gap: Law::exponential(SimDuration::from_ps_f64(gap_ns)),
        route,
        arrived: 0,
        asked: requests,
        skip: requests / 10,
        finished: 0,
        order: std::array::from_fn(|i| i as u8),
        latencies: Latencies::new(),
        blame: BlameTable::new(groups),
    };
    Kernel::new(Arc::new(network), model, &[(0, SimTime::ZERO)], u64::MAX)
}
