//! The year in which growth outgrows the design.

use crate::measure::{Effort, Standing, Wanted};
use crate::outcome::Figure;
use crate::study::attempts::Attempts;
use crate::study::knee::in_words;
use crate::study::limit::search;
use crate::study::paper;
use crate::study::run::Context;
use crate::study::scaled::Vary;
use crate::study::setting::StudyError;
use crate::study::trial::Question;

use super::cases::Case;
use super::{FIRST, Study};

/// Years looked ahead at most.
const YEARS: f64 = 50.0;
/// Years from which the search begins.
const FIRST_YEARS: f64 = 3.0;
/// The year is told to this part of itself at best.
const HALF_A_YEAR: f64 = 0.05;

impl Study<'_> {
    /// Years until the machines have grown past what fits, and by what.
    pub(super) fn outgrown(
        &mut self,
        cases: &[Case],
        binding: Option<&str>,
        machines: &Figure,
        stated: u64,
    ) -> Result<Option<(Figure, String)>, StudyError> {
        let classes = &self.base.scenario.classes;
        if classes.iter().all(|class| class.growth == 0.0) || machines.value.is_none() {
            return Ok(None);
        }
        let growth = classes[0].growth;
        if self.vary == Vary::Mix && classes.iter().all(|class| class.growth == growth) {
            // All alike, the proportion stays, and the number of machines tells the year.
            let years = |count: f64| ((count / stated as f64).ln() / (growth / 100.0).ln_1p()).max(0.0);
            let figure = Figure {
                value: machines.value.map(years),
                low: machines.low.map(years),
                high: machines.high.map(years),
                reason: machines.reason.clone(),
            };
            return Ok(Some((figure, "the number of machines".into())));
        }
        let by_paper = paper::years(self.base.scenario, YEARS);
        let mut soonest = (Figure::exact(by_paper.0), by_paper.1);
        let mut judged: Vec<&Case> =
            cases.iter().filter(|case| !case.scenario.objectives.is_empty()).collect();
        // What decides today probably does so then.
        judged.sort_by_key(|case| binding != Some(case.name.as_str()));
        for (n, case) in judged.iter().enumerate() {
            let say = |words: &str| (self.context.progress)(&format!("growth, case {}: {words}", case.name));
            let context = Context { progress: &say, ..*self.context };
            let mut attempts = Attempts::varying(Vary::Years, self.base, &case.scenario, &context);
            attempts.allow(self.events);
            let most = by_paper.0.max(0.1);
            let wanted = Wanted {
                start: FIRST_YEARS.min(most),
                range: (0.05f64.min(most / 2.0), most),
                half_width: HALF_A_YEAR,
                whole: false,
                error: self.error,
                fails: None,
            };
            let known = soonest.0.low.filter(|years| n > 0 && *years > 0.0);
            let (limit, cut) = context.one_of(judged.len() - n, || {
                // A case that holds as long as the one before has nothing to add.
                let error = FIRST * self.error;
                let holds = known.filter(|years| {
                    let attempt = attempts.attempt(*years, Question::Objectives, Effort::Sure { error });
                    attempt.is_some_and(|attempt| attempt.standing == Standing::Holds)
                });
                let left = known.map_or(0.0, |_| error);
                let limit = match holds {
                    Some(_) => None,
                    None => {
                        Some(search(&mut attempts, &Wanted { error: self.error - left, ..wanted }, None, 1.0))
                    }
                };
                (limit, context.is_cut().then(|| context.why_cut()))
            });
            self.requests += attempts.requests();
            self.failed.extend(attempts.failed_audit());
            if let Some(error) = attempts.error.take() {
                return Err(error);
            }
            if let Some(why) = cut {
                return Ok(Some((Figure::missing(format!("case {}: {why}", case.name)), case.name.clone())));
            }
            let Some(limit) = limit else { continue };
            let sooner = soonest.0.value.is_none_or(|years| limit.found.value < years);
            if !limit.beyond_range && sooner {
                let open =
                    limit.found.high.is_none().then(|| "no year was found that is surely too late".into());
                let figure = Figure {
                    value: Some(limit.found.value),
                    low: Some(limit.found.low.unwrap_or(0.0)),
                    high: limit.found.high,
                    reason: open,
                };
                let by = limit.gives_way.map_or(case.name.clone(), |place| {
                    format!("{} ({})", in_words(&case.scenario, place), case.name)
                });
                soonest = (figure, by);
            }
        }
        Ok(Some(soonest))
    }
}
