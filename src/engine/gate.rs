//! Gates: credits and a line of waiters. Back-pressure is a gate taken before a station, so that
//! nobody waits while holding a server.

use std::collections::VecDeque;

use super::time::SimTime;

/// One gate: what is left, and who waits.
pub(super) struct Gate {
    left: u64,
    capacity: u64,
    waiters: VecDeque<Waiter>,
}

/// A token in line.
struct Waiter {
    token: u32,
    wanted: u64,
    since: SimTime,
}

impl Gate {
    pub fn new(capacity: u64) -> Self {
        Gate { left: capacity, capacity, waiters: VecDeque::new() }
    }

    /// Takes `wanted` (at most the capacity) now, or puts the token in line; whether it could.
    pub fn take(&mut self, token: u32, wanted: u64, now: SimTime) -> bool {
        let wanted = wanted.min(self.capacity);
        if self.waiters.is_empty() && self.left >= wanted {
            self.left -= wanted;
            return true;
        }
        self.waiters.push_back(Waiter { token, wanted, since: now });
        false
    }

    /// Gives back `given` (at most the capacity, as it was taken).
    pub fn give(&mut self, given: u64) {
        self.left = (self.left + given.min(self.capacity)).min(self.capacity);
    }

    /// What is out.
    pub fn held(&self) -> u64 {
        self.capacity - self.left
    }

    /// The first in line, if it can be let through: (token, since when it waited).
    pub fn admit(&mut self) -> Option<(u32, SimTime)> {
        let first = self.waiters.front().filter(|w| w.wanted <= self.left)?;
        let (token, since) = (first.token, first.since);
        self.left -= first.wanted;
        self.waiters.pop_front();
        Some((token, since))
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn nobody_passes_those_who_wait() {
        let mut gate = Gate::new(10);
        let now = SimTime::from_ps;
        assert!(gate.take(1, 8, now(0)));
        assert!(!gate.take(2, 5, now(1)));
        assert!(!gate.take(3, 1, now(2)), "there is room for it, but 2 is first");
        assert_eq!(gate.admit(), None);
        gate.give(8);
        assert_eq!(gate.admit(), Some((2, now(1))));
        assert_eq!(gate.admit(), Some((3, now(2))));
        assert_eq!(gate.admit(), None);
    }

    #[test]
    fn what_is_larger_than_the_gate_takes_all_of_it() {
        let mut gate = Gate::new(10);
        assert!(gate.take(1, 64, SimTime::ZERO));
        assert!(!gate.take(2, 1, SimTime::ZERO));
        gate.give(64);
        assert_eq!(gate.admit(), Some((2, SimTime::ZERO)));
        assert!(gate.take(3, 9, SimTime::ZERO));
    }
}
