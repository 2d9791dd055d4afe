//! A small plot of lines over load, in braille dots, with axes of our own.

use textplots::{Chart, Plot, Shape};

use crate::report::sheet::{Sheet, Tone};
use crate::report::text::display_width;

/// Columns of dots a character holds, and rows.
const DOTS: (u32, u32) = (2, 4);
/// Lines of the plot.
const HEIGHT: u32 = 10;
/// Widest plot, characters: wider ones say no more.
const WIDEST: usize = 100;
/// Columns of the labels at its left.
const LABELS: usize = 10;

/// What a plot shows.
pub(super) struct Curves {
    /// Lines of (x, y), y as its logarithm.
    pub lines: Vec<Vec<(f64, f64)>>,
    /// Where dotted uprights stand.
    pub uprights: Vec<f64>,
    /// Ends of the x axis.
    pub x: (f64, f64),
    /// Labels of the x axis: where, and what.
    pub marks: Vec<(f64, String)>,
    /// How a y is spelt.
    pub spell: fn(f64) -> String,
}

/// Adds the plot; nothing where there are not two points to join.
pub(super) fn draw(sheet: &mut Sheet, curves: &Curves) {
    let heights = || curves.lines.iter().flatten().map(|point| point.1);
    let (low, high) = (heights().fold(f64::INFINITY, f64::min), heights().fold(f64::NEG_INFINITY, f64::max));
    if curves.lines.iter().all(|line| line.len() < 2) || low >= high || curves.x.0 >= curves.x.1 {
        return;
    }
    let width = (sheet.width() - LABELS - 2).min(WIDEST) as u32;
    let upright = |x: &f64| -> Vec<(f32, f32)> {
        let steps = HEIGHT * DOTS.1 / 2;
        (0..=steps)
            .map(|n| (*x as f32, (low + (high - low) * f64::from(n) / f64::from(steps)) as f32))
            .collect()
    };
    let lines: Vec<Vec<(f32, f32)>> =
        curves.lines.iter().map(|line| line.iter().map(|p| (p.0 as f32, p.1 as f32)).collect()).collect();
    let uprights: Vec<Vec<(f32, f32)>> = curves.uprights.iter().map(upright).collect();
    let mut shapes: Vec<Shape> = lines.iter().map(|line| Shape::Lines(line)).collect();
    shapes.extend(uprights.iter().map(|points| Shape::Points(points)));
    // A canvas of n dots draws dot n, too.
    let mut chart = Chart::new_with_y_range(
        width * DOTS.0 - 1,
        HEIGHT * DOTS.1 - 1,
        curves.x.0 as f32,
        curves.x.1 as f32,
        low as f32,
        high as f32,
    );
    let drawn = shapes.iter().fold(&mut chart, |chart, shape| chart.lineplot(shape));
    drawn.figures();
    let frame = drawn.frame();
    let rows: Vec<&str> = frame.lines().collect();
    for (number, row) in rows.iter().enumerate() {
        let part = 1.0 - number as f64 / (rows.len() - 1).max(1) as f64;
        let is_labelled = number % 3 == 0 || number + 1 == rows.len();
        let label = if is_labelled { (curves.spell)(low + part * (high - low)) } else { String::new() };
        sheet.line(Tone::Plain, &format!("{label:>LABELS$} {row}"));
    }
    sheet.line(Tone::Quiet, &axis(curves, width as usize));
}

/// The labels under the plot; one that would run into the one before it is left out.
fn axis(curves: &Curves, width: usize) -> String {
    let mut line = " ".repeat(LABELS + 1);
    for (x, label) in &curves.marks {
        let part = ((x - curves.x.0) / (curves.x.1 - curves.x.0)).clamp(0.0, 1.0);
        let room = display_width(label);
        let centre = (part * (width - 1) as f64).round() as usize;
        let start = LABELS + 1 + centre.saturating_sub(room / 2).min(width.saturating_sub(room));
        let so_far = display_width(&line);
        if start >= so_far + usize::from(so_far > LABELS + 1) {
            line.push_str(&" ".repeat(start - so_far));
            line.push_str(label);
        }
    }
    line
}
