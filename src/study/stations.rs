//! What the stations did while the window was open, folded over replications.

use crate::engine::{Group, Observation};
use crate::outcome::{MemberRow, StationRow};

use super::replication::Replication;

/// A group's window, summed over replications.
pub(super) struct Usage<'a> {
    pub group: &'a Group,
    members: Vec<MemberUse>,
    seconds: f64,
}

/// One member's window, summed over replications.
#[derive(Clone, Copy, Debug, Default)]
struct MemberUse {
    arrivals: u64,
    busy_ps: f64,
    booked_ps: f64,
    wait_ps: f64,
}

/// Work promised and not yet done at the edges of the window, and done within it, ps.
pub(super) struct Work {
    pub busy: f64,
    pub at_edges: f64,
}

impl<'a> Usage<'a> {
    /// The usage of every group with servers.
    pub fn all(groups: &'a [Group], replications: &[Replication]) -> Vec<Usage<'a>> {
        let windows: Vec<_> = replications.iter().filter_map(window).collect();
        groups.iter().filter(|g| g.members > 0).map(|g| Usage::of(g, &windows)).collect()
    }

    fn of(group: &'a Group, windows: &[(&Observation, &Observation)]) -> Self {
        let mut members = vec![MemberUse::default(); group.members as usize];
        let mut seconds = 0.0;
        for (opened, closed) in windows {
            seconds += closed.at.since(opened.at).secs();
            for (member, station) in members.iter_mut().zip(group.stations()) {
                member.add(opened, closed, station);
            }
        }
        Usage { group, members, seconds }
    }

    /// Mean utilisation over the members, 0 to 1.
    pub fn utilisation(&self) -> f64 {
        let busy: f64 = self.members.iter().map(|m| m.busy_ps).sum();
        self.share(busy) / f64::from(self.group.members)
    }

    /// (number, utilisation) of the member with the highest.
    pub fn busiest(&self) -> (usize, f64) {
        let all = self.members.iter().map(|m| self.share(m.busy_ps)).enumerate();
        all.fold((0, 0.0), |best, member| if member.1 > best.1 { member } else { best })
    }

    fn share(&self, busy_ps: f64) -> f64 {
        if self.seconds > 0.0 { busy_ps / 1e12 / self.seconds / f64::from(self.group.servers) } else { 0.0 }
    }

    /// The row of the answer.
    pub fn row(&self, detail: bool) -> StationRow {
        let sum = |of: fn(&MemberUse) -> f64| self.members.iter().map(of).sum::<f64>();
        let arrivals = sum(|m| m.arrivals as f64);
        let wait_ps = sum(|m| m.wait_ps);
        let (busiest, _) = self.busiest();
        StationRow {
            name: self.group.name.clone(),
            members: self.group.members,
            servers: self.group.servers,
            utilisation: self.utilisation(),
            mean_queue: ratio(wait_ps / 1e12, self.seconds),
            mean_wait_us: ratio(wait_ps / 1e6, arrivals),
            mean_service_us: ratio(sum(|m| m.booked_ps) / 1e6, arrivals),
            arrivals_per_s: ratio(arrivals, self.seconds),
            busiest: (self.group.members > 1).then(|| self.member(busiest)),
            detail: if detail {
                (0..self.members.len()).map(|n| self.member(n)).collect()
            } else {
                Vec::new()
            },
        }
    }

    fn member(&self, number: usize) -> MemberRow {
        let member = &self.members[number];
        MemberRow {
            name: self.group.member_name(number as u32),
            utilisation: self.share(member.busy_ps),
            mean_wait_us: ratio(member.wait_ps / 1e6, member.arrivals as f64),
            arrivals_per_s: ratio(member.arrivals as f64, self.seconds),
        }
    }
}

impl MemberUse {
    fn add(&mut self, opened: &Observation, closed: &Observation, station: usize) {
        let (before, after) = (&opened.stations[station], &closed.stations[station]);
        let booked = after.booked - before.booked;
        self.arrivals += after.arrivals - before.arrivals;
        self.booked_ps += booked as f64;
        self.busy_ps += booked as f64 + opened.residual[station] as f64 - closed.residual[station] as f64;
        self.wait_ps += (after.wait.get() - before.wait.get()) as f64;
    }
}

/// The group's work over all replications.
pub(super) fn work(group: &Group, replications: &[Replication]) -> Work {
    let mut work = Work { busy: 0.0, at_edges: 0.0 };
    for (opened, closed) in replications.iter().filter_map(window) {
        for station in group.stations() {
            let booked = closed.stations[station].booked - opened.stations[station].booked;
            let (before, after) = (opened.residual[station] as f64, closed.residual[station] as f64);
            work.busy += booked as f64 + before - after;
            work.at_edges += before + after;
        }
    }
    work
}

/// What was seen at the two edges of a replication's window.
pub(super) fn window(replication: &Replication) -> Option<(&Observation, &Observation)> {
    replication.opened.as_ref().zip(replication.closed.as_ref())
}

/// `a / b`, or 0 where there is nothing to divide by.
pub(super) fn ratio(a: f64, b: f64) -> f64 {
    if b > 0.0 { a / b } else { 0.0 }
}
