//! A flash drive's internal parameters from its datasheet ratings.
//!
//! The drive is a command server, parallel flash units that sense a page at a time, program and erase,
//! and a power-protected write buffer. The ratings tell four of its figures (units, bytes of one program,
//! write amplification under random writes, spare space); times of program and erase, the page and the
//! fixed part of the latency are priors that no rating tells.
//!
//! Left out: planes and channels as stations of their own, read retries, wear over time, caches of
//! single-level cells. Sources: the balance of unit time is arithmetic (utilisation law; Denning & Buzen
//! 1978); spare space from amplification is P. Desnoyers, SYSTOR 2012 (see `cleaning`).

/// Bytes of one block of the random ratings.
pub const BLOCK: f64 = 4096.0;

/// What a datasheet rates. Rates in bytes per second or blocks per second, times in seconds.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Ratings {
    /// Sequential write, bytes per second.
    pub write_sequential: f64,
    /// Random write, blocks of 4 KiB per second in steady state.
    pub write_random: f64,
    /// Random read, blocks of 4 KiB per second.
    pub read_random: f64,
    /// Reads outstanding at that rating.
    pub read_depth: f64,
}

/// What no rating tells. Times in seconds.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Priors {
    /// Time of one program.
    pub program_s: f64,
    /// Time of one erase.
    pub erase_s: f64,
    /// Bytes that one erase frees.
    pub erase_bytes: f64,
    /// Bytes that one sense reads.
    pub page: f64,
}

/// Units for a first try: x(d − 1)/(d − x) with x = rate × sense time, the balanced closed network of U
/// exponential units at depth d (exact mean value analysis: X = dU/((d + U − 1)t)). Fixed sense times
/// need 11 to 13 % fewer, which only simulation tells. Not below 1; NaN where x is not below d.
pub fn units_to_start_with(ratings: &Ratings, sense_s: f64) -> f64 {
    let busy = ratings.read_random * sense_s;
    let depth = ratings.read_depth;
    if busy >= depth {
        return f64::NAN;
    }
    (busy * (depth - 1.0) / (depth - busy)).max(1.0)
}

/// Bytes of one program: what U units, busy with nothing but programs of `program_s` and an erase for every
/// `erase_bytes`, must write at a time to reach the sequential rating. None where erases alone take longer.
pub fn program_bytes(ratings: &Ratings, priors: &Priors, units: f64) -> Option<f64> {
    let per_byte = units / ratings.write_sequential - priors.erase_s / priors.erase_bytes;
    (per_byte > 0.0).then(|| priors.program_s / per_byte)
}

/// Unit time of writing one byte to flash, seconds: its share of a program and of an erase.
pub fn write_s(priors: &Priors, program_bytes: f64) -> f64 {
    priors.program_s / program_bytes + priors.erase_s / priors.erase_bytes
}

/// Unit time of the cleaner for each byte that it reads, seconds: whole pages.
pub fn clean_read_s(priors: &Priors, sense_s: f64) -> f64 {
    sense_s / priors.page
}

/// Write amplification under the random write rating: host bytes are written A times and read by the
/// cleaner A − 1 times, and that fills the units: U = R·b·(A·w + (A − 1)·r). May come out below 1: the
/// datasheet then contradicts itself, unless the link bounds its sequential rating.
pub fn random_amplification(
    ratings: &Ratings,
    priors: &Priors,
    units: f64,
    sense_s: f64,
    program_bytes: f64,
) -> f64 {
    let (write, read) = (write_s(priors, program_bytes), clean_read_s(priors, sense_s));
    (units / (ratings.write_random * BLOCK) + read) / (write + read)
}

/// Spare space once only the share `live` of the rated capacity holds data: what is not live is spare too,
/// (1 + spare)/live − 1.
pub fn spare_at(spare: f64, live: f64) -> f64 {
    (1.0 + spare) / live - 1.0
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::theory::cleaning::{fifo_amplification, fifo_spare};

    const RATINGS: Ratings =
        Ratings { write_sequential: 2e9, write_random: 65e3, read_random: 480e3, read_depth: 128.0 };
    const PRIORS: Priors =
        Priors { program_s: 600e-6, erase_s: 4e-3, erase_bytes: 16_777_216.0, page: 16_384.0 };

    /// The balance, read the other way round: the parameters carry exactly the ratings.
    #[test]
    fn parameters_give_the_ratings_back() {
        let (units, sense) = (64.0, 80e-6);
        let k = program_bytes(&RATINGS, &PRIORS, units).expect("erases leave time");
        assert!((units / write_s(&PRIORS, k) / RATINGS.write_sequential - 1.0).abs() < 1e-12);
        let a = random_amplification(&RATINGS, &PRIORS, units, sense, k);
        let per_byte = a * write_s(&PRIORS, k) + (a - 1.0) * clean_read_s(&PRIORS, sense);
        assert!((units / per_byte / BLOCK / RATINGS.write_random - 1.0).abs() < 1e-12);
        assert!(a > 1.0);
    }

    /// Exact mean value analysis of U = 4 units at depth 8: X = 8·4/((8 + 4 − 1)·t).
    #[test]
    fn the_first_try_inverts_the_balanced_network() {
        let x = 8.0 * 4.0 / (11.0 * 80e-6);
        let ratings = Ratings { read_random: x, read_depth: 8.0, ..RATINGS };
        assert!((units_to_start_with(&ratings, 80e-6) - 4.0).abs() < 1e-9);
        assert!(units_to_start_with(&Ratings { read_random: 1e6, ..ratings }, 80e-6).is_nan());
    }

    #[test]
    fn erases_that_take_all_time_leave_no_program() {
        let slow = Priors { erase_s: 1.0, ..PRIORS };
        assert_eq!(program_bytes(&RATINGS, &slow, 16.0), None);
    }

    /// D-WA-ZERO of the reference: a quarter of the space trimmed at a spare of 0.07 gives 1.881197.
    #[test]
    fn space_that_is_not_live_is_spare() {
        assert!((fifo_amplification(spare_at(0.07, 0.75)) - 1.881_197).abs() < 1e-6);
        let spare = fifo_spare(5.6);
        assert!((fifo_amplification(spare_at(spare, 1.0)) - 5.6).abs() < 1e-9);
    }
}
