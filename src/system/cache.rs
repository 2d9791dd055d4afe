//! The read cache: hits by popularity.
//!
//! A read that hits leaves the drives out. How often that happens is the characteristic-time approximation of
//! a cache that drops what was asked for longest ago (`theory/lru.rs`), over the working sets and skews of all
//! classes together: reads and writes both put their blocks in, hits count for reads alone. A request draws once for
//! each extent that it touches, for blocks of one extent are alike in popularity. Reads that continue a stream
//! bypass the cache, and so do recorded loads, whose next request no law tells.
//!
//! With `prefetch` a stream is read ahead by that many bytes: its first read goes to the drives, and so does the second,
//! which tells that it is a stream; the others find their data, and every so many bytes of it cost a background read
//! of as many. One such read at the end of each stream is for nothing. That the data is there in time is taken for
//! granted.
//!
//! A cache that holds blocks as they are stored holds more of them. It is warm from the start; where a fault empties
//! it, `warming` says how it fills again. A closed loop's rate is not known beforehand: it is put at one request per
//! token in each think time and [`ANSWER_S`].

use crate::engine::{Purpose, SimDuration};
use crate::scenario::{CacheKeys, Class, Design, Load, Skew};
use crate::theory::lru::{Population, characteristic_time, hit_ratio};
use crate::theory::popularity::{Band, weighted_bands, zipf_bands};

use super::body::StorageToken;
use super::memory::Shares;
use super::reduction::Blocks;
use super::warming::Warming;

/// Blocks that are kept or dropped, bytes: those of the Zipf law.
const BLOCK: f64 = 4096.0;
/// What a closed loop is assumed to wait for an answer, seconds (project choice; only the rates of classes
/// relative to each other matter).
const ANSWER_S: f64 = 200e-6;
const DRAW: Purpose = Purpose::named("cache");
const AHEAD: Purpose = Purpose::named("ahead");

/// A cache shared by all classes.
#[derive(Clone, Debug)]
pub struct Cache {
    /// Room, bytes.
    pub bytes: u64,
    /// How long a block stays after it was last asked for, seconds; infinite if everything fits.
    pub time_s: f64,
    /// By class: the share of its random reads that hit.
    hits: Vec<f64>,
    /// By class: the extent of one draw, bytes.
    extents: Vec<u64>,
    /// By class: bytes of a stream.
    runs: Vec<f64>,
    /// Bytes read ahead of a stream; 0 for none.
    prefetch: u64,
    /// By class: how it warms, where a fault empties the cache.
    warming: Vec<Warming>,
}

impl Cache {
    /// The cache of a design, if it has one; `is_emptied` says whether a fault will empty it.
    pub(super) fn of(
        design: &Design,
        classes: &[Class],
        shares: &Shares,
        blocks: Option<&Blocks>,
        is_emptied: bool,
    ) -> Option<Self> {
        let keys = design.cache.as_ref()?;
        let bytes = room(shares, keys);
        let bands: Vec<Vec<Band>> = classes.iter().map(|class| bands(class).unwrap_or_default()).collect();
        // A block that is held as it is stored takes that much less.
        let stored = blocks.filter(|_| keys.holds_stored);
        let size = |n: usize| stored.map_or(BLOCK, |b| BLOCK * b.mean_stored(n) / b.bytes as f64);
        let populations: Vec<Population> = bands
            .iter()
            .enumerate()
            .map(|(n, bands)| Population { size: size(n), bands: bands.clone() })
            .collect();
        let time_s = characteristic_time(bytes as f64, &populations);
        let hit = |bands: &Vec<Band>| if bands.is_empty() { 0.0 } else { hit_ratio(bands, time_s) };
        Some(Cache {
            bytes,
            time_s,
            hits: bands.iter().map(hit).collect(),
            extents: classes.iter().map(|class| class.extent).collect(),
            runs: classes.iter().map(|class| class.sequential.run_length as f64).collect(),
            prefetch: keys.prefetch,
            warming: match is_emptied {
                true => bands.iter().map(|bands| Warming::of(bands, time_s)).collect(),
                false => Vec::new(),
            },
        })
    }

    /// The share of a class's random reads that hit.
    pub fn hit_ratio(&self, class: usize) -> f64 {
        self.hits[class]
    }

    /// Whether a read is the first that is seen to continue its stream: one of all of its reads but the very first.
    fn begins_stream(&self, token: &StorageToken) -> bool {
        let further = self.runs[usize::from(token.class)] / f64::from(token.amount) - 1.0;
        token.key.draws(DRAW).unit() * further < 1.0
    }

    /// How many bytes a read has fetched ahead of its stream, for those behind it: twice at its beginning, so that
    /// what is ahead stays ahead, and at its end is wasted.
    pub(super) fn reads_ahead(&self, token: &StorageToken) -> Option<u64> {
        if self.prefetch == 0 || !token.body.is_sequential() {
            return None;
        }
        let due = token.key.draws(AHEAD).unit() < f64::from(token.amount) / self.prefetch as f64;
        (due || self.begins_stream(token)).then_some(self.prefetch)
    }

    /// The share of a class's random reads that hit so long after the cache was emptied (as ever, if no fault of the scenario empties it).
    pub fn hit_ratio_since(&self, class: usize, since: SimDuration) -> f64 {
        self.warming.get(class).map_or(self.hits[class], |warming| warming.ratio(since))
    }

    /// Whether a read finds all of its blocks; `since` is the time since the cache was emptied, if it was.
    #[inline]
    pub(super) fn hits(&self, token: &StorageToken, since: Option<SimDuration>) -> bool {
        let class = usize::from(token.class);
        if token.body.is_sequential() {
            return self.prefetch > 0 && !self.begins_stream(token);
        }
        let chance = since.map_or(self.hits[class], |since| self.hit_ratio_since(class, since));
        if chance == 0.0 {
            return false;
        }
        let (first, last) = (token.body.address, token.body.address + u64::from(token.amount) - 1);
        let extents = last / self.extents[class] - first / self.extents[class] + 1;
        let mut draws = token.key.draws(DRAW);
        (0..extents).all(|_| draws.unit() < chance)
    }
}

/// Bytes of the cache: its share of the memory that is left.
pub(super) fn room(shares: &Shares, keys: &CacheKeys) -> u64 {
    (shares.left as f64 * keys.share) as u64
}

/// Bytes a second that the machines of a class write, for the weights of classes beside each other.
pub(super) fn written_per_s(class: &Class) -> f64 {
    let writes = requests_per_s(class) * (1.0 - class.read) * f64::from(class.machines);
    writes * class.write_sizes.iter().map(|(bytes, share)| *bytes as f64 * share).sum::<f64>()
}

/// Requests a second of one machine; of a trace none, for no law tells.
fn requests_per_s(class: &Class) -> f64 {
    match &class.load {
        Load::Open { rate, .. } => *rate,
        Load::Closed { in_flight, think } => {
            let think_s = think.as_ref().map_or(0.0, |law| law.mean_ps() / 1e12);
            f64::from(*in_flight) / (think_s + ANSWER_S)
        }
        Load::Trace { .. } => 0.0,
    }
}

/// Blocks of all machines of a class and how often each is asked for, per second; none of a class whose
/// requests bypass the cache.
pub(super) fn bands(class: &Class) -> Option<Vec<Band>> {
    if matches!(class.load, Load::Trace { .. }) {
        return None;
    }
    let requests_per_s = requests_per_s(class);
    let mean = |sizes: &[(u64, f64)]| sizes.iter().map(|(bytes, share)| *bytes as f64 * share).sum::<f64>();
    let bytes = class.read * mean(&class.read_sizes) + (1.0 - class.read) * mean(&class.write_sizes);
    let rate = requests_per_s * (1.0 - class.sequential.share) * (bytes / BLOCK).max(1.0);
    let blocks = (class.working_set as f64 / BLOCK).max(1.0);
    let of_machine = match &class.skew {
        Skew::Uniform => Some(vec![Band { items: blocks, rate: rate / blocks }]),
        Skew::Zipf(exponent) => zipf_bands(*exponent, blocks as u64, rate),
        Skew::Bands(parts) => {
            let parts: Vec<(f64, f64)> =
                parts.iter().map(|(space, accesses)| (*accesses, space * blocks)).collect();
            weighted_bands(&parts, rate)
        }
    }?;
    let machines = f64::from(class.machines);
    Some(of_machine.into_iter().map(|b| Band { items: b.items * machines, ..b }).collect())
}
