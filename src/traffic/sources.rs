//! The sources of all classes behind one front.
//!
//! A source is whatever has one next arrival: a whole Poisson class, a machine, or a token of a
//! closed loop. Sources are numbered through the classes in order. The simulation keeps the next
//! arrival of each and calls [`Sources::arrive`] when it is due.

use std::sync::Arc;

use super::arrivals::{Batches, Closed, Hyperexponential, Poisson, Regular};
use super::body::Body;
use super::bursty::{Bursty, Pattern};
use super::phases::Factors;
use super::replay::Replay;
use super::{Request, Trace};
use crate::engine::{Key, PS_PER_S, SimTime};
use crate::scenario::{Arrivals, Class, Load, Phase};

/// Turns classes into requests.
#[derive(Clone, Debug)]
pub struct Sources {
    classes: Vec<ClassSources>,
}

#[derive(Clone, Debug)]
struct ClassSources {
    /// Number of the first source, and of those of this class.
    first: u32,
    count: u32,
    machines: u32,
    /// Stated requests per second of all machines; `None` for a closed class.
    offered: Option<f64>,
    process: Process,
    body: Body,
}

#[derive(Clone, Debug)]
enum Process {
    Poisson(Poisson),
    Batches(Batches),
    Regular(Regular),
    Hyperexponential(Hyperexponential),
    Bursty(Bursty),
    Closed(Closed),
    Replay(Replay),
}

/// How many sources these classes need. [`Sources::new`] takes at most `u32::MAX`; each costs 8 to 32
/// bytes, except that a Poisson or batch class is one source however many machines it has.
pub fn sources_needed(classes: &[Class]) -> u64 {
    classes.iter().map(count_of).fold(0, u64::saturating_add)
}

fn count_of(class: &Class) -> u64 {
    let machines = u64::from(class.machines);
    match &class.load {
        Load::Open { arrivals: Arrivals::Poisson | Arrivals::Batch { .. }, .. } => 1,
        Load::Open { rate, arrivals, .. } if bursts(arrivals, *rate).is_some_and(|b| b.is_err()) => 1,
        Load::Open { .. } | Load::Trace { .. } => machines,
        Load::Closed { in_flight, .. } => machines * u64::from(*in_flight),
    }
}

/// The pattern of a bursty class; `Err` if it is run as Poisson.
fn bursts(arrivals: &Arrivals, rate: f64) -> Option<Result<Pattern, Pattern>> {
    let Arrivals::Bursty { peak_to_mean, burst, floor, together } = *arrivals else { return None };
    let pattern = Pattern { peak_to_mean, burst, floor, together };
    Some(if pattern.is_almost_poisson(rate) { Err(pattern) } else { Ok(pattern) })
}

impl Sources {
    /// The sources of these classes. `root` descends from the seed and the replication; `traces`
    /// holds the loaded trace of every class that replays one (by class); `scale` multiplies open
    /// rates and trace speed, and leaves closed classes and on/off times alone.
    ///
    /// Panics if a class replays a trace that is not there, or if more than `u32::MAX` sources are
    /// needed: both are the caller's to refuse (see [`sources_needed`]).
    pub fn new(classes: &[Class], root: Key, traces: &[Option<Arc<Trace>>], scale: f64) -> Sources {
        let mut first = 0u32;
        let classes = classes
            .iter()
            .enumerate()
            .map(|(index, class)| {
                let trace = traces.get(index).and_then(Option::as_ref);
                let sources = ClassSources::new(class, first, root.named(&class.name), trace, scale);
                first = first.checked_add(sources.count).expect("at most u32::MAX sources");
                sources
            })
            .collect();
        Sources { classes }
    }

    /// Puts phases, which count from `origin`, on the rates of open classes; before [`Sources::start`].
    pub fn date_from(&mut self, phases: &[Phase], origin: SimTime) {
        for (index, class) in self.classes.iter_mut().enumerate() {
            let factors = Factors::of(index, class.machines, phases, origin);
            if factors.is_some() {
                class.process.put(factors);
            }
        }
    }

    /// As [`Sources::offered`], on average from one instant to another under the phases.
    pub fn offered_between(&mut self, from: SimTime, to: SimTime) -> Vec<Option<f64>> {
        let mean = |class: &mut ClassSources| {
            let factor = class.process.factors().map_or(1.0, |factors| factors.mean(from, to));
            class.offered.map(|offered| offered * factor)
        };
        self.classes.iter_mut().map(mean).collect()
    }

    /// First arrival of every source that has one: (source, time), by source.
    pub fn start(&mut self) -> Vec<(u32, SimTime)> {
        let mut starts = Vec::new();
        for class in &mut self.classes {
            let firsts = (0..class.count).map(|local| (local, class.process.first(local)));
            starts.extend(firsts.filter_map(|(local, at)| Some((class.first + local, at?))));
        }
        starts
    }

    /// The request that arrives now at `source`, and when that source has its next arrival (`None`:
    /// no more, or closed and waiting for [`Sources::finished`]). `now` is the time that this source
    /// was last told; the same instant again means a batch.
    #[inline]
    pub fn arrive(&mut self, source: u32, now: SimTime) -> (Request, Option<SimTime>) {
        let index = self.class_of(source);
        let class = &mut self.classes[index];
        let local = source - class.first;
        let (asker, next) = match &mut class.process {
            Process::Poisson(p) => p.arrive(now),
            Process::Batches(p) => p.arrive(now),
            Process::Regular(p) => p.arrive(local),
            Process::Hyperexponential(p) => p.arrive(local, now),
            Process::Bursty(p) => p.arrive(local, now),
            Process::Closed(p) => (p.arrive(local), None),
            Process::Replay(p) => {
                let (asker, ask, next) = p.arrive(local);
                return (request(index, source, asker, ask), next);
            }
        };
        let ask = class.body.draw(asker.key, asker.machine);
        (request(index, source, asker, ask), next)
    }

    /// A request of this class and source has finished: when its token asks again. `None` for open
    /// classes and traces, which do not wait for answers.
    #[inline]
    pub fn finished(&mut self, class: u16, source: u32, now: SimTime) -> Option<SimTime> {
        let class = &self.classes[usize::from(class)];
        match &class.process {
            Process::Closed(p) => p.asks_again(source - class.first, now),
            _ => None,
        }
    }

    /// Stated mean rate of each class, requests per second over all its machines, scaled; `None`
    /// for a closed class, whose rate is an outcome.
    pub fn offered(&self) -> Vec<Option<f64>> {
        self.classes.iter().map(|c| c.offered).collect()
    }

    #[inline]
    fn class_of(&self, source: u32) -> usize {
        self.classes.partition_point(|c| c.first <= source) - 1
    }
}

#[inline]
fn request(class: usize, source: u32, asker: super::arrivals::Asker, ask: super::body::Ask) -> Request {
    Request {
        key: asker.key,
        class: class as u16,
        machine: asker.machine,
        source,
        operation: ask.operation,
        sequential: ask.sequential,
        address: ask.address,
        bytes: ask.bytes,
    }
}

impl ClassSources {
    fn new(class: &Class, first: u32, key: Key, trace: Option<&Arc<Trace>>, scale: f64) -> Self {
        let machines_key = key.named("machine");
        let machines = class.machines;
        let (process, offered) = match &class.load {
            Load::Open { rate, arrivals, .. } => {
                let process = open(key, machines_key, class, *rate, arrivals, scale);
                (process, Some(rate * f64::from(machines) * scale))
            }
            Load::Closed { in_flight, think } => {
                let closed = Closed::new(key.named("token"), machines, *in_flight, think.clone());
                (Process::Closed(closed), None)
            }
            Load::Trace { speed, repeat, .. } => {
                let trace = Arc::clone(trace.expect("the trace of a class is loaded before it is played"));
                let replay = Replay::new(machines_key, machines, trace, speed * scale, *repeat);
                let rate = replay.rate();
                (Process::Replay(replay), Some(rate))
            }
        };
        let count = u32::try_from(count_of(class)).expect("at most u32::MAX sources");
        ClassSources { first, count, machines, offered, process, body: Body::new(class, machines_key) }
    }
}

/// The process of an open class.
fn open(key: Key, machines: Key, class: &Class, rate: f64, arrivals: &Arrivals, scale: f64) -> Process {
    let count = class.machines;
    let gap_ps = PS_PER_S as f64 / (rate * scale);
    let class_gap_ps = gap_ps / f64::from(count);
    match *arrivals {
        Arrivals::Poisson => Process::Poisson(Poisson::new(key, count, class_gap_ps)),
        Arrivals::Batch { mean } => Process::Batches(Batches::new(key, count, class_gap_ps, mean)),
        Arrivals::Regular => Process::Regular(Regular::new(machines, count, gap_ps)),
        Arrivals::Hyperexponential { cv } => {
            Process::Hyperexponential(Hyperexponential::new(machines, count, gap_ps, cv))
        }
        // Judged at the stated rate, so that a scale does not change the kind of process.
        Arrivals::Bursty { .. } => match bursts(arrivals, rate) {
            Some(Ok(pattern)) => Process::Bursty(Bursty::new(key, machines, count, gap_ps, pattern)),
            _ => Process::Poisson(Poisson::new(key, count, class_gap_ps)),
        },
    }
}

impl Process {
    /// Puts phases on its rate; only open processes have one.
    fn put(&mut self, factors: Option<Factors>) {
        match self {
            Process::Poisson(p) => p.phases = factors,
            Process::Batches(p) => p.phases = factors,
            Process::Regular(p) => p.phases = factors,
            Process::Hyperexponential(p) => p.phases = factors,
            Process::Bursty(p) => p.factors = factors,
            Process::Closed(_) | Process::Replay(_) => {}
        }
    }

    fn factors(&mut self) -> Option<&mut Factors> {
        match self {
            Process::Poisson(p) => p.phases.as_mut(),
            Process::Batches(p) => p.phases.as_mut(),
            Process::Regular(p) => p.phases.as_mut(),
            Process::Hyperexponential(p) => p.phases.as_mut(),
            Process::Bursty(p) => p.factors.as_mut(),
            Process::Closed(_) | Process::Replay(_) => None,
        }
    }

    fn first(&mut self, local: u32) -> Option<SimTime> {
        match self {
            Process::Poisson(p) => p.first(),
            Process::Batches(p) => p.first(),
            Process::Regular(p) => p.first(local),
            Process::Hyperexponential(p) => p.first(local),
            Process::Bursty(p) => p.first(local),
            Process::Closed(p) => p.first(local),
            Process::Replay(p) => p.first(local),
        }
    }
}

/// Classes that the tests of this room start from.
#[cfg(test)]
pub(super) mod examples {
    use crate::scenario::{Arrivals, Class, Load, Reduces, Sequential, Skew};

    /// A Poisson class: 8 KiB reads, uniform over 1 GiB.
    pub fn open_class(name: &str, machines: u32, rate: f64) -> Class {
        Class {
            name: name.into(),
            machines,
            load: Load::Open { rate, arrivals: Arrivals::Poisson, in_flight_max: None },
            read: 1.0,
            read_sizes: vec![(8192, 1.0)],
            write_sizes: vec![(8192, 1.0)],
            sequential: Sequential { share: 0.0, streams: 4, run_length: 1 << 20 },
            capacity: 1 << 40,
            working_set: 1 << 30,
            skew: Skew::Uniform,
            extent: 1 << 20,
            align: 4096,
            reduces: Reduces { compress: 1.0, spread: 0.5, duplicate: 0.0, duplicate_stored: 0.0 },
            growth: 0.0,
            duty: 1.0,
        }
    }

    /// The same with another process of arrivals.
    pub fn arriving(name: &str, machines: u32, rate: f64, arrivals: Arrivals) -> Class {
        Class { load: Load::Open { rate, arrivals, in_flight_max: None }, ..open_class(name, machines, rate) }
    }
}

#[cfg(test)]
#[path = "sources_tests.rs"]
mod tests;
