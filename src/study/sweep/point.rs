//! One point of a sweep.

use std::panic::{AssertUnwindSafe, catch_unwind};

use serde_json::to_string;

use crate::outcome::{KeptFigure, PointOutcome};
use crate::scenario::{Ask, Override, Scenario, Sweep};
use crate::study::run::Context;

use super::plan::Base;
use super::{Task, figures, race};

/// What was answered so far.
#[derive(Default)]
struct Answers {
    /// Question and answer, as JSON.
    whole: Vec<String>,
    figures: Vec<KeptFigure>,
    requests: u64,
}

/// Asks one point. Whatever goes wrong is in its outcome.
pub(super) fn point(sweep: &Sweep, base: &Base, task: &Task, context: &Context) -> PointOutcome {
    let quiet = |_: &str| ();
    let context = Context { interrupted: context.interrupted, time: None, progress: &quiet, detail: false };
    let mut sets: Vec<Override> = task
        .point
        .sets
        .iter()
        .map(|(path, value)| Override { path: path.clone(), value: value.clone() })
        .collect();
    let mut digest = String::new();
    let mut answers = Answers::default();
    let mut asked_with = Vec::new();
    // A fault of ours at one point must not cost the night.
    let result = catch_unwind(AssertUnwindSafe(|| {
        let mut scenario = base.with(&sets)?;
        answers.figures.extend(figures::of_design(&scenario));
        if let Some(round) = task.round {
            let changes = race::changes(&scenario, round, &sweep.front, &context);
            let changes = changes.map_err(|error| error.to_string())?;
            asked_with = changes.iter().map(|set| (set.path.clone(), set.value.clone())).collect();
            sets.extend(changes);
            scenario = base.with(&sets)?;
        }
        digest.clone_from(&scenario.digest);
        // Answers are kept without the keys at their default: those are the base's but for what the sweep varies, and would be
        // most of what a point takes in the file.
        scenario.defaults.0.clear();
        sweep.ask.iter().try_for_each(|ask| answers.ask(*ask, &scenario, &context))
    }));
    let error = match result {
        Ok(Ok(())) => None,
        Ok(Err(why)) => Some(why),
        Err(_) => Some("a fault of forebay: it gave up at this point".into()),
    };
    let wanted = |figure: &KeptFigure| {
        sweep.keep.is_empty() || sweep.keep.iter().any(|begin| figure.name.starts_with(begin.as_str()))
    };
    answers.figures.retain(wanted);
    PointOutcome {
        point: task.point.clone(),
        scenario_digest: digest,
        error,
        round: task.round.filter(|_| !asked_with.is_empty()),
        asked_with,
        answers: format!("{{{}}}", answers.whole.join(",")),
        figures: answers.figures,
        requests: answers.requests,
    }
}

impl Answers {
    fn ask(&mut self, ask: Ask, scenario: &Scenario, context: &Context) -> Result<(), String> {
        let why = |error: crate::study::StudyError| error.to_string();
        let whole = match ask {
            Ask::Run => {
                let found = crate::study::run(scenario, context).map_err(why)?;
                self.requests += found.run.requests;
                self.figures.extend(figures::of_run(&found));
                to_string(&found)
            }
            Ask::Knee => {
                let found = crate::study::knee(scenario, context).map_err(why)?;
                self.requests += found.requests;
                self.figures.extend(figures::of_knee(&found));
                to_string(&found)
            }
            Ask::Fit => {
                let found = crate::study::fit(scenario, None, context).map_err(why)?;
                self.requests += found.requests;
                self.figures.extend(figures::of_fit(&found));
                to_string(&found)
            }
            Ask::Wear => {
                let found = crate::study::wear(scenario, context).map_err(why)?;
                self.requests += found.run.requests;
                self.figures.extend(figures::of_wear(&found));
                to_string(&found)
            }
        };
        self.whole.push(format!("\"{}\":{}", ask.word(), whole.map_err(|error| error.to_string())?));
        Ok(())
    }
}
