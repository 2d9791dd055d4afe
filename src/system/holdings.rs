//! What a design holds, in bytes: the room of its drives for data, and what its memory is wanted for.
//!
//! All drives, less the room kept free for spares, less redundancy, less what a log-structured layout keeps free of the
//! rest, is room for data as it is stored; against it stands what the machines have been given. A layout in place stores
//! bytes as they are; full stripes store them reduced. Every byte given counts as written, as it does after some months
//! without discards. Plain arithmetic on a scenario, no plan needed: it holds for a design that is too full to be run, too.
//! Left out: the drives' own spare (it is beyond the capacity that they state), metadata, and rounding to whole chunks.

use crate::scenario::{Class, Design, Scenario, SpareKind};

use super::cache;
use super::memory::Shares;
use super::plan::in_force;
use super::reduction::Blocks;

/// What a design holds. A part is absent where the scenario does not say what it needs.
#[derive(Clone, Debug)]
pub struct Holdings {
    /// Of drives that state a capacity.
    pub capacity: Option<Capacity>,
    /// Of a design with `[design.memory]`.
    pub memory: Option<MemoryUse>,
}

/// What the drives and the memory of a scenario hold, with a controller gone if one is lost all the time.
pub fn holdings(scenario: &Scenario) -> Holdings {
    let scenario = in_force(scenario);
    let (design, classes) = (&scenario.design, &scenario.classes);
    let blocks = Blocks::of(design, classes);
    Holdings {
        capacity: Capacity::of(design, classes, blocks.as_ref()),
        memory: MemoryUse::of(design, classes, blocks.as_ref()),
    }
}

/// Room for data and what takes it, bytes.
#[derive(Clone, Debug, PartialEq)]
pub struct Capacity {
    /// Number of drives.
    pub drives: u32,
    /// What all drives hold together, as they are sold.
    pub raw: f64,
    /// Kept free to restore lost drives to.
    pub spares: f64,
    /// Copies and parity of the rest, when it is full.
    pub redundancy: f64,
    /// What is left of it for data: raw less spares, times N/(N + p).
    pub usable: f64,
    /// Kept free of that, for the cleaner; none in place.
    pub reserve: f64,
    /// Room for data as it is stored: usable less the reserve.
    pub room: f64,
    /// What each class takes of it.
    pub classes: Vec<Taken>,
}

/// What the machines of one class take, bytes.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Taken {
    /// Number of machines.
    pub machines: u32,
    /// Space that they have been given.
    pub given: f64,
    /// The same as it is stored: less what reduction saves.
    pub stored: f64,
}

impl Capacity {
    /// Of drives that state a capacity; textbook drives have none.
    pub(super) fn of(design: &Design, classes: &[Class], blocks: Option<&Blocks>) -> Option<Self> {
        let drives = design.drives.as_ref()?;
        let each = drives.kind.capacity()? as f64;
        let protection = design.layout.protection.as_ref();
        let spares = protection.map_or(0, |protection| protection.spares);
        let share = protection.map_or(1.0, |protection| protection.group.usable_share());
        let in_groups = f64::from(drives.count - spares);
        let usable = in_groups * share * each;
        let reserve = usable * design.layout.append.map_or(0.0, |append| append.reserve);
        let taken = |(n, class): (usize, &Class)| {
            let given = f64::from(class.machines) * class.capacity as f64;
            Taken {
                machines: class.machines,
                given,
                stored: given * blocks.map_or(1.0, |blocks| blocks.share_at_rest(n)),
            }
        };
        Some(Capacity {
            drives: drives.count,
            raw: f64::from(drives.count) * each,
            spares: f64::from(spares) * each,
            redundancy: in_groups * each - usable,
            usable,
            reserve,
            room: usable - reserve,
            classes: classes.iter().enumerate().map(taken).collect(),
        })
    }

    /// Space that all machines have been given, bytes.
    pub fn given(&self) -> f64 {
        self.classes.iter().map(|class| class.given).sum()
    }

    /// The same as it is stored, bytes.
    pub fn stored(&self) -> f64 {
        self.classes.iter().map(|class| class.stored).sum()
    }

    /// Stored data as a share of the room for it; above 1 it does not fit.
    pub fn fill(&self) -> f64 {
        self.stored() / self.room
    }

    /// Bytes that machines of the stated mix may be given in all; none if what they are given takes no room.
    pub fn effective(&self) -> Option<f64> {
        let stored = self.stored();
        (stored > 0.0).then(|| self.room * self.given() / stored)
    }

    /// Machines of the stated mix that the room takes; none if they take no room.
    pub fn machines_that_fit(&self) -> Option<u64> {
        let machines: f64 = self.classes.iter().map(|class| f64::from(class.machines)).sum();
        let fill = self.fill();
        // A hair below a whole machine is that machine: shares are rounded numbers.
        (fill > 0.0).then(|| (machines / fill * (1.0 + 1e-12)) as u64)
    }

    /// Live data as a share of all usable space, as a cleaner of full stripes meets it; the error holds both sides if
    /// it leaves less than the reserve.
    pub(super) fn live_of_stripes(&self) -> Result<f64, (f64, f64)> {
        let live = self.stored();
        if live > self.room { Err((live, self.room)) } else { Ok(live / self.usable) }
    }

    /// How full the drives that hold data in place are: room for spares that is spread over them is as good as empty.
    pub(super) fn live_in_place(&self, design: &Design) -> f64 {
        let spread = match design.layout.protection {
            Some(protection) if protection.spare_kind == SpareKind::Distributed => {
                self.raw / (self.raw - self.spares)
            }
            _ => 1.0,
        };
        self.given() / (self.usable * spread)
    }
}

/// What the memory of all controllers is wanted for, bytes.
#[derive(Clone, Debug)]
pub struct MemoryUse {
    /// Number of controllers.
    pub controllers: u32,
    /// Memory of all of them.
    pub size: u64,
    /// Log, block map, fingerprint index, and what is left beside them.
    pub shares: Shares,
    /// The read cache: its share of what is left.
    pub cache: u64,
}

impl MemoryUse {
    fn of(design: &Design, classes: &[Class], blocks: Option<&Blocks>) -> Option<Self> {
        let memory = design.memory.as_ref()?;
        let controllers = design.controllers_count();
        let shares = Shares::of(design, classes, blocks, controllers);
        let cache = design.cache.as_ref().map_or(0, |keys| cache::room(&shares, keys));
        Some(MemoryUse { controllers, size: memory.size * u64::from(controllers), shares, cache })
    }

    /// What log, block map and fingerprint index want together, bytes.
    pub fn wanted(&self) -> u64 {
        self.shares.log.saturating_add(self.shares.map).saturating_add(self.shares.index)
    }

    /// What of that the memory has no room for, bytes: it is looked up at the drives.
    pub fn overflow(&self) -> u64 {
        self.wanted().saturating_sub(self.size)
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::scenario::parse;

    fn held(layout: &str, more: &str) -> Holdings {
        let text = format!(
            "[design.layout]\n{layout}\n[design.drives]\ncount = 24\npart = \"nvme-gen4-read-centric-3840\"\n{more}\n\
             [[class]]\nname = \"a\"\nmachines = 10\nload = {{ rate = \"1/s\" }}\nread = 0.5\nsizes = \"4 KiB\"\n\
             capacity = \"1 TiB\"\ncompress = 2.0\ncompress_spread = 0\nduplicate = 0.25\n"
        );
        let scenario =
            parse(&text, "t.toml", std::path::Path::new(""), &[]).unwrap_or_else(|d| panic!("{d}\n{text}"));
        holdings(&scenario)
    }

    fn space(layout: &str, more: &str) -> Capacity {
        held(layout, more).capacity.expect("drives of a size")
    }

    /// 24 drives of 3.84 TB; R-EFF for the shares.
    #[test]
    fn room_is_raw_less_spares_redundancy_and_reserve() {
        let near = |found: f64, tb: f64| assert!((found / 1e12 - tb).abs() < 1e-9, "{found}, {tb} TB");
        let bare = space("", "");
        near(bare.raw, 92.16);
        assert_eq!((bare.usable, bare.room, bare.spares, bare.redundancy), (bare.raw, bare.raw, 0.0, 0.0));
        near(space("protection = \"mirror-2\"", "").room, 46.08);
        near(space("protection = \"mirror-3\"", "").room, 30.72);
        for kind in ["dedicated", "distributed"] {
            let layout =
                format!("protection = \"double-parity\"\ngroup = 11\nspares = 2\nspare_kind = \"{kind}\"");
            let parity = space(&layout, "");
            near(parity.spares, 7.68);
            near(parity.redundancy, 15.36);
            near(parity.room, 69.12);
            let stripes = space(&format!("{layout}\nwrites = \"log-structured\"\nreserve = 0.1"), "");
            near(stripes.usable, 69.12);
            near(stripes.reserve, 6.912);
            near(stripes.room, 62.208);
        }
    }

    #[test]
    fn reduction_stores_less_and_more_machines_fit() {
        let stripes = "writes = \"log-structured\"\nreserve = 0.1";
        let plain = space(stripes, "");
        assert_eq!((plain.given(), plain.stored()), (10.0 * 2f64.powi(40), 10.0 * 2f64.powi(40)));
        // 82.944 TB for machines of 1.0995 TB: 75.4 of them.
        assert_eq!(plain.machines_that_fit(), Some(75));
        let reduced = space(stripes, "[design.reduction]");
        assert!((reduced.stored() / reduced.given() - 0.375).abs() < 1e-12);
        assert_eq!(reduced.machines_that_fit(), Some(201));
        assert!((reduced.effective().expect("some") / reduced.room - 1.0 / 0.375).abs() < 1e-12);
    }

    #[test]
    fn a_design_that_is_too_full_still_says_by_how_much() {
        let full = space("writes = \"log-structured\"\nreserve = 0.9", "");
        assert!(full.fill() > 1.19 && full.fill() < 1.2, "{}", full.fill());
        assert!(full.live_of_stripes().is_err());
        assert_eq!(full.machines_that_fit(), Some(8));
    }

    #[test]
    fn memory_counts_both_controllers_and_what_overflows() {
        let log = "[design.log]\nsize = \"1 GiB\"\nrate = \"1 GB/s\"\n[design.memory]\nsize = \"4 GiB\"\n\
                   [design.cache]\nshare = 0.5\n[design.reduction]\n[design.controllers]\ncount = 2\n\
                   partner = { link = \"pcie-gen4-x8\" }";
        let memory = held("writes = \"log-structured\"", log).memory.expect("stated");
        // 10 TiB in blocks of 32 KiB: 335,544,320 entries of 24 B, and three quarters as many of 80 B.
        assert_eq!((memory.size, memory.shares.log), (8 << 30, 2 << 30));
        assert_eq!((memory.shares.map, memory.shares.index), (335_544_320 * 24, 251_658_240 * 80));
        assert_eq!(memory.overflow(), memory.wanted() - (8 << 30));
        assert_eq!(memory.cache, 0);
        let lost = format!("{log}\n[[fault]]\nname = \"lost\"\nkind = \"controller-lost\"\ncontroller = 1\n");
        let alone = held("writes = \"log-structured\"", &lost).memory.expect("stated");
        assert_eq!((alone.controllers, alone.size), (1, 4 << 30));
    }
}
