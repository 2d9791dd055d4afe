//! Random draws keyed by request and purpose.
//!
//! A [`Key`] names a request (or a machine, or a cycle of a burst); a [`Purpose`] names what is drawn
//! for it. The two together seed a small generator of their own, so that a draw depends on nothing
//! else: not on the order of events, the threads, or what else the design holds. Two designs under
//! comparison therefore meet the same traffic (common random numbers).
//!
//! The generator is SplitMix64 (Steele, Lea & Flood 2014): a counter through a 64-bit finaliser.

use std::convert::Infallible;

use rand::TryRng;

const GOLDEN: u64 = 0x9E37_79B9_7F4A_7C15;
/// Odd, with no pattern (from the digits of √3, as the constant above is from √5).
const STRIDE: u64 = 0xBB67_AE85_84CA_A73B;

/// The 64-bit finaliser of SplitMix64 (variant 13 of Stafford's mixers).
#[inline]
const fn mix(mut z: u64) -> u64 {
    z = (z ^ (z >> 30)).wrapping_mul(0xBF58_476D_1CE4_E5B9);
    z = (z ^ (z >> 27)).wrapping_mul(0x94D0_49BB_1331_11EB);
    z ^ (z >> 31)
}

/// What a draw is for. Two purposes of one key give independent streams.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Purpose(u64);

impl Purpose {
    /// The purpose of that name: FNV-1a of the name, then mixed.
    pub const fn named(name: &str) -> Self {
        let bytes = name.as_bytes();
        let mut hash = 0xCBF2_9CE4_8422_2325_u64;
        let mut i = 0;
        while i < bytes.len() {
            hash = (hash ^ bytes[i] as u64).wrapping_mul(0x0000_0100_0000_01B3);
            i += 1;
        }
        Purpose(mix(hash))
    }
}

/// Names whatever draws are made for: 64 well-mixed bits.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq, Hash)]
pub struct Key(u64);

impl Key {
    /// The key that all others of a run descend from.
    pub const fn root(seed: u64) -> Self {
        Key(mix(seed.wrapping_add(GOLDEN)))
    }

    /// The key of the part that bears this name (a class, say).
    pub const fn named(self, name: &str) -> Self {
        Key(mix(self.0.wrapping_add(Purpose::named(name).0)))
    }

    /// The key of the part with this number (a replication, a request, a fragment): a SplitMix64
    /// sequence with an increment of its own, so that it does not meet the draws of this key.
    #[inline]
    pub const fn numbered(self, number: u64) -> Self {
        Key(mix(self.0.wrapping_add(number.wrapping_mul(STRIDE)).wrapping_add(STRIDE)))
    }

    /// The generator for one purpose of this key.
    #[inline]
    pub const fn draws(self, purpose: Purpose) -> Draws {
        Draws { state: self.0.wrapping_add(purpose.0) }
    }

    /// The raw bits, for keyed permutations.
    #[inline]
    pub const fn bits(self) -> u64 {
        self.0
    }
}

/// A small generator: the stream of one key and purpose. Implements [`rand::Rng`], so that the
/// samplers of `rand_distr` take it.
#[derive(Clone, Debug)]
pub struct Draws {
    state: u64,
}

impl Draws {
    /// The next 64 bits.
    #[inline]
    pub const fn bits(&mut self) -> u64 {
        self.state = self.state.wrapping_add(GOLDEN);
        mix(self.state)
    }

    /// A uniform number in [0, 1), a multiple of 2^-53.
    #[inline]
    pub fn unit(&mut self) -> f64 {
        (self.bits() >> 11) as f64 * (1.0 / (1u64 << 53) as f64)
    }

    /// A uniform whole number below `bound` (which is not zero): the high half of a 128-bit
    /// product. Bias is below `bound`/2^64.
    #[inline]
    pub const fn below(&mut self, bound: u64) -> u64 {
        ((self.bits() as u128 * bound as u128) >> 64) as u64
    }
}

impl TryRng for Draws {
    type Error = Infallible;

    #[inline]
    fn try_next_u32(&mut self) -> Result<u32, Infallible> {
        Ok((self.bits() >> 32) as u32)
    }

    #[inline]
    fn try_next_u64(&mut self) -> Result<u64, Infallible> {
        Ok(self.bits())
    }

    fn try_fill_bytes(&mut self, bytes: &mut [u8]) -> Result<(), Infallible> {
        for chunk in bytes.chunks_mut(8) {
            let word = self.bits().to_le_bytes();
            chunk.copy_from_slice(&word[..chunk.len()]);
        }
        Ok(())
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_draw_depends_only_on_key_and_purpose() {
        const SIZE: Purpose = Purpose::named("size");
        const SERVICE: Purpose = Purpose::named("service");
        let key = Key::root(7).named("desktops").numbered(41);
        assert_eq!(key.draws(SIZE).bits(), key.draws(SIZE).bits());
        assert_ne!(key.draws(SIZE).bits(), key.draws(SERVICE).bits());
        assert_ne!(key.draws(SIZE).bits(), Key::root(7).named("desktops").numbered(42).draws(SIZE).bits());
    }

    #[test]
    fn consecutive_keys_give_uniform_draws() {
        // Claim: the first draws of 256,000 consecutive keys fill 256 cells evenly.
        // Alarm: chi-square with 255 degrees of freedom beyond 390 has probability 1e-7.
        const P: Purpose = Purpose::named("service");
        let mut cells = [0u32; 256];
        let root = Key::root(1).named("class");
        for n in 0..256_000 {
            cells[(root.numbered(n).draws(P).unit() * 256.0) as usize] += 1;
        }
        let chi2: f64 = cells.iter().map(|&c| (f64::from(c) - 1000.0).powi(2) / 1000.0).sum();
        assert!(chi2 < 390.0, "chi-square {chi2}");
    }
}
