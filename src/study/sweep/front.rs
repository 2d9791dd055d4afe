//! Which points nothing surely beats, of which that is open, and the best so far.
//!
//! A point beats another if it is no worse in any goal and better in one; of figures that have an interval a difference
//! below what counts as alike is none (an indifference zone, as S. Teng, L. H. Lee and E. P. Chew, European Journal of
//! Operational Research 203, 2010, have it on fronts: from memory). It surely does so if that holds whatever values within
//! their intervals the figures have. Intervals are each figure's own: of many points one or another lies outside of its
//! interval, so that "surely" is as sure as one comparison is.
//!
//! Points of a race were asked in different rounds. A short answer may be lucky, so that it beats nothing that was asked
//! longer; answers of one round meet the same requests and are compared fairly.

use crate::outcome::{KeptFigure, PointOutcome, Standing};
use crate::scenario::Goal;

/// One figure turned so that less is better: its worst end, value and best end.
#[derive(Clone, Copy, Debug, PartialEq)]
struct Cost {
    worst: f64,
    value: f64,
    best: f64,
    /// It has no interval: any difference counts.
    is_exact: bool,
}

/// What of a point decides.
#[derive(Clone, Debug, PartialEq)]
pub(super) struct Contender {
    costs: Vec<Cost>,
    /// Its round; what was asked as the scenario says is above all of them.
    rank: u32,
}

impl Contender {
    /// Of a point; none if it lacks a figure.
    pub fn of(found: &PointOutcome, goals: &[Goal]) -> Option<Self> {
        let cost = |goal: &Goal| {
            let figure = found.figures.iter().find(|figure| figure.name == goal.figure)?;
            let value = figure.value?;
            let (low, high) = (figure.low.unwrap_or(value), figure.high.unwrap_or(value));
            let is_exact = figure.low.is_none() && figure.high.is_none();
            Some(match goal.more {
                true => Cost { worst: -low, value: -value, best: -high, is_exact },
                false => Cost { worst: high, value, best: low, is_exact },
            })
        };
        let costs = goals.iter().map(cost).collect::<Option<_>>()?;
        Some(Contender { costs, rank: found.round.unwrap_or(u32::MAX) })
    }

    /// Whether it beats another, each taken at these ends of its intervals.
    fn beats(&self, other: &Self, alike: f64, mine: fn(&Cost) -> f64, theirs: fn(&Cost) -> f64) -> bool {
        let mut is_better = false;
        let is_no_worse = self.costs.iter().zip(&other.costs).all(|(a, b)| {
            let slack = if a.is_exact && b.is_exact { 0.0 } else { alike };
            let (a, b) = (mine(a), theirs(b));
            is_better |= a < b - slack * b.abs();
            a <= b + slack * b.abs()
        });
        is_no_worse && is_better
    }

    fn surely_beats(&self, other: &Self, alike: f64) -> bool {
        self.rank >= other.rank && self.beats(other, alike, |a| a.worst, |b| b.best)
    }

    fn may_beat(&self, other: &Self, alike: f64) -> bool {
        self.beats(other, alike, |a| a.best, |b| b.worst)
    }

    /// Whether every half-width is at most this share of its value.
    fn is_precise(&self, precision: f64) -> bool {
        self.costs.iter().all(|cost| (cost.worst - cost.best) / 2.0 <= precision * cost.value.abs())
    }
}

/// Where each point stands: on the front if no other beats it by its value; perhaps on it if some other does, but none surely;
/// else beaten. A point that lacks a figure is beaten.
pub(super) fn standings(points: &[Option<Contender>], alike: f64) -> Vec<Standing> {
    let standing = |one: &Option<Contender>| {
        let Some(one) = one else { return Standing::Beaten };
        let others = || points.iter().flatten().filter(|other| *other != one);
        if others().any(|other| other.surely_beats(one, alike)) {
            Standing::Beaten
        } else if others().any(|other| other.beats(one, alike, |a| a.value, |b| b.value)) {
            Standing::Perhaps
        } else {
            Standing::Front
        }
    };
    points.iter().map(standing).collect()
}

/// Of a point among those that nothing surely beats.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub(super) struct Open {
    /// Others of which it is open whether they beat it or it beats them.
    pub pairs: u32,
    /// Those of them that longer answers of this point may decide.
    pub worthwhile: u32,
}

/// What is open of each point. A pair is not worth more time once both are as precise as this and were asked alike; of an
/// unlike pair the one that was asked less comes first.
pub(super) fn open(
    points: &[Option<Contender>],
    standings: &[Standing],
    alike: f64,
    precision: f64,
) -> Vec<Open> {
    let left: Vec<(usize, &Contender)> = points
        .iter()
        .enumerate()
        .filter(|(at, _)| standings[*at] != Standing::Beaten)
        .filter_map(|(at, point)| Some((at, point.as_ref()?)))
        .collect();
    let mut open = vec![Open::default(); points.len()];
    for (nth, (at_a, a)) in left.iter().enumerate() {
        for (at_b, b) in &left[nth + 1..] {
            if !a.may_beat(b, alike) && !b.may_beat(a, alike) {
                continue;
            }
            let is_settled = a.rank == b.rank && a.is_precise(precision) && b.is_precise(precision);
            for (at, mine, theirs) in [(*at_a, a, b), (*at_b, b, a)] {
                open[at].pairs += 1;
                open[at].worthwhile += u32::from(!is_settled && mine.rank <= theirs.rank);
            }
        }
    }
    open
}

/// The first goal that a point's figures do not know, with the nearest that they do.
pub fn unknown_goal(goals: &[Goal], figures: &[KeptFigure]) -> Option<String> {
    let names = || figures.iter().map(|figure| figure.name.as_str());
    let unknown = goals.iter().find(|goal| names().all(|name| name != goal.figure))?;
    Some(super::listing::no_such_figure(&unknown.figure, names()))
}

/// The best value of each goal so far, and whose it is.
#[derive(Clone, Debug)]
pub struct Best {
    goals: Vec<(Goal, Option<(f64, u64)>)>,
}

impl Best {
    /// Of nothing yet.
    pub fn new(goals: &[Goal]) -> Self {
        Best { goals: goals.iter().map(|goal| (goal.clone(), None)).collect() }
    }

    /// Takes a point into account.
    pub fn take(&mut self, found: &PointOutcome) {
        let number = found.point.number;
        for (goal, best) in &mut self.goals {
            let value = found.figures.iter().find(|f| f.name == goal.figure).and_then(|f| f.value);
            let Some(value) = value.filter(|_| found.error.is_none()) else { continue };
            let is_better = best.is_none_or(|(so_far, of)| {
                // A finer answer of the same point takes the place of its coarser one.
                of == number || if goal.more { value > so_far } else { value < so_far }
            });
            if is_better {
                *best = Some((value, number));
            }
        }
    }

    /// Figure, value and number of the point, of each goal that has one.
    pub fn rows(&self) -> impl Iterator<Item = (&str, f64, u64)> {
        self.goals.iter().filter_map(|(goal, best)| {
            let (value, number) = (*best)?;
            Some((goal.figure.as_str(), value, number))
        })
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn point(low: f64, value: f64, high: f64, price: f64, rank: u32) -> Option<Contender> {
        let exact = Cost { worst: price, value: price, best: price, is_exact: true };
        Some(Contender { costs: vec![Cost { worst: high, value, best: low, is_exact: false }, exact], rank })
    }

    /// Cheap and slow; dear and fast; two between them that cannot be told apart; one that both surely beat.
    #[test]
    fn what_is_open_is_counted_among_what_is_left() {
        let points = [
            point(9.0, 10.0, 11.0, 1.0, 1),
            point(1.0, 2.0, 3.0, 9.0, 1),
            point(4.0, 5.0, 6.0, 4.0, 1),
            point(4.5, 5.5, 6.5, 5.0, 1),
            point(12.0, 14.0, 16.0, 6.0, 1),
            None,
        ];
        let (front, perhaps, beaten) = (Standing::Front, Standing::Perhaps, Standing::Beaten);
        assert_eq!(standings(&points, 0.0), [front, front, front, perhaps, beaten, beaten]);
        let pairs = |open: Vec<Open>| open.iter().map(|open| open.pairs).collect::<Vec<_>>();
        assert_eq!(pairs(open(&points, &standings(&points, 0.0), 0.0, 0.01)), [0, 0, 1, 1, 0, 0]);
        // As precise as is wanted: still open, and no longer worth more time.
        let settled = open(&points, &standings(&points, 0.0), 0.0, 0.5);
        assert!(settled.iter().all(|open| open.worthwhile == 0), "{settled:?}");
    }

    /// Dearer by something and faster by less than counts: beaten, once the intervals say so.
    #[test]
    fn a_difference_below_what_counts_is_none() {
        let narrow = [point(9.9, 10.0, 10.1, 1.0, 1), point(9.7, 9.8, 9.9, 2.0, 1)];
        assert_eq!(standings(&narrow, 0.0), [Standing::Front, Standing::Front]);
        assert_eq!(standings(&narrow, 0.05), [Standing::Front, Standing::Beaten]);
        let wide = [point(9.0, 10.0, 11.0, 1.0, 1), point(8.8, 9.8, 10.8, 2.0, 1)];
        assert_eq!(standings(&wide, 0.05), [Standing::Front, Standing::Perhaps]);
    }

    /// A short answer beats nothing that was asked longer, and is asked longer itself.
    #[test]
    fn a_lucky_short_answer_is_asked_again() {
        let points = [point(4.0, 5.0, 6.0, 1.0, 1), point(9.0, 10.0, 11.0, 2.0, 3)];
        assert_eq!(standings(&points, 0.05), [Standing::Front, Standing::Perhaps]);
        let worthwhile: Vec<u32> =
            open(&points, &standings(&points, 0.05), 0.05, 0.01).iter().map(|open| open.worthwhile).collect();
        assert_eq!(worthwhile, [1, 0]);
        let points = [point(4.0, 5.0, 6.0, 1.0, 3), point(9.0, 10.0, 11.0, 2.0, 1)];
        assert_eq!(standings(&points, 0.05), [Standing::Front, Standing::Beaten]);
    }
}
