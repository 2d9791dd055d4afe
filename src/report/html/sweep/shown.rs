//! What a page shows of a listing: which points and figures, which keys differ, and the plane that is drawn first.

use crate::outcome::{ListingRow, Standing, SweepListing};
use crate::report::html::chart::{Axis, Cloud, Spell};

use super::VALUES_MAX;

/// Points that a page holds: more would make it heavy to mail and slow to filter.
const POINTS_MAX: usize = 2_500;
/// Figures of each point that it holds.
const FIGURES_MAX: usize = 10;

/// What a page shows of a listing.
pub(super) struct Shown<'l> {
    pub listing: &'l SweepListing,
    pub rows: Vec<&'l ListingRow>,
    /// Places of figures in the rows, those that are sought first.
    pub figures: Vec<usize>,
    /// Places of keys that differ among the rows, each with its values in order.
    pub keys: Vec<(usize, Vec<&'l str>)>,
    /// Figures that can be drawn, by their place among `figures`, each with its axis.
    pub drawn: Vec<Drawn>,
}

/// A figure by its place among those of the page, and its axis.
pub(super) type Drawn = (usize, Axis);
/// What is drawn across and what up.
pub(super) type Plane<'s> = [&'s Drawn; 2];

impl<'l> Shown<'l> {
    pub fn of(listing: &'l SweepListing) -> Self {
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
        let drawn =
            figures.iter().enumerate().filter_map(|(nth, at)| Some((nth, axis(&rows, *at)?))).collect();
        Shown { listing, rows, figures, keys, drawn }
    }

    /// The first two figures that can be drawn.
    pub fn plane(&self) -> Option<Plane<'_>> {
        match &self.drawn[..] {
            [across, up, ..] => Some([across, up]),
            _ => None,
        }
    }

    /// Name of a figure by its place among those of the page.
    pub fn name(&self, nth: usize) -> &'l str {
        self.rows.first().map_or("", |row| row.figures[self.figures[nth]].name.as_str())
    }

    pub fn key(&self, at: usize) -> &'l str {
        self.rows.first().map_or("", |row| row.sets[at].0.as_str())
    }

    /// Points by where they stand, of these rows.
    pub fn cloud<'c>(
        &self,
        [across, up]: Plane<'c>,
        summary: &'c str,
        is_in: impl Fn(&ListingRow) -> bool,
    ) -> Cloud<'c> {
        let groups = ["alone", "beaten", "perhaps", "front"].map(|group| {
            let rows = self.rows.iter().filter(|row| self::group(row) == group && is_in(row));
            let figure = |row: &ListingRow, nth: usize| value(row, self.figures[nth]);
            let place = |row: &&ListingRow| Some((figure(row, across.0)?, figure(row, up.0)?));
            (group, rows.filter_map(place).collect::<Vec<_>>())
        });
        Cloud { summary, x: &across.1, y: &up.1, groups: groups.into() }
    }
}

fn number(text: &str) -> f64 {
    text.parse().unwrap_or(f64::NAN)
}

fn value(row: &ListingRow, figure: usize) -> Option<f64> {
    row.figures.get(figure)?.value
}

/// As the style sheet and the script name where a point stands.
pub(super) fn group(row: &ListingRow) -> &'static str {
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
    let place = |(_, name): (bool, &str)| first.figures.iter().position(|figure| figure.name == name);
    let mut chosen: Vec<usize> =
        listing.front.iter().filter_map(|goal| goal_of(goal)).filter_map(place).collect();
    for at in 0..first.figures.len() {
        let differs = rows.iter().any(|row| value(row, at) != value(first, at));
        if chosen.len() < FIGURES_MAX && differs && !chosen.contains(&at) {
            chosen.push(at);
        }
    }
    chosen
}

/// Whether more is better, and the figure, of a goal in words ("least design.price_total").
pub(super) fn goal_of(words: &str) -> Option<(bool, &str)> {
    let (least, figure) = words.split_once(' ')?;
    Some((least == "most", figure))
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
pub(super) fn spell(name: &str) -> Spell {
    if name.ends_with("_us") { Spell::Duration } else { Spell::Number }
}
