//! What optional ratings say of a drive's priors: how long a read may wait behind a program or an erase, and how
//! long a program takes. And what the read tail is where no rating says it.
//!
//! The bytes a second that a drive programs are in its sequential rating, whatever the time of one program: a longer
//! one holds more bytes. What the time of a program does set is how long a read waits behind it, up to the suspend
//! bound. So the tail of reads beside writes tells the bound, and the rate of a mix, where its depth is small enough
//! that waiting reads hold it down, tells the program.

use crate::engine::SimDuration;
use crate::scenario::{Arrivals, Load, Mixed, ReadTail};
use crate::system::{Refusal, Solved};

use super::{Alone, seen};

/// Requests of one try, after the buffer has had time to fill.
const REQUESTS: f64 = 60_000.0;
/// Tries at a prior; each halves what is left of its range, in the logarithm.
const TRIES: u32 = 7;
/// Times of a program that are looked at first, in even steps of the logarithm.
const GRID: u32 = 10;
/// Between these lies the time of a program, in ps: fast one-bit flash to slow four-bit flash, from memory.
const PROGRAM_PS: [f64; 2] = [100e6, 5e9];
/// A read can be let in after so little, in ps; the longest is a program and the erase before it.
const SUSPEND_LEAST_PS: f64 = 1e6;
/// A rating counts as contradicted beyond this: a try's own figure is known to 1 or 2 %.
const SLACK: f64 = 0.03;
/// Low and high priors of the suspend bound and of the time of a program, where nothing tells them: flash that
/// suspends at once against flash that lets a whole program pass (from memory), and the range of papers on
/// three-bit flash (check D-NAND-3D, from memory).
const PRIORS_US: [[u64; 2]; 2] = [[100, 400], [1_000, 800]];

/// The 99th percentile of 4 KiB reads of the drive alone under a stated mix, at the low and at the high priors.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Tail {
    /// p99 at the low and at the high priors, us.
    pub p99_us: [f64; 2],
    /// Suspend bound and time of a program, us, at either.
    pub priors_us: [[f64; 2]; 2],
    /// Requests a second of the mix: 70 % reads, at half of what time-sharing of the two random ratings carries.
    pub rate: f64,
}

impl Alone<'_> {
    /// The priors that the optional ratings tell, with the others as they are.
    pub(super) fn pinned(&self, mut solved: Solved) -> Result<Solved, Refusal> {
        let (tail, mixed) = (self.part.read_p99, self.part.mixed);
        if let Some(tail) = tail {
            solved.suspend = self.suspend(solved, tail)?;
        }
        let Some(mixed) = mixed else { return Ok(solved) };
        let prior = solved.program;
        solved.program = self.program(solved, mixed)?;
        if let Some(tail) = tail.filter(|_| solved.program != prior) {
            // Another program, another bound; and both ratings must still hold.
            solved.suspend = self.suspend(solved, tail)?;
            let (rate, rated) = (self.mixed_rate(solved, mixed)?, mixed.rate.per_second);
            if (rate / rated - 1.0).abs() > 2.0 * SLACK {
                return Err(Refusal {
                    key: "mixed",
                    why: format!(
                        "{rated:.0}/s, but under the bound that `read_p99` asks for it is {rate:.0}/s"
                    ),
                });
            }
        }
        Ok(solved)
    }

    /// The longest suspend bound under which the p99 of reads stays below its rating.
    fn suspend(&self, solved: Solved, tail: ReadTail) -> Result<SimDuration, Refusal> {
        let p99 = |ps: f64| {
            let solved = Solved { suspend: SimDuration::from_ps_f64(ps), ..solved };
            self.p99_us(solved, Load::Closed { in_flight: tail.depth, think: None }, tail.write_rate)
        };
        let below = tail.below.us();
        let least = p99(SUSPEND_LEAST_PS)?;
        if least > below * (1.0 + SLACK) {
            return Err(Refusal {
                key: "read_p99",
                why: format!(
                    "{below:.0} us is less than the {least:.0} us that its other ratings leave with programs that \
                     yield at once"
                ),
            });
        }
        let whole = (solved.program + self.part.erase).ps() as f64;
        if p99(whole)? <= below {
            // Nothing need be suspended for it: the bound does not bind.
            return Ok(SimDuration::from_ps_f64(whole));
        }
        let found = bisect([SUSPEND_LEAST_PS, whole], |ps| Ok(p99(ps)? <= below), TRIES)?;
        Ok(SimDuration::from_ps_f64(found))
    }

    /// The time of a program at which the mix has its rated rate; of several, the one nearest the prior. (A program
    /// just longer than the bound is cut in two pieces, of which reads wait for less than for one as long as the
    /// bound: the rate does not fall all the way.)
    fn program(&self, solved: Solved, mixed: Mixed) -> Result<SimDuration, Refusal> {
        let (rated, prior) = (mixed.rate.per_second, solved.program.ps() as f64);
        let rate = |ps: f64| {
            let program = SimDuration::from_ps_f64(ps);
            self.mixed_rate(Solved { program, ..solved }, mixed)
        };
        let [mut low, high] = PROGRAM_PS;
        if self.part.read_p99.is_some() && solved.suspend < solved.program {
            // A rated bound that shorter programs would never meet would not be the bound.
            low = solved.suspend.ps() as f64;
        }
        let step = (high / low).powf(1.0 / (GRID - 1) as f64);
        let mut found = Vec::new();
        for number in 0..GRID {
            let ps = low * step.powi(number as i32);
            found.push((ps, rate(ps)?));
        }
        let slowest = found.iter().map(|(_, rate)| *rate).fold(f64::INFINITY, f64::min);
        let fastest = found.iter().map(|(_, rate)| *rate).fold(0.0, f64::max);
        if rated > fastest * (1.0 + SLACK) || rated < slowest * (1.0 - SLACK) {
            return Err(Refusal {
                key: "mixed",
                why: format!(
                    "{rated:.0}/s at depth {} lies outside the {slowest:.0}/s to {fastest:.0}/s that its other ratings \
                     leave, whatever a program takes",
                    mixed.rate.depth
                ),
            });
        }
        if fastest < slowest * (1.0 + SLACK) {
            // At that depth the mix is the same whatever a program takes: it agrees and tells nothing.
            return Ok(solved.program);
        }
        let from_prior = |ps: f64| (ps / prior).ln().abs();
        let crosses = |pair: &&[(f64, f64)]| (pair[0].1 >= rated) != (pair[1].1 >= rated);
        let nearest = |pair: &&[(f64, f64)]| from_prior((pair[0].0 * pair[1].0).sqrt());
        let between = found.windows(2).filter(crosses).min_by(|a, b| nearest(a).total_cmp(&nearest(b)));
        let ps = match between {
            Some(&[(low, at_low), (high, _)]) => {
                let falls = at_low >= rated;
                bisect([low, high], |ps| Ok((rate(ps)? >= rated) == falls), TRIES / 2)?
            }
            // Within the slack of an end.
            _ => {
                let off = |(_, rate): &(f64, f64)| (rate / rated - 1.0).abs();
                found.iter().min_by(|a, b| off(a).total_cmp(&off(b))).map_or(prior, |(ps, _)| *ps)
            }
        };
        Ok(SimDuration::from_ps_f64(ps))
    }

    /// Requests a second of a closed mix at its depth.
    fn mixed_rate(&self, solved: Solved, mixed: Mixed) -> Result<f64, Refusal> {
        let mut alone = self.with_load(Load::Closed { in_flight: mixed.rate.depth, think: None });
        alone.classes[0].read = mixed.read;
        let rated = mixed.rate.per_second;
        let seconds = REQUESTS / rated;
        let replication = seen(&alone, solved, self.filling_s(rated * (1.0 - mixed.read)), seconds)?;
        let finished: u64 = replication.kernel.model.recorder.finished.iter().sum();
        Ok(finished as f64 / seconds)
    }

    /// p99 of reads under `load`, beside writes that come at random, us.
    fn p99_us(&self, solved: Solved, load: Load, write_rate: f64) -> Result<f64, Refusal> {
        let reads_per_s = match &load {
            Load::Open { rate, .. } => *rate,
            // At least what one outstanding makes of the latency, and not above the rating.
            Load::Closed { in_flight, .. } => {
                let most = f64::from(*in_flight) / self.part.read_latency.secs();
                most.min(self.part.read_random.per_second)
            }
            Load::Trace { .. } => return Ok(0.0),
        };
        let mut alone = self.with_load(load);
        let mut writes = alone.classes[0].clone();
        writes.name = "writes".into();
        writes.read = 0.0;
        writes.load = open(write_rate);
        alone.classes.push(writes);
        let seconds = REQUESTS / reads_per_s;
        let replication = seen(&alone, solved, self.filling_s(write_rate).min(10.0 * seconds), seconds)?;
        let recorder = &replication.kernel.model.recorder;
        Ok(recorder.latencies[0].quantile(0.99).map_or(f64::INFINITY, |quantile| quantile.value / 1e6))
    }

    /// Time in which writes at that rate fill the buffer twice.
    fn filling_s(&self, writes_per_s: f64) -> f64 {
        2.0 * self.part.buffer as f64 / 4096.0 / writes_per_s.max(1.0)
    }

    /// The read tail at the low and high priors of what is not known; none where all is.
    pub(super) fn tail(&self, solved: Solved) -> Option<Tail> {
        let part = self.part;
        if part.knows_suspend && part.knows_program {
            return None;
        }
        let shared = 1.0 / (0.7 / part.read_random.per_second + 0.3 / part.write_random.per_second);
        let rate = rounded(0.5 * shared);
        let at = |[suspend, program]: [u64; 2]| {
            let of = |known: bool, solved: SimDuration, us: u64| {
                if known { solved } else { SimDuration::from_us(us) }
            };
            Solved {
                suspend: of(part.knows_suspend, solved.suspend, suspend),
                program: of(part.knows_program, solved.program, program),
                ..solved
            }
        };
        let [low, high] = PRIORS_US.map(at);
        let p99 = |solved: Solved| self.p99_us(solved, open(0.7 * rate), 0.3 * rate).ok();
        Some(Tail {
            p99_us: [p99(low)?, p99(high)?],
            priors_us: [low, high].map(|s| [s.suspend.us(), s.program.us()]),
            rate,
        })
    }
}

/// Three significant figures: no reader wants more of it.
fn rounded(rate: f64) -> f64 {
    let step = 10f64.powi(rate.log10().floor() as i32 - 2);
    (rate / step).round() * step
}

fn open(rate: f64) -> Load {
    Load::Open { rate, arrivals: Arrivals::Poisson, in_flight_max: None }
}

/// The largest of a range for which something holds that holds at its start and not at its end, by halving its
/// logarithm.
fn bisect(
    [mut low, mut high]: [f64; 2],
    holds: impl Fn(f64) -> Result<bool, Refusal>,
    tries: u32,
) -> Result<f64, Refusal> {
    for _ in 0..tries {
        let middle = (low * high).sqrt();
        if holds(middle)? { low = middle } else { high = middle }
    }
    Ok((low * high).sqrt())
}
