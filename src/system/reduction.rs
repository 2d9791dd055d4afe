//! Reduction: blocks that are stored smaller than they are, or not again.
//!
//! A block compresses to a share of itself that is uniform round 1 ÷ its class's mean ratio, and takes a whole number of
//! sectors; a block that is stored already (`duplicate` of those written) takes none. What a block became when it was
//! written is drawn from its address, so that reads find it so. Compressing, fingerprinting and giving back
//! cost the processor time for each byte. A write of part of a block reads the old one first.
//!
//! Without [design.reduction] a log-structured layout has blocks all the same, stored as they are. Left out: blocks
//! that are alike within one class more than across classes, compression of several blocks together, collisions of
//! fingerprints (C-BIRTHDAY: below 1e-15 at 128 bits).

use crate::engine::{Key, PS_PER_S, Purpose};
use crate::scenario::{Class, Cpu, Design, Reduces};

const SIZE: Purpose = Purpose::named("stored size");
const TWIN: Purpose = Purpose::named("duplicate");
/// Blocks of a layout that nothing reduces, bytes (those of `design.reduction.block`).
const BLOCK: u64 = 32 << 10;
/// Part of a stored block that can be read alone where it is not compressed, bytes.
const SECTOR: u64 = 4096;

/// The blocks of a log-structured layout.
#[derive(Clone, Debug)]
pub struct Blocks {
    /// Bytes of a block.
    pub bytes: u64,
    /// Whether they are compressed.
    pub compress: bool,
    /// Whether equal ones are stored once.
    pub deduplicate: bool,
    /// Whether they are stored plain first.
    pub after: bool,
    /// A stored block takes a whole number of these, bytes.
    pub(super) sector: u64,
    by_class: Vec<ClassBlocks>,
    /// Processor time for a whole block, ps: fingerprint, compress, decompress, checksum.
    costs: Costs,
}

/// Processor time for a block, ps.
#[derive(Clone, Copy, Debug, Default)]
struct Costs {
    fingerprint: f64,
    compress: f64,
    decompress: f64,
    checksum: f64,
}

/// The blocks of one class.
#[derive(Clone, Debug)]
struct ClassBlocks {
    /// Sizes that occur, and the probability of that one or a smaller.
    sizes: Vec<(u32, f64)>,
    mean_bytes: f64,
    duplicate: f64,
    duplicate_stored: f64,
}

/// What becomes of a block that is written.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(super) struct Written {
    /// Bytes that it takes; none if it is stored already.
    pub bytes: u64,
    /// Processor time, ps.
    pub work: u64,
}

impl Blocks {
    /// The blocks of a design, if it is log-structured.
    pub(super) fn of(design: &Design, classes: &[Class]) -> Option<Self> {
        design.layout.append.as_ref()?;
        let reduction = design.reduction.as_ref();
        let bytes = reduction.map_or(BLOCK.min(design.layout.chunk), |r| r.block);
        let compress = reduction.is_some_and(|r| r.compress);
        let deduplicate = reduction.is_some_and(|r| r.deduplicate);
        let sector = reduction.map_or(SECTOR.min(bytes), |r| r.sector);
        let of_class =
            |class: &Class| ClassBlocks::of(&class.reduces, bytes, sector, (compress, deduplicate));
        let costs =
            design.cpu.as_ref().map_or(Costs::default(), |cpu| costs(cpu, bytes, compress, deduplicate));
        Some(Blocks {
            bytes,
            compress,
            deduplicate,
            after: reduction.is_some_and(|r| r.after),
            sector,
            by_class: classes.iter().map(of_class).collect(),
            costs,
        })
    }

    /// Bytes that a block takes which lies there.
    #[inline]
    pub(super) fn stored(&self, class: u16, block: Key) -> u64 {
        let class = &self.by_class[usize::from(class)];
        if let [(only, _)] = class.sizes[..] {
            return u64::from(only);
        }
        let chance = block.draws(SIZE).unit();
        let found = class.sizes.iter().find(|(_, up_to)| chance < *up_to).or(class.sizes.last());
        found.map_or(self.bytes, |(bytes, _)| u64::from(*bytes))
    }

    /// What becomes of a block that is written, `key` naming this version of it.
    pub(super) fn write(&self, class: u16, key: Key) -> Written {
        let duplicate = self.by_class[usize::from(class)].duplicate;
        let is_twin = duplicate > 0.0 && key.draws(TWIN).unit() < duplicate;
        let costs = &self.costs;
        let (bytes, compressing) = if is_twin { (0, 0.0) } else { (self.stored(class, key), costs.compress) };
        Written { bytes, work: (costs.fingerprint + compressing) as u64 }
    }

    /// Processor time of a block that is stored plain, ps, and that of the old one that is read for it.
    pub(super) fn plain_work(&self, reads_old: bool) -> u64 {
        let old = if reads_old { self.costs.decompress + self.costs.checksum } else { 0.0 };
        (self.costs.checksum + old) as u64
    }

    /// Processor time to give back `count` blocks that have been read, ps.
    pub(super) fn give_back_work(&self, count: u64) -> f64 {
        self.costs.decompress * count as f64
    }

    /// Whether anything takes the processor time on the way to the drives.
    pub(super) fn works(&self) -> bool {
        let Costs { fingerprint, compress, checksum, .. } = self.costs;
        fingerprint + compress + checksum > 0.0
    }

    /// Mean bytes that a written block takes, twins included.
    pub fn mean_written(&self, class: usize) -> f64 {
        let class = &self.by_class[class];
        class.mean_bytes * (1.0 - class.duplicate)
    }

    /// Mean bytes of a block that lies there.
    pub(super) fn mean_stored(&self, class: usize) -> f64 {
        self.by_class[class].mean_bytes
    }

    /// Mean processor time of a block that is written, ps; `reads_old` is the share for which the old one is read.
    pub(super) fn mean_work(&self, class: usize, reads_old: f64) -> f64 {
        let c = &self.costs;
        let reducing = c.fingerprint + c.compress * (1.0 - self.by_class[class].duplicate);
        reducing + c.checksum + reads_old * (c.decompress + c.checksum)
    }

    /// Bytes at rest for each byte that machines of a class have been given.
    pub fn share_at_rest(&self, class: usize) -> f64 {
        let class = &self.by_class[class];
        class.mean_bytes / self.bytes as f64 * (1.0 - class.duplicate_stored)
    }

    /// Blocks that differ for each block of a class.
    pub fn unique_share(&self, class: usize) -> f64 {
        1.0 - self.by_class[class].duplicate_stored
    }
}

impl ClassBlocks {
    fn of(reduces: &Reduces, block: u64, sector: u64, (compress, deduplicate): (bool, bool)) -> Self {
        let [low, high] = stored_shares(reduces, compress);
        let sizes = sizes(low, high, block, sector).collect();
        let mean_bytes = mean_bytes(reduces, block, sector, compress);
        let of = |share: f64| if deduplicate { share } else { 0.0 };
        ClassBlocks {
            sizes,
            mean_bytes,
            duplicate: of(reduces.duplicate),
            duplicate_stored: of(reduces.duplicate_stored),
        }
    }
}

/// Least and largest share of itself that a block compresses to.
fn stored_shares(reduces: &Reduces, compress: bool) -> [f64; 2] {
    let mean = if compress { 1.0 / reduces.compress } else { 1.0 };
    let half = reduces.spread * mean.min(1.0 - mean);
    [mean - half, mean + half]
}

/// Mean bytes of a stored block of a class, in whole sectors.
pub(super) fn mean_bytes(reduces: &Reduces, block: u64, sector: u64, compress: bool) -> f64 {
    let [low, high] = stored_shares(reduces, compress);
    let add = |(sum, before): (f64, f64), (bytes, up_to): (u32, f64)| {
        (sum + f64::from(bytes) * (up_to - before), up_to)
    };
    sizes(low, high, block, sector).fold((0.0, 0.0), add).0
}

/// Sizes in whole sectors of a share that is uniform between two bounds, each with the probability of it or less.
fn sizes(low: f64, high: f64, block: u64, sector: u64) -> impl Iterator<Item = (u32, f64)> {
    let sectors = block / sector;
    // A hair above a whole sector is that sector: 1 ÷ ratio is a rounded number.
    let end = move |k: u64| k as f64 / sectors as f64 + 1e-12;
    let first = (1..=sectors).find(move |k| end(*k) > low).unwrap_or(sectors);
    let last = (first..=sectors).find(move |k| end(*k) >= high).unwrap_or(sectors);
    (first..=last).map(move |k| {
        let chance = if k == last { 1.0 } else { (end(k) - low) / (high - low) };
        ((k * sector) as u32, chance)
    })
}

fn costs(cpu: &Cpu, block: u64, compress: bool, deduplicate: bool) -> Costs {
    let of = |is_on: bool, rate: f64| {
        if is_on { block as f64 * PS_PER_S as f64 * cpu.slowdown() / rate } else { 0.0 }
    };
    Costs {
        fingerprint: of(deduplicate, cpu.fingerprint),
        compress: of(compress, cpu.compress),
        decompress: of(compress, cpu.decompress),
        checksum: of(cpu.checksum.is_some(), cpu.checksum.unwrap_or(f64::INFINITY)),
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn blocks(compress: f64, spread: f64, sector: u64) -> ClassBlocks {
        let reduces = Reduces { compress, spread, duplicate: 0.25, duplicate_stored: 0.4 };
        ClassBlocks::of(&reduces, 32 << 10, sector, (true, true))
    }

    /// C-QUANT: a size uniform on 0 to 4 KiB in sectors of 512 B, 1 KiB and 4 KiB has these means, less the half
    /// byte of a continuous law.
    #[test]
    fn rounding_to_sectors_costs_what_the_sum_says() {
        for (sector, mean) in [(512, 2304.0), (1024, 2560.0), (4096, 4096.0)] {
            let sizes = sizes(0.0, 1.0, 4096, sector);
            let (found, _) = sizes.fold((0.0, 0.0), |(s, b), (bytes, p)| (s + f64::from(bytes) * (p - b), p));
            assert!((found - mean).abs() < 1e-6, "{sector}: {found}");
        }
    }

    #[test]
    fn a_fixed_ratio_takes_one_size_and_none_takes_the_block() {
        assert_eq!(blocks(2.0, 0.0, 4096).sizes, [(16 << 10, 1.0)]);
        assert_eq!(blocks(1.0, 0.5, 4096).sizes, [(32 << 10, 1.0)]);
        assert_eq!(blocks(1.8, 0.0, 4096).sizes, [(20 << 10, 1.0)]);
    }

    /// Claim:   drawn sizes have the table's mean. Method: 20,000 draws of fixed keys (one stream, no seed), mean within
    /// five standard errors. Alarm: 6e-7 whenever draws change. Catches: 1.5 % of the mean.
    #[test]
    fn draws_have_the_mean_of_the_table() {
        let class = blocks(1.8, 0.8, 512);
        let mean = class.mean_bytes;
        let blocks = Blocks {
            bytes: 32 << 10,
            compress: true,
            deduplicate: true,
            after: false,
            sector: 512,
            by_class: vec![class],
            costs: Costs::default(),
        };
        let n = 20_000;
        let drawn: Vec<f64> = (0..n).map(|i| blocks.stored(0, Key::root(3).numbered(i)) as f64).collect();
        let found = drawn.iter().sum::<f64>() / n as f64;
        let variance = drawn.iter().map(|d| (d - found).powi(2)).sum::<f64>() / n as f64;
        assert!((found - mean).abs() < 5.0 * (variance / n as f64).sqrt(), "{found} {mean}");
        let twins = (0..n).filter(|i| blocks.write(0, Key::root(4).numbered(*i)).bytes == 0).count();
        assert!((twins as f64 / n as f64 - 0.25).abs() < 5.0 * (0.1875 / n as f64).sqrt(), "{twins}");
        assert!((blocks.share_at_rest(0) - mean / 32768.0 * 0.6).abs() < 1e-12);
    }
}
