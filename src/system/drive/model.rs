//! A datasheet drive's internal parameters.

use super::link::DriveLink;
use crate::engine::SimDuration;
use crate::scenario::Part;
use crate::system::bus::{Bus, COMPLETION, SUBMISSION};
use crate::theory::cleaning::{Heat, fifo_amplification, fifo_spare, mixed_amplification};
use crate::theory::drive::{self, BLOCK, Priors, Ratings};

/// What only simulation can tell of a part (see `study/calibrate.rs`).
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Solved {
    /// Parallel flash units.
    pub units: u32,
    /// Time of the command server.
    pub command: SimDuration,
    /// Time of one program: stated, a prior, or told by a rating.
    pub program: SimDuration,
    /// Longest that a read waits behind a program or an erase: likewise.
    pub suspend: SimDuration,
}

/// Why a part's ratings have no solution.
#[derive(Clone, Debug, PartialEq)]
pub struct Refusal {
    /// Key of the part that is to blame.
    pub key: &'static str,
    /// What is wrong with it.
    pub why: String,
}

/// A datasheet drive's internal parameters, solved from its ratings.
#[derive(Clone, Debug)]
pub struct DriveModel {
    /// Parallel flash units.
    pub units: u32,
    /// Time of the command server.
    pub command: SimDuration,
    /// Fixed part of a read's latency, less the command's time.
    pub fixed: SimDuration,
    /// Time of a unit to sense one page.
    pub sense: SimDuration,
    /// Delay of a write that the ratings leave over: link and command are paid on their own.
    pub acknowledge: SimDuration,
    /// Time of a unit for one program.
    pub program: SimDuration,
    /// Longest that a read waits behind a program or an erase on its unit.
    pub suspend: SimDuration,
    /// Bytes of one program.
    pub program_bytes: u32,
    /// Time of a unit for one erase.
    pub erase: SimDuration,
    /// Bytes programmed for each erase.
    pub erase_block: u64,
    /// Bytes of one page.
    pub page: u64,
    /// Write amplification of random writes on a full drive: the one inside the rating.
    pub rated_amplification: f64,
    /// Whether the link bounds the sequential rating, so that the amplification is a lower bound.
    pub amplification_is_least: bool,
    /// The same of random writes in this design.
    pub random_amplification: f64,
    pub(in crate::system) link: DriveLink,
}

impl DriveModel {
    /// Solves a part whose units and command time are known; `live` is the share of its capacity that holds
    /// data. Equations: `theory/drive.rs`.
    ///
    /// # Errors
    /// The ratings contradict each other, or the priors.
    pub fn solve(part: &Part, max_payload: u32, solved: Solved, live: f64) -> Result<Self, Refusal> {
        let bus = Bus::of(part.interface, max_payload);
        let sense = sense_time(part, max_payload, solved.command)?;
        let (ratings, priors) = (ratings(part), priors(part, solved.program));
        let units = f64::from(solved.units);
        let program_bytes = drive::program_bytes(&ratings, &priors, units).ok_or_else(|| {
            refuse("erase", "erases alone take longer than the rated sequential writes leave")
        })?;
        let amplification =
            drive::random_amplification(&ratings, &priors, units, sense.secs(), program_bytes);
        let is_link_bound = part.write_sequential > 0.97 * bus.payload_bytes_per_s(128 << 10);
        if amplification < 0.97 && !is_link_bound {
            return Err(refuse(
                "write_random",
                "more bytes a second than `write_sequential` writes: take both from one datasheet",
            ));
        }
        let rated = amplification.max(1.0);
        let acknowledge = part.write_latency - solved.command - bus.time(BLOCK as u64 + SUBMISSION);
        Ok(DriveModel {
            units: solved.units,
            command: solved.command,
            fixed: part.fixed_latency.max(solved.command) - solved.command,
            sense,
            acknowledge,
            program: solved.program,
            suspend: solved.suspend,
            program_bytes: (program_bytes.round() as u32).max(1),
            erase: part.erase,
            erase_block: part.erase_block,
            page: part.page,
            rated_amplification: rated,
            amplification_is_least: is_link_bound,
            random_amplification: amplification_at(rated, &[], live),
            link: DriveLink::new(part.interface, max_payload, part.read_sequential),
        })
    }

    /// The same where random writes are not uniform: `heats` are the parts of the live data by how often they are
    /// written, all in one log of the drive's own (D-WA-HOTCOLD: worse than uniform writes).
    pub fn under(self, heats: &[Heat], live: f64) -> Self {
        DriveModel { random_amplification: self.random_amplification_at(heats, live), ..self }
    }

    /// Amplification of random writes to such parts of the data, with the share `live` of the capacity in use.
    pub fn random_amplification_at(&self, heats: &[Heat], live: f64) -> f64 {
        amplification_at(self.rated_amplification, heats, live)
    }

    /// Units to try first: a seventh below the balanced network, whose service times vary.
    ///
    /// # Errors
    /// The latency leaves no time to sense.
    pub fn first_try(part: &Part, max_payload: u32) -> Result<u32, Refusal> {
        let sense = sense_time(part, max_payload, SimDuration::ZERO)?;
        let units = 0.86 * drive::units_to_start_with(&ratings(part), sense.secs());
        // NaN, where the rated depth is always in service, becomes 0.
        Ok((units as u32).max(1))
    }

    /// Flash bytes written for each byte of a host's write.
    #[inline]
    pub fn amplification(&self, sequential: bool) -> f64 {
        // Large sequential overwrites leave whole blocks dead (D-WA-ZERO).
        if sequential { 1.0 } else { self.random_amplification }
    }

    /// Unit time for each byte that a host writes, seconds: programs, erases, and the cleaner's share.
    pub fn write_s_per_byte(&self, sequential: bool) -> f64 {
        let write =
            self.program.secs() / f64::from(self.program_bytes) + self.erase.secs() / self.erase_block as f64;
        let a = self.amplification(sequential);
        a * write + (a - 1.0) * self.sense.secs() / self.page as f64
    }

    /// Pages that a read of `bytes` senses.
    #[inline]
    pub fn pages(&self, bytes: u32) -> u64 {
        u64::from(bytes).div_ceil(self.page)
    }
}

/// Amplification of random writes on a drive for which that of uniform ones when it is full is `rated`.
fn amplification_at(rated: f64, heats: &[Heat], live: f64) -> f64 {
    let spare = drive::spare_at(fifo_spare(rated), live.clamp(1e-6, 1.0));
    let mixed = if heats.len() < 2 { f64::NAN } else { mixed_amplification(spare, heats) };
    if mixed.is_finite() { mixed.max(1.0) } else { fifo_amplification(spare).max(1.0) }
}

/// Sense time t_s = read latency − fixed part − block ÷ link. The command's time is inside the fixed part.
fn sense_time(part: &Part, max_payload: u32, command: SimDuration) -> Result<SimDuration, Refusal> {
    let block_up =
        Bus::of(part.interface, max_payload).time_capped(BLOCK as u64 + COMPLETION, part.read_sequential);
    let others = part.fixed_latency.max(command) + block_up;
    if part.read_latency <= others {
        let why = format!(
            "{:.1} us leaves no time to sense a page: its fixed part and the link take {:.1} us",
            part.read_latency.us(),
            others.us()
        );
        return Err(refuse("read_latency", &why));
    }
    Ok(part.read_latency - others)
}

fn ratings(part: &Part) -> Ratings {
    Ratings {
        write_sequential: part.write_sequential,
        write_random: part.write_random.per_second,
        read_random: part.read_random.per_second,
        read_depth: f64::from(part.read_random.depth),
    }
}

fn priors(part: &Part, program: SimDuration) -> Priors {
    Priors {
        program_s: program.secs(),
        erase_s: part.erase.secs(),
        erase_bytes: part.erase_block as f64,
        page: part.page as f64,
    }
}

fn refuse(key: &'static str, why: &str) -> Refusal {
    Refusal { key, why: why.into() }
}
