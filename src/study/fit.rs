//! `fit`: how many machines meet the objectives, healthy and under each fault by itself.
//!
//! Every case meets the same requests (common random numbers) and shares the probability of a wrong answer. The number
//! that is promised is the smallest of all cases' largest accepted numbers, and of what paper allows: capacity, memory.
//! Growth of the classes then gives the year in which the design is outgrown.

use crate::measure::{Bracket, Effort, Wanted};
use crate::outcome::{ClassMachines, Figure, FitCase, FitOutcome};
use crate::scenario::{Fault, Scenario};

use super::attempts::Attempts;
use super::knee::{assumptions_of, in_words, not_sustained};
use super::limit::{Limit, search};
use super::paper::{self, Paper};
use super::run::Context;
use super::scaled::{Base, Vary, machines_at};
use super::setting::StudyError;
use super::trial::Question;
use super::wear::{endurance_limit, price_as_stated};
use super::{TOOL, assumptions};

/// Years looked ahead at most.
const YEARS: f64 = 50.0;
/// Years from which the search begins.
const FIRST_YEARS: f64 = 3.0;
/// The year is told to this part of itself at best.
const HALF_A_YEAR: f64 = 0.05;

/// One case: the scenario as it is then.
struct Case {
    name: String,
    scenario: Scenario,
}

/// How many machines of a class fit, or of the whole mix.
pub fn fit(scenario: &Scenario, class: Option<&str>, context: &Context) -> Result<FitOutcome, StudyError> {
    let vary = match class {
        Some(name) => {
            let place = scenario.classes.iter().position(|class| class.name == name);
            Vary::Class(place.ok_or_else(|| StudyError::no_class(scenario, name))?)
        }
        None => Vary::Mix,
    };
    let cases = cases(scenario);
    if cases.iter().all(|case| case.scenario.objectives.is_empty()) {
        return Err(StudyError::NoObjective);
    }
    let base = Base::new(scenario, context.interrupted)?;
    let paper = paper::limits(scenario, vary).and(endurance_limit(scenario, vary, context)?);
    let error = (1.0 - scenario.run.confidence).max(1e-6) / cases.len() as f64;
    let mut study =
        Study { base: &base, context, vary, paper: &paper, error, requests: 0, failed: Vec::new() };
    let stated = stated(scenario, vary);
    let (mut found, mut notes) = (Vec::new(), Vec::new());
    let mut start = stated as f64;
    for case in &cases {
        let (one, limit) = study.case(case, start, &mut notes)?;
        // A fault takes something away: the search begins where the healthy one ended.
        start = limit.as_ref().and_then(|limit| limit.found.low).unwrap_or(start);
        found.push((one, limit));
    }
    let rows: Vec<FitCase> = found.iter().map(|(row, _)| row.clone()).collect();
    let (machines, binding) = smallest(&rows, &paper);
    let outgrown = study.outgrown(&cases, &rows, &machines, stated)?;
    let promised = machines.value.unwrap_or(0.0);
    let by_class = scenario.classes.iter().zip(machines_at(&scenario.classes, vary, promised));
    let by_class = by_class.map(|(class, count)| ClassMachines {
        class: class.name.clone(),
        machines: if promised > 0.0 { u64::from(count) } else { 0 },
        stated_machines: u64::from(class.machines),
    });
    let mut rows = rows.into_iter();
    let healthy = rows.next().unwrap_or_else(|| FitCase::unknown("healthy", "there is no case"));
    Ok(FitOutcome {
        schema: 1,
        tool: TOOL.into(),
        scenario_digest: scenario.digest.clone(),
        title: scenario.title.clone(),
        seed: scenario.run.seed,
        confidence: scenario.run.confidence,
        class: class.unwrap_or("all").into(),
        stated_machines: stated,
        by_class: by_class.collect(),
        machines,
        binding,
        healthy,
        faults: rows.collect(),
        limits: paper.rows.clone(),
        price_per_machine: price_as_stated(scenario).filter(|_| promised > 0.0).map(|price| price / promised),
        currency: scenario.design.price.as_ref().and_then(|price| price.currency.clone()),
        outgrown_by: outgrown.as_ref().map(|(_, by)| by.clone()),
        outgrown_after_years: outgrown.map(|(years, _)| years),
        requests: study.requests,
        failed_audit: study.failed,
        interrupted: context.interrupted.load(std::sync::atomic::Ordering::Relaxed),
        assumptions: assumptions_of(&base)?,
        defaults: assumptions::defaults(base.scenario),
        notes,
    })
}

/// Machines as stated: of the class, or of all.
fn stated(scenario: &Scenario, vary: Vary) -> u64 {
    match vary {
        Vary::Class(place) => u64::from(scenario.classes[place].machines),
        _ => scenario.classes.iter().map(|class| u64::from(class.machines)).sum(),
    }
}

/// Healthy, then each fault by itself, each with the objectives that are about it. One more loss comes with its first.
fn cases(scenario: &Scenario) -> Vec<Case> {
    let faults: Vec<&Fault> = scenario.faults.iter().chain(&scenario.what_if.faults).collect();
    let objectives = || scenario.objectives.iter().chain(&scenario.what_if.objectives);
    let phases: Vec<&str> = scenario.phases.iter().map(|phase| phase.name.as_str()).collect();
    let case = |name: &str, in_force: Vec<Fault>| {
        let names: Vec<&str> = in_force.iter().map(|fault| fault.name.as_str()).collect();
        let about = |during: &str| match during {
            "any" => true,
            "healthy" => in_force.is_empty(),
            name => names.contains(&name) || phases.contains(&name),
        };
        let kept = objectives().filter(|o| about(&o.during)).cloned().collect();
        let mut scenario = scenario.clone();
        scenario.objectives = kept;
        scenario.faults = in_force.clone();
        if !scenario.is_dated() {
            scenario.run.length = crate::scenario::Auto::Auto;
        }
        Case { name: name.to_owned(), scenario }
    };
    let mut cases = vec![case("healthy", Vec::new())];
    for fault in &faults {
        let first =
            faults.iter().find(|one| !one.is_second && one.lost_drive().is_some() && one.overlaps(fault));
        let along = first.filter(|_| fault.is_second).map(|first| (*first).clone());
        cases.push(case(&fault.name, along.into_iter().chain([(*fault).clone()]).collect()));
    }
    cases
}

/// The smallest of all, and what sets it.
fn smallest(rows: &[FitCase], paper: &Paper) -> (Figure, Option<String>) {
    let by_paper = paper.rows.iter().filter_map(|row| Some((row.machines?, &row.resource)));
    let tightest = by_paper.min_by_key(|(machines, _)| *machines);
    let mut simulated: Option<&FitCase> = None;
    for row in rows {
        if row.machines.value.is_none() && row.objectives > 0 {
            let reason = row.machines.reason.clone().unwrap_or_default();
            return (Figure::missing(reason), Some(row.name.clone()));
        }
        let less = |best: &FitCase| row.machines.value < best.machines.value;
        if row.machines.value.is_some() && simulated.is_none_or(less) {
            simulated = Some(row);
        }
    }
    match (simulated, tightest) {
        (Some(row), Some((machines, resource)))
            if row.machines.value.is_some_and(|n| n >= machines as f64) =>
        {
            (Figure::exact(machines as f64), Some(resource.clone()))
        }
        (Some(row), _) => (row.machines.clone(), Some(row.name.clone())),
        (None, Some((machines, resource))) => (Figure::exact(machines as f64), Some(resource.clone())),
        (None, None) => (Figure::missing("nothing limits the number of machines"), None),
    }
}

impl FitCase {
    fn unknown(name: &str, reason: &str) -> Self {
        FitCase {
            name: name.into(),
            machines: Figure::missing(reason),
            binding_objective: None,
            busiest: None,
            utilisation: None,
            objectives: 0,
        }
    }
}

/// What all cases share.
struct Study<'a> {
    base: &'a Base<'a>,
    context: &'a Context<'a>,
    vary: Vary,
    paper: &'a Paper,
    error: f64,
    requests: u64,
    failed: Vec<crate::outcome::AuditRow>,
}

impl Study<'_> {
    /// How many machines fit in a case, looked for from `start`.
    fn case(
        &mut self,
        case: &Case,
        start: f64,
        notes: &mut Vec<String>,
    ) -> Result<(FitCase, Option<Limit>), StudyError> {
        let say = |words: &str| (self.context.progress)(&format!("{}: {words}", case.name));
        let context = Context { progress: &say, ..*self.context };
        let mut attempts = Attempts::varying(self.vary, self.base, &case.scenario, &context);
        if case.scenario.objectives.is_empty() {
            let why = "no objective is about this case: say \"any\" or its name in `during`";
            return Ok((FitCase::unknown(&case.name, why), None));
        }
        let most = self.paper.most.max(1.0);
        let wanted = Wanted {
            start: start.min(most),
            range: (1.0, most),
            half_width: case.scenario.run.precision / 2.0,
            whole: true,
            error: self.error,
            fails: None,
        };
        let limit = search(&mut attempts, &wanted, None, 1.0);
        if !attempts.is_cut_short() {
            notes.extend(neighbours(&mut attempts, &limit, &case.name));
        }
        self.requests += attempts.requests();
        self.failed.extend(attempts.failed_audit());
        if let Some(error) = attempts.error.take() {
            return Err(error);
        }
        notes.extend(limit.turns_back.map(|(fails, holds)| {
            format!("{}: not monotone: {fails:.0} machines fail and {holds:.0} hold", case.name)
        }));
        Ok((row(case, &limit, &attempts), Some(limit)))
    }

    /// Years until the machines have grown past what fits, and by what.
    fn outgrown(
        &mut self,
        cases: &[Case],
        rows: &[FitCase],
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
        for (case, _) in cases.iter().zip(rows).filter(|(case, _)| !case.scenario.objectives.is_empty()) {
            let say = |words: &str| (self.context.progress)(&format!("growth, {}: {words}", case.name));
            let context = Context { progress: &say, ..*self.context };
            let mut attempts = Attempts::varying(Vary::Years, self.base, &case.scenario, &context);
            let most = by_paper.0.max(0.1);
            let wanted = Wanted {
                start: FIRST_YEARS.min(most),
                range: (0.05f64.min(most / 2.0), most),
                half_width: HALF_A_YEAR,
                whole: false,
                error: self.error,
                fails: None,
            };
            let limit = search(&mut attempts, &wanted, None, 1.0);
            self.requests += attempts.requests();
            self.failed.extend(attempts.failed_audit());
            if let Some(error) = attempts.error.take() {
                return Err(error);
            }
            let sooner = soonest.0.value.is_none_or(|years| limit.found.value < years);
            if !limit.beyond_range && sooner {
                let reason = limit.found.low.or(limit.found.high).is_none();
                let figure = Figure {
                    value: Some(limit.found.value),
                    low: Some(limit.found.low.unwrap_or(0.0)),
                    high: limit.found.high,
                    reason: reason.then(|| "interrupted".into()),
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

/// A case's row.
fn row(case: &Case, limit: &Limit, attempts: &Attempts) -> FitCase {
    let accepted = attempts.list.iter().filter(|a| Some(a.scale) == limit.found.low);
    let longest = accepted.max_by_key(|a| a.tried.outcome.run.requests);
    let full = || longest.and_then(|a| a.tried.fullest.as_ref()).map(|(name, _)| not_sustained(name));
    let binding_objective = match limit.gives_way {
        Some(place) => Some(in_words(&case.scenario, place)),
        None => full().filter(|_| limit.found.high.is_some()),
    };
    let machines = match limit.found {
        _ if limit.out_of_reach => Figure::missing(format!(
            "out of reach: {} is missed with a single machine",
            binding_objective.as_deref().unwrap_or("an objective")
        )),
        Bracket { low: Some(low), high: Some(high), .. } => Figure::of(low, low, high),
        Bracket { low: Some(low), high: None, .. } => Figure {
            value: Some(low),
            low: Some(low),
            high: None,
            reason: Some(match limit.beyond_range {
                true => "no more were tried: something else is full".into(),
                false => "no number was found that is surely too large".into(),
            }),
        },
        _ if attempts.is_interrupted() => Figure::missing("interrupted"),
        _ => Figure::missing("no number was found that surely holds"),
    };
    FitCase {
        name: case.name.clone(),
        machines,
        binding_objective,
        busiest: longest.and_then(|a| a.tried.outcome.verdict.binding.clone()),
        utilisation: longest.map(|a| a.tried.outcome.verdict.utilisation),
        objectives: case.scenario.objectives.len() as u32,
    }
}

/// Looks at one machine fewer and one more on the same requests: more machines must not make it better.
fn neighbours(attempts: &mut Attempts, limit: &Limit, case: &str) -> Option<String> {
    let at = limit.found.low.filter(|low| *low >= 2.0)?;
    attempts.tell(&format!("one machine fewer and one more than {at:.0}"));
    let mut look = |count: f64| {
        let attempt = attempts.attempt(count, Question::Objectives, Effort::Quick)?;
        attempt.tried.margin.map(|(_, margin)| margin)
    };
    let (fewer, more) = (look(at - 1.0)?, look(at + 1.0)?);
    let drop = fewer.value - more.value;
    // Both see the same requests, so their halves overstate what chance can do.
    (drop > fewer.half + more.half).then(|| {
        format!(
            "{case}: with {:.0} machines the tightest objective is {:.0} % nearer to its bound than with {:.0}: the number \
             is not monotone there",
            at - 1.0,
            drop * 100.0,
            at + 1.0
        )
    })
}
