//! `check`: what static arithmetic says of a valid scenario.

use std::sync::atomic::AtomicBool;

use crate::engine::Key;
use crate::outcome::{CeilingRow, CheckOutcome};
use crate::scenario::Scenario;
use crate::system::ceilings;
use crate::traffic::Sources;

use super::TOOL;
use super::mix::{self, offered_iops};
use super::setting::{Setting, StudyError};

/// Adds up the demands of a scenario; reads its traces, so that a bad one is found here.
pub fn check(scenario: &Scenario) -> Result<CheckOutcome, StudyError> {
    let interrupted = AtomicBool::new(false);
    let setting = Setting::new(scenario, &interrupted)?;
    let root = Key::root(scenario.run.seed);
    let offered = Sources::new(&scenario.classes, root, &setting.traces, setting.scale).offered();
    let offered_iops = offered_iops(&offered);
    let kinds = mix::stated(&setting, &offered);
    let is_mixed = kinds.is_none();
    let kinds = kinds.unwrap_or_else(|| mix::offered_alone(&setting, &offered));
    let found = ceilings(&scenario.design, &setting.plan, &kinds);
    let lowest = found.iter().min_by(|a, b| a.iops.total_cmp(&b.iops));
    let mut notes = setting.trace_notes();
    if is_mixed {
        notes.push(
            "the ceilings are those of the mix that the open classes offer; closed classes come on top, as \
             fast as they are answered, which `run` measures"
                .into(),
        );
    }
    Ok(CheckOutcome {
        schema: 1,
        tool: TOOL.into(),
        scenario_digest: scenario.digest.clone(),
        title: scenario.title.clone(),
        offered_iops,
        static_ceiling_iops: lowest.map(|c| c.iops),
        static_binding: lowest.map(|c| c.station.clone()),
        ceilings: found
            .iter()
            .map(|c| CeilingRow {
                station: c.station.clone(),
                servers: c.servers,
                demand_us: c.demand_s * 1e6,
                ceiling_iops: c.iops,
                utilisation: offered_iops.map(|iops| iops / c.iops),
            })
            .collect(),
        notes,
    })
}
