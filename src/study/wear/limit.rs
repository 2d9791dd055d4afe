//! How many machines the drives outlive their warranty with: a limit of `fit`.

use crate::outcome::PaperLimit;
use crate::scenario::{Auto, DriveKind, Scenario};
use crate::study::paper::largest_number;
use crate::study::pilot;
use crate::study::run::{Context, replicate};
use crate::study::scaled::{Vary, machines_at, with_machines};
use crate::study::setting::{Setting, StudyError};

use super::choices::lasts;
use super::days::{Inputs, Model};
use super::risk::Rebuild;

/// The most machines of what is varied with which the worst drive's flash lasts for its warranty; none of drives
/// without a rating, or where nothing is written. Measured in a short run at the stated load, with as many writes for each
/// machine at any number.
pub(in crate::study) fn endurance_limit(
    scenario: &Scenario,
    vary: Vary,
    context: &Context,
) -> Result<Option<PaperLimit>, StudyError> {
    let drives = scenario.design.drives.as_ref().map(|drives| &drives.kind);
    let Some(DriveKind::Part(part)) = drives else { return Ok(None) };
    (context.progress)("how long the drives last");
    let (mut healthy, _) = super::healthy(scenario);
    healthy.objectives.clear();
    healthy.run.length = Auto::Given(pilot::first_length(&Setting::new(&healthy, context.interrupted)?));
    let setting = Setting::new(&healthy, context.interrupted)?;
    let (replications, course) = replicate(&setting, context);
    let unknown = |why: &str| PaperLimit {
        resource: "endurance".into(),
        machines: None,
        why: format!("{why}: what the machines write was not measured"),
    };
    if let Some(why) = &course.interrupted {
        return Ok(Some(unknown(why)));
    }
    let rebuild = Rebuild { pace: None, content: 0.0, wait_h: 0.0, reason: None, is_known: true };
    let model = Model::new(&setting, &replications, rebuild);
    let inputs = Inputs::stated(&healthy);
    let now = model.at(&inputs);
    if !now.years.is_finite() {
        return Ok(None);
    }
    let outlives = |count: u64| {
        let machines = machines_at(&healthy.classes, vary, count as f64);
        let scaled = model.rates.iter().zip(&healthy.classes).zip(machines);
        let rates: Vec<f64> = scaled
            .map(|((rate, class), count)| rate / f64::from(class.machines) * f64::from(count))
            .collect();
        let other = with_machines(&healthy, vary, count as f64);
        lasts(&model, &inputs, &other, &rates).is_ok_and(|lasts| lasts.years >= part.warranty_years)
    };
    Ok(Some(PaperLimit {
        resource: "endurance".into(),
        machines: largest_number(&outlives),
        why: format!(
            "with those stated the worst drive lasts {:.1} years, by its rated bytes {:.1}; warranty {} years",
            now.years, now.conservative_years, part.warranty_years
        ),
    }))
}
