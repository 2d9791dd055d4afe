//! Stations: a server or several, and those who wait.
//!
//! A *committed* station knows a departure at the arrival. With one server it is a number, the time
//! at which the server is next free (Lindley 1952); with several, a heap of such times (Kiefer &
//! Wolfowitz 1955). A station that serves in *turns* keeps an explicit queue.

use std::collections::VecDeque;

use super::time::SimTime;

/// One station.
#[derive(Debug)]
pub(super) struct Station {
    pub server: Server,
    pub counts: Counts,
}

/// What a station has seen since the start.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub struct Counts {
    /// Tokens that came.
    pub arrivals: u64,
    /// Service promised to them and charged, ps.
    pub booked: u64,
    /// The charged part of it, ps.
    pub charged: u64,
    /// Time they wait, ps (of an explicit queue: of those that have left).
    pub wait: u128,
}

#[derive(Debug)]
pub(super) enum Server {
    /// When the server is next free.
    Single(u64),
    /// When each server is next free: a 4-ary heap, the earliest first (see `replace_earliest`).
    Several(Box<[u64]>),
    Turns(Box<Turns>),
}

/// An explicit queue of two levels, served in turns of at most a quantum.
#[derive(Debug)]
pub(super) struct Turns {
    quantum: u64,
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
    pub fn new(servers: u32, quantum: Option<u64>) -> Self {
        let server = match (quantum, servers) {
            (Some(quantum), _) => Server::Turns(Box::new(Turns {
                quantum: quantum.max(1),
                waiting: [VecDeque::new(), VecDeque::new()],
                serving: None,
                since: 0,
            })),
            (None, 1) => Server::Single(0),
            (None, n) => {
                let mut heap = vec![0; n as usize];
                heap.resize((n as usize - 1).div_ceil(4) * 4 + 1, u64::MAX);
                Server::Several(heap.into())
            }
        };
        Station { server, counts: Counts::default() }
    }

    /// Service booked at a committed station, on whichever server is first free: (start, end).
    /// `None` at a station that serves in turns.
    #[inline(always)]
    pub fn commit(&mut self, now: u64, service: u64) -> Option<(u64, u64)> {
        if let Server::Single(free_at) = &mut self.server {
            let start = now.max(*free_at);
            *free_at = start + service;
            self.counts.booked += service;
            return Some((start, start + service));
        }
        self.commit_several(now, service)
    }

    #[inline(never)]
    fn commit_several(&mut self, now: u64, service: u64) -> Option<(u64, u64)> {
        let Server::Several(heap) = &mut self.server else { return None };
        let start = now.max(heap[0]);
        replace_earliest(heap, start + service);
        self.counts.booked += service;
        Some((start, start + service))
    }

    /// Work promised but not done at `now`, ps of server time.
    pub fn residual(&self, now: SimTime) -> u64 {
        let now = now.ps();
        match &self.server {
            Server::Single(free_at) => free_at.saturating_sub(now),
            Server::Several(heap) => {
                heap.iter().filter(|t| **t != u64::MAX).map(|t| t.saturating_sub(now)).sum()
            }
            Server::Turns(turns) => {
                let waiting: u64 = turns.waiting.iter().flatten().map(|i| i.remaining).sum();
                let serving = turns.serving.map_or(0, |i| i.remaining.saturating_sub(now - turns.since));
                waiting + serving
            }
        }
    }
}

impl Turns {
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
        } else if self.waiting[..=usize::from(item.level)].iter().all(VecDeque::is_empty) {
            return (None, Some(self.begin(now, item)));
        } else {
            self.waiting[usize::from(item.level)].push_back(item);
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
    fn a_long_item_lets_others_in_after_each_quantum() {
        let mut turns =
            Turns { quantum: 10, waiting: [VecDeque::new(), VecDeque::new()], serving: None, since: 0 };
        let item = |token, level, service| Item { token, level, entered: 0, service, remaining: service };
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
