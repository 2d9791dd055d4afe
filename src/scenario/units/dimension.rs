//! What can be measured, and in which units.

/// What a quantity measures.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Dimension {
    /// A span of simulated time; base unit the picosecond.
    Time,
    /// A long span (a warranty); base unit the year of 365 days.
    Years,
    /// A size; base unit the byte.
    Bytes,
    /// Bits per second.
    BitRate,
    /// Bytes per second.
    ByteRate,
    /// Events per second.
    PerSecond,
    /// Turns; base unit one per minute.
    PerMinute,
    /// Growth, or failures; base unit percent per year.
    PerYear,
    /// Electric power; base unit the watt.
    Power,
}

/// A unit: its spelling and how many base units it holds.
pub type Unit = (&'static str, u128);

const MILLION: u128 = 1_000_000;
const SECOND: u128 = 1_000_000_000_000;

/// Smallest first; of two spellings of one unit the first is the one that is printed.
const TIME: &[Unit] = &[
    ("ps", 1),
    ("ns", 1_000),
    ("us", MILLION),
    ("µs", MILLION),
    ("μs", MILLION),
    ("ms", 1_000 * MILLION),
    ("s", SECOND),
    ("min", 60 * SECOND),
    ("h", 3_600 * SECOND),
    ("days", 86_400 * SECOND),
    ("day", 86_400 * SECOND),
];
const YEARS: &[Unit] = &[("years", 1), ("year", 1)];
const BYTES: &[Unit] = &[
    ("B", 1),
    ("kB", 1_000),
    ("KiB", 1 << 10),
    ("MB", MILLION),
    ("MiB", 1 << 20),
    ("GB", 1_000 * MILLION),
    ("GiB", 1 << 30),
    ("TB", MILLION * MILLION),
    ("TiB", 1 << 40),
    ("PB", 1_000 * MILLION * MILLION),
    ("PiB", 1 << 50),
];
const BIT_RATE: &[Unit] =
    &[("b/s", 1), ("kb/s", 1_000), ("Mb/s", MILLION), ("Gb/s", 1_000 * MILLION), ("Tb/s", MILLION * MILLION)];
const BYTE_RATE: &[Unit] = &[
    ("B/s", 1),
    ("kB/s", 1_000),
    ("KiB/s", 1 << 10),
    ("MB/s", MILLION),
    ("MiB/s", 1 << 20),
    ("GB/s", 1_000 * MILLION),
    ("GiB/s", 1 << 30),
    ("TB/s", MILLION * MILLION),
    ("TiB/s", 1 << 40),
];
const PER_SECOND: &[Unit] = &[("/s", 1), ("k/s", 1_000), ("M/s", MILLION), ("G/s", 1_000 * MILLION)];
const PER_MINUTE: &[Unit] = &[("/min", 1)];
const PER_YEAR: &[Unit] = &[("%/year", 1)];
const POWER: &[Unit] = &[("W", 1), ("kW", 1_000)];

impl Dimension {
    /// Every dimension.
    pub const ALL: [Dimension; 9] = [
        Dimension::Time,
        Dimension::Years,
        Dimension::Bytes,
        Dimension::BitRate,
        Dimension::ByteRate,
        Dimension::PerSecond,
        Dimension::PerMinute,
        Dimension::PerYear,
        Dimension::Power,
    ];

    /// As in "expected a time".
    pub const fn noun(self) -> &'static str {
        match self {
            Dimension::Time => "a time",
            Dimension::Years => "a number of years",
            Dimension::Bytes => "a size",
            Dimension::BitRate => "a rate",
            Dimension::ByteRate => "a rate in bytes",
            Dimension::PerSecond => "a count per second",
            Dimension::PerMinute => "a count per minute",
            Dimension::PerYear => "a share per year",
            Dimension::Power => "a power",
        }
    }

    /// Its units, smallest first.
    pub(super) const fn units(self) -> &'static [Unit] {
        match self {
            Dimension::Time => TIME,
            Dimension::Years => YEARS,
            Dimension::Bytes => BYTES,
            Dimension::BitRate => BIT_RATE,
            Dimension::ByteRate => BYTE_RATE,
            Dimension::PerSecond => PER_SECOND,
            Dimension::PerMinute => PER_MINUTE,
            Dimension::PerYear => PER_YEAR,
            Dimension::Power => POWER,
        }
    }

    /// The usual units, smallest first, as in "ns, us, ms or s".
    pub fn unit_list(self) -> String {
        let is_usual = |name: &&str| name.is_ascii() && !matches!(*name, "ps" | "day" | "year");
        let mut names: Vec<&str> = self.units().iter().map(|u| u.0).filter(is_usual).collect();
        let last = names.pop().unwrap_or_default();
        if names.is_empty() { last.to_owned() } else { format!("{} or {last}", names.join(", ")) }
    }

    /// Base units in a unit, if it is one of this dimension.
    pub(super) fn factor(self, unit: &str) -> Option<u128> {
        self.units().iter().find(|u| u.0 == unit).map(|u| u.1)
    }
}
