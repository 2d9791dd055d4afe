//! The same design with other drives of the family, or reducing otherwise: by arithmetic, from what was measured.

use std::sync::Arc;

use crate::outcome::ChoiceRow;
use crate::scenario::{DriveKind, Scenario};
use crate::study::calibrate::calibrate;
use crate::study::mix;
use crate::study::setting::Setting;
use crate::system::{Capacity, Plan, Unfit, WriteModel, holdings};
use crate::theory::endurance::{drive_writes_per_day, years};

use super::days::{Inputs, Life, Model, sum};
use super::{SECONDS_A_DAY, finite};

/// Capacities of a family, as factors on the stated one.
const FAMILY: [f64; 4] = [0.5, 1.0, 2.0, 4.0];

/// Drives of half, twice and four times the capacity, with as many writes a day in their rating.
pub(super) fn capacities(model: &Model, inputs: &Inputs) -> Vec<ChoiceRow> {
    if model.life.is_none() {
        return Vec::new();
    }
    let scenario = model.setting.scenario;
    let row = |factor: f64| {
        let mut other = scenario.clone();
        if let Some(DriveKind::Part(part)) = other.design.drives.as_mut().map(|drives| &mut drives.kind) {
            part.capacity = (part.capacity as f64 * factor) as u64;
        }
        let each = other.design.drives.as_ref().and_then(|drives| drives.kind.capacity()).unwrap_or(0);
        let what = format!("{} TB each", (each as f64 / 1e9).round() / 1e3);
        choice(model, inputs, &other, what, factor == 1.0)
    };
    FAMILY.map(row).to_vec()
}

/// Compression and duplicates, each and both.
pub(super) fn reduction(model: &Model, inputs: &Inputs) -> Vec<ChoiceRow> {
    let scenario = model.setting.scenario;
    let Some(stated) = &scenario.design.reduction else { return Vec::new() };
    let row = |(what, compress, deduplicate): (&str, bool, bool)| {
        let mut other = scenario.clone();
        if let Some(reduction) = &mut other.design.reduction {
            (reduction.compress, reduction.deduplicate) = (compress, deduplicate);
        }
        let is_stated = (compress, deduplicate) == (stated.compress, stated.deduplicate);
        choice(model, inputs, &other, what.into(), is_stated)
    };
    let ways = [
        ("no reduction", false, false),
        ("compression alone", true, false),
        ("deduplication alone", false, true),
        ("both", true, true),
    ];
    ways.into_iter().map(row).collect()
}

fn choice(model: &Model, inputs: &Inputs, other: &Scenario, what: String, is_stated: bool) -> ChoiceRow {
    let capacity = holdings(other).capacity;
    let lasts = lasts(model, inputs, other, &model.rates);
    let known = lasts.as_ref().ok();
    ChoiceRow {
        what,
        is_stated,
        usable_bytes: capacity.as_ref().map(|capacity| capacity.room),
        effective_bytes: capacity.as_ref().and_then(Capacity::effective),
        fill: capacity.as_ref().map(Capacity::fill),
        drive_writes_per_day: known.and_then(|lasts| finite(lasts.drive_writes_per_day)),
        years: known.and_then(|lasts| finite(lasts.years)),
        conservative_years: known.and_then(|lasts| finite(lasts.conservative_years)),
        reason: lasts.err(),
    }
}

/// How long drives last.
pub(super) struct Lasts {
    /// Of the mean drive.
    pub drive_writes_per_day: f64,
    /// Of the worst drive, by its flash budget.
    pub years: f64,
    /// The same by its rated bytes.
    pub conservative_years: f64,
}

/// How long the drives of another design or of another mix last, its classes asking so often a second; or why not.
pub(super) fn lasts(
    model: &Model,
    inputs: &Inputs,
    other: &Scenario,
    rates: &[f64],
) -> Result<Lasts, String> {
    // The drives' inner figures are the stated drive's: only the size is another.
    let solved = calibrate(&model.setting.scenario.design).ok().flatten();
    let plan = Plan::compile(other, solved).map_err(|unfit| match unfit {
        Unfit::Full { .. } => "the data does not fit".to_owned(),
        Unfit::Drive(why) => why.why,
    })?;
    let setting = Setting {
        scenario: other,
        plan: Arc::new(plan),
        traces: model.setting.traces.clone(),
        scale: model.setting.scale,
        periods: None,
        interrupted: model.setting.interrupted,
    };
    let kinds = mix::weighted(&setting, rates);
    let writes = WriteModel::of(other, &setting.plan, &kinds, rates.iter().sum());
    let day = sum(&writes.by_class(&inputs.reduces), |class| inputs.duty[class] * SECONDS_A_DAY);
    let each = |bytes: f64| bytes / f64::from(model.drives);
    let (drives, flash) = (each(day.drives * model.anchor.drives), each(day.flash * model.anchor.flash));
    let capacity = other.design.drives.as_ref().and_then(|drives| drives.kind.capacity()).unwrap_or(0);
    let life = Life::of_drives(&setting).ok_or("the drives have no rated endurance")?;
    Ok(Lasts {
        drive_writes_per_day: drive_writes_per_day(drives, capacity as f64),
        years: years(life.budget, flash * model.unevenness),
        conservative_years: years(life.rated, drives * model.unevenness),
    })
}
