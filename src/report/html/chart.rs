//! Charts as SVG text: what they share. Each kind has a file: lines with bands and rules, points, intervals, stacked bars.
//!
//! Drawn by plotters, ten times finer than the page's units, for a reader may look closer. Ink and grid take the page's
//! colours, light or dark; series take the palette of M. Okabe and K. Ito (Color Universal Design, 2008), which eyes with any
//! colour vision tell apart, and a shape each besides. The page's script reads points off, looks closer and draws the ticks
//! anew then: what it needs to know stands in `data-` attributes.

mod axis;
mod bars;
mod intervals;
mod lines;
mod points;

use maud::{Markup, PreEscaped, html};
use plotters::coord::Shift;
use plotters::prelude::*;

use crate::report::text::shorten;

pub(super) use axis::{Axis, Spell};
pub(super) use bars::{Bar, Part, bars};
pub(super) use intervals::{Interval, intervals};
pub(super) use lines::{Dot, Line, Lines, Rule, lines};
pub(super) use points::{Cloud, cloud, panels};

/// Width of every chart, and height of one with two axes, in its own units.
const WIDTH: i32 = 860;
const HEIGHT: i32 = 400;
/// Room round what is drawn between the axes.
const LEFT: i32 = 104;
const RIGHT: i32 = 16;
const BOTTOM: i32 = 54;
/// Units of what is drawn between the axes in one of the page's.
const FINE: i32 = 10;
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

type Area<'s> = DrawingArea<SVGBackend<'s>, Shift>;
type Drawn = Result<(), Box<dyn std::error::Error>>;

fn hex(color: RGBColor) -> String {
    format!("#{:02X}{:02X}{:02X}", color.0, color.1, color.2)
}

/// What plotters draws on a sheet of this size, without its frame; ink and grid are in the hands of the page.
fn drawn((width, height): (i32, i32), draw: impl FnOnce(&Area) -> Drawn) -> Option<Markup> {
    let mut text = String::new();
    {
        let size = (u32::try_from(width).ok()?, u32::try_from(height).ok()?);
        let root = SVGBackend::with_string(&mut text, size).into_drawing_area();
        // Drawing into a text does not fail for want of room; a chart that cannot be drawn leaves its table.
        draw(&root).ok()?;
        root.present().ok()?;
    }
    let text = text
        .replace(&hex(INK), "currentColor")
        .replace(&format!("stroke=\"{}\"", hex(GRID)), "class=\"grid\"");
    let inner = text[text.find('>')? + 1..text.rfind("</svg>")?].to_owned();
    Some(PreEscaped(inner))
}

/// The whole of a chart: what people hear who do not see it, and what is in it.
fn chart(summary: &str, height: i32, inner: &Markup) -> Markup {
    html! {
        svg.chart viewBox=(format!("0 0 {WIDTH} {height}")) role="img" aria-label=(summary) tabindex="0"
            font-family="sans-serif" font-size=(TEXT) { (inner) }
    }
}

/// Where something between the axes is put.
struct Frame<'a> {
    x: &'a Axis,
    y: &'a Axis,
    left: i32,
    top: i32,
    width: i32,
    height: i32,
}

impl<'a> Frame<'a> {
    /// Of a chart whose lower axis has its title; `top` is the room above it.
    fn new(x: &'a Axis, y: &'a Axis, top: i32) -> Self {
        Frame { x, y, left: LEFT, top, width: WIDTH - LEFT - RIGHT, height: HEIGHT - top - BOTTOM }
    }

    /// In fine units between the axes.
    fn place(&self, x: f64, y: f64) -> (i32, i32) {
        let across = self.x.share(x) * f64::from(self.width * FINE);
        let down = (1.0 - self.y.share(y)) * f64::from(self.height * FINE);
        (across.round() as i32, down.round() as i32)
    }

    /// Axes, ticks, their titles, and `layer` between them, which is in fine units.
    fn around(&self, layer: &Markup) -> Markup {
        let &Frame { x, y, left, top, width, height } = self;
        let (bottom, middle) = (top + height, top + height / 2);
        html! {
            g.ticks {
                @for (value, words) in y.ticks() {
                    @let at = f64::from(bottom) - y.share(value) * f64::from(height);
                    path.grid fill="none" d=(format!("M{left} {at:.1}h{width}")) {}
                    text x=(left - 8) y=(format!("{:.1}", at + 5.0)) text-anchor="end" fill="currentColor" { (words) }
                }
                @for (value, words) in x.ticks() {
                    @let at = f64::from(left) + x.share(value) * f64::from(width);
                    path.grid fill="none" d=(format!("M{at:.1} {top}v{height}")) {}
                    text x=(format!("{at:.1}")) y=(bottom + 19) text-anchor="middle" fill="currentColor" { (words) }
                }
            }
            path fill="none" stroke="currentColor" d=(format!("M{left} {top}v{height}h{width}")) {}
            text.across x=(left + width / 2) y=(bottom + 44) text-anchor="middle" fill="currentColor" { (x.title) }
            text.up x="16" y=(middle) text-anchor="middle" fill="currentColor"
                transform=(format!("rotate(-90 16 {middle})")) { (y.title) }
            svg.plot x=(left) y=(top) width=(width) height=(height) preserveAspectRatio="none"
                viewBox=(format!("0 0 {} {}", width * FINE, height * FINE)) data-x=(x.data().to_string()) data-y=(y.data().to_string()) { (layer) }
        }
    }
}

/// The shape of a series, round its middle: what colour says is said twice.
fn shape(nth: usize, color: &str) -> Markup {
    html! {
        @match nth % 4 {
            0 => { circle r="5" fill=(color) {} }
            1 => { path d="M0-7L6 5H-6Z" fill=(color) {} }
            2 => { rect x="-5" y="-5" width="10" height="10" fill=(color) {} }
            _ => { path d="M-5-5L5 5M5-5L-5 5" stroke=(color) stroke-width="3" {} }
        }
    }
}

/// Names of the series with their colours and shapes, from `top` downwards; and how high that is. It is in the chart, so that a
/// picture of it has it too.
fn key<'n>(names: impl Iterator<Item = &'n str>, top: i32) -> (Markup, i32) {
    const ROW: i32 = 24;
    let (mut left, mut row) = (8, 0);
    let placed: Vec<(i32, i32, String)> = names
        .map(|name| {
            let name = shorten(name, 60);
            let wide = 60 + name.chars().count() as i32 * 8;
            if left > 8 && left + wide > WIDTH {
                (left, row) = (8, row + 1);
            }
            let at = (left, top + row * ROW, name);
            left += wide;
            at
        })
        .collect();
    let drawing = html! {
        @for (nth, (left, top, name)) in placed.iter().enumerate() {
            @let color = hex(PALETTE[nth % PALETTE.len()]);
            g transform=(format!("translate({left} {top})")) {
                path d="M0 8H34" stroke=(color) stroke-width="2" {}
                g transform="translate(17 8)" { (shape(nth, &color)) }
                text x="42" y="13" fill="currentColor" { (name) }
            }
        }
    };
    (drawing, (row + 1) * ROW + 4)
}

/// A point to read off, with its words; unseen.
fn mark((x, y): (i32, i32), words: &str) -> Markup {
    html! { g data-at=(format!("{x} {y}")) data-words=(words) {} }
}
