//! The same design with other drives of the family, or reducing otherwise: by arithmetic, from what was measured.

use std::sync::Arc;

use crate::outcome::ChoiceRow;
use crate::scenario::{DriveKind, Scenario};
use crate::study::calibrate::calibrate;
use crate::study::mix;
use crate::study::setting::Setting;
use crate::system::{Plan, Unfit, WriteModel, holdings};
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
    let empty = |what: String, reason: Option<String>| ChoiceRow {
        what,
        is_stated,
        usable_bytes: None,
        effective_bytes: None,
        fill: None,
        drive_writes_per_day: None,
        years: None,
        conservative_years: None,
        reason,
    };
    let mut row = empty(what, None);
    if let Some(capacity) = holdings(other).capacity {
        row.usable_bytes = Some(capacity.room);
        row.effective_bytes = capacity.effective();
        row.fill = Some(capacity.fill());
    }
    // The drives' inner figures are the stated drive's: only the size is another.
    let solved = calibrate(&model.setting.scenario.design).ok().flatten();
    let plan = match Plan::compile(other, solved) {
        Ok(plan) => Arc::new(plan),
        Err(Unfit::Full { .. }) => return ChoiceRow { reason: Some("the data does not fit".into()), ..row },
        Err(Unfit::Drive(why)) => return ChoiceRow { reason: Some(why.why), ..row },
    };
    let setting = Setting {
        scenario: other,
        plan,
        traces: model.setting.traces.clone(),
        scale: model.setting.scale,
        periods: None,
        interrupted: model.setting.interrupted,
    };
    let kinds = mix::weighted(&setting, &model.rates);
    let writes = WriteModel::of(other, &setting.plan, &kinds, model.rates.iter().sum());
    let day = sum(&writes.by_class(&inputs.reduces), |class| inputs.duty[class] * SECONDS_A_DAY);
    let (drives, flash) = (day.drives * model.anchor.drives, day.flash * model.anchor.flash);
    let life = Life::of_drives(&setting);
    let capacity = other.design.drives.as_ref().and_then(|drives| drives.kind.capacity()).unwrap_or(0) as f64;
    let each = |bytes: f64| bytes / f64::from(model.drives);
    row.drive_writes_per_day = finite(drive_writes_per_day(each(drives), capacity));
    row.years = life.and_then(|life| finite(years(life.budget, each(flash) * model.unevenness)));
    row.conservative_years = life.and_then(|life| finite(years(life.rated, each(drives) * model.unevenness)));
    row
}
