//! `check`: what static arithmetic says of a valid scenario, the page that a spreadsheet would be.
//!
//! `bandwidth` adds up the chain, `holdings` capacity, memory and lanes. A design whose data does not fit full stripes has
//! no ceilings, for its cleaner could not work; what it lacks is told all the same.

mod bandwidth;
mod holdings;

pub(super) use holdings::capacity as capacity_page;

use std::sync::Arc;
use std::sync::atomic::AtomicBool;

use crate::engine::Key;
use crate::outcome::{BandwidthChain, CeilingRow, CheckOutcome};
use crate::scenario::Scenario;
use crate::system::ceilings;
use crate::traffic::{Sources, Trace};

use super::TOOL;
use super::fit::not_judged;
use super::mix::{self, offered_iops};
use super::setting::{Setting, StudyError, load_traces};

/// Adds up the demands of a scenario; reads its traces, so that a bad one is found here.
pub fn check(scenario: &Scenario) -> Result<CheckOutcome, StudyError> {
    let interrupted = AtomicBool::new(false);
    let setting = match Setting::new(scenario, &interrupted) {
        Ok(setting) => setting,
        Err(StudyError::Full(..)) => {
            let offered = offered(scenario, &load_traces(scenario)?, 1.0);
            let mut outcome = page(scenario, offered_iops(&offered));
            outcome.reason = Some("what machines have been given does not fit".into());
            outcome.full = full(&outcome);
            return Ok(outcome);
        }
        Err(error) => return Err(error),
    };
    let offered = offered(scenario, &setting.traces, setting.scale);
    let mut outcome = page(scenario, offered_iops(&offered));
    outcome.notes.extend(setting.trace_notes());
    let kinds = mix::stated(&setting, &offered).unwrap_or_else(|| {
        let note = "the ceilings are those of the mix that the open classes offer; closed classes come on top, as \
                    fast as they are answered, which `run` measures";
        outcome.notes.push(note.into());
        mix::offered_alone(&setting, &offered)
    });
    let found = ceilings(&scenario.design, &setting.plan, &kinds);
    let lowest = found.iter().min_by(|a, b| a.iops.total_cmp(&b.iops));
    outcome.static_ceiling_iops = lowest.map(|c| c.iops);
    outcome.static_binding = lowest.map(|c| c.station.clone());
    let row = |c: &crate::system::Ceiling| CeilingRow {
        station: c.station.clone(),
        servers: c.servers,
        demand_us: c.demand_s * 1e6,
        ceiling_iops: c.iops,
        utilisation: outcome.offered_iops.map(|iops| iops / c.iops),
    };
    outcome.ceilings = found.iter().map(row).collect();
    outcome.bandwidth = bandwidth::chain(&setting, &kinds, outcome.offered_iops);
    if outcome.capacity.as_ref().is_some_and(|capacity| capacity.fill > 1.0) {
        let note = "what machines have been given does not fit; `run` does not refuse that of a layout in place, and \
                    takes its drives as full";
        outcome.notes.push(note.into());
    }
    outcome.full = full(&outcome);
    Ok(outcome)
}

/// What each class offers; none of one that is closed.
fn offered(scenario: &Scenario, traces: &[Option<Arc<Trace>>], scale: f64) -> Vec<Option<f64>> {
    Sources::new(&scenario.classes, Key::root(scenario.run.seed), traces, scale).offered()
}

/// The page without what takes a compiled design.
fn page(scenario: &Scenario, offered_iops: Option<f64>) -> CheckOutcome {
    let held = crate::system::holdings(scenario);
    CheckOutcome {
        schema: 1,
        tool: TOOL.into(),
        scenario_digest: scenario.digest.clone(),
        title: scenario.title.clone(),
        offered_iops,
        static_ceiling_iops: None,
        static_binding: None,
        reason: None,
        full: Vec::new(),
        bandwidth: None,
        ceilings: Vec::new(),
        lanes: holdings::lanes(&scenario.design),
        capacity: held.capacity.map(|capacity| holdings::capacity(&capacity, &scenario.classes)),
        memory: held.memory.map(|memory| holdings::memory(&memory, &scenario.classes)),
        notes: not_judged(scenario),
    }
}

/// Names of what is full on paper. Lanes are not among them: more than the budget is refused when the scenario is read.
/// Nor is memory that overflows: it costs drive reads, which the ceilings count.
fn full(outcome: &CheckOutcome) -> Vec<String> {
    let is_over = |share: Option<f64>| share.is_some_and(|share| share >= 1.0);
    let stations = outcome.ceilings.iter().filter(|row| is_over(row.utilisation));
    let mut names: Vec<String> = stations.map(|row| row.station.clone()).collect();
    let hops = |chain: &BandwidthChain| -> Vec<String> {
        let over = chain.hops.iter().filter(|hop| is_over(hop.utilisation));
        over.map(|hop| hop.hop.clone()).collect()
    };
    // A hop that is a station, or a direction of it is, has been named.
    let further = outcome.bandwidth.as_ref().map_or_else(Vec::new, hops);
    let is_named = |hop: &String| names.iter().any(|name| name.starts_with(hop.as_str()));
    let further: Vec<String> = further.into_iter().filter(|hop| !is_named(hop)).collect();
    names.extend(further);
    let is_full = outcome.capacity.as_ref().is_some_and(|capacity| capacity.fill > 1.0);
    names.extend(is_full.then(|| "capacity".into()));
    names
}
