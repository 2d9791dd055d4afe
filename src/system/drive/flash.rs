//! What the drives of one replication have gathered: bytes of the open program, work of the cleaner that is
//! due, bytes since the last erase, and whose turn it is.

use crate::engine::{Key, Purpose, SimDuration};

use super::DriveModel;

const PHASE: Purpose = Purpose::named("phase");

/// The flash side of every drive.
pub(in crate::system) struct Flash {
    drives: Vec<Gathered>,
    /// Flash bytes programmed, all drives.
    pub programmed: u64,
    /// Of those, by the cleaner.
    pub cleaned: u64,
    /// Bytes that hosts wrote to the buffers, with what was in them at the start, and bytes taken from there
    /// by whole programs.
    gathered: u64,
    taken: u64,
}

#[derive(Clone, Copy)]
struct Gathered {
    /// Bytes of the open program.
    open: u64,
    /// Bytes that the cleaner has yet to read.
    to_read: f64,
    /// And to write.
    to_write: f64,
    /// Bytes programmed since the last erase.
    since_erase: u64,
    /// The unit whose turn it is to program, and to be read by the cleaner: apart, so that each unit
    /// gets as much of either as the others.
    next: [u32; 2],
}

impl Flash {
    /// Drives in steady state: each somewhere between two programs, two moves of the cleaner and two erases, in every
    /// replication somewhere else: else the same units would be erased first in all of them.
    pub fn new(drives: usize, model: Option<&DriveModel>, key: Key) -> Self {
        let (program, page, erase) = model
            .map_or((0.0, 0.0, 0.0), |m| (f64::from(m.program_bytes), m.page as f64, m.erase_block as f64));
        let start = key.draws(PHASE).unit();
        // Multiples of the golden ratio are spread evenly (Weyl's sequence), from anywhere.
        let phase = |n: usize| (start + n as f64 * 0.618_033_988_749_894_9).fract();
        let units = model.map_or(1, |m| m.units.max(1));
        let turn = |n: usize| key.numbered(n as u64).draws(PHASE).below(u64::from(units)) as u32;
        let gathered = |d: usize| Gathered {
            open: (phase(d + 1) * program) as u64,
            to_read: phase(2 * d + 1) * page,
            to_write: phase(3 * d + 1) * program,
            since_erase: (phase(5 * d + 1) * erase) as u64,
            next: [turn(2 * d + 1), turn(2 * d + 2)],
        };
        let drives: Vec<Gathered> = (0..drives).map(gathered).collect();
        let gathered = drives.iter().map(|d| d.open).sum();
        Flash { drives, programmed: 0, cleaned: 0, gathered, taken: 0 }
    }

    /// Bytes that came to the buffers, and those that left by whole programs or wait for one.
    pub fn balance(&self) -> (u64, u64) {
        (self.gathered, self.taken + self.drives.iter().map(|d| d.open).sum::<u64>())
    }

    /// A host's write of so many bytes is in the buffer: how many programs are full, and whether any is.
    pub fn gather(&mut self, model: &DriveModel, drive: u32, bytes: u32, sequential: bool) -> bool {
        let d = &mut self.drives[drive as usize];
        let moved = (model.amplification(sequential) - 1.0) * f64::from(bytes);
        d.open += u64::from(bytes);
        self.gathered += u64::from(bytes);
        d.to_read += moved;
        d.to_write += moved;
        d.open >= u64::from(model.program_bytes)
    }

    /// Takes the full programs of a drive's buffer.
    pub fn take_programs(&mut self, model: &DriveModel, drive: u32) -> u64 {
        let d = &mut self.drives[drive as usize];
        let full = d.open / u64::from(model.program_bytes);
        d.open -= full * u64::from(model.program_bytes);
        self.taken += full * u64::from(model.program_bytes);
        full
    }

    /// Whether the cleaner has a page to read.
    pub fn has_reads(&self, model: &DriveModel, drive: u32) -> bool {
        self.drives[drive as usize].to_read >= model.page as f64
    }

    /// Takes the pages that the cleaner has to read.
    pub fn take_reads(&mut self, model: &DriveModel, drive: u32) -> u64 {
        let d = &mut self.drives[drive as usize];
        let pages = (d.to_read / model.page as f64) as u64;
        d.to_read -= pages as f64 * model.page as f64;
        pages
    }

    /// Whether the cleaner has a program to write.
    pub fn has_moves(&self, model: &DriveModel, drive: u32) -> bool {
        self.drives[drive as usize].to_write >= f64::from(model.program_bytes)
    }

    /// Takes the programs that the cleaner has to write.
    pub fn take_moves(&mut self, model: &DriveModel, drive: u32) -> u64 {
        let d = &mut self.drives[drive as usize];
        let full = (d.to_write / f64::from(model.program_bytes)) as u64;
        d.to_write -= full as f64 * f64::from(model.program_bytes);
        self.cleaned += full * u64::from(model.program_bytes);
        full
    }

    /// The time of a program, with the erase that may be due before it.
    #[inline]
    pub fn program(&mut self, model: &DriveModel, drive: u32) -> SimDuration {
        let d = &mut self.drives[drive as usize];
        self.programmed += u64::from(model.program_bytes);
        d.since_erase += u64::from(model.program_bytes);
        if d.since_erase < model.erase_block {
            return model.program;
        }
        d.since_erase -= model.erase_block;
        model.program + model.erase
    }

    /// The unit of a drive whose turn it is to program, or to be read.
    #[inline]
    pub fn deal(&mut self, model: &DriveModel, drive: u32, reads: bool) -> u32 {
        let next = &mut self.drives[drive as usize].next[usize::from(reads)];
        let unit = *next;
        *next = if unit + 1 >= model.units { 0 } else { unit + 1 };
        unit
    }
}
