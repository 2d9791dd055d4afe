//! Where in its working set a machine asks.
//!
//! Places are 4 KiB blocks. Under a skew, a rank of popularity is drawn first and mapped to a block
//! by a keyed bijection of the machine, extent by extent: hot blocks scatter over the volume, and
//! differently on each machine. Uniform places need no ranks.

use super::scatter::Scatter;
use super::zipf::Zipf;
use crate::engine::{Draws, Key};
use crate::scenario::{Class, Skew};

/// Bytes of a block.
pub(super) const BLOCK: u64 = 4096;

/// The places of one class.
#[derive(Clone, Debug)]
pub(super) struct Places {
    /// Bytes that a machine's requests touch.
    working_set: u64,
    /// Random addresses are multiples of this.
    align: u64,
    /// Whole blocks in it, at least 1.
    blocks: u64,
    /// Blocks of an extent, and its logarithm where it is a power of two: a shift is quicker than a
    /// division by a fifth of the whole request.
    extent_blocks: u64,
    extent_shift: Option<u32>,
    /// Scatters the whole extents. A last, partial one keeps the least popular ranks.
    scatter: Scatter,
    popularity: Popularity,
}

#[derive(Clone, Debug)]
enum Popularity {
    Uniform,
    Zipf(Zipf),
    Bands(Vec<Band>),
}

/// Ranks that share one popularity.
#[derive(Clone, Copy, Debug, PartialEq)]
struct Band {
    /// Share of accesses to this band and those before it.
    cumulated: f64,
    first: u64,
    ranks: u64,
}

impl Places {
    pub(super) fn new(class: &Class) -> Self {
        let blocks = (class.working_set / BLOCK).max(1);
        let extent_blocks = (class.extent / BLOCK).max(1);
        let popularity = match &class.skew {
            Skew::Uniform => Popularity::Uniform,
            Skew::Zipf(exponent) if *exponent > 0.0 => Popularity::Zipf(Zipf::new(*exponent, blocks)),
            Skew::Zipf(_) => Popularity::Uniform,
            Skew::Bands(shares) => Popularity::Bands(bands(shares, blocks)),
        };
        Places {
            working_set: class.working_set,
            blocks,
            align: class.align.max(BLOCK),
            extent_blocks,
            extent_shift: extent_blocks.is_power_of_two().then(|| extent_blocks.trailing_zeros()),
            scatter: Scatter::new(blocks / extent_blocks),
            popularity,
        }
    }

    /// A place for a request of this many bytes by `machine`, whose key descends from `machines`.
    #[inline]
    pub(super) fn draw(&self, machines: Key, machine: u32, draws: &mut Draws, bytes: u32) -> u64 {
        let block = match &self.popularity {
            Popularity::Uniform => draws.below(self.blocks),
            Popularity::Zipf(zipf) => self.block_of(machines, machine, zipf.rank(draws)),
            Popularity::Bands(bands) => self.block_of(machines, machine, rank_in(bands, draws)),
        };
        self.fit(block * BLOCK, bytes)
    }

    /// The block of a rank on this machine.
    #[inline]
    fn block_of(&self, machines: Key, machine: u32, rank: u64) -> u64 {
        let extent = self.extent_shift.map_or_else(|| rank / self.extent_blocks, |shift| rank >> shift);
        let within = rank - extent * self.extent_blocks;
        let key = machines.numbered(u64::from(machine));
        self.scatter.image(key, extent) * self.extent_blocks + within
    }

    /// The nearest aligned place at or below `address` from which the request ends inside the working
    /// set; 0 if it is larger than that.
    #[inline]
    fn fit(&self, address: u64, bytes: u32) -> u64 {
        let last = self.working_set.saturating_sub(u64::from(bytes));
        address.min(last) / self.align * self.align
    }

    /// Whether a request that starts here ends inside the working set.
    #[inline]
    pub(super) fn holds(&self, address: u64, bytes: u32) -> bool {
        address.saturating_add(u64::from(bytes)) <= self.working_set
    }
}

fn bands(shares: &[(f64, f64)], blocks: u64) -> Vec<Band> {
    let space: f64 = shares.iter().map(|s| s.0).sum();
    let access: f64 = shares.iter().map(|s| s.1).sum();
    let (mut space_sum, mut access_sum, mut first) = (0.0, 0.0, 0);
    let mut bands = Vec::with_capacity(shares.len());
    for share in shares {
        space_sum += share.0;
        access_sum += share.1;
        let end = ((space_sum / space * blocks as f64).round() as u64).min(blocks);
        // A band too small for a block of its own shares the block where it begins.
        let band = Band {
            cumulated: access_sum / access,
            first: first.min(blocks - 1),
            ranks: (end - first).max(1),
        };
        bands.push(band);
        first = end;
    }
    bands
}

#[inline]
fn rank_in(bands: &[Band], draws: &mut Draws) -> u64 {
    let u = draws.unit();
    let i = bands.iter().position(|b| u < b.cumulated).unwrap_or(bands.len().saturating_sub(1));
    bands.get(i).map_or(0, |band| band.first + draws.below(band.ranks))
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::engine::Purpose;
    use crate::traffic::checks::assert_share;
    use crate::traffic::sources::examples::open_class;
    use proptest::prelude::*;

    const PLACE: Purpose = Purpose::named("place");

    fn places(skew: Skew, working_set: u64, extent: u64) -> Places {
        Places::new(&Class { skew, working_set, extent, ..open_class("places", 1, 1.0) })
    }

    /// Claim:   bands receive their share of accesses, spread evenly inside.
    /// Method:  400,000 draws, seed 31; bands are recognised through the machine's own bijection.
    /// Alarm:   6 standard errors (2e-9), 4 checks.
    /// Catches: 2 % in every share.
    #[test]
    fn bands_get_their_shares() {
        let shares = vec![(0.05, 0.5), (0.15, 0.3), (0.8, 0.2)];
        let p = places(Skew::Bands(shares), 400 << 20, 1 << 20);
        let machines = Key::root(31);
        let mut band_of = vec![3usize; p.blocks as usize];
        for rank in 0..p.blocks {
            let band = if rank < 5_120 {
                0
            } else if rank < 20_480 {
                1
            } else {
                2
            };
            band_of[p.block_of(machines, 4, rank) as usize] = band;
        }
        let (mut hits, mut early) = ([0usize; 3], 0usize);
        let draws = 400_000usize;
        let first_half: Vec<bool> = {
            let mut half = vec![false; p.blocks as usize];
            (0..2_560).for_each(|rank| half[p.block_of(machines, 4, rank) as usize] = true);
            half
        };
        for n in 0..draws as u64 {
            let mut stream = Key::root(32).numbered(n).draws(PLACE);
            let block = (p.draw(machines, 4, &mut stream, 4096) / BLOCK) as usize;
            hits[band_of[block]] += 1;
            early += usize::from(first_half[block]);
        }
        for (hit, share) in hits.iter().zip([0.5, 0.3, 0.2]) {
            assert_share("band", *hit, draws, share);
        }
        assert_share("first half of the hottest band", early, draws, 0.25);
    }

    #[test]
    fn the_hottest_extents_differ_between_machines_and_stay_whole() {
        let p = places(Skew::Zipf(0.9), 64 << 30, 1 << 20);
        let machines = Key::root(33);
        let starts: Vec<u64> = (0..50).map(|m| p.block_of(machines, m, 0)).collect();
        let mut distinct = starts.clone();
        distinct.sort_unstable();
        distinct.dedup();
        assert!(distinct.len() > 45, "50 machines share {} hot places", distinct.len());
        for (m, start) in (0..50).zip(&starts) {
            assert_eq!(start % 256, 0);
            assert_eq!(p.block_of(machines, m, 255), start + 255);
        }
    }

    proptest! {
        #[test]
        fn ranks_map_one_to_one_onto_blocks(seed in any::<u64>(), blocks in 1u64..2_000, extent in 0u64..40) {
            let p = places(Skew::Zipf(0.9), blocks * BLOCK, extent * BLOCK);
            let mut seen = vec![false; blocks as usize];
            for rank in 0..blocks {
                let block = p.block_of(Key::root(seed), 1, rank) as usize;
                prop_assert!(!std::mem::replace(&mut seen[block], true));
            }
        }

        #[test]
        fn a_request_lies_within_the_working_set(
            seed in any::<u64>(),
            working_set in 1u64..1 << 45,
            bytes in 1u32..1 << 22,
            extent in 0u64..1 << 24,
            skew in prop_oneof![
                Just(Skew::Uniform),
                (0.0..3.0f64).prop_map(Skew::Zipf),
                Just(Skew::Bands(vec![(0.001, 0.5), (0.199, 0.25), (0.8, 0.25)])),
            ],
        ) {
            let p = places(skew, working_set, extent);
            for n in 0..40 {
                let at = p.draw(Key::root(seed), 3, &mut Key::root(seed).numbered(n).draws(PLACE), bytes);
                prop_assert_eq!(at % BLOCK, 0);
                prop_assert!(at == 0 || p.holds(at, bytes));
                prop_assert!(u64::from(bytes) > working_set || p.holds(at, bytes));
            }
        }
    }
}
