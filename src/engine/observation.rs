//! What a kernel has counted, for utilisation, waits and the audit of Little's law.

use super::kernel::{Kernel, STATION};
use super::model::Model;
use super::station::Counts;
use super::time::SimTime;
use super::token::NONE;

/// What a kernel has counted up to an instant; the difference of two is a window.
#[derive(Clone, Debug)]
pub struct Observation {
    /// When.
    pub at: SimTime,
    /// By station: what came and was promised.
    pub stations: Vec<Counts>,
    /// By station: work promised but not done, ps of server time.
    pub residual: Vec<u64>,
    /// Requests in the system.
    pub in_system: u64,
    /// Requests that have arrived.
    pub arrived: u64,
    /// Requests that have finished.
    pub finished: u64,
}

impl<M: Model> Kernel<M> {
    /// What has been counted so far.
    pub fn observe(&self) -> Observation {
        Observation {
            at: self.now,
            stations: self.stations.iter().map(|s| s.counts).collect(),
            residual: self.stations.iter().map(|s| s.residual(self.now)).collect(),
            in_system: self.in_system,
            arrived: self.arrived,
            finished: self.finished,
        }
    }

    /// What the gates of a group, by its place, have given and not got back.
    pub fn held(&self, group: usize) -> u64 {
        let gates = self.gates.iter().zip(&self.network.gate_groups);
        gates.filter(|(_, of)| usize::from(**of) == group).map(|(gate, _)| gate.held()).sum()
    }

    /// Little's law by group, from the start to now, in ps·tokens modulo 2^64: the time that tokens
    /// were promised in the group, and the integral of their number as events moved them in and out.
    /// The two are measured apart and must be equal.
    pub fn sojourns(&self) -> Vec<(u64, u64)> {
        let mut by_events: Vec<u64> = self.stations.iter().map(|s| s.by_events).collect();
        // Tokens in committed service have come by events but not left: let them leave when they will.
        for (at, id) in self.calendar.pending().filter(|(_, id)| id & STATION == 0) {
            if let Some(sum) = by_events.get_mut(self.slab.tokens[id as usize].link as usize) {
                *sum = sum.wrapping_add(at.ps());
            }
        }
        let mut out = Vec::with_capacity(self.network.groups.len());
        for group in &self.network.groups {
            let (mut promised, mut events) = (0u64, 0u64);
            let members = group.first as usize..(group.first + group.members.max(1)) as usize;
            for number in members {
                let station = &self.stations[number];
                let spent = station.counts.booked - self.charged[number];
                promised = promised.wrapping_add(station.counts.wait.get() as u64).wrapping_add(spent);
                events = events.wrapping_add(by_events[number]);
                if let Some(queue) = station.more.as_deref() {
                    // Their wait is not known yet: count them up to now, and no service beyond.
                    for item in queue.items().filter(|i| i.token != NONE) {
                        let so_far = self.now.ps() - item.entered;
                        promised = promised.wrapping_add(so_far).wrapping_sub(item.service);
                        events = events.wrapping_add(self.now.ps());
                    }
                }
            }
            out.push((promised, events));
        }
        out
    }
}
