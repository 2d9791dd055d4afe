//! A sweep: every point in the plane of two figures, by its values in small panels, chosen by filters and one by one.
//!
//! The page is drawn whole; its data go with it, as JSON that a script of its own filters, draws anew and reads a point's
//! scenario from.

mod data;
mod shown;

use maud::{Markup, PreEscaped, html};

use crate::outcome::{Figure, KeptFigure, ListingRow, Standing, SweepFindings, SweepListing};
use crate::report::numbers::{MISSING, format_count};
use crate::report::sheet::Tone;
use crate::report::terminal;
use crate::report::text::{plural, shorten};

use super::chart::{cloud, panels};
use super::{drawing, table, with_ends};
use data::data;
use shown::{Plane, Shown, goal_of, spell};

pub(super) const SCRIPT: &str = include_str!("sweep.js");

/// Rows of the table behind the chart.
const ROWS_MAX: usize = 150;
/// Values of a key that can be told apart in panels and filters.
const VALUES_MAX: usize = 12;

/// First lines: how many points, and the best of each figure that is sought.
pub(super) fn answer(findings: &SweepFindings) -> Vec<(Tone, String)> {
    let listing = &findings.listing;
    let count = |wanted| listing.rows.iter().filter(|row| row.standing == Some(wanted)).count();
    let finished = format!(
        "{} of {} variants were simulated",
        format_count(listing.finished),
        format_count(listing.variants)
    );
    let failed = match listing.failed {
        0 => String::new(),
        failed => format!("; {} have no answer", format_count(failed)),
    };
    if listing.front.is_empty() {
        return vec![(Tone::Strong, finished + &failed)];
    }
    let (front, open) = (count(Standing::Front), count(Standing::Perhaps));
    let open = match open {
        0 => String::new(),
        open => format!(", of {} more it is open", format_count(open as u64)),
    };
    let mut lines = Vec::new();
    // What qualifies a front is said before it.
    if let Some(caution) = terminal::part_of_all(listing) {
        lines.push((Tone::Caution, format!("{finished}{failed}: {caution}")));
    }
    let is_whole = lines.is_empty();
    lines.push((
        Tone::Strong,
        format!(
            "{} that nothing surely beats in {}{open}",
            plural(front, "variant", "variants"),
            listing.front.join(", ")
        ),
    ));
    lines.extend(is_whole.then(|| (Tone::Plain, finished + &failed)));
    for goal in &listing.front {
        let Some((more, name)) = goal_of(goal) else { continue };
        let figure =
            |row: &&ListingRow| row.figures.iter().find(|figure| figure.name == name).and_then(|f| f.value);
        let known =
            || listing.rows.iter().filter(|row| row.error.is_none()).filter(|row| figure(row).is_some());
        let by =
            |a: &&ListingRow, b: &&ListingRow| figure(a).unwrap_or(0.0).total_cmp(&figure(b).unwrap_or(0.0));
        let best = if more { known().max_by(by) } else { known().min_by(by) };
        if let Some((best, value)) = best.and_then(|best| Some((best, figure(&best)?))) {
            lines.push((Tone::Plain, format!("{goal}: {} at point {}", spell(name).of(value), best.number)));
        }
    }
    lines
}

pub(super) fn section(findings: &SweepFindings) -> Markup {
    let listing = &findings.listing;
    let shown = Shown::of(listing);
    let missing = listing.rows.iter().filter(|row| row.error.is_none()).count() - shown.rows.len();
    let all = shown.rows.len();
    html! {
        p {
            (plural(all, "point", "points"))
            @if missing > 0 {
                "; " (format_count(missing as u64)) " more, beaten ones all, are in the store and not on this page"
            }
            "."
            @if !listing.front.is_empty() { " Sought: " (listing.front.join(", ")) "." }
        }
        @if let Some(plane) = shown.plane() {
            (choices(&shown, plane))
            @let summary = "Points in the plane of two figures; the table below has those that matter most";
            (drawing("sweep", &cloud(&shown.cloud(plane, summary, |_| true)), caption(listing)))
            div.point id="chosen" aria-live="polite" {
                p.quiet { "Choose a point: click it, or go there with the arrow keys and press Enter." }
            }
            (small(&shown, plane))
        }
        details open[shown.plane().is_none()] { summary { "The figures as a table" } (rows(&shown)) }
        script type="application/json" id="sweep-data" { (PreEscaped(data(&shown, findings))) }
    }
}

fn caption(listing: &SweepListing) -> &'static str {
    match listing.front.is_empty() {
        true => "Each dot is a variant.",
        false => {
            "Each dot is a variant. Squares: nothing beats them. Large discs: another may, and intervals leave it open. \
             Small ones: another surely does."
        }
    }
}

/// Filters and the choice of axes: the script shows them.
fn choices(shown: &Shown, plane: Plane) -> Markup {
    let few = || shown.keys.iter().filter(|(_, values)| values.len() <= VALUES_MAX);
    html! {
        div.choices id="choices" hidden {
            div.axes {
                @for (id, words, chosen) in [("across", "Across", plane[0].0), ("up", "Up", plane[1].0)] {
                    label { (words) " "
                        select id=(id) {
                            @for (nth, _) in &shown.drawn {
                                option value=(nth) selected[*nth == chosen] { (shown.name(*nth)) }
                            }
                        }
                    }
                }
                @if !shown.listing.front.is_empty() {
                    label { input type="checkbox" id="only-front"; " only what nothing surely beats" }
                }
            }
            details {
                summary { "Filters" }
                @for (key, values) in few() {
                    fieldset data-key=(key) {
                        legend { (shown.key(*key)) }
                        @for value in values { label { input type="checkbox" value=(value) checked; " " (shorten(value.trim_matches('"'), 34)) } }
                    }
                }
                @for nth in 0..shown.figures.len() {
                    fieldset data-figure=(nth) {
                        legend { (shown.name(nth)) }
                        label { "from " input type="number" step="any"; }
                        label { "to " input type="number" step="any"; }
                    }
                }
            }
            p { output id="counted" { (format_count(shown.rows.len() as u64)) " points" } " "
                button type="button" id="all-points" hidden { "All points" } }
        }
    }
}

/// A panel for each value of a key.
fn small(shown: &Shown, plane: Plane) -> Markup {
    let few: Vec<_> = shown.keys.iter().filter(|(_, values)| values.len() <= VALUES_MAX).collect();
    let Some((first, values)) = few.first() else { return html! {} };
    let panel = |value: &&str| {
        let is_in = |row: &ListingRow| row.sets.get(*first).is_some_and(|(_, set)| set == value);
        (shorten(value.trim_matches('"'), 26), shown.cloud(plane, "", is_in))
    };
    html! {
        h3 { "Value by value" }
        p {
            label { "of " select id="panel-key" {
                @for (key, _) in &few { option value=(key) { (shown.key(*key)) } }
            } }
            span.quiet { " on the same axes as above" }
        }
        div id="panels" { (panels(&values.iter().map(panel).collect::<Vec<_>>())) }
    }
}

/// Those first that nothing beats.
fn rows(shown: &Shown) -> Markup {
    let mut chosen: Vec<&&ListingRow> = shown.rows.iter().collect();
    chosen.sort_by_key(|row| match row.standing {
        Some(Standing::Front) => 0,
        Some(Standing::Perhaps) => 1,
        _ => 2,
    });
    let has_front = !shown.listing.front.is_empty();
    let mut header = vec!["point"];
    header.extend(shown.keys.iter().map(|(key, _)| shown.key(*key)));
    if has_front {
        header.push("on the front");
    }
    header.extend((0..shown.figures.len()).map(|nth| shown.name(nth)));
    let cells = |row: &&&ListingRow| {
        let mut cells = vec![row.number.to_string()];
        cells.extend(shown.keys.iter().map(|(key, _)| row.sets[*key].1.trim_matches('"').to_owned()));
        if has_front {
            cells.push(row.standing.map_or(MISSING, Standing::word).into());
        }
        cells.extend(shown.figures.iter().map(|figure| told(&row.figures[*figure])));
        cells
    };
    html! {
        (table(&header, &chosen.iter().take(ROWS_MAX).map(cells).collect::<Vec<_>>()))
        @if chosen.len() > ROWS_MAX {
            p.quiet { (format_count((chosen.len() - ROWS_MAX) as u64)) " more: `forebay sweep export STORE --csv FILE` has all." }
        }
    }
}

fn told(figure: &KeptFigure) -> String {
    let with = Figure { value: figure.value, low: figure.low, high: figure.high, reason: None };
    with_ends(&with, |value| spell(&figure.name).of(value))
}
