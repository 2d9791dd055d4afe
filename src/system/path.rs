//! The path of one replication: what the engine asks while it runs, and the bytes that were cut.

use std::sync::Arc;

use crate::engine::{Arrival, Key, Part, Purpose, SimDuration, SimTime};
use crate::scenario::Operation;

use super::body::{BACKGROUND, Body, DRIVE, StorageToken, UNIT};
use super::demand::{Ask, question};
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
    /// By drive: the unit that takes the next page written.
    next_unit: Vec<u32>,
}

impl Path {
    /// The path of one replication, whose own draws come from `key`.
    pub fn new(plan: Arc<Plan>, key: Key) -> Self {
        let next_unit = vec![0; plan.drives];
        let protected = plan.protected(key);
        Path { plan, cut: [0; 2], fragments: [0; 2], protected, next_unit }
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
    pub fn service(&self, demand: u32, token: &StorageToken) -> SimDuration {
        self.plan.service(Ask::numbered(demand), token)
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
            question::PLAN_READ | question::PLAN_WRITE | question::NEXT_ROUND | question::NOTHING_CODED => {
                self.protected.ask(plan, asked, token)
            }
            question::AT_DRIVE_READ => self.at_drive(Operation::Read, token),
            question::AT_DRIVE_WRITE => self.at_drive(Operation::Write, token),
            // One page skips the fork and the skip behind it.
            _ if plan.drive.as_ref().is_some_and(|d| d.pages(token.amount) > 1) => 0,
            _ => {
                if asked == question::ONE_PROGRAM {
                    token.members[UNIT] = self.deal(token.members[DRIVE]);
                }
                2
            }
        }
    }

    /// Cuts a request at chunk edges, or a fragment at pages.
    pub fn fork(&mut self, asked: u32, token: &StorageToken, parts: &mut Vec<Part<Body>>) {
        if matches!(asked, question::READS | question::WRITES) {
            self.fork_round(asked, token, parts);
            return;
        }
        if asked != question::FRAGMENTS {
            self.cut_at_pages(asked == question::PROGRAMS, token, parts);
            return;
        }
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

    fn cut_at_pages(&mut self, in_turn: bool, token: &StorageToken, parts: &mut Vec<Part<Body>>) {
        let plan = Arc::clone(&self.plan);
        let Some(drive) = &plan.drive else { return };
        let mut draws = token.key.draws(UNIT_DRAW);
        for page in 0..drive.pages(token.amount) {
            let bytes = u64::from(token.amount) - page * drive.page;
            let mut members = token.members;
            members[UNIT] = if in_turn {
                self.deal(token.members[DRIVE])
            } else {
                draws.below(u64::from(drive.units)) as u32
            };
            parts.push(Part { amount: bytes.min(drive.page) as u32, members, body: token.body });
        }
    }

    /// The unit of a drive whose turn it is to take a page.
    fn deal(&mut self, drive: u32) -> u32 {
        let units = self.plan.drive.as_ref().map_or(1, |d| d.units);
        let next = &mut self.next_unit[drive as usize];
        let unit = *next;
        *next = if unit + 1 == units { 0 } else { unit + 1 };
        unit
    }
}
