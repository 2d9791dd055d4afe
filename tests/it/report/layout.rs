//! The terminal's page whatever it holds: never too wide, and colour only decorates.

use forebay::outcome::RunOutcome;
use forebay::report::terminal::{self, Style};
use proptest::prelude::*;
use proptest::test_runner::RngSeed;

use super::{fixtures, plain};

/// Columns of a line, counted apart from the code under test; right for the letters used in this file
/// (East Asian Width, Unicode Standard Annex 11).
fn columns(line: &str) -> usize {
    let width = |c: char| match c {
        '\u{0300}'..='\u{036F}' => 0,
        '\u{1100}'..='\u{115F}'
        | '\u{2E80}'..='\u{A4CF}'
        | '\u{AC00}'..='\u{D7A3}'
        | '\u{FF00}'..='\u{FF60}' => 2,
        _ => 1,
    };
    line.chars().map(width).sum()
}

/// `text` without SGR escapes.
fn without_escapes(text: &str) -> String {
    let mut pieces = text.split("\x1b[");
    let mut kept = pieces.next().unwrap_or_default().to_owned();
    for piece in pieces {
        let (_, rest) = piece.split_once('m').expect("every escape ends in m");
        kept.push_str(rest);
    }
    kept
}

/// Columns of the widest line.
fn widest(text: &str) -> usize {
    text.lines().map(columns).max().unwrap_or(0)
}

/// A fixed seed: what fails here fails everywhere.
fn same_cases_each_time() -> ProptestConfig {
    let rng_seed = RngSeed::Fixed(0x5EED_0060);
    ProptestConfig { cases: 96, failure_persistence: None, rng_seed, ..ProptestConfig::default() }
}

proptest! {
    #![proptest_config(same_cases_each_time())]

    #[test]
    fn no_line_is_wider_than_the_terminal(
        width in 60usize..=200,
        class in "[a-zé駅ß ,\u{301}\u{7}-]{0,60}",
        member in "[a-z改 0-9]{0,40}",
        reason in "[a-z務]{0,150}",
        scale in prop::sample::select(vec![1e-9, 1e-3, 1.0, 1e6, 1e14]),
    ) {
        for (name, mut outcome) in fixtures::all() {
            rename(&mut outcome, &class, &member, &reason);
            enlarge(&mut outcome, scale);
            let text = terminal::run(&outcome, &plain(width));
            prop_assert!(widest(&text) <= width, "{} columns of {width} in {name}:\n{text}", widest(&text));
            // The answer stays where it is looked for.
            let state = text.lines().next().unwrap_or_default();
            prop_assert!(state.starts_with("Stable:") || state.starts_with("Saturated:"), "{state}");
            prop_assert!(text.lines().nth(2).unwrap_or_default().starts_with("Binding:"), "{text}");
        }
        let mut compared = fixtures::compared();
        for row in compared.differences.iter_mut().chain(&mut compared.answers) {
            row.class = class.clone();
            row.during = Some(reason.clone());
            row.us.value = row.us.value.map(|value| value * scale);
            row.us.low = row.us.low.map(|low| low * scale);
            row.us.high = row.us.high.map(|high| high * scale);
            row.a_us = row.a_us.map(|us| us * scale);
            row.us.reason = row.us.value.is_none().then(|| reason.clone());
        }
        compared.other.iter_mut().for_each(|row| row.a_value = row.a_value.map(|value| value * scale));
        for design in &mut compared.designs {
            rename(&mut design.run, &class, &member, &reason);
            enlarge(&mut design.run, scale);
        }
        compared.notes.push(reason.clone());
        let text = terminal::compare(&compared, &plain(width));
        prop_assert!(widest(&text) <= width, "{} columns of {width}:\n{text}", widest(&text));
        prop_assert!(text.starts_with("A  "), "{text}");
        let mut verified = fixtures::verified(true);
        for check in &mut verified.checks {
            check.id = class.clone();
            check.what = reason.clone();
            check.expected *= scale;
        }
        let text = terminal::verify(&verified, &plain(width));
        prop_assert!(widest(&text) <= width, "{} columns of {width}:\n{text}", widest(&text));
    }

    #[test]
    fn colour_only_decorates(width in 60usize..=200, class in "[a-zé駅\u{1b}\\[0-9m]{0,40}") {
        for (name, mut outcome) in fixtures::all() {
            rename(&mut outcome, &class, "drive 3", "because");
            let uncoloured = terminal::run(&outcome, &plain(width));
            let coloured = terminal::run(&outcome, &Style { width, color: true });
            prop_assert!(coloured.contains("\x1b["), "{name} has no colour");
            prop_assert!(!uncoloured.contains('\x1b'), "{name} has an escape");
            prop_assert_eq!(without_escapes(&coloured), uncoloured);
        }
        let compared = fixtures::compared();
        let coloured = terminal::compare(&compared, &Style { width, color: true });
        prop_assert_eq!(without_escapes(&coloured), terminal::compare(&compared, &plain(width)));
        let verified = fixtures::verified(true);
        let coloured = terminal::verify(&verified, &Style { width, color: true });
        prop_assert_eq!(without_escapes(&coloured), terminal::verify(&verified, &plain(width)));
    }
}

fn rename(outcome: &mut RunOutcome, class: &str, member: &str, reason: &str) {
    outcome.classes.iter_mut().for_each(|row| row.name = class.into());
    outcome.blame.iter_mut().for_each(|row| row.class = class.into());
    outcome.objectives.iter_mut().for_each(|row| row.class = class.into());
    outcome.stations.iter_mut().for_each(|row| row.name = format!("drives.{class}"));
    outcome
        .stations
        .iter_mut()
        .filter_map(|row| row.busiest.as_mut())
        .for_each(|row| row.name = member.into());
    outcome.verdict.binding = outcome.stations.first().map(|row| row.name.clone());
    outcome.verdict.reason = Some(reason.into());
    outcome.verdict.static_binding = Some(class.into());
    outcome.title = class.into();
    outcome.notes.push(reason.into());
}

fn enlarge(outcome: &mut RunOutcome, scale: f64) {
    let figures = outcome.classes.iter_mut().flat_map(|row| row.latency_us.values_mut());
    let figures = figures.chain(outcome.objectives.iter_mut().map(|row| &mut row.value_us));
    for part in figures.flat_map(|figure| [&mut figure.value, &mut figure.low, &mut figure.high]) {
        *part = part.map(|value| value * scale);
    }
    outcome.stations.iter_mut().for_each(|row| row.mean_wait_us *= scale);
    outcome.stations.iter_mut().for_each(|row| row.arrivals_per_s *= scale);
    outcome.carried.iops.value = outcome.carried.iops.value.map(|value| value * scale);
}
