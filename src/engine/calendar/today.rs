//! The events of today, in the order in which they leave.

/// An event: when, and whose.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub(super) struct Event {
    pub time: u64,
    pub id: u32,
}

/// A sorted ring. Events mostly come in the order in which they leave (a queue's departures do), so
/// one that comes looks for its place from the end.
pub(super) struct Today {
    /// A power of two of places.
    ring: Vec<Event>,
    /// Number of the next event to leave; its place is the number modulo the ring's length.
    head: usize,
    /// One past the number of the last to leave.
    tail: usize,
}

impl Today {
    pub fn new() -> Self {
        Today { ring: vec![Event::default(); 64], head: 0, tail: 0 }
    }

    #[inline(always)]
    pub fn len(&self) -> usize {
        self.tail.wrapping_sub(self.head)
    }

    /// The next to leave.
    #[inline(always)]
    pub fn first(&self) -> Option<Event> {
        (self.head != self.tail).then(|| self.ring[self.head & (self.ring.len() - 1)])
    }

    /// The next to leave, leaves.
    #[inline(always)]
    pub fn advance(&mut self) {
        self.head = self.head.wrapping_add(1);
    }

    /// All, in the order in which they leave.
    pub fn iter(&self) -> impl Iterator<Item = Event> + '_ {
        (0..self.len()).map(|n| self.ring[self.head.wrapping_add(n) & (self.ring.len() - 1)])
    }

    /// Puts an event behind those that are not later; tells how many were.
    #[inline(always)]
    pub fn insert(&mut self, event: Event) -> usize {
        if self.len() == self.ring.len() {
            self.grow();
        }
        let mask = self.ring.len() - 1;
        let mut at = self.tail;
        self.tail = self.tail.wrapping_add(1);
        while at != self.head {
            let before = at.wrapping_sub(1);
            let other = self.ring[before & mask];
            if other.time <= event.time {
                break;
            }
            self.ring[at & mask] = other;
            at = before;
        }
        self.ring[at & mask] = event;
        self.tail.wrapping_sub(at) - 1
    }

    #[cold]
    fn grow(&mut self) {
        let mut ring: Vec<Event> = self.iter().collect();
        (self.head, self.tail) = (0, ring.len());
        ring.resize(2 * ring.len(), Event::default());
        self.ring = ring;
    }
}
