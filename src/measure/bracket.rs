//! The search for the load at which something ceases to hold, where every look at a load is noisy.
//!
//! Stochastic bisection with error bounds (in the spirit of Waeber, Frazier & Henderson 2013, from memory, and of
//! sequential tests). It goes in two stages. Quick trials close in on the load by what their margins
//! say; they decide nothing. Then one load on either side is put to a sure trial: the lower one must be accepted,
//! the upper one rejected, each at an error that is stated beforehand. An attempt that stays unclear is made again
//! further out, at a part of the error that is left, so that all attempts of a side together err with no more than its share.
//! The two ends are the interval. It is as wide as the curve is flat: where a per cent of load hardly moves the
//! figure, no affordable run can tell a per cent of load.
//!
//! Where trials measure how far the figure is from its bound, the second stage has a cheaper way: trials on either side of
//! the root, each on requests of its own and as long as the figure asks for, and one regression of all of them
//! ([`Crossing`]). Its interval is the ends then. Trials that stop once they are clear would bias it; these stop once
//! they are precise.

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
    /// On requests of its own, until half the interval of its margin is no wider than this.
    Precise {
        /// In the unit of the margin.
        half: f64,
        /// Probability that its standing is wrong.
        error: f64,
    },
}

impl Effort {
    /// Whether more than a look.
    pub fn is_thorough(self) -> bool {
        self != Effort::Quick
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
    /// Where the measure is zero by all trials together, if they tell how it rises.
    fn crossing(&self) -> Option<Crossing> {
        None
    }
    /// The greatest load that may be looked at next: far past saturation a look costs most and tells least.
    fn reach(&self, at: f64) -> f64 {
        FARTHEST_JUMP * at
    }
}

/// Where a measure is zero, by one regression of it on load.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Crossing {
    /// Best estimate.
    pub value: f64,
    /// Its interval; none while the measure may not rise at all.
    pub ends: Option<(f64, f64)>,
    /// Rise of the measure over the logarithm of load there.
    pub rise: f64,
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
pub(super) const FARTHEST_JUMP: f64 = 2.0;
/// Share of an end's error that each attempt at it may spend; there are no more attempts than this.
const SPENDING: [f64; 4] = [0.7, 0.2, 0.07, 0.03];
/// An end that was found this many times as far from the root as it need be, by what is known then, is tried once more.
const FAR_OFF: f64 = 1.5;
/// Widest distance of an end from the root.
const WIDEST: f64 = 0.4;
/// Precise trials at most, by turns below and above the root; two are meant to do.
const PRECISE_TRIALS: usize = 4;
/// Their distance from the root, as a multiple of the half-width that is wanted: enough for the slope to matter little.
const APART: f64 = 2.0;

/// Searches.
pub fn bracket(loads: &mut impl Loads, wanted: &Wanted) -> Bracket {
    let mut search = Search { loads, wanted, low: None, high: wanted.fails };
    if search.close_in().is_none() {
        return search.found();
    }
    if let Some(found) = search.narrow() {
        return found;
    }
    if search.settle(Side::Low).is_some() {
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

    /// Precise trials on both sides of the root; none if they do not tell it, or ends must be tried themselves.
    fn narrow(&mut self) -> Option<Bracket> {
        let (lowest, highest) = self.wanted.range;
        let half_width = self.wanted.half_width;
        if self.wanted.whole {
            return None;
        }
        for turn in 0..PRECISE_TRIALS {
            let so_far = self.loads.crossing()?;
            let is_done =
                so_far.ends.is_some_and(|(low, high)| high - low <= 2.0 * half_width * so_far.value);
            if turn >= 2 && is_done {
                break;
            }
            let (least, most) = (lowest / (1.0 - half_width), highest / (1.0 + half_width));
            if !(least..=most).contains(&so_far.value) {
                return None;
            }
            let at = match turn % 2 {
                0 => so_far.value * (1.0 - APART * half_width),
                _ => so_far.value * (1.0 + APART * half_width),
            };
            let half = half_width * so_far.rise * std::f64::consts::SQRT_2;
            let effort = Effort::Precise { half, error: self.wanted.error / 2.0 };
            self.loads.try_at(at.clamp(lowest, highest), effort)?;
        }
        let found = self.loads.crossing()?;
        let within = |load: f64| load.clamp(lowest, self.wanted.fails.unwrap_or(highest));
        let (low, high) = found.ends?;
        Some(Bracket { value: within(found.value), low: Some(within(low)), high: Some(within(high)) })
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

#[cfg(test)]
#[path = "bracket_tests.rs"]
mod tests;
