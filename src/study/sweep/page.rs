//! A store as a page shows it: every point with where it stands, and the scenario of any of them as one text with slots for
//! what varies.

use std::path::Path;

use crate::outcome::{SlottedScenario, SweepFindings, SweepTable};
use crate::scenario::{Goal, Override, is_text, parse_sweep, written};

use super::listing::{Query, list};

/// Round the number of a key, where its value belongs. Characters of a private use area, which no scenario has.
const MARKS: [char; 2] = ['\u{E000}', '\u{E001}'];

/// What the sweep that a table was made from seeks, and what differences count; none if it seeks nothing.
pub fn sought(table: &SweepTable) -> Option<(Vec<Goal>, f64)> {
    let sweep = parse_sweep(&table.inputs.sweep, "the sweep in the store", Path::new("")).ok()?;
    (!sweep.front.is_empty()).then_some((sweep.front, sweep.alike))
}

/// The same, and nothing before the first point has an answer: no figure is known then, and none can be sought.
pub fn sought_so_far(table: &SweepTable) -> (Vec<Goal>, f64) {
    let has_answers = table.points.iter().any(|point| point.error.is_none());
    sought(table).filter(|_| has_answers).unwrap_or_default()
}

/// All points, where they stand in what the sweep seeks, and their scenarios.
///
/// # Errors
/// A figure that is sought and that no point has.
pub fn findings(table: &SweepTable) -> Result<SweepFindings, String> {
    let (front, alike) = sought_so_far(table);
    let query = Query { front, alike, beaten_too: true, every_figure: true, ..Query::default() };
    Ok(SweepFindings { listing: list(table, &query)?, scenario: slotted(table) })
}

/// The base with a slot at every key that points change; none where points change unlike keys, or the base cannot be written.
fn slotted(table: &SweepTable) -> Option<SlottedScenario> {
    let first = table.points.first()?;
    let paths: Vec<&str> = first.point.sets.iter().map(|(path, _)| path.as_str()).collect();
    let is_alike =
        |sets: &[(String, String)]| sets.iter().map(|(path, _)| path.as_str()).eq(paths.iter().copied());
    if !table.points.iter().all(|point| is_alike(&point.point.sets)) {
        return None;
    }
    let [open, close] = MARKS;
    let slot = |(nth, path): (usize, &&str)| Override {
        path: (*path).into(),
        value: format!("\"{open}{nth}{close}\""),
    };
    let changes: Vec<Override> = paths.iter().enumerate().map(slot).collect();
    let text = written(&table.inputs.base, "base", &changes).ok()?;
    // Every other piece is the number of a key; the quotes round it belong to the slot.
    let mut pieces = Vec::new();
    let mut keys = Vec::new();
    for (nth, part) in text.split(MARKS).enumerate() {
        match nth % 2 {
            0 => pieces.push(part.trim_start_matches('"').to_owned()),
            _ => {
                keys.push(part.parse().ok()?);
                let before = pieces.last_mut()?;
                before.truncate(before.trim_end_matches('"').len());
            }
        }
    }
    let mut texts: Vec<String> = Vec::new();
    for (_, value) in table.points.iter().flat_map(|point| &point.point.sets) {
        if is_text(value) && !texts.contains(value) {
            texts.push(value.clone());
        }
    }
    Some(SlottedScenario { pieces, keys, texts })
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::outcome::{PointOutcome, PointSets, SweepInputs};

    /// Slots filled with a point's values are a scenario: the one that its changes make of the base.
    #[test]
    fn slots_filled_are_the_scenario_of_the_point() {
        let folder = std::path::Path::new(env!("CARGO_MANIFEST_DIR")).join("workloads");
        let base =
            std::fs::read_to_string(folder.join("emberley.toml")).expect("a scenario of the repository");
        let sets = |cores: &str, part: &str| {
            let price = format!("parts.{part}.price");
            [
                ("design.cpu.cores", cores),
                ("design.drives.part", part),
                ("run.warm_up", "30 ms"),
                (&price, "590"),
            ]
            .map(|(path, value)| (path.to_owned(), value.to_owned()))
            .to_vec()
        };
        let all = ["8", "12"].map(|cores| sets(cores, "nvme-gen4-read-centric-3840"));
        let point = |(number, sets): (u64, &Vec<(String, String)>)| PointOutcome {
            point: PointSets { number, sets: sets.clone() },
            scenario_digest: String::new(),
            error: None,
            round: None,
            asked_with: Vec::new(),
            answers: String::new(),
            figures: Vec::new(),
            requests: 0,
        };
        let inputs = SweepInputs {
            tool: String::new(),
            title: String::new(),
            sweep: String::new(),
            base: base.clone(),
            files: Default::default(),
            variants: 2,
        };
        let table =
            SweepTable { schema: 1, inputs, planned: Some(2), points: (0..).zip(&all).map(point).collect() };
        let slotted = slotted(&table).expect("alike keys");
        for sets in &all {
            let mut text = slotted.pieces[0].clone();
            for (key, piece) in slotted.keys.iter().zip(&slotted.pieces[1..]) {
                let value = &sets[*key].1;
                let is_text = slotted.texts.contains(value);
                text += &if is_text { format!("{value:?}") } else { value.clone() };
                text += piece;
            }
            let changes: Vec<Override> = sets
                .iter()
                .map(|(path, value)| Override { path: path.clone(), value: value.clone() })
                .collect();
            let read = |text: &str, changes: &[Override]| {
                let mut read = crate::scenario::parse(text, "s", &folder, changes).expect("a scenario");
                read.digest = String::new();
                read
            };
            assert_eq!(read(&text, &[]), read(&base, &changes), "{text}");
        }
        // Where keys differ there is no such text.
        let mut unlike = table.clone();
        unlike.points[1].point.sets.pop();
        assert_eq!(super::slotted(&unlike), None);
    }
}
