//! Where the slow requests lost their time, in words.

use crate::outcome::BlameRow;
use crate::report::numbers::{format_duration_us, format_percent};
use crate::report::sheet::{Sheet, Tone};
use crate::report::text::clean;

/// Contributors named for each class and operation.
const NAMED: usize = 3;
/// A contributor with less of the time than this is left to the rest.
const WORTH_NAMING: f64 = 0.02;

/// Adds the blame for the slowest hundredth of each class and operation and of all requests; for all of
/// them where no percentile was reached. (Sums in between are in the JSON.)
pub(super) fn tail(sheet: &mut Sheet, blame: &[BlameRow]) {
    let has_tail = blame.iter().any(|row| row.above == "p99");
    let (above, heading) = match has_tail {
        true => ("p99", "Where the slowest 1 % of requests spend their time"),
        false => ("all", "Where requests spend their time"),
    };
    let rows: Vec<&BlameRow> = blame.iter().filter(|row| row.above == above).collect();
    if rows.is_empty() {
        return;
    }
    sheet.heading(heading);
    for (class, operation) in subjects(&rows) {
        if (class == "all") != (operation == "all") {
            continue;
        }
        let parts = rows.iter().filter(|row| row.class == class && row.operation == operation);
        let words = in_words(parts.copied());
        let subject = match (class, operation) {
            ("all", "all") => "all requests".into(),
            _ => format!("{} {}", clean(class), clean(operation)),
        };
        sheet.hanging(Tone::Plain, " ", 5, &format!("{subject}: {words}"));
    }
}

/// Classes and operations in order of appearance.
fn subjects<'a>(rows: &[&'a BlameRow]) -> Vec<(&'a str, &'a str)> {
    let mut subjects = Vec::new();
    for row in rows {
        let subject = (row.class.as_str(), row.operation.as_str());
        if !subjects.contains(&subject) {
            subjects.push(subject);
        }
    }
    subjects
}

/// "2.31 ms, of which wait at drives.unit 61 %, service at cpu 9 %, the rest 30 %".
fn in_words<'a>(rows: impl Iterator<Item = &'a BlameRow>) -> String {
    let mut parts: Vec<(String, f64)> = Vec::new();
    for row in rows {
        parts.push((format!("wait at {}", clean(&row.station)), row.wait_us));
        parts.push((format!("service at {}", clean(&row.station)), row.service_us));
    }
    let total: f64 = parts.iter().map(|(_, time_us)| time_us).sum();
    if !(total > 0.0 && total.is_finite()) {
        return "no time was recorded".into();
    }
    // Stable: equal parts stay in the order of the route.
    parts.sort_by(|a, b| b.1.total_cmp(&a.1));
    let named: Vec<&(String, f64)> =
        parts.iter().take(NAMED).filter(|(_, time_us)| time_us / total >= WORTH_NAMING).collect();
    let rest = 1.0 - named.iter().map(|(_, time_us)| time_us / total).sum::<f64>();
    let mut words: Vec<String> =
        named.iter().map(|(name, time_us)| format!("{name} {}", format_percent(time_us / total))).collect();
    // Half a per cent would be spelt 0 or 1: not worth a phrase.
    if rest >= 0.005 {
        words.push(format!("the rest {}", format_percent(rest)));
    }
    format!("{} on average: {}", format_duration_us(total), words.join(", "))
}

#[cfg(test)]
mod tests {
    use super::*;

    fn row(station: &str, wait_us: f64, service_us: f64) -> BlameRow {
        BlameRow {
            class: "c".into(),
            operation: "read".into(),
            above: "p99".into(),
            station: station.into(),
            wait_us,
            service_us,
        }
    }

    #[test]
    fn the_largest_contributors_come_first_and_the_shares_make_a_whole() {
        let rows = [row("cpu", 50.0, 90.0), row("drives.unit", 610.0, 200.0), row("ports.tx", 30.0, 20.0)];
        assert_eq!(
            in_words(rows.iter()),
            "1.00 ms on average: wait at drives.unit 61 %, service at drives.unit 20 %, \
             service at cpu 9.0 %, the rest 10 %"
        );
    }

    #[test]
    fn no_time_is_said_and_not_divided_by() {
        assert_eq!(in_words([row("cpu", 0.0, 0.0)].iter()), "no time was recorded");
    }
}
