//! Many points, alike but for where they stand: those that nothing beats, those of which it is open, the rest.
//!
//! A group is one path of strokes without length, so that thousands cost a page little; the script knows which is which by
//! their order.

use maud::{Markup, html};

use super::{Axis, FINE, Frame, HEIGHT, chart};

/// Points by where they stand.
pub(in crate::report::html) struct Cloud<'a> {
    /// For those who do not see it.
    pub summary: &'a str,
    pub x: &'a Axis,
    pub y: &'a Axis,
    /// Name of each group and its points, the last drawn over those before.
    pub groups: Vec<(&'static str, Vec<(f64, f64)>)>,
}

/// The chart.
pub(in crate::report::html) fn cloud(of: &Cloud) -> Markup {
    let frame = Frame::new(of.x, of.y, 14);
    chart(of.summary, HEIGHT, &frame.around(&dots(&frame, of)))
}

/// Small ones on the same axes: a name and its points each.
pub(in crate::report::html) fn panels(of: &[(String, Cloud)]) -> Markup {
    const ACROSS: i32 = 200;
    const DOWN: i32 = 130;
    html! {
        div.panels {
            @for (name, cloud) in of {
                @let frame = Frame { x: cloud.x, y: cloud.y, left: 1, top: 22, width: ACROSS - 2, height: DOWN - 24 };
                svg.panel viewBox=(format!("0 0 {ACROSS} {DOWN}")) role="img" aria-label=(name) {
                    text x="2" y="15" font-size="13" fill="currentColor" { (name) }
                    svg x=(frame.left) y=(frame.top) width=(frame.width) height=(frame.height) preserveAspectRatio="none"
                        viewBox=(format!("0 0 {} {}", frame.width * FINE, frame.height * FINE)) { (dots(&frame, cloud)) }
                    rect x="1" y="22" width=(ACROSS - 2) height=(DOWN - 24) fill="none" stroke="currentColor" {}
                }
            }
        }
    }
}

fn dots(frame: &Frame, of: &Cloud) -> Markup {
    let strokes = |points: &[(f64, f64)]| {
        points.iter().fold(String::new(), |mut d, (x, y)| {
            use std::fmt::Write;
            let (across, down) = frame.place(*x, *y);
            // Writing into a text does not fail.
            let _ = write!(d, "M{across} {down}h0");
            d
        })
    };
    html! { @for (name, points) in &of.groups { path class=(format!("dots {name}")) d=(strokes(points)) {} } }
}
