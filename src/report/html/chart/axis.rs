//! An axis: from where to where, evenly or by ratios, and which of its values have a label.

use crate::report::numbers::{format_duration_us, format_per_second, format_percent, format_significant};

/// Labels that an axis takes at most, or thereabouts.
const LABELS: f64 = 8.0;

/// How the values of an axis are spelt; the page's script knows the same words.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(in crate::report::html) enum Spell {
    /// Microseconds, in the unit that reads best.
    Duration,
    /// A number.
    Number,
    /// Per second.
    PerSecond,
    /// A share, as per cent.
    Percent,
}

impl Spell {
    pub fn of(self, value: f64) -> String {
        match self {
            Spell::Duration => format_duration_us(value),
            Spell::Number => format_significant(value),
            Spell::PerSecond => format_per_second(value),
            Spell::Percent => format_percent(value),
        }
    }

    /// As the script knows it.
    pub const fn word(self) -> &'static str {
        match self {
            Spell::Duration => "duration",
            Spell::Number => "number",
            Spell::PerSecond => "per-second",
            Spell::Percent => "percent",
        }
    }
}

/// An axis.
#[derive(Clone, Debug, PartialEq)]
pub(in crate::report::html) struct Axis {
    pub title: String,
    pub spell: Spell,
    pub low: f64,
    pub high: f64,
    /// Equal ratios are equally long, and not equal differences.
    pub by_ratio: bool,
    /// Values with a label of their own; chosen if there are none.
    pub named: Vec<(f64, String)>,
}

impl Axis {
    /// Wide enough for these values, with some room at both ends. None where they are all one, or some are not finite.
    pub fn over(
        title: &str,
        spell: Spell,
        by_ratio: bool,
        values: impl Iterator<Item = f64>,
    ) -> Option<Axis> {
        let (low, high) = values
            .fold((f64::INFINITY, f64::NEG_INFINITY), |(low, high), value| (low.min(value), high.max(value)));
        let is_wide = low < high && low.is_finite() && high.is_finite() && (low > 0.0 || !by_ratio);
        let (low, high) = if by_ratio {
            let more = (high / low).powf(0.03).max(1.02);
            (low / more, high * more)
        } else {
            let more = (high - low) * 0.03;
            // Nothing is left of a zero that is an end.
            (if low >= 0.0 { (low - more).max(0.0) } else { low - more }, high + more)
        };
        is_wide.then(|| Axis { title: title.into(), spell, low, high, by_ratio, named: Vec::new() })
    }

    /// How far along a value lies, 0 to 1 between the ends.
    pub fn share(&self, value: f64) -> f64 {
        let share = match self.by_ratio {
            true => (value / self.low).ln() / (self.high / self.low).ln(),
            false => (value - self.low) / (self.high - self.low),
        };
        // What lies far outside is drawn outside, and not where integers end.
        if share.is_nan() { 0.0 } else { share.clamp(-5.0, 5.0) }
    }

    /// Values with their labels.
    pub fn ticks(&self) -> Vec<(f64, String)> {
        if !self.named.is_empty() {
            return self.named.clone();
        }
        let values = if self.by_ratio && self.high / self.low > 10.0 { self.ratios() } else { self.steps() };
        values.into_iter().map(|value| (value, shortened(&self.spell.of(value)))).collect()
    }

    /// Every 1, 2 or 5 steps of a power of ten.
    fn steps(&self) -> Vec<f64> {
        let rough = (self.high - self.low) / LABELS;
        let power = 10f64.powf(rough.log10().floor());
        let times = [1.0, 2.0, 5.0, 10.0].into_iter().find(|times| times * power >= rough).unwrap_or(10.0);
        let step = times * power;
        let (first, last) = ((self.low / step).ceil() as i64, (self.high / step).floor() as i64);
        (first..=last.min(first + 20)).map(|n| n as f64 * step).collect()
    }

    /// 1, 2 and 5 of every decade, or 1 alone where there are many.
    fn ratios(&self) -> Vec<f64> {
        let decades = (self.low.log10().floor() as i32)..=(self.high.log10().ceil() as i32);
        let times: &[f64] = if decades.clone().count() > 5 { &[1.0] } else { &[1.0, 2.0, 5.0] };
        decades
            .flat_map(|decade| times.iter().map(move |times| times * 10f64.powi(decade)))
            .filter(|value| (self.low..=self.high).contains(value))
            .collect()
    }

    /// For the script: ends, scale, spelling, and labels of its own.
    pub fn data(&self) -> serde_json::Value {
        let scale = if self.by_ratio { "ratio" } else { "even" };
        serde_json::json!([self.low, self.high, scale, self.spell.word(), self.named])
    }
}

/// "5 ms", and not "5.00 ms": a label is as round as what it says.
fn shortened(words: &str) -> String {
    let end =
        words.find(|c: char| !c.is_ascii_digit() && !matches!(c, '.' | ',' | '-')).unwrap_or(words.len());
    let (figure, unit) = words.split_at(end);
    match figure.contains('.') {
        true => figure.trim_end_matches('0').trim_end_matches('.').to_owned() + unit,
        false => words.to_owned(),
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn labels(low: f64, high: f64, by_ratio: bool) -> Vec<f64> {
        let axis =
            Axis { title: String::new(), spell: Spell::Number, low, high, by_ratio, named: Vec::new() };
        axis.ticks().into_iter().map(|(value, _)| value).collect()
    }

    #[test]
    fn labels_are_round_and_few() {
        assert_eq!(labels(0.1, 2.3, false), [0.5, 1.0, 1.5, 2.0]);
        assert_eq!(labels(60.0, 900.0, true), [100.0, 200.0, 500.0]);
        assert_eq!(labels(1.0, 1e6, true), [1.0, 10.0, 100.0, 1e3, 1e4, 1e5, 1e6]);
        // Too close together for decades.
        assert_eq!(labels(90.0, 140.0, true), [90.0, 100.0, 110.0, 120.0, 130.0, 140.0]);
    }

    #[test]
    fn labels_have_no_idle_zeros() {
        for (words, wanted) in [
            ("5.00 ms", "5 ms"),
            ("0.500", "0.5"),
            ("100,000", "100,000"),
            ("0", "0"),
            ("10.0 %", "10 %"),
            ("200/s", "200/s"),
        ] {
            assert_eq!(shortened(words), wanted);
        }
    }

    #[test]
    fn an_axis_needs_two_values_that_are_finite() {
        let over = |by_ratio, values: &[f64]| {
            Axis::over("", Spell::Number, by_ratio, values.iter().copied()).is_some()
        };
        assert!(over(false, &[0.0, 1.0]) && over(true, &[1.0, 2.0]));
        assert!(!over(false, &[1.0, 1.0]) && !over(true, &[0.0, 1.0]) && !over(false, &[]));
        assert!(!over(false, &[0.0, f64::INFINITY]));
    }
}
