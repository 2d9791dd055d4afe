//! Quantities as people write them: a number and a unit.
//!
//! Times become whole picoseconds and sizes whole bytes, by integer arithmetic, so that nothing is
//! lost on the way in; rates become plain numbers. A number alone is never a quantity: the reader
//! offers the likely spelling instead. What is printed here parses back to the same value.
//!
//! Decimal prefixes are powers of ten, binary ones (KiB, MiB, …) powers of two: IEC 80000-13.

mod dimension;

pub use dimension::Dimension;

use super::spelling::{nearest, nearest_unit};
use dimension::Unit;

/// Why a text is not the quantity that was wanted.
#[derive(Clone, Debug, PartialEq)]
pub enum Fault {
    /// It does not begin with a number.
    NoNumber,
    /// "nan", "inf", or too large to be a number at all.
    NotFinite,
    /// Below zero.
    Negative,
    /// A number and nothing else.
    NoUnit {
        /// The number, as written.
        number: String,
    },
    /// A unit that nobody knows.
    UnknownUnit {
        /// As written.
        unit: String,
        /// The whole quantity with the nearest unit.
        nearest: Option<String>,
    },
    /// A unit of something else.
    WrongDimension {
        /// What it measures.
        found: Dimension,
        /// The same quantity in the dimension wanted, where there is one.
        same: Option<String>,
    },
    /// Not zero, but nearer to zero picoseconds than to one.
    BelowResolution,
    /// Longer than the clock runs, or larger than a 64-bit count of bytes.
    TooLarge,
    /// Not a whole number of bytes.
    PartOfByte,
}

/// A number and a unit of one dimension.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Quantity<'a> {
    number: &'a str,
    factor: u128,
}

/// Splits a text into number and unit of this dimension. Spaces between the two are optional.
///
/// # Errors
/// A [`Fault`] that says what is wrong and, where it can, what was meant.
pub fn split(text: &str, dimension: Dimension) -> Result<Quantity<'_>, Fault> {
    let text = text.trim();
    if let Some(rest) = text.strip_prefix('-') {
        return Err(match number_length(rest) {
            0 if !is_not_finite(rest) => Fault::NoNumber,
            0 => Fault::NotFinite,
            _ => Fault::Negative,
        });
    }
    let end = number_length(text);
    if end == 0 {
        return Err(if is_not_finite(text) { Fault::NotFinite } else { Fault::NoNumber });
    }
    let (number, unit) = (&text[..end], text[end..].trim_start());
    match dimension.factor(unit) {
        Some(factor) => Ok(Quantity { number, factor }),
        None if unit.is_empty() => Err(Fault::NoUnit { number: number.to_owned() }),
        None => Err(wrong_unit(number, unit, dimension)),
    }
}

fn is_not_finite(text: &str) -> bool {
    let word = text.split_whitespace().next().unwrap_or_default().to_ascii_lowercase();
    matches!(word.as_str(), "nan" | "inf" | "+inf" | "+nan" | "infinity")
}

/// Bytes of the number that `text` begins with: digits, a fraction, an exponent; `_` between digits.
fn number_length(text: &str) -> usize {
    let bytes = text.as_bytes();
    let digits = |from: usize| {
        let run = bytes[from..].iter().take_while(|b| b.is_ascii_digit() || **b == b'_').count();
        if run > 0 && bytes[from].is_ascii_digit() { run } else { 0 }
    };
    let mut end = digits(0);
    if end == 0 {
        return 0;
    }
    if bytes.get(end) == Some(&b'.') {
        let fraction = digits(end + 1);
        if fraction > 0 {
            end += 1 + fraction;
        }
    }
    if matches!(bytes.get(end), Some(b'e' | b'E')) {
        let sign = usize::from(matches!(bytes.get(end + 1), Some(b'+' | b'-')));
        let exponent = if end + 1 + sign < bytes.len() { digits(end + 1 + sign) } else { 0 };
        if exponent > 0 {
            end += 1 + sign + exponent;
        }
    }
    end
}

fn wrong_unit(number: &str, unit: &str, wanted: Dimension) -> Fault {
    let quantity = |n: &str, u: &str| if u.starts_with('/') { format!("{n}{u}") } else { format!("{n} {u}") };
    if let Some(found) = Dimension::ALL.into_iter().find(|d| d.factor(unit).is_some()) {
        let bytes_to_bits = Quantity { number, factor: found.factor(unit).unwrap_or(1) }.number();
        let same = match (wanted, found) {
            (Dimension::BitRate, Dimension::ByteRate) => Some(print(bytes_to_bits * 8.0, wanted)),
            (Dimension::ByteRate, Dimension::BitRate) => Some(print(bytes_to_bits / 8.0, wanted)),
            (Dimension::ByteRate, Dimension::Bytes) => Some(format!("{number} {unit}/s")),
            (Dimension::Bytes, Dimension::ByteRate) => {
                Some(format!("{number} {}", unit.strip_suffix("/s").unwrap_or(unit)))
            }
            _ => None,
        };
        return Fault::WrongDimension { found, same };
    }
    let names: Vec<&str> = wanted.units().iter().map(|u| u.0).filter(|n| n.is_ascii()).collect();
    let meant = nearest_unit(unit).filter(|n| names.contains(n));
    let same_letters = names.iter().copied().find(|n| n.eq_ignore_ascii_case(unit));
    let nearest = meant.or(same_letters).or_else(|| nearest(unit, names)).map(|n| quantity(number, n));
    Fault::UnknownUnit { unit: unit.to_owned(), nearest }
}

impl Quantity<'_> {
    /// In base units, as a plain number; infinite if it is too large for one.
    pub fn number(&self) -> f64 {
        // Only digits, one point and an exponent are left, so that this always parses.
        let number: f64 = self.number.replace('_', "").parse().unwrap_or(f64::INFINITY);
        number * self.factor as f64
    }

    /// In base units, to the nearest whole one, and whether that is exact. `None` if above `u64`.
    pub fn whole(&self) -> Option<(u64, bool)> {
        let (mantissa, exponent) = decimal(self.number)?;
        let scaled = mantissa.checked_mul(self.factor)?;
        let ten = 10u128.checked_pow(exponent.unsigned_abs());
        let (value, exact) = match ten {
            _ if scaled == 0 => (0, true),
            None if exponent < 0 => (0, false),
            None => return None,
            Some(ten) if exponent >= 0 => (scaled.checked_mul(ten)?, true),
            Some(ten) => {
                let (whole, rest) = (scaled / ten, scaled % ten);
                (whole + u128::from(rest >= ten - rest), rest == 0)
            }
        };
        Some((u64::try_from(value).ok()?, exact))
    }
}

/// A number as mantissa and power of ten; digits beyond the twentieth significant one are dropped
/// (one part in 10²⁰ is finer than any base unit that fits 64 bits). `None` if its size is absurd.
fn decimal(number: &str) -> Option<(u128, i32)> {
    let (digits, exponent) = match number.split_once(['e', 'E']) {
        Some((digits, exponent)) => (digits, exponent.replace('_', "").parse::<i32>().ok()?),
        None => (number, 0),
    };
    let (mut mantissa, mut power, mut in_fraction) = (0u128, exponent, false);
    for byte in digits.bytes() {
        match byte {
            b'.' => in_fraction = true,
            b'0'..=b'9' => {
                let room = mantissa < 10u128.pow(19);
                if room {
                    mantissa = mantissa * 10 + u128::from(byte - b'0');
                }
                // A dropped digit before the point counts as a power, one after it not at all.
                power = power.checked_add(match (room, in_fraction) {
                    (true, true) => -1,
                    (false, false) => 1,
                    _ => 0,
                })?;
            }
            _ => {}
        }
    }
    Some((mantissa, power))
}

/// A time in whole picoseconds.
///
/// # Errors
/// As [`split`]; also below the clock's resolution and above its range (213 days).
pub fn picoseconds(text: &str) -> Result<u64, Fault> {
    match split(text, Dimension::Time)?.whole() {
        Some((0, false)) => Err(Fault::BelowResolution),
        Some((ps, _)) => Ok(ps),
        None => Err(Fault::TooLarge),
    }
}

/// A size in whole bytes.
///
/// # Errors
/// As [`split`]; also a part of a byte and more than 64 bits can count.
pub fn bytes(text: &str) -> Result<u64, Fault> {
    match split(text, Dimension::Bytes)?.whole() {
        Some((bytes, true)) => Ok(bytes),
        Some((_, false)) => Err(Fault::PartOfByte),
        None => Err(Fault::TooLarge),
    }
}

/// Any quantity in base units of its dimension, as a plain finite number.
///
/// # Errors
/// As [`split`]; times and sizes also as [`picoseconds`] and [`bytes`].
pub fn number(text: &str, dimension: Dimension) -> Result<f64, Fault> {
    match dimension {
        Dimension::Time => picoseconds(text).map(|ps| ps as f64),
        Dimension::Bytes => bytes(text).map(|b| b as f64),
        _ => {
            let value = split(text, dimension)?.number();
            if value.is_finite() { Ok(value) } else { Err(Fault::NotFinite) }
        }
    }
}

/// A time as one would write it: the largest unit that divides it, so that it parses back exactly.
pub fn print_time(ps: u64) -> String {
    print_whole(ps, Dimension::Time)
}

/// A size as one would write it: the largest unit that divides it, so that it parses back exactly.
pub fn print_bytes(bytes: u64) -> String {
    print_whole(bytes, Dimension::Bytes)
}

fn print_whole(value: u64, dimension: Dimension) -> String {
    let value = u128::from(value);
    let zero_in = if dimension == Dimension::Time { "s" } else { "B" };
    let unit = dimension.units().iter().rev().filter(|u| u.0.is_ascii() && u.0 != "day");
    match unit.clone().find(|u| value > 0 && value.is_multiple_of(u.1)) {
        Some((name, factor)) => format!("{} {name}", value / factor),
        None => format!("0 {zero_in}"),
    }
}

/// A quantity (finite, not negative, in base units) with the largest unit that parses back exactly.
pub fn print(value: f64, dimension: Dimension) -> String {
    let spell = |(name, factor): &Unit| {
        let gap = if dimension == Dimension::PerSecond { "" } else { " " };
        format!("{}{gap}{name}", value / *factor as f64)
    };
    let decimal_units = dimension.units().iter().rev().filter(|u| !u.0.contains('i') && u.0.is_ascii());
    decimal_units
        .filter(|u| value >= u.1 as f64)
        .map(spell)
        .find(|text| number(text, dimension) == Ok(value))
        .unwrap_or_else(|| spell(&dimension.units()[0]))
}

#[cfg(test)]
mod tests {
    use proptest::prelude::*;

    use super::*;

    #[test]
    fn spaces_between_number_and_unit_are_optional() {
        assert_eq!(picoseconds("18us"), Ok(18_000_000));
        assert_eq!(picoseconds(" 18  us "), Ok(18_000_000));
        assert_eq!(number("25Gb/s", Dimension::BitRate), Ok(25e9));
        assert_eq!(number("900 /s", Dimension::PerSecond), Ok(900.0));
        assert_eq!(number("480k/s", Dimension::PerSecond), Ok(480e3));
        assert_eq!(number("20 %/year", Dimension::PerYear), Ok(20.0));
        assert_eq!(number("5 years", Dimension::Years), Ok(5.0));
    }

    #[test]
    fn decimal_and_binary_sizes_differ() {
        assert_eq!(bytes("4 KiB"), Ok(4096));
        assert_eq!(bytes("4 kB"), Ok(4000));
        assert_eq!(bytes("3.84 TB"), Ok(3_840_000_000_000));
        assert_eq!(bytes("0.5 KiB"), Ok(512));
        assert_eq!(bytes("0.3 KiB"), Err(Fault::PartOfByte));
        assert_eq!(number("2 GiB/s", Dimension::ByteRate), Ok(2_147_483_648.0));
    }

    #[test]
    fn a_bare_number_is_not_a_quantity() {
        assert_eq!(picoseconds("18"), Err(Fault::NoUnit { number: "18".into() }));
    }

    #[test]
    fn a_wrong_unit_offers_the_nearest() {
        let meant = |text, dimension| match split(text, dimension) {
            Err(Fault::UnknownUnit { nearest, .. }) => nearest,
            other => panic!("{other:?}"),
        };
        assert_eq!(meant("25 Gbps", Dimension::BitRate).as_deref(), Some("25 Gb/s"));
        assert_eq!(meant("25 gb/s", Dimension::BitRate).as_deref(), Some("25 Gb/s"));
        assert_eq!(meant("18 usec", Dimension::Time).as_deref(), Some("18 us"));
        assert_eq!(meant("4 KB", Dimension::Bytes).as_deref(), Some("4 kB"));
        assert_eq!(meant("900 IOPS", Dimension::PerSecond).as_deref(), Some("900/s"));
        assert_eq!(meant("4 furlongs", Dimension::Bytes), None);
    }

    #[test]
    fn a_unit_of_something_else_says_what_it_measures() {
        let fault = split("3 GB/s", Dimension::BitRate);
        let same = Some("24 Gb/s".to_owned());
        assert_eq!(fault, Err(Fault::WrongDimension { found: Dimension::ByteRate, same }));
        let fault = split("4 KiB", Dimension::Time);
        assert_eq!(fault, Err(Fault::WrongDimension { found: Dimension::Bytes, same: None }));
    }

    #[test]
    fn what_is_no_finite_positive_number_is_refused() {
        for text in ["nan", "inf s", "-inf", "NaN us", "1e999 b/s"] {
            assert_eq!(number(text, Dimension::BitRate), Err(Fault::NotFinite), "{text}");
        }
        assert_eq!(picoseconds("-2 us"), Err(Fault::Negative));
        assert_eq!(picoseconds("soon"), Err(Fault::NoNumber));
        assert_eq!(picoseconds(""), Err(Fault::NoNumber));
        assert_eq!(picoseconds(".5 us"), Err(Fault::NoNumber));
        assert_eq!(picoseconds("1e s"), split("1e s", Dimension::Time).map(|_| 0));
    }

    #[test]
    fn times_outside_the_clock_are_refused() {
        assert_eq!(picoseconds("0.4 ps"), Err(Fault::BelowResolution));
        assert_eq!(picoseconds("1e-400 s"), Err(Fault::BelowResolution));
        assert_eq!(picoseconds("0 s"), Ok(0));
        assert_eq!(picoseconds("0e-400 s"), Ok(0));
        assert_eq!(picoseconds("213 days"), Ok(213 * 86_400_000_000_000_000));
        assert_eq!(picoseconds("214 days"), Err(Fault::TooLarge));
        assert_eq!(picoseconds("1e400 s"), Err(Fault::TooLarge));
        assert_eq!(picoseconds("1e99999999999 s"), Err(Fault::TooLarge));
    }

    #[test]
    fn fractions_are_exact() {
        assert_eq!(picoseconds("40.96 ns"), Ok(40_960));
        assert_eq!(picoseconds("0.1 s"), Ok(100_000_000_000));
        assert_eq!(picoseconds("9007199254.740993 us"), Ok(9_007_199_254_740_993));
        assert_eq!(picoseconds("0.000000000000000000000001 days"), Err(Fault::BelowResolution));
    }

    proptest! {
        #[test]
        fn printed_times_parse_back(ps in any::<u64>()) {
            prop_assert_eq!(picoseconds(&print_time(ps)), Ok(ps));
        }

        #[test]
        fn printed_sizes_parse_back(size in any::<u64>(), shift in 0u32..50) {
            let size = (size >> shift) << (shift / 2);
            prop_assert_eq!(bytes(&print_bytes(size)), Ok(size));
        }

        #[test]
        fn printed_rates_parse_back(value in 0.0f64..1e15, which in 0usize..7) {
            let dimension = Dimension::ALL[which];
            let whole = matches!(dimension, Dimension::Time | Dimension::Bytes);
            let value = if whole { value.floor() } else { value };
            prop_assert_eq!(number(&print(value, dimension), dimension), Ok(value));
        }

        #[test]
        fn no_text_panics(text in ".{0,40}", which in 0usize..7) {
            let _ = number(&text, Dimension::ALL[which]);
        }

        #[test]
        fn nothing_like_a_quantity_panics(text in "[0-9eE+._ -]{0,30}(s|us|KiB|/s|%)?", which in 0usize..7) {
            let _ = number(&text, Dimension::ALL[which]);
        }
    }
}
