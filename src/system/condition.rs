//! The conditions in force: what has gone wrong by now, and what that changes of a request's way.
//!
//! Standing faults are in force from the start of the warm-up. Dated ones begin and end at instants counted
//! from its end: the study stops the engine there, tells the path, and goes on, so that at one instant dated
//! changes come first, then arrivals, then departures. Faults of one kind that overlap on one thing multiply.
//!
//! A change holds for what begins after it. Work that a station has accepted keeps the time it was promised;
//! a request keeps the port it came in by, and a drive read or write that is on its way when its drive is lost
//! is still done. When a loss is over, the drive is there again with its content.

use std::sync::Arc;

use crate::engine::{Purpose, SimDuration, SimTime};
use crate::scenario::{Fault, FaultKind, Rebuilding};
use crate::traffic::Request;

use super::body::{DRIVE, StorageToken};
use super::demand::Ask;
use super::drive::DriveLink;

const ANOTHER_PORT: Purpose = Purpose::named("another port");

/// Drives that are lost, and what of them is restored.
#[derive(Clone, Debug, Default)]
pub(super) struct Losses {
    lost: Vec<u32>,
    /// The drive whose content is being restored, and the share that is.
    pub restored: Option<(u32, f64)>,
}

impl Losses {
    /// The losses of faults that are in force together.
    pub fn of<'f>(faults: impl Iterator<Item = &'f Fault>) -> Self {
        let mut losses = Losses::default();
        for fault in faults {
            losses.lost.extend(fault.lost_drive());
            let restored = fault.rebuilding().map(|rebuilding| (rebuilding.drive, rebuilding.progress));
            losses.restored = losses.restored.or(restored);
        }
        losses
    }

    /// Whether a drive is lost.
    #[inline]
    pub fn contains(&self, drive: &u32) -> bool {
        self.lost.contains(drive)
    }

    /// How many are.
    pub fn len(&self) -> usize {
        self.lost.len()
    }
}

/// The conditions of one replication, moved on from date to date.
#[derive(Debug)]
pub(super) struct Conditions {
    faults: Arc<[Fault]>,
    ports: u32,
    /// The end of the warm-up, from which dates count; before it is known none comes.
    origin: Option<SimTime>,
    /// Instants of change still to come, the next one last.
    to_come: Vec<SimTime>,
    in_force: Vec<bool>,
    /// No demand is other than as built.
    as_built: bool,
    /// Ports that take requests, if not all do.
    ports_up: Vec<u32>,
    /// Uplink and the factor on its times; drive and that on its link's; drive and that on its own.
    uplinks: Vec<(u32, f64)>,
    links: Vec<(u32, f64)>,
    slow: Vec<(u32, f64)>,
    /// When the cache was last emptied.
    cold_since: Option<SimTime>,
    /// The controller that is lost, and when the other one takes its requests.
    lost_controller: Option<(u32, SimTime)>,
    /// Whose ports are whose, and how long a failover takes.
    controllers: ControllerPorts,
}

/// What the loss of a controller means for requests.
#[derive(Clone, Copy, Debug)]
pub(super) struct ControllerPorts {
    /// Controllers that take requests.
    pub active: u32,
    /// How long the requests of a lost one stall.
    pub failover: SimDuration,
}

impl Conditions {
    /// The standing conditions; dates are to be told by [`Conditions::date_from`].
    pub fn standing(faults: Arc<[Fault]>, ports: u32, controllers: ControllerPorts) -> Self {
        let mut conditions = Conditions {
            ports,
            origin: None,
            to_come: Vec::new(),
            in_force: faults.iter().map(Fault::is_standing).collect(),
            as_built: true,
            ports_up: Vec::new(),
            uplinks: Vec::new(),
            links: Vec::new(),
            slow: Vec::new(),
            cold_since: None,
            lost_controller: None,
            controllers,
            faults,
        };
        conditions.settle();
        conditions
    }

    /// Dates count from this instant, which is still to come.
    pub fn date_from(&mut self, origin: SimTime) {
        self.to_come.clear();
        for fault in self.faults.iter().filter(|fault| !fault.is_standing()) {
            self.to_come.push(origin + fault.at);
            self.to_come.extend(fault.end().map(|end| origin + end));
        }
        self.to_come.sort_unstable_by(|a, b| b.cmp(a));
        self.to_come.dedup();
        self.origin = Some(origin);
    }

    /// The next instant of change.
    pub fn next_change(&self) -> SimTime {
        self.to_come.last().copied().unwrap_or(SimTime::NEVER)
    }

    /// What is in force from `now` on.
    pub fn change_to(&mut self, now: SimTime) {
        let Some(origin) = self.origin else { return };
        while self.to_come.last().is_some_and(|at| *at <= now) {
            self.to_come.pop();
        }
        let at = now.since(origin);
        for (fault, in_force) in self.faults.iter().zip(&mut self.in_force) {
            let was_in_force = *in_force;
            *in_force = fault.is_standing() || fault.is_in_force(at);
            let begins = *in_force && !was_in_force;
            match fault.kind {
                FaultKind::CacheCold if begins => self.cold_since = Some(now),
                FaultKind::ControllerLost { controller } if begins => {
                    let taken = now + self.controllers.failover;
                    self.lost_controller = Some((controller, taken));
                    // What the other one has not read itself it has to read anew.
                    self.cold_since = Some(taken);
                }
                FaultKind::ControllerLost { .. } if was_in_force && !*in_force => self.lost_controller = None,
                _ => {}
            }
        }
        self.settle();
    }

    fn now(&self) -> impl Iterator<Item = (usize, &Fault)> {
        self.faults.iter().enumerate().filter(|(number, _)| self.in_force[*number])
    }

    /// Gathers what the faults in force come to.
    fn settle(&mut self) {
        let (mut down, mut uplinks, mut links, mut slow) = (Vec::new(), Vec::new(), Vec::new(), Vec::new());
        for (_, fault) in self.now() {
            match fault.kind {
                FaultKind::PortDown { port } => down.push(port),
                FaultKind::UplinkNarrowed { uplink, left } => multiply(&mut uplinks, uplink, 1.0 / left),
                FaultKind::DriveLinkNarrowed { drive, left } => multiply(&mut links, drive, 1.0 / left),
                FaultKind::DriveSlow { drive, factor } => multiply(&mut slow, drive, factor),
                FaultKind::ControllerLost { controller } if self.controllers.active > 1 => {
                    let each = self.ports / self.controllers.active;
                    down.extend(controller * each..(controller + 1) * each);
                }
                FaultKind::DriveLost { .. }
                | FaultKind::Rebuilding(_)
                | FaultKind::CacheCold
                | FaultKind::ControllerLost { .. } => {}
            }
        }
        self.ports_up = match down.is_empty() {
            true => Vec::new(),
            false => (0..self.ports).filter(|port| !down.contains(port)).collect(),
        };
        self.as_built = uplinks.is_empty() && links.is_empty() && slow.is_empty();
        (self.uplinks, self.links, self.slow) = (uplinks, links, slow);
    }

    /// The drives that are lost now.
    pub fn losses(&self) -> Losses {
        Losses::of(self.now().map(|(_, fault)| fault))
    }

    /// The rebuild that runs now, with the number of its fault.
    pub fn rebuilding(&self) -> Option<(usize, Rebuilding)> {
        self.now().find_map(|(number, fault)| Some((number, *fault.rebuilding()?)))
    }

    /// The port of a request that was dealt `port`. A machine whose port is down is dealt over the others in
    /// turn, and goes back when it is up again; a request that draws one draws again.
    #[inline]
    pub fn port(&self, port: u32, request: &Request, per_machine: bool) -> u32 {
        if self.ports_up.is_empty() || self.ports_up.contains(&port) {
            return port;
        }
        let up = self.ports_up.len() as u64;
        let nth = match per_machine {
            true => u64::from(request.machine / self.ports) % up,
            false => request.key.draws(ANOTHER_PORT).below(up),
        };
        self.ports_up[nth as usize]
    }

    /// The controller that does the work of one that owns it.
    #[inline]
    pub fn at_work(&self, owner: u32) -> u32 {
        match self.lost_controller {
            Some((lost, _)) if lost == owner && self.controllers.active > 1 => 1 - owner,
            _ => owner,
        }
    }

    /// Whether a controller is lost.
    #[inline]
    pub fn has_lost_controller(&self) -> bool {
        self.lost_controller.is_some()
    }

    /// How long a request that was due at `born` waits for the other controller to take the place of its owner.
    pub fn stall(&self, owner: u32, born: SimTime) -> SimDuration {
        match self.lost_controller {
            Some((lost, taken)) if lost == owner && taken > born => taken.since(born),
            _ => SimDuration::ZERO,
        }
    }

    /// Whether every demand is as built.
    #[inline]
    pub fn are_as_built(&self) -> bool {
        self.as_built
    }

    /// A demand that takes `span` as built, under the conditions.
    pub fn stretched(
        &self,
        (ask, uplink): (Ask, u32),
        link: Option<&DriveLink>,
        token: &StorageToken,
        span: SimDuration,
    ) -> SimDuration {
        let drive = token.members[DRIVE];
        match ask {
            Ask::UplinkSubmission | Ask::UplinkWrite | Ask::UplinkRead | Ask::UplinkCompletion => {
                times(span, factor(&self.uplinks, uplink))
            }
            Ask::DriveSubmission | Ask::DriveWrite | Ask::DriveRead | Ask::DriveCompletion => {
                let narrowed = factor(&self.links, drive);
                // A drive's own ceiling on its link is not narrowed with it.
                let bytes = u64::from(token.amount);
                link.filter(|_| narrowed > 1.0).map_or(span, |link| link.time_narrowed(ask, bytes, narrowed))
            }
            Ask::Program | Ask::Sense | Ask::Command | Ask::Service | Ask::ArmRead | Ask::ArmWrite => {
                times(span, factor(&self.slow, drive))
            }
            _ => span,
        }
    }

    /// Time since the cache was emptied, for a request that came at `born`: the microseconds until it looks
    /// are nothing to a cache. `None` if it never was, or only later.
    #[inline]
    pub fn since_cold(&self, born: SimTime) -> Option<SimDuration> {
        self.cold_since.filter(|since| *since <= born).map(|since| born.since(since))
    }
}

/// Multiplies the factor of a thing.
fn multiply(factors: &mut Vec<(u32, f64)>, thing: u32, by: f64) {
    match factors.iter_mut().find(|(other, _)| *other == thing) {
        Some((_, factor)) => *factor *= by,
        None => factors.push((thing, by)),
    }
}

fn factor(factors: &[(u32, f64)], thing: u32) -> f64 {
    factors.iter().find(|(other, _)| *other == thing).map_or(1.0, |(_, factor)| *factor)
}

fn times(span: SimDuration, factor: f64) -> SimDuration {
    if factor == 1.0 { span } else { SimDuration::from_ps_f64(span.ps() as f64 * factor) }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::engine::Key;
    use crate::scenario::Operation;

    const ONE: ControllerPorts = ControllerPorts { active: 1, failover: SimDuration::ZERO };

    fn seconds(s: u64) -> SimDuration {
        SimDuration::from_us(s * 1_000_000)
    }

    fn fault(at: u64, lasts: Option<u64>, kind: FaultKind) -> Fault {
        Fault {
            name: format!("{kind:?} at {at}"),
            at: seconds(at),
            lasts: lasts.map(seconds),
            kind,
            is_second: false,
        }
    }

    fn request(machine: u32) -> Request {
        Request {
            key: Key::root(1).numbered(u64::from(machine)),
            class: 0,
            machine,
            source: 0,
            operation: Operation::Read,
            sequential: false,
            address: 0,
            bytes: 4096,
        }
    }

    #[test]
    fn a_dated_fault_is_in_force_from_its_start_to_before_its_end() {
        let faults = [
            fault(0, None, FaultKind::DriveLost { drive: 1 }),
            fault(3, Some(4), FaultKind::DriveLost { drive: 2 }),
        ];
        let origin = SimTime::ZERO + seconds(10);
        let mut conditions = Conditions::standing(Arc::from(faults), 1, ONE);
        assert_eq!(conditions.next_change(), SimTime::NEVER, "dates are not known yet");
        conditions.date_from(origin);
        let mut seen = Vec::new();
        while conditions.next_change() < SimTime::NEVER {
            let at = conditions.next_change();
            conditions.change_to(at);
            seen.push((at.since(origin), conditions.losses().len()));
            assert!(conditions.losses().contains(&1), "the standing one stays");
        }
        assert_eq!(seen, [(seconds(3), 2), (seconds(7), 1)]);
    }

    #[test]
    fn machines_of_a_port_that_is_down_are_dealt_over_the_others_alike() {
        let conditions =
            Conditions::standing(Arc::from([fault(0, None, FaultKind::PortDown { port: 1 })]), 4, ONE);
        for per_machine in [true, false] {
            let mut counts = [0; 4];
            for machine in 0..12_000 {
                let dealt = machine % 4;
                let port = conditions.port(dealt, &request(machine), per_machine);
                assert!(dealt == 1 || port == dealt, "others stay where they are");
                counts[port as usize] += 1;
            }
            assert_eq!(counts[1], 0);
            let is_fair = |count: &i32| (count - 4_000).abs() < if per_machine { 1 } else { 160 };
            assert!([0, 2, 3].map(|port| counts[port]).iter().all(is_fair), "{counts:?}");
        }
    }

    #[test]
    fn faults_that_overlap_on_one_drive_multiply() {
        let slow = |factor| fault(0, None, FaultKind::DriveSlow { drive: 3, factor });
        let conditions = Conditions::standing(Arc::from([slow(2.0), slow(1.5)]), 1, ONE);
        let mut token = StorageToken::default();
        let span = SimDuration::from_us(10);
        let of = |token: &StorageToken| conditions.stretched((Ask::Service, 0), None, token, span);
        assert_eq!(of(&token), span);
        token.members[DRIVE] = 3;
        assert_eq!(of(&token), SimDuration::from_us(30));
        assert!(!conditions.are_as_built());
    }

    #[test]
    fn a_cache_is_cold_since_it_was_last_emptied() {
        let faults = [fault(1, Some(1), FaultKind::CacheCold), fault(5, None, FaultKind::CacheCold)];
        let mut conditions = Conditions::standing(Arc::from(faults), 1, ONE);
        conditions.date_from(SimTime::ZERO);
        let mut since = |at: u64| {
            conditions.change_to(SimTime::ZERO + seconds(at));
            conditions.since_cold(SimTime::ZERO + seconds(at))
        };
        assert_eq!(since(0), None);
        assert_eq!(since(1), Some(SimDuration::ZERO));
        assert_eq!(since(2), Some(seconds(1)), "it warms on when it is no longer called cold");
        assert_eq!(since(5), Some(SimDuration::ZERO));
        assert_eq!(since(9), Some(seconds(4)));
    }
}
