//! The page to hand over: one HTML file that answers before it explains, and fetches nothing.
//!
//! Sections come in the order in which they are asked about: the answer, the path, the curve, the tail, time, how many
//! machines fit, designs compared, variants, room and wear; then assumptions, cautions and how to make the page again. What
//! was not asked is not there.
//! Behind every chart stands a table of the same figures. All text of the user is escaped (maud does, and nothing goes
//! around it); a content security policy allows this page's own style and script by their hashes, and nothing else.

mod answer;
mod assumptions;
mod chart;
mod compare;
mod curve;
mod fit;
mod path;
mod read;
mod sweep;
mod tail;
mod time;
mod wear;

pub use answer::{compared_lines, first_lines};
pub use compare::section as compared;
pub use curve::side_by_side;
use maud::{DOCTYPE, Markup, PreEscaped, html};

use crate::outcome::{
    CompareOutcome, DefaultRow, Figure, FitOutcome, KneeOutcome, RunOutcome, SweepFindings, WearOutcome,
};

use super::numbers::{MISSING, format_stated_percent};
use super::terminal::CAUTION;
use super::text::shorten;

const STYLE: &str = include_str!("html/style.css");
/// What makes charts answer the pointer and the keyboard.
pub const SCRIPT: &str = include_str!("html/page.js");

/// What was found; what was not asked is not there. Run, knee, fit and wear are of one scenario.
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
    /// Designs side by side.
    pub compare: Option<CompareOutcome>,
    /// Many variants.
    pub sweep: Option<SweepFindings>,
    /// Questions that were not asked or whose answer is not finished, in words.
    pub missing: Vec<String>,
}

/// What each of the findings says of itself.
struct Origin<'f> {
    tool: &'f str,
    /// Of the one scenario that the page is about; none of those that are compared or vary.
    digest: Option<&'f str>,
    title: &'f str,
    seed: Option<u64>,
    confidence: Option<f64>,
    assumptions: &'f [String],
    defaults: &'f [DefaultRow],
    notes: &'f [String],
}

/// Of a finding: all have these fields, and nothing in common beside.
macro_rules! origin {
    ($found:expr, $digest:expr, $confidence:expr) => {
        Origin {
            tool: &$found.tool,
            digest: $digest,
            title: &$found.title,
            seed: Some($found.seed),
            confidence: Some($confidence),
            assumptions: &$found.assumptions,
            defaults: &$found.defaults,
            notes: &$found.notes,
        }
    };
}

impl Findings {
    fn origins(&self) -> Vec<Origin<'_>> {
        let mut origins = Vec::new();
        origins.extend(self.run.iter().map(|f| origin!(f, Some(&f.scenario_digest), f.run.confidence)));
        origins.extend(self.knee.iter().map(|f| origin!(f, Some(&f.scenario_digest), f.confidence)));
        origins.extend(self.fit.iter().map(|f| origin!(f, Some(&f.scenario_digest), f.confidence)));
        origins.extend(self.wear.iter().map(|f| origin!(f, Some(&f.scenario_digest), f.run.confidence)));
        if let Some(compare) = &self.compare {
            let designs = compare.designs.iter().map(|design| &design.run);
            origins.extend(
                designs.map(|run| Origin { tool: &compare.tool, ..origin!(run, None, run.run.confidence) }),
            );
        }
        origins.extend(self.sweep.iter().map(|SweepFindings { listing, .. }| Origin {
            tool: &listing.tool,
            digest: None,
            title: &listing.title,
            seed: None,
            confidence: None,
            assumptions: &[],
            defaults: &[],
            notes: &[],
        }));
        origins
    }
}

/// The page.
///
/// # Errors
/// There are no findings, or they are of unlike scenarios: which, in words.
pub fn page(findings: &Findings) -> Result<String, String> {
    let origins = findings.origins();
    let first = origins.first().ok_or("there is nothing to report")?;
    let is_unlike = |other: &&Origin| {
        other.tool != first.tool || other.digest.is_some_and(|digest| first.digest != Some(digest))
    };
    if let Some(other) = origins.iter().find(is_unlike) {
        let digest = |origin: &Origin| {
            origin.digest.map_or("results".to_owned(), |digest| format!("scenario {digest}"))
        };
        return Err(format!(
            "the results are of unlike scenarios or versions: {} by {}, and {} by {}",
            digest(first),
            first.tool,
            digest(other),
            other.tool
        ));
    }
    let sections: Vec<(&str, &str, Markup)> = [
        ("path", "The path", findings.run.as_ref().and_then(path::section)),
        ("curve", "The curve", findings.knee.as_ref().map(curve::section)),
        ("tail", "The tail", findings.run.as_ref().and_then(tail::section)),
        ("time", "Time", findings.run.as_ref().and_then(time::section)),
        ("fit", "How many machines fit", findings.fit.as_ref().map(fit::section)),
        ("compare", "Designs compared", findings.compare.as_ref().map(compare::section)),
        ("sweep", "Variants", findings.sweep.as_ref().map(sweep::section)),
        ("wear", "Room and wear", findings.wear.as_ref().map(wear::section)),
        ("assumptions", "Assumptions", assumptions::section(&origins)),
        ("cautions", "Cautions", Some(cautions())),
        ("again", "Make it again", Some(again(first, findings))),
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
                "Estimates from a model of the proposed design, not measurements. " (first.tool)
                @if let Some(seed) = first.seed { ", seed " (seed) }
                @if let Some(confidence) = first.confidence {
                    ", intervals at " (format_stated_percent(confidence)) " confidence"
                }
                "."
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
    let mut scripts = vec![SCRIPT];
    scripts.extend(findings.sweep.as_ref().map(|_| sweep::SCRIPT));
    Ok(document(&title, &scripts, "form-action 'none'", &body))
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

/// The longest name that is shown whole, letters.
const LONGEST_TITLE: usize = 160;

/// A title for people: none longer than anybody reads.
fn titled(title: &str) -> String {
    match title.trim() {
        "" => "Untitled scenario".into(),
        title if title.chars().count() > LONGEST_TITLE => {
            title.chars().take(LONGEST_TITLE).chain("…".chars()).collect()
        }
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
    let designs = || findings.compare.iter().flat_map(|found| &found.designs);
    let requests = [
        findings.run.as_ref().map(|o| o.run.requests),
        findings.knee.as_ref().map(|o| o.requests),
        findings.fit.as_ref().map(|o| o.requests),
        Some(designs().map(|design| design.run.run.requests).sum()),
        // Wear measures a run of its own, without faults and phases.
        findings.wear.as_ref().map(|o| o.run.requests),
    ];
    let requests: u64 = requests.into_iter().flatten().sum();
    let is_one = origin.digest.is_some();
    let mut rows = vec![vec!["Version".into(), origin.tool.into()]];
    rows.extend(origin.digest.map(|digest| vec!["Scenario, with its changes".into(), digest.into()]));
    for design in designs() {
        rows.push(vec![format!("Design {}", design.name), design.run.scenario_digest.clone()]);
    }
    rows.extend(origin.seed.map(|seed| vec!["Seed".into(), seed.to_string()]));
    if requests > 0 {
        rows.push(vec!["Requests simulated".into(), super::numbers::format_count(requests)]);
    }
    let commands = [
        is_one.then_some("forebay report SCENARIO.toml --out report.html"),
        findings.compare.as_ref().map(|_| "forebay compare A.toml B.toml --json compare.json"),
        findings.sweep.as_ref().map(|_| "forebay sweep run SWEEP.toml --out STORE.db"),
        (!is_one).then_some("forebay report RESULTS --out report.html"),
    ];
    html! {
        pre { code { (commands.into_iter().flatten().collect::<Vec<_>>().join("\n")) } }
        (table(&["", ""], &rows))
        p.quiet { "The same version, scenario and seed give the same figures, to the last digit." }
    }
}

/// "412 us (398 to 430 us)".
fn with_ends(figure: &Figure, spell: impl Fn(f64) -> String) -> String {
    let value = figure.value.map_or(MISSING.into(), &spell);
    match figure.low.zip(figure.high) {
        Some((low, high)) => format!("{value} ({} to {})", spell(low), spell(high)),
        None => value,
    }
}

/// The longest word of a table that is kept whole, letters.
const LONGEST_WORD: usize = 60;

/// A table: a cell that reads like a figure stands at the right.
fn table(header: &[&str], rows: &[Vec<String>]) -> Markup {
    let is_figure = |text: &str| text == MISSING || text.starts_with(|c: char| c.is_ascii_digit());
    let is_number = |at: usize| {
        rows.iter().all(|row| row.get(at).is_some_and(|cell| is_figure(cell))) && !rows.is_empty()
    };
    let columns = rows.iter().map(Vec::len).max().unwrap_or(0).max(header.len());
    let numbers: Vec<bool> = (0..columns).map(is_number).collect();
    // A word that is too long to be read is cut; a long one is broken, and others are not torn for want of room.
    let longest = |cell: &str| cell.split_whitespace().map(|word| word.chars().count()).max().unwrap_or(0);
    let is_long = |cell: &str| longest(cell) > LONGEST_WORD;
    let cut = |cell: &str| match longest(cell) > LONGEST_TITLE {
        true => shorten(cell, LONGEST_TITLE),
        false => cell.to_owned(),
    };
    let kind = |at: usize, cell: &str| match (numbers[at], is_long(cell)) {
        (true, _) => "n",
        (false, true) => "long",
        (false, false) => "",
    };
    html! {
        div.wide tabindex="0" {
            table {
                @if header.iter().any(|cell| !cell.is_empty()) {
                    thead { tr { @for (at, cell) in header.iter().enumerate() { th scope="col" class=(kind(at, cell)) { (cut(cell)) } } } }
                }
                tbody {
                    @for row in rows {
                        tr {
                            @for (at, cell) in row.iter().enumerate() {
                                @if at == 0 { th scope="row" class=(kind(at, cell)) { (cut(cell)) } }
                                @else { td class=(kind(at, cell)) { (cut(cell)) } }
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
        @if let Some(chart) = &chart { (drawing(name, chart, caption)) } @else { p.quiet { (caption) } }
        details open[chart.is_none()] { summary { "The figures as a table" } (table) }
    }
}

/// A chart with its caption; `name` is that of its picture.
fn drawing(name: &str, chart: &Markup, caption: &str) -> Markup {
    html! {
        figure {
            div.wide { (chart) }
            figcaption { (caption) }
            p.tools {
                button type="button" data-picture=(name) { "Keep as a picture" }
                button type="button" data-whole hidden { "The whole chart" }
            }
        }
    }
}
