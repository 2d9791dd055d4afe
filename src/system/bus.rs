//! A link inside the design: PCIe, SAS or SATA, as the time that a message takes on it.

use crate::engine::{PS_PER_S, SimDuration};
use crate::scenario::Interface;
use crate::theory::links;

/// Bytes of a submitted command and of its completion (NVM Express Base Specification: submission
/// queue entry 64, completion queue entry 16; check L-NVME-Q).
pub(super) const SUBMISSION: u64 = 64;
/// See [`SUBMISSION`].
pub(super) const COMPLETION: u64 = 16;

/// One direction of an internal link.
#[derive(Clone, Copy, Debug)]
pub(super) struct Bus {
    bytes_per_s: f64,
    /// Largest payload of a packet; 0 where there are no packets to count.
    max_payload: u64,
}

impl Bus {
    pub fn of(interface: Interface, max_payload: u32) -> Self {
        let max_payload = if matches!(interface, Interface::Pcie { .. }) { max_payload.into() } else { 0 };
        Bus { bytes_per_s: interface.coded_bytes_per_s(), max_payload }
    }

    /// Time on the link of a message of `payload` bytes, packet headers included.
    #[inline]
    pub fn time(&self, payload: u64) -> SimDuration {
        let bytes = if self.max_payload == 0 {
            payload
        } else {
            links::pcie_wire_bytes(payload, self.max_payload, links::PCIE_LONG_HEADER)
        };
        SimDuration::from_ps_f64(bytes as f64 * PS_PER_S as f64 / self.bytes_per_s)
    }

    /// The same link, so many times slower.
    pub fn slower(&self, times: f64) -> Bus {
        Bus { bytes_per_s: self.bytes_per_s / times, ..*self }
    }

    /// What it carries in messages of `payload` bytes, bytes per second.
    pub fn payload_bytes_per_s(&self, payload: u64) -> f64 {
        payload as f64 / self.time(payload).secs()
    }

    /// The same, no faster than a payload rate (a drive's own ceiling on its link).
    #[inline]
    pub fn time_capped(&self, payload: u64, ceiling_bytes_per_s: f64) -> SimDuration {
        let ceiling = SimDuration::from_ps_f64(payload as f64 * PS_PER_S as f64 / ceiling_bytes_per_s);
        self.time(payload).max(ceiling)
    }
}
