//! What a kernel has counted, for utilisation, waits and the audit of Little's law.

use super::kernel::{Kernel, STATION};
use super::model::Model;
use super::station::{Counts, Server};
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
    /// By step: tokens served by it.
    pub visits: Vec<u64>,
    /// By step: service booked by it, ps.
    pub booked: Vec<u64>,
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
            visits: self.tallies.iter().map(|t| t.visits).collect(),
            booked: self.tallies.iter().map(|t| t.booked).collect(),
            in_system: self.in_system,
            arrived: self.arrived,
            finished: self.finished,
        }
    }

    /// Little's law by group, from the start to now, in ps·tokens modulo 2^64: the time that tokens
    /// were promised in the group, and the integral of their number as events moved them in and out.
    /// The two are measured apart and must be equal.
    pub fn sojourns(&self) -> Vec<(u64, u64)> {
        let mut out: Vec<(u64, u64)> = self.sojourns.iter().map(|s| (s.promised, s.by_events)).collect();
        // Tokens in committed service have come by events but not left: let them leave when they will.
        for (at, id) in self.calendar.pending() {
            if id & STATION == 0 {
                let group = self.slab.tokens[id as usize].link;
                if let Some(sojourn) = out.get_mut(group as usize) {
                    sojourn.1 = sojourn.1.wrapping_add(at.ps());
                }
            }
        }
        for (group, sojourn) in self.network.groups.iter().zip(&mut out) {
            let members = group.first as usize..(group.first + group.members) as usize;
            for station in &self.stations[members] {
                let counts = station.counts;
                sojourn.0 =
                    sojourn.0.wrapping_add(counts.wait as u64).wrapping_add(counts.booked - counts.charged);
                if let Server::Turns(turns) = &station.server {
                    // Their wait is not known yet: count them up to now, and no service beyond.
                    for item in turns.items().filter(|i| i.token != NONE) {
                        let so_far = self.now.ps() - item.entered;
                        sojourn.0 = sojourn.0.wrapping_add(so_far).wrapping_sub(item.service);
                        sojourn.1 = sojourn.1.wrapping_add(self.now.ps());
                    }
                }
            }
        }
        out
    }
}
