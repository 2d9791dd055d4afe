//! The path of one replication: what the engine asks while it runs, and the bytes that were cut.

use std::sync::Arc;

use crate::engine::{Arrival, Key, Part, Purpose, SimDuration, SimTime};
use crate::scenario::Operation;
use crate::traffic::Request;

use super::body::{BACKGROUND, Body, DRIVE, Members, PORT, StorageToken, UNIT};
use super::condition::Conditions;
use super::demand::{Ask, question};
use super::drive::Flash;
use super::plan::Plan;
use super::protected::Protected;

const UNIT_DRAW: Purpose = Purpose::named("unit");

/// The answers that a plan gives while it runs, and the bytes it has seen (one per replication).
pub struct Path {
    plan: Arc<Plan>,
    /// Bytes that requests asked of the drives, by operation.
    pub cut: [u64; 2],
    /// Bytes of the fragments made of them, by what the drives do: with protection, more.
    pub fragments: [u64; 2],
    /// What protection has done.
    pub protected: Protected,
    flash: Flash,
    conditions: Conditions,
    /// Background work that begins with the conditions: its sources and their first times.
    begins: Vec<(u32, SimTime)>,
}

impl Path {
    /// The path of one replication, whose own draws come from `key`.
    pub fn new(plan: Arc<Plan>, key: Key) -> Self {
        let flash = Flash::new(plan.drives, plan.drive.as_ref());
        let mut protected = plan.protected(key);
        let conditions = plan.conditions();
        let begins = protected.suffer(&conditions, SimTime::ZERO);
        Path { plan, cut: [0; 2], fragments: [0; 2], protected, flash, conditions, begins }
    }

    /// Sources of background work and when each has its first arrival.
    pub fn start(&mut self) -> Vec<(u32, SimTime)> {
        std::mem::take(&mut self.begins)
    }

    /// Dates count from this instant, the end of the warm-up.
    pub fn date_from(&mut self, origin: SimTime) {
        self.conditions.date_from(origin);
    }

    /// When the conditions change next; `NEVER` if they do not.
    pub fn next_change(&self) -> SimTime {
        self.conditions.next_change()
    }

    /// The conditions of this instant from now on. Background work that begins with them, as for
    /// [`Path::start`]; of what has ended, sources are to be dropped (see [`Path::goes_on`]).
    pub fn change_to(&mut self, now: SimTime) -> Vec<(u32, SimTime)> {
        self.conditions.change_to(now);
        self.protected.suffer(&self.conditions, now)
    }

    /// Whether a source still has arrivals under the present conditions.
    pub fn goes_on(&self, source: u32) -> bool {
        source & BACKGROUND == 0 || self.protected.goes_on(source)
    }

    /// The members a request starts with: its port.
    #[inline]
    pub fn members(&self, request: &Request) -> Members {
        let mut members = self.plan.members(request);
        members[PORT] = self.conditions.port(members[PORT], request, self.plan.is_per_machine());
        members
    }

    /// How full the write log is, 0 to 1; `None` without one.
    pub fn log_fill(&self) -> Option<f64> {
        None
    }

    /// The arrival of background work, if this is a source of it.
    pub fn arrive(&mut self, source: u32) -> Option<Arrival<Body>> {
        if source & BACKGROUND == 0 {
            return None;
        }
        self.protected.arrive(&self.plan, source)
    }

    /// Background work is done; when its source goes on.
    pub fn finished(&mut self, token: &StorageToken, now: SimTime) -> Option<(u32, SimTime)> {
        self.protected.finished(token.body.source, now)
    }

    /// The plan it follows.
    pub fn plan(&self) -> &Plan {
        &self.plan
    }

    /// The service of an asked demand.
    #[inline]
    pub fn service(&mut self, demand: u32, token: &StorageToken) -> SimDuration {
        let ask = Ask::numbered(demand);
        let span = match (ask, &self.plan.drive) {
            (Ask::Program, Some(drive)) => self.flash.program(drive, token.members[DRIVE]),
            (other, _) => self.plan.service(other, token),
        };
        if self.conditions.are_as_built() {
            return span;
        }
        let uplink = self.pick(question::UPLINK, token);
        self.conditions.stretched((ask, uplink), self.plan.drive.as_ref(), token, span)
    }

    /// The member of an asked pick.
    #[inline]
    pub fn pick(&self, asked: u16, token: &StorageToken) -> u32 {
        let plan = &*self.plan;
        let drive = token.members[DRIVE];
        match asked {
            question::UPLINK => plan.uplinks.as_ref().map_or(0, |u| drive % u.count),
            question::LINK_UP => plan.drive.as_ref().map_or(0, |d| d.link(drive, true)),
            question::LINK_DOWN => plan.drive.as_ref().map_or(0, |d| d.link(drive, false)),
            question::UNIT => plan.drive.as_ref().map_or(0, |d| drive * d.units + token.members[UNIT]),
            _ => token.body.machine(),
        }
    }

    /// How many steps a token leaves out.
    #[inline]
    pub fn ask(&mut self, asked: u32, token: &mut StorageToken) -> u32 {
        let plan = &*self.plan;
        match asked {
            question::READY => {
                let waits = plan.wire.as_ref().is_some_and(|w| u64::from(token.amount) > w.immediate);
                if waits { 0 } else { plan.ready_steps }
            }
            question::CACHED => {
                let since = self.conditions.since_cold(token.born);
                let hits = plan.cache.as_ref().is_some_and(|cache| cache.hits(token, since));
                if hits { plan.cached_steps } else { 0 }
            }
            question::PLAN_READ | question::PLAN_WRITE | question::NEXT_ROUND | question::NOTHING_CODED => {
                self.protected.ask(plan, asked, token)
            }
            question::AT_DRIVE_READ => self.at_drive(Operation::Read, token),
            question::AT_DRIVE_WRITE => self.at_drive(Operation::Write, token),
            _ => {
                let Some(drive) = &plan.drive else { return 1 };
                let at = token.members[DRIVE];
                let leaves_out = match asked {
                    // One page skips the fork and the skip behind it.
                    question::ONE_PAGE => return if drive.pages(token.amount) > 1 { 0 } else { 2 },
                    question::PROGRAM_IS_FULL => {
                        !self.flash.gather(drive, at, token.amount, token.body.is_sequential())
                    }
                    question::CLEANER_READS => !self.flash.has_reads(drive, at),
                    _ => !self.flash.has_moves(drive, at),
                };
                u32::from(leaves_out)
            }
        }
    }

    /// Cuts a request at chunk edges, or a fragment at pages; or hands out a drive's own work.
    pub fn fork(&mut self, asked: u32, token: &StorageToken, parts: &mut Vec<Part<Body>>) {
        match asked {
            question::FRAGMENTS => self.cut_at_chunks(token, parts),
            question::READS | question::WRITES => self.fork_round(asked, token, parts),
            question::PAGES => self.cut_at_pages(token, parts),
            _ => self.drive_work(asked, token, parts),
        }
    }

    fn cut_at_chunks(&mut self, token: &StorageToken, parts: &mut Vec<Part<Body>>) {
        if let Some(layout) = &self.plan.layout {
            layout.cut(token, parts);
        }
        let operation = token.body.operation() as usize;
        self.cut[operation] += u64::from(token.amount);
        self.fragments[operation] += parts.iter().map(|p| u64::from(p.amount)).sum::<u64>();
    }

    /// A round of a request to protected data; the request itself counts once, in the round it is about.
    fn fork_round(&mut self, asked: u32, token: &StorageToken, parts: &mut Vec<Part<Body>>) {
        let operation = token.body.operation();
        if !token.body.is_background() && (asked == question::WRITES) == (operation == Operation::Write) {
            self.cut[operation as usize] += u64::from(token.amount);
        }
        self.protected.fork(&self.plan, asked, token, parts);
    }

    /// A fragment is at its drive: counts its bytes.
    fn at_drive(&mut self, operation: Operation, token: &StorageToken) -> u32 {
        self.fragments[operation as usize] += u64::from(token.amount);
        self.protected.at_drive(operation, token);
        0
    }

    fn cut_at_pages(&mut self, token: &StorageToken, parts: &mut Vec<Part<Body>>) {
        let Some(drive) = &self.plan.drive else { return };
        let mut draws = token.key.draws(UNIT_DRAW);
        for page in 0..drive.pages(token.amount) {
            let bytes = u64::from(token.amount) - page * drive.page;
            let mut members = token.members;
            members[UNIT] = draws.below(u64::from(drive.units)) as u32;
            parts.push(Part { amount: bytes.min(drive.page) as u32, members, body: token.body });
        }
    }

    /// Programs of the buffer, pages and programs of the cleaner: each on the unit whose turn it is.
    fn drive_work(&mut self, asked: u32, token: &StorageToken, parts: &mut Vec<Part<Body>>) {
        let Some(drive) = &self.plan.drive else { return };
        let at = token.members[DRIVE];
        let count = match asked {
            question::PROGRAMS => self.flash.take_programs(drive, at),
            question::CLEANER_PAGES => self.flash.take_reads(drive, at),
            _ => self.flash.take_moves(drive, at),
        };
        for _ in 0..count {
            let mut members = token.members;
            members[UNIT] = self.flash.deal(drive, at, asked == question::CLEANER_PAGES);
            parts.push(Part { amount: drive.program_bytes, members, body: token.body });
        }
    }
}
