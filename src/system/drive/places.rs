//! Which byte of its drive a fragment begins at: what an arm has to know, and flash need not.
//!
//! Volumes lie one after the other from the rim, each with as many bytes on every drive. Without protection each
//! turn of chunks round the drives takes one chunk of each. With it, fragments carry the place that their stripe's
//! row gives them in a space of the layout's own, which is folded onto the volume's bytes; what is written in full
//! stripes, and what is rebuilt, goes over all of the drive.

use crate::scenario::{Design, Scenario, SpareKind};
use crate::system::body::StorageToken;

/// Where volumes lie on each drive.
#[derive(Clone, Debug)]
pub(in crate::system) struct Places {
    chunk: u64,
    drives: u64,
    rows: Rows,
    /// By class: the byte where its first volume begins, and the bytes of one volume.
    volumes: Vec<(u64, u64)>,
    capacity: u64,
    pub allocated: u64,
}

/// What the address of a fragment is.
#[derive(Clone, Copy, Debug)]
enum Rows {
    /// Its address in the volume.
    OfVolume,
    /// Its place in the rows of a group.
    OfGroup,
    /// In rows of two for each stripe (see `placement`), of which a drive holds this share.
    Spread(f64),
    /// Its place in the rows of full stripes, whosever they are.
    OfStripes,
}

impl Places {
    /// The places of a scenario's volumes on drives of `capacity` bytes.
    pub fn of(scenario: &Scenario, capacity: u64) -> Self {
        let design = &scenario.design;
        let chunk = design.layout.chunk;
        let drives = design.drives.as_ref().map_or(1, |d| u64::from(d.count));
        let rows = rows(design, drives);
        let chunks_a_drive = chunks_a_drive(design, drives);
        let volumes = scenario.classes.iter().scan(0u64, |next, class| {
            let bytes = ((class.capacity.div_ceil(chunk) as f64 * chunks_a_drive).ceil() as u64 + 1) * chunk;
            let first = *next;
            *next = next.saturating_add(bytes.saturating_mul(class.machines.into()));
            Some((first, bytes))
        });
        let volumes: Vec<(u64, u64)> = volumes.collect();
        let machines = scenario.classes.last().map_or(0, |class| u64::from(class.machines));
        let end =
            volumes.last().map_or(0, |(first, bytes)| first.saturating_add(bytes.saturating_mul(machines)));
        let allocated = if matches!(rows, Rows::OfStripes) { capacity } else { end.clamp(1, capacity) };
        Places { chunk, drives, rows, volumes, capacity, allocated }
    }

    /// The byte of its drive that a fragment begins at.
    pub fn byte(&self, token: &StorageToken) -> u64 {
        let address = token.body.address;
        let Some((first, bytes)) = self.volumes.get(usize::from(token.class)).copied() else { return 0 };
        if token.body.is_background() || matches!(self.rows, Rows::OfStripes) {
            return self.fit(address % self.allocated, token.amount);
        }
        let within = address % self.chunk;
        let in_volume = match self.rows {
            Rows::OfVolume => address / self.chunk / self.drives * self.chunk + within,
            Rows::Spread(share) => {
                let stripe = address / self.chunk / 2;
                // As many stripes as a volume's share of chunks on this drive stands for.
                let stripes = ((bytes / self.chunk) as f64 / share) as u64;
                ((stripe % stripes.max(1)) as f64 * share) as u64 * self.chunk + within
            }
            _ => address,
        };
        let volume = first.saturating_add(bytes.saturating_mul(token.body.machine().into()));
        self.fit(volume.saturating_add(in_volume % bytes) % self.capacity, token.amount)
    }

    /// The place, or the last from which so many bytes end on the drive.
    fn fit(&self, byte: u64, amount: u32) -> u64 {
        byte.min(self.capacity.saturating_sub(amount.into()))
    }
}

fn rows(design: &Design, drives: u64) -> Rows {
    if design.layout.append.is_some() {
        return Rows::OfStripes;
    }
    match &design.layout.protection {
        None => Rows::OfVolume,
        Some(p) if p.spare_kind == SpareKind::Distributed => {
            Rows::Spread(f64::from(p.group.width()) / drives as f64)
        }
        Some(_) => Rows::OfGroup,
    }
}

/// Chunks that one chunk of data takes on each drive, redundancy included.
fn chunks_a_drive(design: &Design, drives: u64) -> f64 {
    let Some(p) = &design.layout.protection else { return 1.0 / drives as f64 };
    let spread_over = drives - u64::from(p.idle_drives());
    f64::from(p.group.width()) / f64::from(p.group.data()) / spread_over as f64
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::scenario::parse;

    const CAPACITY: u64 = 1 << 40;

    fn places(layout: &str) -> Places {
        let text = format!(
            "[design.drives]\ncount = 12\nservice = \"10 us\"\nsplit = true\n[design.layout]\n{layout}\n[[class]]\n\
             name = \"a\"\nmachines = 3\nload = {{ in_flight = 1 }}\nread = 0.5\nsizes = \"4 KiB\"\ncapacity = \"1 GiB\"\n\
             [[class]]\nname = \"b\"\nmachines = 2\nload = {{ in_flight = 1 }}\nread = 0.5\nsizes = \"4 KiB\"\n\
             capacity = \"3 GiB\"\n"
        );
        let scenario =
            parse(&text, "t.toml", std::path::Path::new(""), &[]).unwrap_or_else(|d| panic!("{d}"));
        Places::of(&scenario, CAPACITY)
    }

    fn token(class: u16, machine: u32, address: u64) -> StorageToken {
        let mut token = StorageToken::default();
        (token.class, token.amount) = (class, 4096);
        token.body.address = address;
        token.body.machine_and_kind = machine;
        token
    }

    #[test]
    fn volumes_follow_one_another_from_the_rim() {
        let places = places("");
        let chunk = 64 << 10;
        assert_eq!(places.byte(&token(0, 0, 0)), 0);
        assert_eq!(places.byte(&token(0, 0, 4096)), 4096);
        // Twelve chunks further the same drive has its next one.
        assert_eq!(places.byte(&token(0, 0, 12 * chunk + 4096)), chunk + 4096);
        let (_, of_a) = places.volumes[0];
        let least = (1 << 30) / 12;
        assert!((least..=least + 2 * chunk).contains(&of_a), "{of_a}");
        assert_eq!(places.byte(&token(0, 2, 0)), 2 * of_a);
        assert_eq!(places.byte(&token(1, 0, 0)), 3 * of_a);
        let last = places.byte(&token(1, 1, (3 << 30) - 4096));
        assert!(last < places.allocated && places.allocated - last < 3 * chunk, "{last}");
    }

    /// Rows of a group are folded onto the volume without a gap, whatever row it begins with.
    #[test]
    fn rows_of_stripes_are_folded_onto_the_volume() {
        let places = places("protection = \"double-parity\"\ngroup = 6");
        let (first, bytes) = places.volumes[1];
        // 3 GiB over two groups of 4 + 2: a quarter of half of it on each drive.
        let least = (3 << 30) / 8;
        assert!((least..=least + (2 << 16)).contains(&bytes), "{bytes}");
        for row in [0u64, 77, 1 << 31] {
            let at = places.byte(&token(1, 1, row << 16)) - first - bytes;
            assert!(at < bytes);
            let next = places.byte(&token(1, 1, (row + 1) << 16)) - first - bytes;
            assert!(next == at + (1 << 16) || next == 0, "{at} {next}");
        }
        let spread = self::places(
            "protection = \"double-parity\"\ngroup = 6\nspares = 1\nspare_kind = \"distributed\"",
        );
        for row in [0u64, 6, 1 << 31] {
            assert!(spread.byte(&token(1, 1, row << 16)) < spread.allocated);
        }
    }
}
