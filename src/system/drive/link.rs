//! A drive's own link: the last hop, and there once.

use crate::engine::SimDuration;
use crate::scenario::Interface;
use crate::system::bus::{Bus, COMPLETION, SUBMISSION};
use crate::system::demand::Ask;

/// Commands that a SATA drive takes at once (Serial ATA specification, native command queuing).
const SATA_DEPTH: u64 = 32;

/// The link of each drive.
#[derive(Clone, Debug)]
pub(in crate::system) struct DriveLink {
    bus: Bus,
    half_duplex: bool,
    /// Ceiling of what the drive sends, bytes per second; infinite if the link is all there is.
    ceiling: f64,
}

impl DriveLink {
    pub fn new(interface: Interface, max_payload: u32, ceiling: f64) -> Self {
        DriveLink { bus: Bus::of(interface, max_payload), half_duplex: interface == Interface::Sata, ceiling }
    }

    /// The link alone, behind which a drive sends as fast as it takes.
    pub fn bare(&self) -> Self {
        DriveLink { ceiling: f64::INFINITY, ..self.clone() }
    }

    /// Time of one message.
    #[inline]
    pub fn time(&self, ask: Ask, bytes: u64) -> SimDuration {
        self.time_on(&self.bus, ask, bytes)
    }

    /// The same on a link that is so many times slower.
    pub fn time_narrowed(&self, ask: Ask, bytes: u64, times: f64) -> SimDuration {
        self.time_on(&self.bus.slower(times), ask, bytes)
    }

    #[inline]
    fn time_on(&self, bus: &Bus, ask: Ask, bytes: u64) -> SimDuration {
        match ask {
            Ask::DriveSubmission => bus.time(SUBMISSION),
            Ask::DriveWrite => bus.time(bytes + SUBMISSION),
            Ask::DriveRead => bus.time_capped(bytes + COMPLETION, self.ceiling),
            Ask::DriveCompletion => bus.time(COMPLETION),
            _ => SimDuration::ZERO,
        }
    }

    /// Commands that a drive takes at once, where that may bind: further ones wait at the processor.
    pub fn depth(&self) -> Option<u64> {
        self.half_duplex.then_some(SATA_DEPTH)
    }

    /// Servers: one a direction, or one for both.
    pub fn directions(&self) -> u32 {
        if self.half_duplex { 1 } else { 2 }
    }

    /// Member of the link group that carries data up or down.
    #[inline]
    pub fn member(&self, drive: u32, up: bool) -> u32 {
        match (self.half_duplex, up) {
            (true, _) => drive,
            (false, true) => 2 * drive,
            (false, false) => 2 * drive + 1,
        }
    }
}
