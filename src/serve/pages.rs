//! The pages of a folder: what it holds, a sweep file, a store, and a refusal. Texts of the user are escaped by maud.

use maud::{Markup, html};

use crate::outcome::{ListingRow, RoundRow, Standing, SweepListing};
use crate::report::html::{SCRIPT, document};
use crate::report::numbers::{MISSING, format_count, format_significant};
use crate::report::terminal;

use super::folder::{Entry, Kind, Listing, Progress};
use super::jobs::Job;

const FOLLOW: &str = include_str!("serve.js");
/// What pages with forms and parts that follow may do beside: speak with this server.
const POLICY: &str = "form-action 'self'; connect-src 'self'";
/// Rows of a front that are drawn.
const ROWS: usize = 100;

/// A page: a way back, a heading with a line below it, and what is to be told.
pub fn page(title: &str, sub: &Markup, main: &Markup) -> String {
    framed(title, true, sub, main)
}

fn framed(title: &str, has_way_back: bool, sub: &Markup, main: &Markup) -> String {
    let body = html! {
        a.skip href="#main" { "To the content" }
        header {
            @if has_way_back { nav.back aria-label="Way back" { ul { li { a href="/" { "← The folder" } } } } }
            h1 { (title) }
            p.sub { (sub) }
        }
        main id="main" { (main) }
        footer { p.quiet { "Figures are estimates from a model of what was typed: accept on measured results." } }
        div.tip id="tip" role="status" hidden {}
    };
    document(&format!("{title} · forebay"), &[SCRIPT, FOLLOW], POLICY, &body)
}

/// Why a request is not answered, in words.
pub fn refusal(heading: &str, words: &str) -> String {
    page(heading, &html! {}, &html! { p { (words) } })
}

/// The address of a file's page. What is not a plain letter is spelled in hexadecimal (RFC 3986, 2.1).
pub fn address(kind: Kind, name: &str) -> String {
    let spelled = name.bytes().map(|byte| match byte {
        b'a'..=b'z' | b'A'..=b'Z' | b'0'..=b'9' | b'-' | b'_' | b'.' => char::from(byte).to_string(),
        other => format!("%{other:02X}"),
    });
    format!("/{}/{}", kind.word(), spelled.collect::<String>())
}

/// What the folder holds, and what is asked of it.
pub fn index(name: &str, shown: &str, listing: &Listing, jobs: &[std::sync::Arc<Job>]) -> String {
    let of = |kind| listing.entries.iter().filter(move |entry| entry.kind == kind).collect::<Vec<_>>();
    let sections = [
        (Kind::Scenario, "Scenarios", "Open one to read it, change a setting and ask again."),
        (
            Kind::Result,
            "Results",
            "What run, knee, fit, wear, compare and sweep show wrote with --json, each as a page.",
        ),
        (Kind::Store, "Sweeps that were begun", "Counts follow a sweep that is running."),
        (Kind::Sweep, "Sweep files", "What they vary; forebay sweep run asks it."),
    ];
    let is_empty = listing.entries.is_empty() && listing.unread.is_empty();
    let main = html! {
        @if !jobs.is_empty() {
            h2 { "Asked here" }
            ul.rows { @for job in jobs { li { (job_row(job)) } } }
        }
        @if is_empty {
            p { "The folder holds no scenario (" code { ".toml" } "), result (" code { ".json" } ") or store ("
                code { ".db" } "). " code { "forebay new mine.toml" } " writes a scenario to begin with." }
        }
        @for (kind, heading, words) in sections {
            @let entries = of(kind);
            @if !entries.is_empty() {
                h2 { (heading) }
                p.quiet { (words) }
                ul.rows { @for entry in entries { li { (row(entry)) } } }
            }
        }
        @if !listing.unread.is_empty() {
            h2 { "Not read" }
            ul.rows { @for (name, why) in &listing.unread { li { span { (name) } span.quiet { (why) } } } }
        }
        @if listing.more > 0 { p.quiet { "and " (format_count(listing.more as u64)) " more files" } }
    };
    let place = if shown == "." { "this folder" } else { shown };
    framed(name, false, &html! { "Scenarios, results and sweeps in " (place) ", as it is now." }, &main)
}

fn row(entry: &Entry) -> Markup {
    let link = address(entry.kind, &entry.name);
    html! {
        a href=(link) { (entry.name) }
        @match &entry.about {
            Ok([title, words]) if entry.kind == Kind::Store => {
                span data-poll=(format!("{link}/state")) { (title) ": " span data-words { (words) } " " em data-growth {} }
            }
            Ok([title, words]) => span { @if !title.is_empty() { (title) " " } span.quiet { (words) } },
            Err(why) => span.fault { "✗ " (why) },
        }
    }
}

fn job_row(job: &Job) -> Markup {
    let standing = job.standing();
    html! {
        a href=(format!("/job/{}", job.number)) { (job.number) ": " (job.asked.scenario) }
        span {
            @for line in job.asked.sets.lines().filter(|line| !line.trim().is_empty()) { code { (line.trim()) } " " }
            @if standing.is_end() { span.quiet { (standing.word()) } }
            @else { em data-poll=(format!("/job/{}/state", job.number)) { (standing.word()) } }
        }
    }
}

/// A sweep file: what it says, and how to run it.
pub fn sweep(name: &str, text: &str, about: &Result<String, String>) -> String {
    let main = html! {
        @match about {
            Ok(words) => p { (words) },
            Err(mistakes) => { h2 { "Mistakes" } pre { (mistakes) } },
        }
        @if about.is_ok() {
            p { "Started in this folder, each point is in the store as soon as it is finished, and the store is followed here:" }
            pre { "forebay sweep run " (name) }
        }
        h2 { "What the file says" }
        pre { (text) }
    };
    page(name, &html! { "A sweep: many variants of a scenario." }, &main)
}

/// What a store's page tells of it.
pub struct StorePage<'a> {
    /// Its file name.
    pub name: &'a str,
    /// The sweep's title.
    pub title: &'a str,
    /// How far it is.
    pub progress: Progress,
    /// What each round asked; empty without a budget.
    pub rounds: &'a [RoundRow],
    /// What nothing beats, or why that cannot be told.
    pub front: &'a Result<SweepListing, String>,
}

/// A store: how far its sweep is and what is best so far.
pub fn store(store: &StorePage) -> String {
    let link = address(Kind::Store, store.name);
    let main = html! {
        p.state role="status" data-poll=(format!("{link}/state")) data-front=(format!("{link}/front"))
            data-drawn=(store.progress.asked) {
            strong data-words { (store.progress.in_words()) } " " em data-growth {}
        }
        div id="front" { (front(store.front)) }
        @if store.rounds.iter().any(|row| row.round.is_some()) {
            h2 { "What each round asked" }
            ul {
                @for RoundRow { round, points, requests } in store.rounds {
                    li {
                        @match round { Some(round) => { "round " (round) }, None => "as the scenario says" }
                        ": " (format_count(*points)) " points, " (format_count(*requests)) " requests"
                    }
                }
            }
        }
        p { a href=(format!("{link}/all")) { "All points, drawn" } ", to be filtered and chosen" }
        p.quiet { code { "forebay sweep show " (store.name) } " chooses and orders points; "
            code { "forebay sweep export" } " writes all of them." }
    };
    page(store.name, &html! { (store.title) }, &main)
}

/// The points that nothing surely beats, or all of them where nothing is sought.
pub fn front(listing: &Result<SweepListing, String>) -> Markup {
    let listing = match listing {
        Ok(listing) => listing,
        Err(why) => return html! { p.fault { "✗ " (why) } },
    };
    let seeks = !listing.front.is_empty();
    let left =
        |row: &&ListingRow| !seeks || row.standing.is_some_and(|standing| standing != Standing::Beaten);
    let rows: Vec<&ListingRow> = listing.rows.iter().filter(left).collect();
    let Some(first) = rows.first() else { return html! { p { "No point is finished yet." } } };
    let caution = terminal::part_of_all(listing).filter(|_| seeks);
    let value = |value: Option<f64>| value.map_or(MISSING.into(), format_significant);
    let failed = |row: &ListingRow| row.error.as_ref().map(|why| format!("failed: {why}"));
    html! {
        h2 { @if seeks { "The best so far" } @else { "Points so far" } }
        @if let Some(caution) = caution { p { strong { (caution) } } }
        @if seeks { p.quiet { "Sought: " (listing.front.join(", ")) ". No other point surely beats these; “perhaps” where intervals leave that open." } }
        div.wide tabindex="0" {
            table {
                thead { tr {
                    th.n scope="col" { "point" }
                    @for (path, _) in &first.sets { th scope="col" { (path) } }
                    @if seeks { th scope="col" { "on the front" } }
                    @for figure in &first.figures { th.n scope="col" { (figure.name) } }
                } }
                tbody {
                    @for row in rows.iter().take(ROWS) {
                        tr {
                            th.n scope="row" { (row.number) }
                            @for (_, value) in &row.sets { td { (value.trim_matches('"')) } }
                            @if seeks { td { (row.standing.map_or(MISSING, Standing::word)) } }
                            @if let Some(why) = failed(row) { td colspan=(first.figures.len()) { (why) } }
                            @else { @for figure in &row.figures { td.n { (value(figure.value)) } } }
                        }
                    }
                }
            }
        }
        @if rows.len() > ROWS { p.quiet { "and " (format_count((rows.len() - ROWS) as u64)) " more" } }
    }
}
