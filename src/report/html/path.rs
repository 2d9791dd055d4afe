//! The design as it is: its stations from the ports to the drives, how busy each is and how long requests wait there.

use maud::{Markup, html};

use crate::outcome::{RunOutcome, StationRow};
use crate::report::numbers::{format_duration_us, format_per_second, format_percent};
use crate::report::text::shorten;

use super::{figure, table};

const ACROSS: usize = 4;
const BOX: (usize, usize) = (190, 92);
const GAP: (usize, usize) = (24, 34);

pub(super) fn section(outcome: &RunOutcome) -> Option<Markup> {
    let stations = &outcome.stations;
    if stations.is_empty() {
        return None;
    }
    let binding = outcome.verdict.binding.as_deref();
    let rows = stations.len().div_ceil(ACROSS);
    let (width, height) = (ACROSS * (BOX.0 + GAP.0), rows * (BOX.1 + GAP.1));
    let place = |nth: usize| {
        let row = nth / ACROSS;
        // There and back, so that each stands beside the next.
        let column = if row.is_multiple_of(2) { nth % ACROSS } else { ACROSS - 1 - nth % ACROSS };
        (column * (BOX.0 + GAP.0) + GAP.0 / 2, row * (BOX.1 + GAP.1) + GAP.1 / 2)
    };
    let middle = |nth: usize| (place(nth).0 + BOX.0 / 2, place(nth).1 + BOX.1 / 2);
    let lines: Vec<String> = (1..stations.len())
        .map(|nth| {
            let ((from_x, from_y), (to_x, to_y)) = (middle(nth - 1), middle(nth));
            format!("M{from_x} {from_y}L{to_x} {to_y}")
        })
        .collect();
    let chart = html! {
        svg.path viewBox=(format!("0 0 {width} {height}")) role="img"
            aria-label="Stations on the way of a request, front to back; the table below has the same figures" {
            @for line in &lines { path.flow d=(line) {} }
            @for (nth, station) in stations.iter().enumerate() {
                (drawn(station, place(nth), binding == Some(&station.name)))
            }
        }
    };
    let cells: Vec<Vec<String>> = stations
        .iter()
        .map(|station| {
            vec![
                station.name.clone(),
                of(station),
                format_percent(station.utilisation),
                station.busiest.as_ref().map_or_else(String::new, |busiest| {
                    format!("{} {}", busiest.name, format_percent(busiest.utilisation))
                }),
                format_duration_us(station.mean_wait_us),
                format_duration_us(station.mean_service_us),
                format_per_second(station.arrivals_per_s),
            ]
        })
        .collect();
    let header = ["station", "of", "busy", "busiest", "mean wait", "mean service", "arrivals"];
    let caption = "At the stated load, front to back. A bar is the time that a station is busy; the station that is fullest has a heavy frame.";
    Some(figure("path", Some(chart), caption, &table(&header, &cells)))
}

fn of(station: &StationRow) -> String {
    match (station.members, station.servers) {
        (1, servers) => servers.to_string(),
        (members, 1) => members.to_string(),
        (members, servers) => format!("{members} × {servers}"),
    }
}

fn drawn(station: &StationRow, (x, y): (usize, usize), binds: bool) -> Markup {
    let busy = station.busiest.as_ref().map_or(station.utilisation, |busiest| busiest.utilisation);
    let full = (BOX.0 - 24) as f64;
    let class = if binds { "box binds" } else { "box" };
    html! {
        g {
            title { (station.name) }
            rect class=(class) x=(x) y=(y) width=(BOX.0) height=(BOX.1) {}
            rect.rail x=(x + 12) y=(y + 54) width=(full) height="10" {}
            rect.level x=(x + 12) y=(y + 54) width=(format!("{:.1}", full * busy.clamp(0.0, 1.0))) height="10" {}
            text x=(x + 12) y=(y + 22) { (shorten(&station.name, 21)) }
            text.small x=(x + 12) y=(y + 42) { (of(station)) @if binds { " · fullest" } }
            text.small x=(x + 12) y=(y + 82) { (format_percent(busy)) " busy, wait " (format_duration_us(station.mean_wait_us)) }
        }
    }
}
