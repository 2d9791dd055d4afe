//! The answer: the first lines of what the terminal says, each finding under a word that says what it is about.

use maud::{Markup, html};

use crate::outcome::KneeOutcome;
use crate::report::sheet::Tone;
use crate::report::terminal;

use super::Findings;

pub(super) fn section(findings: &Findings) -> Markup {
    let answers = [
        ("Does it carry the load?", findings.run.as_ref().map(terminal::run_answer)),
        ("How many machines fit?", findings.fit.as_ref().map(terminal::fit_answer)),
        ("How far does it go, and what gives way?", findings.knee.as_ref().map(terminal::knee_answer)),
        ("How long does it last, and how safe is it?", findings.wear.as_ref().map(terminal::wear_answer)),
    ];
    html! {
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
