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
use super::trial::{GROWTH, Question, Tried};

/// Relative distance of either end from the value, where the noise allows it.
const HALF_WIDTH: f64 = 0.015;
/// Least share of a member's time that says anything about where it is full.
const IDLE: f64 = 1e-6;
/// Loads tried lie within this factor of the stated one.
const FARTHEST: f64 = 4096.0;
/// Tokens of a closed system that keep its busiest member busy, as a multiple of N*.
const MANY: f64 = 4.0;

/// Where a design is full.
#[derive(Clone, Debug)]
pub(super) struct Saturation {
    /// Factor on the stated load; its ends are the largest carried and the smallest not carried.
    pub scale: Interval,
    /// Requests per second.
    pub iops: Interval,
    /// The busiest station at the load next below.
    pub binding: String,
    /// What was seen there.
    pub near: Tried,
    /// The load next below.
    pub near_scale: f64,
}

impl Saturation {
    /// Utilisation of the busiest member at the load next below.
    pub fn busiest(&self) -> f64 {
        self.near.outcome.verdict.utilisation.max(f64::MIN_POSITIVE)
    }
}

/// Finds it; the reason why there is none, otherwise. `start` is a guess.
pub(super) fn saturation(attempts: &mut Attempts, start: f64, error: f64) -> Result<Saturation, String> {
    if is_closed(attempts.scenario) {
        return closed(attempts);
    }
    let wanted = Wanted {
        start,
        range: (start / FARTHEST, start * FARTHEST),
        half_width: HALF_WIDTH,
        whole: false,
        error,
    };
    let found = bracket(&mut Carrying { attempts }, &wanted);
    told(attempts, &found)
}

fn told(attempts: &Attempts, found: &Bracket) -> Result<Saturation, String> {
    let carried = attempts.carried();
    let Some(near) = carried.last() else {
        return Err("no load was found that the design carries".into());
    };
    let verdict = &near.tried.outcome.verdict;
    if verdict.utilisation < IDLE {
        return Err(
            "nothing in the design has a limit: every component is left out or infinitely fast".into()
        );
    }
    let Some(binding) = verdict.binding.clone() else {
        return Err("the design has no station".into());
    };
    let scale = Interval {
        value: found.value,
        low: found.low.unwrap_or(near.scale).min(found.value),
        high: found.high.or(attempts.overloaded_from()).unwrap_or(f64::INFINITY).max(found.value),
    };
    let per_scale = iops_at(attempts, found.value) / found.value;
    let iops =
        Interval { value: scale.value * per_scale, low: scale.low * per_scale, high: scale.high * per_scale };
    Ok(Saturation { scale, iops, binding, near: near.tried.clone(), near_scale: near.scale })
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
        let carried = self.attempts.carried();
        let fails = self.attempts.overloaded_from();
        let Some(best) = carried.last() else { return Guess::Below };
        let busy = best.tried.outcome.verdict.utilisation;
        let root = if busy < IDLE { f64::INFINITY } else { best.scale / busy };
        match fails {
            // What binds is no station, or not yet busy: between the two.
            Some(fails) if root >= fails && fails > best.scale => Guess::At((best.scale * fails).sqrt()),
            Some(_) if root.is_finite() => Guess::At(root),
            None if root.is_finite() && busy > 0.5 => Guess::At(root),
            // From afar the law is told demands that are not those of a full system.
            None if root.is_finite() => Guess::At(root * 0.9),
            _ => Guess::Above,
        }
    }

    fn discernible(&self, _: f64) -> f64 {
        let carried = self.attempts.carried();
        let growth = carried.last().and_then(|attempt| attempt.tried.growth);
        growth.map_or(0.0, |growth| GROWTH + 0.75 * (growth.high - growth.low) / 2.0)
    }
}

/// Of closed classes alone.
fn closed(attempts: &mut Attempts) -> Result<Saturation, String> {
    let interrupted = || "interrupted".to_owned();
    let light = light_load(attempts).ok_or_else(interrupted)?;
    let mut scale = 1.0;
    loop {
        attempts.tell(&format!("saturation: how busy is the design with {scale:.2} × its machines?"));
        let attempt = attempts.attempt(scale, Question::Mean, Effort::Sure { error: 0.5 });
        let tried = attempt.ok_or_else(interrupted)?.tried.clone();
        let busy = tried.outcome.verdict.utilisation;
        if busy < IDLE {
            return Err("nothing in the design has a limit: machines are answered at once".into());
        }
        let carried = &tried.outcome.carried.iops;
        // Requests and busy time of a window vary together, so their ratio is known better than this says.
        let half = carried.relative_half_width().unwrap_or(0.0);
        let most = carried.value.unwrap_or(0.0) / busy;
        let crossing = most / light.per_scale;
        if scale >= MANY * crossing || busy > 0.99 {
            let within = |value: f64, half: f64| Interval::about(value, value * half);
            return Ok(Saturation {
                scale: within(crossing, half + light.half_width),
                iops: within(most, half),
                binding: tried.outcome.verdict.binding.clone().unwrap_or_default(),
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
