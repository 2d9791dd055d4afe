//! Sources of arrivals, kept out of the calendar: most models have a handful, and one that
//! superposes all its machines would otherwise pass every arrival through the calendar.

use std::cmp::Reverse;
use std::collections::BinaryHeap;
use std::collections::binary_heap::PeekMut;

use super::time::SimTime;

/// When each source has its next arrival; ties by source number.
pub(super) struct Sources {
    heap: BinaryHeap<Reverse<(SimTime, u32)>>,
    /// Time at the top of the heap: asked for at every event.
    next: SimTime,
}

impl Sources {
    pub fn new() -> Self {
        Sources { heap: BinaryHeap::new(), next: SimTime::NEVER }
    }

    pub fn add(&mut self, source: u32, at: SimTime) {
        self.heap.push(Reverse((at, source)));
        self.next = self.next.min(at);
    }

    /// Drops all sources but those to keep.
    pub fn retain(&mut self, keep: impl Fn(u32) -> bool) {
        self.heap.retain(|Reverse((_, source))| keep(*source));
        self.next = self.heap.peek().map_or(SimTime::NEVER, |Reverse((at, _))| *at);
    }

    /// When the next arrival is due.
    #[inline]
    pub fn next(&self) -> SimTime {
        self.next
    }

    /// The source that is due next.
    #[inline]
    pub fn due(&self) -> Option<u32> {
        self.heap.peek().map(|Reverse((_, source))| *source)
    }

    /// Moves the source that is due to its next arrival, or takes it out.
    #[inline]
    pub fn reschedule(&mut self, next: Option<SimTime>) {
        let Some(mut top) = self.heap.peek_mut() else { return };
        match next {
            Some(at) => {
                top.0.0 = at;
                drop(top);
            }
            None => {
                PeekMut::pop(top);
            }
        }
        self.next = self.heap.peek().map_or(SimTime::NEVER, |Reverse((at, _))| *at);
    }
}
