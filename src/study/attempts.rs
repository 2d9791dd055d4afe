//! The loads that a study has tried of one design, and how it tries another.

use crate::engine::SimDuration;
use crate::measure::{Effort, Standing};
use crate::outcome::AuditRow;
use crate::scenario::Scenario;

use super::run::Context;
use super::scaled::{Base, Vary};
use super::setting::{Setting, StudyError};
use super::trial::{Question, Trial, Tried};

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
}

impl<'a> Attempts<'a> {
    /// Of multiples of the load.
    pub fn new(base: &'a Base<'a>, scenario: &'a Scenario, context: &'a Context<'a>) -> Self {
        Self::varying(Vary::Load, base, scenario, context)
    }

    pub fn varying(vary: Vary, base: &'a Base<'a>, scenario: &'a Scenario, context: &'a Context<'a>) -> Self {
        Attempts { base, scenario, vary, context, list: Vec::new(), error: None }
    }

    /// Tries a load; none if the user has interrupted, or the load cannot be set up.
    pub fn attempt(&mut self, scale: f64, question: Question, effort: Effort) -> Option<&Attempt> {
        if self.is_cut_short() {
            return None;
        }
        let variant = self.base.at(self.scenario, self.vary, scale);
        let (tried, is_cut) = match variant.setting() {
            Ok(setting) => try_out(&setting, question, effort, self.context)?,
            Err(error) => {
                self.error = Some(error);
                return None;
            }
        };
        let attempt = self.take(scale, question, tried);
        // What was seen of it is kept, and decides nothing.
        (!is_cut).then_some(attempt)
    }

    /// Two loads side by side on the same requests: what each tells of the mean latency. The heavier one says how long
    /// both take.
    pub fn pair(&mut self, scales: (f64, f64), looks: u32) -> Option<[Tried; 2]> {
        if self.is_cut_short() {
            return None;
        }
        let variants = [scales.0, scales.1].map(|scale| self.base.at(self.scenario, self.vary, scale));
        let settings = match (variants[0].setting(), variants[1].setting()) {
            (Ok(light), Ok(heavy)) => [light, heavy],
            (Err(error), _) | (_, Err(error)) => {
                self.error = Some(error);
                return None;
            }
        };
        let heavy = Trial::begin(&settings[1], Question::Mean);
        let longer = |span: SimDuration| SimDuration::from_secs(span.secs() * scales.1 / scales.0);
        let (first, warm_up) = heavy.window();
        let light = Trial::beside(&settings[0], Question::Mean, (longer(first), longer(warm_up)));
        let mut pair = [light, heavy];
        for trial in &mut pair {
            while trial.looks() < looks && trial.look() {}
        }
        // The two must have seen the same.
        if pair.iter().any(Trial::is_cut) {
            return None;
        }
        let pair = pair.map(|trial| trial.finish(Standing::Unclear));
        for (scale, tried) in [scales.0, scales.1].into_iter().zip(&pair) {
            let standing = if tried.overloaded { Standing::Fails } else { Standing::Unclear };
            self.take(scale, Question::Mean, (standing, tried.clone()));
        }
        Some(pair)
    }

    fn take(&mut self, scale: f64, question: Question, (standing, tried): (Standing, Tried)) -> &Attempt {
        self.list.push(Attempt { scale, question, standing, tried });
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
    /// Whether nothing was seen to pile up, and the fullest station has time for the load.
    pub fn is_carried(&self) -> bool {
        let fits = self.tried.fullest.as_ref().is_none_or(|(_, fill)| fill.value < 1.0);
        let failed = self.question == Question::Carried && self.standing == Standing::Fails;
        !self.tried.overloaded && !failed && (fits || self.is_closed())
    }

    /// Closed loads keep a station busy and pile nothing up.
    fn is_closed(&self) -> bool {
        self.tried.outcome.offered.iops.is_none()
    }
}

/// One look, or as many as it takes; and whether it was stopped on the way. None if nothing was seen.
fn try_out(
    setting: &Setting,
    question: Question,
    effort: Effort,
    context: &Context,
) -> Option<((Standing, Tried), bool)> {
    let mut standing = Standing::Unclear;
    // Part of the time is for the last requests of the window.
    let trial = context.part(TRYING, || {
        let mut trial = Trial::begin(setting, question);
        while trial.look() {
            match effort {
                // A look decides nothing, unless the backlog ran away.
                Effort::Quick if trial.is_overloaded() => standing = Standing::Fails,
                Effort::Quick if trial.has_figures() => break,
                Effort::Quick => {}
                Effort::Sure { error } => {
                    standing = trial.standing(error);
                    if standing != Standing::Unclear || trial.is_futile(error) {
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
    let tried = trial.finish(standing);
    Some(((standing, tried), is_cut))
}
