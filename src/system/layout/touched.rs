//! The part of a stripe that a request touches, as ranges of offset within its chunks.

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

impl Touched {
    /// The touched chunks.
    pub fn chunks(&self) -> std::ops::RangeInclusive<u32> {
        self.first..=self.last
    }

    pub fn has(&self, chunk: u32) -> bool {
        self.chunks().contains(&chunk)
    }

    /// The touched range of a touched chunk.
    pub fn range(&self, chunk: u32) -> Range {
        let from = if chunk == self.first { self.from } else { 0 };
        (from, if chunk == self.last { self.to } else { self.chunk })
    }

    /// Bytes in all.
    pub fn bytes(&self) -> u64 {
        u64::from(self.last - self.first) * self.chunk + self.to - self.from
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
    fn ranges_that_meet_become_one() {
        let mut ranges = vec![(4, 8), (0, 4), (10, 12)];
        unite(&mut ranges);
        assert_eq!(ranges, [(0, 8), (10, 12)]);
    }
}
