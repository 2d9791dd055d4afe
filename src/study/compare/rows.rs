//! Differences as rows of the answer.

use rayon::prelude::*;

use crate::measure::{Difference, Latencies, rate_difference};
use crate::outcome::{DifferenceRow, Figure, OtherRow, RunOutcome};
use crate::scenario::{Operation, Over, Scenario};
use crate::study::replication::Replication;
use crate::study::stations::ratio;
use crate::study::summary::{PERCENTILES, Row, row_latencies, rows};
use crate::study::wear::{Life, day_factors, price_as_stated};
use crate::system::{Written, holdings};
use crate::theory::endurance::years;

use super::Measured;
use super::alike::have_same_classes;
use super::asked::{Asked, difference, why};

const SECONDS_A_DAY: f64 = 86_400.0;

/// What a row is about, before its figures are known.
struct Subject<'s> {
    class: &'s str,
    operation: &'s str,
    percentile: Option<f64>,
    during: Option<String>,
    over: Over,
    names: [&'s str; 2],
}

impl Subject<'_> {
    fn row(self, found: Result<Difference, String>) -> DifferenceRow {
        let known = found.as_ref().ok();
        let us = match &found {
            Ok(d) => Figure::of(d.interval.value / 1e6, d.interval.low / 1e6, d.interval.high / 1e6),
            Err(reason) => Figure::missing(reason.clone()),
        };
        DifferenceRow {
            class: self.class.into(),
            operation: self.operation.into(),
            percentile: self.percentile,
            during: self.during,
            over: match self.over {
                Over::Class => "class",
                Over::WorstMachine => "worst-machine",
            }
            .into(),
            a: self.names[0].into(),
            b: self.names[1].into(),
            a_us: known.map(|d| d.of[0] / 1e6),
            b_us: known.map(|d| d.of[1] / 1e6),
            us,
            distinguishable: known.map(Difference::is_distinguishable),
            same: known.is_some_and(|d| d.is_same),
            longer: known.and_then(Difference::longer),
        }
    }
}

/// Why two designs have no difference of latencies at all.
fn neither(why_none: &[Option<String>], n: usize) -> Option<String> {
    why_none[0].clone().or_else(|| why_none[n].clone())
}

/// What was asked, of each later design.
pub(super) fn answers(
    designs: &[Measured],
    asked: &[Asked],
    why_none: &[Option<String>],
) -> Vec<DifferenceRow> {
    let answers = asked.iter().filter(|one| one.is_answer);
    let pairs: Vec<(&Asked, usize)> =
        answers.flat_map(|one| (1..designs.len()).map(move |n| (one, n))).collect();
    let row = |(one, n): &(&Asked, usize)| {
        let subject = Subject {
            class: &one.class,
            operation: one.operation.map_or("all", Operation::name),
            percentile: one.percentile,
            during: one.during.clone(),
            over: one.over,
            names: [designs[0].name, designs[*n].name],
        };
        let confidence = designs[0].setting.scenario.run.confidence;
        let sides = [0, *n].map(|n| (n, designs[n].replications.as_slice()));
        subject.row(match neither(why_none, *n) {
            Some(reason) => Err(reason),
            None => one.difference(sides, confidence),
        })
    };
    pairs.par_iter().map(row).collect()
}

/// Every class and operation that two designs have in common, at every percentile.
pub(super) fn differences(designs: &[Measured], why_none: &[Option<String>]) -> Vec<DifferenceRow> {
    let [first, later @ ..] = designs else { return Vec::new() };
    let firsts = rows(first.setting, &first.replications);
    let mut out = Vec::new();
    for (n, other) in later.iter().enumerate() {
        let sums_compare = have_same_classes(first.setting.scenario, other.setting.scenario);
        let others = rows(other.setting, &other.replications);
        let reason = neither(why_none, n + 1);
        let common: Vec<(&Row, &Row)> = firsts
            .iter()
            .filter(|row| sums_compare || row.class != "all")
            .filter_map(|row| {
                let is_it = |b: &&Row| b.class == row.class && b.operation == row.operation;
                Some((row, others.iter().find(is_it)?))
            })
            .collect();
        let of = |pair: &(&Row, &Row)| of_row(*pair, [first, other], reason.as_deref());
        out.extend(common.par_iter().flat_map_iter(of).collect::<Vec<_>>());
    }
    out
}

/// Mean and percentiles of one class and operation.
fn of_row((a, b): (&Row, &Row), sides: [&Measured; 2], why_none: Option<&str>) -> Vec<DifferenceRow> {
    let confidence = sides[0].setting.scenario.run.confidence;
    let names = sides.map(|side| side.name);
    let pooled: Option<[Vec<Latencies>; 2]> = why_none.is_none().then(|| {
        [row_latencies(&a.places, &sides[0].replications), row_latencies(&b.places, &sides[1].replications)]
    });
    let stated = PERCENTILES.iter().map(|(name, _)| name.trim_start_matches('p').parse::<f64>().ok());
    [None]
        .into_iter()
        .chain(stated)
        .map(|percentile| {
            let (class, operation) = (a.class.as_str(), a.operation);
            let subject = Subject { class, operation, percentile, during: None, over: Over::Class, names };
            subject.row(match &pooled {
                None => Err(why_none.unwrap_or_default().to_owned()),
                Some([a, b]) => {
                    difference(a, b, percentile, confidence).map_err(|missing| why(&missing, names))
                }
            })
        })
        .collect()
}

/// A figure of a replication, if a design has it at all, with the bytes of a day as a share of its load all day.
type Rate = fn(&Measured, &Written, &Replication) -> Option<f64>;

/// Load and bytes a second, each by replication, in pairs.
pub(super) fn measured_in_pairs(designs: &[Measured], why_none: &[Option<String>]) -> Vec<OtherRow> {
    let rates: [(&str, Rate, bool); 4] = [
        ("carried_iops", carried, true),
        ("flash_write_bytes_per_s", to_flash, false),
        ("drive_writes_per_day", drive_writes, false),
        ("years_to_rated_wear", years_of_wear, false),
    ];
    let days: Vec<Written> =
        designs.par_iter().map(|design| day_factors(design.setting, &design.replications)).collect();
    let mut out = Vec::new();
    for (what, rate, holds_overloaded) in rates {
        for n in 1..designs.len() {
            let none = neither(why_none, n).filter(|_| !holds_overloaded);
            out.extend(of_rates(what, rate, [0, n].map(|n| (&designs[n], &days[n])), none));
        }
    }
    out
}

fn of_rates(
    what: &str,
    rate: Rate,
    sides: [(&Measured, &Written); 2],
    none: Option<String>,
) -> Option<OtherRow> {
    let [a, b] = sides.map(|(side, day)| {
        let rates: Option<Vec<f64>> = side.replications.iter().map(|r| rate(side, day, r)).collect();
        rates.filter(|rates| !rates.is_empty())
    });
    let sides = sides.map(|(side, _)| side);
    let mean = |rates: &Option<Vec<f64>>| {
        rates.as_ref().map(|rates| rates.iter().sum::<f64>() / rates.len() as f64).filter(|m| m.is_finite())
    };
    if a.is_none() && b.is_none() {
        return None;
    }
    let confidence = sides[0].setting.scenario.run.confidence;
    let found = match (&a, &b, none) {
        (_, _, Some(reason)) => Err(reason),
        (Some(a), Some(b), None) => rate_difference(a, b, confidence)
            .ok_or_else(|| "an interval needs at least 2 replications".to_owned()),
        (None, _, None) => Err(format!("{} has no such figure", sides[0].name)),
        (_, None, None) => Err(format!("{} has no such figure", sides[1].name)),
    };
    Some(OtherRow {
        what: what.into(),
        a: sides[0].name.into(),
        b: sides[1].name.into(),
        a_value: mean(&a),
        b_value: mean(&b),
        distinguishable: found.as_ref().ok().map(Difference::is_distinguishable),
        difference: match found {
            Ok(d) => Figure::of(d.interval.value, d.interval.low, d.interval.high),
            Err(reason) => Figure::missing(reason),
        },
    })
}

fn carried(_: &Measured, _: &Written, replication: &Replication) -> Option<f64> {
    let finished: u64 = replication.kernel.model.recorder.finished.iter().sum();
    Some(ratio(finished as f64, replication.window_s()))
}

/// Bytes of flash programmed a second, the drives' own cleaning included.
fn to_flash(design: &Measured, _: &Written, replication: &Replication) -> Option<f64> {
    design.setting.plan.drive()?;
    Some(ratio(replication.flash_in_window()[0] as f64, replication.window_s()))
}

/// How often a day the drives are written to full on average: what their ratings count, before their own cleaning.
/// Dedicated spares are not written and do not count.
fn drive_writes(design: &Measured, day: &Written, replication: &Replication) -> Option<f64> {
    design.setting.plan.drive()?;
    let proposed = &design.setting.scenario.design;
    let room = f64::from(proposed.filled_drives()) * proposed.drives.as_ref()?.kind.capacity()? as f64;
    let written = replication.fragments_in_window()[Operation::Write as usize] as f64;
    Some(ratio(written * day.drives * SECONDS_A_DAY, replication.window_s() * room))
}

/// Years until the mean drive has used up what its rating lets its flash bear; none where nothing is written.
fn years_of_wear(design: &Measured, day: &Written, replication: &Replication) -> Option<f64> {
    let life = Life::of_drives(design.setting)?;
    let drives = f64::from(design.setting.scenario.design.filled_drives());
    let per_s = to_flash(design, day, replication).filter(|bytes| *bytes > 0.0)?;
    Some(years(life.budget, per_s * day.flash * SECONDS_A_DAY / drives))
}

/// Space and price, which are sums, and the hours of a rebuild, which are told without an interval.
pub(super) fn known_exactly(
    scenarios: &[Scenario],
    outcomes: &[RunOutcome],
    names: &[&str],
) -> Vec<OtherRow> {
    let space: Vec<Option<f64>> =
        scenarios.iter().map(|scenario| holdings(scenario).capacity.map(|c| c.room)).collect();
    let reduces = scenarios.iter().any(|scenario| scenario.design.reduction.is_some());
    let given = |scenario: &Scenario| holdings(scenario).capacity.filter(|_| reduces)?.effective();
    let effective: Vec<Option<f64>> = scenarios.iter().map(given).collect();
    let price: Vec<Option<f64>> = scenarios.iter().map(price_as_stated).collect();
    let hours: Vec<Option<f64>> = outcomes.iter().map(|outcome| outcome.rebuild_hours).collect();
    let mut out = Vec::new();
    let rows = [
        ("usable_bytes", space, true),
        ("effective_bytes", effective, true),
        ("rebuild_hours", hours, false),
        ("price_total", price, true),
    ];
    for (what, values, is_exact) in rows {
        for n in 1..values.len() {
            let (a, b) = (values[0], values[n]);
            if a.is_none() && b.is_none() {
                continue;
            }
            let difference = match (a, b) {
                (Some(a), Some(b)) if is_exact => Figure::exact(b - a),
                (Some(a), Some(b)) => {
                    let reason = Some("short runs tell it, without an interval".to_owned());
                    Figure { value: Some(b - a), reason, ..Figure::default() }
                }
                (None, _) => Figure::missing(format!("{} has no such figure", names[0])),
                (_, None) => Figure::missing(format!("{} has no such figure", names[n])),
            };
            out.push(OtherRow {
                what: what.into(),
                a: names[0].into(),
                b: names[n].into(),
                a_value: a,
                b_value: b,
                distinguishable: difference.value.filter(|_| is_exact).map(|value| value != 0.0),
                difference,
            });
        }
    }
    out
}
