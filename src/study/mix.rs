//! The mix of requests that static arithmetic is asked about.

use std::collections::BTreeMap;

use crate::scenario::{Class, Load, Operation};
use crate::system::Kind;
use crate::traffic::Trace;

use super::setting::Setting;

/// The mix as the scenario states it: classes weighted by their offered rates, or by their tokens if
/// all are closed. None if there are both: how fast a closed loop turns is an outcome.
pub(super) fn stated(setting: &Setting, offered: &[Option<f64>]) -> Option<Vec<Kind>> {
    let classes = &setting.scenario.classes;
    let weights: Vec<f64> = if offered.iter().all(Option::is_none) {
        classes.iter().map(tokens).collect()
    } else {
        offered.iter().copied().collect::<Option<_>>()?
    };
    Some(weighted(setting, &weights))
}

/// The mix of the open and trace classes alone.
pub(super) fn offered_alone(setting: &Setting, offered: &[Option<f64>]) -> Vec<Kind> {
    let weights: Vec<f64> = offered.iter().map(|rate| rate.unwrap_or(0.0)).collect();
    weighted(setting, &weights)
}

/// The mix with each class weighted by a rate (as measured, say).
pub(super) fn weighted(setting: &Setting, weights: &[f64]) -> Vec<Kind> {
    let total: f64 = weights.iter().sum();
    let classes = setting.scenario.classes.iter().zip(&setting.traces).enumerate();
    classes
        .zip(weights)
        .filter(|(_, weight)| **weight > 0.0)
        .flat_map(|((index, (class, trace)), weight)| {
            let hits = setting.plan.cache().map_or(0.0, |cache| cache.hit_ratio(index));
            let kinds = trace.as_deref().map_or_else(|| of_class(class, hits), of_trace);
            kinds.into_iter().map(move |kind| Kind {
                share: kind.share * weight / total,
                class: index,
                ..kind
            })
        })
        .collect()
}

/// What the open and trace classes offer together; none if every class is closed.
pub(super) fn offered_iops(by_class: &[Option<f64>]) -> Option<f64> {
    let known: Vec<f64> = by_class.iter().copied().flatten().collect();
    (!known.is_empty()).then(|| known.iter().sum())
}

fn tokens(class: &Class) -> f64 {
    match class.load {
        Load::Closed { in_flight, .. } => f64::from(class.machines) * f64::from(in_flight),
        _ => 0.0,
    }
}

/// The kinds of a class's own requests: shares sum to 1.
fn of_class(class: &Class, hits: f64) -> Vec<Kind> {
    let of = |operation, of_operation: f64, sizes: &[(u64, f64)]| {
        let kind = |&(bytes, share): &(u64, f64)| Kind {
            operation,
            bytes,
            sequential: class.sequential.share,
            align: class.align,
            share: of_operation * share,
            cached: if operation == Operation::Read { hits * (1.0 - class.sequential.share) } else { 0.0 },
            class: 0,
        };
        sizes.iter().map(kind).collect::<Vec<_>>()
    };
    let mut kinds = of(Operation::Read, class.read, &class.read_sizes);
    kinds.extend(of(Operation::Write, 1.0 - class.read, &class.write_sizes));
    kinds.retain(|kind| kind.share > 0.0);
    kinds
}

/// The kinds of a trace's requests, by operation and size.
fn of_trace(trace: &Trace) -> Vec<Kind> {
    let mut counts: BTreeMap<(Operation, u32), (u64, u64)> = BTreeMap::new();
    for record in trace.records() {
        let count = counts.entry((record.operation, record.bytes)).or_default();
        count.0 += 1;
        count.1 += u64::from(record.sequential);
    }
    let total = trace.records().len() as f64;
    let kind = |((operation, bytes), (count, sequential)): ((Operation, u32), (u64, u64))| Kind {
        operation,
        bytes: u64::from(bytes),
        sequential: sequential as f64 / count as f64,
        align: 4096,
        share: count as f64 / total,
        cached: 0.0,
        class: 0,
    };
    counts.into_iter().map(kind).collect()
}
