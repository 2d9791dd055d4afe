//! Stations: a server or several, and those who wait.
//!
//! A *committed* station knows a departure at the arrival. With one server it is a number, the time
//! at which the server is next free (Lindley 1952); with several, a heap of such times (Kiefer &
//! Wolfowitz 1955). A station that serves in *turns* keeps an explicit queue, and so does one whose next item
//! the model *chooses*.

mod chosen;
mod ranked;

use std::collections::VecDeque;

use super::route::Discipline;
use super::time::SimTime;
pub(super) use chosen::{Chosen, Waiting};
pub(super) use ranked::Ranked;

/// One station: a cache line, and more only where it has several servers or takes turns.
#[derive(Debug)]
#[repr(align(64))]
pub(super) struct Station {
    /// When the one server is next free, ps.
    free_at: u64,
    /// Instants at which tokens left less those at which they came, ps, modulo 2^64 (sums of instants
    /// overflow, their difference does not): the integral of their number, for Little's law.
    pub by_events: u64,
    pub counts: Counts,
    pub more: Option<Box<More>>,
}

/// What a station has seen since the start.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub struct Counts {
    /// Tokens that came.
    pub arrivals: u64,
    /// Service promised to them and charged, ps.
    pub booked: u64,
    /// The same by the means of the laws that it was drawn from, ps.
    pub stated: u64,
    /// Time they wait, ps (of an explicit queue: of those that have left).
    pub wait: WideSum,
}

/// A sum of 128 bits that does not ask for more than the alignment of a `u64`.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub struct WideSum {
    low: u64,
    high: u64,
}

impl WideSum {
    /// Adds to the sum.
    #[inline(always)]
    pub fn add(&mut self, amount: u64) {
        let (low, carry) = self.low.overflowing_add(amount);
        self.low = low;
        self.high += u64::from(carry);
    }

    /// The sum.
    pub fn get(self) -> u128 {
        u128::from(self.high) << 64 | u128::from(self.low)
    }
}

/// A station that is more than one committed server.
#[derive(Debug)]
pub(super) enum More {
    /// When each server is next free: a 4-ary heap, the earliest first (see `replace_earliest`).
    Several(Box<[u64]>),
    Turns(Turns),
    Chosen(Chosen),
    Ranked(Ranked),
}

impl More {
    /// The explicit queue of a discipline, if it has one.
    pub fn of(discipline: Discipline, servers: u32) -> Option<More> {
        match discipline {
            Discipline::Committed => None,
            Discipline::Turns { quantum } => Some(More::Turns(Turns::new(quantum.ps(), true))),
            Discipline::Yields { bound } => Some(More::Turns(Turns::new(bound.ps(), false))),
            Discipline::Ranked => Some(More::Ranked(Ranked::new(servers))),
            Discipline::Chosen { look } => Some(More::Chosen(Chosen::new(look))),
        }
    }

    /// Items of an explicit queue, and when each of them came and what service it is promised: none if it
    /// waits to be chosen.
    pub fn items(&self) -> Box<dyn Iterator<Item = Item> + '_> {
        match self {
            More::Several(_) => Box::new(std::iter::empty()),
            More::Turns(turns) => Box::new(turns.items().copied()),
            More::Ranked(ranked) => Box::new(ranked.items().copied()),
            More::Chosen(chosen) => Box::new(chosen.items()),
        }
    }
}

/// An explicit queue of two levels, served in turns of at most a quantum.
#[derive(Debug)]
pub(super) struct Turns {
    quantum: u64,
    /// Whether an item yields to others of its own level too, or to lower ones alone.
    yields_to_own: bool,
    waiting: [VecDeque<Item>; 2],
    serving: Option<Item>,
    /// When the present turn began.
    since: u64,
}

/// A token in an explicit queue.
#[derive(Clone, Copy, Debug)]
pub(super) struct Item {
    /// The token, or NONE for charged work.
    pub token: u32,
    pub group: u16,
    pub level: u8,
    pub entered: u64,
    pub service: u64,
    pub remaining: u64,
}

/// Replaces the earliest time of a 4-ary heap by `time`. Its length is 4n + 1 (padded with servers
/// that are never free), so that every node has four children or none.
#[inline]
fn replace_earliest(heap: &mut [u64], time: u64) {
    let mut at = 0;
    while let Some(children) = heap.get(4 * at + 1..4 * at + 5) {
        let left = if children[1] < children[0] { 1 } else { 0 };
        let right = if children[3] < children[2] { 3 } else { 2 };
        let best = if children[right] < children[left] { right } else { left };
        let least = children[best];
        if time <= least {
            break;
        }
        heap[at] = least;
        at = 4 * at + 1 + best;
    }
    heap[at] = time;
}

impl Station {
    pub fn new(servers: u32, queue: Option<More>) -> Self {
        let more = match (queue, servers) {
            (Some(queue), _) => Some(queue),
            (None, 0 | 1) => None,
            (None, n) => {
                let mut heap = vec![0; n as usize];
                heap.resize((n as usize - 1).div_ceil(4) * 4 + 1, u64::MAX);
                Some(More::Several(heap.into()))
            }
        };
        Station { free_at: 0, by_events: 0, counts: Counts::default(), more: more.map(Box::new) }
    }

    /// Service booked at a committed station, on whichever server is first free: (start, end).
    /// `None` at a station that serves in turns.
    #[inline(always)]
    pub fn commit(&mut self, now: u64, service: u64) -> Option<(u64, u64)> {
        if self.more.is_some() {
            return self.commit_several(now, service);
        }
        let start = now.max(self.free_at);
        self.free_at = start + service;
        Some((start, start + service))
    }

    #[inline(never)]
    fn commit_several(&mut self, now: u64, service: u64) -> Option<(u64, u64)> {
        let Some(More::Several(heap)) = self.more.as_deref_mut() else { return None };
        let start = now.max(heap[0]);
        replace_earliest(heap, start + service);
        Some((start, start + service))
    }

    /// An item comes to an explicit queue; if it begins at once, when the next event there is due.
    pub fn arrive(&mut self, now: u64, item: Item) -> Option<u64> {
        match self.more.as_deref_mut()? {
            More::Turns(turns) => turns.arrive(now, item),
            More::Ranked(ranked) => ranked.arrive(now, item),
            // Whoever waits to be chosen has no service yet: `Kernel::line_up`.
            More::Several(_) | More::Chosen(_) => None,
        }
    }

    /// An event of an explicit queue: (the item if one is done, when the next event is due).
    pub fn turn(&mut self, now: u64) -> (Option<Item>, Option<u64>) {
        match self.more.as_deref_mut() {
            Some(More::Turns(turns)) => turns.turn(now),
            Some(More::Ranked(ranked)) => ranked.turn(now),
            _ => (None, None),
        }
    }

    /// The queue that chooses, if it has one.
    pub fn chosen(&mut self) -> Option<&mut Chosen> {
        match self.more.as_deref_mut() {
            Some(More::Chosen(chosen)) => Some(chosen),
            _ => None,
        }
    }

    /// Work promised but not done at `now`, ps of server time.
    pub fn residual(&self, now: SimTime) -> u64 {
        let now = now.ps();
        match self.more.as_deref() {
            None => self.free_at.saturating_sub(now),
            Some(More::Several(heap)) => {
                heap.iter().filter(|t| **t != u64::MAX).map(|t| t.saturating_sub(now)).sum()
            }
            Some(More::Turns(turns)) => {
                let waiting: u64 = turns.waiting.iter().flatten().map(|i| i.remaining).sum();
                let serving = turns.serving.map_or(0, |i| i.remaining.saturating_sub(now - turns.since));
                waiting + serving
            }
            // Nothing is promised to those who wait.
            Some(More::Chosen(chosen)) => chosen.residual(now),
            Some(More::Ranked(ranked)) => ranked.residual(now),
        }
    }
}

impl Turns {
    pub fn new(quantum: u64, yields_to_own: bool) -> Self {
        let waiting = [VecDeque::new(), VecDeque::new()];
        Turns { quantum: quantum.max(1), yields_to_own, waiting, serving: None, since: 0 }
    }

    /// An item comes; if it begins at once, when its first turn ends.
    pub fn arrive(&mut self, now: u64, item: Item) -> Option<u64> {
        if self.serving.is_some() {
            self.waiting[usize::from(item.level)].push_back(item);
            return None;
        }
        Some(self.begin(now, item))
    }

    /// The present turn ends: (the item if it is done, when the next turn ends).
    pub fn turn(&mut self, now: u64) -> (Option<Item>, Option<u64>) {
        let Some(mut item) = self.serving.take() else { return (None, None) };
        item.remaining -= now - self.since;
        let mut done = None;
        if item.remaining == 0 {
            done = Some(item);
        } else {
            let level = usize::from(item.level);
            let levels = if self.yields_to_own { level + 1 } else { level };
            if self.waiting[..levels].iter().all(VecDeque::is_empty) {
                return (None, Some(self.begin(now, item)));
            }
            match self.yields_to_own {
                true => self.waiting[level].push_back(item),
                false => self.waiting[level].push_front(item),
            }
        }
        let next = self.waiting.iter_mut().find_map(VecDeque::pop_front);
        (done, next.map(|item| self.begin(now, item)))
    }

    fn begin(&mut self, now: u64, item: Item) -> u64 {
        self.since = now;
        self.serving = Some(item);
        now + item.remaining.min(self.quantum)
    }

    /// Items present, waiting or in service.
    pub fn items(&self) -> impl Iterator<Item = &Item> {
        self.waiting.iter().flatten().chain(&self.serving)
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    proptest! {
        #[test]
        fn the_heap_always_yields_the_earliest_server(
            servers in 2usize..40,
            jobs in prop::collection::vec((0u64..50, 1u64..400), 1..300)
        ) {
            let mut station = Station::new(servers as u32, None);
            let mut plain = vec![0u64; servers];
            let mut now = 0;
            for (gap, service) in jobs {
                now += gap;
                let at = (0..servers).min_by_key(|&i| plain[i]).unwrap();
                let start = now.max(plain[at]);
                plain[at] = start + service;
                prop_assert_eq!(station.commit(now, service), Some((start, start + service)));
                let residual: u64 = plain.iter().map(|t| t.saturating_sub(now)).sum();
                prop_assert_eq!(station.residual(SimTime::from_ps(now)), residual);
            }
        }
    }

    #[test]
    fn a_wide_sum_carries() {
        let mut sum = WideSum::default();
        for amount in [u64::MAX, 1, 7, u64::MAX] {
            sum.add(amount);
        }
        assert_eq!(sum.get(), 2 * u128::from(u64::MAX) + 8);
    }

    #[test]
    fn a_station_is_one_cache_line() {
        assert_eq!(size_of::<Station>(), 64);
    }

    fn item(token: u32, level: u8, service: u64) -> Item {
        Item { token, group: 0, level, entered: 0, service, remaining: service }
    }

    #[test]
    fn an_item_that_yields_goes_on_before_others_of_its_level() {
        let mut turns = Turns::new(10, false);
        assert_eq!(turns.arrive(0, item(1, 1, 25)), Some(10));
        assert_eq!(turns.arrive(1, item(2, 1, 5)), None);
        assert_eq!(turns.turn(10).1, Some(20), "nothing lower waits: it goes on");
        assert_eq!(turns.arrive(11, item(3, 0, 30)), None);
        assert_eq!(turns.turn(20).1, Some(30), "the lower level is let in");
        assert_eq!(turns.arrive(21, item(4, 0, 1)), None);
        assert_eq!(turns.turn(30).1, Some(40), "which does not yield to its own");
        let ends: Vec<_> = [40, 50, 51, 56, 61].into_iter().filter_map(|at| turns.turn(at).0).collect();
        assert_eq!(ends.iter().map(|i| i.token).collect::<Vec<_>>(), [3, 4, 1, 2]);
    }

    #[test]
    fn a_long_item_lets_others_in_after_each_quantum() {
        let mut turns = Turns::new(10, true);
        assert_eq!(turns.arrive(0, item(1, 0, 25)), Some(10));
        assert_eq!(turns.arrive(3, item(2, 0, 5)), None);
        assert_eq!(turns.arrive(4, item(3, 1, 7)), None);
        let (done, next) = turns.turn(10);
        assert!(done.is_none());
        assert_eq!(next, Some(15), "the short one of the same level gets its turn");
        let (done, next) = turns.turn(15);
        assert_eq!(done.map(|i| i.token), Some(2));
        assert_eq!(next, Some(25), "the long one goes on before the lower level");
        assert_eq!(turns.turn(25).1, Some(30));
        let (done, next) = turns.turn(30);
        assert_eq!((done.map(|i| i.token), next), (Some(1), Some(37)));
        assert_eq!(turns.turn(37).0.map(|i| i.token), Some(3));
    }
}
