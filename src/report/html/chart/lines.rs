//! Lines with their bands, over uprights that say where something is.

use maud::{Markup, html};
use plotters::prelude::*;

use super::{Axis, FINE, Frame, HEIGHT, PALETTE, Spell, TEXT, WIDTH, chart, drawn, hex, key, shape};

/// A point of a line, with its interval if it has one, and what is said of it.
pub(in crate::report::html) struct Dot {
    pub x: f64,
    pub y: f64,
    pub ends: Option<(f64, f64)>,
    pub words: String,
}

/// A line.
pub(in crate::report::html) struct Line {
    pub name: String,
    pub dots: Vec<Dot>,
}

/// An upright with a word at its top.
pub(in crate::report::html) struct Rule {
    pub x: f64,
    pub words: String,
}

/// What a chart of lines shows.
pub(in crate::report::html) struct Lines<'a> {
    /// For those who do not see it.
    pub summary: &'a str,
    pub x_title: &'a str,
    pub x_spell: Spell,
    pub y_title: &'a str,
    pub y_spell: Spell,
    /// Whether equal ratios of y are equally long: as of latencies, and not of loads.
    pub y_by_ratio: bool,
    pub lines: Vec<Line>,
    pub rules: Vec<Rule>,
    /// Values of x that have a label; chosen if there are none.
    pub x_named: Vec<(f64, String)>,
}

/// The chart; none where fewer than two points can be joined.
pub(in crate::report::html) fn lines(of: &Lines) -> Option<Markup> {
    let dots = || of.lines.iter().flat_map(|line| &line.dots);
    if of.lines.iter().all(|line| line.dots.len() < 2) {
        return None;
    }
    let xs = dots().map(|dot| dot.x).chain(of.rules.iter().map(|rule| rule.x));
    let mut x = Axis::over(of.x_title, of.x_spell, false, xs)?;
    x.named.clone_from(&of.x_named);
    // A band that is wider than the figure is high does not decide the scale.
    let ys = dots().flat_map(|dot| {
        dot.ends.map_or([dot.y, dot.y], |(low, high)| [low.max(dot.y / 1.5), high.min(dot.y * 1.5)])
    });
    // An even scale begins at zero: a bit more must not look like twice as much.
    let zero = (!of.y_by_ratio).then_some(0.0);
    let y = Axis::over(of.y_title, of.y_spell, of.y_by_ratio, ys.chain(zero))?;
    let frame = Frame::new(&x, &y, if of.rules.is_empty() { 14 } else { 62 });
    let size = (frame.width * FINE, frame.height * FINE);
    let joined = drawn(size, |root| {
        for (nth, line) in of.lines.iter().enumerate() {
            let color = PALETTE[nth % PALETTE.len()];
            let end = |of: fn((f64, f64)) -> f64| {
                let place = |dot: &Dot| frame.place(dot.x, dot.ends.map_or(dot.y, of).max(f64::MIN_POSITIVE));
                line.dots.iter().map(place).collect::<Vec<_>>()
            };
            let (low, high) = (end(|ends| ends.0), end(|ends| ends.1));
            if line.dots.iter().any(|dot| dot.ends.is_some()) {
                let outline: Vec<(i32, i32)> = low.into_iter().chain(high.into_iter().rev()).collect();
                root.draw(&Polygon::new(outline, color.mix(0.18)))?;
            }
            let joined: Vec<(i32, i32)> = line.dots.iter().map(|dot| frame.place(dot.x, dot.y)).collect();
            root.draw(&PathElement::new(joined, color.stroke_width(2)))?;
        }
        Ok(())
    })?;
    let layer = html! {
        @for rule in &of.rules {
            path fill="none" stroke="currentColor" stroke-dasharray="6 4"
                d=(format!("M{} 0v{}", frame.place(rule.x, y.low).0, size.1)) {}
        }
        (joined)
        @for (nth, line) in of.lines.iter().enumerate() {
            @let color = hex(PALETTE[nth % PALETTE.len()]);
            @for dot in &line.dots {
                @let (across, down) = frame.place(dot.x, dot.y);
                g.dot data-at=(format!("{across} {down}")) data-words=(format!("{}: {}", line.name, dot.words))
                    transform=(format!("translate({across} {down}) scale({FINE})")) { (shape(nth, &color)) }
            }
        }
    };
    let names = || of.lines.iter().map(|line| line.name.as_str());
    let (key, high) = if of.lines.len() > 1 { key(names(), HEIGHT + 2) } else { (html! {}, 0) };
    let inner = html! { (frame.around(&layer)) (labels(&of.rules, &frame)) (key) };
    Some(chart(of.summary, HEIGHT + high, &inner))
}

/// Words of the uprights: each as low as it can stand without covering one before.
fn labels(rules: &[Rule], frame: &Frame) -> Markup {
    const ROWS: usize = 3;
    let mut sorted: Vec<(i32, &str)> = rules
        .iter()
        .map(|rule| (frame.left + frame.place(rule.x, frame.y.low).0 / FINE, rule.words.as_str()))
        .collect();
    sorted.sort_by_key(|(at, _)| *at);
    let mut taken = [0; ROWS];
    let placed: Vec<(i32, usize, &str, &str)> = sorted
        .into_iter()
        .map(|(at, words)| {
            let wide = words.chars().count() as i32 * 8;
            // The last ones end at their upright.
            let (from, anchor) = if at + wide > WIDTH - 8 { (at - wide, "end") } else { (at, "start") };
            let row = (0..ROWS).find(|row| taken[*row] <= from).unwrap_or(ROWS - 1);
            taken[row] = from + wide + 8;
            (at, row, anchor, words)
        })
        .collect();
    html! {
        g.rules font-size=(TEXT - 1) {
            @for (at, row, anchor, words) in placed {
                text x=(at) data-at=((at - frame.left) * FINE) y=(frame.top - 6 - 17 * row as i32) text-anchor=(anchor)
                    fill="currentColor" { (words) }
            }
        }
    }
}
