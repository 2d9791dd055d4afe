//! The path of one replication: what the engine asks while it runs, and the bytes that were cut.

use std::sync::Arc;

use crate::engine::{Arrival, Key, Part, Purpose, SimDuration, SimTime};
use crate::scenario::Operation;
use crate::traffic::Request;

use super::body::{BACKGROUND, Body, DRIVE, Members, PORT, StorageToken, UNIT};
use super::cache::Cache;
use super::condition::Conditions;
use super::demand::{Ask, question};
use super::destage::Destage;
use super::drive::{Arms, Flash};
use super::hosts::Hosts;
use super::log;
use super::plan::Plan;
use super::protected::Protected;

const UNIT_DRAW: Purpose = Purpose::named("unit");
const MAP_DRAW: Purpose = Purpose::named("block map");

/// The answers that a plan gives while it runs, and the bytes it has seen (one per replication).
pub struct Path {
    plan: Arc<Plan>,
    /// Bytes that requests asked of the drives, by operation.
    pub cut: [u64; 2],
    /// Bytes of the fragments made of them, by what the drives do: with protection, more.
    pub fragments: [u64; 2],
    /// Of the writes among them, bytes by drive.
    pub written: Vec<u64>,
    /// What protection has done.
    pub protected: Protected,
    /// What is on its way from the log to the drives.
    pub destage: Destage,
    /// Bytes read ahead of streams.
    pub prefetched: u64,
    flash: Flash,
    arms: Arms,
    conditions: Conditions,
    /// Background work that begins with the conditions: its sources and their first times.
    begins: Vec<(u32, SimTime)>,
}

impl Path {
    /// The path of one replication, whose own draws come from `key`.
    pub fn new(plan: Arc<Plan>, key: Key) -> Self {
        let drives = plan.drives;
        let flash = Flash::new(plan.drives, plan.drive.as_ref(), key);
        let arms = Arms::new(if plan.arm.is_some() { plan.drives } else { 0 });
        let mut protected = plan.protected(key);
        let conditions = plan.conditions();
        let begins = protected.suffer(&conditions, SimTime::ZERO);
        let destage = Destage::new(&plan, key.named("destage"));
        Path {
            plan,
            cut: [0; 2],
            fragments: [0; 2],
            written: vec![0; drives],
            protected,
            destage,
            prefetched: 0,
            flash,
            arms,
            conditions,
            begins,
        }
    }

    /// What came to a level between log and flash, and what left it or is there still: pairs of two counts.
    pub fn balances(&self) -> Vec<(&'static str, u64, u64)> {
        let mut found = self.destage.balances(&self.plan);
        if self.plan.drive.is_some() {
            let (came, left) = self.flash.balance();
            found.push(("flash", came, left));
        }
        found
    }

    /// Bytes of flash programmed, and of these by the drives' own cleaners.
    pub fn flash(&self) -> [u64; 2] {
        [self.flash.programmed, self.flash.cleaned]
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

    /// How full the write log is, 0 to 1 of its size; `None` without one.
    pub fn log_fill(&self) -> Option<f64> {
        self.plan.log.as_ref().map(|log| self.destage.level() as f64 / log.size as f64)
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
        let (ask, place) = Ask::numbered(demand);
        let span = match (ask, &self.plan.drive) {
            (Ask::Program, Some(drive)) => self.flash.program(drive, token.members[DRIVE]),
            (Ask::Failover, _) => {
                self.conditions.stall(self.plan.partners.owner(token.body.machine()), token.born)
            }
            (other, _) => self.plan.service(other, place, token),
        };
        if self.conditions.are_as_built() {
            return span;
        }
        let uplink = self.pick(question::UPLINK, token);
        self.conditions.stretched((ask, uplink), self.plan.drive_link(), token, span)
    }

    /// The service of a demand at an arm, which begins now.
    pub fn begin(&mut self, demand: u32, token: &StorageToken, now: SimTime) -> SimDuration {
        let (Some(operation), Some(model)) = (arm_operation(demand), &self.plan.arm) else {
            return self.service(demand, token);
        };
        let span = (model.places.byte(token), u64::from(token.amount));
        let span = self.arms.serve(model, token.members[DRIVE], span, operation, now);
        self.conditions.stretched((Ask::ArmRead, 0), None, token, span)
    }

    /// How long an arm would take to be where this fragment lies, ps.
    pub fn rank(&self, demand: u32, token: &StorageToken, now: SimTime) -> u64 {
        let (Some(operation), Some(model)) = (arm_operation(demand), &self.plan.arm) else { return 0 };
        self.arms.position(model, token.members[DRIVE], model.places.byte(token), operation, now).ps()
    }

    /// The member of an asked pick.
    #[inline]
    pub fn pick(&self, asked: u16, token: &StorageToken) -> u32 {
        let plan = &*self.plan;
        let drive = token.members[DRIVE];
        match asked {
            question::UPLINK => plan.fabric.as_ref().map_or(0, |f| f.uplink(drive)),
            question::LINK_UP => plan.drive_link().map_or(0, |link| link.member(drive, true)),
            question::LINK_DOWN => plan.drive_link().map_or(0, |link| link.member(drive, false)),
            question::UNIT => plan.drive.as_ref().map_or(0, |d| drive * d.units + token.members[UNIT]),
            question::CONTROLLER => self.at_work(token),
            question::FROM_PARTNER => 1 - self.at_work(token),
            question::LOG_OF_PART => drive,
            question::HOST | question::HOST_PORT => {
                let (class, machine) = (token.class, token.body.machine());
                let place = |h: &Hosts| {
                    if asked == question::HOST { h.host(class, machine) } else { h.port(class, machine) }
                };
                plan.hosts.as_ref().map_or(0, place)
            }
            _ => token.body.machine(),
        }
    }

    /// The controller that works for a token's machine.
    #[inline]
    fn at_work(&self, token: &StorageToken) -> u32 {
        self.conditions.at_work(self.plan.partners.owner(token.body.machine()))
    }

    /// The read cache: that of both controllers, or of one that is left.
    fn cache(&self) -> Option<&Cache> {
        match &self.plan.alone {
            Some((_, cache)) if self.conditions.has_lost_controller() => cache.as_ref(),
            _ => self.plan.cache.as_ref(),
        }
    }

    /// The amount of an asked quantity.
    pub fn quantity(&self, asked: u16, token: &StorageToken) -> u64 {
        if asked == question::LOG_ROOM { log::room(token) } else { self.destage.overwritten }
    }

    /// How many steps a token leaves out.
    #[inline]
    pub fn ask(&mut self, asked: u32, token: &mut StorageToken, now: SimTime) -> u32 {
        let plan = &*self.plan;
        match asked {
            question::READY => {
                let waits = plan.wire.as_ref().is_some_and(|w| u64::from(token.amount) > w.immediate);
                if waits { 0 } else { plan.ready_steps }
            }
            question::CACHED => {
                let since = self.conditions.since_cold(token.born);
                let hits = self.destage.dirty.holds(token)
                    || self.cache().is_some_and(|cache| cache.hits(token, since));
                if hits { plan.cached_steps } else { 0 }
            }
            question::WAY_DOWN | question::WAY_UP => {
                let up = asked == question::WAY_UP;
                plan.fabric.as_ref().map_or(0, |f| f.skip(token.members[DRIVE], up))
            }
            question::PLAN_READ
            | question::PLAN_WRITE
            | question::PLAN_STRIPE
            | question::NEXT_ROUND
            | question::NOTHING_CODED => self.protected.ask(plan, &self.destage, asked, token),
            question::AT_DRIVE_READ => self.at_drive(Operation::Read, token),
            question::AT_DRIVE_WRITE => self.at_drive(Operation::Write, token),
            question::LEFT_DRIVE => {
                self.protected.left_drive(token);
                0
            }
            question::AT_OWNER => {
                let crosses = plan.partners.crosses(token.members[PORT], self.at_work(token));
                if crosses { 0 } else { 2 }
            }
            question::AT_HOME => {
                let is_home = token.members[DRIVE] == self.at_work(token);
                if is_home { 2 } else { 0 }
            }
            question::BOTH_LOGS..=question::FAILS_OVER => self.ask_behind(asked, token, now),
            _ => {
                let Some(drive) = &plan.drive else { return 1 };
                let at = token.members[DRIVE];
                let leaves_out = match asked {
                    // One page skips the fork and the skip behind it.
                    question::ONE_PAGE => return if drive.pages(token.amount) > 1 { 0 } else { 2 },
                    question::PROGRAM_IS_FULL => {
                        let suits = plan.stripes.as_ref().map(|stripes| stripes.suits_drives);
                        let large = suits.unwrap_or(token.body.is_sequential());
                        !self.flash.gather(drive, at, token.amount, large)
                    }
                    question::CLEANER_READS => !self.flash.has_reads(drive, at),
                    _ => !self.flash.has_moves(drive, at),
                };
                u32::from(leaves_out)
            }
        }
    }

    /// The questions of what goes on between the processor and the drives.
    fn ask_behind(&mut self, asked: u32, token: &mut StorageToken, now: SimTime) -> u32 {
        let (plan, destage) = (&*self.plan, &mut self.destage);
        // Whether the one step behind the question is taken (a skip, mostly), or left out.
        let leaves_out = match asked {
            question::COMMITTED => {
                destage.overwritten = destage.dirty.commit(token);
                false
            }
            question::DESTAGE_IS_DUE => !destage.is_due(plan),
            question::TAKE => destage.take(plan, token, false, now),
            question::TAKE_NEXT => !destage.take(plan, token, true, now),
            question::READS_FIRST => !destage.reads_first(token),
            question::HAS_WORK => !destage.has_work(token),
            question::STORES => destage.stores(token),
            question::CLEANS => destage.cleans(plan, token),
            question::RELEASED => {
                destage.released(token);
                false
            }
            question::BEGIN_PASS => {
                destage.begin_pass(token);
                false
            }
            question::PASS_FILLS => destage.pass_fills(plan, token),
            question::DONE => {
                destage.done(token);
                false
            }
            question::BEGIN_WRITE => {
                destage.begin_write(plan, token);
                false
            }
            question::CLEANING_IS_DUE => !destage.cleaning_is_due(plan),
            question::BEGIN_CLEANING => {
                destage.begin_cleaning(plan, token);
                false
            }
            question::PREFETCHES => {
                plan.cache.as_ref().is_none_or(|cache| cache.reads_ahead(token).is_none())
            }
            question::BEGIN_PREFETCH => {
                self.begin_prefetch(token);
                false
            }
            question::FAILS_OVER => {
                let owner = plan.partners.owner(token.body.machine());
                self.conditions.stall(owner, token.born).is_zero()
            }
            // Of the block map.
            _ => {
                let alone = plan.alone.as_ref().filter(|_| self.conditions.has_lost_controller());
                let shares = alone.map_or(&plan.shares, |(shares, _)| shares);
                token.key.draws(MAP_DRAW).unit() >= shares.map_misses[usize::from(token.class)]
            }
        };
        u32::from(leaves_out)
    }

    /// The token, a copy of a read's, reads what lies behind it.
    fn begin_prefetch(&mut self, token: &mut StorageToken) {
        let ahead = self.plan.cache.as_ref().and_then(|cache| cache.reads_ahead(token)).unwrap_or(0);
        token.key = token.key.named("ahead");
        token.body.address += u64::from(token.amount);
        token.amount = ahead as u32;
        self.prefetched += ahead;
    }

    /// Cuts a request at chunk edges, or a fragment at pages; or hands out a drive's own work.
    pub fn fork(&mut self, asked: u32, token: &StorageToken, parts: &mut Vec<Part<Body>>) {
        match asked {
            question::FRAGMENTS => self.cut_at_chunks(token, parts),
            question::READS | question::WRITES => self.fork_round(asked, token, parts),
            question::PAGES => self.cut_at_pages(token, parts),
            question::WORK => self.destage.work_parts(token, parts),
            question::MAP_READ => self.protected.look_up(&self.plan, token, parts),
            question::BOTH_LOGS => {
                let home = self.at_work(token);
                let there = |log: &u32| *log == home || !self.conditions.has_lost_controller();
                parts.extend([0, 1].into_iter().filter(there).map(|log| {
                    let mut members = token.members;
                    members[DRIVE] = log;
                    Part { amount: token.amount, members, body: token.body }
                }));
            }
            _ => self.drive_work(asked, token, parts),
        }
    }

    fn cut_at_chunks(&mut self, token: &StorageToken, parts: &mut Vec<Part<Body>>) {
        let operation = token.body.operation() as usize;
        if let Some(layout) = &self.plan.layout {
            if token.body.is_job() {
                let mut run = *token;
                for &(address, bytes) in self.destage.runs(token) {
                    (run.body.address, run.amount) = (address, bytes as u32);
                    layout.cut(&run, parts);
                    self.cut[operation] += bytes;
                }
            } else {
                layout.cut(token, parts);
                self.cut[operation] += u64::from(token.amount);
            }
        }
        self.fragments[operation] += parts.iter().map(|p| u64::from(p.amount)).sum::<u64>();
        if operation == Operation::Write as usize {
            for part in parts.iter() {
                self.written[part.members[DRIVE] as usize] += u64::from(part.amount);
            }
        }
    }

    /// A round of a request to protected data; the request itself counts once, in the round it is about.
    fn fork_round(&mut self, asked: u32, token: &StorageToken, parts: &mut Vec<Part<Body>>) {
        let operation = token.body.operation();
        let counts = !token.body.is_background() && self.plan.stripes.is_none();
        if counts && (asked == question::WRITES) == (operation == Operation::Write) {
            self.cut[operation as usize] += u64::from(token.amount);
        }
        self.protected.fork(&self.plan, &self.destage, asked, token, parts);
    }

    /// A fragment is at its drive: counts its bytes.
    fn at_drive(&mut self, operation: Operation, token: &StorageToken) -> u32 {
        self.fragments[operation as usize] += u64::from(token.amount);
        if operation == Operation::Write {
            self.written[token.members[DRIVE] as usize] += u64::from(token.amount);
        }
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

/// What an arm does for a demand, if it is one of its.
fn arm_operation(demand: u32) -> Option<Operation> {
    match Ask::numbered(demand).0 {
        Ask::ArmRead => Some(Operation::Read),
        Ask::ArmWrite => Some(Operation::Write),
        _ => None,
    }
}
