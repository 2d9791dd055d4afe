//! How addresses map to drives: chunks dealt round the drives, each machine's volume from a place of
//! its own. With protection, chunks come in stripes: `placement` says on which drives, `planner` what a
//! request reads and writes there.

pub(super) mod append;
mod placement;
mod planner;
mod touched;

use crate::engine::{Key, Part};

use super::body::{Body, DRIVE, Members, StorageToken};

pub(super) use append::Stripes;
pub(super) use placement::Placement;
pub(super) use planner::{Planner, Request, Stored, fragments};

/// Chunked layout over all drives.
#[derive(Clone, Debug)]
pub(super) struct Layout {
    pub chunk: u64,
    pub drives: u64,
    /// By class: the key that places its machines' volumes.
    pub volumes: Vec<Key>,
    /// Where stripes lie, if there is protection.
    pub placement: Option<Placement>,
}

impl Layout {
    /// The key of a machine's volume.
    pub fn volume(&self, class: u16, machine: u32) -> Key {
        self.volumes[usize::from(class)].numbered(u64::from(machine))
    }

    /// The place of a machine's volume among all chunks.
    fn first_chunk(&self, class: u16, machine: u32) -> u64 {
        self.volume(class, machine).bits() >> 16
    }

    /// The drive that holds this byte of a machine's volume.
    fn drive(&self, class: u16, machine: u32, chunk: u64) -> u32 {
        ((self.first_chunk(class, machine) + chunk) % self.drives) as u32
    }

    /// Cuts a request at chunk edges. Pieces that follow one another on the same drive are one
    /// fragment, so that there are never more fragments than drives.
    pub fn cut(&self, token: &StorageToken, parts: &mut Vec<Part<Body>>) {
        let start = token.body.address;
        let end = start + u64::from(token.amount);
        let (first, last) = (start / self.chunk, (end - 1) / self.chunk);
        let mut drive = self.drive(token.class, token.body.machine(), first);
        for chunk in first..=last {
            let bytes = end.min((chunk + 1) * self.chunk) - start.max(chunk * self.chunk);
            let number = chunk - first;
            if number < self.drives {
                let mut members: Members = token.members;
                members[DRIVE] = drive;
                let body = Body { address: start.max(chunk * self.chunk), ..token.body };
                parts.push(Part { amount: bytes as u32, members, body });
                drive = if u64::from(drive) + 1 == self.drives { 0 } else { drive + 1 };
            } else {
                parts[(number % self.drives) as usize].amount += bytes as u32;
            }
        }
    }

    /// Mean fragments of a request of `bytes` whose offset is a multiple of `align`, anywhere.
    pub fn mean_fragments(&self, bytes: u64, align: u64) -> f64 {
        // Offsets repeat after lcm(align, chunk); at most a few thousand places matter.
        let places = (self.chunk / gcd(align, self.chunk)).clamp(1, 1 << 15);
        let step = self.chunk / places;
        let total: u64 =
            (0..places).map(|i| ((i * step + bytes - 1) / self.chunk + 1).min(self.drives)).sum();
        total as f64 / places as f64
    }
}

/// Greatest common divisor.
pub(super) fn gcd(a: u64, b: u64) -> u64 {
    if b == 0 { a } else { gcd(b, a % b) }
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    fn layout(drives: u64) -> Layout {
        Layout { chunk: 64 << 10, drives, volumes: vec![Key::root(1)], placement: None }
    }

    proptest! {
        #[test]
        fn fragments_hold_every_byte_once(
            drives in 1u64..40, address in 0u64..1 << 40, bytes in 1u32..32 << 20
        ) {
            let mut token = StorageToken::default();
            token.amount = bytes;
            token.body.address = address;
            let mut parts = Vec::new();
            layout(drives).cut(&token, &mut parts);
            prop_assert_eq!(parts.iter().map(|p| u64::from(p.amount)).sum::<u64>(), u64::from(bytes));
            let mut used: Vec<u32> = parts.iter().map(|p| p.members[DRIVE]).collect();
            used.sort_unstable();
            used.dedup();
            prop_assert_eq!(used.len(), parts.len());
        }
    }

    #[test]
    fn mean_fragments_of_small_and_whole_chunks() {
        let layout = layout(24);
        assert_eq!(layout.mean_fragments(4096, 4096), 1.0);
        // 8 KiB at 16 places of 4 KiB crosses an edge at one of them.
        assert_eq!(layout.mean_fragments(8192, 4096), 1.0 + 1.0 / 16.0);
        assert_eq!(layout.mean_fragments(128 << 10, 128 << 10), 2.0);
    }
}
