//! The page to hand over: one HTML file that answers before it explains, and fetches nothing.
//!
//! Sections come in the order in which they are asked about: the answer, the path, the curve, the tail, time, how many
//! machines fit, wear and room; then assumptions, cautions and how to make the page again. What was not asked is not there.
//! Behind every chart stands a table of the same figures. All text of the user is escaped (maud does, and nothing goes
//! around it); a content security policy allows this page's own style and script by their hashes, and nothing else.

mod answer;
mod assumptions;
mod chart;
mod curve;
mod drawing;
mod fit;
mod tail;
mod time;
mod wear;

pub use curve::side_by_side;
use maud::{DOCTYPE, Markup, PreEscaped, html};

use crate::outcome::{DefaultRow, Figure, FitOutcome, KneeOutcome, RunOutcome, WearOutcome};

use super::numbers::{MISSING, format_significant};
use super::terminal::CAUTION;

const STYLE: &str = include_str!("html/style.css");
/// What makes charts answer the pointer and the keyboard.
pub const SCRIPT: &str = include_str!("html/page.js");

/// What was found, of one scenario; what was not asked is not there.
#[derive(Clone, Debug, Default)]
pub struct Findings {
    /// Its stated load.
    pub run: Option<RunOutcome>,
    /// Its curve.
    pub knee: Option<KneeOutcome>,
    /// Machines that fit.
    pub fit: Option<FitOutcome>,
    /// Room, wear, risk, price.
    pub wear: Option<WearOutcome>,
}

/// What each of the findings says of itself.
struct Origin<'f> {
    tool: &'f str,
    digest: &'f str,
    title: &'f str,
    seed: u64,
    confidence: f64,
    assumptions: &'f [String],
    defaults: &'f [DefaultRow],
    notes: &'f [String],
}

/// Of a finding: all have these fields, and nothing in common beside.
macro_rules! origin {
    ($found:expr, $confidence:expr) => {
        Origin {
            tool: &$found.tool,
            digest: &$found.scenario_digest,
            title: &$found.title,
            seed: $found.seed,
            confidence: $confidence,
            assumptions: &$found.assumptions,
            defaults: &$found.defaults,
            notes: &$found.notes,
        }
    };
}

impl Findings {
    fn origins(&self) -> Vec<Origin<'_>> {
        let run = self.run.as_ref().map(|found| origin!(found, found.run.confidence));
        let knee = self.knee.as_ref().map(|found| origin!(found, found.confidence));
        let fit = self.fit.as_ref().map(|found| origin!(found, found.confidence));
        let wear = self.wear.as_ref().map(|found| origin!(found, found.run.confidence));
        [run, knee, fit, wear].into_iter().flatten().collect()
    }
}

/// The page.
///
/// # Errors
/// There are no findings, or they are of unlike scenarios: which, in words.
pub fn page(findings: &Findings) -> Result<String, String> {
    let origins = findings.origins();
    let first = origins.first().ok_or("there is nothing to report")?;
    if let Some(other) = origins.iter().find(|other| other.digest != first.digest || other.tool != first.tool)
    {
        return Err(format!(
            "the results are of unlike scenarios or versions: {} by {}, and {} by {}",
            first.digest, first.tool, other.digest, other.tool
        ));
    }
    let sections: Vec<(&str, &str, Markup)> = [
        ("path", "The path", findings.run.as_ref().and_then(drawing::section)),
        ("curve", "The curve", findings.knee.as_ref().map(curve::section)),
        ("tail", "The tail", findings.run.as_ref().and_then(tail::section)),
        ("time", "Time", findings.run.as_ref().and_then(time::section)),
        ("fit", "How many machines fit", findings.fit.as_ref().map(fit::section)),
        ("wear", "Room and wear", findings.wear.as_ref().map(wear::section)),
        ("assumptions", "Assumptions", assumptions::section(&origins)),
        ("cautions", "Cautions", Some(cautions())),
        ("again", "How to make this page again", Some(again(first, findings))),
    ]
    .into_iter()
    .filter_map(|(id, heading, section)| Some((id, heading, section?)))
    .collect();
    let title = titled(first.title);
    let body = html! {
        a.skip href="#answer" { "To the answer" }
        header {
            h1 { (title) }
            p.sub {
                "Estimates from a model of the proposed design, not measurements. " (first.tool) ", seed " (first.seed)
                ", intervals at " (format_significant(first.confidence * 100.0)) " % confidence."
            }
            nav aria-label="Sections" {
                ul {
                    li { a href="#answer" { "The answer" } }
                    @for (id, heading, _) in &sections { li { a href=(format!("#{id}")) { (heading) } } }
                }
            }
        }
        main {
            section id="answer" aria-label="The answer" { (answer::section(findings)) }
            @for (id, heading, section) in &sections {
                section id=(id) aria-labelledby=(format!("{id}-heading")) {
                    h2 id=(format!("{id}-heading")) { (heading) }
                    (section)
                }
            }
        }
        footer { p.quiet { (CAUTION) } }
        div.tip id="tip" role="status" hidden {}
    };
    Ok(document(&title, &[SCRIPT], "form-action 'none'", &body))
}

/// Page after page has this frame: the style, these scripts and `body`, and a policy that allows nothing else but what `more`
/// adds to it ("form-action 'none'").
pub fn document(title: &str, scripts: &[&str], more: &str, body: &Markup) -> String {
    let hashes: Vec<String> = scripts.iter().map(|script| format!("'{}'", hash(script))).collect();
    let policy = format!(
        "default-src 'none'; style-src '{}'; script-src {}; img-src data:; base-uri 'none'; {more}",
        hash(STYLE),
        hashes.join(" ")
    );
    let page = html! {
        (DOCTYPE)
        html lang="en" {
            head {
                meta charset="utf-8";
                meta http-equiv="Content-Security-Policy" content=(policy);
                meta name="viewport" content="width=device-width, initial-scale=1";
                meta name="referrer" content="no-referrer";
                title { (title) }
                link rel="icon" href="data:,";
                style { (PreEscaped(STYLE)) }
            }
            body { (body) @for script in scripts { script { (PreEscaped(*script)) } } }
        }
    };
    page.into_string()
}

/// A title for people: none longer than anybody reads.
fn titled(title: &str) -> String {
    const LONGEST: usize = 160;
    match title.trim() {
        "" => "Untitled scenario".into(),
        title if title.chars().count() > LONGEST => title.chars().take(LONGEST).chain("…".chars()).collect(),
        title => title.into(),
    }
}

/// As a content security policy names it (CSP Level 3, W3C).
fn hash(text: &str) -> String {
    use base64::Engine;
    use sha2::Digest;
    format!("sha256-{}", base64::engine::general_purpose::STANDARD.encode(sha2::Sha256::digest(text)))
}

fn cautions() -> Markup {
    html! {
        ul {
            li { "Every figure here is an estimate from a model. Accept a system on results measured on it." }
            li { "Keep backups: protection against lost drives is not a backup." }
            li { "Follow the maker's and the site's rules; where they differ from this page, they hold." }
            li { "An interval tells how far chance in the simulation reaches, not how well the model fits the world." }
        }
    }
}

fn again(origin: &Origin, findings: &Findings) -> Markup {
    let requests = [
        findings.run.as_ref().map(|o| o.run.requests),
        findings.knee.as_ref().map(|o| o.requests),
        findings.fit.as_ref().map(|o| o.requests),
        // Wear measures a run of its own, without faults and phases.
        findings.wear.as_ref().map(|o| o.run.requests),
    ];
    let requests: u64 = requests.into_iter().flatten().sum();
    html! {
        pre { code { "forebay report SCENARIO.toml --out report.html" } }
        (table(&["", ""], &[
            vec!["Version".into(), origin.tool.into()],
            vec!["Scenario, with its changes".into(), origin.digest.into()],
            vec!["Seed".into(), origin.seed.to_string()],
            vec!["Requests simulated".into(), super::numbers::format_count(requests)],
        ]))
        p.quiet { "The same version, scenario and seed give the same figures, to the last digit." }
    }
}

/// "412 us (398 to 430 us)".
fn with_ends(figure: &Figure, spell: fn(f64) -> String) -> String {
    let value = figure.value.map_or(MISSING.into(), spell);
    match figure.low.zip(figure.high) {
        Some((low, high)) => format!("{value} ({} to {})", spell(low), spell(high)),
        None => value,
    }
}

/// A table: a cell that reads like a figure stands at the right.
fn table(header: &[&str], rows: &[Vec<String>]) -> Markup {
    let is_figure = |text: &str| text == MISSING || text.starts_with(|c: char| c.is_ascii_digit());
    let is_number = |at: usize| {
        rows.iter().all(|row| row.get(at).is_some_and(|cell| is_figure(cell))) && !rows.is_empty()
    };
    let kind = |at: usize| if is_number(at) { "n" } else { "" };
    html! {
        div.wide tabindex="0" {
            table {
                @if header.iter().any(|cell| !cell.is_empty()) {
                    thead { tr { @for (at, cell) in header.iter().enumerate() { th scope="col" class=(kind(at)) { (cell) } } } }
                }
                tbody {
                    @for row in rows {
                        tr {
                            @for (at, cell) in row.iter().enumerate() {
                                @if at == 0 { th scope="row" class=(kind(at)) { (cell) } }
                                @else { td class=(kind(at)) { (cell) } }
                            }
                        }
                    }
                }
            }
        }
    }
}

/// A chart with its caption, and the table of its figures behind it.
fn figure(name: &str, chart: Option<Markup>, caption: &str, table: &Markup) -> Markup {
    html! {
        figure {
            @if let Some(chart) = &chart { div.wide { (chart) } }
            figcaption { (caption) }
            @if chart.is_some() { button type="button" data-picture=(name) { "Keep as a picture" } }
            details open[chart.is_none()] { summary { "The figures as a table" } (table) }
        }
    }
}
