//! The answer of `compare`: which design is better, by how much, and whether that is certain.
//!
//! Designs have letters, for their names are long: a line each says what a letter stands for and how that design
//! fares by itself. Then a line for every figure that was asked for; tables and small print follow.

mod small_print;
mod tables;

pub(super) use small_print::facts;
pub(super) use tables::{designs, latencies, other};
pub(in crate::report) use tables::{figure_in_words, signed, spell_other};

use crate::outcome::{CompareOutcome, DesignOutcome, DifferenceRow, ObjectiveRow, State};
use crate::report::numbers::{
    MISSING, TimeUnit, format_change, format_duration_us, format_per_second, format_significant,
    format_stated_percent, half_width,
};
use crate::report::sheet::{Sheet, Tone};
use crate::report::text::{clean, first_that_fits, plural, shorten};

use super::standing::{Standing, percentile_name};

/// Adds what the letters stand for and the answers.
pub(super) fn answer(sheet: &mut Sheet, outcome: &CompareOutcome) {
    for (n, design) in outcome.designs.iter().enumerate() {
        let (tone, spellings) = standing(n, design);
        sheet.line(tone, &first_that_fits(&spellings, sheet.width()));
    }
    sheet.gap();
    let confidence = outcome.designs.first().map_or(0.95, |design| design.run.run.confidence);
    for row in &outcome.answers {
        let letters = [&row.a, &row.b].map(|name| letter_of(outcome, name));
        let (tone, words) = words(row, &letters, confidence);
        let subject = subject(row);
        if let Some(line) = words.iter().map(|words| format!("{subject}: {words}")).find(|line| {
            // A reason is wrapped and never shortened.
            first_that_fits(std::slice::from_ref(line), sheet.width()) == *line
        }) {
            sheet.line(tone, &line);
        } else if let Some(words) = words.last() {
            sheet.hanging(tone, "", 2, &format!("{subject}: {words}"));
        }
    }
    let failed = outcome.designs.iter().flat_map(|design| &design.run.audit).filter(|row| !row.ok).count();
    if failed > 0 {
        let laws = plural(failed, "law", "laws");
        let words = format!("AUDIT FAILED: {laws} broken, see below; trust no figure here");
        sheet.paragraph(Tone::Bad, "", &words);
    }
}

/// "A" for the first design.
pub(in crate::report) fn letter(n: usize) -> String {
    match u8::try_from(n).ok().filter(|n| *n < 26) {
        Some(n) => char::from(b'A' + n).to_string(),
        None => format!("#{}", n + 1),
    }
}

pub(in crate::report) fn letter_of(outcome: &CompareOutcome, name: &str) -> String {
    outcome.designs.iter().position(|design| design.name == name).map_or_else(|| clean(name), letter)
}

/// How a design fares by itself, longest spelling first.
fn standing(n: usize, design: &DesignOutcome) -> (Tone, Vec<String>) {
    let run = &design.run;
    let (state_tone, state) = state(run.verdict.state);
    let standings = || run.objectives.iter().map(Standing::of);
    let tone = match () {
        () if run.verdict.state != State::Stable => state_tone,
        () if standings().any(|s| s == Standing::Missed) => Tone::Bad,
        () if standings().all(|s| s == Standing::Met) => Tone::Good,
        () => Tone::Caution,
    };
    let carried = run.carried.iops.value.map_or(MISSING.into(), format_per_second);
    let objectives = match objectives(&run.objectives) {
        Some(words) => format!("; {words}"),
        None => String::new(),
    };
    let name = clean(&design.name);
    let tail = format!("{state}, carries {carried}{objectives}");
    let spell = |name: &str, tail: &str| format!("{}  {name}: {tail}", letter(n));
    let spellings = vec![
        spell(&name, &tail),
        spell(&name, &format!("{state}{objectives}")),
        spell(&shorten(&name, 40), &format!("{state}{objectives}")),
        spell(&shorten(&name, 24), &state),
    ];
    (tone, spellings)
}

fn state(state: State) -> (Tone, String) {
    let (tone, words) = match state {
        State::Stable => (Tone::Good, "stable"),
        State::Saturated => (Tone::Bad, "saturated"),
        State::Unsustainable => (Tone::Caution, "unsustainable"),
        State::Undecided => (Tone::Caution, "undecided"),
    };
    (tone, words.into())
}

/// "2 of 3 objectives met"; none without objectives.
fn objectives(rows: &[ObjectiveRow]) -> Option<String> {
    let count = |wanted| rows.iter().filter(|row| Standing::of(row) == wanted).count();
    let met = count(Standing::Met);
    let mut words = match rows.len() {
        0 => return None,
        1 if met == 1 => "the objective is met".to_owned(),
        all if met == all => format!("all {all} objectives met"),
        all => format!("{met} of {} met", plural(all, "objective", "objectives")),
    };
    for standing in [Standing::Close, Standing::Unknown] {
        if count(standing) > 0 {
            words.push_str(&format!(", {} {}", count(standing), standing.words()));
        }
    }
    Some(words)
}

/// "ticketing-db read p99 (morning logons, worst-machine)".
pub(in crate::report) fn subject(row: &DifferenceRow) -> String {
    let percentile = row.percentile.map_or("mean".into(), percentile_name);
    let during = row.during.as_deref().filter(|during| *during != "healthy").map(clean);
    let over = (row.over != "class").then(|| clean(&row.over));
    let circumstances: Vec<String> = during.into_iter().chain(over).collect();
    let circumstances = match circumstances.is_empty() {
        true => String::new(),
        false => format!(" ({})", circumstances.join(", ")),
    };
    format!("{} {} {percentile}{circumstances}", shorten(&clean(&row.class), 40), clean(&row.operation))
}

/// Which is better, by how much, and whether that is certain: longest spelling first.
fn words(row: &DifferenceRow, [a, b]: &[String; 2], confidence: f64) -> (Tone, Vec<String>) {
    let (Some(value), Some(half), Some(told)) = (row.us.value, half_width(&row.us), row.distinguishable)
    else {
        let reason = row.us.reason.as_deref().unwrap_or("no reason was given");
        return (Tone::Caution, vec![format!("{b} against {a}: not known: {reason}")]);
    };
    let of = row.a_us.map_or(String::new(), |us| format!(" ({a}: {})", format_duration_us(us)));
    if row.same {
        let long = format!("{b} is the same as {a}, request for request{of}");
        return (Tone::Plain, vec![long, format!("{b} the same as {a}")]);
    }
    if told {
        let (tone, better) = if value < 0.0 { (Tone::Good, "better") } else { (Tone::Bad, "worse") };
        let by = size(value, half);
        let long = format!("{b} is {better} by {by}{of}: certain at {}", format_stated_percent(confidence));
        return (
            tone,
            vec![long, format!("{b} is {better} by {by}: certain"), format!("{b} {better} by {by}")],
        );
    }
    let most = row.us.low.into_iter().chain(row.us.high).fold(0.0, |most: f64, end| most.max(end.abs()));
    let most = format_duration_us(most);
    let (seen, long, short, last) = match row.longer {
        Some(longer) => {
            let looks = if value < 0.0 { "looks better" } else { "looks worse" };
            let seen = format!("{b} {looks} by {}{of}", size(value, half));
            let times = format!("{} × as long", format_significant(longer));
            let better = looks.trim_start_matches("looks ");
            let last = format!("{b} {better} by {}: not sure; {times}", size(value, half));
            (
                seen,
                format!(": not certain; a run {times} should tell"),
                format!(": not certain; {times}"),
                last,
            )
        }
        None => {
            let seen = format!("{b} and {a} differ by at most {most} either way{of}");
            let long = ": take them as equal; 100 × as long would not tell".to_owned();
            (seen, long, ": take them as equal".into(), format!("{b} equals {a} within {most}"))
        }
    };
    let bare = seen.replace(&of, "");
    let spellings = vec![seen.clone() + &long, bare.clone() + &long, seen + &short, bare + &short, last];
    (Tone::Caution, spellings)
}

/// The size of a difference with its half-width, in microseconds: "13.1 us ± 4.0".
fn size(value: f64, half: f64) -> String {
    let unit = TimeUnit::for_one(value.abs().max(half));
    match format_change(value.abs() / unit.microseconds, half / unit.microseconds) {
        (value, half) if half.is_empty() => format!("{value} {}", unit.symbol),
        (value, half) => format!("{value} {} ± {half}", unit.symbol),
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::outcome::Figure;

    fn row(value: f64, half: f64, longer: Option<f64>) -> DifferenceRow {
        DifferenceRow {
            class: "ticketing-db".into(),
            operation: "read".into(),
            percentile: Some(99.0),
            during: None,
            over: "class".into(),
            a: "a".into(),
            b: "b".into(),
            a_us: Some(218.0),
            b_us: Some(218.0 + value),
            us: Figure::of(value, value - half, value + half),
            distinguishable: Some(value.abs() > half),
            same: value == 0.0 && half == 0.0,
            longer,
        }
    }

    fn first(row: &DifferenceRow) -> String {
        words(row, &["A".into(), "B".into()], 0.95).1[0].clone()
    }

    #[test]
    fn a_difference_says_who_is_better_by_how_much_and_whether_that_is_certain() {
        assert_eq!(
            first(&row(-13.1, 4.0, None)),
            "B is better by 13.1 us ± 4.0 (A: 218 us): certain at 95 %"
        );
        assert_eq!(first(&row(13.1, 4.0, None)), "B is worse by 13.1 us ± 4.0 (A: 218 us): certain at 95 %");
        assert_eq!(
            first(&row(-2.0, 5.0, Some(6.25))),
            "B looks better by 2.0 us ± 5.0 (A: 218 us): not certain; a run 6.25 × as long should tell"
        );
        assert_eq!(
            first(&row(0.3, 5.0, None)),
            "B and A differ by at most 5.30 us either way (A: 218 us): take them as equal; 100 × as long would not tell"
        );
        assert_eq!(first(&row(0.0, 0.0, None)), "B is the same as A, request for request (A: 218 us)");
        let none = DifferenceRow {
            us: Figure::missing("b does not carry its load"),
            distinguishable: None,
            ..row(1.0, 1.0, None)
        };
        assert_eq!(first(&none), "B against A: not known: b does not carry its load");
    }

    #[test]
    fn circumstances_follow_the_subject() {
        let plain = row(1.0, 2.0, None);
        assert_eq!(subject(&plain), "ticketing-db read p99");
        let during = DifferenceRow {
            during: Some("logons".into()),
            over: "worst-machine".into(),
            percentile: None,
            ..plain
        };
        assert_eq!(subject(&during), "ticketing-db read mean (logons, worst-machine)");
    }

    #[test]
    fn letters_go_on_past_the_alphabet() {
        assert_eq!([letter(0), letter(15), letter(26)], ["A", "P", "#27"]);
    }
}
