//! The load curve: latency over load, with points where it bends.

use std::collections::BTreeMap;

use crate::measure::Effort;
use crate::outcome::{CurvePoint, State};

use super::attempts::{Attempt, Attempts};
use super::trial::Question;

/// Loads that every curve has, as parts of the saturation load; the last is past it.
const FRAME: [f64; 5] = [0.05, 0.35, 0.65, 0.9, 1.05];
/// Points below saturation at most.
const POINTS: usize = 14;
/// A point that lies this far from the line between its neighbours, as a logarithm of latency, bends enough.
const BEND: f64 = 0.02;
/// Neighbours are no nearer than this part of the saturation load.
const NEAREST: f64 = 0.02;

/// Tries loads until the curve is drawn well enough.
pub(super) fn fill(attempts: &mut Attempts, saturation: f64, unit: Option<f64>) {
    let on_step = |load: f64| unit.map_or(load, |unit| (load / unit).round().max(1.0) * unit);
    for part in FRAME {
        let load = on_step(part * saturation);
        let is_near = |a: &Attempt| (a.scale - load).abs() < NEAREST * saturation && part < 1.0;
        if !attempts.list.iter().any(is_near) {
            let _ = try_point(attempts, load, part > 1.0);
        }
    }
    while let Some(load) = next_point(&points(attempts), saturation) {
        let load = on_step(load);
        if attempts.list.iter().any(|a| (a.scale - load).abs() < NEAREST / 2.0 * saturation)
            || try_point(attempts, load, false).is_none()
        {
            break;
        }
    }
}

fn try_point(attempts: &mut Attempts, load: f64, is_past: bool) -> Option<()> {
    attempts.tell(&format!("curve: {load:.3} × the stated load"));
    let question = if is_past { Question::Carried } else { Question::Mean };
    attempts.attempt(load, question, Effort::Quick).map(|_| ())
}

/// (load, logarithm of latency) of the loads that are carried, in order.
fn points(attempts: &Attempts) -> Vec<(f64, f64)> {
    let height = |a: &&Attempt| {
        let row = a.tried.outcome.classes.iter().find(|row| row.name == "all" && row.operation == "all")?;
        let figure = |key: &str| row.latency_us.get(key).and_then(|figure| figure.value);
        Some((a.scale, figure("p99").or(figure("mean"))?.ln()))
    };
    let mut points: Vec<(f64, f64)> = attempts.carried().iter().filter_map(height).collect();
    points.dedup_by(|b, a| (b.0 / a.0 - 1.0).abs() < 0.01);
    points
}

/// Half-way along the longer side of the point that bends most; none where the curve is drawn well enough.
fn next_point(points: &[(f64, f64)], saturation: f64) -> Option<f64> {
    if points.len() >= POINTS {
        return None;
    }
    let bend = |w: &[(f64, f64)]| {
        let share = (w[1].0 - w[0].0) / (w[2].0 - w[0].0);
        (w[1].1 - w[0].1 - share * (w[2].1 - w[0].1)).abs()
    };
    let wide_enough = |a: (f64, f64), b: (f64, f64)| b.0 - a.0 > 2.0 * NEAREST * saturation;
    let candidates = points.windows(3).filter_map(|w| {
        let sides = [(w[0], w[1]), (w[1], w[2])];
        let longer = sides.into_iter().filter(|(a, b)| wide_enough(*a, *b));
        let (a, b) = longer.max_by(|x, y| (x.1.0 - x.0.0).total_cmp(&(y.1.0 - y.0.0)))?;
        Some((bend(w), (a.0 + b.0) / 2.0))
    });
    let (most, load) = candidates.max_by(|a, b| a.0.total_cmp(&b.0))?;
    (most > BEND).then_some(load)
}

/// The points of the answer, from light to heavy: of loads tried more than once the longest trial.
pub(super) fn rows(attempts: &Attempts) -> Vec<CurvePoint> {
    let mut all: Vec<&Attempt> = attempts.list.iter().collect();
    all.sort_by(|a, b| {
        let requests = |a: &Attempt| a.tried.outcome.run.requests;
        a.scale.total_cmp(&b.scale).then(requests(b).cmp(&requests(a)))
    });
    all.dedup_by(|b, a| (b.scale / a.scale - 1.0).abs() < 1e-3);
    all.into_iter().map(row).collect()
}

fn row(attempt: &Attempt) -> CurvePoint {
    let outcome = &attempt.tried.outcome;
    let state = if attempt.tried.overloaded { State::Saturated } else { outcome.verdict.state };
    let mut latency_us = BTreeMap::new();
    if let Some(row) = outcome.classes.iter().find(|row| row.name == "all" && row.operation == "all") {
        for key in ["mean", "p50", "p99"] {
            latency_us.extend(row.latency_us.get(key).map(|figure| (key.to_owned(), figure.clone())));
        }
    }
    CurvePoint {
        scale: attempt.scale,
        offered_iops: outcome.offered.iops,
        carried_iops: outcome.carried.iops.clone(),
        state,
        binding: outcome.verdict.binding.clone(),
        utilisation: outcome.verdict.utilisation,
        latency_us,
        objectives_us: outcome.objectives.iter().map(|o| o.value_us.clone()).collect(),
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Most points go where 1/(1 − load) bends, and none to a straight line.
    #[test]
    fn points_go_where_the_curve_bends() {
        let mut points: Vec<(f64, f64)> =
            [0.05f64, 0.35, 0.65, 0.9, 0.97].map(|x| (x, -(1.0 - x).ln())).to_vec();
        let mut added = Vec::new();
        while let Some(load) = next_point(&points, 1.0) {
            added.push(load);
            points.push((load, -(1.0 - load).ln()));
            points.sort_by(|a, b| a.0.total_cmp(&b.0));
        }
        let late = added.iter().filter(|x| **x > 0.5).count();
        assert!(late >= 2 && 2 * late > added.len(), "{added:?}");
        let line: Vec<(f64, f64)> = [0.05, 0.35, 0.65, 0.9].map(|x| (x, 3.0 + x)).to_vec();
        assert_eq!(next_point(&line, 1.0), None);
    }
}
