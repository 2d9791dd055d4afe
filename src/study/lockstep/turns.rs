//! How lanes share a time that is limited, and what is known of one that was stopped.

use rayon::prelude::*;

use crate::engine::{SimDuration, SimTime, Stop};
use crate::study::replication::Replication;
use crate::study::run::Context;

use super::{Lane, Schedule, shortened};

impl Lane<'_> {
    /// Whether it is measured further.
    pub fn goes_on(&self) -> bool {
        !self.is_overloaded && !self.is_cut
    }

    /// Whether nothing can be said of it.
    pub fn is_unknown(&self) -> bool {
        self.is_cut && (self.looks == 0 || self.setting.periods.is_some())
    }

    /// Whether every replication has reached this instant, or ended by itself.
    fn has_reached(&self, instant: SimTime) -> bool {
        self.replications.iter().all(|r| r.stop == Stop::Backlog || r.kernel.now() >= instant)
    }
}

impl Schedule {
    /// Said of a lane that was cut and of which something is known.
    pub(super) fn cut_in_words(&self, replications: &[Replication]) -> String {
        let measured = replications.iter().map(Replication::window_s).fold(0.0, f64::max);
        let stated =
            self.length.map_or(String::new(), |length| format!(" of the stated {} s", length.secs()));
        format!("{}; measured until then: {measured:.3} s{stated}", self.why_cut)
    }
}

/// Does something to every lane that goes on: side by side, or in turn where the time is limited.
pub(super) fn turns(lanes: &mut [Lane], context: &Context, act: impl Fn(&mut Lane) + Send + Sync) {
    let going: Vec<&mut Lane> = lanes.iter_mut().filter(|lane| lane.goes_on()).collect();
    match context.time {
        None => going.into_par_iter().for_each(act),
        Some(_) => {
            let count = going.len();
            for (n, lane) in going.into_iter().enumerate() {
                context.one_of(count - n, || act(lane));
            }
        }
    }
}

/// Marks the lanes that have not come as far as they were to.
pub(super) fn cut_short_of(lanes: &mut [Lane], instant: SimTime, context: &Context) {
    // Without a clock only the user cuts anything short.
    if context.time.is_some() || context.is_over() {
        for lane in lanes.iter_mut().filter(|lane| lane.goes_on()) {
            lane.is_cut = !lane.has_reached(instant);
        }
    }
}

/// Measures another `span` of every lane that goes on.
pub(super) fn lengthen(lanes: &mut [Lane], span: SimDuration, context: &Context) {
    let reached = |lane: &Lane| lane.replications.iter().map(|r| r.kernel.now()).max();
    let from = lanes.iter().filter(|lane| lane.goes_on()).filter_map(reached).max();
    turns(lanes, context, |lane| {
        let interrupted = lane.setting.interrupted;
        lane.replications.par_iter_mut().for_each(|r| r.extend(span, interrupted));
    });
    cut_short_of(lanes, from.unwrap_or(SimTime::ZERO) + span, context);
    lanes.iter_mut().filter(|lane| lane.goes_on()).for_each(|lane| lane.looks += 1);
}

/// Whether there is nothing more to measure in this time. Where more was to come, and the time is over just as all have come
/// as far as they were to, they are cut all the same.
pub(super) fn is_at_an_end(lanes: &mut [Lane], context: &Context) -> bool {
    if context.is_over() {
        lanes.iter_mut().filter(|lane| lane.goes_on()).for_each(|lane| lane.is_cut = true);
    }
    !lanes.iter().any(Lane::goes_on)
}

/// Waits for the last requests of the lanes that carry their load; says of the others what was cut short.
pub(super) fn close(lanes: &mut [Lane], length: Option<SimDuration>, context: &Context) {
    for lane in lanes.iter_mut().filter(|lane| lane.is_overloaded) {
        lane.notes.extend(length.map(|length| shortened(&lane.replications, length)));
    }
    let is_interrupted = context.is_interrupted();
    if lanes.iter().any(|lane| !lane.is_overloaded) {
        (context.progress)("waiting for the last requests of the window");
        lanes.par_iter_mut().filter(|lane| !lane.is_overloaded).for_each(|lane| {
            let interrupted = lane.setting.interrupted;
            lane.replications.par_iter_mut().for_each(|replication| match is_interrupted {
                true => replication.drain_soon(),
                false => replication.drain(interrupted),
            });
        });
    }
}

#[cfg(test)]
mod tests {
    use std::sync::atomic::{AtomicBool, Ordering};

    use super::*;
    use crate::scenario::parse;
    use crate::study::setting::Setting;

    /// A stop that comes just as all lanes have come as far as they were to is one that the answer must tell.
    #[test]
    fn a_stop_between_two_parts_cuts_the_lanes_that_had_more_to_come() {
        let text = "[design.cpu]\ncores = 1\nservice = \"1 us\"\n[[class]]\nname = \"one\"\nmachines = 1\n\
                    load = { rate = \"1/s\" }\nread = 1\nsizes = \"4 KiB\"\n";
        let scenario = parse(text, "t.toml", std::path::Path::new(""), &[]).unwrap_or_else(|d| panic!("{d}"));
        let interrupted = AtomicBool::new(false);
        let setting = Setting::new(&scenario, &interrupted).expect("a setting");
        let mut lanes = [Lane::new("", &setting, Vec::new())];
        let context = Context { interrupted: &interrupted, time: None, progress: &|_| {}, detail: false };
        assert!(!is_at_an_end(&mut lanes, &context) && lanes[0].goes_on());
        interrupted.store(true, Ordering::Relaxed);
        assert!(is_at_an_end(&mut lanes, &context) && lanes[0].is_cut);
    }
}
