//! `wear`: how much fits and for how long, how long the drives last, at what risk of loss, at what price.
//!
//! One run at the stated load gives the bytes at each level (`ledger`, the same as `run` shows) and the requests of each
//! class; short runs give the pace of a rebuild. Arithmetic (`system::WriteModel`) says how those bytes move with anything
//! else: the load of a whole day, growth, how blocks reduce, another drive. So a figure here is always what was measured,
//! times a ratio of two sums, and without any change the ratio is 1. `days` is that figure for any inputs, `draws` makes
//! ranges of it, `risk` adds rebuild and loss, `choices` other drives and other reduction, `price` what the user knows.

mod choices;
mod days;
mod draws;
mod limit;
mod price;
mod risk;

use crate::measure::rate_estimate;
use crate::outcome::{DayRow, DriveWear, EndurancePage, RunOutcome, State, WearOutcome, YearRow};
use crate::scenario::{DriveKind, Fault, Scenario, Start};
use crate::system::holdings;
use crate::theory::endurance::{YEARS_MAX, years};

use super::ledger::{self, Level};
use super::replication::Replication;
use super::run::{Context, replicate};
use super::setting::{Setting, StudyError};
use super::stations::ratio;
use super::{TOOL, check, summary};
use days::{Inputs, Model};
pub(super) use days::{Life, day_factors};
pub(super) use limit::endurance_limit;
use risk::Rebuild;

const SECONDS_A_DAY: f64 = 86_400.0;
/// Share of the time for the run that counts bytes.
const FOR_THE_RUN: f64 = 0.5;
/// Share of what is left then for the pace of a rebuild; the draws take the rest.
const FOR_THE_REBUILD: f64 = 0.8;

/// Room, wear, risk and price of a scenario at its stated load.
pub fn wear(scenario: &Scenario, context: &Context) -> Result<WearOutcome, StudyError> {
    if scenario.design.drives.as_ref().is_none_or(|drives| drives.kind.capacity().is_none()) {
        return Err(StudyError::NoDrives);
    }
    let (healthy, mut notes) = healthy(scenario);
    let setting = Setting::new(&healthy, context.interrupted)?;
    let (replications, course) = context.part(FOR_THE_RUN, || replicate(&setting, context));
    let run = summary::summarise(&setting, &replications, &course, false);
    let faults: Vec<Fault> = scenario.faults.iter().chain(&scenario.what_if.faults).cloned().collect();
    let rebuild = context.part(FOR_THE_REBUILD, || Rebuild::of(&healthy, &faults, &setting, context))?;
    let model = Model::new(&setting, &replications, rebuild);
    let inputs = Inputs::stated(&healthy);
    let drawn = draws::draw(&model, &inputs, healthy.run.seed, context);
    notes.extend(run.notes.iter().cloned());
    notes.extend(not_carried(&run));
    notes.extend(beyond_the_rating(&model, &inputs));
    notes.extend(model.rebuild.reason.clone().filter(|_| !model.rebuild.is_known));
    let mut page =
        page(&model, &inputs, &run, &ledger_rows(&model, &inputs, &replications), drawn, notes, context);
    if course.interrupted.is_some() {
        keep_what_needs_no_run(&mut page);
    }
    Ok(page)
}

/// Where nothing was measured there are no bytes, which is not to say that nothing is written.
fn keep_what_needs_no_run(page: &mut WearOutcome) {
    page.endurance = None;
    page.flash_bytes_per_day = None;
    page.drive_writes_per_day = None;
    page.years_to_rated_wear = None;
    page.years.clear();
    page.ledger.clear();
    page.capacities.clear();
    page.reduction.clear();
    page.results.retain(|row| ["full_after_years", "effective_bytes"].contains(&row.what.as_str()));
}

/// The scenario as it is when nothing is wrong and nothing has a date, its drives in use for long; and what that leaves
/// out, in words.
fn healthy(scenario: &Scenario) -> (Scenario, Vec<String>) {
    let mut healthy = scenario.clone();
    let mut notes = Vec::new();
    if !scenario.faults.is_empty() || !scenario.phases.is_empty() {
        let about = |during: &str| during == "any" || during == "healthy";
        healthy.objectives.retain(|objective| about(&objective.during));
        healthy.faults.clear();
        healthy.phases.clear();
        notes.push(
            "faults and phases are left out: wear is that of the stated load, day and night by `duty`, `hours` and `days` of \
             the classes"
                .into(),
        );
    }
    healthy.what_if.faults.clear();
    healthy.what_if.objectives.clear();
    if scenario.run.start == Start::Fresh {
        healthy.run.start = Start::Steady;
        notes.push("the drives are taken to have been in use for long, whatever `run.start` says".into());
    }
    (healthy, notes)
}

fn not_carried(run: &RunOutcome) -> Option<String> {
    match run.verdict.state {
        State::Stable => None,
        State::Undecided => Some(match &run.verdict.reason {
            Some(why) => format!("whether the stated load is carried is not known: {why}"),
            None => "the run was too short to tell whether the stated load is carried".into(),
        }),
        state => Some(format!(
            "the design does not carry the stated load ({}): bytes are those that it wrote while measured",
            state.word()
        )),
    }
}

/// A warranty counts the bytes that a host writes, whatever the drive makes of them.
fn beyond_the_rating(model: &Model, inputs: &Inputs) -> Option<String> {
    let DriveKind::Part(part) = &model.setting.scenario.design.drives.as_ref()?.kind else { return None };
    let now = model.at(inputs);
    (now.conservative_years < part.warranty_years && now.years >= part.warranty_years).then(|| {
        format!(
            "the worst drive's rated bytes are used up after {:.1} years, before its warranty of {} ends: the flash \
             bears more, for this load amplifies less than the rating's, but the maker may count bytes alone",
            now.conservative_years, part.warranty_years
        )
    })
}

/// Bytes of a day at each level: measured, times what arithmetic makes of a day.
fn ledger_rows(model: &Model, inputs: &Inputs, replications: &[Replication]) -> Vec<DayRow> {
    let factors = model.day_factors(inputs);
    let levels = ledger::levels(model.setting, replications);
    let per_day = |level: &Level| {
        let factor = SECONDS_A_DAY
            * match level.name {
                "host" | "log" | "prefetch" => factors.host,
                "blocks" | "reduction" | "cleaning" => factors.reduced,
                "drive cleaning" | "flash" => factors.flash,
                _ => factors.drives,
            };
        let rates = |operation: usize| -> Vec<f64> {
            let both = level.bytes.iter().zip(replications);
            both.map(|(bytes, r)| factor * ratio(bytes[operation] as f64, r.window_s())).collect()
        };
        let read = rates(0);
        (level.name, read.iter().sum::<f64>() / read.len() as f64, rates(1))
    };
    let all: Vec<_> = levels.iter().map(per_day).collect();
    let mean = |rates: &[f64]| rates.iter().sum::<f64>() / rates.len() as f64;
    let host = all.first().map_or(0.0, |(_, _, writes)| mean(writes));
    let confidence = model.setting.scenario.run.confidence;
    all.iter()
        .map(|(name, read, writes)| DayRow {
            level: (*name).into(),
            read_bytes_per_day: *read,
            write_bytes_per_day: summary::plain(rate_estimate(writes, confidence)),
            per_host_byte: (host > 0.0).then(|| mean(writes) / host),
        })
        .collect()
}

/// What a design costs as it is stated; none without prices.
pub(super) fn price_as_stated(scenario: &Scenario) -> Option<f64> {
    price::total(scenario, &Inputs::stated(scenario))
}

/// What is finite; years of nothing written are none.
fn finite(value: f64) -> Option<f64> {
    value.is_finite().then_some(value)
}

fn page(
    model: &Model,
    inputs: &Inputs,
    run: &RunOutcome,
    ledger: &[DayRow],
    drawn: draws::Drawn,
    notes: Vec<String>,
    context: &Context,
) -> WearOutcome {
    let scenario = model.setting.scenario;
    let now = model.at(inputs);
    let held = holdings(scenario);
    let capacity = held.capacity.as_ref().map(|capacity| check::capacity_page(capacity, &scenario.classes));
    let endurance = endurance(model, inputs);
    let worn_early = endurance
        .as_ref()
        .is_some_and(|page| page.worst.years.is_some_and(|years| years < page.warranty_years));
    let mut fails = Vec::new();
    fails.extend(capacity.as_ref().is_some_and(|capacity| capacity.fill > 1.0).then(|| "capacity".into()));
    fails.extend(worn_early.then(|| "endurance".into()));
    let risk = model.risk_page(inputs);
    WearOutcome {
        schema: 1,
        tool: TOOL.into(),
        scenario_digest: scenario.digest.clone(),
        title: scenario.title.clone(),
        seed: scenario.run.seed,
        usable_bytes: capacity.as_ref().map(|capacity| capacity.room_bytes),
        effective_bytes: capacity.as_ref().and_then(|capacity| capacity.effective_bytes),
        host_bytes_per_day: now.host,
        flash_bytes_per_day: endurance.as_ref().map(|_| now.flash),
        drive_writes_per_day: finite(now.drive_writes_per_day),
        years_to_rated_wear: finite(now.years),
        rebuild_hours: risk.as_ref().and_then(|risk| risk.rebuild_hours),
        annual_loss_probability: risk.as_ref().map(|risk| risk.annual_loss_probability),
        state: run.verdict.state,
        fails,
        run: run.run.clone(),
        years: by_year(model, inputs),
        ledger: ledger.to_vec(),
        capacities: choices::capacities(model, inputs),
        reduction: choices::reduction(model, inputs),
        power: price::power(scenario),
        price: price::price(scenario, inputs, run, capacity.as_ref()),
        results: drawn.results,
        ranges: drawn.ranges,
        draws: drawn.count,
        failed_audit: run.audit.iter().filter(|row| !row.ok).cloned().collect(),
        interrupted: context.is_interrupted(),
        defaults: run.defaults.clone(),
        assumptions: assumptions(model, run, endurance.is_some(), risk.is_some()),
        notes,
        capacity,
        endurance,
        risk,
    }
}

fn endurance(model: &Model, inputs: &Inputs) -> Option<EndurancePage> {
    let DriveKind::Part(part) = &model.setting.scenario.design.drives.as_ref()?.kind else { return None };
    let life = model.life?;
    let now = model.at(inputs);
    let wear = |unevenness: f64| {
        let each = |bytes: f64| bytes * unevenness / f64::from(model.drives);
        DriveWear {
            drive_bytes_per_day: each(now.drives),
            flash_bytes_per_day: each(now.flash),
            drive_writes_per_day: now.drive_writes_per_day * unevenness,
            years: finite(years(life.budget, each(now.flash))),
            conservative_years: finite(years(life.rated, each(now.drives))),
        }
    };
    Some(EndurancePage {
        part: part.name.clone(),
        drives: model.drives,
        capacity_bytes: part.capacity as f64,
        rated_drive_writes_per_day: part.drive_writes_per_day,
        warranty_years: part.warranty_years,
        rated_bytes: life.rated,
        rating_amplification: life.amplification,
        flash_budget_bytes: life.budget,
        amplification: (now.drives > 0.0).then(|| now.flash / now.drives),
        unevenness: model.unevenness,
        worst: wear(model.unevenness),
        mean: wear(1.0),
        years_with_growth: inputs.grows().then_some(now.years_with_growth).filter(|years| years.is_finite()),
    })
}

/// Years told of drives that have no warranty to say.
const YEARS_TOLD: f64 = 5.0;

/// A row a year, as far as the warranty goes, if anything grows.
fn by_year(model: &Model, inputs: &Inputs) -> Vec<YearRow> {
    if !inputs.grows() {
        return Vec::new();
    }
    let warranty = match model.setting.scenario.design.drives.as_ref().map(|drives| &drives.kind) {
        Some(DriveKind::Part(part)) => part.warranty_years,
        _ => YEARS_TOLD,
    };
    let last = warranty.clamp(1.0, YEARS_MAX).ceil() as u32;
    (0..=last).map(|year| model.in_year(inputs, year)).collect()
}

fn assumptions(model: &Model, run: &RunOutcome, has_endurance: bool, has_risk: bool) -> Vec<String> {
    let mut said = vec![
        "a day: the stated load times `duty` (or the mean of `hours`) and the mean of `days` of each class; bytes of a whole \
         day are those of the stated load by that share, so that what a log absorbs or a cleaner moves is as under the \
         stated load"
            .to_owned(),
    ];
    if has_endurance {
        said.push(
            "endurance: the rating counts bytes of the host under JESD219 and contains that workload's amplification; flash \
             bears rating × that amplification. Wear levelling within a drive is taken to be perfect, and nothing but flash \
             ages: other parts, support and warranty end drives earlier than the longest of these years"
                .into(),
        );
        if model.setting.plan.drive().is_some_and(|drive| drive.amplification_is_least) {
            said.push(
                "the drive's sequential rating is bound by its link, so that its amplification, here and under JESD219, is a \
                 lower bound"
                    .into(),
            );
        }
    }
    if has_risk {
        said.push(
            "rebuild: of drive 0 at the stated load; cap and window of stripes are those of a rebuilding [[fault]], else no cap \
             and 8 stripes at once"
                .into(),
        );
        said.push(
            "risk: drives fail independently, at a constant rate; a rebuild takes an exponential time; errors that nothing \
             reads are found by scrubbing while there is redundancy left. Common causes, mistakes and software are left \
             out, and they lose more data than drives do"
                .into(),
        );
    }
    said.extend(run.assumptions.iter().cloned());
    said
}

#[cfg(test)]
mod tests;
