//! The answer: the first lines of what the terminal says, each finding under a word that says what it is about.

use maud::{Markup, html};

use crate::outcome::{CompareOutcome, FitCase, FitOutcome, KneeOutcome, WearOutcome};
use crate::report::numbers::format_bytes;
use crate::report::sheet::Tone;
use crate::report::terminal;

use super::fit::promised;
use super::{Findings, sweep};

pub(super) fn section(findings: &Findings) -> Markup {
    let answers = [
        ("Does it carry the load?", findings.run.as_ref().map(terminal::run_answer)),
        ("How many machines fit?", findings.fit.as_ref().map(fit)),
        ("How far does it go, and what gives way?", findings.knee.as_ref().map(terminal::knee_answer)),
        ("How long does it last, and how safe is it?", findings.wear.as_ref().map(wear)),
        ("Which design is better?", findings.compare.as_ref().map(terminal::compare_answer)),
        ("Which variants are worth it?", findings.sweep.as_ref().map(sweep::answer)),
    ];
    let missing: Vec<(Tone, String)> =
        findings.missing.iter().map(|words| (Tone::Caution, words.clone())).collect();
    html! {
        @if !missing.is_empty() { (list(&missing)) }
        div.answers {
            @for (about, lines) in answers.iter().filter_map(|(about, lines)| Some((about, lines.as_ref()?))) {
                section {
                    h2 { (about) }
                    (list(lines))
                }
            }
        }
    }
}

/// First lines of a load curve, for a page that shows several.
pub fn first_lines(knee: &KneeOutcome) -> Markup {
    list(&terminal::knee_answer(knee))
}

/// The differences of a comparison in words.
pub fn compared_lines(compare: &CompareOutcome) -> Markup {
    list(&terminal::compare_answer(compare))
}

fn list(lines: &[(Tone, String)]) -> Markup {
    html! { ul { @for (tone, line) in lines { li class=(class(*tone)) { (sign(*tone)) (line) } } } }
}

fn class(tone: Tone) -> &'static str {
    match tone {
        Tone::Good => "good",
        Tone::Bad => "bad",
        Tone::Caution => "watch",
        Tone::Plain | Tone::Strong | Tone::Quiet => "",
    }
}

/// What the colour says, for those who do not see it.
fn sign(tone: Tone) -> &'static str {
    match tone {
        Tone::Good => "✓ ",
        Tone::Bad => "✗ ",
        Tone::Caution => "! ",
        Tone::Plain | Tone::Strong | Tone::Quiet => "",
    }
}

/// What the terminal says first, and the numbers of machines healthy and in the worst case.
fn fit(outcome: &FitOutcome) -> Vec<(Tone, String)> {
    let mut lines = terminal::fit_answer(outcome);
    let worst = outcome.faults.iter().filter(|case| case.machines.value.is_some()).min_by(|a, b| {
        let machines = |case: &FitCase| case.machines.value.unwrap_or(f64::INFINITY);
        machines(a).total_cmp(&machines(b))
    });
    if let Some(worst) = worst {
        let words =
            format!("Healthy: {}; with {}: {}", promised(&outcome.healthy), worst.name, promised(worst));
        lines.insert(1.min(lines.len()), (Tone::Plain, words));
    }
    lines
}

/// What the terminal says first, and the capacity.
fn wear(outcome: &WearOutcome) -> Vec<(Tone, String)> {
    let mut lines = terminal::wear_answer(outcome);
    lines.extend(capacity(outcome).map(|words| (Tone::Plain, words)));
    lines
}

fn capacity(outcome: &WearOutcome) -> Option<String> {
    let (usable, effective) = (outcome.usable_bytes?, outcome.effective_bytes?);
    let drawn = outcome.results.iter().find(|row| row.what == "effective_bytes").map(|row| &row.value);
    let range = drawn.and_then(|figure| figure.low.zip(figure.high)).filter(|(low, high)| low < high);
    let sure = match range {
        Some((low, high)) => format!(" ({} to {})", format_bytes(low), format_bytes(high)),
        None => ", by arithmetic from the reduction that is stated".into(),
    };
    Some(format!("Capacity: usable {}, effective {}{sure}", format_bytes(usable), format_bytes(effective)))
}
