//! Where chunks lie: groups and spares, rotating parity, and declustered stripes.
//!
//! Drives are numbered from 0. Without declustering, groups are consecutive drives, spare drives last.
//! Rotation is left-symmetric: consecutive data chunks visit every drive of the group in turn, and each
//! drive holds an equal part of the parity (E. K. Lee & R. H. Katz, ASPLOS 1991). Declustered stripes
//! follow base blocks shifted round all drives (M. Holland & G. Gibson, ASPLOS 1992; T. Schwarz, J.
//! Steinberg & W. Burkhard, "Permutation development data layout", HPCA 1999, from memory); the blocks
//! are ours, and how even they come out is stated at [`Declustered`].

use super::protection::Group;

/// How spare capacity is held.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Spares {
    /// Whole drives that wait.
    Dedicated(u32),
    /// The capacity of so many drives, spread over all of them.
    Distributed(u32),
}

/// Why drives cannot be arranged.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Misfit {
    /// Drives beside the spares are not a multiple of the group: so many are over.
    LeftOver(u32),
    /// The group is wider than the drives beside the spares: this is the widest.
    TooWide(u32),
}

/// Groups that `count` drives make (declustered: what they hold, in drives' worth, is count − spares, so
/// the number need not be whole).
///
/// # Errors
/// With dedicated spares, if count − spares is not a multiple of the group; with distributed ones, if
/// the group is wider than count − spares. Common practice.
pub fn groups(group: Group, count: u32, spares: Spares) -> Result<f64, Misfit> {
    let (Spares::Dedicated(kept) | Spares::Distributed(kept)) = spares;
    let (working, width) = (count.saturating_sub(kept), group.width());
    if working < width {
        return Err(Misfit::TooWide(working));
    }
    match spares {
        Spares::Dedicated(_) if working % width > 0 => Err(Misfit::LeftOver(working % width)),
        _ => Ok(f64::from(working) / f64::from(width)),
    }
}

/// Bytes of data that `count` drives of `drive` bytes hold, in whole stripes of whole chunks.
///
/// # Errors
/// As [`groups`]. A `chunk` of 0 counts as 1; more than a u64 holds gives the largest.
pub fn usable_bytes(group: Group, count: u32, spares: Spares, drive: u64, chunk: u64) -> Result<u64, Misfit> {
    let groups = groups(group, count, spares)?;
    let (chunk, rows) = (u128::from(chunk.max(1)), u128::from(drive / chunk.max(1)));
    let stripes = match spares {
        // A whole number: it was checked.
        Spares::Dedicated(_) => rows * groups as u128,
        // Stripes come in rounds of `count`, which take `width` chunks of every drive.
        Spares::Distributed(kept) => {
            let free = rows * u128::from(count - kept) / u128::from(count);
            free / u128::from(group.width()) * u128::from(count)
        }
    };
    // rows · chunk ≤ 2^64, and groups · N ≤ 2^32.
    Ok(u64::try_from(stripes * u128::from(group.data()) * chunk).unwrap_or(u64::MAX))
}

/// The member of a group (0 to width − 1) that holds chunk `role` of a stripe: data are roles 0 to
/// N − 1, redundancy N to N + p − 1. Left-symmetric: (role − p·stripe) mod width, so that over any
/// `width` stripes each member holds p chunks of redundancy. The copies of a mirror turn likewise.
pub fn member(group: Group, stripe: u64, role: u32) -> u32 {
    let width = u64::from(group.width());
    let back = stripe % width * u64::from(group.survivable_losses()) % width;
    ((u64::from(role) + width - back) % width) as u32
}

/// The chunk of a stripe that a member holds: undoes [`member`].
pub fn role(group: Group, stripe: u64, member: u32) -> u32 {
    let width = u64::from(group.width());
    let back = stripe % width * u64::from(group.survivable_losses()) % width;
    ((u64::from(member) + back) % width) as u32
}

/// Stripes spread over all drives, with spare places.
///
/// Stripes come in rounds of `count`: in a round, one block of drives is shifted by one each stripe, so
/// that every drive holds every role exactly once. Blocks follow one another as a few base blocks, each
/// multiplied by every number prime to `count`. How evenly a lost drive's partners, and the spare places
/// of its chunks, fall on the survivors over a whole [`Declustered::period`]: exactly for a prime count;
/// within 2 % of the mean for other counts from 6 to 64 and groups of 4 to 12 (tests hold it there).
#[derive(Clone, Debug)]
pub struct Declustered {
    count: u32,
    width: u32,
    /// Base blocks: `width` drives, then the spare places.
    blocks: Vec<Vec<u32>>,
    /// Numbers prime to the count, below it.
    units: Vec<u32>,
}

/// Each base block is the best of so many permutations; more blocks than this are not made.
const TRIED: usize = 32;
const MOST_BLOCKS: usize = 2_048;

impl Declustered {
    /// Stripes `width` wide over `count` drives, with so many spare places each as there is room for.
    /// None if the width is 0 or above the count, or the count above 1,024. Takes milliseconds to 64
    /// drives, a few seconds for the widest groups of a thousand.
    pub fn new(count: u32, width: u32, places: u32) -> Option<Self> {
        if width == 0 || width > count || count > 1_024 {
            return None;
        }
        let held = width + places.min(count - width);
        let units: Vec<u32> = (1..count.max(2)).filter(|u| gcd(*u, count) == 1).collect();
        let mut tally = Tally::new(count);
        // Spare places fall on each distance width/(count − 1) times a block: with 40 of them, an excess
        // of two is 5 %. All distances of a prime count are alike, and one block serves.
        let wanted = if tally.distances.len() > 1 { (40 * count).div_ceil(width) as usize } else { 1 };
        let mut seed = 0;
        let mut blocks = Vec::new();
        while blocks.len() < wanted.min(MOST_BLOCKS) {
            let tried = (0..TRIED).map(|_| {
                seed += 1;
                let block = shuffled(count, held, seed);
                let with = tally.with(&block, width as usize);
                (with.unevenness(), block, with)
            });
            let Some((_, block, with)) = tried.min_by(|a, b| a.0.total_cmp(&b.0)) else { break };
            blocks.push(block);
            tally = with;
        }
        Some(Declustered { count, width, blocks, units })
    }

    /// Stripes after which the arrangement repeats.
    pub fn period(&self) -> u64 {
        (self.blocks.len() * self.units.len()) as u64 * u64::from(self.count)
    }

    /// The drive that holds chunk `role` of a stripe; roles from `width` on are its spare places, where
    /// its first, second … lost chunk goes. None past those.
    pub fn drive(&self, stripe: u64, role: u32) -> Option<u32> {
        let (round, shift) = (stripe / u64::from(self.count), stripe % u64::from(self.count));
        let unit = self.units[(round % self.units.len() as u64) as usize];
        let block = &self.blocks[(round / self.units.len() as u64 % self.blocks.len() as u64) as usize];
        let base = u64::from(*block.get(role as usize)?) * u64::from(unit);
        Some(((base + shift) % u64::from(self.count)) as u32)
    }

    /// The row of chunks, on whichever drive, that chunk `role` (below `width`) of a stripe takes. Each
    /// drive's rows are taken once each, without gaps.
    pub fn row(&self, stripe: u64, role: u32) -> u64 {
        stripe / u64::from(self.count) * u64::from(self.width) + u64::from(role)
    }
}

fn gcd(a: u32, b: u32) -> u32 {
    if b == 0 { a } else { gcd(b, a % b) }
}

/// `held` of the drives in an order of their own for each seed (Fisher & Yates; SplitMix64 of Steele,
/// Lea & Flood 2014; the bias of the remainder is below 1e-15).
fn shuffled(count: u32, held: u32, seed: u64) -> Vec<u32> {
    let mut order: Vec<u32> = (0..count).collect();
    let mut state = seed.wrapping_mul(0xD134_2543_DE82_EF95);
    for place in 0..held as usize {
        state = state.wrapping_add(0x9E37_79B9_7F4A_7C15);
        let z = (state ^ (state >> 30)).wrapping_mul(0xBF58_476D_1CE4_E5B9);
        let z = (z ^ (z >> 27)).wrapping_mul(0x94D0_49BB_1331_11EB);
        order.swap(place, place + ((z ^ (z >> 31)) % u64::from(count - place as u32)) as usize);
    }
    order.truncate(held as usize);
    order
}

/// How often partners, and spare places, lie at a distance round the drives, by the common divisor of
/// distance and count: multiplying by a unit moves a distance among those with its divisor, evenly, and
/// to no other.
#[derive(Clone)]
struct Tally {
    /// By distance: its divisor's place below.
    divisor: Vec<usize>,
    /// By divisor: distances that have it, partners and spare places there.
    distances: Vec<u32>,
    partners: Vec<u32>,
    spares: Vec<u32>,
}

impl Tally {
    fn new(count: u32) -> Self {
        let divisors: Vec<u32> = (1..count).filter(|d| count.is_multiple_of(*d)).collect();
        let place = |distance: u32| {
            let divisor = gcd(distance, count);
            divisors.iter().position(|d| *d == divisor).unwrap_or(0)
        };
        let divisor: Vec<usize> = (0..count).map(place).collect();
        let mut distances = vec![0; divisors.len()];
        divisor.iter().skip(1).for_each(|d| distances[*d] += 1);
        let none = vec![0; divisors.len()];
        Tally { divisor, distances, partners: none.clone(), spares: none }
    }

    /// With the distances between the first `width` drives of a block and from them to the others.
    fn with(&self, block: &[u32], width: usize) -> Self {
        let mut with = self.clone();
        let count = self.divisor.len();
        for (i, from) in block[..width].iter().enumerate() {
            for (j, to) in block.iter().enumerate().filter(|(j, _)| *j != i) {
                let divisor = self.divisor[(*to as usize + count - *from as usize) % count];
                let kind = if j < width { &mut with.partners } else { &mut with.spares };
                kind[divisor] += 1;
            }
        }
        with
    }

    /// Sum of the squared excess over the mean, relative to it: over divisors, of both kinds.
    fn unevenness(&self) -> f64 {
        let of_kind = |counts: &[u32]| -> f64 {
            let mean = f64::from(counts.iter().sum::<u32>()) / f64::from(self.distances.iter().sum::<u32>());
            let each = counts.iter().zip(&self.distances);
            each.map(|(c, n)| (f64::from(*c) / f64::from(*n) - mean).powi(2)).sum::<f64>() / (mean * mean)
        };
        let none = self.spares.iter().all(|c| *c == 0);
        of_kind(&self.partners) + if none { 0.0 } else { of_kind(&self.spares) }
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::theory::protection::Scheme;
    use std::collections::HashSet;

    fn parity(width: u32, parities: u32) -> Group {
        Group::new(Scheme::Parity { parities }, width).expect("a group")
    }

    #[test]
    fn drives_make_whole_groups_or_are_spread() {
        let group = parity(10, 2);
        assert_eq!(groups(group, 42, Spares::Dedicated(2)), Ok(4.0));
        assert_eq!(groups(group, 43, Spares::Dedicated(2)), Err(Misfit::LeftOver(1)));
        assert_eq!(groups(group, 24, Spares::Distributed(2)), Ok(2.2));
        assert_eq!(groups(group, 11, Spares::Distributed(2)), Err(Misfit::TooWide(9)));
        assert_eq!(groups(group, 1, Spares::Dedicated(2)), Err(Misfit::TooWide(0)));
    }

    #[test]
    fn usable_bytes_are_whole_stripes() {
        let (group, chunk) = (parity(10, 2), 65_536);
        let of = |count, spares, drive| usable_bytes(group, count, spares, drive, chunk);
        assert_eq!(of(42, Spares::Dedicated(2), 100 * chunk + 5), Ok(4 * 8 * 100 * chunk));
        // 24 drives of 1,200 rows less 100 of spare: 110 rounds of 24 stripes.
        assert_eq!(of(24, Spares::Distributed(2), 1_200 * chunk), Ok(110 * 24 * 8 * chunk));
        // Against plain shares, of 7.68 TB drives: within the last round.
        let plain = 22.0 * 0.8 * 7.68e12;
        let found = of(24, Spares::Distributed(2), 7_680_000_000_000).expect("fits") as f64;
        assert!(found <= plain && found > plain - (24 * 9 * 8 * chunk) as f64, "{found} of {plain}");
        assert_eq!(usable_bytes(group, 4_000_000_000, Spares::Dedicated(0), u64::MAX, 0), Ok(u64::MAX));
    }

    /// The table of Lee & Katz (1991) for left-symmetric placement on 4 + 1 drives: rows of stripes,
    /// columns of drives, P the parity (from memory).
    #[test]
    fn single_parity_is_left_symmetric() {
        let rows = ["0 1 2 3 P", "5 6 7 P 4", "10 11 P 8 9", "15 P 12 13 14", "P 16 17 18 19"];
        for (stripe, row) in (0..).zip(rows) {
            for (drive, cell) in (0..).zip(row.split(' ')) {
                let held = role(parity(5, 1), stripe, drive);
                let expected = cell.parse::<u64>().map_or(4, |chunk| (chunk - stripe * 4) as u32);
                assert_eq!(held, expected, "stripe {stripe}, drive {drive}");
            }
        }
    }

    #[test]
    fn rotation_is_even_and_consecutive_chunks_visit_every_drive() {
        for (width, parities) in [(3, 1), (9, 1), (4, 2), (10, 2), (11, 2), (6, 3), (11, 3), (2, 1)] {
            let group = parity(width, parities);
            let mut held = vec![0; width as usize];
            let mut visited = Vec::new();
            for stripe in 1_000..1_000 + u64::from(width) {
                let members: HashSet<u32> = (0..width).map(|r| member(group, stripe, r)).collect();
                assert_eq!(members.len(), width as usize);
                for r in 0..width {
                    let at = member(group, stripe, r);
                    assert_eq!(role(group, stripe, at), r);
                    if r < group.data() {
                        visited.push(at);
                    } else {
                        held[at as usize] += 1;
                    }
                }
            }
            assert!(held.iter().all(|h| *h == parities), "{width}, {parities}: {held:?}");
            assert!(visited.windows(2).all(|w| w[1] == (w[0] + 1) % width));
        }
    }

    /// By survivor: stripes shared with drive 0 over a period, and its chunks' first spare places.
    fn shared(layout: &Declustered) -> [Vec<f64>; 2] {
        let mut counts = [(); 2].map(|()| vec![0.0; layout.count as usize]);
        for stripe in 0..layout.period() {
            let drives: Vec<u32> = (0..layout.width).filter_map(|r| layout.drive(stripe, r)).collect();
            if drives.contains(&0) {
                for drive in drives {
                    counts[0][drive as usize] += 1.0;
                }
                if let Some(spare) = layout.drive(stripe, layout.width) {
                    counts[1][spare as usize] += 1.0;
                }
            }
        }
        counts.map(|c| c[1..].to_vec())
    }

    fn worst(counts: &[f64]) -> f64 {
        let mean = counts.iter().sum::<f64>() / counts.len() as f64;
        counts.iter().map(|c| (c / mean - 1.0).abs()).fold(0.0, f64::max)
    }

    /// The same from the blocks alone, by distance, for all counts quickly.
    fn by_distance(layout: &Declustered) -> [Vec<f64>; 2] {
        let count = layout.count as usize;
        let mut counts = [(); 2].map(|()| vec![0.0; count]);
        for block in &layout.blocks {
            for (i, from) in block[..layout.width as usize].iter().enumerate() {
                for (j, to) in block.iter().enumerate().filter(|(j, _)| *j != i) {
                    let distance = *to as usize + count - *from as usize;
                    for unit in &layout.units {
                        let at = distance * *unit as usize % count;
                        counts[usize::from(j >= layout.width as usize)][at] += 1.0;
                    }
                }
            }
        }
        counts.map(|c| c[1..].to_vec())
    }

    #[test]
    fn partners_and_spare_places_of_a_lost_drive_are_even() {
        for (count, width) in [(11, 4), (23, 10), (24, 9)] {
            let layout = Declustered::new(count, width, 1).expect("fits");
            assert_eq!(shared(&layout), by_distance(&layout), "stripe by stripe, and by distance");
        }
        for count in 6..=64 {
            let prime = (2..count).all(|d| count % d > 0);
            for width in (4..=12.min(count - 1)).step_by(2) {
                let layout = Declustered::new(count, width, 1).expect("fits");
                let [partners, spares] = by_distance(&layout).map(|c| worst(&c));
                let allowed = if prime { 1e-12 } else { 0.02 };
                assert!(partners <= allowed && spares <= allowed, "{count}, {width}: {partners} {spares}");
            }
        }
    }

    #[test]
    fn each_drive_holds_each_role_once_a_round_and_each_row_once() {
        for (count, width, places) in [(12, 5, 2), (13, 13, 0), (9, 8, 1), (1, 1, 0), (24, 10, 4)] {
            let layout = Declustered::new(count, width, places).expect("fits");
            let mut rows = HashSet::new();
            let rounds = 5;
            for stripe in 0..rounds * u64::from(count) {
                let drives: HashSet<u32> =
                    (0..width + places).filter_map(|r| layout.drive(stripe, r)).collect();
                assert_eq!(drives.len(), (width + places) as usize, "all on drives of their own");
                for r in 0..width {
                    assert!(rows.insert((layout.drive(stripe, r), layout.row(stripe, r))));
                }
            }
            let filled = rounds * u64::from(width);
            assert!(rows.iter().all(|(_, row)| *row < filled));
            assert_eq!(rows.len() as u64, filled * u64::from(count));
            assert_eq!(layout.drive(0, width + places), None);
        }
        assert!(Declustered::new(4, 5, 0).is_none() && Declustered::new(4, 0, 0).is_none());
        assert!(Declustered::new(1_025, 10, 1).is_none());
    }
}
