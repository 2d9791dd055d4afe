//! The part of a stripe that a request touches, as ranges of offset within its chunks; of blocks that a
//! log has gathered, one range of each chunk from the first to the last of them.

/// A range of offset within a chunk, from inclusive, to exclusive.
pub(super) type Range = (u64, u64);

/// Chunks of data that a request touches: whole ones, but for the ends of the request.
#[derive(Clone, Copy, Debug)]
pub(super) struct Touched {
    pub first: u32,
    pub last: u32,
    /// Offset in the first chunk.
    pub from: u64,
    /// Offset in the last chunk, where the request ends.
    pub to: u64,
    pub chunk: u64,
}

/// What is touched of a stripe.
pub(super) trait Covers {
    /// The touched chunks.
    fn chunks(&self) -> impl Iterator<Item = u32>;

    fn has(&self, chunk: u32) -> bool;

    /// The touched range of a touched chunk.
    fn range(&self, chunk: u32) -> Range;
}

impl Covers for Touched {
    fn chunks(&self) -> impl Iterator<Item = u32> {
        self.first..=self.last
    }

    fn has(&self, chunk: u32) -> bool {
        (self.first..=self.last).contains(&chunk)
    }

    fn range(&self, chunk: u32) -> Range {
        let from = if chunk == self.first { self.from } else { 0 };
        (from, if chunk == self.last { self.to } else { self.chunk })
    }
}

impl Touched {
    /// Bytes in all.
    pub fn bytes(&self) -> u64 {
        u64::from(self.last - self.first) * self.chunk + self.to - self.from
    }
}

/// By chunk of a stripe's data: one range that holds all that is touched of it; empty where nothing is.
#[derive(Clone, Debug, Default)]
pub(super) struct Hull {
    ranges: Vec<Range>,
}

impl Hull {
    /// Nothing touched, in a stripe of so many chunks.
    pub fn clear(&mut self, data: u32) {
        self.ranges.clear();
        self.ranges.resize(data as usize, (0, 0));
    }

    /// Takes in a further part of the stripe.
    pub fn add(&mut self, part: &Touched) {
        for chunk in part.chunks() {
            let (range, hull) = (part.range(chunk), &mut self.ranges[chunk as usize]);
            *hull = if hull.1 == 0 { range } else { (hull.0.min(range.0), hull.1.max(range.1)) };
        }
    }

    /// Bytes in all.
    pub fn bytes(&self) -> u64 {
        self.ranges.iter().map(|range| range.1 - range.0).sum()
    }
}

impl Covers for Hull {
    fn chunks(&self) -> impl Iterator<Item = u32> {
        (0..self.ranges.len() as u32).filter(|chunk| self.has(*chunk))
    }

    fn has(&self, chunk: u32) -> bool {
        self.ranges[chunk as usize].1 > 0
    }

    fn range(&self, chunk: u32) -> Range {
        self.ranges[chunk as usize]
    }
}

/// The parts of chunks `begin..end` by stripes of `data` chunks each.
pub(super) fn by_stripe(
    begin: u64,
    bytes: u64,
    chunk: u64,
    first_chunk: u64,
    data: u64,
) -> impl Iterator<Item = (u64, Touched)> {
    let end = begin + bytes;
    let (low, high) = (first_chunk + begin / chunk, first_chunk + (end - 1) / chunk);
    (low / data..=high / data).map(move |stripe| {
        let (first, last) = (low.max(stripe * data), high.min(stripe * data + data - 1));
        let touched = Touched {
            first: (first % data) as u32,
            last: (last % data) as u32,
            from: if first == low { begin % chunk } else { 0 },
            to: if last == high { (end - 1) % chunk + 1 } else { chunk },
            chunk,
        };
        (stripe, touched)
    })
}

/// Makes overlapping and adjoining ranges one.
pub(super) fn unite(ranges: &mut Vec<Range>) {
    ranges.sort_unstable();
    ranges.dedup_by(|next, kept| {
        let meet = next.0 <= kept.1;
        if meet {
            kept.1 = kept.1.max(next.1);
        }
        meet
    });
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_request_over_three_stripes_has_an_end_in_the_first_and_the_last() {
        // Chunks of 8, 2 a stripe: bytes 21 to 60 from chunk 1 on, that is chunks 3 to 8.
        let parts: Vec<_> = by_stripe(21, 40, 8, 1, 2).collect();
        let seen: Vec<_> =
            parts.iter().map(|(s, t)| (*s, t.range(t.first), t.range(t.last), t.bytes())).collect();
        let expected = [
            (1, (5, 8), (5, 8), 3),
            (2, (0, 8), (0, 8), 16),
            (3, (0, 8), (0, 8), 16),
            (4, (0, 5), (0, 5), 5),
        ];
        assert_eq!(seen, expected);
    }

    #[test]
    fn a_hull_spans_what_it_was_given_chunk_by_chunk() {
        let mut hull = Hull::default();
        hull.clear(4);
        for (begin, bytes) in [(2, 3), (6, 1), (17, 10)] {
            by_stripe(begin, bytes, 8, 0, 4).for_each(|(_, part)| hull.add(&part));
        }
        assert_eq!(hull.chunks().map(|c| hull.range(c)).collect::<Vec<_>>(), [(2, 7), (1, 8), (0, 3)]);
        assert_eq!((hull.has(1), hull.has(2), hull.bytes()), (false, true, 15));
    }

    #[test]
    fn ranges_that_meet_become_one() {
        let mut ranges = vec![(4, 8), (0, 4), (10, 12)];
        unite(&mut ranges);
        assert_eq!(ranges, [(0, 8), (10, 12)]);
    }
}
