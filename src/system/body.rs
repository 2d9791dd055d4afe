//! What the storage path keeps in a token beside the engine's own fields: one third of a cache line.

use crate::engine::{MEMBER_SLOTS, Token};
use crate::scenario::Operation;
use crate::traffic::Request;

const WRITE: u32 = 1 << 31;
const SEQUENTIAL: u32 = 1 << 30;
/// Sources of requests are fewer.
pub(super) const BACKGROUND: u32 = 1 << 31;
/// Of background work, what destages.
const JOB: u32 = 1 << 30;

/// Member slot of the front port.
pub(super) const PORT: usize = 0;
/// Member slot of the drive.
pub(super) const DRIVE: usize = 1;
/// Member slot of the flash unit within its drive.
pub(super) const UNIT: usize = 2;

/// A request's place and kind.
#[derive(Clone, Copy, Debug, Default)]
pub struct Body {
    /// Byte offset in the machine's volume.
    pub address: u64,
    /// The source it came from (a closed loop asks again through it).
    pub source: u32,
    /// Machine in the low 30 bits, then the kind.
    pub(super) machine_and_kind: u32,
}

impl Body {
    /// The body of a request.
    pub fn of(request: &Request) -> Self {
        let write = if request.operation == Operation::Write { WRITE } else { 0 };
        let sequential = if request.sequential { SEQUENTIAL } else { 0 };
        Body {
            address: request.address,
            source: request.source,
            machine_and_kind: request.machine | write | sequential,
        }
    }

    /// Number of the machine within its class.
    #[inline]
    pub fn machine(&self) -> u32 {
        self.machine_and_kind & !(WRITE | SEQUENTIAL)
    }

    /// Read or write.
    #[inline]
    pub fn operation(&self) -> Operation {
        if self.machine_and_kind & WRITE == 0 { Operation::Read } else { Operation::Write }
    }

    /// The body of background work, which no request waits for: `number` says which.
    pub(super) fn background(source: u32, number: u64) -> Self {
        let machine_and_kind = WRITE | SEQUENTIAL;
        Body { address: number, source: source | BACKGROUND, machine_and_kind }
    }

    /// The body of a stripe on its way from the log to the drives, for a machine or by a controller in turn.
    pub(super) fn job(machine: u32, is_sequential: bool) -> Self {
        let sequential = if is_sequential { SEQUENTIAL } else { 0 };
        Body { address: 0, source: BACKGROUND | JOB, machine_and_kind: machine | WRITE | sequential }
    }

    /// Whether it is such a stripe.
    #[inline]
    pub(super) fn is_job(&self) -> bool {
        self.source & (BACKGROUND | JOB) == BACKGROUND | JOB
    }

    /// Whether it restores what a drive has lost.
    #[inline]
    pub(super) fn is_rebuild(&self) -> bool {
        self.source & (BACKGROUND | JOB) == BACKGROUND
    }

    /// Whether it is background work.
    #[inline]
    pub fn is_background(&self) -> bool {
        self.source & BACKGROUND != 0
    }

    /// Whether it continues a stream.
    #[inline]
    pub fn is_sequential(&self) -> bool {
        self.machine_and_kind & SEQUENTIAL != 0
    }
}

/// A token of the storage path.
pub type StorageToken = Token<Body>;

/// Member slots of a token: port, drive, unit.
pub type Members = [u32; MEMBER_SLOTS];

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_storage_token_is_one_cache_line() {
        assert_eq!(size_of::<StorageToken>(), 64);
    }
}
