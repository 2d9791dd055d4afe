//! CSV, read back by the standard's rules.

use std::collections::BTreeMap;

use forebay::report::csv::{compare_csv, run_csv, series_csv, stations_csv};

use super::fixtures;

/// Records of a CSV text, read by the rules of RFC 4180 apart from the code under test.
fn records(text: &str) -> Vec<Vec<String>> {
    let (mut records, mut record, mut field, mut quoted) = (vec![], vec![], String::new(), false);
    let mut letters = text.chars().peekable();
    while let Some(letter) = letters.next() {
        match letter {
            '"' if quoted && letters.peek() == Some(&'"') => field.extend(letters.next()),
            '"' => quoted = !quoted,
            ',' if !quoted => record.push(std::mem::take(&mut field)),
            '\r' if !quoted => {
                assert_eq!(letters.next(), Some('\n'), "a bare carriage return");
                record.push(std::mem::take(&mut field));
                records.push(std::mem::take(&mut record));
            }
            letter => field.push(letter),
        }
    }
    assert!(field.is_empty() && record.is_empty(), "the last record has no line end");
    records
}

/// Rows of a CSV text by column name.
fn rows(text: &str) -> Vec<BTreeMap<String, String>> {
    let mut records = records(text).into_iter();
    let header = records.next().expect("a header");
    records
        .map(|record| {
            assert_eq!(record.len(), header.len());
            header.iter().cloned().zip(record).collect()
        })
        .collect()
}

#[test]
fn csv_gives_every_class_and_figure_back_exactly() {
    for (name, outcome) in fixtures::all() {
        let rows = rows(&run_csv(&outcome));
        let whole = outcome.classes.iter().map(|class| ("whole run", class));
        let apart =
            outcome.periods.iter().flat_map(|p| p.classes.iter().map(|class| (p.name.as_str(), class)));
        let classes: Vec<_> = whole.chain(apart).collect();
        assert_eq!(rows.len(), classes.len(), "{name}");
        for (row, (period, class)) in rows.iter().zip(classes) {
            let told = row.get("period").map(String::as_str);
            assert_eq!(told, (!outcome.periods.is_empty()).then_some(period), "{name}");
            assert_eq!((&row["class"], &row["operation"]), (&class.name, &class.operation), "{name}");
            assert_eq!(row["requests"], class.requests.to_string());
            for (key, figure) in &class.latency_us {
                for (column, value) in [("", figure.value), ("_low", figure.low), ("_high", figure.high)] {
                    assert_eq!(row[&format!("{key}_us{column}")].parse().ok(), value, "{name} {key}{column}");
                }
                let told =
                    row["missing"].contains(&format!("{key}: fewer")) || row["missing"].contains("backlog");
                assert_eq!(figure.reason.is_some(), told, "{name} {key}");
            }
        }
    }
}

#[test]
fn csv_gives_every_point_in_time_back_exactly() {
    let outcome = fixtures::dated();
    let rows = rows(&series_csv(&outcome));
    assert_eq!(rows.len(), outcome.series.len());
    for (row, point) in rows.iter().zip(&outcome.series) {
        assert_eq!(row["at_s"].parse(), Ok(point.at_s));
        assert_eq!(row["p99_us"].parse().ok(), point.p99_us);
        assert_eq!(row["log_fill"], "");
        for (group, share) in &point.utilisation {
            assert_eq!(row[&format!("utilisation {group}")].parse(), Ok(*share));
        }
    }
    assert_eq!(records(&series_csv(&fixtures::stable())).len(), 1, "a run without dates has a header alone");
}

#[test]
fn csv_gives_every_station_back_exactly() {
    let outcome = fixtures::stable();
    let rows = rows(&stations_csv(&outcome));
    assert_eq!(rows.len(), outcome.stations.len());
    for (row, station) in rows.iter().zip(&outcome.stations) {
        assert_eq!(row["station"], station.name);
        assert_eq!(row["utilisation"].parse(), Ok(station.utilisation));
        assert_eq!(row["queue_len_mean"].parse(), Ok(station.mean_queue));
        assert_eq!(row["busiest_member"], station.busiest.as_ref().map_or("", |member| &member.name));
    }
}

#[test]
fn differences_have_a_row_each_and_say_what_is_missing() {
    let mut outcome = fixtures::compared();
    outcome.answers[0].during = Some("morning, logons".into());
    let found = rows(&compare_csv(&outcome));
    // All differences, and the answer that is about one period only.
    assert_eq!(found.len(), outcome.differences.len() + 1);
    assert_eq!((found[0]["difference_us"].as_str(), found[0]["distinguishable"].as_str()), ("-130", "true"));
    assert_eq!((found[1]["difference_us"].as_str(), found[1]["same"].as_str()), ("0", "true"));
    assert_eq!(found[2]["difference_us"], "");
    assert_eq!(found[2]["missing"], "design.drives.count=12 does not carry its load");
    let last = found.last().expect("a row");
    assert_eq!(last["during"], "morning, logons");
    assert!(found.iter().any(|row| row["percentile"] == "mean"));
}
