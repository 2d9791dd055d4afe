//! How a figure is spelt for a reader: three significant figures, thousands separators, and a unit
//! that keeps the digits few.
//!
//! Nothing here decides what a figure means. A number that is not finite has no spelling and comes
//! out as [`MISSING`]. Three figures are what the intervals justify (common practice); JSON and CSV
//! keep them all.

use crate::outcome::Figure;

/// What stands where a figure does not exist.
pub const MISSING: &str = "–";

/// A unit of time for reading.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct TimeUnit {
    /// Its symbol: "ns", "us", "ms" or "s".
    pub symbol: &'static str,
    /// Its length in microseconds.
    pub microseconds: f64,
}

const NANOSECOND: TimeUnit = TimeUnit { symbol: "ns", microseconds: 1e-3 };
const MICROSECOND: TimeUnit = TimeUnit { symbol: "us", microseconds: 1.0 };
const MILLISECOND: TimeUnit = TimeUnit { symbol: "ms", microseconds: 1e3 };
const SECOND: TimeUnit = TimeUnit { symbol: "s", microseconds: 1e6 };

impl TimeUnit {
    /// The unit in which one time, in microseconds, has one to three digits before the point.
    pub fn for_one(time_us: f64) -> TimeUnit {
        // Rounded first: 999.9 us is "1.00 ms", not "1,000 us".
        let time_us = round_to_three(time_us.abs());
        match time_us {
            0.0 => MICROSECOND,
            t if t < 1.0 => NANOSECOND,
            t if t < 1e3 => MICROSECOND,
            t if t < 1e6 => MILLISECOND,
            _ => SECOND,
        }
    }

    /// The unit for a row of times, given the longest, in microseconds: at most four digits before
    /// the point there, so that the shortest keeps its digits too.
    pub fn for_row(longest_us: f64) -> TimeUnit {
        match round_to_three(longest_us.abs()) {
            t if t < 1e4 => MICROSECOND,
            t if t < 1e7 => MILLISECOND,
            _ => SECOND,
        }
    }
}

/// `value` rounded to three significant figures, halves to even as the formatter does.
fn round_to_three(value: f64) -> f64 {
    // Through decimal text: exact, where multiplying by a power of ten is not.
    format!("{value:.2e}").parse().unwrap_or(value)
}

/// Digits after the point that show `value` with three significant figures.
fn decimals_of(value: f64) -> usize {
    let rounded = round_to_three(value.abs());
    // Twelve is far past what any unit chosen here can ask for.
    (0..12).find(|&decimals| rounded * 10f64.powi(decimals as i32) >= 99.5).unwrap_or(12)
}

/// Digits in groups of three: "6592000.5" → "6,592,000.5".
fn group_thousands(digits: &str) -> String {
    let (whole, fraction) = digits.split_at(digits.find('.').unwrap_or(digits.len()));
    let (sign, whole) = whole.split_at(whole.len() - whole.trim_start_matches('-').len());
    let mut grouped = String::from(sign);
    for (index, digit) in whole.chars().enumerate() {
        if index > 0 && (whole.len() - index).is_multiple_of(3) {
            grouped.push(',');
        }
        grouped.push(digit);
    }
    grouped + fraction
}

/// A whole number with thousands separators.
pub fn format_count(count: u64) -> String {
    group_thousands(&count.to_string())
}

/// A number of machines as far as it is known: "340", "at least 340", "at least 340, below 700".
pub fn format_machines(figure: &Figure) -> String {
    let count = |value: f64| format_count(value as u64);
    match (figure.value, figure.low, figure.high) {
        (Some(value), ..) => count(value),
        (None, Some(low), Some(high)) => format!("at least {}, below {}", count(low), count(high)),
        (None, Some(low), None) => format!("at least {}", count(low)),
        (None, None, Some(high)) => format!("below {}", count(high)),
        (None, None, None) => MISSING.into(),
    }
}

/// A number without unit, to three significant figures with thousands separators; below a
/// thousandth "<0.001", from 1e15 in powers of ten.
pub fn format_significant(value: f64) -> String {
    let size = value.abs();
    match size {
        _ if !value.is_finite() => MISSING.into(),
        0.0 => "0".into(),
        s if s < 0.000_999_5 => format!("{}<0.001", if value < 0.0 { "-" } else { "" }),
        s if s >= 1e15 => format!("{value:.2e}"),
        _ => {
            let decimals = decimals_of(value);
            group_thousands(&format!("{:.decimals$}", round_to_three(value)))
        }
    }
}

/// A number without unit as short as it can be said exactly to six figures: 1.5, 0.05, 58,000. For what
/// the user stated, which needs no zeros to show a precision.
pub fn format_stated(value: f64) -> String {
    if !value.is_finite() {
        return MISSING.into();
    }
    if value != 0.0 && !(1e-9..1e15).contains(&value.abs()) {
        return format!("{value:.2e}");
    }
    let six_figures: f64 = format!("{value:.5e}").parse().unwrap_or(value);
    group_thousands(&six_figures.to_string())
}

/// A time in microseconds, in the unit that suits it: "18.2 us", "1.31 ms".
pub fn format_duration_us(time_us: f64) -> String {
    if !time_us.is_finite() {
        return MISSING.into();
    }
    let unit = TimeUnit::for_one(time_us);
    format!("{} {}", format_significant(time_us / unit.microseconds), unit.symbol)
}

/// A time in microseconds that the user stated, without trailing zeros: "1 ms", "1.5 s".
pub fn format_bound_us(time_us: f64) -> String {
    if !time_us.is_finite() {
        return MISSING.into();
    }
    let unit = TimeUnit::for_one(time_us);
    format!("{} {}", format_stated(time_us / unit.microseconds), unit.symbol)
}

/// A time in microseconds that came out of the run's own course, to three figures without trailing
/// zeros: "2.2 s".
pub fn format_span_us(time_us: f64) -> String {
    format_bound_us(round_to_three(time_us))
}

/// A rate per second without its unit, as for [`format_significant`]: "41,200/s".
pub fn format_per_second(rate: f64) -> String {
    format!("{}/s", format_significant(rate))
}

/// Bytes per second in decimal units (kB = 1,000 B): "1.20 GB/s".
pub fn format_bytes_per_s(rate: f64) -> String {
    format!("{}/s", format_bytes(rate))
}

/// Bytes in decimal units, as drives are sold (kB = 1,000 B): "69.1 TB".
pub fn format_bytes(bytes: f64) -> String {
    in_unit(bytes, [("PB", 1e15), ("TB", 1e12), ("GB", 1e9), ("MB", 1e6), ("kB", 1e3)])
}

/// Bytes in binary units, as memory is sold (KiB = 1,024 B): "256 GiB".
pub fn format_binary_bytes(bytes: f64) -> String {
    let size = |power: i32| 1024f64.powi(power);
    in_unit(bytes, [("PiB", size(5)), ("TiB", size(4)), ("GiB", size(3)), ("MiB", size(2)), ("KiB", size(1))])
}

fn in_unit(bytes: f64, units: [(&str, f64); 5]) -> String {
    let rounded = round_to_three(bytes.abs());
    let (symbol, size) = units.into_iter().find(|&(_, size)| rounded >= size).unwrap_or(("B", 1.0));
    format!("{} {symbol}", format_significant(bytes / size))
}

/// A share (1 = all of it) in per cent: whole per cents, with a decimal below 10 and from 99 to
/// 100, where it matters.
pub fn format_percent(share: f64) -> String {
    let percent = share * 100.0;
    let size = percent.abs();
    match size {
        _ if !percent.is_finite() => MISSING.into(),
        0.0 => "0 %".into(),
        s if s < 0.05 => "<0.1 %".into(),
        s if s < 9.95 || (98.95..99.95).contains(&s) => format!("{percent:.1} %"),
        s if s < 1e3 => format!("{percent:.0} %"),
        _ => format!("{} %", format_significant(percent)),
    }
}

/// A probability: in per cent from a hundredth on, else as odds: "1 in 52,600", from a million on "1 in 1.92e9".
pub fn format_odds(probability: f64) -> String {
    match probability {
        p if !p.is_finite() => MISSING.into(),
        p if p <= 0.0 => "none".into(),
        p if p >= 0.01 => format_percent(p),
        p if p < 1e-6 => format!("1 in {:.2e}", 1.0 / p),
        p => format!("1 in {}", format_significant(1.0 / p)),
    }
}

/// A share that the user stated, in per cent without needless zeros: "5 %", "99.9 %".
pub fn format_stated_percent(share: f64) -> String {
    format!("{} %", format_stated(share * 100.0))
}

/// The greater distance from a figure's value to an end of its interval, if it has all three.
///
/// For a symmetric interval that is its half-width; for a lopsided one it promises no more than the
/// interval does.
pub fn half_width(figure: &Figure) -> Option<f64> {
    let (value, low, high) = (figure.value?, figure.low?, figure.high?);
    let half = (value - low).max(high - value);
    half.is_finite().then_some(half)
}

/// A half-width beside its value: the value's decimals and at most two figures above the point, or one
/// significant figure where that would round it away. Empty for a figure known exactly.
fn format_half_width(value: f64, half: f64) -> String {
    if half == 0.0 {
        return String::new();
    }
    if half.abs() >= 1e15 {
        return format!("{half:.0e}");
    }
    let decimals = decimals_of(value);
    // Two figures of it are more than it is known to.
    let step = 10f64.powi(half.log10().floor() as i32 - 1);
    let rounded = if half >= 100.0 { (half / step).round() * step } else { half };
    let spelt = format!("{rounded:.decimals$}");
    if spelt.bytes().any(|digit| (b'1'..=b'9').contains(&digit)) {
        return group_thousands(&spelt);
    }
    let finer = (decimals + 1..12).find(|&d| half * 10f64.powi(d as i32) >= 0.95);
    finer.map_or_else(|| "<1e-11".into(), |decimals| format!("{half:.decimals$}"))
}

/// A figure divided by `unit`, its half-width after `joint`: "1.31±0.05" for the joint "±". An
/// unknown interval shows as [`MISSING`], and so does an unknown value.
pub fn format_figure(figure: &Figure, unit: f64, joint: &str) -> String {
    let Some(value) = figure.value.filter(|value| value.is_finite()) else {
        return MISSING.into();
    };
    let spelt = format_significant(value / unit);
    if spelt.contains('<') {
        return spelt; // Too small to spell; its half-width would need more digits than that.
    }
    match half_width(figure).map(|half| format_half_width(value / unit, half / unit)) {
        None => format!("{spelt}{joint}{MISSING}"),
        Some(half) if half.is_empty() => spelt,
        Some(half) => format!("{spelt}{joint}{half}"),
    }
}

/// A difference and its half-width, both to the second figure of the half-width: what lies below is not known, and a
/// difference near nothing has no figures of its own. The second text is empty for a difference known exactly.
pub fn format_change(value: f64, half: f64) -> (String, String) {
    if !value.is_finite() || !half.is_finite() {
        return (MISSING.into(), MISSING.into());
    }
    if half <= 0.0 {
        return (format_significant(value), String::new());
    }
    // Through decimal text, which rounds 9.96 up to "1.0e1".
    let second =
        format!("{half:.1e}").split_once('e').and_then(|(_, e)| e.parse::<i32>().ok()).unwrap_or(0) - 1;
    let decimals = usize::try_from(-second).unwrap_or(0).min(12);
    let step = 10f64.powi(second.max(0));
    let spell = |number: f64| {
        let whole = if decimals == 0 { (number / step).round_ties_even() * step } else { number };
        let spelt = format!("{whole:.decimals$}");
        match spelt.bytes().any(|digit| (b'1'..=b'9').contains(&digit)) {
            true => group_thousands(&spelt),
            false => spelt.trim_start_matches('-').to_owned(),
        }
    };
    (spell(value), spell(half))
}

/// A time in microseconds with its unit and half-width, as a sentence says it: "1.31 ms ± 0.05".
pub fn format_figure_us(figure: &Figure) -> String {
    let Some(value) = figure.value else {
        return MISSING.into();
    };
    let unit = TimeUnit::for_one(value);
    let spelt = format_figure(figure, unit.microseconds, " ± ");
    match spelt.split_once(" ± ") {
        Some((value, half)) => format!("{value} {} ± {half}", unit.symbol),
        None => format!("{spelt} {}", unit.symbol),
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_difference_has_the_figures_that_its_half_width_allows() {
        for (value, half, spelt) in [
            (-4.104, 1.27, ("-4.1", "1.3")),
            (0.0344, 0.0384, ("0.034", "0.038")),
            (-0.004, 0.866, ("0.00", "0.87")),
            (1_234.0, 2_834.0, ("1,200", "2,800")),
            (6.33, 9.96, ("6", "10")),
            (250.0, 33.0, ("250", "33")),
            (7.684, 0.0, ("7.68", "")),
            (f64::NAN, 1.0, ("–", "–")),
        ] {
            let (value, half) = format_change(value, half);
            assert_eq!((value.as_str(), half.as_str()), spelt);
        }
    }

    #[test]
    fn three_figures_survive_any_size() {
        for (value, spelt) in [
            (0.0, "0"),
            (0.000_2, "<0.001"),
            (0.001, "0.00100"),
            (0.012_34, "0.0123"),
            (0.999_9, "1.00"),
            (1.0, "1.00"),
            (9.996, "10.0"),
            (99.95, "100"),
            (123.4, "123"),
            (41_234.0, "41,200"),
            (999_900.0, "1,000,000"),
            (-41_234.0, "-41,200"),
            (-0.5, "-0.500"),
            (1e300, "1.00e300"),
            (f64::NAN, "–"),
            (f64::INFINITY, "–"),
        ] {
            assert_eq!(format_significant(value), spelt, "{value}");
        }
    }

    #[test]
    fn a_time_takes_the_unit_that_keeps_digits_few() {
        for (time_us, spelt) in [
            (0.0, "0 us"),
            (0.0409, "40.9 ns"),
            (0.9999, "1.00 us"),
            (18.24, "18.2 us"),
            (999.9, "1.00 ms"),
            (1_310.0, "1.31 ms"),
            (2_500_000.0, "2.50 s"),
            (3.6e9, "3,600 s"),
        ] {
            assert_eq!(format_duration_us(time_us), spelt);
        }
    }

    #[test]
    fn a_stated_bound_has_no_needless_zeros() {
        for (time_us, spelt) in
            [(1_000.0, "1 ms"), (1_500_000.0, "1.5 s"), (250.0, "250 us"), (1_234.5, "1.2345 ms")]
        {
            assert_eq!(format_bound_us(time_us), spelt);
        }
        assert_eq!(format_stated(0.05), "0.05");
        assert_eq!(format_stated(58_000.0), "58,000");
        assert_eq!(format_stated_percent(0.07), "7 %");
        assert_eq!(format_stated_percent(0.999), "99.9 %");
    }

    #[test]
    fn a_half_width_is_never_rounded_to_nothing() {
        let figure = |value, half: f64| Figure::of(value, value - half, value + half);
        assert_eq!(format_figure(&figure(1.31, 0.05), 1.0, "±"), "1.31±0.05");
        assert_eq!(format_figure(&figure(1.31, 0.0004), 1.0, "±"), "1.31±0.0004");
        assert_eq!(format_figure(&figure(412.0, 0.3), 1.0, "±"), "412±0.3");
        assert_eq!(format_figure(&figure(85_712.0, 3_305.0), 1.0, " ± "), "85,700 ± 3,300");
        assert_eq!(format_figure(&figure(85_712.0, 32.0), 1.0, " ± "), "85,700 ± 32");
        assert_eq!(format_figure(&Figure::exact(412.0), 1.0, "±"), "412");
        assert_eq!(format_figure(&Figure::missing("none"), 1.0, "±"), "–");
        assert_eq!(format_figure_us(&figure(1_310.0, 50.0)), "1.31 ms ± 0.05");
        let without_interval = Figure { value: Some(1_310.0), ..Figure::missing("one replication") };
        assert_eq!(format_figure_us(&without_interval), "1.31 ms ± –");
    }

    #[test]
    fn a_lopsided_interval_is_shown_by_its_longer_side() {
        assert_eq!(half_width(&Figure::of(10.0, 9.0, 13.0)), Some(3.0));
    }

    #[test]
    fn shares_keep_a_decimal_where_it_matters() {
        for (share, spelt) in [
            (0.0, "0 %"),
            (0.000_1, "<0.1 %"),
            (0.073, "7.3 %"),
            (0.0997, "10 %"),
            (0.71, "71 %"),
            (0.997, "99.7 %"),
            (0.999_9, "100 %"),
            (12.0, "1,200 %"),
        ] {
            assert_eq!(format_percent(share), spelt);
        }
    }

    #[test]
    fn byte_rates_are_decimal() {
        assert_eq!(format_bytes_per_s(0.0), "0 B/s");
        assert_eq!(format_bytes_per_s(999_900.0), "1.00 MB/s");
        assert_eq!(format_bytes_per_s(1.2e9), "1.20 GB/s");
        assert_eq!(format_bytes(69.12e12), "69.1 TB");
    }

    #[test]
    fn memory_is_binary() {
        assert_eq!(format_binary_bytes(2f64.powi(38)), "256 GiB");
        assert_eq!(format_binary_bytes(1.5 * 1024.0), "1.50 KiB");
        assert_eq!(format_binary_bytes(0.0), "0 B");
    }

    #[test]
    fn counts_are_grouped_in_threes() {
        assert_eq!(format_count(0), "0");
        assert_eq!(format_count(999), "999");
        assert_eq!(format_count(6_592_000), "6,592,000");
    }
}
