//! The loads that a study has tried of one design, and how it tries another.

use crate::engine::SimDuration;
use crate::measure::{Effort, Standing};
use crate::outcome::AuditRow;
use crate::scenario::Scenario;

use super::pilot::{self, Pilot};
use super::run::Context;
use super::scaled::{Base, Vary};
use super::setting::{Setting, StudyError};
use super::trial::{Pilots, Question, Sample, Trial, Tried};

/// A trial may take this part of what is left for its part of the study.
const OF_THE_REST: u64 = 2;
/// A pilot serves loads down to this part of its own.
const FARTHEST_PILOT: f64 = 2.0;
/// Doublings of the pilot of a quick look: near saturation a start-up outlasts what the look is worth.
const QUICK_DOUBLINGS: u32 = 1;

/// Share of the time left that one trial may take.
const TRYING: f64 = 0.9;

/// Loads tried, in the order in which they were.
pub(super) struct Attempts<'a> {
    pub base: &'a Base<'a>,
    /// The design that is tried.
    pub scenario: &'a Scenario,
    /// What is varied.
    pub vary: Vary,
    pub context: &'a Context<'a>,
    pub list: Vec<Attempt>,
    /// Loads at which a start-up was seen to end.
    pilots: Vec<(f64, Pilot)>,
    /// Events taken, and how many may be.
    events: (u64, u64),
    /// What stopped the study, if something did.
    pub error: Option<StudyError>,
}

/// One of them.
#[derive(Clone, Debug)]
pub(super) struct Attempt {
    /// What was tried: factor on the stated load, machines, years.
    pub scale: f64,
    pub question: Question,
    pub standing: Standing,
    pub tried: Tried,
    /// Number of its first replication: those of the same number draw the same requests.
    pub key: u32,
}

impl<'a> Attempts<'a> {
    /// Of multiples of the load.
    pub fn new(base: &'a Base<'a>, scenario: &'a Scenario, context: &'a Context<'a>) -> Self {
        Self::varying(Vary::Load, base, scenario, context)
    }

    pub fn varying(vary: Vary, base: &'a Base<'a>, scenario: &'a Scenario, context: &'a Context<'a>) -> Self {
        Attempts {
            base,
            scenario,
            vary,
            context,
            list: Vec::new(),
            pilots: Vec::new(),
            events: (0, u64::MAX),
            error: None,
        }
    }

    /// Tries a load; none if the user has interrupted, or the load cannot be set up.
    pub fn attempt(&mut self, scale: f64, question: Question, effort: Effort) -> Option<&Attempt> {
        if self.is_cut_short() || self.is_spent() {
            return None;
        }
        let variant = self.base.at(self.scenario, self.vary, scale);
        let left = self.events.1 - self.events.0;
        let key = if matches!(effort, Effort::Precise { .. }) { self.fresh_key() } else { 0 };
        let (found, is_cut) = match variant.setting() {
            Ok(setting) => {
                let mut pilots = Nearby { known: &mut self.pilots, scale, is_sure: effort.is_thorough() };
                let plan = Plan { question, effort, key, allowed: left / OF_THE_REST };
                try_out(&setting, &plan, &mut pilots, self.context)?
            }
            Err(error) => {
                self.error = Some(error);
                return None;
            }
        };
        let (standing, tried, events) = found;
        self.events.0 += events;
        let attempt = self.take(scale, question, (standing, tried), key);
        // What was seen of it is kept, and decides nothing.
        (!is_cut).then_some(attempt)
    }

    /// From now on so many events may be taken: what a part of a study is worth.
    pub fn allow(&mut self, events: u64) {
        self.events.1 = self.events.0.saturating_add(events);
    }

    /// Whether the part of the study has taken what it may.
    pub fn is_spent(&self) -> bool {
        self.events.0 >= self.events.1
    }

    /// Why nothing more is tried.
    pub fn why_ended(&self) -> String {
        match self.context.is_cut() {
            true => self.context.why_cut(),
            false => format!("measured no further after {} million events", self.events.0 / 1_000_000),
        }
    }

    /// Two loads side by side on the same requests: what each tells of the mean latency. The heavier one says how long
    /// both take. They draw from the replication `key` on, and are looked at until the samples of both, lighter first,
    /// decide, or so many times.
    pub fn pair(
        &mut self,
        scales: (f64, f64),
        looks: u32,
        key: u32,
        decides: &dyn Fn(u32, [&[Sample]; 2]) -> bool,
    ) -> Option<[Tried; 2]> {
        if self.is_cut_short() || self.is_spent() {
            return None;
        }
        let left = self.events.1 - self.events.0;
        let variants = [scales.0, scales.1].map(|scale| self.base.at(self.scenario, self.vary, scale));
        let settings = match (variants[0].setting(), variants[1].setting()) {
            (Ok(light), Ok(heavy)) => [light, heavy],
            (Err(error), _) | (_, Err(error)) => {
                self.error = Some(error);
                return None;
            }
        };
        let mut pilots = Nearby { known: &mut self.pilots, scale: scales.1, is_sure: false };
        let heavy = Trial::begin(&settings[1], Question::Mean, &mut pilots);
        let longer = |span: SimDuration| SimDuration::from_secs(span.secs() * scales.1 / scales.0);
        let (first, warm_up) = heavy.window();
        let light = Trial::beside(&settings[0], Question::Mean, (longer(first), longer(warm_up)));
        let mut pair = [light, heavy].map(|trial| trial.within(left / OF_THE_REST).drawing_from(key));
        while pair[1].looks() < looks && !pair.iter().any(Trial::is_spent) && pair.iter_mut().all(Trial::look)
        {
            let samples = pair.each_ref().map(Trial::samples);
            if decides(pair[1].looks(), [&samples[0], &samples[1]]) {
                break;
            }
        }
        self.events.0 += pair.iter().map(Trial::events).sum::<u64>();
        // The two must have seen the same.
        if pair.iter().any(Trial::is_cut) {
            return None;
        }
        let pair = pair.map(|trial| trial.finish(Standing::Unclear));
        for (scale, tried) in [scales.0, scales.1].into_iter().zip(&pair) {
            let standing = if tried.overloaded { Standing::Fails } else { Standing::Unclear };
            self.take(scale, Question::Mean, (standing, tried.clone()), key);
        }
        Some(pair)
    }

    /// The first replication that no trial has drawn yet.
    pub fn fresh_key(&self) -> u32 {
        let drawn = |attempt: &Attempt| attempt.key + attempt.tried.samples.len() as u32;
        // A sure trial to come draws twice those of a run.
        self.list.iter().map(drawn).fold(2 * self.scenario.run.replications, u32::max)
    }

    fn take(
        &mut self,
        scale: f64,
        question: Question,
        (standing, tried): (Standing, Tried),
        key: u32,
    ) -> &Attempt {
        self.list.push(Attempt { scale, question, standing, tried, key });
        let last = self.list.len() - 1;
        &self.list[last]
    }

    /// Whether this part of the study cannot go on.
    pub fn is_cut_short(&self) -> bool {
        self.context.is_cut() || self.error.is_some()
    }

    /// Requests measured in all.
    pub fn requests(&self) -> u64 {
        self.list.iter().map(|attempt| attempt.tried.outcome.run.requests).sum()
    }

    /// Laws that did not hold.
    pub fn failed_audit(&self) -> Vec<AuditRow> {
        let all = self.list.iter().flat_map(|attempt| &attempt.tried.outcome.audit);
        all.filter(|row| !row.ok).cloned().collect()
    }

    /// Says what is being done.
    pub fn tell(&self, words: &str) {
        (self.context.progress)(words);
    }

    /// Loads that are carried by all that was seen, in the order of the load.
    pub fn carried(&self) -> Vec<&Attempt> {
        let mut carried: Vec<&Attempt> = self.list.iter().filter(|a| a.is_carried()).collect();
        carried.sort_by(|a, b| a.scale.total_cmp(&b.scale));
        carried
    }

    /// The smallest load that was seen not to be carried.
    pub fn overloaded_from(&self) -> Option<f64> {
        self.list.iter().filter(|a| !a.is_carried()).map(|a| a.scale).min_by(f64::total_cmp)
    }
}

impl Attempt {
    /// Whether it was surely carried, or nothing was seen to pile up and the fullest station has time for the load.
    pub fn is_carried(&self) -> bool {
        let fits = self.tried.fullest.as_ref().is_none_or(|(_, fill)| fill.value < 1.0);
        let holds = self.standing == Standing::Holds;
        let failed = self.question == Question::Carried && self.standing == Standing::Fails;
        !self.tried.overloaded && !failed && (fits || holds || self.is_closed())
    }

    /// Closed loads keep a station busy and pile nothing up.
    fn is_closed(&self) -> bool {
        self.tried.outcome.offered.iops.is_none()
    }
}

/// Pilots of other loads that serve one as well.
///
/// A heavier load takes longer to settle, so what it was seen to need is enough for a lighter one; requests come in
/// proportion to the load.
struct Nearby<'p> {
    known: &'p mut Vec<(f64, Pilot)>,
    scale: f64,
    is_sure: bool,
}

impl Pilots for Nearby<'_> {
    fn pilot(&mut self, setting: &Setting) -> Pilot {
        let within = self.scale..=self.scale * FARTHEST_PILOT;
        let is_enough = |pilot: &Pilot| pilot.settled || !self.is_sure;
        let heavier = self.known.iter().filter(|(load, pilot)| within.contains(load) && is_enough(pilot));
        if let Some((load, pilot)) = heavier.min_by(|a, b| a.0.total_cmp(&b.0)) {
            let slower = self.scale / load;
            let rates = pilot.rates.iter().map(|rate| rate * slower).collect();
            return Pilot { rates, events: 0, ..pilot.clone() };
        }
        let doublings = if self.is_sure { pilot::DOUBLINGS } else { QUICK_DOUBLINGS };
        let pilot = pilot::run(setting, doublings, &|_| {});
        if pilot.overloaded_in.is_none() {
            self.known.push((self.scale, pilot.clone()));
        }
        pilot
    }
}

/// What a trial is to find, and what it may take.
struct Plan {
    question: Question,
    effort: Effort,
    /// Its first replication.
    key: u32,
    /// Events.
    allowed: u64,
}

/// One look, or as many as it takes, and the events that were taken; and whether it was stopped on the way. None if nothing
/// was seen.
fn try_out(
    setting: &Setting,
    plan: &Plan,
    pilots: &mut dyn Pilots,
    context: &Context,
) -> Option<((Standing, Tried, u64), bool)> {
    let mut standing = Standing::Unclear;
    // Part of the time is for the last requests of the window.
    let trial = context.part(TRYING, || {
        let mut trial =
            Trial::begin(setting, plan.question, pilots).within(plan.allowed).drawing_from(plan.key);
        if plan.effort.is_thorough() {
            trial = trial.surely();
        }
        while trial.look() {
            match plan.effort {
                // A look decides nothing, unless the backlog ran away.
                Effort::Quick if trial.is_overloaded() => standing = Standing::Fails,
                Effort::Quick if trial.has_figures() || trial.is_spent() => break,
                Effort::Quick => {}
                Effort::Sure { error } => {
                    standing = trial.standing(error);
                    if standing != Standing::Unclear || trial.is_futile(error) || trial.is_spent() {
                        break;
                    }
                }
                Effort::Precise { half, error } => {
                    standing = trial.standing(error);
                    if trial.is_within(half) || trial.is_spent() {
                        break;
                    }
                }
            }
        }
        trial
    });
    let is_cut = trial.is_cut();
    if is_cut && trial.looks() == 0 {
        return None;
    }
    let events = trial.events();
    let tried = trial.finish(standing);
    Some(((standing, tried, events), is_cut))
}
