//! The largest load that a design carries, and the station that binds there.
//!
//! Where it lies is told by the utilisation law (Denning & Buzen 1978): at a load that is carried, the busiest member is
//! busy in proportion to it, so it is full at load ÷ utilisation; measured ever nearer, this follows demands that change
//! with the load. That the backlog does not grow below and does above is then tested, and the tests make the
//! interval.
//!
//! Where all classes are closed no backlog can grow. There saturation is operational analysis' (Denning & Buzen 1978):
//! throughput cannot pass what keeps the busiest member busy all the time, X ≤ X(N)/U(N), and light load gives
//! N/(R(1) + Z); the two meet at N*, which is the scale that is told.

use crate::measure::{Bracket, Effort, Guess, Interval, Loads, Standing, Wanted, bracket};
use crate::scenario::{Load, Scenario};

use super::attempts::{Attempt, Attempts};
use super::scaled::is_closed;
use super::trial::{Question, Tried};

/// Relative distance of either end from the value, where the noise allows it.
pub(super) const HALF_WIDTH: f64 = 0.0125;
/// Least share of a member's time that says anything about where it is full.
const IDLE: f64 = 1e-6;
/// Loads no farther apart than this, as a logarithm, ask alike of a station.
const ALIKE: f64 = 0.1;
/// Loads tried lie within this factor of the stated one.
const FARTHEST: f64 = 4096.0;
/// Tokens of a closed system that keep its busiest member busy, as a multiple of N*.
const MANY: f64 = 4.0;

/// Where a design is full.
#[derive(Clone, Debug)]
pub(super) struct Saturation {
    /// Factor on the stated load; its ends are the largest carried and the smallest not carried.
    pub scale: Bracket,
    /// Requests per second of scale 1, were it carried.
    pub iops_per_scale: f64,
    /// The busiest station at the load next below.
    pub binding: String,
    /// What was seen there.
    pub near: Tried,
    /// The load next below.
    pub near_scale: f64,
}

impl Saturation {
    /// How full the binding station is at the load next below.
    pub fn fill(&self) -> f64 {
        self.near.fullest.as_ref().map_or(1.0, |(_, fill)| fill.value)
    }
}

/// Finds it to `half_width`, if it may; the reason why there is none, otherwise. `start` is a guess.
pub(super) fn saturation(
    attempts: &mut Attempts,
    start: f64,
    half_width: f64,
    error: f64,
) -> Result<Saturation, String> {
    if is_closed(attempts.scenario) {
        return closed(attempts);
    }
    let wanted = Wanted {
        start,
        range: (start / FARTHEST, start * FARTHEST),
        half_width,
        whole: false,
        error,
        fails: None,
    };
    let found = bracket(&mut Carrying { attempts }, &wanted);
    told(attempts, &found)
}

fn told(attempts: &Attempts, found: &Bracket) -> Result<Saturation, String> {
    let carried = attempts.carried();
    let Some(near) = carried.last() else {
        return Err("no load was found that the design carries".into());
    };
    let Some((binding, fill)) = near.tried.fullest.clone() else {
        return Err("the design has no station".into());
    };
    if fill.value < IDLE {
        return Err(
            "nothing in the design has a limit: every component is left out or infinitely fast".into()
        );
    }
    // What ran away on the way was no sure trial, but a load that was not carried all the same.
    let high = found.high.or(attempts.overloaded_from().filter(|high| *high > found.value));
    Ok(Saturation {
        scale: Bracket { high, ..*found },
        iops_per_scale: iops_at(attempts, found.value) / found.value,
        binding,
        near: near.tried.clone(),
        near_scale: near.scale,
    })
}

/// Requests per second that a load brings: what open classes offer, and closed ones in proportion to the nearest load
/// that was measured.
pub(super) fn iops_at(attempts: &Attempts, scale: f64) -> f64 {
    let is_open = |load: &Load| !matches!(load, Load::Closed { .. });
    let all_open = attempts.scenario.classes.iter().all(|class| is_open(&class.load));
    let of = |attempt: &Attempt| {
        let outcome = &attempt.tried.outcome;
        match outcome.offered.iops.filter(|_| all_open) {
            Some(offered) => offered / attempt.scale,
            None => outcome.carried.iops.value.unwrap_or(0.0) / attempt.scale,
        }
    };
    let carried = attempts.carried();
    let nearest = carried.iter().min_by(|a, b| {
        let distance = |attempt: &Attempt| (attempt.scale / scale).ln().abs();
        distance(a).total_cmp(&distance(b))
    });
    nearest.map_or(0.0, |attempt| of(attempt) * scale)
}

/// Loads tried for whether they are carried.
struct Carrying<'t, 'a> {
    attempts: &'t mut Attempts<'a>,
}

impl Loads for Carrying<'_, '_> {
    fn try_at(&mut self, load: f64, effort: Effort) -> Option<Standing> {
        self.attempts.tell(&format!("saturation: is {load:.3} × the stated load carried?"));
        self.attempts.attempt(load, Question::Carried, effort).map(|attempt| attempt.standing)
    }

    fn guess(&self) -> Guess {
        let Some((attempt, fill)) = self.nearest() else { return Guess::Below };
        let fails = self.attempts.overloaded_from();
        let carried = self.attempts.carried().last().map(|best| best.scale);
        let root = if fill.value < IDLE { f64::INFINITY } else { self.root(attempt, &fill) };
        match (carried, fails) {
            (None, Some(fails)) => Guess::At(root.min(fails / 2.0)),
            // What binds is no station: the load that piles up bounds what the law says.
            (Some(carried), Some(fails)) if root >= fails && fails > carried => {
                Guess::At((carried * fails).sqrt())
            }
            (_, None) if !root.is_finite() => Guess::Above,
            // From afar the law is told demands that are not those of a full system.
            (_, None) if fill.value < 0.5 => Guess::At(root * 0.95),
            _ => Guess::At(root),
        }
    }

    fn discernible(&self, _: f64) -> f64 {
        self.nearest().map_or(0.0, |(_, fill)| (fill.high - fill.low) / 2.0 / fill.value)
    }
}

impl Carrying<'_, '_> {
    /// Where the fullest station is full by the utilisation law, from all loads near the best one, each by how well it is
    /// known: what a request asks of a station changes little among them.
    fn root(&self, best: &Attempt, fill: &Interval) -> f64 {
        let alone = best.scale / fill.value;
        let near = self.attempts.list.iter().filter(|a| (a.scale / best.scale).ln().abs() < ALIKE);
        let (mut sum, mut weights) = (0.0, 0.0);
        for (attempt, fill) in near.filter_map(|a| Some((a, a.tried.fullest.as_ref()?.1))) {
            let half = (fill.high - fill.low) / 2.0 / fill.value.max(IDLE);
            if half > 0.0 && fill.value >= IDLE && !attempt.tried.overloaded {
                sum += (attempt.scale / fill.value).ln() / half.powi(2);
                weights += half.powi(-2);
            }
        }
        if weights > 0.0 { (sum / weights).exp() } else { alone }
    }

    /// The load tried whose fullest station is nearest to full, and known best.
    fn nearest(&self) -> Option<(&Attempt, Interval)> {
        let filled =
            self.attempts.list.iter().filter(|a| !a.tried.overloaded || a.question == Question::Carried);
        let filled = filled.filter_map(|a| Some((a, a.tried.fullest.as_ref()?.1)));
        filled.min_by(|a, b| {
            let distance = |fill: &Interval| fill.value.max(IDLE).ln().abs() + 2.0 * (fill.high - fill.low);
            distance(&a.1).total_cmp(&distance(&b.1))
        })
    }
}

/// Of closed classes alone.
fn closed(attempts: &mut Attempts) -> Result<Saturation, String> {
    let light = light_load(attempts).ok_or_else(|| attempts.why_ended())?;
    let mut scale = 1.0;
    loop {
        attempts.tell(&format!("saturation: how busy is the design with {scale:.2} × its machines?"));
        let attempt = attempts.attempt(scale, Question::Mean, Effort::Sure { error: 0.5 });
        let Some(tried) = attempt.map(|attempt| attempt.tried.clone()) else {
            return Err(attempts.why_ended());
        };
        let Some((binding, fill)) = tried.fullest.clone().filter(|(_, fill)| fill.value >= IDLE) else {
            return Err("nothing in the design has a limit: machines are answered at once".into());
        };
        let busy = fill.value;
        let carried = &tried.outcome.carried.iops;
        // Requests and busy time of a window vary together, so their ratio is known better than this says.
        let half = carried.relative_half_width().unwrap_or(0.0);
        let crossing = carried.value.unwrap_or(0.0) / busy / light.per_scale;
        if scale >= MANY * crossing || busy > 0.99 {
            let half = half + light.half_width;
            let (low, high) = (Some(crossing * (1.0 - half)), Some(crossing * (1.0 + half)));
            return Ok(Saturation {
                scale: Bracket { value: crossing, low, high },
                iops_per_scale: light.per_scale,
                binding,
                near: tried,
                near_scale: scale,
            });
        }
        scale = (scale * 2.0).max(MANY * crossing);
    }
}

/// Requests per second of a machine's tokens that never meet another, all classes together, at the stated number of
/// machines.
struct LightLoad {
    per_scale: f64,
    half_width: f64,
}

fn light_load(attempts: &mut Attempts) -> Option<LightLoad> {
    let (mut per_scale, mut half_width) = (0.0, 0.0_f64);
    for (place, class) in attempts.scenario.classes.iter().enumerate() {
        attempts.tell(&format!("light load: one request of {} at a time", class.name));
        let alone = one_token(attempts.scenario, place);
        let mut single = Attempts::new(attempts.base, &alone, attempts.context);
        let rate = match single.attempt(1.0, Question::Mean, Effort::Sure { error: 0.5 }) {
            Some(attempt) => attempt.tried.outcome.carried.iops.clone(),
            None => {
                attempts.error = single.error;
                return None;
            }
        };
        let Load::Closed { in_flight, .. } = class.load else { continue };
        per_scale += rate.value.unwrap_or(0.0) * f64::from(in_flight) * f64::from(class.machines);
        half_width = half_width.max(rate.relative_half_width().unwrap_or(0.0));
    }
    Some(LightLoad { per_scale, half_width })
}

/// The scenario with one class of one machine that has one request in flight.
fn one_token(scenario: &Scenario, place: usize) -> Scenario {
    let mut alone = scenario.clone();
    let mut class = alone.classes[place].clone();
    if let Load::Closed { in_flight, .. } = &mut class.load {
        *in_flight = 1;
    }
    class.capacity = class.capacity.saturating_mul(u64::from(class.machines)).min(1 << 62);
    class.machines = 1;
    alone.classes = vec![class];
    alone.objectives.clear();
    alone
}
