//! Estimates with their intervals, one below the other, on one axis.

use maud::{Markup, html};
use plotters::prelude::*;

use super::{Axis, GRID, INK, PALETTE, TEXT, WIDTH, chart, drawn, mark};

/// An estimate with its ends.
pub(in crate::report::html) struct Interval {
    pub name: String,
    pub low: f64,
    pub value: f64,
    pub high: f64,
    /// What is said of it, at its end and when it is read off.
    pub words: String,
    /// Drawn full, or else hollow.
    pub is_full: bool,
}

/// The chart; `upright` is a value that all are held against. None without rows, or where all are one value.
pub(in crate::report::html) fn intervals(
    summary: &str,
    axis: &Axis,
    rows: &[Interval],
    upright: Option<f64>,
) -> Option<Markup> {
    const STEP: i32 = 30;
    let longest = |of: fn(&Interval) -> &str, most: usize| {
        rows.iter().map(|row| of(row).chars().count().min(most)).max().unwrap_or(0) as i32 * 8
    };
    let (left, right) = (longest(|row| &row.name, 34) + 24, WIDTH - longest(|row| &row.words, 34) - 24);
    let (top, bottom) = (12, 12 + STEP * rows.len() as i32);
    let mut marks = Vec::new();
    let drawing = drawn((WIDTH, bottom + 56), |root| {
        let ink = || ("sans-serif", TEXT).into_font().color(&INK);
        let place = |value: f64| left + (axis.share(value).clamp(0.0, 1.0) * f64::from(right - left)) as i32;
        for (value, words) in axis.ticks() {
            let at = place(value);
            root.draw(&PathElement::new(vec![(at, top), (at, bottom)], GRID.stroke_width(1)))?;
            let from = at - words.chars().count() as i32 * 4;
            root.draw(&Text::new(words, (from, bottom + 6), ink()))?;
        }
        root.draw(&Text::new(axis.title.clone(), (left, bottom + 30), ink()))?;
        if let Some(value) = upright {
            let at = place(value);
            root.draw(&PathElement::new(vec![(at, top), (at, bottom)], INK.stroke_width(2)))?;
        }
        for (nth, row) in rows.iter().enumerate() {
            let y = top + STEP * nth as i32 + STEP / 2;
            root.draw(&Text::new(crate::report::text::shorten(&row.name, 34), (8, y - 5), ink()))?;
            let color = PALETTE[0];
            let (low, middle, high) = (place(row.low), place(row.value), place(row.high));
            root.draw(&PathElement::new(vec![(low, y), (high, y)], color.stroke_width(3)))?;
            for end in [low, high] {
                root.draw(&PathElement::new(vec![(end, y - 5), (end, y + 5)], color.stroke_width(2)))?;
            }
            let dot = [(middle - 6, y - 6), (middle + 6, y + 6)];
            if row.is_full {
                root.draw(&Rectangle::new(dot, color.filled()))?;
            } else {
                root.draw(&Circle::new((middle, y), 6, color.stroke_width(2)))?;
            }
            root.draw(&Text::new(row.words.clone(), (right + 12, y - 5), ink()))?;
            marks.push(mark((middle, y), &format!("{}: {}", row.name, row.words)));
        }
        Ok(())
    })?;
    (!rows.is_empty())
        .then(|| chart(summary, bottom + 56, &html! { (drawing) @for mark in &marks { (mark) } }))
}
