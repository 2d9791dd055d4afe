//! How long a message, a program or a step of the processor takes, by name.

use crate::engine::SimDuration;
use crate::scenario::Operation;
use crate::system::body::{StorageToken, UNIT};
use crate::system::cpu::{CPU, with_bytes};
use crate::system::demand::Ask;
use crate::system::drive::SERVICE;
use crate::system::log;
use crate::system::ports::AT_HOST;

use super::Plan;

impl Plan {
    /// Processor time of bytes that go through parity: made, or given back.
    #[inline]
    pub(in crate::system) fn coding(&self, ask: Ask, bytes: f64) -> SimDuration {
        let each = if ask == Ask::Reconstruct { self.per_byte.reconstruct } else { self.per_byte.parity };
        SimDuration::from_ps_f64(bytes * each)
    }

    /// Processor time to verify and decompress what a read has fetched, and to give back what was lost of it.
    fn deliver(&self, token: &StorageToken) -> SimDuration {
        let bytes = u64::from(token.amount);
        let blocks = self.blocks.as_ref().map_or(0.0, |blocks| {
            let (from, to) = (token.body.address, token.body.address + bytes - 1);
            blocks.give_back_work(to / blocks.bytes - from / blocks.bytes + 1)
        });
        let lost = f64::from(token.members[UNIT]) * self.per_byte.reconstruct;
        SimDuration::from_ps_f64(blocks + bytes as f64 * self.per_byte.checksum + lost)
    }

    /// A request's own time at the processor where threads share cores or its bytes are checked.
    fn own_time(&self, operation: Operation, token: &StorageToken) -> SimDuration {
        let Some(cpu) = &self.cpu else { return SimDuration::ZERO };
        let (law, bytes) = match operation {
            Operation::Read => (&cpu.read, 0.0),
            Operation::Write => (&cpu.write, f64::from(token.amount) * self.per_byte.checksum),
        };
        with_bytes(law.sample(token.key, CPU), cpu.slowdown(), bytes)
    }

    /// Mean processor time of a request's bytes beside reduction and parity, seconds: checksums, and the
    /// decompressing of the `blocks_read`.
    pub(in crate::system) fn bytes_s(&self, bytes: u64, blocks_read: f64) -> f64 {
        let checked = bytes as f64 * self.per_byte.checksum;
        let read = self.blocks.as_ref().map_or(0.0, |blocks| blocks.give_back_work(1) * blocks_read);
        (checked + read) / 1e12
    }

    /// Time of so many bytes at the memory, for one of its three purposes.
    pub(in crate::system) fn memory_time(&self, purpose: usize, bytes: f64) -> SimDuration {
        let Some((bandwidth, passes)) = self.memory else { return SimDuration::ZERO };
        SimDuration::from_secs(bytes * passes[purpose] / bandwidth)
    }

    /// Time of one message or program, by name and place.
    #[inline]
    pub(in crate::system) fn service(&self, ask: Ask, place: u32, token: &StorageToken) -> SimDuration {
        let bytes = u64::from(token.amount);
        match ask {
            Ask::UplinkSubmission | Ask::UplinkWrite | Ask::UplinkRead | Ask::UplinkCompletion => {
                self.fabric.as_ref().map_or(SimDuration::ZERO, |f| f.time(ask, place, bytes))
            }
            Ask::DriveSubmission | Ask::DriveWrite | Ask::DriveRead | Ask::DriveCompletion | Ask::Program => {
                self.drive_link().map_or(SimDuration::ZERO, |link| link.time(ask, bytes))
            }
            Ask::Sense => self.drive.as_ref().map_or(SimDuration::ZERO, |d| d.sense),
            Ask::Command => self.drive.as_ref().map_or(SimDuration::ZERO, |d| d.command),
            Ask::Service => {
                self.drive_law.as_ref().map_or(SimDuration::ZERO, |law| law.sample(token.key, SERVICE))
            }
            Ask::Parity | Ask::Reconstruct => self.coding(ask, f64::from(token.members[UNIT])),
            Ask::CpuRead => self.own_time(Operation::Read, token),
            Ask::CpuWrite => self.own_time(Operation::Write, token),
            Ask::Deliver => self.deliver(token),
            Ask::Work => SimDuration::from_ps(bytes * 1000),
            Ask::PartnerLong | Ask::PartnerShort => self.partners.time(ask, bytes),
            Ask::LogTransfer => {
                let rate = self.log.as_ref().map_or(f64::INFINITY, |log| log.rate);
                SimDuration::from_secs(log::room(token) as f64 / rate)
            }
            Ask::MemoryReceive => self.memory_time(0, bytes as f64),
            Ask::MemoryReduce => self.memory_time(1, bytes as f64),
            Ask::MemorySend => self.memory_time(2, bytes as f64),
            _ => {
                let at_host = self.hosts.as_ref().filter(|_| place == AT_HOST).map(|hosts| &hosts.wire);
                at_host.or(self.wire.as_ref()).map_or(SimDuration::ZERO, |w| w.time(ask, bytes))
            }
        }
    }
}
