//! What drive reads and writes a request needs under protection: all reads, then all writes.
//!
//! How a stripe is written is decided by `theory::protection`, which also says how many bytes that
//! moves; the pieces are made here from the drives of the stripe. A run holds the two sums against
//! each other. Parts of a request that touch a stripe at offsets which do not meet change parity in
//! two places: they are planned apart.

use crate::engine::Part;
use crate::scenario::Operation;
use crate::system::body::{Body, DRIVE, StorageToken};
use crate::system::condition::Losses;
use crate::theory::stripe_write::{Method, StripeWrite};

use super::Layout;
use super::placement::{Placement, Seats};
use super::touched::{Covers, Hull, Range, Touched, by_stripe, unite};

/// Beyond so many pieces in one round a drive gets all of its own in one (the engine numbers them in
/// 16 bits; drives are fewer).
const PIECES_MAX: usize = 16_384;

/// A request as its layout sees it.
#[derive(Clone, Copy, Debug)]
pub(in crate::system) struct Request {
    pub operation: Operation,
    pub class: u16,
    pub machine: u32,
    pub address: u64,
    pub bytes: u64,
    /// 64 random bits: which copy of a mirror is read.
    pub copy: u64,
}

/// Where a block of a log-structured layout is stored: in one chunk of a stripe.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(in crate::system) struct Stored {
    pub stripe: u64,
    pub chunk: u32,
    pub offset: u64,
    pub bytes: u64,
}

/// A run of bytes on one drive.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord)]
pub(in crate::system) struct Piece {
    pub drive: u32,
    pub start: u64,
    pub end: u64,
}

/// Bytes by arithmetic, without regard to the pieces.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub(in crate::system) struct Sums {
    /// What the request itself covers, stripe by stripe.
    pub touched: u64,
    /// Drive reads.
    pub read: u64,
    /// Drive writes.
    pub written: u64,
    /// What the processor takes in to make parity or to give back lost data.
    pub coded: u64,
}

/// Plans one request at a time.
#[derive(Clone, Debug, Default)]
pub(in crate::system) struct Planner {
    pub reads: Vec<Piece>,
    pub writes: Vec<Piece>,
    pub sums: Sums,
    chunk: u64,
    seats: Seats,
    spans: Vec<Range>,
    hull: Hull,
    present: Vec<u64>,
    gone: Vec<u64>,
    /// Of mirrors, by drive: fragments that are there now.
    there: Vec<u32>,
}

impl Planner {
    /// A planner for what is lost all the time.
    pub fn standing(placement: &Placement) -> Self {
        let mut planner = Planner::default();
        planner.suffer(placement.standing().clone());
        planner
    }

    /// Plans under these losses from now on.
    pub fn suffer(&mut self, losses: Losses) {
        self.seats.losses = losses;
    }

    /// Plans a request.
    pub fn plan(&mut self, layout: &Layout, placement: &Placement, request: &Request) {
        self.clear(layout.chunk);
        let data = u64::from(placement.group.data());
        // A volume begins with a stripe.
        let first = layout.first_chunk(request.class, request.machine) / data * data;
        for (stripe, touched) in by_stripe(request.address, request.bytes, layout.chunk, first, data) {
            placement.seat(stripe, &mut self.seats);
            self.sums.touched += touched.bytes();
            match request.operation {
                Operation::Read if data == 1 => self.read_copy(&touched, request.copy),
                Operation::Read => self.read(placement, &touched),
                Operation::Write => self.write(placement, &touched),
            }
        }
        gather(&mut self.reads);
        gather(&mut self.writes);
    }

    /// Plans the writing of the blocks that a log has gathered of one machine: runs of (address, bytes), in
    /// order. Of each chunk all is written from the first of its blocks to the last.
    pub fn plan_runs(
        &mut self,
        layout: &Layout,
        placement: &Placement,
        (class, machine): (u16, u32),
        runs: &[(u64, u64)],
    ) {
        self.clear(layout.chunk);
        let data = u64::from(placement.group.data());
        let first = layout.first_chunk(class, machine) / data * data;
        let mut hull = std::mem::take(&mut self.hull);
        let mut open = None;
        for &(address, bytes) in runs {
            for (stripe, part) in by_stripe(address, bytes, layout.chunk, first, data) {
                if open != Some(stripe) {
                    self.write_hull(placement, open, &hull);
                    hull.clear(data as u32);
                    open = Some(stripe);
                }
                hull.add(&part);
            }
        }
        self.write_hull(placement, open, &hull);
        self.hull = hull;
        gather(&mut self.reads);
        gather(&mut self.writes);
    }

    fn write_hull(&mut self, placement: &Placement, stripe: Option<u64>, hull: &Hull) {
        let Some(stripe) = stripe else { return };
        placement.seat(stripe, &mut self.seats);
        self.sums.touched += hull.bytes();
        self.write(placement, hull);
    }

    /// Begins a plan that is made of blocks stored here and there.
    pub fn begin(&mut self, layout: &Layout) {
        self.clear(layout.chunk);
    }

    /// Adds the reading of a stored block. `copy` is which copy of a mirror, 64 random bits.
    pub fn read_stored(&mut self, placement: &Placement, place: &Stored, copy: u64) {
        placement.seat(place.stripe, &mut self.seats);
        let (from, to) = (place.offset, place.offset + place.bytes);
        let touched = Touched { first: place.chunk, last: place.chunk, from, to, chunk: self.chunk };
        self.read_part(placement, &touched, copy);
    }

    /// Adds the reading of part of one stripe, gathered for itself: other parts lie elsewhere.
    fn read_part(&mut self, placement: &Placement, touched: &Touched, copy: u64) {
        self.sums.touched += touched.bytes();
        if placement.group.data() == 1 {
            return self.read_copy(touched, copy);
        }
        let before = self.reads.len();
        self.read(placement, touched);
        if self.reads.len() > before + 1 {
            let mut part = self.reads.split_off(before);
            gather(&mut part);
            self.reads.append(&mut part);
        }
    }

    /// Adds the reading of all data of a stripe (what is lost of it comes from the rest).
    pub fn read_stripe(&mut self, placement: &Placement, stripe: u64, copy: u64) {
        placement.seat(stripe, &mut self.seats);
        let last = placement.group.data() - 1;
        let touched = Touched { first: 0, last, from: 0, to: self.chunk, chunk: self.chunk };
        self.read_part(placement, &touched, copy);
    }

    /// Adds the writing of a new stripe over the first `depth` bytes of `chunks` of its data chunks, and of
    /// all its redundancy: a full one where both are as large as can be.
    pub fn append(&mut self, placement: &Placement, stripe: u64, chunks: u32, depth: u64) {
        placement.seat(stripe, &mut self.seats);
        let data = placement.group.data();
        self.sums.touched += u64::from(chunks) * depth;
        for seat in (0..chunks).chain(data..placement.group.width()) {
            if let Some(drive) = self.seats.drives[seat as usize] {
                self.writes.push(self.piece(drive, (0, depth)));
                self.sums.written += depth;
            }
        }
        if data > 1 && placement.group.survivable_losses() > 0 {
            self.sums.coded += u64::from(chunks) * depth;
        }
    }

    /// Ends such a plan: stripes that follow one another are one piece on each drive.
    pub fn end(&mut self) {
        gather(&mut self.writes);
    }

    /// Plans the restoring of the `number`-th lost stripe of the drive `restored`. Where its spare room is lost
    /// too there is nothing to do; one that `is_begun` is then written as if that had come a little later.
    pub fn plan_rebuild(
        &mut self,
        layout: &Layout,
        placement: &Placement,
        (number, restored): (u64, u32),
        is_begun: bool,
    ) {
        let chunk = layout.chunk;
        self.clear(chunk);
        let spare = placement.seat_lost(number, restored, &mut self.seats);
        let Some(spare) = spare.or(is_begun.then_some(restored)) else { return };
        let data = u64::from(placement.group.data());
        self.read_survivors(placement, (0, chunk));
        self.writes.push(self.piece(spare, (0, chunk)));
        self.sums.read += data * chunk;
        self.sums.written += chunk;
        self.sums.coded += if data > 1 { data * chunk } else { 0 };
    }

    fn clear(&mut self, chunk: u64) {
        self.chunk = chunk;
        self.reads.clear();
        self.writes.clear();
        self.sums = Sums::default();
    }

    fn piece(&self, drive: u32, (from, to): Range) -> Piece {
        let start = self.seats.row * self.chunk;
        Piece { drive, start: start + from, end: start + to }
    }

    /// Reads a range of a seat, which must not be lost.
    fn read_seat(&mut self, seat: usize, range: Range) {
        if let Some(drive) = self.seats.drives[seat] {
            self.reads.push(self.piece(drive, range));
        }
    }

    /// Reads a range of N survivors of the stripe, data first.
    fn read_survivors(&mut self, placement: &Placement, range: Range) {
        for at in 0..placement.group.data() as usize {
            if let Some(drive) = self.seats.drives.iter().flatten().nth(at).copied() {
                self.reads.push(self.piece(drive, range));
            }
        }
    }

    /// A fragment comes to a drive.
    pub fn comes_to(&mut self, drive: u32) {
        if let Some(there) = self.there.get_mut(drive as usize) {
            *there += 1;
        }
    }

    /// And leaves it.
    pub fn leaves(&mut self, drive: u32) {
        if let Some(there) = self.there.get_mut(drive as usize) {
            *there -= 1;
        }
    }

    /// Counts what is at each of so many drives, for the reads of mirrors.
    pub fn count_at(&mut self, drives: u32) {
        self.there.resize(drives as usize, 0);
    }

    /// A stripe of a mirror: the copy whose drive has the fewest requests now; of equal ones any, by `copy`.
    fn read_copy(&mut self, touched: &Touched, copy: u64) {
        let load = |drive: u32| self.there.get(drive as usize).copied().unwrap_or(0);
        let least = self.seats.drives.iter().flatten().map(|drive| load(*drive)).min().unwrap_or(0);
        let best = || self.seats.drives.iter().flatten().filter(|drive| load(**drive) == least);
        let nth = ((u128::from(copy) * best().count() as u128) >> 64) as usize;
        if let Some(drive) = best().nth(nth).copied() {
            self.reads.push(self.piece(drive, touched.range(touched.first)));
        }
        self.sums.read += touched.bytes();
    }

    /// A stripe with parity: what is lost comes from N survivors.
    fn read(&mut self, placement: &Placement, touched: &impl Covers) {
        self.spans.clear();
        for chunk in touched.chunks() {
            match self.seats.drives[chunk as usize] {
                Some(_) => self.read_seat(chunk as usize, touched.range(chunk)),
                None => self.spans.push(touched.range(chunk)),
            }
        }
        unite(&mut self.spans);
        for at in 0..self.spans.len() {
            self.read_survivors(placement, self.spans[at]);
        }
        // A survivor is read over the lost ranges, and beyond them where it is asked for itself.
        let lost: u64 = self.spans.iter().map(length).sum();
        let shared = |range: Range| -> u64 { self.spans.iter().map(|span| common(*span, range)).sum() };
        let beyond = |chunk: u32| {
            let range = touched.range(chunk);
            let is_there = self.seats.drives[chunk as usize].is_some();
            if is_there { length(&range) - shared(range) } else { 0 }
        };
        let given_back = u64::from(placement.group.data()) * lost;
        self.sums.read += given_back + touched.chunks().map(beyond).sum::<u64>();
        self.sums.coded += given_back;
    }

    fn write(&mut self, placement: &Placement, touched: &impl Covers) {
        self.spans.clear();
        self.spans.extend(touched.chunks().map(|chunk| touched.range(chunk)));
        unite(&mut self.spans);
        for at in 0..self.spans.len() {
            self.write_span(placement, touched, self.spans[at]);
        }
    }

    /// Writes the touched chunks whose ranges lie in one span of the stripe.
    fn write_span(&mut self, placement: &Placement, touched: &impl Covers, span: Range) {
        let data = placement.group.data();
        let is_in = |chunk: u32| touched.has(chunk) && common(touched.range(chunk), span) > 0;
        self.present.clear();
        self.gone.clear();
        let mut untouched_lost = 0;
        for chunk in 0..data {
            match (self.seats.drives[chunk as usize], is_in(chunk)) {
                (Some(_), true) => self.present.push(length(&touched.range(chunk))),
                (None, true) => self.gone.push(length(&touched.range(chunk))),
                (None, false) => untouched_lost += 1,
                (Some(_), false) => {}
            }
        }
        let lost = self.seats.drives[data as usize..].iter().filter(|seat| seat.is_none()).count();
        let write = StripeWrite {
            touched: &self.present,
            touched_lost: &self.gone,
            untouched_lost,
            redundant_lost: lost as u32,
            span: length(&span),
        };
        // There is a plan for every loss that the protection survives, and others are refused on reading.
        let Some(plan) = placement.group.write_in_place(&write) else { return };
        self.sums.read += plan.bytes_read;
        self.sums.written += plan.bytes_written;
        if data > 1 && lost < placement.group.survivable_losses() as usize {
            let fresh: u64 = self.present.iter().chain(&self.gone).sum();
            self.sums.coded += plan.bytes_read + fresh;
        }
        let width = placement.group.width() as usize;
        for seat in 0..width {
            let chunk = seat as u32;
            let is_data = chunk < data;
            let range = if is_data && is_in(chunk) { Some(touched.range(chunk)) } else { None };
            let changed = range.or((!is_data).then_some(span));
            match plan.method {
                Method::ReadModifyWrite => {
                    changed.into_iter().for_each(|range| self.read_seat(seat, range));
                }
                Method::Reconstruct if is_data => {
                    // All of a chunk that keeps its content; of one that changes, what it keeps.
                    let (from, to) = range.unwrap_or((span.0, span.0));
                    let rest = [(span.0, from), (to, span.1)];
                    rest.into_iter().filter(|r| r.0 < r.1).for_each(|r| self.read_seat(seat, r));
                }
                _ => {}
            }
            if let (Some(range), Some(drive)) = (changed, self.seats.drives[seat]) {
                self.writes.push(self.piece(drive, range));
            }
        }
        if plan.method == Method::Decode {
            self.read_survivors(placement, span);
        }
    }
}

fn length(range: &Range) -> u64 {
    range.1 - range.0
}

/// Bytes in both ranges.
fn common(a: Range, b: Range) -> u64 {
    a.1.min(b.1).saturating_sub(a.0.max(b.0))
}

/// Pieces that follow one another, or overlap, on one drive are one.
fn gather(pieces: &mut Vec<Piece>) {
    pieces.sort_unstable();
    pieces.dedup_by(|next, kept| {
        let meet = next.drive == kept.drive && next.start <= kept.end;
        if meet {
            kept.end = kept.end.max(next.end);
        }
        meet
    });
}

/// The pieces of a round as fragments of its token.
pub(in crate::system) fn fragments(pieces: &[Piece], token: &StorageToken, parts: &mut Vec<Part<Body>>) {
    for piece in pieces {
        // No request has 4 GiB for one drive: it is 1 GiB at most, a trace's record below 4 GiB, and a
        // drive gets what the request covers or less.
        let bytes = (piece.end - piece.start) as u32;
        if pieces.len() > PIECES_MAX
            && let Some(last) = parts.last_mut().filter(|last| last.members[DRIVE] == piece.drive)
        {
            last.amount += bytes;
            continue;
        }
        let mut members = token.members;
        members[DRIVE] = piece.drive;
        parts.push(Part { amount: bytes, members, body: Body { address: piece.start, ..token.body } });
    }
}

#[cfg(test)]
mod tests {
    use super::super::placement::tests::placement;
    use super::*;
    use crate::engine::Key;
    use crate::scenario::SpareKind;
    use proptest::prelude::*;

    const CHUNK: u64 = 64;

    fn plan(placement: &Placement, operation: Operation, address: u64, bytes: u64) -> Planner {
        let layout = Layout { chunk: CHUNK, drives: 0, volumes: vec![Key::root(1)], placement: None };
        let mut planner = Planner::standing(placement);
        let request = Request { operation, class: 0, machine: 0, address, bytes, copy: 0 };
        planner.plan(&layout, placement, &request);
        planner
    }

    fn moved(pieces: &[Piece]) -> u64 {
        pieces.iter().map(|piece| piece.end - piece.start).sum()
    }

    #[test]
    fn a_small_write_reads_old_data_and_parity_and_a_full_stripe_reads_nothing() {
        for parities in [1, 2, 3] {
            let width = 5 + parities;
            let group = placement((parities, width), (width, 0, SpareKind::Dedicated), &[], None);
            let small = plan(&group, Operation::Write, 8, 4);
            assert_eq!(small.reads, small.writes);
            assert_eq!(small.writes.len() as u32, 1 + parities);
            let full = plan(&group, Operation::Write, 0, 5 * CHUNK);
            assert_eq!((full.reads.len(), full.writes.len() as u32), (0, width));
            // Three stripes after one another are one piece on each drive.
            let three = plan(&group, Operation::Write, 0, 15 * CHUNK);
            assert_eq!((three.reads.len(), three.writes.len() as u32), (0, width));
            assert_eq!(moved(&three.writes), 3 * u64::from(width) * CHUNK);
        }
    }

    #[test]
    fn a_small_write_over_a_chunk_edge_changes_parity_in_two_places() {
        let group = placement((1, 5), (5, 0, SpareKind::Dedicated), &[], None);
        let across = plan(&group, Operation::Write, CHUNK - 4, 8);
        assert_eq!(across.reads, across.writes);
        assert_eq!((across.writes.len(), moved(&across.writes)), (4, 16));
    }

    proptest! {
        /// Whatever is lost that the protection survives: the pieces hold the bytes that the theory
        /// plans, on drives that are there, and a full set of data is behind every parity written.
        #[test]
        fn pieces_hold_the_planned_bytes_on_drives_that_are_there(
            parities in 1u32..4, data in 1u32..8, groups in 1u32..4, spread in any::<bool>(),
            losses in 0u32..4, rebuilds in any::<bool>(), address in 0u64..1 << 20, bytes in 1u64..2_000,
            writes in any::<bool>(),
        ) {
            let width = parities + data;
            let lost: Vec<u32> = (0..losses.min(parities)).collect();
            let kind = if spread { SpareKind::Distributed } else { SpareKind::Dedicated };
            let all = (groups * width + 2, 2, kind);
            let group = placement((parities, width), all, &lost, rebuilds.then_some(0.5));
            let operation = if writes { Operation::Write } else { Operation::Read };
            let planner = plan(&group, operation, address, bytes);
            prop_assert_eq!(planner.sums.touched, bytes);
            prop_assert_eq!(moved(&planner.reads), planner.sums.read);
            prop_assert_eq!(moved(&planner.writes), planner.sums.written);
            prop_assert!(writes == planner.reads.is_empty() || writes);
            for piece in planner.reads.iter().chain(&planner.writes) {
                prop_assert!(!lost.contains(&piece.drive));
            }
        }
    }

    #[test]
    fn a_chunk_of_a_lost_drive_is_read_from_the_survivors() {
        let group = placement((2, 6), (6, 0, SpareKind::Dedicated), &[0], None);
        let mut fanned = 0;
        for chunk in 0..60 {
            let planner = plan(&group, Operation::Read, chunk * CHUNK + 8, 16);
            let (ios, coded) = if planner.reads.len() == 1 { (1, 0) } else { (4, 64) };
            assert_eq!((planner.reads.len(), planner.sums.coded), (ios, coded));
            fanned += u32::from(ios == 4);
        }
        // One drive of six, over whole turns of the parity.
        assert_eq!(fanned, 10);
    }

    #[test]
    fn restoring_a_stripe_reads_its_survivors_and_writes_one_chunk() {
        let group = placement((2, 6), (13, 1, SpareKind::Dedicated), &[7], Some(0.5));
        let layout = Layout { chunk: CHUNK, drives: 13, volumes: Vec::new(), placement: None };
        let mut planner = Planner::standing(&group);
        for number in 0..30 {
            planner.plan_rebuild(&layout, &group, (number, 7), false);
            assert_eq!((planner.reads.len(), moved(&planner.reads), planner.sums.read), (4, 256, 256));
            assert!(planner.reads.iter().all(|piece| (6..12).contains(&piece.drive) && piece.drive != 7));
            assert_eq!((planner.writes.len(), planner.writes[0].drive, planner.sums.written), (1, 12, 64));
        }
    }
}
