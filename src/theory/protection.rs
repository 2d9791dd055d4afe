//! What protection costs: capacity, the drive reads of a degraded read, the bytes of a rebuild.
//!
//! A stripe is N data chunks and p of redundancy, each on a drive of its own; any N of them give back
//! the rest. A mirror is N = 1 with p further copies, no protection is p = 0: one arithmetic serves all.
//! D. Patterson, G. Gibson & R. Katz, SIGMOD 1988; P. Chen et al., ACM Computing Surveys 26(2) (1994),
//! section 3. Writes are in `stripe_write`, where chunks lie in `placement`.
//!
//! Left out: local parities (codes that rebuild from fewer than N), sectors that cannot be read.

/// A kind of protection.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Scheme {
    /// Chunks on one drive each.
    None,
    /// That many copies of each chunk, at least 2.
    Mirror {
        /// All copies, the first included.
        copies: u32,
    },
    /// That many parity chunks in each stripe, at least 1.
    Parity {
        /// Parity chunks.
        parities: u32,
    },
}

/// The drives of a stripe: N of data and p of redundancy.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Group {
    data: u32,
    redundant: u32,
}

impl Group {
    /// A group `width` drives wide, redundancy included: 1 for no protection, the copies of a mirror,
    /// more than the parities. None if the width does not suit the scheme.
    pub fn new(scheme: Scheme, width: u32) -> Option<Group> {
        let (data, redundant) = match scheme {
            Scheme::None => (1, 0),
            Scheme::Mirror { copies } => (1, copies.checked_sub(1).filter(|more| *more > 0)?),
            Scheme::Parity { parities } => (width.checked_sub(parities)?, parities),
        };
        let protected = scheme == Scheme::None || redundant > 0;
        (protected && data > 0 && data.checked_add(redundant)? == width).then_some(Group { data, redundant })
    }

    /// N: chunks of data in a stripe.
    pub fn data(self) -> u32 {
        self.data
    }

    /// p: further chunks in a stripe; so many drives of a group may be lost without loss of data.
    pub fn survivable_losses(self) -> u32 {
        self.redundant
    }

    /// Whether redundancy is computed: parity, and no copies.
    pub fn is_coded(self) -> bool {
        self.data > 1 && self.redundant > 0
    }

    /// Whether it is copies of each chunk.
    pub fn is_mirror(self) -> bool {
        self.data == 1 && self.redundant > 0
    }

    /// Drives of a group, N + p.
    pub fn width(self) -> u32 {
        self.data + self.redundant
    }

    /// Share of the drives' bytes that holds data: N/(N + p).
    pub fn usable_share(self) -> f64 {
        f64::from(self.data) / f64::from(self.width())
    }

    /// Drive reads that give back a chunk of a lost drive, N, with `lost` drives of the group gone (the
    /// chunk's own among them, so at least 1); None if the data is gone.
    pub fn degraded_read(self, lost: u32) -> Option<u32> {
        (lost >= 1 && lost <= self.redundant).then_some(self.data)
    }

    /// Mean drive reads for a host read of one chunk, one of `drives` lost over which stripes are spread
    /// evenly (the group's width, or more where declustered): 1 + (N − 1)/drives. Each survivor then
    /// does 1 + N/(drives − 1) of its healthy reads, the 1 + α of M. Holland & G. Gibson, ASPLOS 1992
    /// (their α is (G − 1)/(C − 1), single parity). None if the data is gone or the drives are too few.
    pub fn degraded_reads_mean(self, drives: u32) -> Option<f64> {
        let lost = self.degraded_read(1)?;
        (drives >= self.width()).then(|| 1.0 + f64::from(lost - 1) / f64::from(drives))
    }
}

/// The bytes that restoring one lost drive moves.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Rebuild {
    /// Read from all survivors together: N times what is restored.
    pub read: f64,
    /// Written in all: what is restored.
    pub written: f64,
    /// Read from each drive that holds stripes with the lost one.
    pub read_each: f64,
    /// Written to each of them: 0 where a spare drive takes it all.
    pub written_each: f64,
}

impl Group {
    /// Rebuild of a lost drive that held `content` bytes. `spread_over` is None for a spare drive (the
    /// group's survivors read, evenly), or the number of drives, the lost one included, over which
    /// stripes and spare space are spread evenly. Holland & Gibson (1992), where single parity reads the
    /// share α = (G − 1)/(C − 1) of each. None if the data is gone or the drives are too few.
    pub fn rebuild(self, content: f64, spread_over: Option<u32>) -> Option<Rebuild> {
        let reads = f64::from(self.degraded_read(1)?);
        let drives = spread_over.unwrap_or(self.width());
        if drives < self.width() {
            return None;
        }
        let survivors = f64::from(drives - 1);
        let written_each = if spread_over.is_some() { content / survivors } else { 0.0 };
        let read = reads * content;
        Some(Rebuild { read, written: content, read_each: read / survivors, written_each })
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn parity(data: u32, parities: u32) -> Group {
        Group::new(Scheme::Parity { parities }, data + parities).expect("a group")
    }

    /// R-EFF; R-DEGRADED: reads for each host read 2(n − 1)/n, fan-out n − 1.
    #[test]
    fn usable_shares_and_degraded_reads_match_the_rows() {
        for (data, parities, share) in
            [(4, 1, 0.8), (8, 1, 0.8888888889), (8, 2, 0.8), (10, 2, 0.8333333333), (22, 2, 0.9166666667)]
        {
            assert!((parity(data, parities).usable_share() - share).abs() < 1e-9);
        }
        let mirror = Group::new(Scheme::Mirror { copies: 3 }, 3).expect("a group");
        assert_eq!((mirror.usable_share(), mirror.survivable_losses()), (1.0 / 3.0, 2));
        assert_eq!((mirror.degraded_read(2), mirror.degraded_read(3)), (Some(1), None));
        for (n, ios) in [(5, 1.6), (9, 1.777777778), (12, 1.833333333), (24, 1.916666667)] {
            let group = parity(n - 1, 1);
            assert!((group.degraded_reads_mean(n).expect("protected") - ios).abs() < 1e-9);
            assert_eq!(group.degraded_read(1), Some(n - 1));
        }
        // R-DECLUST: each survivor's load is 1 + α, here by its drives' reads.
        for (g, c, load) in [(4, 5, 1.75), (10, 24, 1.391304348)] {
            let mean = parity(g - 1, 1).degraded_reads_mean(c).expect("protected");
            assert!((mean * f64::from(c) / f64::from(c - 1) - load).abs() < 1e-9);
        }
    }

    /// R-REBUILD: 8 + 1 drives of 7.68 TB with a replacement, and declustered over 24.
    #[test]
    fn rebuild_volumes_match_the_rows() {
        let group = parity(8, 1);
        let spare = group.rebuild(7.68, None).expect("protected");
        assert!((spare.read - 61.44).abs() < 1e-9 && spare.written == 7.68);
        assert!((spare.read_each - 7.68).abs() < 1e-9 && spare.written_each == 0.0);
        let spread = group.rebuild(7.68, Some(24)).expect("protected");
        assert!((spread.read_each - 2.671304).abs() < 1e-6);
        assert!((spread.read_each + spread.written_each - 3.005217).abs() < 1e-6);
        // Double parity reads 8 of its 9 survivors.
        assert!((parity(8, 2).rebuild(9.0, None).expect("protected").read_each - 8.0).abs() < 1e-12);
        assert!(Group::new(Scheme::None, 1).expect("a group").rebuild(1.0, None).is_none());
        assert!(group.rebuild(1.0, Some(8)).is_none());
    }

    #[test]
    fn widths_that_do_not_suit_a_scheme_are_refused() {
        let refused = [
            (Scheme::None, 2),
            (Scheme::Mirror { copies: 2 }, 4),
            (Scheme::Mirror { copies: 0 }, 0),
            (Scheme::Mirror { copies: 1 }, 1),
            (Scheme::Parity { parities: 2 }, 2),
            (Scheme::Parity { parities: 0 }, 4),
            (Scheme::Parity { parities: 9 }, 4),
        ];
        for (scheme, width) in refused {
            assert_eq!(Group::new(scheme, width), None, "{scheme:?}, {width}");
        }
    }
}
