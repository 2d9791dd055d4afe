//! The pilot: short runs, thrown away, that tell how long the start-up lasts and how fast requests
//! come, so that the real runs can be planned.

use std::sync::atomic::Ordering;

use rayon::prelude::*;

use crate::engine::{SimDuration, SimTime, Stop};
use crate::measure::warmup;
use crate::scenario::{Arrivals, Auto, Load};

use super::overload::{self, Sure};
use super::replication::Replication;
use super::scene::Series;
use super::setting::Setting;

/// Requests a replication of the pilot should see.
const REQUESTS: f64 = 20_000.0;
/// Bins of its series: four batches of five above what MSER-5 needs to be told apart from noise.
const BINS: usize = 500;
/// On/off cycles of the slowest bursty class that it should see, over all its machines.
const CYCLES: f64 = 20.0;
/// And of each machine: a burst and its end.
const CYCLES_EACH: f64 = 2.0;
/// Doublings before the verdict "not settled".
pub(super) const DOUBLINGS: u32 = 3;

/// What a pilot found.
#[derive(Clone, Debug)]
pub(super) struct Pilot {
    /// Simulated time in which a replication sees enough to tell something.
    pub look: SimDuration,
    /// Simulated time to discard.
    pub warm_up: SimDuration,
    /// Whether the start-up ended within half of the pilot.
    pub settled: bool,
    /// Requests per second by class and operation (class × 2 + operation).
    pub rates: Vec<f64>,
    /// What it took, in events.
    pub events: u64,
    /// Simulated time of a replication, if the backlog ran away or grew.
    pub overloaded_in: Option<SimDuration>,
}

/// Runs the pilot of a setting, which doubles at most so often.
pub(super) fn run(setting: &Setting, most: u32, tell: &(dyn Fn(&str) + Sync)) -> Pilot {
    tell("pilot: how fast requests come");
    let look = first_length(setting);
    let (mut length, mut doublings, mut events) = (look, 0, 0);
    loop {
        tell(&format!("pilot: how long the start-up lasts, {:.3} s", length.secs()));
        let (replications, overloaded) = replicate(setting, length);
        events += replications.iter().map(|r| r.kernel.events()).sum::<u64>();
        let cut = warmup::truncation(&series(&replications));
        let is_last = overloaded
            || setting.scenario.run.warm_up != Auto::Auto
            || doublings == most
            || length >= setting.scenario.run.length_max
            || setting.interrupted.load(Ordering::Relaxed);
        if cut.is_some() || is_last {
            // Overloaded there is nothing to settle to, and waiting only fills the backlog.
            let cut_at = if overloaded { Some(0) } else { cut };
            return Pilot {
                look,
                warm_up: warm_up(length, cut_at),
                settled: cut.is_some(),
                rates: rates(&replications),
                events,
                overloaded_in: overloaded.then_some(length),
            };
        }
        length = SimDuration::from_ps(length.ps().saturating_mul(2));
        doublings += 1;
    }
}

/// MSER-5 cuts where the standard error of what remains is least, which leaves a little of a weak
/// transient; a twentieth of the pilot is discarded whatever it says (project choice).
fn warm_up(length: SimDuration, cut: Option<usize>) -> SimDuration {
    let share = cut.map_or(0.5, |bins| bins as f64 / BINS as f64);
    SimDuration::from_ps_f64(length.ps() as f64 * share.max(0.05))
}

/// How long a pilot must be to see its requests.
pub(super) fn first_length(setting: &Setting) -> SimDuration {
    let bound = setting.scenario.run.length_max;
    match pace(setting) {
        Some(pace) => SimDuration::from_secs(pace.time_of(REQUESTS)).max(slowest_cycles(setting)).min(bound),
        None => bound,
    }
}

/// How fast requests come.
pub(super) struct Pace {
    /// Seconds, and requests that came in them.
    took_s: f64,
    seen: f64,
    /// By class and operation (class × 2 + operation), as a share of all.
    pub shares: Vec<f64>,
}

impl Pace {
    /// Seconds in which so many come.
    pub fn time_of(&self, requests: f64) -> f64 {
        self.took_s * requests / self.seen
    }
}

/// Doubles the time until one run has seen a tenth of a pilot's requests; none if the longest run does not.
pub(super) fn pace(setting: &Setting) -> Option<Pace> {
    let mut probe = Replication::new(setting, "probe", 0);
    let mut until = SimDuration::from_us(100);
    let bound = setting.scenario.run.length_max;
    loop {
        probe.stop = probe.kernel.run(SimTime::ZERO + until);
        let seen = probe.arrived() as f64;
        let reached = probe.kernel.now().since(SimTime::ZERO);
        if seen >= REQUESTS / 10.0 || probe.stop == Stop::Backlog {
            let recorder = &probe.kernel.model.recorder;
            let by_place = recorder.latencies.iter().zip(&recorder.out);
            let by_place = by_place.map(|(done, out)| (done.count() + out) as f64);
            let shares = by_place.map(|count| count / seen.max(1.0)).collect();
            return Some(Pace { took_s: reached.secs(), seen: seen.max(1.0), shares });
        }
        if until >= bound || setting.interrupted.load(Ordering::Relaxed) {
            return None;
        }
        until = SimDuration::from_ps(until.ps().saturating_mul(2)).min(bound);
    }
}

/// Time in which the slowest bursty class goes through its cycles.
pub(super) fn slowest_cycles(setting: &Setting) -> SimDuration {
    let cycles = setting.scenario.classes.iter().map(|class| match &class.load {
        Load::Open { arrivals: Arrivals::Bursty { peak_to_mean, burst, together, .. }, .. } => {
            // Machines in step make one process.
            let processes = if *together > 0.0 { 1.0 } else { f64::from(class.machines) };
            (CYCLES / processes).max(CYCLES_EACH) * peak_to_mean * burst.secs()
        }
        _ => 0.0,
    });
    SimDuration::from_secs(cycles.fold(0.0, f64::max))
}

/// Replications of that length, and whether they were given up because of overload.
fn replicate(setting: &Setting, length: SimDuration) -> (Vec<Replication>, bool) {
    let bin = SimDuration::from_ps(length.ps() / BINS as u64 + 1);
    let mut replications: Vec<Replication> = (0..setting.scenario.run.replications)
        .map(|number| {
            let mut replication = Replication::new(setting, "pilot", number);
            replication.kernel.model.recorder.series = Some(Series::new(bin, BINS));
            replication.warm_up(SimDuration::ZERO, setting.interrupted);
            replication
        })
        .collect();
    let quarter = SimDuration::from_ps(length.ps() / 4 + 1);
    let overloaded = (0..4).any(|_| overload::extend(setting, &mut replications, quarter, Sure::OfGrowth));
    replications.par_iter_mut().for_each(|r| match overloaded {
        true => r.close(),
        false => r.drain(setting.interrupted),
    });
    (replications, overloaded)
}

/// Mean latency by bin over all replications; a bin without requests repeats the one before.
fn series(replications: &[Replication]) -> Vec<f64> {
    let all = || replications.iter().filter_map(|r| r.kernel.model.recorder.series.as_ref());
    let mut last = 0.0;
    (0..BINS)
        .map(|bin| {
            let count: u64 = all().map(|s| s.counts[bin]).sum();
            if count > 0 {
                last = all().map(|s| s.sums[bin]).sum::<f64>() / count as f64;
            }
            last
        })
        .collect()
}

fn rates(replications: &[Replication]) -> Vec<f64> {
    let seconds: f64 = replications.iter().map(Replication::window_s).sum();
    let classes = replications.first().map_or(0, |r| r.kernel.model.recorder.latencies.len());
    (0..classes)
        .map(|place| {
            let of = |r: &Replication| r.kernel.model.recorder.latencies[place].count();
            replications.iter().map(of).sum::<u64>() as f64 / seconds.max(f64::MIN_POSITIVE)
        })
        .collect()
}
