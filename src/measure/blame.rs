//! Where the time of requests went, by how slow they were.
//!
//! One table a class and operation: a finished request adds its row of station times to the row of its
//! latency's bucket. The blame past any percentile is then a sum over the buckets above it, and nothing
//! about single requests need be kept. All sums are integers: over all requests, wait + service equals
//! latency to the picosecond, which the run audits.

use std::collections::BTreeMap;

use crate::engine::Cell;

use super::latency::rank;

/// Buckets to the octave: each is 1/16 to 1/32 of its latency wide.
const PER_OCTAVE: usize = 16;
/// The first octave starts at 2^9 ps (1 ns lies in it), the last ends at 2^52 ps (over an hour).
/// Latencies outside join the nearest bucket; their sums stay exact.
const FIRST_OCTAVE: u32 = 9;
const LAST_OCTAVE: u32 = 51;
const OCTAVES: usize = (LAST_OCTAVE - FIRST_OCTAVE + 1) as usize;
const BUCKETS: usize = OCTAVES * PER_OCTAVE;
const NOWHERE: usize = usize::MAX;

/// The blame of one class and operation.
///
/// Buckets get their place when the first request falls into their octave, sixteen at a time; before
/// that they take no memory. Hot sums are 64 bits. No wait and no service is above its request's latency,
/// so none of a bucket's sums is above its sum of latencies: only that one is watched, and before it
/// overflows (213 days of latency in one bucket) the bucket is emptied into sums of 128 bits.
#[derive(Clone, Debug)]
pub struct BlameTable {
    groups: usize,
    /// By octave: the place of its first bucket, or `NOWHERE`.
    first: [usize; OCTAVES],
    /// By place.
    tallies: Vec<Tally>,
    /// By place, then group.
    cells: Vec<Cell>,
    /// By place, what was emptied.
    spilled: BTreeMap<usize, Wide>,
}

/// The mean row of a set of requests.
#[derive(Clone, Debug, PartialEq)]
pub struct Blame {
    /// Requests in the set.
    pub count: u64,
    /// Their mean latency, ps. Sums of the stations' wait and service come to this.
    pub latency: f64,
    /// By group of stations: mean wait and mean service per request, ps.
    pub stations: Vec<(f64, f64)>,
}

impl BlameTable {
    /// An empty table for rows of `groups` cells.
    pub fn new(groups: usize) -> Self {
        BlameTable {
            groups,
            first: [NOWHERE; OCTAVES],
            tallies: Vec::new(),
            cells: Vec::new(),
            spilled: BTreeMap::new(),
        }
    }

    /// Adds a finished request: its latency in ps, and its row of one cell a group, whose waits and
    /// services come to that latency.
    #[inline]
    pub fn add(&mut self, latency_ps: u64, row: &[Cell]) {
        debug_assert_eq!(row.len(), self.groups, "a row has one cell a group");
        let place = self.place(bucket(latency_ps));
        self.add_at(place, Tally { count: 1, latency: latency_ps }, row);
    }

    /// Adds everything that `other`, a table for as many groups, holds.
    pub fn merge(&mut self, other: &BlameTable) {
        assert_eq!(self.groups, other.groups, "blame tables of one run have the same groups");
        for bucket in 0..BUCKETS {
            let Some(theirs) = other.find(bucket) else { continue };
            let mine = self.place(bucket);
            self.add_at(mine, other.tallies[theirs], &other.cells[theirs * self.groups..][..self.groups]);
            if let Some(wide) = other.spilled.get(&theirs) {
                self.spilled.entry(mine).or_insert_with(|| Wide::new(self.groups)).add(wide);
            }
        }
    }

    /// Requests added.
    pub fn count(&self) -> u64 {
        self.tallies.iter().map(|tally| tally.count).sum()
    }

    /// The sum of all waits and services, and the sum of all latencies, ps. Equal, unless the engine
    /// lost track of time somewhere.
    pub fn check(&self) -> (u128, u128) {
        let all = self.sum_above(0);
        (all.cells.iter().map(|&(wait, service)| wait + service).sum(), all.latency)
    }

    /// The mean row of the requests above the `p`-quantile by rank (0 for all of them); none if there
    /// are none. Only finished requests have rows.
    ///
    /// Whole buckets from the top; the one in which the quantile lies gives its mean row for as many
    /// requests as are missing, so its part (at most 6 % of the latency) is not told apart.
    pub fn above(&self, p: f64) -> Option<Blame> {
        let total = self.count();
        let wanted = total - rank(p, total);
        if wanted == 0 {
            return None;
        }
        let mut higher = 0;
        let mut boundary = BUCKETS;
        while boundary > 0 && higher + self.bucket_count(boundary - 1) <= wanted {
            boundary -= 1;
            higher += self.bucket_count(boundary);
        }
        let above = self.sum_above(boundary);
        let mut blame = Blame {
            count: wanted,
            latency: above.latency as f64,
            stations: above.cells.iter().map(|&(wait, service)| (wait as f64, service as f64)).collect(),
        };
        // The loop stopped at a bucket that holds more than is missing.
        if let Some(place) = boundary.checked_sub(1).and_then(|bucket| self.find(bucket))
            && higher < wanted
        {
            let share = (wanted - higher) as f64 / self.tallies[place].count as f64;
            blame.take(&self.wide_at(place), share);
        }
        Some(blame.over(wanted as f64))
    }

    /// The place of a bucket, made if need be.
    #[inline]
    fn place(&mut self, bucket: usize) -> usize {
        let octave = bucket / PER_OCTAVE;
        if self.first[octave] == NOWHERE {
            self.make_room(octave);
        }
        self.first[octave] + bucket % PER_OCTAVE
    }

    #[cold]
    fn make_room(&mut self, octave: usize) {
        let first = self.tallies.len();
        self.first[octave] = first;
        self.tallies.resize(first + PER_OCTAVE, Tally::default());
        self.cells.resize((first + PER_OCTAVE) * self.groups, Cell::default());
    }

    #[inline]
    fn add_at(&mut self, place: usize, added: Tally, row: &[Cell]) {
        if self.tallies[place].latency.checked_add(added.latency).is_none() {
            self.spill(place);
        }
        let tally = &mut self.tallies[place];
        tally.count += added.count;
        tally.latency += added.latency;
        // Wrapping, so that a row which breaks its promise is found by `check` and not by a crash.
        for (sum, cell) in self.cells[place * self.groups..][..self.groups].iter_mut().zip(row) {
            sum.wait = sum.wait.wrapping_add(cell.wait);
            sum.service = sum.service.wrapping_add(cell.service);
        }
    }

    #[cold]
    fn spill(&mut self, place: usize) {
        let whole = self.wide_at(place);
        self.spilled.insert(place, whole);
        self.tallies[place].latency = 0;
        self.cells[place * self.groups..][..self.groups].fill(Cell::default());
    }

    /// The place of a bucket, if a request fell into its octave.
    fn find(&self, bucket: usize) -> Option<usize> {
        let first = self.first[bucket / PER_OCTAVE];
        (first != NOWHERE).then(|| first + bucket % PER_OCTAVE)
    }

    fn bucket_count(&self, bucket: usize) -> u64 {
        self.find(bucket).map_or(0, |place| self.tallies[place].count)
    }

    /// Everything that the bucket at a place holds.
    fn wide_at(&self, place: usize) -> Wide {
        let mut sum = self.spilled.get(&place).cloned().unwrap_or_else(|| Wide::new(self.groups));
        sum.latency += u128::from(self.tallies[place].latency);
        for (mine, cell) in sum.cells.iter_mut().zip(&self.cells[place * self.groups..]) {
            mine.0 += u128::from(cell.wait);
            mine.1 += u128::from(cell.service);
        }
        sum
    }

    /// The sum of the buckets from number `bucket` upwards.
    fn sum_above(&self, bucket: usize) -> Wide {
        let mut sum = Wide::new(self.groups);
        (bucket..BUCKETS)
            .filter_map(|bucket| self.find(bucket))
            .for_each(|place| sum.add(&self.wide_at(place)));
        sum
    }
}

impl Blame {
    /// Adds `share` of the sums of a bucket.
    fn take(&mut self, bucket: &Wide, share: f64) {
        self.latency += share * bucket.latency as f64;
        for (mine, &(wait, service)) in self.stations.iter_mut().zip(&bucket.cells) {
            mine.0 += share * wait as f64;
            mine.1 += share * service as f64;
        }
    }

    /// From sums to means.
    fn over(mut self, count: f64) -> Blame {
        self.latency /= count;
        for station in &mut self.stations {
            *station = (station.0 / count, station.1 / count);
        }
        self
    }
}

/// The bucket of a latency, counted from the shortest.
#[inline]
fn bucket(latency_ps: u64) -> usize {
    let ps = latency_ps.clamp(1 << FIRST_OCTAVE, (1 << (LAST_OCTAVE + 1)) - 1);
    let octave = 63 - ps.leading_zeros();
    let within = (ps >> (octave - PER_OCTAVE.ilog2())) as usize % PER_OCTAVE;
    (octave - FIRST_OCTAVE) as usize * PER_OCTAVE + within
}

#[derive(Clone, Copy, Debug, Default)]
struct Tally {
    count: u64,
    /// Sum of latencies not yet spilled, ps.
    latency: u64,
}

/// Sums that cannot overflow: of latencies, and by group of waits and services, ps.
#[derive(Clone, Debug)]
struct Wide {
    latency: u128,
    cells: Vec<(u128, u128)>,
}

impl Wide {
    fn new(groups: usize) -> Self {
        Wide { latency: 0, cells: vec![(0, 0); groups] }
    }

    fn add(&mut self, other: &Wide) {
        self.latency += other.latency;
        for (mine, theirs) in self.cells.iter_mut().zip(&other.cells) {
            mine.0 += theirs.0;
            mine.1 += theirs.1;
        }
    }
}

#[cfg(test)]
mod tests {
    use proptest::prelude::*;

    use super::*;

    fn cell(wait: u64, service: u64) -> Cell {
        Cell { wait, service }
    }

    /// A row of two groups that comes to `latency`.
    fn row(latency: u64) -> [Cell; 2] {
        let half = latency / 2;
        let quarter = half / 2;
        [cell(quarter, half - quarter), cell(0, latency - half)]
    }

    fn table(latencies: &[u64]) -> BlameTable {
        let mut table = BlameTable::new(2);
        latencies.iter().for_each(|&ps| table.add(ps, &row(ps)));
        table
    }

    proptest! {
        #[test]
        fn waits_and_services_come_to_the_latencies_exactly(
            a in prop::collection::vec(any::<u64>(), 0..60),
            b in prop::collection::vec(0..1_u64 << 40, 0..60),
        ) {
            let mut merged = table(&a);
            merged.merge(&table(&b));
            let latency: u128 = a.iter().chain(&b).map(|&ps| u128::from(ps)).sum();
            prop_assert_eq!(merged.check(), (latency, latency));
            prop_assert_eq!(merged.count(), (a.len() + b.len()) as u64);
            let together = table(&[a, b].concat());
            for p in [0.0, 0.3, 0.9, 0.99] {
                prop_assert_eq!(merged.above(p), together.above(p));
            }
        }

        #[test]
        fn every_latency_lies_in_a_bucket_at_most_a_sixteenth_wide(ps in 1_000..3_600_000_000_000_000_u64) {
            let bucket = bucket(ps);
            let width = 1_u64 << (bucket / 16 + FIRST_OCTAVE as usize - 4);
            let lowest = (16 + bucket as u64 % 16) * width;
            prop_assert!(lowest <= ps && ps < lowest + width);
        }
    }

    #[test]
    fn blame_beyond_a_quantile_is_that_of_the_slowest_by_rank() {
        // 900 fast requests are all service at group 1; 100 slow ones wait 9 of their 10 ms at group 0.
        let mut table = BlameTable::new(2);
        (0..900).for_each(|_| table.add(1_000_000, &[cell(0, 0), cell(0, 1_000_000)]));
        (0..100).for_each(|_| table.add(10_000_000_000, &[cell(9_000_000_000, 0), cell(0, 1_000_000_000)]));
        let slow = table.above(0.9).expect("100 lie above");
        assert_eq!((slow.count, slow.latency), (100, 1e10));
        assert_eq!(slow.stations, [(9e9, 0.0), (0.0, 1e9)]);
        // Above the median: 100 slow ones and, pro rata, 400 fast.
        let half = table.above(0.5).expect("500 lie above");
        assert_eq!(half.count, 500);
        assert!((half.stations[0].0 - 9e9 * 0.2).abs() < 1.0);
        assert!((half.stations[1].1 - (1e9 * 0.2 + 1e6 * 0.8)).abs() < 1.0);
        let all = table.above(0.0).expect("all");
        assert!((all.latency - all.stations.iter().map(|(w, s)| w + s).sum::<f64>()).abs() < 1.0);
    }

    #[test]
    fn nothing_above_has_no_blame() {
        assert_eq!(BlameTable::new(3).above(0.0), None);
        assert_eq!(table(&[5, 6]).above(0.9), None);
    }

    #[test]
    fn sums_beyond_64_bits_stay_exact() {
        let long = u64::MAX - 3;
        let mut first = table(&[long; 5]);
        first.merge(&table(&[long; 7]));
        first.merge(&table(&[long]));
        let latency = 13 * u128::from(long);
        assert_eq!(first.check(), (latency, latency));
        let mean = first.above(0.0).expect("13 requests");
        assert!((mean.latency / long as f64 - 1.0).abs() < 1e-12);
    }

    #[test]
    fn a_row_that_does_not_come_to_its_latency_shows_in_the_check() {
        let mut table = table(&[1_000, 2_000]);
        table.add(3_000, &[cell(1_000, 1_000), cell(0, 999)]);
        assert_eq!(table.check(), (5_999, 6_000));
    }
}
