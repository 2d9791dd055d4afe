//! What trials at several loads say together of the load at which a measure is zero.
//!
//! Between trials on either side the root is interpolated; beyond them the line through the last two points to it. Once
//! several were measured on requests of their own, one regression of measure on load has all of them
//! ([`Margins::crossing`]).

use super::bracket::{Crossing, Effort, FARTHEST_JUMP, Guess, Standing};

/// How far a figure is from its bound, as a logarithm of their ratio or another measure that is zero at the root and
/// below it where what is asked holds.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Margin {
    /// The measure.
    pub value: f64,
    /// Half the width of its interval.
    pub half: f64,
}

/// Trials with margins, and the root by interpolation between them.
#[derive(Clone, Debug, Default)]
pub struct Margins {
    /// The load at which the measure runs off to infinity, if one is known: waits grow as 1/(1 − load/full), so there
    /// is interpolated in −ln(1 − load/full).
    full: Option<f64>,
    /// The rise of the measure over the logarithm of load, if a law gives it: then one trial tells the root.
    law: Option<f64>,
    seen: Vec<Seen>,
}

/// A load that was tried.
#[derive(Clone, Copy, Debug)]
struct Seen {
    load: f64,
    standing: Standing,
    margin: Option<Margin>,
    effort: Effort,
}

/// Rise of the measure over the logarithm of load where nothing else is known: a percentile at three quarters of the load
/// of a simple queue has it (d ln 1/(1 − ρ) / d ln ρ = ρ/(1 − ρ)).
const ASSUMED_SLOPE: f64 = 3.0;
/// Two loads this far apart or more, as a ratio, may have a bend between them: the chord then lies below the root, the line
/// through the two loads before it above, and the middle of both is looked at.
const WIDE: f64 = 1.2;
/// Trials at no more than this many times the root, or no less than a part of it as small, say how the measure rises
/// there.
const NEAR: f64 = 1.35;
/// Precise trials that say where the measure is zero without the others.
const PAIR: usize = 2;
/// No further than this, as a logarithm, by an assumed slope.
const FARTHEST_STEP: f64 = 0.5;
/// What a quick trial cannot tell by much, a sure one can tell by this share of its half-width: it is 16 times as long, and
/// its interval reaches 1.3 times as far; the rest is for telling it four times in five.
const SURE_TO_QUICK: f64 = 0.42;
/// The same of a trial that was as long.
const SURE_TO_SURE: f64 = 1.6;

impl Margins {
    /// Nothing tried yet.
    pub fn new(full: Option<f64>) -> Self {
        Margins { full, law: None, seen: Vec::new() }
    }

    /// Nothing tried yet of the logarithm of work ÷ time, which rises as the load does (the utilisation law).
    pub fn of_work() -> Self {
        Margins { law: Some(1.0), ..Margins::new(None) }
    }

    /// Takes note of a trial; one without a margin is past all measure. A better one takes the place of an
    /// earlier one at the same load.
    pub fn note(&mut self, load: f64, effort: Effort, standing: Standing, margin: Option<Margin>) {
        self.seen.retain(|seen| seen.load != load);
        self.seen.push(Seen { load, standing, margin, effort });
        self.seen.sort_by(|a, b| a.load.total_cmp(&b.load));
    }

    /// Whether nothing has been tried.
    pub fn is_empty(&self) -> bool {
        self.seen.is_empty()
    }

    /// Loads that were surely rejected although a greater one was surely accepted: the curve is not monotone.
    pub fn turns_back(&self) -> Option<(f64, f64)> {
        let accepted = self.seen.iter().rfind(|seen| seen.standing == Standing::Holds)?.load;
        let rejected = self.seen.iter().find(|seen| seen.standing == Standing::Fails)?.load;
        (rejected < accepted).then_some((rejected, accepted))
    }

    fn coordinate(&self, load: f64) -> f64 {
        match self.full {
            Some(full) if load < full => -(-load / full).ln_1p(),
            Some(_) => f64::INFINITY,
            None => load.ln(),
        }
    }

    fn load_of(&self, coordinate: f64) -> f64 {
        match self.full {
            Some(full) => -full * (-coordinate).exp_m1(),
            None => coordinate.exp(),
        }
    }

    /// The last trial that holds below the first that does not, and that one.
    fn around(&self) -> (Option<usize>, Option<usize>) {
        // With noise they may mix: the split that the trials contradict least, sure ones and clear ones most.
        let contradiction = |split: usize| {
            let (below, above) = self.seen.split_at(split);
            let against = below.iter().filter(|s| !s.holds()).chain(above.iter().filter(|s| s.holds()));
            against.map(Seen::weight).sum::<f64>()
        };
        let splits = (0..=self.seen.len()).map(|split| (split, contradiction(split)));
        let split = splits.min_by(|a, b| a.1.total_cmp(&b.1)).map_or(0, |(split, _)| split);
        (split.checked_sub(1), (split < self.seen.len()).then_some(split))
    }

    /// The slope of the measure over the logarithm of load at the root, from the two trials about it.
    fn slope(&self, root: f64) -> Option<f64> {
        let with_margin: Vec<(f64, f64)> =
            self.seen.iter().filter_map(|s| Some((s.load, s.margin?.value))).collect();
        let (below, _) = self.around();
        let split = below.map_or(0, |n| self.seen[..=n].iter().filter(|s| s.margin.is_some()).count());
        let first = split.saturating_sub(1).min(with_margin.len().checked_sub(2)?);
        let (a, b) = (with_margin[first], with_margin[first + 1]);
        // Far from each other they tell the slope at the root by how waits grow between them.
        let (from, to) = (self.coordinate(a.0), self.coordinate(b.0));
        let slope = match self.full {
            Some(full) if to.is_finite() && root < full => {
                (b.1 - a.1) / (to - from) * (root / full) / (1.0 - root / full)
            }
            _ => (b.1 - a.1) / (b.0 / a.0).ln(),
        };
        (slope > 0.0).then_some(slope)
    }

    /// Where the root lies.
    pub fn guess(&self) -> Guess {
        let (below, above) = match self.around() {
            (Some(below), Some(above)) => (below, above),
            (Some(below), None) => {
                let by_slope = || self.beyond(below).or_else(|| self.assumed(below));
                let found = if self.law.is_some() { self.assumed(below) } else { by_slope() };
                return found.map_or(Guess::Above, Guess::At);
            }
            (None, Some(above)) => {
                let found = self.before().or_else(|| self.assumed(above));
                return found.map_or(Guess::Below, Guess::At);
            }
            (None, None) => return Guess::Above,
        };
        let (low, high) = (&self.seen[below], &self.seen[above]);
        let (from, to) = (self.coordinate(low.load), self.coordinate(high.load));
        let middle = (low.load * high.load).sqrt();
        let share = match (low.margin, high.margin) {
            (Some(a), Some(b)) if b.value > a.value => (-a.value / (b.value - a.value)).clamp(0.0, 1.0),
            (Some(_), None) => {
                // The load past all measure only bounds what the trials below point to.
                let beyond = self.beyond(below).unwrap_or(middle);
                let gap = high.load - low.load;
                return Guess::At(beyond.clamp(low.load + 0.2 * gap, low.load + 0.8 * gap));
            }
            _ => return Guess::At(middle),
        };
        if !to.is_finite() {
            return Guess::At(middle);
        }
        let chord = self.load_of(from + share * (to - from));
        match self.line_to(below) {
            Some(line) if high.load > WIDE * low.load && line > chord => {
                Guess::At((chord * line.min(high.load)).sqrt())
            }
            _ => Guess::At(chord),
        }
    }

    /// Where the first two trials that fail point back to, if they rise.
    fn before(&self) -> Option<f64> {
        let rising: Vec<(f64, f64)> =
            self.seen.iter().filter_map(|s| Some((self.coordinate(s.load), s.margin?.value))).collect();
        let [(x0, y0), (x1, y1), ..] = rising.as_slice() else { return None };
        let slope = (y1 - y0) / (x1 - x0);
        let found = self.load_of(x0 - y0 / slope);
        (slope > 0.0 && found.is_finite()).then(|| found.max(self.seen[0].load / 4.0))
    }

    /// Where one trial points to, if its measure rises as it does near the knee of a queue: it must be within reach.
    fn assumed(&self, place: usize) -> Option<f64> {
        let seen = &self.seen[place];
        let step = seen.margin?.value / self.law.unwrap_or(ASSUMED_SLOPE);
        (step.abs() <= FARTHEST_STEP || self.law.is_some()).then(|| seen.load * (-step).exp())
    }

    /// Where the last two trials that hold point to, if they rise and it is within reach.
    fn beyond(&self, below: usize) -> Option<f64> {
        self.line_to(below).filter(|found| *found <= FARTHEST_JUMP * self.seen[below].load)
    }

    /// The same, however far it is; infinity where they do not rise.
    fn line_to(&self, below: usize) -> Option<f64> {
        let rising: Vec<(f64, f64)> = self.seen[..=below]
            .iter()
            .filter_map(|s| Some((self.coordinate(s.load), s.margin?.value)))
            .collect();
        let [.., (x0, y0), (x1, y1)] = rising.as_slice() else { return None };
        let slope = (y1 - y0) / (x1 - x0);
        let found = self.load_of(x1 - y1 / slope);
        Some(if slope > 0.0 && found.is_finite() { found } else { f64::INFINITY })
    }

    /// Where the measure is zero by one weighted regression of all trials near there (Fieller 1954: an interval for the
    /// abscissa of a line, its slope uncertain as well). Where they are too few, or do not rise, the guess and an
    /// assumed rise, without an interval; none where nothing says where it is.
    ///
    /// Only precise trials are independent of one another: the others have the same requests, and count together as
    /// one of them.
    pub fn crossing(&self) -> Option<Crossing> {
        let Guess::At(root) = self.guess() else { return None };
        let is_near = |seen: &&Seen| (seen.load / root).ln().abs() <= NEAR.ln();
        let near: Vec<&Seen> =
            self.seen.iter().filter(is_near).filter(|seen| seen.margin.is_some()).collect();
        let (precise, alike): (Vec<&Seen>, Vec<&Seen>) = near.iter().partition(|seen| seen.is_precise());
        // Each counts for as much: weights by intervals that are uncertain themselves would make them too narrow.
        let squares: f64 = precise.iter().filter_map(|seen| Some(seen.margin?.half.powi(2))).sum();
        let square = squares / precise.len() as f64;
        let precise: Vec<Point> = precise.iter().filter_map(|seen| self.point(seen, square)).collect();
        let together = |seen: &Seen| self.point(seen, seen.margin?.half.powi(2) * alike.len() as f64);
        let all = alike.iter().filter_map(|seen| together(seen));
        let all = Line::through(&all.chain(precise.iter().copied()).collect::<Vec<Point>>());
        // Far from the root the measure bends: what is measured on both sides of it says where it is zero.
        let near = if precise.len() >= PAIR { Line::through(&precise) } else { all };
        let slope = all.slope;
        // (measure + slope · d)² = 1/weight + 2 · shared · d + d²/spread, in half-widths of the intervals.
        let shared = (near.at - all.at) / all.spread;
        let square = slope.powi(2) - 1.0 / all.spread;
        let middle = (shared - near.measure * slope) / square;
        let reach = (middle.powi(2) - (near.measure.powi(2) - 1.0 / near.weight) / square).sqrt();
        let value = self.load_of(near.at - near.measure / slope);
        let (low, high) = (self.load_of(near.at + middle - reach), self.load_of(near.at + middle + reach));
        let growth = self.full.map_or(1.0, |full| (value / full) / (1.0 - value / full));
        let is_bounded = square > 0.0 && (low..=high).contains(&value) && low > 0.0 && high.is_finite();
        let crossing = Crossing { value, ends: is_bounded.then_some((low, high)), rise: slope * growth };
        let rises = slope > 0.0 && value > 0.0 && growth > 0.0;
        Some(if rises { crossing } else { Crossing { value: root, ends: None, rise: ASSUMED_SLOPE } })
    }

    /// As a point of a regression, with the square of its half-width.
    fn point(&self, seen: &Seen, square: f64) -> Option<Point> {
        let (at, measure, weight) = (self.coordinate(seen.load), seen.margin?.value, 1.0 / square);
        (weight.is_finite() && at.is_finite()).then_some(Point { at, measure, weight })
    }

    /// See [`Loads::discernible`](super::Loads::discernible).
    pub fn discernible(&self, root: f64) -> f64 {
        let distance = |seen: &Seen| (seen.load / root).ln().abs();
        let near = self
            .seen
            .iter()
            .filter_map(|seen| Some((seen, seen.margin?)))
            .min_by(|a, b| distance(a.0).total_cmp(&distance(b.0)));
        match (near, self.slope(root)) {
            (Some((seen, margin)), Some(slope)) => {
                let reach = if seen.effort.is_thorough() { SURE_TO_SURE } else { SURE_TO_QUICK };
                reach * margin.half / slope
            }
            _ => 0.0,
        }
    }
}

/// A trial as a regression has it.
#[derive(Clone, Copy)]
struct Point {
    at: f64,
    measure: f64,
    weight: f64,
}

/// A weighted line through points, given by their centroid.
#[derive(Clone, Copy)]
struct Line {
    at: f64,
    measure: f64,
    weight: f64,
    /// Weighted squares of the distances from the centroid.
    spread: f64,
    slope: f64,
}

impl Line {
    fn through(points: &[Point]) -> Line {
        let weight: f64 = points.iter().map(|p| p.weight).sum();
        let mean = |of: fn(&Point) -> f64| points.iter().map(|p| p.weight * of(p)).sum::<f64>() / weight;
        let (at, measure) = (mean(|p| p.at), mean(|p| p.measure));
        let sum = |of: &dyn Fn(&Point) -> f64| points.iter().map(|p| p.weight * (p.at - at) * of(p)).sum();
        let spread: f64 = sum(&|p| p.at - at);
        Line { at, measure, weight, spread, slope: sum(&|p| p.measure - measure) / spread }
    }
}

impl Seen {
    fn is_precise(&self) -> bool {
        matches!(self.effort, Effort::Precise { .. })
    }

    fn holds(&self) -> bool {
        match self.standing {
            Standing::Holds => true,
            Standing::Fails => false,
            Standing::Unclear => self.margin.is_some_and(|margin| margin.value < 0.0),
        }
    }

    /// How much its word counts.
    fn weight(&self) -> f64 {
        const SURE: f64 = 100.0;
        match (self.standing, self.margin) {
            (Standing::Unclear, Some(margin)) if margin.half > 0.0 => {
                (margin.value / margin.half).powi(2).min(SURE)
            }
            _ => SURE,
        }
    }
}
