//! The calendar of future events.
//!
//! Events leave in order of time, then of insertion. That rule is the whole of our determinism, so
//! it is property-tested below against a plain sorted list.
//!
//! Three tiers, each taken apart when its time comes, so that an event is moved at most three times
//! however many are pending. *Seasons* are plain lists of what lies far ahead. *Days* are single cache
//! lines of up to seven unsorted events; the days of this season and the next are at hand. *Today* is
//! sorted, and events leave from there. What does not fit in a day's line waits in a heap, the
//! *crowd*. Equal times are in one day and in one season; an event goes to the crowd only when the line
//! is full, and to a season only before that is spread over its days: so whatever lies in a later
//! tier was put earlier, or joins behind, and the order of insertion is kept by the order of the moves.
//!
//! With few events pending, or such as come in the order in which they leave, there are no days at all:
//! every event goes straight into today. (Brown 1988 describes the classic calendar queue; the tiers,
//! the lines and the tuning are ours.)

mod today;

use std::cmp::Reverse;
use std::collections::{BTreeMap, BinaryHeap};

use super::time::SimTime;
use today::{Event, Today};

/// Events of one day that fit its cache line.
const LINE: usize = 7;
/// An event that has to pass more than this many in today's list splits it into days.
const SPLIT_ABOVE: usize = 16;
/// Below this many pending at a tuning point the days are folded into a list again.
const FOLD_BELOW: usize = 8;
/// Pops between two looks at the day's width.
const TUNE_EVERY: u32 = 8192;
/// Mean events a day that the tuning aims at.
const EVENTS_PER_DAY: f64 = 3.5;
/// Days of two seasons: at least, and at most (a MiB of lines: what a core's own cache may hold).
const DAYS: (u64, u64) = (256, 1 << 14);

#[repr(align(64))]
#[derive(Clone, Copy)]
struct Day {
    /// Time within the day in the high half, id in the low half.
    events: [u64; LINE],
    len: u64,
}

const EMPTY_DAY: Day = Day { events: [0; LINE], len: 0 };

/// Pending events, popped in order of time, then insertion.
pub struct Calendar {
    today: Today,
    /// Number of today; `u64::MAX` when there are no days.
    day: u64,
    /// A day lasts 2^shift picoseconds.
    shift: u32,
    /// Days at hand less one: a power of two less one.
    mask: u64,
    days: Vec<Day>,
    /// One bit a day that has events in its line.
    occupied: Vec<u64>,
    in_days: usize,
    /// The first day that is not at hand.
    far: u64,
    /// What did not fit in its day's line: (time, number, id). The numbers keep the order.
    crowd: BinaryHeap<Reverse<(u64, u64, u32)>>,
    crowd_day: u64,
    crowded: u64,
    /// By season, what lies beyond the days at hand, in order of insertion.
    seasons: BTreeMap<u64, Vec<Event>>,
    in_seasons: usize,
    pops_left: u32,
    tuned_at: u64,
    days_opened: u32,
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
            today: Today::new(),
            day: u64::MAX,
            shift: 63,
            mask: 0,
            days: Vec::new(),
            occupied: Vec::new(),
            in_days: 0,
            far: u64::MAX,
            crowd: BinaryHeap::new(),
            crowd_day: u64::MAX,
            crowded: 0,
            seasons: BTreeMap::new(),
            in_seasons: 0,
            pops_left: TUNE_EVERY,
            tuned_at: 0,
            days_opened: 0,
        }
    }

    /// Events pending.
    pub fn len(&self) -> usize {
        self.today.len() + self.in_days + self.crowd.len() + self.in_seasons
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
            let passed = self.today.insert(Event { time, id });
            if passed > SPLIT_ABOVE && self.day == u64::MAX {
                self.split();
            }
        } else if day < self.far {
            self.put_in_line(day, Event { time, id });
        } else {
            self.put_in_season(day, Event { time, id });
        }
    }

    #[inline(always)]
    fn put_in_line(&mut self, day: u64, event: Event) {
        let slot = (day & self.mask) as usize;
        let line = &mut self.days[slot];
        let Some(place) = line.events.get_mut(line.len as usize) else {
            return self.put_in_crowd(day, event);
        };
        *place = (event.time & ((1 << self.shift) - 1)) << 32 | u64::from(event.id);
        line.len += 1;
        self.occupied[slot / 64] |= 1 << (slot % 64);
        self.in_days += 1;
    }

    #[cold]
    fn put_in_crowd(&mut self, day: u64, event: Event) {
        self.crowded += 1;
        self.crowd.push(Reverse((event.time, self.crowded, event.id)));
        self.crowd_day = self.crowd_day.min(day);
    }

    #[inline(never)]
    fn put_in_season(&mut self, day: u64, event: Event) {
        let season = self.season(day);
        self.seasons.entry(season).or_default().push(event);
        self.in_seasons += 1;
    }

    /// Half of the days at hand make a season.
    fn season(&self, day: u64) -> u64 {
        day / (self.mask / 2 + 1)
    }

    /// Takes the next event if it is due before `limit`.
    #[inline]
    pub fn pop_before(&mut self, limit: SimTime) -> Option<(SimTime, u32)> {
        let next = match self.today.first() {
            Some(next) => next,
            None => {
                if !self.open_next_day(limit.ps()) {
                    return None;
                }
                self.today.first()?
            }
        };
        if next.time >= limit.ps() {
            return None;
        }
        self.today.advance();
        self.pops_left -= 1;
        if self.pops_left == 0 {
            self.tune(next.time);
        }
        Some((SimTime::from_ps(next.time), next.id))
    }

    /// Every pending event, in no particular order, but for equal times in that of insertion.
    pub fn pending(&self) -> impl Iterator<Item = (SimTime, u32)> + '_ {
        let mut crowd: Vec<_> = self.crowd.iter().map(|Reverse(e)| *e).collect();
        crowd.sort_unstable();
        let lines = self.days.iter().enumerate().flat_map(move |(slot, line)| {
            let start = self.day_of_slot(slot as u64) << self.shift;
            let event = move |e: &u64| Event { time: start + (e >> 32), id: *e as u32 };
            line.events[..line.len as usize].iter().map(event)
        });
        let crowd = crowd.into_iter().map(|(time, _, id)| Event { time, id });
        let seasons = self.seasons.values().flatten().copied();
        self.today.iter().chain(lines).chain(crowd).chain(seasons).map(|e| (SimTime::from_ps(e.time), e.id))
    }

    /// Number of the day after today whose line is `slot`.
    fn day_of_slot(&self, slot: u64) -> u64 {
        let first = self.day.wrapping_add(1);
        first.wrapping_add(slot.wrapping_sub(first) & self.mask)
    }

    /// Moves the next day that has events into `today`; false if none begins before `limit`. (A
    /// far day must not be opened early: all that is put meanwhile would join its list.)
    #[inline]
    fn open_next_day(&mut self, limit: u64) -> bool {
        let mut day = self.next_occupied();
        if day >= self.far {
            // Nothing is at hand: either nothing is pending, or seasons are.
            let Some((&season, _)) = self.seasons.first_key_value() else { return false };
            let eve = season * (self.mask / 2 + 1) - 1;
            if eve << self.shift >= limit {
                return false;
            }
            self.turn_to(eve);
            day = self.next_occupied();
        }
        if day << self.shift >= limit {
            return false;
        }
        self.turn_to(day);
        self.days_opened += 1;
        self.open_line(day);
        if day == self.crowd_day {
            self.open_crowd(day);
        }
        true
    }

    /// Makes `day` today; the season after its own is then at hand.
    #[inline(always)]
    fn turn_to(&mut self, day: u64) {
        self.day = day;
        if day + self.mask / 2 + 1 >= self.far {
            self.spread_seasons(day);
        }
    }

    #[inline(never)]
    fn spread_seasons(&mut self, day: u64) {
        let last = self.season(day) + 1;
        self.far = (last + 1) * (self.mask / 2 + 1);
        while let Some(entry) = self.seasons.first_entry().filter(|e| *e.key() <= last) {
            let events = entry.remove();
            self.in_seasons -= events.len();
            for event in events {
                self.put_in_line(event.time >> self.shift, event);
            }
        }
    }

    /// What did not fit is younger than what did.
    #[cold]
    fn open_crowd(&mut self, day: u64) {
        while let Some(&Reverse((time, _, id))) = self.crowd.peek() {
            self.crowd_day = time >> self.shift;
            if self.crowd_day > day {
                return;
            }
            self.crowd.pop();
            self.today.insert(Event { time, id });
        }
        self.crowd_day = u64::MAX;
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
            self.today.insert(Event { time: base + (e >> 32), id: *e as u32 });
        }
    }

    /// The first day after today whose line holds events, or `u64::MAX`. (A crowd has a full line.)
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
            self.fold();
            return;
        }
        let per_day = f64::from(TUNE_EVERY) / f64::from(opened.max(1));
        let shift = shift_for(elapsed / u64::from(TUNE_EVERY));
        if !(2.2..=5.6).contains(&per_day) && shift != self.shift {
            self.lay_days(now, shift);
        }
    }

    /// The list has grown long: days are laid, their width guessed from what is pending.
    #[cold]
    fn split(&mut self) {
        let first = self.today.first().map_or(0, |e| e.time);
        let last = self.today.iter().last().map_or(0, |e| e.time);
        // Arrivals of the next events thin out with time; a third of the mean gap is a fair start.
        self.lay_days(first, shift_for((last - first) / self.today.len() as u64 / 3));
    }

    /// Lays days of 2^shift ps, of which today is the one of `now`.
    fn lay_days(&mut self, now: u64, shift: u32) {
        let last = self.pending().map(|e| e.0.ps()).max().unwrap_or(now);
        let days = ((last - now) >> shift).saturating_mul(2).clamp(DAYS.0, DAYS.1).next_power_of_two();
        let mut laid = Calendar {
            day: now >> shift,
            shift,
            mask: days - 1,
            days: vec![EMPTY_DAY; days as usize],
            occupied: vec![0; (days / 64) as usize],
            pops_left: self.pops_left,
            ..Calendar::new()
        };
        laid.spread_seasons(laid.day);
        self.move_to(laid);
    }

    /// Does without days.
    fn fold(&mut self) {
        self.move_to(Calendar::new());
    }

    /// Moves every event to a calendar without any, which takes the place of this one.
    fn move_to(&mut self, mut other: Calendar) {
        other.tuned_at = self.tuned_at;
        self.pending().for_each(|(time, id)| other.push(time, id));
        *self = other;
    }
}

/// The length of days that suits a mean `gap` between events, as a power of two of picoseconds.
fn shift_for(gap: u64) -> u32 {
    let width = (gap as f64 * EVENTS_PER_DAY).max(2.0);
    (width.log2().round() as u32).clamp(1, 31)
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
