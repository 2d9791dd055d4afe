//! Simulated time, in whole picoseconds.
//!
//! A 512-byte payload takes 40.96 ns at 100 Gb/s: nanoseconds would bias every link. A `u64` of
//! picoseconds spans 213 days. Instants and durations are two types, so that only meaningful
//! arithmetic compiles; nothing here reads a clock.

use std::ops::{Add, AddAssign, Sub};

/// Picoseconds in one second.
pub const PS_PER_S: u64 = 1_000_000_000_000;

/// An instant of simulated time, counted from the start of a replication.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq, PartialOrd, Ord, Hash)]
pub struct SimTime(u64);

/// A span of simulated time.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq, PartialOrd, Ord, Hash)]
pub struct SimDuration(u64);

impl SimTime {
    /// The start of a replication.
    pub const ZERO: SimTime = SimTime(0);
    /// An instant that is never reached.
    pub const NEVER: SimTime = SimTime(u64::MAX);

    /// The instant `ps` picoseconds after the start.
    pub const fn from_ps(ps: u64) -> Self {
        SimTime(ps)
    }

    /// Picoseconds since the start.
    pub const fn ps(self) -> u64 {
        self.0
    }

    /// Seconds since the start.
    pub fn secs(self) -> f64 {
        self.0 as f64 / PS_PER_S as f64
    }

    /// The span from `earlier` to this instant, zero if `earlier` is later.
    #[inline]
    pub const fn since(self, earlier: SimTime) -> SimDuration {
        SimDuration(self.0.saturating_sub(earlier.0))
    }
}

impl SimDuration {
    /// No time at all.
    pub const ZERO: SimDuration = SimDuration(0);
    /// The longest span.
    pub const MAX: SimDuration = SimDuration(u64::MAX);

    /// A span of `ps` picoseconds.
    pub const fn from_ps(ps: u64) -> Self {
        SimDuration(ps)
    }

    /// A span of `ns` nanoseconds.
    pub const fn from_ns(ns: u64) -> Self {
        SimDuration(ns * 1_000)
    }

    /// A span of `us` microseconds.
    pub const fn from_us(us: u64) -> Self {
        SimDuration(us * 1_000_000)
    }

    /// The nearest whole picosecond to `secs` seconds; negative and NaN give zero, beyond the range the longest span.
    #[inline]
    pub fn from_secs(secs: f64) -> Self {
        SimDuration((secs * PS_PER_S as f64).round() as u64)
    }

    /// The nearest whole picosecond to a span given in (fractional) picoseconds, which is not negative.
    #[inline]
    pub fn from_ps_f64(ps: f64) -> Self {
        // `as` saturates, so that a sample from a heavy tail cannot wrap; to the signed type it is cheaper.
        debug_assert!(ps >= 0.0, "a span of {ps} ps");
        SimDuration((ps + 0.5) as i64 as u64)
    }

    /// Picoseconds.
    pub const fn ps(self) -> u64 {
        self.0
    }

    /// Seconds.
    pub fn secs(self) -> f64 {
        self.0 as f64 / PS_PER_S as f64
    }

    /// Microseconds.
    pub fn us(self) -> f64 {
        self.0 as f64 / 1e6
    }

    /// Whether this is no time at all.
    pub const fn is_zero(self) -> bool {
        self.0 == 0
    }
}

impl Add<SimDuration> for SimTime {
    type Output = SimTime;
    #[inline]
    fn add(self, span: SimDuration) -> SimTime {
        SimTime(self.0.saturating_add(span.0))
    }
}

impl AddAssign<SimDuration> for SimTime {
    #[inline]
    fn add_assign(&mut self, span: SimDuration) {
        *self = *self + span;
    }
}

impl Add for SimDuration {
    type Output = SimDuration;
    #[inline]
    fn add(self, other: SimDuration) -> SimDuration {
        SimDuration(self.0.saturating_add(other.0))
    }
}

impl AddAssign for SimDuration {
    #[inline]
    fn add_assign(&mut self, other: SimDuration) {
        *self = *self + other;
    }
}

impl Sub for SimDuration {
    type Output = SimDuration;
    /// Stops at zero.
    #[inline]
    fn sub(self, other: SimDuration) -> SimDuration {
        SimDuration(self.0.saturating_sub(other.0))
    }
}
