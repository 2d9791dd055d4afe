//! The search for the load at which something ceases to hold, where every look at a load is noisy.
//!
//! Stochastic bisection with error bounds (in the spirit of Waeber, Frazier & Henderson 2013, from memory, and of
//! sequential tests). It goes in two stages. Quick trials close in on the load by what their margins
//! say; they decide nothing. Then one load on either side is put to a sure trial: the lower one must be accepted,
//! the upper one rejected, each at an error that is stated beforehand. An attempt that stays unclear is made again
//! further out, at a part of the error that is left, so that all attempts of a side together err with no more than its share.
//! The two ends are the interval. It is as wide as the curve is flat: where a per cent of load hardly moves the
//! figure, no affordable run can tell a per cent of load.

/// What a trial says of its load.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Standing {
    /// What is asked holds, at the error that was allowed.
    Holds,
    /// It does not, likewise.
    Fails,
    /// The trial could not tell.
    Unclear,
}

/// How hard to try.
#[derive(Clone, Copy, Debug, PartialEq)]
pub enum Effort {
    /// A look, to close in.
    Quick,
    /// Until it is sure, at this probability of a wrong answer.
    Sure {
        /// Above 0, below 1.
        error: f64,
    },
}

impl Effort {
    /// Whether it goes on until it is sure.
    pub fn is_sure(self) -> bool {
        matches!(self, Effort::Sure { .. })
    }
}

/// Where the root lies, by what has been seen.
#[derive(Clone, Copy, Debug, PartialEq)]
pub enum Guess {
    /// About here.
    At(f64),
    /// Everything tried holds.
    Above,
    /// Nothing tried does.
    Below,
}

/// What the search asks of the one who tries loads.
pub trait Loads {
    /// Tries a load; none if the search is to end (the user has interrupted).
    fn try_at(&mut self, load: f64, effort: Effort) -> Option<Standing>;
    /// Where the root lies by all that was tried.
    fn guess(&self) -> Guess;
    /// The smallest relative distance from the root at which a sure trial should be able to tell.
    fn discernible(&self, root: f64) -> f64;
    /// The greatest load that may be looked at next: far past saturation a look costs most and tells least.
    fn reach(&self, at: f64) -> f64 {
        FARTHEST_JUMP * at
    }
}

/// What is wanted.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Wanted {
    /// Where to begin.
    pub start: f64,
    /// Smallest and largest load that makes sense.
    pub range: (f64, f64),
    /// Relative distance of either end from the root.
    pub half_width: f64,
    /// Whether loads are whole numbers.
    pub whole: bool,
    /// Probability that either end is on the wrong side; half of it for each.
    pub error: f64,
    /// A load that is known to fail, beyond the range; it need not be tried.
    pub fails: Option<f64>,
}

/// What was found.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Bracket {
    /// Best estimate; at an end of the range if the root is not in it.
    pub value: f64,
    /// Largest load that was accepted; none if none was.
    pub low: Option<f64>,
    /// Smallest load that was rejected; none if none was.
    pub high: Option<f64>,
}

/// Quick trials at most.
const QUICK_TRIALS: usize = 7;
/// A look is at no more than this many times the load of the one before: far past saturation it costs most and tells
/// least.
const FARTHEST_JUMP: f64 = 2.0;
/// Share of an end's error that each attempt at it may spend; there are no more attempts than this.
const SPENDING: [f64; 4] = [0.7, 0.2, 0.07, 0.03];
/// An end that was found this many times as far from the root as it need be, by what is known then, is tried once more.
const FAR_OFF: f64 = 1.5;
/// Widest distance of an end from the root.
const WIDEST: f64 = 0.4;

/// Searches.
pub fn bracket(loads: &mut impl Loads, wanted: &Wanted) -> Bracket {
    let mut search = Search { loads, wanted, low: None, high: wanted.fails };
    if search.close_in().is_some() && search.settle(Side::Low).is_some() {
        search.settle(Side::High);
    }
    search.found()
}

#[derive(Clone, Copy, PartialEq, Eq)]
enum Side {
    Low,
    High,
}

struct Search<'a, L> {
    loads: &'a mut L,
    wanted: &'a Wanted,
    low: Option<f64>,
    high: Option<f64>,
}

impl<L: Loads> Search<'_, L> {
    /// Quick trials, until two of them in a row are within reach of the root.
    fn close_in(&mut self) -> Option<()> {
        let (lowest, highest) = self.wanted.range;
        let mut at = self.rounded(self.wanted.start);
        for _ in 0..QUICK_TRIALS {
            self.loads.try_at(at, Effort::Quick)?;
            let next = match self.loads.guess() {
                Guess::At(root) => root,
                Guess::Above if at >= highest => return Some(()),
                Guess::Below if at <= lowest => return Some(()),
                Guess::Above => {
                    (at * FARTHEST_JUMP).min((at + highest) / 2.0 + 0.5 * f64::from(self.wanted.whole))
                }
                Guess::Below => (at / 2.0).max(lowest),
            };
            let next = self.rounded(next.min(self.loads.reach(at)).clamp(lowest, highest));
            let is_near = (next / at - 1.0).abs() <= self.wanted.half_width;
            if is_near || next == at {
                // Past the highest load there is nothing to find.
                let ends = [lowest, highest].map(|end| (end / next - 1.0).abs() <= self.wanted.half_width);
                if !ends.contains(&true) || matches!(self.loads.guess(), Guess::At(_)) {
                    return Some(());
                }
            }
            at = next;
        }
        Some(())
    }

    /// Sure trials at one end.
    fn settle(&mut self, side: Side) -> Option<()> {
        let (lowest, highest) = self.wanted.range;
        let (mut distance, mut is_again) = (0.0_f64, false);
        for spending in SPENDING {
            let root = self.root();
            let least = self.least_distance();
            distance = least.max(distance.min(WIDEST));
            let at = self.place(side, root, distance);
            if self.is_known(side, at) {
                return Some(());
            }
            let error = self.wanted.error / 2.0 * spending;
            match self.loads.try_at(at, Effort::Sure { error })? {
                Standing::Holds => self.low = Some(self.low.map_or(at, |low| low.max(at))),
                Standing::Fails => self.high = Some(self.high.map_or(at, |high| high.min(at))),
                Standing::Unclear => distance *= 2.0,
            }
            let is_at_end = match side {
                Side::Low => at <= lowest,
                Side::High => at >= highest,
            };
            if self.is_known(side, at) || is_at_end {
                let off = (at / self.root() - 1.0).abs();
                if is_again || is_at_end || self.wanted.whole || off < FAR_OFF * self.least_distance() {
                    return Some(());
                }
                (distance, is_again) = (0.0, true);
            }
        }
        Some(())
    }

    /// Of an end from the root, by what is known so far.
    fn least_distance(&self) -> f64 {
        self.loads.discernible(self.root()).max(self.wanted.half_width).min(WIDEST)
    }

    /// Where an end is tried.
    fn place(&self, side: Side, root: f64, distance: f64) -> f64 {
        let (lowest, highest) = self.wanted.range;
        let at = match side {
            // Where nothing was seen to fail, the end of the range may hold.
            Side::Low if root >= highest && distance <= self.wanted.half_width => highest,
            Side::Low => root * (1.0 - distance),
            Side::High => root * (1.0 + distance),
        };
        let at = match (side, self.wanted.whole) {
            (Side::Low, true) => at.floor(),
            (Side::High, true) => at.ceil(),
            _ => at,
        };
        // What was decided on the way stays decided.
        let at = match side {
            Side::Low => self.high.map_or(at, |high| at.min(self.below(high))),
            Side::High => self.low.map_or(at, |low| at.max(self.above(low))),
        };
        match (side, self.wanted.fails) {
            (Side::High, Some(fails)) => at.clamp(lowest, fails),
            _ => at.clamp(lowest, highest),
        }
    }

    /// Whether a trial there could only repeat what is known.
    fn is_known(&self, side: Side, at: f64) -> bool {
        match side {
            Side::Low => self.low.is_some_and(|low| low >= at),
            Side::High => self.high.is_some_and(|high| high <= at),
        }
    }

    fn below(&self, load: f64) -> f64 {
        if self.wanted.whole { load - 1.0 } else { load * (1.0 - self.wanted.half_width) }
    }

    fn above(&self, load: f64) -> f64 {
        if self.wanted.whole { load + 1.0 } else { load * (1.0 + self.wanted.half_width) }
    }

    fn root(&self) -> f64 {
        let (lowest, highest) = self.wanted.range;
        let root = match self.loads.guess() {
            Guess::At(root) => root,
            Guess::Above => highest,
            Guess::Below => lowest,
        };
        root.clamp(self.low.unwrap_or(lowest), self.high.unwrap_or(highest).max(self.low.unwrap_or(lowest)))
    }

    fn rounded(&self, load: f64) -> f64 {
        if self.wanted.whole { load.round().max(1.0) } else { load }
    }

    fn found(&self) -> Bracket {
        Bracket { value: self.root(), low: self.low, high: self.high }
    }
}

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
    is_sure: bool,
}

/// Rise of the measure over the logarithm of load where nothing else is known: a percentile at three quarters of the load
/// of a simple queue has it (d ln 1/(1 − ρ) / d ln ρ = ρ/(1 − ρ)).
const ASSUMED_SLOPE: f64 = 3.0;
/// Two loads this far apart or more, as a ratio, may have a bend between them: the chord then lies below the root, the line
/// through the two loads before it above, and the middle of both is looked at.
const WIDE: f64 = 1.2;
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
        self.seen.push(Seen { load, standing, margin, is_sure: effort.is_sure() });
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

    /// See [`Loads::discernible`].
    pub fn discernible(&self, root: f64) -> f64 {
        let distance = |seen: &Seen| (seen.load / root).ln().abs();
        let near = self
            .seen
            .iter()
            .filter_map(|seen| Some((seen, seen.margin?)))
            .min_by(|a, b| distance(a.0).total_cmp(&distance(b.0)));
        match (near, self.slope(root)) {
            (Some((seen, margin)), Some(slope)) => {
                let reach = if seen.is_sure { SURE_TO_SURE } else { SURE_TO_QUICK };
                reach * margin.half / slope
            }
            _ => 0.0,
        }
    }
}

impl Seen {
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

#[cfg(test)]
#[path = "bracket_tests.rs"]
mod tests;
