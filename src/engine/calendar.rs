//! The calendar of future events.
//!
//! Events leave in order of time, then of insertion. That rule is the whole of our determinism, so
//! it is property-tested below against a plain sorted list.
//!
//! Days are single cache lines of up to seven unsorted events. When a day comes it is sorted into
//! `today`, and events leave from there. What does not fit in its line, and what lies beyond the
//! year, waits in a heap and joins when its day comes: first what was *early* (beyond the year when
//! it was put, hence older than anything in the line), then the line, then what was *late* (put
//! when the line was full, hence younger). With few events pending there are no days at all: every
//! event goes straight into the sorted list (Brown 1988 describes the classic calendar queue; the
//! cache-line days, the ordering of the overflow and the tuning are ours).

use std::cmp::Reverse;
use std::collections::BinaryHeap;

use super::time::SimTime;

/// Events of one day that fit its cache line.
const LINE: usize = 7;
/// Above this many pending the sorted list is split into days.
const SPLIT_ABOVE: usize = 20;
/// Below this many pending at a tuning point the days are folded into a list again.
const FOLD_BELOW: usize = 8;
/// Pops between two looks at the day's width.
const TUNE_EVERY: u32 = 8192;
/// Mean events a day that the tuning aims at.
const EVENTS_PER_DAY: f64 = 3.5;

#[derive(Clone, Copy, Debug, PartialEq, Eq)]
struct Event {
    time: u64,
    id: u32,
}

#[repr(align(64))]
#[derive(Clone, Copy)]
struct Day {
    /// Time within the day in the high half, id in the low half.
    events: [u64; LINE],
    len: u64,
}

const EMPTY_DAY: Day = Day { events: [0; LINE], len: 0 };

/// An event outside the days: (time, late?, insertion number, id).
type Outsider = Reverse<(u64, bool, u64, u32)>;

/// Pending events, popped in order of time, then insertion.
pub struct Calendar {
    /// Sorted, latest first: the next event to leave is the last.
    today: Vec<Event>,
    /// Number of the day in `today`; `u64::MAX` when there are no days.
    day: u64,
    /// A day lasts 2^shift picoseconds.
    shift: u32,
    mask: u64,
    days: Vec<Day>,
    /// One bit a day that has events in its line.
    occupied: Vec<u64>,
    in_days: usize,
    outside: BinaryHeap<Outsider>,
    outside_day: u64,
    inserted: u64,
    pops_left: u32,
    tuned_at: u64,
    days_opened: u32,
}

/// Keeps a list sorted, latest first; equal times leave (from the end) in order of insertion.
#[inline(always)]
fn insert_sorted(list: &mut Vec<Event>, event: Event) {
    let mut at = list.len();
    list.push(event);
    while at > 0 && list[at - 1].time <= event.time {
        list[at] = list[at - 1];
        at -= 1;
    }
    list[at] = event;
}

impl Default for Calendar {
    fn default() -> Self {
        Self::new()
    }
}

impl Calendar {
    /// An empty calendar.
    pub fn new() -> Self {
        Calendar {
            today: Vec::with_capacity(64),
            day: u64::MAX,
            shift: 63,
            mask: 0,
            days: Vec::new(),
            occupied: Vec::new(),
            in_days: 0,
            outside: BinaryHeap::new(),
            outside_day: u64::MAX,
            inserted: 0,
            pops_left: TUNE_EVERY,
            tuned_at: 0,
            days_opened: 0,
        }
    }

    /// Events pending.
    pub fn len(&self) -> usize {
        self.today.len() + self.in_days + self.outside.len()
    }

    /// Whether nothing is pending.
    pub fn is_empty(&self) -> bool {
        self.len() == 0
    }

    /// Puts an event. `time` must not be before the last popped one.
    #[inline]
    pub fn push(&mut self, time: SimTime, id: u32) {
        let time = time.ps();
        let day = time >> self.shift;
        // Without days `self.day` is the last number there is, so that this holds for every event.
        if day <= self.day {
            self.insert_today(Event { time, id });
            return;
        }
        let slot = (day & self.mask) as usize;
        let line = &mut self.days[slot];
        if day - self.day <= self.mask && (line.len as usize) < LINE {
            line.events[line.len as usize] = (time & ((1 << self.shift) - 1)) << 32 | u64::from(id);
            line.len += 1;
            self.occupied[slot / 64] |= 1 << (slot % 64);
            self.in_days += 1;
        } else {
            self.push_outside(time, day, id);
        }
    }

    /// Takes the next event if it is due before `limit`.
    #[inline]
    pub fn pop_before(&mut self, limit: SimTime) -> Option<(SimTime, u32)> {
        if self.today.is_empty() && !self.open_next_day(limit.ps()) {
            return None;
        }
        let next = self.today[self.today.len() - 1];
        if next.time >= limit.ps() {
            return None;
        }
        self.today.pop();
        self.pops_left -= 1;
        if self.pops_left == 0 {
            self.tune(next.time);
        }
        Some((SimTime::from_ps(next.time), next.id))
    }

    /// Every pending event, in no particular order.
    pub fn pending(&self) -> impl Iterator<Item = (SimTime, u32)> + '_ {
        let in_days = self.days.iter().enumerate().flat_map(move |(slot, line)| {
            let number = self.day_of_slot(slot as u64);
            line.events[..line.len as usize]
                .iter()
                .map(move |e| ((number << self.shift) + (e >> 32), *e as u32))
        });
        let today = self.today.iter().map(|e| (e.time, e.id));
        let outside = self.outside.iter().map(|Reverse((time, _, _, id))| (*time, *id));
        today.chain(in_days).chain(outside).map(|(time, id)| (SimTime::from_ps(time), id))
    }

    /// Number of the day after today whose line is `slot`.
    fn day_of_slot(&self, slot: u64) -> u64 {
        let first = self.day.wrapping_add(1);
        first.wrapping_add(slot.wrapping_sub(first) & self.mask)
    }

    #[inline]
    fn insert_today(&mut self, event: Event) {
        insert_sorted(&mut self.today, event);
        if self.day == u64::MAX && self.today.len() > SPLIT_ABOVE {
            self.split();
        }
    }

    #[cold]
    fn push_outside(&mut self, time: u64, day: u64, id: u32) {
        let late = day - self.day <= self.mask;
        self.inserted += 1;
        self.outside.push(Reverse((time, late, self.inserted, id)));
        self.outside_day = self.outside_day.min(day);
    }

    /// Moves the next day that has events into `today`; false if none begins before `limit`. (A
    /// far day must not be opened early: all that is put meanwhile would join its list.)
    #[inline]
    fn open_next_day(&mut self, limit: u64) -> bool {
        let in_line = self.next_occupied();
        let day = in_line.min(self.outside_day);
        if day == u64::MAX || day << self.shift >= limit {
            return false;
        }
        self.day = day;
        self.days_opened += 1;
        if day == self.outside_day {
            self.open_with_outsiders(day, day == in_line);
        } else {
            self.open_line(day);
        }
        true
    }

    /// Early ones first, then the line, then late ones.
    #[cold]
    fn open_with_outsiders(&mut self, day: u64, has_line: bool) {
        let mut late = Vec::new();
        while let Some(&Reverse((time, is_late, _, id))) = self.outside.peek() {
            if time >> self.shift > day {
                break;
            }
            self.outside.pop();
            if is_late {
                late.push(Event { time, id });
            } else {
                self.insert_today(Event { time, id });
            }
        }
        self.outside_day = self.outside.peek().map_or(u64::MAX, |Reverse((time, ..))| time >> self.shift);
        if has_line {
            self.open_line(day);
        }
        for event in late {
            self.insert_today(event);
        }
    }

    /// Sorts the line of `day` into `today`.
    #[inline]
    fn open_line(&mut self, day: u64) {
        let slot = (day & self.mask) as usize;
        self.occupied[slot / 64] &= !(1 << (slot % 64));
        let line = &mut self.days[slot];
        let len = std::mem::take(&mut line.len) as usize;
        let base = day << self.shift;
        self.in_days -= len;
        for e in &line.events[..len] {
            insert_sorted(&mut self.today, Event { time: base + (e >> 32), id: *e as u32 });
        }
    }

    /// The first day after today whose line holds events, or `u64::MAX`.
    #[inline]
    fn next_occupied(&self) -> u64 {
        if self.in_days == 0 {
            return u64::MAX;
        }
        let words = self.occupied.len();
        let start = (self.day + 1) & self.mask;
        let mut word = (start / 64) as usize;
        let mut bits = self.occupied[word] & (!0 << (start % 64));
        while bits == 0 {
            word = if word + 1 == words { 0 } else { word + 1 };
            bits = self.occupied[word];
        }
        self.day_of_slot(word as u64 * 64 + u64::from(bits.trailing_zeros()))
    }

    /// Looks at how the days have been used and lays them anew if their width is poor.
    #[cold]
    fn tune(&mut self, now: u64) {
        let elapsed = now - self.tuned_at;
        let opened = self.days_opened;
        self.tuned_at = now;
        self.pops_left = TUNE_EVERY;
        self.days_opened = 0;
        if self.day == u64::MAX {
            return;
        }
        if self.len() < FOLD_BELOW {
            self.lay_days(u64::MAX, 0);
            return;
        }
        let per_day = f64::from(TUNE_EVERY) / f64::from(opened.max(1));
        let crowded = self.outside.len() * 4 > self.len();
        if !(2.2..=5.6).contains(&per_day) || crowded {
            self.lay_days(now, elapsed / u64::from(TUNE_EVERY));
        }
    }

    /// The list has grown long: days are laid, their width guessed from what is pending.
    #[cold]
    fn split(&mut self) {
        let (last, first) = (self.today[0].time, self.today[self.today.len() - 1].time);
        // Arrivals of the next events thin out with time; a third of the mean gap is a fair start.
        let gap = (last - first) / self.today.len() as u64 / 3;
        self.lay_days(first, gap.max(1));
    }

    /// Lays days that suit a mean `gap` between events, from `now` on (`u64::MAX`: no days), and
    /// puts every pending event again, in the order in which they would have left.
    fn lay_days(&mut self, now: u64, gap: u64) {
        let mut events = std::mem::take(&mut self.today);
        events.reverse();
        while self.open_next_day(u64::MAX) {
            while let Some(event) = self.today.pop() {
                events.push(event);
            }
        }
        if now == u64::MAX {
            (self.day, self.shift, self.mask) = (u64::MAX, 63, 0);
            self.days = Vec::new();
            self.occupied = Vec::new();
        } else {
            let width = (gap as f64 * EVENTS_PER_DAY).max(2.0);
            self.shift = (width.log2().round() as u32).clamp(1, 31);
            // A year spans four times what is pending now, so that few events lie beyond it.
            let span = events.last().map_or(0, |e| e.time.saturating_sub(now));
            let wanted = (span >> self.shift).saturating_mul(2).max(2 * events.len() as u64);
            let days = wanted.clamp(256, 1 << 16).next_power_of_two();
            self.mask = days - 1;
            self.days = vec![EMPTY_DAY; days as usize];
            self.occupied = vec![0; (days / 64) as usize];
            self.day = now >> self.shift;
        }
        for event in events {
            self.push(SimTime::from_ps(event.time), event.id);
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    /// What the calendar must do, done the plain way.
    #[derive(Default)]
    struct Plain(Vec<(u64, u64, u32)>, u64);

    impl Plain {
        fn push(&mut self, time: u64, id: u32) {
            self.1 += 1;
            self.0.push((time, self.1, id));
        }
        fn pop_before(&mut self, limit: u64) -> Option<(u64, u32)> {
            let at = (0..self.0.len()).min_by_key(|&i| (self.0[i].0, self.0[i].1))?;
            (self.0[at].0 < limit).then(|| {
                let (time, _, id) = self.0.remove(at);
                (time, id)
            })
        }
    }

    fn agree(steps: impl Iterator<Item = (bool, u64)>) {
        let (mut calendar, mut plain, mut now, mut id) = (Calendar::new(), Plain::default(), 0, 0);
        for (push, ahead) in steps {
            if push {
                id += 1;
                calendar.push(SimTime::from_ps(now + ahead), id);
                plain.push(now + ahead, id);
            } else {
                let limit = SimTime::from_ps(now.saturating_add(ahead * 4).max(1));
                let expected = plain.pop_before(limit.ps());
                let got = calendar.pop_before(limit).map(|(t, i)| (t.ps(), i));
                assert_eq!(got, expected);
                now = expected.map_or(now, |e| e.0);
            }
            assert_eq!(calendar.len(), plain.0.len());
        }
        let mut pending: Vec<_> = calendar.pending().map(|(t, i)| (t.ps(), i)).collect();
        let mut expected: Vec<_> = plain.0.iter().map(|e| (e.0, e.2)).collect();
        pending.sort_unstable();
        expected.sort_unstable();
        assert_eq!(pending, expected);
        while let Some(e) = plain.pop_before(u64::MAX) {
            assert_eq!(calendar.pop_before(SimTime::NEVER).map(|(t, i)| (t.ps(), i)), Some(e));
        }
    }

    proptest! {
        #[test]
        fn equal_times_leave_in_insertion_order(
            steps in prop::collection::vec((prop::bool::weighted(0.6), 0u64..40), 1..3000)
        ) {
            agree(steps.into_iter());
        }

        #[test]
        fn events_leave_in_order_whatever_their_spread(
            steps in prop::collection::vec((prop::bool::weighted(0.55), 0u32..50), 1..2000)
        ) {
            agree(steps.into_iter().map(|(push, bits)| (push, 3u64 << bits >> 2)));
        }
    }

    #[test]
    fn long_runs_tune_without_losing_order() {
        // 200 events pending, gaps that jump by a factor of 10^5 now and then: many re-layings.
        let mut draws = crate::engine::Key::root(3).draws(crate::engine::Purpose::named("test"));
        let mut calendar = Calendar::new();
        let (mut plain, mut scale) = (Plain::default(), 1_000u64);
        for id in 0..200 {
            let t = draws.below(scale * 200);
            calendar.push(SimTime::from_ps(t), id);
            plain.push(t, id);
        }
        for n in 0..100_000u32 {
            if n % 20_000 == 0 {
                scale = if scale == 1_000 { 100_000_000 } else { 1_000 };
            }
            let (t, id) = calendar.pop_before(SimTime::NEVER).expect("200 pending");
            assert_eq!((t.ps(), id), plain.pop_before(u64::MAX).expect("200 pending"));
            let next = t.ps() + draws.below(scale * 400) / 64 * 64;
            calendar.push(SimTime::from_ps(next), id);
            plain.push(next, id);
        }
    }
}
