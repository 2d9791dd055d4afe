//! What is asked of a store: which points, in what order, and which of them nothing surely beats.

use crate::outcome::{KeptFigure, ListingRow, PointOutcome, Standing, SweepListing, SweepTable};
use crate::scenario::{Goal, nearest};

use super::front::{Contender, standings};

/// A bound that points must keep.
#[derive(Clone, Debug, PartialEq)]
pub struct Bound {
    /// The figure.
    pub figure: String,
    /// Whether it must stay below the value, or else above.
    pub below: bool,
    /// The value.
    pub value: f64,
}

/// What to show of a table.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct Query {
    /// Figures as columns; a choice by what was asked if empty.
    pub figures: Vec<String>,
    /// Whether all figures are columns, whatever was named.
    pub every_figure: bool,
    /// Bounds that all must hold.
    pub bounds: Vec<Bound>,
    /// Order, first by the first.
    pub order: Vec<Goal>,
    /// Figures of a front.
    pub front: Vec<Goal>,
    /// Whether points that others surely beat are told, too.
    pub beaten_too: bool,
    /// Differences of figures with an interval that count as none in a front, as a share.
    pub alike: f64,
}

/// Figures that are shown unless others are named, those that there are.
const SHOWN: [&str; 9] = [
    "run.carried_iops",
    "run.objectives_met",
    "run.all.all.p99_us",
    "run.utilisation",
    "knee.limit.iops",
    "knee.saturation.iops",
    "fit.machines",
    "wear.years_to_rated_wear",
    "wear.price_total",
];

/// The rows that were asked for.
///
/// # Errors
/// A figure that no point has, with the nearest that some have.
pub fn list(table: &SweepTable, query: &Query) -> Result<SweepListing, String> {
    let mut known: Vec<&str> = Vec::new();
    for figure in table.points.iter().flat_map(|point| &point.figures) {
        if !known.contains(&figure.name.as_str()) {
            known.push(&figure.name);
        }
    }
    let asked = query
        .figures
        .iter()
        .chain(query.bounds.iter().map(|bound| &bound.figure))
        .chain(query.order.iter().chain(&query.front).map(|goal| &goal.figure));
    for name in asked {
        if !known.contains(&name.as_str()) {
            return Err(no_such_figure(name, known.iter().copied()));
        }
    }
    let figures: Vec<String> = if query.every_figure {
        known.iter().map(|name| (*name).to_owned()).collect()
    } else if query.figures.is_empty() {
        // What was asked about comes first: a narrow page shows it.
        let named = query.front.iter().chain(&query.order).map(|goal| goal.figure.as_str());
        let mut chosen: Vec<String> = Vec::new();
        for name in named.chain(SHOWN.into_iter().filter(|name| known.contains(name))) {
            if chosen.iter().all(|other| other != name) {
                chosen.push(name.to_owned());
            }
        }
        chosen
    } else {
        query.figures.clone()
    };
    let keeps = |point: &&PointOutcome| {
        query.bounds.iter().all(|bound| {
            figure(point, &bound.figure)
                .and_then(|figure| figure.value)
                .is_some_and(|value| if bound.below { value < bound.value } else { value > bound.value })
        })
    };
    let mut points: Vec<&PointOutcome> = table.points.iter().filter(keeps).collect();
    let standings: Vec<Option<Standing>> = if query.front.is_empty() {
        vec![None; points.len()]
    } else {
        let contenders: Vec<Option<Contender>> =
            points.iter().map(|point| Contender::of(point, &query.front)).collect();
        standings(&contenders, query.alike).into_iter().map(Some).collect()
    };
    let mut both: Vec<(&PointOutcome, Option<Standing>)> = points.drain(..).zip(standings).collect();
    both.sort_by(|(a, _), (b, _)| {
        let by = |goal: &Goal| {
            let [a, b] = [a, b].map(|point| figure(point, &goal.figure).and_then(|figure| figure.value));
            match (a, b) {
                (Some(a), Some(b)) if goal.more => b.total_cmp(&a),
                (Some(a), Some(b)) => a.total_cmp(&b),
                // What has none comes last.
                (a, b) => b.is_some().cmp(&a.is_some()),
            }
        };
        let unlike = query.order.iter().map(by).find(|order| order.is_ne());
        unlike.unwrap_or_else(|| a.point.number.cmp(&b.point.number))
    });
    if !query.front.is_empty() && !query.beaten_too {
        both.retain(|(_, standing)| *standing != Some(Standing::Beaten));
    }
    let kept = both.len() as u64;
    let row = |(point, standing): (&PointOutcome, Option<Standing>)| ListingRow {
        number: point.point.number,
        sets: point.point.sets.clone(),
        error: point.error.clone(),
        round: point.round,
        standing,
        figures: figures
            .iter()
            .map(|name| {
                figure(point, name).cloned().unwrap_or_else(|| KeptFigure {
                    name: name.clone(),
                    value: None,
                    low: None,
                    high: None,
                })
            })
            .collect(),
    };
    Ok(SweepListing {
        schema: 1,
        tool: super::super::TOOL.into(),
        title: table.inputs.title.clone(),
        variants: table.inputs.variants,
        planned: table.planned,
        finished: table.points.len() as u64,
        failed: table.points.iter().filter(|point| point.error.is_some()).count() as u64,
        kept,
        known: known.into_iter().map(String::from).collect(),
        front: query.front.iter().map(Goal::in_words).collect(),
        rows: both.into_iter().map(row).collect(),
    })
}

fn figure<'p>(point: &'p PointOutcome, name: &str) -> Option<&'p KeptFigure> {
    point.figures.iter().find(|figure| figure.name == name)
}

/// Complains about a figure, with the nearest that there is.
pub(super) fn no_such_figure<'n>(name: &str, known: impl IntoIterator<Item = &'n str>) -> String {
    let help = nearest(name, known).map_or(String::new(), |near| format!("\n  help: did you mean `{near}`?"));
    format!("no point has a figure `{name}`{help}")
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::outcome::{PointSets, SweepInputs};

    fn table(rows: &[(f64, [f64; 3])]) -> SweepTable {
        let points = rows.iter().enumerate().map(|(number, (price, [low, value, high]))| PointOutcome {
            point: PointSets { number: number as u64, sets: Vec::new() },
            scenario_digest: String::new(),
            error: None,
            round: None,
            asked_with: Vec::new(),
            answers: String::new(),
            figures: vec![
                KeptFigure { name: "price".into(), value: Some(*price), low: None, high: None },
                KeptFigure { name: "p99".into(), value: Some(*value), low: Some(*low), high: Some(*high) },
            ],
            requests: 0,
        });
        let inputs = SweepInputs {
            tool: String::new(),
            title: String::new(),
            sweep: String::new(),
            base: String::new(),
            files: Default::default(),
            variants: rows.len() as u64,
        };
        SweepTable { schema: 1, inputs, planned: Some(rows.len() as u64), points: points.collect() }
    }

    fn goals() -> Vec<Goal> {
        ["price", "p99"].map(|figure| Goal { figure: figure.into(), more: false }).to_vec()
    }

    /// Dearer and surely slower is beaten; dearer and perhaps slower may still be on the front.
    #[test]
    fn a_front_leaves_out_only_what_is_surely_beaten() {
        let table = table(&[
            (1.0, [9.0, 10.0, 11.0]),
            (2.0, [4.0, 5.0, 6.0]),
            (3.0, [5.0, 5.5, 7.0]),
            (4.0, [7.0, 8.0, 9.0]),
            (5.0, [1.0, 2.0, 3.0]),
        ]);
        let listing = list(&table, &Query { front: goals(), ..Query::default() }).expect("known figures");
        let found: Vec<(u64, Option<Standing>)> =
            listing.rows.iter().map(|row| (row.number, row.standing)).collect();
        let (front, perhaps) = (Some(Standing::Front), Some(Standing::Perhaps));
        assert_eq!(found, [(0, front), (1, front), (2, perhaps), (4, front)]);
    }

    #[test]
    fn bounds_order_and_unknown_figures() {
        let table = table(&[(1.0, [9.0, 10.0, 11.0]), (2.0, [4.0, 5.0, 6.0]), (3.0, [1.0, 2.0, 3.0])]);
        let bound = Bound { figure: "p99".into(), below: true, value: 9.0 };
        let order = vec![Goal { figure: "price".into(), more: true }];
        let query = Query { bounds: vec![bound], order, ..Query::default() };
        let numbers: Vec<u64> =
            list(&table, &query).expect("known").rows.iter().map(|row| row.number).collect();
        assert_eq!(numbers, [2, 1]);
        let query = Query { figures: vec!["p98".into()], ..Query::default() };
        assert!(list(&table, &query).unwrap_err().contains("did you mean `p99`?"));
    }
}
