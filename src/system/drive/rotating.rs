//! Rotating drives: an arm, and platters that turn under it.
//!
//! Bytes lie on one spiral from the rim inwards, whose turns get shorter as bytes on a track do (see
//! `theory/rotating.rs`): the turns passed up to a byte tell where the arm stands over it, at which angle it lies
//! and how long a transfer takes. A service begins where the arm was left and at the angle of that instant: seek,
//! wait for the sector to come round, transfer. What goes on where the last request ended needs no seek; a read
//! finds what has come under the head since then in the drive's buffer, a write has to wait for its place.
//!
//! Volumes lie one after the other from the rim, so what is allocated decides how far the arm goes. Left out: write
//! caches, read-ahead beyond that, head switches, settling that differs between reads and writes.

use crate::engine::{Key, PS_PER_S, Purpose, SimDuration, SimTime};
use crate::scenario::{ArmQueue, Operation, Rotating};
use crate::theory::rotating::{SeekCurve, mean_rate, random_service_s, stroke_at};

use super::link::DriveLink;
use super::places::Places;

/// Closer than this a place is where the head is: a millionth of a turn, far above rounding and far below a sector.
const HERE: f64 = 1e-6;
/// Services of the arm under saturation that the static column is told by, after as many unmeasured as wait.
const SERVICES: u64 = 8_000;
const PLACE: Purpose = Purpose::named("place");
/// Multiples of the golden ratio are spread evenly (Weyl's sequence): spindles do not turn in step.
const GOLDEN: f64 = 0.618_033_988_749_894_9;

/// A rotating drive's geometry and speed.
#[derive(Clone, Debug)]
pub struct ArmModel {
    capacity: f64,
    /// Time of a turn, ps.
    turn_ps: f64,
    /// Turns of the spiral.
    turns: f64,
    /// The innermost track's share of the outermost one's bytes.
    inner: f64,
    outer_rate: f64,
    /// Seek times in seconds.
    curve: SeekCurve,
    queue: ArmQueue,
    /// Where volumes lie.
    pub(in crate::system) places: Places,
    /// Mean service of a random request of no bytes where the arm never idles: seek and wait, seconds.
    positioning_s: f64,
    pub(in crate::system) link: DriveLink,
}

impl ArmModel {
    /// The model of a part on which volumes lie at these places. `None` if its seek times make no curve, which is
    /// refused on reading.
    pub(in crate::system) fn new(part: &Rotating, max_payload: u32, places: Places) -> Option<Self> {
        let [next, mean, full] = part.seek.map(SimDuration::secs);
        let inner = part.inner / part.outer;
        let turn_s = 60.0 / part.turns_per_minute;
        let mut model = ArmModel {
            capacity: part.capacity as f64,
            turn_ps: turn_s * PS_PER_S as f64,
            turns: part.capacity as f64 / (turn_s * mean_rate(part.outer, inner)),
            inner,
            outer_rate: part.outer,
            curve: SeekCurve::from_ratings(next, mean, full)?,
            queue: part.queue,
            places,
            positioning_s: 0.0,
            link: DriveLink::new(part.interface, max_payload, f64::INFINITY),
        };
        model.positioning_s = match part.queue {
            ArmQueue::Fifo => model.mean_positioning_s(),
            ArmQueue::Shortest => model.busy_positioning_s(),
        };
        Some(model)
    }

    /// Requests that are looked at for the next one.
    pub fn look(&self) -> u32 {
        match self.queue {
            ArmQueue::Fifo => 1,
            ArmQueue::Shortest => ArmQueue::LOOK,
        }
    }

    /// Turns of the spiral up to a byte.
    #[inline]
    fn turns_at(&self, byte: u64) -> f64 {
        self.turns * stroke_at(self.inner, (byte as f64 / self.capacity).min(1.0))
    }

    /// Mean seek and half a turn between two places uniform over the allocated bytes, seconds.
    fn mean_positioning_s(&self) -> f64 {
        let stroke = self.turns_at(self.places.allocated) / self.turns;
        let inner = 1.0 - (1.0 - self.inner) * stroke;
        let seek = self.curve.within(stroke).mean(inner);
        random_service_s(0.0, seek, 60.0 * PS_PER_S as f64 / self.turn_ps, 0.0, 1.0)
    }

    /// The same of an arm that has as many requests to choose from as it looks at, all the time: by serving so
    /// many, at places drawn for the purpose, so that the figure belongs to the part alone.
    fn busy_positioning_s(&self) -> f64 {
        let key = Key::root(0).named("rotating");
        let place = |number: u64| key.numbered(number).draws(PLACE).below(self.places.allocated);
        let look = u64::from(self.look());
        let mut waiting: Vec<u64> = (0..look).map(place).collect();
        let mut arm = Arm::new(0);
        let (mut now, mut sum) = (SimTime::ZERO, 0.0);
        for number in look..look + look + SERVICES {
            let ranks = waiting.iter().map(|byte| self.position(&arm, *byte, Operation::Read, now).ps());
            let best = ranks.enumerate().min_by_key(|(_, rank)| *rank).map_or(0, |(at, _)| at);
            let byte = std::mem::replace(&mut waiting[best], place(number));
            let service = self.serve(&mut arm, byte, 1, Operation::Read, now);
            now += service;
            sum += if number < 2 * look { 0.0 } else { service.secs() };
        }
        sum / SERVICES as f64
    }

    /// Mean time of the arm for a request of `bytes`, seconds, in the static column: a random one where the arm
    /// never idles, or one that continues a stream.
    pub fn service_s(&self, bytes: f64, continues: bool) -> f64 {
        let stroke = self.turns_at(self.places.allocated) / self.turns;
        // Bytes on a track fall linearly: the mean over the allocated ones is that of their two ends.
        let transfer = bytes / (self.outer_rate * (1.0 - (1.0 - self.inner) * stroke / 2.0));
        transfer + if continues { 0.0 } else { self.positioning_s }
    }

    /// Seek and wait before a request is transferred, were it to begin now.
    #[inline]
    fn position(&self, arm: &Arm, byte: u64, operation: Operation, now: SimTime) -> SimDuration {
        let continues = byte == arm.end;
        if continues && operation == Operation::Read {
            return SimDuration::ZERO;
        }
        let at = self.turns_at(byte);
        let distance = (at - arm.at).abs();
        // On the same track, or the next byte of the spiral: the arm stays.
        let seek_s = if continues || distance < 1.0 { 0.0 } else { self.curve.time(distance / self.turns) };
        let seek_ps = seek_s * PS_PER_S as f64;
        let head = (now.ps() as f64 + seek_ps) / self.turn_ps + arm.phase;
        let wait = (at - head).rem_euclid(1.0);
        let wait = if wait > 1.0 - HERE { 0.0 } else { wait };
        SimDuration::from_ps_f64(seek_ps + wait * self.turn_ps)
    }

    /// Serves a request that begins now, and leaves the arm where it ends.
    fn serve(&self, arm: &mut Arm, byte: u64, bytes: u64, operation: Operation, now: SimTime) -> SimDuration {
        let end = byte + bytes;
        let (from, to) = (self.turns_at(byte), self.turns_at(end));
        let mut transfer_ps = (to - from) * self.turn_ps;
        if byte == arm.end && operation == Operation::Read {
            // The head went on reading while the arm was idle.
            transfer_ps -= (now.since(arm.free_at).ps() as f64).min(transfer_ps);
        }
        let service = self.position(arm, byte, operation, now) + SimDuration::from_ps_f64(transfer_ps);
        *arm = Arm { at: to, end, free_at: now + service, phase: arm.phase };
        service
    }
}

/// The arm of one drive.
#[derive(Clone, Copy, Debug)]
struct Arm {
    /// Where it stands, in turns of the spiral.
    at: f64,
    /// The byte behind the last one served.
    end: u64,
    /// When that was.
    free_at: SimTime,
    /// Turns by which its platters are ahead of the clock.
    phase: f64,
}

impl Arm {
    fn new(drive: usize) -> Self {
        // No request begins at the last byte there is.
        Arm { at: 0.0, end: u64::MAX, free_at: SimTime::ZERO, phase: (drive as f64 * GOLDEN).fract() }
    }
}

/// The arms of all drives of one replication.
pub(in crate::system) struct Arms {
    arms: Vec<Arm>,
}

impl Arms {
    /// Arms at rest over the rim.
    pub fn new(drives: usize) -> Self {
        Arms { arms: (0..drives).map(Arm::new).collect() }
    }

    /// Serves a request of a drive that begins now.
    pub fn serve(
        &mut self,
        model: &ArmModel,
        drive: u32,
        (byte, bytes): (u64, u64),
        operation: Operation,
        now: SimTime,
    ) -> SimDuration {
        model.serve(&mut self.arms[drive as usize], byte, bytes, operation, now)
    }

    /// Seek and wait before a request of a drive, were it to begin now.
    pub fn position(
        &self,
        model: &ArmModel,
        drive: u32,
        byte: u64,
        operation: Operation,
        now: SimTime,
    ) -> SimDuration {
        model.position(&self.arms[drive as usize], byte, operation, now)
    }
}
