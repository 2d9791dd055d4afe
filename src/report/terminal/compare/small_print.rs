//! The small print of `compare`: how it was measured, audits, notes, what was assumed of which design.

use crate::outcome::CompareOutcome;
use crate::report::numbers::{format_count, format_percent, format_span_us, format_stated_percent};
use crate::report::sheet::{Sheet, Tone};
use crate::report::terminal::footer::CAUTION;
use crate::report::text::{clean, plural};

use super::letter;

/// Adds all of the small print.
pub(in crate::report::terminal) fn facts(sheet: &mut Sheet, outcome: &CompareOutcome) {
    sheet.heading("The runs");
    measured(sheet, outcome);
    audit(sheet, outcome);
    sheet.paragraph(Tone::Plain, " Made by: ", &clean(&outcome.tool));
    let notes = by_design(outcome, |n| &outcome.designs[n].run.notes);
    if !outcome.notes.is_empty() || !notes.is_empty() {
        sheet.heading("Notes");
        outcome.notes.iter().for_each(|note| sheet.paragraph(Tone::Caution, " - ", note));
        notes.iter().for_each(|note| sheet.paragraph(Tone::Plain, " - ", note));
    }
    let assumed = by_design(outcome, |n| &outcome.designs[n].run.assumptions);
    if !assumed.is_empty() {
        sheet.heading("Assumed (of all designs where no letter stands before it)");
        assumed.iter().for_each(|line| sheet.paragraph(Tone::Plain, " - ", line));
    }
    sheet.gap();
    sheet.paragraph(Tone::Quiet, "", "`forebay run` shows stations, blame and bytes of one design.");
    sheet.paragraph(Tone::Quiet, "", CAUTION);
}

fn measured(sheet: &mut Sheet, outcome: &CompareOutcome) {
    let Some(first) = outcome.designs.first() else { return };
    let run = &first.run.run;
    let warm_up = match run.warm_up_s {
        0.0 => "no warm-up".into(),
        seconds => format!("{} of warm-up", format_span_us(seconds * 1e6)),
    };
    let counts: Vec<String> = outcome.designs.iter().map(|d| format_count(d.run.run.requests)).collect();
    let is_one_count = counts.iter().all(|count| *count == counts[0]);
    let requests = match is_one_count {
        true => format!("{} requests each", counts[0]),
        false => format!("{} requests", counts.join(", ")),
    };
    let spans: Vec<String> =
        outcome.designs.iter().map(|d| format_span_us(d.run.run.length_s * 1e6)).collect();
    let span = match spans.iter().all(|span| *span == spans[0]) {
        true => spans[0].clone(),
        false => spans.join(", "),
    };
    let words = format!(
        "seed {} for all; {span} after {warm_up}, in {}; {requests}",
        first.run.seed,
        plural(run.replications as usize, "replication", "replications"),
    );
    sheet.paragraph(Tone::Plain, " Traffic: ", &words);
    let confidence = format_stated_percent(run.confidence);
    let missed: Vec<String> = (0..outcome.designs.len())
        .filter(|n| !outcome.designs[*n].run.run.precision_met)
        .map(letter)
        .collect();
    let reached = match missed.len() {
        0 => "reached".into(),
        _ => format!("not reached by {}", missed.join(", ")),
    };
    let words = format!("± {} wanted of each design: {reached}", format_stated_percent(run.precision));
    let tone = if missed.is_empty() { Tone::Plain } else { Tone::Caution };
    sheet.paragraph(tone, " Precision: ", &words);
    let words = format!(
        "each at {confidence} by itself: of a hundred differences that are none, {:.0} are expected to look certain",
        100.0 * (1.0 - run.confidence)
    );
    sheet.paragraph(Tone::Plain, " Intervals: ", &words);
}

fn audit(sheet: &mut Sheet, outcome: &CompareOutcome) {
    let mut held = Vec::new();
    for (n, design) in outcome.designs.iter().enumerate() {
        let (sound, broken): (Vec<_>, Vec<_>) = design.run.audit.iter().partition(|row| row.ok);
        held.push(format!("{} {}", letter(n), sound.len()));
        for row in broken {
            let words = format!(
                "{}: {} at {}: off by {}, {} allowed",
                letter(n),
                clean(&row.law),
                clean(&row.station),
                format_percent(row.error),
                format_percent(row.allowed)
            );
            sheet.paragraph(Tone::Bad, " BROKEN: ", &words);
        }
    }
    sheet.paragraph(Tone::Plain, " Audit: ", &format!("laws held: {}", held.join(", ")));
}

/// Lines of all designs, each once, behind the letters of those that have it; without letters where all have.
fn by_design<'o>(outcome: &'o CompareOutcome, lines: impl Fn(usize) -> &'o Vec<String>) -> Vec<String> {
    let mut found: Vec<(&str, Vec<usize>)> = Vec::new();
    for n in 0..outcome.designs.len() {
        for line in lines(n) {
            match found.iter_mut().find(|(known, _)| known == line) {
                Some((_, who)) if who.contains(&n) => {}
                Some((_, who)) => who.push(n),
                None => found.push((line, vec![n])),
            }
        }
    }
    let spell = |(line, who): (&str, Vec<usize>)| match who.len() == outcome.designs.len() {
        true => line.to_owned(),
        false => format!("{}: {line}", who.into_iter().map(letter).collect::<Vec<_>>().join(", ")),
    };
    found.into_iter().map(spell).collect()
}
