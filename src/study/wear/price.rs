//! Power, energy and price, where the scenario gives them.

use crate::outcome::{CapacityPage, PowerPage, PricePage, RunOutcome};
use crate::scenario::{Price, Scenario};
use crate::theory::endurance::DAYS_A_YEAR;

use super::days::Inputs;

const TB: f64 = 1e12;

/// Power of what states one; none if nothing does.
pub(super) fn power(scenario: &Scenario) -> Option<PowerPage> {
    let (drives_w, system_w) = watts(scenario);
    let total_w = total_watts(scenario)?;
    let (years, pue) = scenario.design.price.as_ref().map_or((5.0, 1.0), |price| (price.years, price.pue));
    let reason = match (drives_w, system_w) {
        (None, _) => Some("the part states no `power`: its drives are not in it".into()),
        (_, None) => Some("`design.power` is not stated: drives alone".into()),
        _ => None,
    };
    Some(PowerPage {
        drives_w,
        system_w,
        total_w,
        years,
        energy_kwh: energy_kwh(total_w, pue, years),
        reason,
    })
}

/// Of all drives, and of all else, where they are stated.
fn watts(scenario: &Scenario) -> (Option<f64>, Option<f64>) {
    let drives = scenario.design.drives.as_ref();
    let each = drives.and_then(|drives| drives.upkeep.as_ref()?.power);
    (each.zip(drives).map(|(each, drives)| each * f64::from(drives.count)), scenario.design.power)
}

/// Of what is stated; none if nothing is.
fn total_watts(scenario: &Scenario) -> Option<f64> {
    match watts(scenario) {
        (None, None) => None,
        (drives, system) => Some(drives.unwrap_or(0.0) + system.unwrap_or(0.0)),
    }
}

fn energy_kwh(watts: f64, pue: f64, years: f64) -> f64 {
    watts * pue * 24.0 * DAYS_A_YEAR * years / 1000.0
}

/// Amounts over the years: drives, yearly payments, energy.
fn parts(scenario: &Scenario, price: &Price, inputs: &Inputs) -> (Option<f64>, f64, Option<f64>) {
    let count = scenario.design.drives.as_ref().map_or(0, |drives| drives.count);
    let drives = inputs.drive_price.map(|each| each * f64::from(count));
    let watts = total_watts(scenario).zip(inputs.energy_price);
    let energy = watts.map(|(watts, each)| energy_kwh(watts, price.pue, price.years) * each);
    (drives, inputs.yearly_price * price.years, energy)
}

/// All that is stated; none without [design.price].
pub(super) fn total(scenario: &Scenario, inputs: &Inputs) -> Option<f64> {
    let price = scenario.design.price.as_ref()?;
    let (drives, yearly, energy) = parts(scenario, price, inputs);
    Some(inputs.system_price + drives.unwrap_or(0.0) + yearly + energy.unwrap_or(0.0))
}

/// What it costs; none without [design.price].
pub(super) fn price(
    scenario: &Scenario,
    inputs: &Inputs,
    run: &RunOutcome,
    capacity: Option<&CapacityPage>,
) -> Option<PricePage> {
    let price = scenario.design.price.as_ref()?;
    let (drives, yearly, energy) = parts(scenario, price, inputs);
    let total = total(scenario, inputs)?;
    let mut missing = Vec::new();
    if drives.is_none() {
        missing.push("the part states no `price`: its drives are not in it".into());
    }
    match (&inputs.energy_price, power(scenario)) {
        (Some(_), None) => missing.push("energy is not in it: no power is stated".into()),
        (Some(_), Some(power)) => missing.extend(power.reason),
        (None, Some(_)) => missing.push("energy is not in it: `design.price.energy` is not stated".into()),
        (None, None) => {}
    }
    let per_1000_iops = match run.verdict.objectives_met {
        Some(true) if !run.objectives.is_empty() => {
            run.carried.iops.value.filter(|iops| *iops > 0.0).map(|iops| total / iops * 1000.0)
        }
        Some(true) => {
            missing.push("no price for 1,000 requests/s: no objective says what a request is worth".into());
            None
        }
        _ => {
            missing.push(
                "no price for 1,000 requests/s: the stated load does not meet every objective; `knee` says which load does"
                    .into(),
            );
            None
        }
    };
    let machines: f64 = scenario.classes.iter().map(|class| f64::from(class.machines)).sum();
    Some(PricePage {
        currency: price.currency.clone(),
        years: price.years,
        drives,
        system: inputs.system_price,
        yearly,
        energy,
        total,
        per_usable_tb: capacity.map(|capacity| total / (capacity.room_bytes / TB)),
        per_effective_tb: capacity
            .and_then(|capacity| capacity.effective_bytes)
            .map(|effective| total / (effective / TB)),
        per_machine: total / machines,
        per_1000_iops,
        missing,
    })
}
