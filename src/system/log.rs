//! The write log: it answers writes, absorbs overwrites, and waits for the drives where it is full.
//!
//! A write takes room in whole blocks of 4 KiB, crosses the log's transfer rate and its latency, and is answered. A
//! block that is written again before it is destaged takes no room twice and reaches the drives once. Destaging
//! begins as soon as a stripe's worth is there (in place two: the older is then whole, if ever), oldest first, at most
//! `design.log.destage` stripes at once; a stripe's room is free when the drives hold all of it. Above high water writers
//! wait for that, first come, first served: a burst is absorbed until it is not. Reads of blocks that are still in the
//! log are answered from it. With two controllers both logs hold everything, so one gate stands for both.
//!
//! Destaging early keeps the least for overwrites to find: the cautious end. Left out: a log that waits for more,
//! metadata, replay after a loss of power.

use std::collections::{HashMap, VecDeque};
use std::hash::{BuildHasherDefault, Hasher};

use crate::engine::{
    Demand, Discipline, GateId, GroupId, Law, Network, Pick, Purpose, Quantity, Route, Step,
};
use crate::scenario::{Class, Design};

use super::body::StorageToken;
use super::controllers::PartnerSteps;
use super::demand::{Ask, question};

/// Unit of room and of overwriting, bytes.
pub(super) const GRAIN: u64 = 4096;
/// Grains that are kept as one entry: bits of a word.
const GRAINS: u64 = 64;
/// Bytes of an entry.
pub(super) const REGION: u64 = GRAIN * GRAINS;

/// The log's stations and gate.
#[derive(Clone, Copy)]
pub(super) struct LogSteps {
    gate: GateId,
    group: GroupId,
    transfer: u32,
    latency: (GroupId, u32),
}

impl LogSteps {
    pub fn add(network: &mut Network, design: &Design) -> Option<Self> {
        let log = design.log.as_ref()?;
        let room = (log.size as f64 * log.high_water) as u64 / GRAIN * GRAIN;
        let members = design.controllers_count();
        let delay = network.delay("log.latency");
        Some(LogSteps {
            gate: network.gates("log.room", 1, room.max(GRAIN)),
            group: network.group("log", "controller", members, 1, Discipline::Committed),
            transfer: network.demand(Demand::Asked(Ask::LogTransfer as u32)),
            latency: (delay, network.demand(Demand::Drawn(Law::fixed(log.latency), Purpose::named("log")))),
        })
    }

    /// Steps of a write until it may be answered: room, the commit here and at the partner's, and what destages it.
    pub fn protect(
        &self,
        network: &mut Network,
        partner: Option<&PartnerSteps>,
        destage: Route,
    ) -> Vec<Step> {
        let everywhere = Pick::Fixed(0);
        let mut steps = vec![Step::Take {
            gate: self.gate,
            pick: everywhere,
            quantity: Quantity::Asked(question::LOG_ROOM),
        }];
        match partner {
            None => steps.extend(self.commit(Pick::Fixed(0))),
            Some(partner) => {
                // The copy crosses the link both ways; AT_HOME leaves that out of the owner's own part.
                let mut part = vec![Step::Ask(question::AT_HOME)];
                part.extend(partner.cross(true, question::FROM_OWNER));
                part.extend(self.commit(Pick::Ask(question::LOG_OF_PART)));
                part.push(Step::Ask(question::AT_HOME));
                part.extend(partner.cross(false, question::FROM_PARTNER));
                part.push(Step::Join);
                steps.push(Step::Fork { question: question::BOTH_LOGS, route: network.route(&part) });
            }
        }
        steps.extend([
            Step::Ask(question::COMMITTED),
            Step::Give {
                gate: self.gate,
                pick: everywhere,
                quantity: Quantity::Asked(question::LOG_OVERWRITTEN),
            },
            Step::Ask(question::DESTAGE_IS_DUE),
            Step::Spawn(destage),
        ]);
        steps
    }

    fn commit(&self, pick: Pick) -> [Step; 2] {
        [
            Step::Serve { group: self.group, pick, demand: self.transfer, level: 0 },
            Step::Delay { group: self.latency.0, demand: self.latency.1 },
        ]
    }

    /// The room of what the drives hold now.
    pub fn release(&self) -> Step {
        Step::Give { gate: self.gate, pick: Pick::Fixed(0), quantity: Quantity::Amount }
    }
}

/// Spreads the bits of a key that is a number already: SplitMix64's finaliser. Nothing depends on the order that
/// comes of it.
#[derive(Default)]
pub(super) struct Spread(u64);

impl Hasher for Spread {
    fn finish(&self) -> u64 {
        self.0
    }

    fn write(&mut self, bytes: &[u8]) {
        bytes.iter().for_each(|byte| self.write_u64(u64::from(*byte)));
    }

    fn write_u64(&mut self, number: u64) {
        let z = (self.0 ^ number).wrapping_mul(0xBF58_476D_1CE4_E5B9);
        self.0 = z ^ (z >> 29);
    }
}

/// Blocks of one machine's volume that the log holds: those of 64 grains whose bit is set.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(super) struct Region {
    pub class: u16,
    pub machine: u32,
    /// Number of the region in its volume.
    pub number: u64,
    pub grains: u64,
}

impl Region {
    /// Bytes of its blocks.
    pub fn bytes(&self) -> u64 {
        u64::from(self.grains.count_ones()) * GRAIN
    }

    /// Its runs of blocks as (address, bytes), in order.
    pub fn runs(&self, runs: &mut Vec<(u64, u64)>) {
        let mut left = self.grains;
        let start = self.number * REGION;
        while left != 0 {
            let from = u64::from(left.trailing_zeros());
            let count = u64::from((left >> from).trailing_ones());
            let (address, bytes) = (start + from * GRAIN, count * GRAIN);
            match runs.last_mut().filter(|(begin, length)| begin + length == address) {
                Some(run) => run.1 += bytes,
                None => runs.push((address, bytes)),
            }
            left &= !ones(from, from + count);
        }
    }
}

/// Bits `from` to below `to`.
pub(super) fn ones(from: u64, to: u64) -> u64 {
    let below = |n: u64| if n >= GRAINS { u64::MAX } else { (1 << n) - 1 };
    below(to) & !below(from)
}

/// What the log of one replication holds.
pub(super) struct Dirty {
    /// First volume of each class: machines of all classes are numbered through.
    first: Vec<u32>,
    /// By volume and region: the blocks that are held.
    held: HashMap<u64, u64, BuildHasherDefault<Spread>>,
    /// Regions in the order in which they were first written; some have been taken since.
    order: VecDeque<u64>,
    /// Bytes held and not being destaged.
    pub level: u64,
    /// Bytes of blocks written, and of these of blocks that were held already.
    pub committed: u64,
    pub overwritten: u64,
}

impl Dirty {
    pub fn new(classes: &[Class]) -> Self {
        let mut next = 0;
        let mut number = |class: &Class| {
            let first = next;
            next += class.machines;
            first
        };
        Dirty {
            first: classes.iter().map(&mut number).collect(),
            held: HashMap::default(),
            order: VecDeque::new(),
            level: 0,
            committed: 0,
            overwritten: 0,
        }
    }

    fn key(&self, class: u16, machine: u32, region: u64) -> u64 {
        u64::from(self.first[usize::from(class)] + machine) << 32 | region & 0xFFFF_FFFF
    }

    /// The regions of a request with the bits of its blocks.
    fn regions(address: u64, bytes: u64) -> impl Iterator<Item = (u64, u64)> {
        let (first, end) = (address / GRAIN, (address + bytes).div_ceil(GRAIN));
        (first / GRAINS..=(end - 1) / GRAINS).map(move |region| {
            let start = region * GRAINS;
            (region, ones(first.max(start) - start, end.min(start + GRAINS) - start))
        })
    }

    /// Takes in a write; bytes of it that were held already.
    pub fn commit(&mut self, token: &StorageToken) -> u64 {
        let (machine, mut over) = (token.body.machine(), 0);
        for (region, grains) in Self::regions(token.body.address, u64::from(token.amount)) {
            let key = self.key(token.class, machine, region);
            let held = self.held.entry(key).or_insert(0);
            if *held == 0 {
                self.order.push_back(key);
            }
            let fresh = u64::from((grains & !*held).count_ones()) * GRAIN;
            over += u64::from((grains & *held).count_ones()) * GRAIN;
            *held |= grains;
            self.level += fresh;
            self.committed += u64::from(grains.count_ones()) * GRAIN;
        }
        self.overwritten += over;
        over
    }

    /// Whether all blocks of a request are held.
    #[inline]
    pub fn holds(&self, token: &StorageToken) -> bool {
        if self.level == 0 {
            return false;
        }
        let machine = token.body.machine();
        Self::regions(token.body.address, u64::from(token.amount)).all(|(region, grains)| {
            let held = self.held.get(&self.key(token.class, machine, region)).copied().unwrap_or(0);
            held & grains == grains
        })
    }

    /// Takes the oldest region.
    pub fn take_oldest(&mut self) -> Option<Region> {
        loop {
            let key = self.order.pop_front()?;
            // It may have been taken with a neighbour.
            if let Some(grains) = self.held.remove(&key) {
                return Some(self.taken(key, grains));
            }
        }
    }

    /// The oldest region, which stays where it is.
    pub fn oldest(&mut self) -> Option<Region> {
        loop {
            let key = *self.order.front()?;
            if let Some(grains) = self.held.get(&key) {
                return Some(self.region(key, *grains));
            }
            self.order.pop_front();
        }
    }

    /// Takes what is held of a region of the same volume among these grains.
    pub fn take(&mut self, like: &Region, number: u64, among: u64) -> Option<Region> {
        let key = self.key(like.class, like.machine, number);
        let held = self.held.get_mut(&key)?;
        let grains = *held & among;
        *held &= !among;
        if *held == 0 {
            // Its place in the order is passed over when it comes.
            self.held.remove(&key);
        }
        (grains != 0).then(|| self.taken(key, grains))
    }

    fn taken(&mut self, key: u64, grains: u64) -> Region {
        let region = self.region(key, grains);
        self.level -= region.bytes();
        region
    }

    fn region(&self, key: u64, grains: u64) -> Region {
        let volume = (key >> 32) as u32;
        let class = self.first.partition_point(|first| *first <= volume) - 1;
        let machine = volume - self.first[class];
        Region { class: class as u16, machine, number: key & 0xFFFF_FFFF, grains }
    }
}

/// Room that a write takes.
#[inline]
pub(super) fn room(token: &StorageToken) -> u64 {
    let end = token.body.address + u64::from(token.amount);
    end.div_ceil(GRAIN) * GRAIN - token.body.address / GRAIN * GRAIN
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::system::body::Body;
    use proptest::prelude::*;

    fn write(machine: u32, address: u64, bytes: u32) -> StorageToken {
        let mut token = StorageToken::default();
        token.amount = bytes;
        token.body = Body { address, source: 0, machine_and_kind: machine };
        token
    }

    fn dirty() -> Dirty {
        let mut dirty = Dirty::new(&[]);
        dirty.first = vec![0];
        dirty
    }

    #[test]
    fn what_is_written_again_takes_no_room_twice() {
        let mut log = dirty();
        assert_eq!(log.commit(&write(3, 8192, 16384)), 0);
        assert_eq!(log.commit(&write(3, 4096, 8192)), 4096);
        assert_eq!((log.level, log.committed, log.overwritten), (20480, 24576, 4096));
        assert!(log.holds(&write(3, 4096, 4096)) && log.holds(&write(3, 5000, 100)));
        assert!(!log.holds(&write(3, 0, 8192)) && !log.holds(&write(4, 4096, 4096)));
        let region = log.take_oldest().expect("one is held");
        assert_eq!((region.class, region.machine, region.number, region.bytes()), (0, 3, 0, 20480));
        assert_eq!((log.level, log.take_oldest()), (0, None));
    }

    #[test]
    fn a_neighbour_that_was_taken_is_passed_over() {
        let mut log = dirty();
        log.commit(&write(1, 0, 4096));
        log.commit(&write(2, 0, 4096));
        log.commit(&write(1, REGION, 4096));
        log.commit(&write(1, 8192, 4096));
        let first = log.oldest().expect("held");
        assert_eq!(log.take(&first, 0, 0b11).map(|r| r.grains), Some(1));
        assert_eq!(log.take(&first, 1, u64::MAX).map(|r| r.number), Some(1));
        assert_eq!(log.take(&first, 2, u64::MAX), None);
        assert_eq!(log.take_oldest().map(|r| (r.machine, r.grains)), Some((1, 0b100)), "the rest of it");
        assert_eq!(log.take_oldest().map(|r| r.machine), Some(2));
        assert_eq!(log.take_oldest(), None);
    }

    proptest! {
        /// Every block that is written is held once, whatever the order, and comes out once.
        #[test]
        fn blocks_come_out_once(
            writes in prop::collection::vec((0u32..3, 0u64..REGION * 3, 1u32..600_000), 1..40)
        ) {
            let mut log = dirty();
            let mut plain = std::collections::BTreeSet::new();
            for (machine, address, bytes) in &writes {
                let token = write(*machine, *address, *bytes);
                prop_assert_eq!(room(&token) % GRAIN, 0);
                log.commit(&token);
                let end = (address + u64::from(*bytes)).div_ceil(GRAIN);
                plain.extend((address / GRAIN..end).map(|grain| (*machine, grain)));
            }
            prop_assert_eq!(log.level, plain.len() as u64 * GRAIN);
            prop_assert_eq!(log.committed, log.overwritten + log.level);
            let mut out = Vec::new();
            while let Some(region) = log.take_oldest() {
                let mut runs = Vec::new();
                region.runs(&mut runs);
                for (address, bytes) in runs {
                    let grains = address / GRAIN..(address + bytes) / GRAIN;
                    out.extend(grains.map(|grain| (region.machine, grain)));
                }
            }
            out.sort_unstable();
            prop_assert_eq!(out, plain.into_iter().collect::<Vec<_>>());
            prop_assert_eq!(log.level, 0);
        }
    }
}
