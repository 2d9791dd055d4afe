//! `[run]`.

use super::{Reader, Section, values};
use crate::scenario::model::{RunPlan, Start};
use crate::scenario::tree::Table;

/// Reads `[run]`; a scenario without one takes every default.
pub fn read(reader: &mut Reader, top: &Section) -> Option<RunPlan> {
    let empty = Table::default();
    let without = Section { path: "run".into(), pattern: "run", table: &empty, at: None };
    let section = reader.table(top, "run", "run")?.unwrap_or(without);
    let seed = reader.value(&section, "seed", values::whole);
    let warm_up = reader.value(&section, "warm_up", values::auto_time);
    let length = reader.value(&section, "length", values::auto_time);
    let length_max = reader.value(&section, "length_max", values::time);
    let precision = reader.value(&section, "precision", values::number);
    let confidence = reader.value(&section, "confidence", values::number);
    let replications = reader.count(&section, "replications");
    let backlog_max = reader.value(&section, "backlog_max", values::whole);
    let start = reader.choice(&section, "start", &[Start::Steady, Start::Fresh]);
    let series = reader.value(&section, "series", values::time);
    Some(RunPlan {
        seed: seed?,
        warm_up: warm_up?,
        length: length?,
        length_max: length_max?,
        precision: precision?,
        confidence: confidence?,
        replications: replications?,
        backlog_max: backlog_max?,
        start: start?,
        series: series?,
    })
}
