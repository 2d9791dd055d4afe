//! A sweep: every point in the plane of two figures, by its values in small panels, chosen by filters and one by one.
//!
//! The page is drawn whole; its data go with it, as JSON that a script of its own filters, draws anew and reads a point's
//! scenario from.

use maud::{Markup, PreEscaped, html};
use serde_json::{Value, json};

use crate::outcome::{KeptFigure, ListingRow, Standing, SweepFindings, SweepListing};
use crate::report::numbers::{MISSING, format_count, format_duration_us, format_significant};
use crate::report::sheet::Tone;
use crate::report::text::{plural, shorten};

use super::chart::{Axis, Cloud, Spell, cloud, panels};
use super::{drawing, table};

pub(super) const SCRIPT: &str = include_str!("sweep.js");

/// Points that a page holds: more would make it heavy to mail and slow to filter.
const POINTS_MAX: usize = 2_500;
/// Figures of each point that it holds.
const FIGURES_MAX: usize = 10;
/// Rows of the table behind the chart.
const ROWS_MAX: usize = 150;
/// Values of a key that can be told apart in panels and filters.
const VALUES_MAX: usize = 12;

/// What a page shows of a listing.
struct Shown<'l> {
    listing: &'l SweepListing,
    rows: Vec<&'l ListingRow>,
    /// Places of figures in the rows, those that are sought first.
    figures: Vec<usize>,
    /// Places of keys that differ among the rows, each with its values in order.
    keys: Vec<(usize, Vec<&'l str>)>,
    /// Axes of the plane, and which figures they are.
    plane: Option<[(usize, Axis); 2]>,
}

impl<'l> Shown<'l> {
    fn of(listing: &'l SweepListing) -> Self {
        let answered: Vec<&ListingRow> = listing.rows.iter().filter(|row| row.error.is_none()).collect();
        let rows = thinned(answered);
        let figures = figures(listing, &rows);
        let mut keys: Vec<(usize, Vec<&str>)> = Vec::new();
        for at in 0..rows.first().map_or(0, |row| row.sets.len()) {
            let mut values: Vec<&str> = Vec::new();
            for row in &rows {
                match row.sets.get(at) {
                    Some((_, value)) if !values.contains(&value.as_str()) => values.push(value),
                    _ => {}
                }
                if values.len() > VALUES_MAX * 8 {
                    break;
                }
            }
            if values.len() > 1 {
                if values.iter().all(|value| value.parse::<f64>().is_ok()) {
                    values.sort_by(|a, b| number(a).total_cmp(&number(b)));
                }
                keys.push((at, values));
            }
        }
        let mut axes = figures.iter().filter_map(|at| Some((*at, axis(&rows, *at)?)));
        let plane = axes.next().and_then(|x| Some([x, axes.next()?]));
        Shown { listing, rows, figures, keys, plane }
    }

    fn name(&self, figure: usize) -> &'l str {
        self.rows.first().map_or("", |row| row.figures[figure].name.as_str())
    }

    fn key(&self, at: usize) -> &'l str {
        self.rows.first().map_or("", |row| row.sets[at].0.as_str())
    }

    /// Points by where they stand, of these rows.
    fn cloud<'c>(
        &self,
        plane: &'c [(usize, Axis); 2],
        summary: &'c str,
        is_in: impl Fn(&ListingRow) -> bool,
    ) -> Cloud<'c> {
        let groups = ["alone", "beaten", "perhaps", "front"].map(|group| {
            let rows = self.rows.iter().filter(|row| self::group(row) == group && is_in(row));
            let place = |row: &&ListingRow| Some((value(row, plane[0].0)?, value(row, plane[1].0)?));
            (group, rows.filter_map(place).collect::<Vec<_>>())
        });
        Cloud { summary, x: &plane[0].1, y: &plane[1].1, groups: groups.into() }
    }
}

fn number(text: &str) -> f64 {
    text.parse().unwrap_or(f64::NAN)
}

fn value(row: &ListingRow, figure: usize) -> Option<f64> {
    row.figures.get(figure)?.value
}

/// As the style sheet and the script name where a point stands.
fn group(row: &ListingRow) -> &'static str {
    match row.standing {
        None => "alone",
        Some(Standing::Beaten) => "beaten",
        Some(Standing::Perhaps) => "perhaps",
        Some(Standing::Front) => "front",
    }
}

/// All that may be on the front, and of the others as many as there is room for, evenly.
fn thinned(rows: Vec<&ListingRow>) -> Vec<&ListingRow> {
    let is_plain = |row: &&ListingRow| matches!(row.standing, None | Some(Standing::Beaten));
    let plain = rows.iter().filter(|row| is_plain(row)).count();
    let room = POINTS_MAX.saturating_sub(rows.len() - plain);
    let mut seen = 0;
    let mut keep = |row: &&ListingRow| {
        let before = seen;
        seen += usize::from(is_plain(row));
        // As many steps of `room` in `plain` as there is room.
        !is_plain(row) || plain <= room || seen * room / plain > before * room / plain
    };
    rows.into_iter().filter(|row| keep(row)).collect()
}

/// Figures that are sought, then those that differ among the points.
fn figures(listing: &SweepListing, rows: &[&ListingRow]) -> Vec<usize> {
    let Some(first) = rows.first() else { return Vec::new() };
    let goals = listing.front.iter().filter_map(|goal| {
        let name = goal.split_once(' ')?.1;
        first.figures.iter().position(|figure| figure.name == name)
    });
    let mut chosen: Vec<usize> = goals.collect();
    for at in 0..first.figures.len() {
        let differs = rows.iter().any(|row| value(row, at) != value(first, at));
        if chosen.len() < FIGURES_MAX && differs && !chosen.contains(&at) {
            chosen.push(at);
        }
    }
    chosen
}

/// By ratios where the largest is many times the smallest.
fn axis(rows: &[&ListingRow], figure: usize) -> Option<Axis> {
    const MANY: f64 = 8.0;
    let values = || rows.iter().filter_map(|row| value(row, figure));
    let (low, high) =
        values().fold((f64::INFINITY, 0.0), |(low, high): (f64, f64), v| (low.min(v), high.max(v)));
    let name = &rows.first()?.figures[figure].name;
    Axis::over(name, spell(name), low > 0.0 && high / low > MANY, values())
}

/// By the unit that a figure's name ends in.
fn spell(name: &str) -> Spell {
    if name.ends_with("_us") { Spell::Duration } else { Spell::Number }
}

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
    let mut lines = vec![
        (
            Tone::Strong,
            format!(
                "{} that nothing surely beats in {}{open}",
                plural(front, "variant", "variants"),
                listing.front.join(", ")
            ),
        ),
        (Tone::Plain, finished + &failed),
    ];
    for goal in &listing.front {
        let Some((least, name)) = goal.split_once(' ') else { continue };
        let figure =
            |row: &&ListingRow| row.figures.iter().find(|figure| figure.name == name).and_then(|f| f.value);
        let known =
            || listing.rows.iter().filter(|row| row.error.is_none()).filter(|row| figure(row).is_some());
        let by =
            |a: &&ListingRow, b: &&ListingRow| figure(a).unwrap_or(0.0).total_cmp(&figure(b).unwrap_or(0.0));
        let best = if least == "most" { known().max_by(by) } else { known().min_by(by) };
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
        @if let Some(plane) = &shown.plane {
            (choices(&shown, plane))
            @let summary = "Points in the plane of two figures; the table below has those that matter most";
            (drawing("sweep", &cloud(&shown.cloud(plane, summary, |_| true)), caption(listing)))
            div.point id="chosen" aria-live="polite" {
                p.quiet { "Choose a point: click it, or go there with the arrow keys and press Enter." }
            }
            (small(&shown, plane))
        }
        details open[shown.plane.is_none()] { summary { "The figures as a table" } (rows(&shown)) }
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
fn choices(shown: &Shown, plane: &[(usize, Axis); 2]) -> Markup {
    let few = || shown.keys.iter().filter(|(_, values)| values.len() <= VALUES_MAX);
    html! {
        div.choices id="choices" hidden {
            div.axes {
                @for (id, words, chosen) in [("across", "Across", plane[0].0), ("up", "Up", plane[1].0)] {
                    label { (words) " "
                        select id=(id) {
                            @for (nth, figure) in shown.figures.iter().enumerate() {
                                option value=(nth) selected[*figure == chosen] { (shown.name(*figure)) }
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
                @for (nth, figure) in shown.figures.iter().enumerate() {
                    fieldset data-figure=(nth) {
                        legend { (shown.name(*figure)) }
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
fn small(shown: &Shown, plane: &[(usize, Axis); 2]) -> Markup {
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
    header.extend(shown.figures.iter().map(|figure| shown.name(*figure)));
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
    let spelt = |value: f64| match spell(&figure.name) {
        Spell::Duration => format_duration_us(value),
        _ => format_significant(value),
    };
    let Some(value) = figure.value else { return MISSING.into() };
    match figure.low.zip(figure.high) {
        Some((low, high)) => format!("{} ({} to {})", spelt(value), spelt(low), spelt(high)),
        None => spelt(value),
    }
}

/// What the script needs, as JSON that may stand in a page: no `<` in it.
fn data(shown: &Shown, findings: &SweepFindings) -> String {
    // Every key goes along, for a scenario needs them all: values once, and points by their numbers.
    let count = shown.rows.first().map_or(0, |row| row.sets.len());
    let mut values: Vec<Vec<&str>> = vec![Vec::new(); count];
    let mut places: Vec<std::collections::HashMap<&str, usize>> = vec![Default::default(); count];
    let points: Vec<Value> = shown
        .rows
        .iter()
        .map(|row| {
            let sets: Vec<usize> = (0..count)
                .map(|at| {
                    let value = row.sets.get(at).map_or("", |(_, value)| value.as_str());
                    *places[at].entry(value).or_insert_with(|| {
                        values[at].push(value);
                        values[at].len() - 1
                    })
                })
                .collect();
            let figures: Vec<Value> =
                shown.figures.iter().map(|figure| brief(&row.figures[*figure])).collect();
            json!([row.number, group(row), row.round, sets, figures])
        })
        .collect();
    let keys: Vec<&str> = (0..count).map(|at| shown.key(at)).collect();
    let names: Vec<&str> = shown.figures.iter().map(|figure| shown.name(*figure)).collect();
    let spellings: Vec<&str> = names.iter().map(|name| spell(name).word()).collect();
    json!({
        "keys": keys, "values": values, "figures": names, "spellings": spellings, "points": points,
        "scenario": findings.scenario,
    })
    .to_string()
    .replace('<', "\\u003c")
}

/// Six digits are more than a chart shows: the value, or the value with its ends.
fn brief(figure: &KeptFigure) -> Value {
    let six = |value: f64| format!("{value:.5e}").parse::<f64>().unwrap_or(value);
    match (figure.value, figure.low.zip(figure.high)) {
        (None, _) => Value::Null,
        (Some(value), Some((low, high))) => json!([six(value), six(low), six(high)]),
        (Some(value), None) => json!(six(value)),
    }
}
