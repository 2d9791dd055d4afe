//! What one request asks of the drives on average, by the same plans that a run makes: for the static
//! column.

use crate::engine::{Key, Purpose};
use crate::scenario::Operation;

use super::ceiling::Kind;
use super::layout::{Layout, Placement, Planner, Request, Stripes, gcd};
use super::log::GRAIN;
use super::plan::Plan;
use super::reduction::Blocks;

const PLACES: Purpose = Purpose::named("places");
/// Most chunks that are planned for the mean of one kind of request, and most places.
const CHUNKS_MAX: u64 = 1 << 18;
const PLACES_MAX: u64 = 1 << 12;

/// Drive requests of one request of a kind, on average over all places.
#[derive(Clone, Copy, Debug, Default, PartialEq)]
pub(super) struct DriveWork {
    pub reads: f64,
    pub bytes_read: f64,
    pub writes: f64,
    pub bytes_written: f64,
    /// Bytes that the processor takes in for parity, or to give back lost data.
    pub bytes_coded: f64,
    /// Bytes that go from the log to the drives, before reduction.
    pub bytes_destaged: f64,
    /// Processor time beside a request's own and parity, seconds.
    pub work_s: f64,
}

impl DriveWork {
    /// The work of a kind of request under the plan's layout.
    pub fn of(plan: &Plan, kind: &Kind) -> DriveWork {
        let mut work = Self::uncached(plan, kind).times(1.0 - kind.cached);
        match kind.operation {
            Operation::Read => {
                let block = plan.blocks.as_ref().map_or(GRAIN, |blocks| blocks.bytes);
                let (touched, _) = blocks_of(kind, block, false);
                work.work_s += (1.0 - kind.cached) * plan.bytes_s(kind.bytes, touched);
            }
            Operation::Write => {
                work.work_s += plan.bytes_s(kind.bytes, 0.0);
                work.bytes_destaged = kind.bytes as f64;
            }
        }
        work
    }

    fn times(self, factor: f64) -> DriveWork {
        DriveWork {
            reads: self.reads * factor,
            bytes_read: self.bytes_read * factor,
            writes: self.writes * factor,
            bytes_written: self.bytes_written * factor,
            bytes_coded: self.bytes_coded * factor,
            bytes_destaged: self.bytes_destaged * factor,
            work_s: self.work_s * factor,
        }
    }

    fn plus(self, other: DriveWork) -> DriveWork {
        DriveWork {
            reads: self.reads + other.reads,
            bytes_read: self.bytes_read + other.bytes_read,
            writes: self.writes + other.writes,
            bytes_written: self.bytes_written + other.bytes_written,
            bytes_coded: self.bytes_coded + other.bytes_coded,
            bytes_destaged: self.bytes_destaged + other.bytes_destaged,
            work_s: self.work_s + other.work_s,
        }
    }

    fn uncached(plan: &Plan, kind: &Kind) -> DriveWork {
        if let (Some(stripes), Some(blocks)) = (&plan.stripes, &plan.blocks) {
            return match kind.operation {
                Operation::Read => Self::stored_read(plan, blocks, kind),
                Operation::Write => Self::appended(plan, stripes, blocks, kind),
            };
        }
        let alone = Self::alone(plan, kind);
        if !plan.has_log() || kind.operation == Operation::Read || kind.sequential == 0.0 {
            return alone;
        }
        // A log makes whole stripes of streams.
        let stripe = plan.stripe_bytes();
        let whole = Kind { bytes: stripe, align: stripe, ..kind.clone() };
        let of_stream = Self::alone(plan, &whole).times(kind.bytes as f64 / stripe as f64);
        alone.times(1.0 - kind.sequential).plus(of_stream.times(kind.sequential))
    }

    /// A request in place, planned alone.
    fn alone(plan: &Plan, kind: &Kind) -> DriveWork {
        if let (Some(layout), Some(placement)) = (&plan.layout, plan.placement()) {
            return Self::protected(layout, placement, kind);
        }
        let (fragments, bytes) = (plan.mean_fragments(kind.bytes, kind.align), kind.bytes as f64);
        match kind.operation {
            Operation::Read => DriveWork { reads: fragments, bytes_read: bytes, ..DriveWork::default() },
            Operation::Write => DriveWork { writes: fragments, bytes_written: bytes, ..DriveWork::default() },
        }
    }

    /// A read of a log-structured layout: its blocks where they are stored, over many places.
    fn stored_read(plan: &Plan, blocks: &Blocks, kind: &Kind) -> DriveWork {
        let key = Key::root(0).named("work");
        let places = (CHUNKS_MAX / (kind.bytes / blocks.bytes + 1)).clamp(16, PLACES_MAX);
        let mut planner = Planner::default();
        let mut sum = DriveWork::default();
        for number in 0..places {
            let mut draws = key.numbered(number).draws(PLACES);
            let address = draws.below(1 << 20) * kind.align;
            plan.read_blocks(&mut planner, (kind.class as u16, 0), address, kind.bytes, draws.bits());
            sum.reads += planner.reads.len() as f64;
            sum.bytes_read += planner.sums.read as f64;
            sum.bytes_coded += planner.sums.coded as f64;
        }
        let mut work = sum.times(1.0 / places as f64);
        work.reads += plan.shares.map_misses[kind.class];
        work.bytes_read += plan.shares.map_misses[kind.class] * GRAIN as f64;
        work
    }

    /// A write of a log-structured layout and its share of full stripes, and of the cleaner's.
    fn appended(plan: &Plan, stripes: &Stripes, blocks: &Blocks, kind: &Kind) -> DriveWork {
        let (touched, partial) = blocks_of(kind, blocks.bytes, plan.has_log());
        let hits = plan.cache.as_ref().map_or(0.0, |cache| cache.hit_ratio(kind.class));
        let old = partial * (1.0 - hits);
        let look_ups = touched * (plan.shares.map_misses[kind.class] + plan.shares.index_misses);
        let (plain, reduced) = (touched * blocks.bytes as f64, touched * blocks.mean_written(kind.class));
        let kept = if blocks.after { plain + reduced } else { reduced };
        let moved = (stripes.amplification - 1.0) * reduced;
        let again = if blocks.after { plain } else { 0.0 };
        let (data, chunk) = (f64::from(stripes.data), plan.chunk() as f64);
        let width = plan.placement().map_or(data, |placement| f64::from(placement.group.width()));
        let (drives, bytes_written) = striped(plan, stripes, kept, moved);
        DriveWork {
            reads: old + look_ups + (moved + again) / chunk,
            bytes_read: old * blocks.mean_stored(kind.class) + look_ups * GRAIN as f64 + moved + again,
            writes: drives,
            bytes_written,
            bytes_coded: if width > data && data > 1.0 { kept + moved } else { 0.0 },
            bytes_destaged: 0.0,
            work_s: touched * blocks.mean_work(kind.class, if touched > 0.0 { old / touched } else { 0.0 })
                / 1e12,
        }
    }

    /// Over every place of the pattern in which stripes lie, or over so many drawn from them.
    fn protected(layout: &Layout, placement: &Placement, kind: &Kind) -> DriveWork {
        let pattern = placement.stripes_of_pattern() * u64::from(placement.group.data()) * layout.chunk;
        let all = pattern / gcd(kind.align, pattern);
        let places = all.min((CHUNKS_MAX / (kind.bytes / layout.chunk + 1)).clamp(16, PLACES_MAX));
        let key = Key::root(0).named("work");
        let mut planner = Planner::standing(placement);
        let mut sum = DriveWork::default();
        for number in 0..places {
            let mut draws = key.numbered(number).draws(PLACES);
            let place = if places == all { number } else { draws.below(all) };
            let request = Request {
                operation: kind.operation,
                class: 0,
                machine: 0,
                address: place * kind.align,
                bytes: kind.bytes,
                copy: draws.bits(),
            };
            planner.plan(layout, placement, &request);
            sum.reads += planner.reads.len() as f64;
            sum.writes += planner.writes.len() as f64;
            sum.bytes_read += planner.sums.read as f64;
            sum.bytes_written += planner.sums.written as f64;
            sum.bytes_coded += planner.sums.coded as f64;
        }
        let mean = |of: f64| of / places as f64;
        DriveWork {
            reads: mean(sum.reads),
            bytes_read: mean(sum.bytes_read),
            writes: mean(sum.writes),
            bytes_written: mean(sum.bytes_written),
            bytes_coded: mean(sum.bytes_coded),
            ..DriveWork::default()
        }
    }

    /// Mean bytes of a drive read and of a drive write.
    pub fn bytes_each(&self) -> [u64; 2] {
        let each = |bytes: f64, count: f64| if count > 0.0 { (bytes / count) as u64 } else { 0 };
        [each(self.bytes_read, self.reads), each(self.bytes_written, self.writes)]
    }
}

/// Drive writes, and their bytes, of what one write adds to full stripes and of what the cleaner moves for it.
pub(super) fn striped(plan: &Plan, stripes: &Stripes, kept: f64, moved: f64) -> (f64, f64) {
    let (data, chunk) = (f64::from(stripes.data), plan.chunk() as f64);
    let width = plan.placement().map_or(data, |placement| f64::from(placement.group.width()));
    if plan.has_log() {
        return (width * (kept + moved) / (data * chunk), (kept + moved) * width / data);
    }
    // With no log a stripe is as wide as its write needs.
    let depth = (kept / data / GRAIN as f64).ceil().max(1.0) * GRAIN as f64;
    let drives = (kept / depth).ceil() + width - data + width * moved / (data * chunk);
    (drives, drives * depth.min(chunk))
}

/// Mean blocks that a write touches, and of these the ones that it covers in part. Streams complete each other's
/// blocks in a log.
pub(super) fn blocks_of(kind: &Kind, block: u64, has_log: bool) -> (f64, f64) {
    let places = (block / gcd(kind.align, block)).clamp(1, 1 << 12);
    let (mut touched, mut whole) = (0, 0);
    for place in 0..places {
        let from = place * kind.align % block;
        let to = from + kind.bytes;
        touched += to.div_ceil(block) - from / block;
        whole += (to / block).saturating_sub(from.div_ceil(block));
    }
    let (touched, whole) = (touched as f64 / places as f64, whole as f64 / places as f64);
    let stream = if has_log { kind.sequential } else { 0.0 };
    let flat = kind.bytes as f64 / block as f64;
    ((1.0 - stream) * touched + stream * flat, (1.0 - stream) * (touched - whole))
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::scenario::parse;

    /// Reads and writes of a request of 4 KiB, or of `bytes`, on 12 drives.
    fn work(layout: &str, more: &str, operation: Operation, bytes: u64) -> DriveWork {
        let text = format!(
            "[design.drives]\ncount = 12\nservice = \"10 us\"\nsplit = true\n[design.layout]\n{layout}\n{more}\n\
             [[class]]\nname = \"one\"\nmachines = 1\nload = {{ rate = \"1/s\" }}\nread = 0.5\nsizes = \"4 KiB\"\n"
        );
        let scenario =
            parse(&text, "t.toml", std::path::Path::new(""), &[]).unwrap_or_else(|d| panic!("{d}\n{text}"));
        let kind = Kind { operation, bytes, sequential: 0.0, align: 4096, share: 1.0, cached: 0.0, class: 0 };
        DriveWork::of(&Plan::compile(&scenario, None).expect("no ratings"), &kind)
    }

    /// R-PENALTY: Patterson, Gibson & Katz (1988); Chen et al. (1994).
    #[test]
    fn a_small_write_takes_1_2_4_6_or_8_drive_requests() {
        let parity = |word: &str| format!("protection = \"{word}-parity\"\ngroup = 6");
        let cases = [
            (String::new(), 0.0, 1.0),
            ("protection = \"mirror-2\"".into(), 0.0, 2.0),
            ("protection = \"mirror-3\"".into(), 0.0, 3.0),
            (parity("single"), 2.0, 2.0),
            (parity("double"), 3.0, 3.0),
            (format!("{}\nchunk = \"16 KiB\"", parity("double").replace("6", "12")), 3.0, 3.0),
            (parity("triple").replace("6", "12"), 4.0, 4.0),
        ];
        for (layout, reads, writes) in cases {
            let found = work(&layout, "", Operation::Write, 4096);
            assert_eq!((found.reads, found.writes), (reads, writes), "{layout}");
            assert_eq!(found.bytes_written, writes * 4096.0);
        }
    }

    /// R-DEGRADED: with one of n drives of a group lost, a read of one chunk takes 2(n − 1)/n drive reads.
    #[test]
    fn degraded_reads_take_what_the_arithmetic_says() {
        let lost = "[[fault]]\nname = \"lost\"\nkind = \"drive-lost\"\ndrive = 3\n";
        let layout = "protection = \"single-parity\"\ngroup = 12\n";
        let found = work(layout, lost, Operation::Read, 4096);
        assert!((found.reads - 2.0 * 11.0 / 12.0).abs() < 1e-12, "{found:?}");
        assert!((found.bytes_coded - 4096.0 * 11.0 / 12.0).abs() < 1e-6, "{found:?}");
    }

    #[test]
    fn a_write_of_a_stripe_costs_less_the_better_it_is_aligned() {
        let layout = "protection = \"single-parity\"\ngroup = 6\nchunk = \"4 KiB\"";
        // Five chunks at 5 places: one full stripe (6), or parts of two.
        let found = work(layout, "", Operation::Write, 20 << 10);
        let by_hand = {
            // k and 5 − k chunks of 4 or more by reconstruct (6), 1 by 4, 2 by 6: 4 + 6, 6 + 6 …
            let ios = |k: u32| match k {
                0 => 0.0,
                1 => 4.0,
                _ => 6.0,
            };
            (0..5).map(|k| ios(k) + ios(5 - k)).sum::<f64>() / 5.0
        };
        // Pieces of the two stripes that adjoin on a drive are one: fewer, never more.
        assert!(found.reads + found.writes <= by_hand, "{found:?}, {by_hand}");
        assert!(found.reads + found.writes > 0.7 * by_hand, "{found:?}, {by_hand}");
    }
}
