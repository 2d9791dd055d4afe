//! Charts as SVG text: lines over an axis with bands, rules and points that can be read off; stacked bars.
//!
//! Drawn by plotters. Ink and grid take the page's colours, light or dark; series take the palette of M. Okabe and K. Ito
//! (Color Universal Design, 2008), which eyes with any colour vision tell apart, and a shape each besides.

use maud::{Markup, PreEscaped};
use plotters::coord::ranged1d::{AsRangedCoord, ValueFormatter};
use plotters::prelude::*;

/// Width of every chart, and height of one of lines, in its own units.
const WIDTH: u32 = 860;
const HEIGHT: u32 = 400;
/// Colours that stand for the page's own and are put in its hands afterwards.
const INK: RGBColor = RGBColor(1, 2, 3);
const GRID: RGBColor = RGBColor(4, 5, 6);
/// Okabe and Ito without black and yellow, which one of the two backgrounds would swallow.
const PALETTE: [RGBColor; 6] = [
    RGBColor(0, 114, 178),
    RGBColor(213, 94, 0),
    RGBColor(0, 158, 115),
    RGBColor(204, 121, 167),
    RGBColor(230, 159, 0),
    RGBColor(86, 180, 233),
];
const TEXT: i32 = 15;

/// A point of a line, with its interval if it has one, and what is said of it.
pub(super) struct Dot {
    pub x: f64,
    pub y: f64,
    pub ends: Option<(f64, f64)>,
    pub words: String,
}

/// A line.
pub(super) struct Line {
    pub name: String,
    pub dots: Vec<Dot>,
}

/// An upright with a word at its top.
pub(super) struct Rule {
    pub x: f64,
    pub words: String,
}

/// What a chart of lines shows. The y axis is logarithmic.
pub(super) struct Lines<'a> {
    /// For those who do not see it.
    pub summary: String,
    pub x_title: &'a str,
    pub y_title: &'a str,
    pub x_spell: &'a dyn Fn(&f64) -> String,
    pub y_spell: &'a dyn Fn(&f64) -> String,
    pub lines: Vec<Line>,
    pub rules: Vec<Rule>,
    /// Places of the x axis that have a label; chosen by the scale if there are none.
    pub x_ticks: Vec<(f64, String)>,
}

/// The chart; none where fewer than two points can be joined.
pub(super) fn lines(chart: &Lines) -> Option<Markup> {
    let dots = || chart.lines.iter().flat_map(|line| &line.dots);
    if chart.lines.iter().all(|line| line.dots.len() < 2) {
        return None;
    }
    let extent = |values: &mut dyn Iterator<Item = f64>| {
        values
            .fold((f64::INFINITY, f64::NEG_INFINITY), |(low, high), value| (low.min(value), high.max(value)))
    };
    let x = extent(&mut dots().map(|dot| dot.x).chain(chart.rules.iter().map(|rule| rule.x)));
    // A band that is wider than the figure is high does not decide the scale.
    let y = extent(&mut dots().flat_map(|dot| {
        dot.ends.map_or([dot.y, dot.y], |(low, high)| [low.max(dot.y / 1.5), high.min(dot.y * 1.5)])
    }));
    if !(x.0 < x.1 && y.0 > 0.0 && y.1.is_finite()) {
        return None;
    }
    let margin = (x.1 - x.0) * 0.03;
    let y = ((y.0 / 1.2)..(y.1 * 1.2)).log_scale();
    let key = key(chart);
    let svg =
        drawn(&chart.summary, HEIGHT, |root| draw_lines(root, chart, (x.0 - margin)..(x.1 + margin), y))?;
    Some(maud::html! { (svg) (key) })
}

type Area<'s> = DrawingArea<SVGBackend<'s>, plotters::coord::Shift>;
type Drawn = Result<String, Box<dyn std::error::Error>>;

fn draw_lines<Y>(root: &Area, chart: &Lines, x: std::ops::Range<f64>, y: Y) -> Drawn
where
    Y: AsRangedCoord<Value = f64>,
    Y::CoordDescType: ValueFormatter<f64>,
{
    let mut plot = ChartBuilder::on(root)
        .margin(12)
        .margin_top(62)
        .x_label_area_size(52)
        .y_label_area_size(76)
        .build_cartesian_2d(x, y)?;
    let ink = || ("sans-serif", TEXT).into_font().color(&INK);
    // Some place within: a rule or a tick lies as far right or as high wherever.
    let (some_x, middle) =
        chart.lines.iter().flat_map(|line| &line.dots).next().map_or((0.0, 1.0), |dot| (dot.x, dot.y));
    let labels = if chart.x_ticks.is_empty() { 8 } else { 0 };
    plot.configure_mesh()
        .disable_mesh()
        .x_desc(chart.x_title)
        .y_desc(chart.y_title)
        .x_labels(labels)
        .y_labels(0)
        .x_label_formatter(chart.x_spell)
        .y_label_formatter(&|_| String::new())
        .axis_style(INK)
        .label_style(ink())
        .axis_desc_style(ink())
        .draw()?;
    let (across, down) = plot.plotting_area().get_pixel_range();
    let (top, bottom) = (down.start, down.end);
    for y in ticks(chart) {
        let at = plot.backend_coord(&(some_x, y)).1;
        if (top..=bottom).contains(&at) {
            root.draw(&PathElement::new(vec![(across.start, at), (across.end, at)], GRID.stroke_width(1)))?;
            let words = (chart.y_spell)(&y);
            let left = across.start - 8 - words.chars().count() as i32 * 8;
            root.draw(&Text::new(words, (left, at - TEXT / 2), ink()))?;
        }
    }
    for (x, words) in &chart.x_ticks {
        let at = plot.backend_coord(&(*x, middle)).0;
        if !(across.start..=across.end).contains(&at) {
            continue;
        }
        root.draw(&PathElement::new(vec![(at, top), (at, bottom)], GRID.stroke_width(1)))?;
        let left = at - words.chars().count() as i32 * 4;
        root.draw(&Text::new(words.clone(), (left, bottom + 6), ink()))?;
    }
    for (nth, rule) in chart.rules.iter().enumerate() {
        let at = plot.backend_coord(&(rule.x, middle)).0;
        let mut from = top;
        while from < bottom {
            root.draw(&PathElement::new(
                vec![(at, from), (at, (from + 6).min(bottom))],
                INK.stroke_width(1),
            ))?;
            from += 10;
        }
        let words = ("sans-serif", TEXT - 1).into_font().color(&INK);
        // Neighbours take turns in height, so that their words do not cover each other; the last ones end at their rule.
        let wide = rule.words.chars().count() as i32 * 8;
        let left = if at + wide > WIDTH as i32 - 8 { at - wide } else { at + 4 };
        root.draw(&Text::new(rule.words.clone(), (left, top - 18 - 16 * (nth as i32 % 3)), words))?;
    }
    let mut marks = String::new();
    for (nth, line) in chart.lines.iter().enumerate() {
        let color = PALETTE[nth % PALETTE.len()];
        let end = |of: fn((f64, f64)) -> f64| {
            let place = move |dot: &Dot| (dot.x, dot.ends.map_or(dot.y, of).max(f64::MIN_POSITIVE));
            line.dots.iter().map(place).collect::<Vec<_>>()
        };
        let (low, high) = (end(|ends| ends.0), end(|ends| ends.1));
        let outline: Vec<(f64, f64)> = low.into_iter().chain(high.into_iter().rev()).collect();
        plot.draw_series(std::iter::once(Polygon::new(outline, color.mix(0.18))))?;
        let joined = line.dots.iter().map(|dot| (dot.x, dot.y));
        plot.draw_series(LineSeries::new(joined, color.stroke_width(2)))?;
        for dot in &line.dots {
            let (px, py) = plot.backend_coord(&(dot.x, dot.y));
            draw_shape(root, nth, (px, py), color)?;
            marks.push_str(&mark((px, py), &format!("{}: {}", line.name, dot.words)));
        }
    }
    Ok(marks)
}

/// 1, 2 and 5 of every decade that the lines reach, or 1 alone where there are many.
fn ticks(chart: &Lines) -> Vec<f64> {
    let ys = || chart.lines.iter().flat_map(|line| &line.dots).map(|dot| dot.y);
    let (low, high) = (ys().fold(f64::INFINITY, f64::min), ys().fold(0.0, f64::max));
    let decades = (low.log10().floor() as i32 - 1)..=(high.log10().ceil() as i32);
    let steps: &[f64] = if decades.clone().count() > 6 { &[1.0] } else { &[1.0, 2.0, 5.0] };
    decades.flat_map(|decade| steps.iter().map(move |step| step * 10f64.powi(decade))).collect()
}

/// Names of the lines with their colours and shapes.
fn key(chart: &Lines) -> Markup {
    maud::html! {
        ul.key {
            @for (nth, line) in chart.lines.iter().enumerate() {
                li {
                    @let color = hex(PALETTE[nth % PALETTE.len()]);
                    svg viewBox="0 0 34 16" width="34" height="16" aria-hidden="true" {
                        path d="M0 8H34" stroke=(color) stroke-width="2" {}
                        @match nth % 4 {
                            0 => { circle cx="17" cy="8" r="5" fill=(color) {} }
                            1 => { path d="M17 1L23 13H11Z" fill=(color) {} }
                            2 => { rect x="12" y="3" width="10" height="10" fill=(color) {} }
                            _ => { path d="M12 3L22 13M22 3L12 13" stroke=(color) stroke-width="3" {} }
                        }
                    }
                    " " (line.name)
                }
            }
        }
    }
}

fn hex(color: RGBColor) -> String {
    format!("#{:02X}{:02X}{:02X}", color.0, color.1, color.2)
}

/// The shape of a line's points: what colour says is said twice.
fn draw_shape(
    root: &Area,
    nth: usize,
    at: (i32, i32),
    color: RGBColor,
) -> Result<(), Box<dyn std::error::Error>> {
    let full = color.filled();
    match nth % 4 {
        0 => root.draw(&Circle::new(at, 4, full))?,
        1 => root.draw(&TriangleMarker::new(at, 6, full))?,
        2 => root.draw(&Rectangle::new([(at.0 - 4, at.1 - 4), (at.0 + 4, at.1 + 4)], full))?,
        _ => root.draw(&Cross::new(at, 4, color.stroke_width(3)))?,
    }
    Ok(())
}

/// A part of a bar.
pub(super) struct Part {
    pub name: String,
    pub value: f64,
    pub words: String,
}

/// A bar of parts laid end to end.
pub(super) struct Bar {
    pub name: String,
    pub parts: Vec<Part>,
}

/// Bars one below the other; `key` names the parts in order, each with a pattern of its own beside its colour.
pub(super) fn bars(
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
    drawn(summary, height as u32, |root| {
        let (left, right, top) = (150, WIDTH as i32 - 90, 16);
        let step = STEP;
        let ink = || ("sans-serif", TEXT).into_font().color(&INK);
        let mut marks = String::new();
        let place = |value: f64| left + (value / longest * f64::from(right - left)) as i32;
        for (row, bar) in bars.iter().enumerate() {
            let y = top + step * row as i32;
            root.draw(&Text::new(bar.name.clone(), (8, y + step / 2 - 14), ink()))?;
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
                marks.push_str(&mark(middle, &format!("{}, {}: {}", bar.name, part.name, part.words)));
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
            root.draw(&Text::new(format!("{} {}", letter(nth), name), (x + 20, y - 1), ink()))?;
        }
        Ok(marks)
    })
}

fn shade(nth: usize) -> f64 {
    if nth < PALETTE.len() { 0.85 } else { 0.4 }
}

fn letter(nth: usize) -> String {
    char::from(b'a' + (nth % 26) as u8).to_string()
}

/// A point to read off: unseen, with its words.
fn mark((x, y): (i32, i32), words: &str) -> String {
    maud::html! { circle.mark cx=(x) cy=(y) r="9" data-words=(words) {} }.into_string()
}

/// Draws, and hands ink and grid to the page.
fn drawn(summary: &str, height: u32, draw: impl FnOnce(&Area) -> Drawn) -> Option<Markup> {
    let mut text = String::new();
    let marks = {
        let root = SVGBackend::with_string(&mut text, (WIDTH, height)).into_drawing_area();
        // Drawing into a text does not fail for want of room; a chart that cannot be drawn leaves its table.
        let marks = draw(&root).ok()?;
        root.present().ok()?;
        marks
    };
    let text = text
        .replace(&hex(INK), "currentColor")
        .replace(&format!("stroke=\"{}\"", hex(GRID)), "class=\"grid\"");
    let inner = &text[text.find('>')? + 1..text.rfind("</svg>")?];
    Some(maud::html! {
        svg.chart viewBox=(format!("0 0 {WIDTH} {height}")) role="img" aria-label=(summary) tabindex="0" {
            (PreEscaped(inner))
            (PreEscaped(marks))
        }
    })
}
