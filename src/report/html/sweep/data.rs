//! What the script of a sweep needs, as JSON in the page.

use serde_json::{Value, json};

use crate::outcome::{KeptFigure, SweepFindings};

use super::shown::{Shown, group, spell};

/// What the script needs, as JSON that may stand in a page: no `<` in it.
pub(super) fn data(shown: &Shown, findings: &SweepFindings) -> String {
    // Every key goes along, for a scenario needs them all: values once, and points by their numbers.
    let count = shown.rows.first().map_or(0, |row| row.sets.len());
    let mut values: Vec<Vec<&str>> = vec![Vec::new(); count];
    let mut places: Vec<std::collections::HashMap<&str, usize>> = vec![Default::default(); count];
    let points: Vec<Value> = shown
        .rows
        .iter()
        .map(|row| {
            let sets: Vec<usize> = (0..count)
                .map(|at| {
                    let value = row.sets.get(at).map_or("", |(_, value)| value.as_str());
                    *places[at].entry(value).or_insert_with(|| {
                        values[at].push(value);
                        values[at].len() - 1
                    })
                })
                .collect();
            let figures: Vec<Value> =
                shown.figures.iter().map(|figure| brief(&row.figures[*figure])).collect();
            json!([row.number, group(row), row.round, sets, figures])
        })
        .collect();
    let keys: Vec<&str> = (0..count).map(|at| shown.key(at)).collect();
    let names: Vec<&str> = (0..shown.figures.len()).map(|nth| shown.name(nth)).collect();
    // None of a figure that is the same at all points.
    let mut axes = vec![Value::Null; names.len()];
    for (nth, axis) in &shown.drawn {
        axes[*nth] = axis.data();
    }
    let spellings: Vec<&str> = names.iter().map(|name| spell(name).word()).collect();
    json!({
        "keys": keys, "values": values, "figures": names, "spellings": spellings, "axes": axes, "points": points,
        "scenario": findings.scenario,
    })
    .to_string()
    .replace('<', "\\u003c")
}

/// Six digits are more than a chart shows: the value, or the value with its ends.
fn brief(figure: &KeptFigure) -> Value {
    let six = |value: f64| format!("{value:.5e}").parse::<f64>().unwrap_or(value);
    match (figure.value, figure.low.zip(figure.high)) {
        (None, _) => Value::Null,
        (Some(value), Some((low, high))) => json!([six(value), six(low), six(high)]),
        (Some(value), None) => json!(six(value)),
    }
}
