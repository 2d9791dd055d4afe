//! Destaging: what goes from the log to the drives, stripe by stripe, and what that takes with it.
//!
//! A job is one stripe on its way: blocks that the log has gathered in place, or a full stripe of the log-structured
//! layout with the old blocks that are read for it, the look-ups that miss, the processor's work on its blocks, and the
//! cleaner's share behind it. Where there is no log a write is its own job, and is answered when that is done.
//! The steps are laid in `routes`; this file keeps the jobs of one replication and says what each round moves.

use crate::engine::{Key, Part, Purpose, SimTime};
use crate::scenario::LogKeys;

use super::body::{Body, DRIVE, StorageToken};
use super::layout::{Planner, Stored};
use super::log::{Dirty, GRAIN, REGION, Region, ones};
use super::plan::Plan;

const OLD: Purpose = Purpose::named("old block");
const LOOK_UP: Purpose = Purpose::named("look-up");
const COPY: Purpose = Purpose::named("copy");
/// Regions taken together because one stripe holds them, at most.
const NEIGHBOURS: u64 = 64;
/// Bytes that a look-up reads.
const ENTRY: u64 = 4096;

/// One stripe on its way to the drives.
#[derive(Clone, Debug, Default)]
struct Job {
    /// In place: whose blocks, and the runs of them.
    owner: (u16, u32),
    runs: Vec<(u64, u64)>,
    /// Log-structured: what is read first.
    old: Vec<Stored>,
    /// Processor time for each of its blocks, ns.
    work: Vec<u32>,
    /// What a later pass makes of them: processor time and bytes stored.
    later: Vec<(u32, u32)>,
    /// Room in the log to give back, bytes.
    held: u64,
    /// Bytes that were gathered; as many as a full stripe holds unless it is a write of its own.
    stored: u64,
    /// The stripe that is written, or read, now.
    stripe: u64,
    /// What its next round of reads is about.
    phase: Phase,
}

#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
enum Phase {
    #[default]
    Writing,
    Cleaning,
    /// A plain stripe is read again to be reduced.
    Reducing,
}

/// Bytes at each level on the way to the drives, since the start.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub struct Levels {
    /// Blocks that hosts wrote to the log.
    pub committed: u64,
    /// Of these the ones that were written again before they left it.
    pub overwritten: u64,
    /// Blocks that left the log.
    pub destaged: u64,
    /// Whole blocks that were written because of them.
    pub blocks: u64,
    /// What these take, reduced; plain where a later pass reduces them.
    pub stored: u64,
    /// What a later pass made of them.
    pub reduced: u64,
    /// Data that was written to stripes, but for what the cleaner moved.
    pub striped: u64,
    /// What the cleaner moved.
    pub moved: u64,
}

impl Levels {
    /// What was added since an earlier reading.
    pub fn since(&self, earlier: &Levels) -> Levels {
        Levels {
            committed: self.committed - earlier.committed,
            overwritten: self.overwritten - earlier.overwritten,
            destaged: self.destaged - earlier.destaged,
            blocks: self.blocks - earlier.blocks,
            stored: self.stored - earlier.stored,
            reduced: self.reduced - earlier.reduced,
            striped: self.striped - earlier.striped,
            moved: self.moved - earlier.moved,
        }
    }
}

/// Bytes of a log below its high water.
fn room(log: &LogKeys) -> u64 {
    ((log.size as f64 * log.high_water) as u64).max(GRAIN)
}

/// The jobs of one replication.
pub struct Destage {
    pub(super) dirty: Dirty,
    /// Bytes that the last commit found held already.
    pub(super) overwritten: u64,
    jobs: Vec<Job>,
    free: Vec<u32>,
    active: u32,
    /// When a job began or ended last, and the time of all jobs under way until then, ps.
    changed: (SimTime, u128),
    taken: u64,
    key: Key,
    /// The stripe that is being filled.
    open: Job,
    next_stripe: u64,
    /// Bytes that the cleaner has yet to move.
    debt: f64,
    /// Reduced bytes of the stripe that a later pass fills.
    pass: u64,
    /// Bytes in the log that are being destaged.
    leaving: u64,
    levels: Levels,
}

impl Destage {
    /// No jobs yet; they draw from `key`.
    pub fn new(plan: &Plan, key: Key) -> Self {
        Destage {
            dirty: Dirty::new(plan.classes()),
            overwritten: 0,
            jobs: Vec::new(),
            free: Vec::new(),
            active: 0,
            changed: (SimTime::ZERO, 0),
            taken: 0,
            key,
            open: Job::default(),
            next_stripe: 0,
            debt: 0.0,
            pass: 0,
            leaving: 0,
            levels: Levels::default(),
        }
    }

    /// Bytes at each level so far.
    pub fn levels(&self) -> Levels {
        Levels { committed: self.dirty.committed, overwritten: self.dirty.overwritten, ..self.levels }
    }

    /// Bytes that the log holds.
    pub fn level(&self) -> u64 {
        self.dirty.level + self.leaving + self.open.held
    }

    /// Bytes that wait in the log for the drives (less than what begins a stripe waits for hosts, and blocks of the stripe
    /// that is being filled for others), and bytes that the cleaner has yet to move beyond the stripe it waits for.
    pub fn deferred(&self, plan: &Plan) -> [u64; 2] {
        let waiting = self.dirty.level.saturating_sub(Self::least(plan)) + self.leaving;
        let stripe = plan.stripes.as_ref().map_or(0, |stripes| stripes.data_bytes);
        [waiting, (self.debt - stripe as f64).max(0.0) as u64]
    }

    /// Bytes in the log from which on a job begins.
    fn least(plan: &Plan) -> u64 {
        let Some(log) = &plan.log else { return 0 };
        // Before a stripe's worth is there, writes may still complete each other's blocks; in place, the oldest
        // stripe is whole when as much again has come behind it.
        let least = plan.stripes.as_ref().map_or(2 * plan.stripe_bytes(), |stripes| stripes.data_bytes);
        least.min(room(log) / 4)
    }

    /// Time that stripes have been on their way, added up over all of them, ps: beside the time that passed it says how many
    /// of `design.log.destage` are under way on average.
    pub fn under_way_ps(&self, now: SimTime) -> u128 {
        let (since, before) = self.changed;
        before + u128::from(self.active) * u128::from(now.since(since).ps())
    }

    fn set_active(&mut self, active: u32, now: SimTime) {
        self.changed = (now, self.under_way_ps(now));
        self.active = active;
    }

    /// What came to the log and to stripes, and what left or is there still: pairs of two counts.
    pub fn balances(&self, plan: &Plan) -> Vec<(&'static str, u64, u64)> {
        let l = self.levels();
        let mut found = Vec::new();
        if plan.log.is_some() {
            found.push(("log", l.committed - l.overwritten, l.destaged + self.dirty.level));
        }
        if plan.stripes.is_some() {
            found.push(("stripes", l.stored + l.reduced, l.striped + self.open.stored + self.pass));
        }
        found
    }

    /// Whether another job may begin and there is enough for it.
    pub(super) fn is_due(&self, plan: &Plan) -> bool {
        plan.log.as_ref().is_some_and(|log| self.active < log.destage) && self.is_due_again(plan)
    }

    /// Whether there is enough for a job.
    fn is_due_again(&self, plan: &Plan) -> bool {
        plan.log.is_some() && self.dirty.level >= Self::least(plan)
    }

    /// Begins a job, if there is one: the token becomes its token.
    pub(super) fn take(
        &mut self,
        plan: &Plan,
        token: &mut StorageToken,
        goes_on: bool,
        now: SimTime,
    ) -> bool {
        if !goes_on {
            self.set_active(self.active + 1, now);
        }
        let is_due = !goes_on || self.is_due_again(plan);
        let found = match is_due {
            true if plan.stripes.is_some() => self.fill_stripe(plan),
            true => self.gather(plan),
            false => None,
        };
        let Some(job) = found else {
            self.set_active(self.active - 1, now);
            return false;
        };
        self.taken += 1;
        let (class, machine) = job.owner;
        token.key = self.key.numbered(self.taken);
        token.class = class;
        token.amount = job.held as u32;
        self.leaving += job.held;
        // Large overwrites leave whole erase blocks of the drives dead; so do stripes that suit them.
        let whole = job.runs.iter().all(|(_, bytes)| *bytes >= plan.chunk());
        let is_sequential = plan.stripes.as_ref().map_or(whole, |stripes| stripes.suits_drives);
        let turn = (self.taken % u64::from(plan.partners.active)) as u32;
        token.body = Body::job(if plan.stripes.is_some() { turn } else { machine }, is_sequential);
        let first = job.runs.first().map_or(0, |run| run.0);
        token.body.address = first;
        token.members[DRIVE] = self.keep(job);
        true
    }

    fn keep(&mut self, job: Job) -> u32 {
        match self.free.pop() {
            Some(number) => {
                self.jobs[number as usize] = job;
                number
            }
            None => {
                self.jobs.push(job);
                self.jobs.len() as u32 - 1
            }
        }
    }

    fn job(&self, token: &StorageToken) -> &Job {
        &self.jobs[token.members[DRIVE] as usize]
    }

    fn job_mut(&mut self, token: &StorageToken) -> &mut Job {
        &mut self.jobs[token.members[DRIVE] as usize]
    }

    /// A job is done, or its stripe is.
    pub(super) fn done(&mut self, token: &StorageToken) {
        let number = token.members[DRIVE];
        self.leaving -= std::mem::take(&mut self.jobs[number as usize].held);
        self.free.push(number);
    }

    /// Its room in the log is given back.
    pub(super) fn released(&mut self, token: &StorageToken) {
        self.leaving -= std::mem::take(&mut self.job_mut(token).held);
    }

    /// In place: what is held of the stripe whose block has waited longest.
    fn gather(&mut self, plan: &Plan) -> Option<Job> {
        let oldest = self.dirty.oldest()?;
        let at = oldest.number * REGION + u64::from(oldest.grains.trailing_zeros()) * GRAIN;
        let stripe = plan.stripe_bytes();
        let (start, end) = (at / stripe * stripe, (at / stripe + 1) * stripe);
        let first = (start / REGION).max(oldest.number.saturating_sub(NEIGHBOURS));
        let last = end.div_ceil(REGION).min(oldest.number + NEIGHBOURS);
        let mut job = Job { owner: (oldest.class, oldest.machine), ..Job::default() };
        for number in first..last {
            let begin = number * REGION;
            let [from, to] = [start, end].map(|edge| edge.clamp(begin, begin + REGION) - begin);
            let among = ones(from / GRAIN, to / GRAIN);
            if let Some(region) = self.dirty.take(&oldest, number, among) {
                region.runs(&mut job.runs);
                job.held += region.bytes();
            }
        }
        self.levels.destaged += job.held;
        Some(job)
    }

    /// Log-structured: regions in order of age until a stripe is full; what is short of one stays open.
    fn fill_stripe(&mut self, plan: &Plan) -> Option<Job> {
        let (stripes, blocks) = (plan.stripes.as_ref()?, plan.blocks.as_ref()?);
        // Blocks that are stored already fill no stripe, but the log: it is not held up for them.
        let held_most = room(plan.log.as_ref()?) / 8;
        while self.open.stored < stripes.data_bytes && self.open.held < held_most {
            let region = self.dirty.take_oldest()?;
            self.open.held += region.bytes();
            self.levels.destaged += region.bytes();
            let grains = blocks.bytes / GRAIN;
            for at in 0..REGION / blocks.bytes {
                let bits = ones(at * grains, (at + 1) * grains);
                let written = region.grains & bits;
                if written != 0 {
                    let block = region.number * (REGION / blocks.bytes) + at;
                    let mut open = std::mem::take(&mut self.open);
                    self.write_block(plan, &mut open, (&region, block), written == bits);
                    self.open = open;
                }
            }
        }
        let mut job = std::mem::take(&mut self.open);
        self.open.stored = job.stored.saturating_sub(stripes.data_bytes);
        job.stored -= self.open.stored;
        job.stripe = self.begin_stripe(1);
        self.levels.striped += job.stored;
        if !blocks.after {
            self.owe(stripes.amplification, job.stored);
        }
        Some(job)
    }

    /// What writing a block takes: the old one where only part of it is new, look-ups that miss, processor time, room.
    fn write_block(&mut self, plan: &Plan, job: &mut Job, (region, block): (&Region, u64), is_whole: bool) {
        let (Some(layout), Some(stripes), Some(blocks)) = (&plan.layout, &plan.stripes, &plan.blocks) else {
            return;
        };
        let volume = layout.volume(region.class, region.machine);
        self.taken += 1;
        let key = volume.numbered(block).numbered(self.taken);
        let class = usize::from(region.class);
        let mut draws = key.draws(OLD);
        let reads_old =
            !is_whole && draws.unit() >= plan.cache.as_ref().map_or(0.0, |cache| cache.hit_ratio(class));
        if reads_old {
            let (place, _) =
                plan.stored_part(region.class, region.machine, block * blocks.bytes, blocks.bytes);
            job.old.push(place);
        }
        let mut look_ups = key.draws(LOOK_UP);
        let misses = [plan.shares.map_misses[class], plan.shares.index_misses];
        for chance in misses {
            if chance > 0.0 && look_ups.unit() < chance {
                let (stripe, chunk) = stripes.place(key, look_ups.bits());
                job.old.push(Stored { stripe, chunk, offset: 0, bytes: ENTRY });
            }
        }
        let written = blocks.write(region.class, key);
        let plain = blocks.plain_work(reads_old);
        let ns = |ps: u64| (ps / 1000).min(u64::from(u32::MAX)) as u32;
        self.levels.blocks += blocks.bytes;
        if blocks.after {
            job.work.extend((plain > 0).then(|| ns(plain)));
            job.later.push((ns(written.work), written.bytes as u32));
            job.stored += blocks.bytes;
            self.levels.stored += blocks.bytes;
        } else {
            let work = plain + written.work;
            job.work.extend((work > 0).then(|| ns(work)));
            job.stored += written.bytes;
            self.levels.stored += written.bytes;
        }
    }

    fn begin_stripe(&mut self, count: u64) -> u64 {
        let stripe = self.next_stripe;
        self.next_stripe += count;
        stripe
    }

    fn owe(&mut self, amplification: f64, bytes: u64) {
        self.debt += (amplification - 1.0) * bytes as f64;
    }

    /// With no log: a write becomes a job of its own.
    pub(super) fn begin_write(&mut self, plan: &Plan, token: &mut StorageToken) {
        let (Some(stripes), Some(blocks)) = (&plan.stripes, &plan.blocks) else { return };
        let (start, end) = (token.body.address, token.body.address + u64::from(token.amount));
        let region = Region { class: token.class, machine: token.body.machine(), number: 0, grains: 0 };
        let mut job = Job { owner: (region.class, region.machine), ..Job::default() };
        for block in start / blocks.bytes..=(end - 1) / blocks.bytes {
            let (from, to) = (block * blocks.bytes, (block + 1) * blocks.bytes);
            self.write_block(plan, &mut job, (&region, block), start <= from && to <= end);
        }
        // A chunk on each drive is as deep as needed, in whole blocks of 4 KiB.
        job.stripe = self.begin_stripe(job.stored.div_ceil(stripes.data_bytes));
        self.levels.striped += job.stored;
        self.owe(stripes.amplification, job.stored);
        token.members[DRIVE] = self.keep(job);
    }

    /// Whether anything is read before, is worked on, or is stored.
    pub(super) fn reads_first(&self, token: &StorageToken) -> bool {
        !self.job(token).old.is_empty()
    }

    /// See [`Destage::reads_first`].
    pub(super) fn has_work(&self, token: &StorageToken) -> bool {
        let job = self.job(token);
        if job.phase == Phase::Reducing { !job.later.is_empty() } else { !job.work.is_empty() }
    }

    /// See [`Destage::reads_first`].
    pub(super) fn stores(&self, token: &StorageToken) -> bool {
        self.job(token).stored > 0
    }

    /// Whether the cleaner has a stripe to move; if so, the job goes on with that.
    pub(super) fn cleans(&mut self, plan: &Plan, token: &StorageToken) -> bool {
        let Some(stripes) = &plan.stripes else { return false };
        if self.debt < stripes.data_bytes as f64 {
            return false;
        }
        self.debt -= stripes.data_bytes as f64;
        self.levels.moved += stripes.data_bytes;
        let stripe = self.begin_stripe(1);
        let job = self.job_mut(token);
        (job.phase, job.stripe, job.stored) = (Phase::Cleaning, stripe, stripes.data_bytes);
        true
    }

    /// Whether the cleaner is due, for a token of its own.
    pub(super) fn cleaning_is_due(&self, plan: &Plan) -> bool {
        plan.stripes.as_ref().is_some_and(|stripes| self.debt >= stripes.data_bytes as f64)
    }

    /// A token that only cleans.
    pub(super) fn begin_cleaning(&mut self, plan: &Plan, token: &mut StorageToken) {
        self.taken += 1;
        token.key = self.key.numbered(self.taken);
        token.body = Body::job(0, plan.stripes.as_ref().is_some_and(|stripes| stripes.suits_drives));
        token.members[DRIVE] = self.keep(Job::default());
    }

    /// The stripe that was stored plain is read again.
    pub(super) fn begin_pass(&mut self, token: &StorageToken) {
        self.job_mut(token).phase = Phase::Reducing;
    }

    /// What the pass made of the stripe is stored; whether that fills one.
    pub(super) fn pass_fills(&mut self, plan: &Plan, token: &StorageToken) -> bool {
        let Some(stripes) = &plan.stripes else { return false };
        let later = std::mem::take(&mut self.job_mut(token).later);
        let bytes: u64 = later.iter().map(|(_, bytes)| u64::from(*bytes)).sum();
        self.levels.reduced += bytes;
        self.pass += bytes;
        if self.pass < stripes.data_bytes {
            return false;
        }
        self.pass -= stripes.data_bytes;
        self.levels.striped += stripes.data_bytes;
        self.owe(stripes.amplification, stripes.data_bytes);
        let stripe = self.begin_stripe(1);
        let job = self.job_mut(token);
        (job.phase, job.stripe, job.stored) = (Phase::Writing, stripe, stripes.data_bytes);
        true
    }

    /// Fills a planner with what a job's next round moves: its reads, or the writing of its stripe.
    pub(super) fn plan(&self, plan: &Plan, planner: &mut Planner, token: &StorageToken, writes: bool) {
        let (Some(layout), Some(placement)) = (&plan.layout, plan.placement()) else { return };
        let job = self.job(token);
        let Some(stripes) = &plan.stripes else {
            planner.plan_runs(layout, placement, job.owner, &job.runs);
            return;
        };
        planner.begin(layout);
        let mut copies = token.key.draws(COPY);
        if !writes {
            match job.phase {
                Phase::Writing => {
                    job.old.iter().for_each(|place| planner.read_stored(placement, place, copies.bits()));
                }
                // What lives in old stripes, as if one were read whole: the bytes are what is moved.
                Phase::Cleaning => {
                    let (stripe, _) = stripes.place(token.key, 0);
                    planner.read_stripe(placement, stripe, copies.bits());
                }
                Phase::Reducing => planner.read_stripe(placement, job.stripe, copies.bits()),
            }
            return;
        }
        let (mut left, mut stripe) = (job.stored, job.stripe);
        while left > 0 {
            let bytes = left.min(stripes.data_bytes);
            let depth = (bytes.div_ceil(u64::from(stripes.data))).div_ceil(GRAIN) * GRAIN;
            let chunks = bytes.div_ceil(depth) as u32;
            planner.append(placement, stripe, chunks, depth);
            left -= bytes;
            stripe += 1;
        }
        planner.end();
    }

    /// The processor's work on the blocks of a job, each a part.
    pub(super) fn work_parts(&self, token: &StorageToken, parts: &mut Vec<Part<Body>>) {
        let job = self.job(token);
        let part = |ns: u32| Part { amount: ns, members: token.members, body: token.body };
        match job.phase {
            Phase::Reducing => parts.extend(job.later.iter().map(|(ns, _)| part(*ns))),
            _ => parts.extend(job.work.iter().map(|ns| part(*ns))),
        }
    }

    /// In place without protection: the runs of a job.
    pub(super) fn runs(&self, token: &StorageToken) -> &[(u64, u64)] {
        &self.job(token).runs
    }
}
