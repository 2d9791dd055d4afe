//! Bars of parts laid end to end.

use maud::{Markup, html};
use plotters::prelude::*;

use super::{INK, PALETTE, TEXT, WIDTH, chart, drawn, mark};

/// A part of a bar.
pub(in crate::report::html) struct Part {
    pub name: String,
    pub value: f64,
    pub words: String,
}

/// A bar of parts laid end to end.
pub(in crate::report::html) struct Bar {
    pub name: String,
    pub parts: Vec<Part>,
}

/// Bars one below the other; `key` names the parts in order, each with a pattern of its own beside its colour.
pub(in crate::report::html) fn bars(
    summary: &str,
    bars: &[Bar],
    key: &[String],
    spell: &dyn Fn(&f64) -> String,
) -> Option<Markup> {
    let longest =
        bars.iter().map(|bar| bar.parts.iter().map(|part| part.value).sum::<f64>()).fold(0.0, f64::max);
    if !(longest > 0.0 && longest.is_finite()) {
        return None;
    }
    const STEP: i32 = 58;
    let height = STEP * bars.len() as i32 + 24 * key.len().div_ceil(4) as i32 + 32;
    let mut marks = Vec::new();
    let drawing = drawn((WIDTH, height), |root| {
        let (left, right, top) = (150, WIDTH - 90, 16);
        let step = STEP;
        let ink = || ("sans-serif", TEXT).into_font().color(&INK);
        let place = |value: f64| left + (value / longest * f64::from(right - left)) as i32;
        for (row, bar) in bars.iter().enumerate() {
            let y = top + step * row as i32;
            root.draw(&Text::new(bar.name.clone(), (8, y + step / 2 - 13), ink()))?;
            let mut from = 0.0;
            for part in &bar.parts {
                let nth = key.iter().position(|name| *name == part.name).unwrap_or(0);
                let ends = [(place(from), y), (place(from + part.value), y + step - 16)];
                root.draw(&Rectangle::new(ends, PALETTE[nth % PALETTE.len()].mix(shade(nth)).filled()))?;
                // An edge in ink: neighbours are told apart without their colours.
                root.draw(&Rectangle::new(ends, INK.stroke_width(1)))?;
                if ends[1].0 - ends[0].0 > 22 {
                    let at = ((ends[0].0 + ends[1].0) / 2 - 6, y + step / 2 - 16);
                    root.draw(&Text::new(letter(nth), at, ink()))?;
                }
                let middle = ((ends[0].0 + ends[1].0) / 2, y + (step - 16) / 2);
                marks.push(mark(middle, &format!("{}, {}: {}", bar.name, part.name, part.words)));
                from += part.value;
            }
            root.draw(&Text::new(spell(&from), (place(from) + 6, y + step / 2 - 16), ink()))?;
        }
        let y = top + step * bars.len() as i32 + 8;
        for (nth, name) in key.iter().enumerate() {
            let (x, y) = (8 + (nth as i32 % 4) * 212, y + (nth as i32 / 4) * 24);
            root.draw(&Rectangle::new(
                [(x, y), (x + 14, y + 14)],
                PALETTE[nth % PALETTE.len()].mix(shade(nth)).filled(),
            ))?;
            root.draw(&Text::new(format!("{} {}", letter(nth), name), (x + 20, y + 2), ink()))?;
        }
        Ok(())
    })?;
    Some(chart(summary, height, &html! { (drawing) @for mark in &marks { (mark) } }))
}

fn shade(nth: usize) -> f64 {
    if nth < PALETTE.len() { 0.85 } else { 0.4 }
}

fn letter(nth: usize) -> String {
    char::from(b'a' + (nth % 26) as u8).to_string()
}
