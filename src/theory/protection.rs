//! What protection costs: drive I/Os of a write and of a degraded read, and the bytes of a rebuild.
//!
//! A stripe is N data chunks and p of redundancy, each on a drive of its own; any N of them give back
//! the rest. A mirror is N = 1 with p further copies, no protection is p = 0: one arithmetic serves all.
//! D. Patterson, G. Gibson & R. Katz, SIGMOD 1988; P. Chen et al., ACM Computing Surveys 26(2) (1994),
//! section 3. Where chunks lie is `placement`.
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

/// How a stripe is written in place.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Method {
    /// Nothing need be read: every chunk is written over the same range, or no redundancy is left.
    Overwrite,
    /// Old data of the touched chunks and old redundancy are read.
    ReadModifyWrite,
    /// Untouched chunks are read, and of a touched one what the others change and it does not.
    Reconstruct,
    /// Any N surviving chunks are read over the whole span: something that is needed is lost.
    Decode,
}

/// The drive I/Os of one stripe's write: all reads, then all writes.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct WritePlan {
    /// What is read.
    pub method: Method,
    /// Drive reads.
    pub reads: u32,
    /// Drive writes.
    pub writes: u32,
    /// Bytes read.
    pub bytes_read: u64,
    /// Bytes written.
    pub bytes_written: u64,
}

/// A write to one stripe.
#[derive(Clone, Copy, Debug, Default)]
pub struct StripeWrite<'a> {
    /// Bytes written to each touched chunk whose drive is there.
    pub touched: &'a [u64],
    /// Bytes meant for each touched chunk whose drive is lost.
    pub touched_lost: &'a [u64],
    /// Untouched chunks of data whose drive is lost.
    pub untouched_lost: u32,
    /// Parity chunks, or further copies, whose drive is lost.
    pub redundant_lost: u32,
    /// Bytes of each parity chunk that change: one I/O each. At least as many as any chunk's; equal to
    /// all of them where every touched chunk is written over the same range.
    pub span: u64,
}

impl Group {
    /// The I/Os of a write in place: the fewest of read-modify-write, 2(k + p) for k touched chunks, and
    /// reconstruct, N + p (and one more read for each touched chunk that is not written over the whole
    /// span); ties by fewer bytes, then read-modify-write. Chen et al. (1994), section 3. A lost drive
    /// takes no I/O and may leave one way only. None if more drives are lost than the group survives,
    /// nothing is touched, or the numbers cannot be of one stripe.
    pub fn write_in_place(self, write: &StripeWrite) -> Option<WritePlan> {
        let touched = u32::try_from(write.touched.len() + write.touched_lost.len()).ok()?;
        let untouched = self.data.checked_sub(touched)?;
        let lost_data = write.untouched_lost.checked_add(write.touched_lost.len() as u32)?;
        let lost = lost_data.checked_add(write.redundant_lost)?;
        // No sum of bytes below exceeds this.
        u64::from(self.width()).checked_mul(2)?.checked_mul(write.span)?;
        let mut chunks = write.touched.iter().chain(write.touched_lost);
        if touched == 0
            || write.untouched_lost > untouched
            || lost > self.redundant
            || chunks.any(|bytes| *bytes > write.span)
        {
            return None;
        }
        let ways = [self.modified(write), self.reconstructed(write, untouched), self.decoded(write)];
        ways.into_iter().flatten().min_by_key(|w| (w.reads + w.writes, w.bytes_read + w.bytes_written))
    }

    /// The plan that reads this, and writes what is there of touched chunks and redundancy.
    fn plan(self, write: &StripeWrite, method: Method, reads: u32, bytes_read: u64) -> WritePlan {
        let redundant = self.redundant - write.redundant_lost;
        WritePlan {
            method: if reads == 0 { Method::Overwrite } else { method },
            reads,
            writes: write.touched.len() as u32 + redundant,
            bytes_read,
            bytes_written: write.touched.iter().sum::<u64>() + u64::from(redundant) * write.span,
        }
    }

    fn modified(self, write: &StripeWrite) -> Option<WritePlan> {
        let redundant = self.redundant - write.redundant_lost;
        if redundant == 0 {
            return Some(self.plan(write, Method::Overwrite, 0, 0));
        }
        let bytes = write.touched.iter().sum::<u64>() + u64::from(redundant) * write.span;
        let reads = write.touched.len() as u32 + redundant;
        write.touched_lost.is_empty().then(|| self.plan(write, Method::ReadModifyWrite, reads, bytes))
    }

    fn reconstructed(self, write: &StripeWrite, untouched: u32) -> Option<WritePlan> {
        let whole = |bytes: &u64| *bytes == write.span;
        let short = write.touched.iter().filter(|b| !whole(b)).count() as u32;
        let rest: u64 = write.touched.iter().map(|bytes| write.span - bytes).sum();
        let bytes = u64::from(untouched) * write.span + rest;
        (write.untouched_lost == 0 && write.touched_lost.iter().all(whole))
            .then(|| self.plan(write, Method::Reconstruct, untouched + short, bytes))
    }

    fn decoded(self, write: &StripeWrite) -> Option<WritePlan> {
        Some(self.plan(write, Method::Decode, self.data, u64::from(self.data) * write.span))
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

    /// A write of 4 KiB to the same range of each of `k` chunks.
    fn aligned(group: Group, k: usize) -> WritePlan {
        let touched = vec![4096; k];
        let write = StripeWrite { touched: &touched, span: 4096, ..StripeWrite::default() };
        group.write_in_place(&write).expect("a plan")
    }

    /// R-PENALTY: Patterson, Gibson & Katz (1988); Chen et al. (1994). The 8 of three parities is the
    /// same rule, 2(1 + 3). R-ENDUR beside it: drive bytes written for each host byte.
    #[test]
    fn a_small_write_costs_one_two_four_six_or_eight_drive_ios() {
        let none = Group::new(Scheme::None, 1).expect("a group");
        let mirror = Group::new(Scheme::Mirror { copies: 2 }, 2).expect("a group");
        let cases =
            [(none, 0, 1), (mirror, 0, 2), (parity(8, 1), 2, 2), (parity(8, 2), 3, 3), (parity(8, 3), 4, 4)];
        for (group, reads, writes) in cases {
            let plan = aligned(group, 1);
            assert_eq!((plan.reads, plan.writes), (reads, writes));
            assert_eq!(plan.bytes_read, u64::from(reads) * 4096);
            assert_eq!(plan.bytes_written, u64::from(writes) * 4096);
        }
    }

    /// R-RMW: (N, p, k, best); 6 I/Os on 4 + 1 where the touched chunk's own rest is read is printed in
    /// a public article.
    #[test]
    fn writes_of_several_chunks_match_the_rows() {
        #[rustfmt::skip]
        let rows = [
            (4, 1, 1, 4), (4, 1, 2, 5), (4, 1, 3, 5), (4, 1, 4, 5), (4, 2, 1, 6), (4, 2, 2, 6), (4, 2, 4, 6),
            (8, 1, 1, 4), (8, 1, 2, 6), (8, 1, 4, 9), (8, 1, 7, 9), (8, 1, 8, 9), (8, 2, 1, 6), (8, 2, 2, 8),
            (8, 2, 4, 10), (8, 2, 8, 10), (10, 1, 5, 11), (10, 2, 2, 8), (10, 2, 5, 12), (10, 2, 9, 12),
            (22, 1, 2, 6), (22, 1, 11, 23), (22, 2, 2, 8), (22, 2, 11, 24), (22, 2, 22, 24),
        ];
        for (data, parities, k, best) in rows {
            let plan = aligned(parity(data, parities), k);
            assert_eq!(plan.reads + plan.writes, best, "N {data}, p {parities}, k {k}");
            let full = k as u32 == data;
            assert_eq!(plan.method == Method::Overwrite, full);
        }
        let write = StripeWrite { touched: &[4096], span: 65536, ..StripeWrite::default() };
        let own = parity(4, 1).reconstructed(&write, 3).expect("a plan");
        assert_eq!((own.reads, own.writes, own.bytes_read), (4, 2, 4 * 65536 - 4096));
    }

    #[test]
    fn ties_go_to_the_fewer_bytes() {
        // 4 + 1, two chunks: 6 against 5, and 5 + 1 where one of the two is short; then 5 + 2.
        let plan = |touched: &[u64]| {
            let write = StripeWrite { touched, span: 64, ..StripeWrite::default() };
            parity(4, 1).write_in_place(&write).expect("a plan")
        };
        assert_eq!(plan(&[64, 64]).method, Method::Reconstruct);
        // 2(64 + 4 + 64) = 264 bytes against (4 + 1)·64 = 320.
        assert_eq!((plan(&[64, 4]).method, plan(&[64, 4]).bytes_read), (Method::ReadModifyWrite, 132));
        // 2(64 + 60 + 64) = 376 against 320.
        assert_eq!((plan(&[64, 60]).method, plan(&[64, 60]).bytes_read), (Method::Reconstruct, 132));
        assert_eq!(plan(&[4, 4]).method, Method::ReadModifyWrite);
    }

    /// Every single loss of 4 + 1, carried out on real bytes: what the plan reads suffices for parity.
    #[test]
    fn degraded_plans_read_enough_for_a_right_parity() {
        let group = parity(4, 1);
        let old = [0x13_u8, 0x57, 0x9B, 0xDF];
        let old_parity = old.iter().fold(0, |sum, x| sum ^ x);
        let new = [0xA1_u8, 0xB2, 0xC3, 0xD4];
        for k in 1..=4_usize {
            for lost in 0..=5_usize {
                // Chunks 0 to k − 1 are touched; chunk 4 is the parity; 5 is no loss.
                let lost_touched = usize::from(lost < k);
                let touched = vec![1; k - lost_touched];
                let write = StripeWrite {
                    touched: &touched,
                    touched_lost: &[1][..lost_touched],
                    untouched_lost: u32::from((k..4).contains(&lost)),
                    redundant_lost: u32::from(lost == 4),
                    span: 1,
                };
                let plan = group.write_in_place(&write).expect("a plan");
                let read: Vec<usize> = match plan.method {
                    Method::Overwrite => vec![],
                    Method::ReadModifyWrite => (0..k).chain([4]).collect(),
                    Method::Reconstruct => (k..4).collect(),
                    Method::Decode => (0..5).filter(|c| *c != lost).collect(),
                };
                assert!(!read.contains(&lost), "k {k}, lost {lost}: reads what is gone");
                assert_eq!(read.len(), plan.reads as usize, "k {k}, lost {lost}");
                assert_eq!(plan.writes as usize, k + 1 - usize::from(lost < k || lost == 4));
                let value = |c: usize| if c == 4 { old_parity } else { old[c] };
                let sum = read.iter().fold(0, |sum, c| sum ^ value(*c));
                let fresh = new[..k].iter().fold(0, |sum, x| sum ^ x);
                let found = match plan.method {
                    Method::Overwrite if lost == 4 => continue,
                    // The lost chunk comes from the others; then untouched ones are added up.
                    Method::Decode => {
                        let known: u8 =
                            read.iter().filter(|c| (k..4).contains(c)).fold(0, |s, c| s ^ old[*c]);
                        fresh ^ known ^ if lost < 4 && lost >= k { sum } else { 0 }
                    }
                    _ => sum ^ fresh,
                };
                let right = (k..4).fold(fresh, |s, c| s ^ old[c]);
                assert_eq!(found, right, "k {k}, lost {lost}, {:?}", plan.method);
            }
        }
    }

    /// The textbook cases of a degraded small write on N + p, counted by hand from the rules above.
    #[test]
    fn degraded_small_writes_cost_what_the_rules_say() {
        let small = |group: Group, write: StripeWrite| {
            let plan = group.write_in_place(&StripeWrite { span: 8, ..write }).expect("a plan");
            (plan.method, plan.reads, plan.writes)
        };
        let base = StripeWrite { touched: &[8], ..StripeWrite::default() };
        let gone = StripeWrite { touched: &[], touched_lost: &[8], ..StripeWrite::default() };
        let (single, double) = (parity(8, 1), parity(8, 2));
        assert_eq!(small(single, gone), (Method::Reconstruct, 7, 1));
        assert_eq!(small(single, StripeWrite { redundant_lost: 1, ..base }), (Method::Overwrite, 0, 1));
        assert_eq!(small(single, StripeWrite { untouched_lost: 1, ..base }), (Method::ReadModifyWrite, 2, 2));
        assert_eq!(small(double, StripeWrite { redundant_lost: 1, ..base }), (Method::ReadModifyWrite, 2, 2));
        assert_eq!(small(double, gone), (Method::Reconstruct, 7, 2));
        assert_eq!(small(double, StripeWrite { untouched_lost: 1, ..gone }), (Method::Decode, 8, 2));
        // A lost chunk of which a part is written: its rest must be decoded first.
        let part = StripeWrite { touched: &[], touched_lost: &[4], span: 8, ..StripeWrite::default() };
        assert_eq!(single.write_in_place(&part).map(|p| p.method), Some(Method::Decode));
        for bad in [
            StripeWrite { untouched_lost: 2, ..base },
            StripeWrite { touched: &[9], ..base },
            StripeWrite { touched: &[], ..base },
            StripeWrite { touched: &[8; 9], ..base },
        ] {
            assert!(single.write_in_place(&StripeWrite { span: 8, ..bad }).is_none());
        }
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
