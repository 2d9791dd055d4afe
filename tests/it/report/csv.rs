//! CSV, read back by the standard's rules.

use std::collections::BTreeMap;

use forebay::report::csv::{run_csv, stations_csv};

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
        assert_eq!(rows.len(), outcome.classes.len(), "{name}");
        for (row, class) in rows.iter().zip(&outcome.classes) {
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
