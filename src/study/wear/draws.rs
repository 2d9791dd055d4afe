//! Ranges carried through by Monte Carlo: every input that is a range is uniform between its ends, independent of the
//! others, and what the run measured varies as its interval says.

use rand::distr::Distribution;
use rand_distr::StudentT;

use crate::engine::{Key, Purpose};
use crate::measure::{first_order, student::two_sided};
use crate::outcome::{Dependence, Figure, RangeRow, ResultRow};
use crate::study::run::Context;

use super::days::{Inputs, Model};
use super::price;

const DRAWS: u32 = 100_000;
const PURPOSE: Purpose = Purpose::named("wear");
/// What the run left uncertain is called among the inputs.
const SAMPLING: &str = "sampling";
/// Indices below this are not told: chance.
const LEAST_SHARE: f64 = 0.005;

/// What the draws told.
pub(super) struct Drawn {
    pub results: Vec<ResultRow>,
    pub ranges: Vec<RangeRow>,
    pub count: u32,
}

/// Names of what is drawn, in the order of [`results`].
const RESULTS: [&str; 11] = [
    "effective_bytes",
    "fill",
    "full_after_years",
    "host_bytes_per_day",
    "flash_bytes_per_day",
    "drive_writes_per_day",
    "years_to_rated_wear",
    "conservative_years",
    "years_with_growth",
    "annual_loss_probability",
    "price_total",
];

/// The figures at some inputs; NaN of what the design has none of, infinite where it never comes.
fn results(model: &Model, inputs: &Inputs, sampling: f64) -> [f64; RESULTS.len()] {
    let figures = model.at(inputs);
    let has_flash = if model.life.is_some() { 1.0 } else { f64::NAN };
    [
        figures.effective,
        figures.fill,
        if inputs.grows() { figures.full_after_years } else { f64::NAN },
        figures.host * sampling,
        figures.flash * sampling * has_flash,
        figures.drive_writes_per_day * sampling,
        figures.years / sampling,
        figures.conservative_years / sampling,
        if inputs.grows() { figures.years_with_growth / sampling } else { f64::NAN },
        model.annual_loss(inputs),
        price::total(model.setting.scenario, inputs).unwrap_or(f64::NAN),
    ]
}

/// Draws, if anything is uncertain.
pub(super) fn draw(model: &Model, stated: &Inputs, seed: u64, context: &Context) -> Drawn {
    let scenario = model.setting.scenario;
    let ranges = &scenario.ranges;
    let (half, replications) = model.sampling;
    let spread = StudentT::new(f64::from(replications.max(2) - 1)).ok().filter(|_| half > 0.0);
    let error = half / two_sided(scenario.run.confidence, replications.max(2) - 1);
    let now = results(model, stated, 1.0);
    let count = if ranges.is_empty() && spread.is_none() { 0 } else { DRAWS };
    (context.progress)("drawing from the ranges");
    let mut places = vec![Vec::with_capacity(count as usize); ranges.len() + 1];
    let mut found = vec![Vec::with_capacity(count as usize); RESULTS.len()];
    let mut draws = Key::root(seed).named("wear").draws(PURPOSE);
    let mut inputs = stated.clone();
    for _ in 0..count {
        for (range, places) in ranges.iter().zip(&mut places) {
            let place = draws.unit();
            places.push(place);
            inputs.set(range.input, range.low + place * (range.high - range.low));
        }
        // A share cannot fall below zero, whatever a long tail draws.
        let sampling = spread.map_or(1.0, |law| (1.0 + error * law.sample(&mut draws)).max(0.01));
        if let Some(places) = places.last_mut() {
            // As a place between 0 and 1 that rises with it.
            places
                .push(0.5 + ((sampling - 1.0) / error.max(f64::MIN_POSITIVE)).atan() / std::f64::consts::PI);
        }
        let values = results(model, &inputs, sampling);
        found.iter_mut().zip(values).for_each(|(all, value)| all.push(value));
    }
    let names: Vec<&str> = ranges.iter().map(|range| range.path.as_str()).chain([SAMPLING]).collect();
    let rows = RESULTS.iter().zip(now).zip(&mut found);
    let results = rows
        .filter(|((_, now), found)| !now.is_nan() || found.iter().any(|value| !value.is_nan()))
        .map(|((what, now), found)| row(what, now, found, (&names, &places), scenario.run.confidence))
        .collect();
    let middles = ranges.iter().map(|range| RangeRow {
        path: range.path.clone(),
        low: range.low,
        middle: f64::midpoint(range.low, range.high),
        high: range.high,
    });
    Drawn { results, ranges: middles.collect(), count }
}

fn row(
    what: &str,
    now: f64,
    found: &mut Vec<f64>,
    (names, places): (&[&str], &[Vec<f64>]),
    confidence: f64,
) -> ResultRow {
    let mut depends_on: Vec<Dependence> = names
        .iter()
        .zip(places)
        .filter_map(|(name, places)| {
            let share = first_order(places, found).filter(|share| *share >= LEAST_SHARE)?;
            Some(Dependence { input: (*name).into(), share })
        })
        .collect();
    depends_on.sort_by(|a, b| b.share.total_cmp(&a.share));
    let exists = match found.len() {
        0 => f64::from(u8::from(now.is_finite())),
        all => found.iter().filter(|value| value.is_finite()).count() as f64 / all as f64,
    };
    let value = if now.is_finite() {
        let (low, high) = ends(found, confidence).unwrap_or((now, now));
        Figure::of(now, low, high)
    } else {
        let reason = match what {
            "years_with_growth" => "at the middle of the ranges the design is full first",
            "full_after_years" => "at the middle of the ranges not within a century",
            _ => "at the middle of the ranges nothing is written",
        };
        Figure::missing(reason)
    };
    ResultRow { what: what.into(), value, exists, depends_on }
}

/// The middle share of the finite draws; sorts them.
fn ends(found: &mut Vec<f64>, confidence: f64) -> Option<(f64, f64)> {
    found.retain(|value| value.is_finite());
    if found.is_empty() {
        return None;
    }
    found.sort_unstable_by(f64::total_cmp);
    let tail = (1.0 - confidence) / 2.0;
    let at = |share: f64| found[((share * (found.len() - 1) as f64).round() as usize).min(found.len() - 1)];
    Some((at(tail), at(1.0 - tail)))
}
