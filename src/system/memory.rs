//! Memory: what a design keeps in it, and what happens when that does not fit.
//!
//! A log held in memory takes its size first. Of a log-structured layout the block map comes next (an entry for each
//! block that machines are given), then the fingerprint index (an entry for each block stored); what is left, times
//! `design.cache.share`, caches reads. With two controllers both memories count, and the log is in both. A look-up of an
//! entry that is not in memory is a drive read of 4 KiB. Map entries are kept by how often their blocks are asked
//! for (`theory/lru.rs`); fingerprints have no locality, so the share that fits is the share that hits.
//!
//! Optionally its bandwidth is a station of its own: bytes cross it when they are received, reduced and sent, as
//! often as `design.memory.passes` says. Left out: map entries that are written back, paging of the index in larger units.

use crate::engine::{Demand, Discipline, GroupId, Network, Pick, Step};
use crate::scenario::{Class, Design};
use crate::theory::lru::{Population, characteristic_time, hit_ratio};
use crate::theory::popularity::Band;

use super::cache::bands;
use super::demand::{Ask, question};
use super::reduction::Blocks;

/// How the memory of all controllers is shared out, bytes.
#[derive(Clone, Debug, Default)]
pub struct Shares {
    /// The log, where it is held in memory.
    pub log: u64,
    /// What the block map wants.
    pub map: u64,
    /// What the fingerprint index wants.
    pub index: u64,
    /// What is left beside these.
    pub left: u64,
    /// By class: the share of block map look-ups that miss.
    pub map_misses: Vec<f64>,
    /// The share of fingerprint look-ups that miss.
    pub index_misses: f64,
}

impl Shares {
    /// Of a design with so many controllers at work.
    pub(super) fn of(design: &Design, classes: &[Class], blocks: Option<&Blocks>, controllers: u32) -> Self {
        let none = vec![0.0; classes.len()];
        let Some(memory) = &design.memory else { return Shares { map_misses: none, ..Shares::default() } };
        let all = memory.size * u64::from(controllers);
        let in_memory = design.log.as_ref().filter(|log| log.is_in_memory).map_or(0, |log| log.size);
        let log = in_memory * u64::from(controllers);
        let room = all.saturating_sub(log);
        let (Some(blocks), map_entry) = (blocks, design.reduction.as_ref().map_or(24, |r| r.map_entry))
        else {
            return Shares { log, left: room, map_misses: none, ..Shares::default() };
        };
        let count = |class: &Class| f64::from(class.machines) * class.capacity as f64 / blocks.bytes as f64;
        let map = (classes.iter().map(count).sum::<f64>() * map_entry as f64) as u64;
        let index_entry = design.reduction.as_ref().filter(|r| r.deduplicate).map_or(0, |r| r.index_entry);
        let unique: f64 =
            classes.iter().enumerate().map(|(n, class)| count(class) * blocks.unique_share(n)).sum();
        let index = (unique * index_entry as f64) as u64;
        let beside_map = room.saturating_sub(map);
        Shares {
            log,
            map,
            index,
            left: beside_map.saturating_sub(index),
            map_misses: map_misses(classes, blocks.bytes, map_entry, room.min(map), map),
            index_misses: if index > beside_map { 1.0 - beside_map as f64 / index as f64 } else { 0.0 },
        }
    }
}

/// By class: the share of look-ups whose entry is not among the `room` bytes that are kept.
fn map_misses(classes: &[Class], block: u64, entry: u64, room: u64, wanted: u64) -> Vec<f64> {
    if room >= wanted {
        return vec![0.0; classes.len()];
    }
    // Blocks of 4 KiB that follow one another in popularity lie together: those of a map entry are alike.
    let together = block as f64 / 4096.0;
    let of_entries = |band: &Band| Band { items: band.items / together, rate: band.rate * together };
    let by_class: Vec<Vec<Band>> = classes
        .iter()
        .map(|class| bands(class).unwrap_or_default().iter().map(of_entries).collect())
        .collect();
    let all: Vec<Population> =
        by_class.iter().map(|bands| Population { size: entry as f64, bands: bands.clone() }).collect();
    let time = characteristic_time(room as f64, &all);
    let miss = |bands: &Vec<Band>| if bands.is_empty() { 0.0 } else { 1.0 - hit_ratio(bands, time) };
    by_class.iter().map(miss).collect()
}

/// The bandwidth of the memory as a station.
#[derive(Clone, Copy)]
pub(super) struct MemorySteps {
    group: GroupId,
    demands: [u32; 3],
}

impl MemorySteps {
    /// Adds the station, if the design states a bandwidth.
    pub fn add(network: &mut Network, design: &Design, controllers: u32) -> Option<Self> {
        design.memory.as_ref()?.bandwidth?;
        let group = network.group("memory", "controller", controllers, 1, Discipline::Committed);
        let demands = [Ask::MemoryReceive, Ask::MemoryReduce, Ask::MemorySend]
            .map(|ask| network.demand(Demand::Asked(ask as u32)));
        Some(MemorySteps { group, demands })
    }

    /// Bytes received from a host.
    pub fn receive(&self) -> Step {
        self.step(0)
    }

    /// Bytes on their way from the log to the drives.
    pub fn reduce(&self) -> Step {
        self.step(1)
    }

    /// Bytes sent to a host.
    pub fn send(&self) -> Step {
        self.step(2)
    }

    fn step(&self, which: usize) -> Step {
        let pick = Pick::Ask(question::CONTROLLER);
        Step::Serve { group: self.group, pick, demand: self.demands[which], level: 0 }
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::scenario::parse;

    fn shares(size: &str, controllers: u32) -> Shares {
        let text = format!(
            "[design.cpu]\ncores = 1\nservice = \"1 us\"\n[design.memory]\nsize = \"{size}\"\n\
             [design.log]\nsize = \"1 GiB\"\nrate = \"1 GB/s\"\n[design.reduction]\n\
             [design.layout]\nwrites = \"log-structured\"\n\
             [design.drives]\ncount = 4\nservice = \"10 us\"\nsplit = true\n\
             [[class]]\nname = \"a\"\nmachines = 64\nread = 0.5\nload = {{ rate = \"1/s\" }}\nsizes = \"4 KiB\"\n\
             capacity = \"64 GiB\"\nduplicate = 0.25\n"
        );
        let scenario =
            parse(&text, "t.toml", std::path::Path::new(""), &[]).unwrap_or_else(|d| panic!("{d}\n{text}"));
        let blocks = Blocks::of(&scenario.design, &scenario.classes);
        Shares::of(&scenario.design, &scenario.classes, blocks.as_ref(), controllers)
    }

    /// 4 TiB in blocks of 32 KiB are 2^27: 3 GiB of map at 24 B, and three quarters of 10 GiB of index at 80 B.
    #[test]
    fn what_does_not_fit_misses() {
        let roomy = shares("16 GiB", 1);
        assert_eq!((roomy.map, roomy.index, roomy.log), (3 << 30, 15 << 29, 1 << 30));
        assert_eq!((roomy.left, roomy.index_misses), ((16 << 30) - (23 << 29), 0.0));
        assert_eq!(roomy.map_misses, [0.0]);
        // 4 GiB are left for 7.5 GiB of index.
        let tight = shares("8 GiB", 1);
        assert!((tight.index_misses - 3.5 / 7.5).abs() < 1e-9);
        assert_eq!((tight.left, tight.map_misses[0]), (0, 0.0));
        // 2 GiB for 3 GiB of map, all blocks alike; and no index at all.
        let dire = shares("3 GiB", 1);
        assert!((dire.map_misses[0] - 1.0 / 3.0).abs() < 1e-6, "{:?}", dire.map_misses);
        assert_eq!(dire.index_misses, 1.0);
        // Two controllers have twice the memory, and the log in both.
        assert_eq!(shares("16 GiB", 2).left, (32 << 30) - (2 << 30) - (21 << 29));
    }
}
