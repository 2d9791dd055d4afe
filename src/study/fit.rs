//! `fit`: how many machines meet the objectives, healthy and under each fault by itself.
//!
//! Every case meets the same requests (common random numbers) and shares the probability of a wrong answer. The number
//! that is promised is the smallest of all cases' largest accepted numbers, and of what paper allows: capacity, memory.
//! `columns` says of each limit by itself how far it lets the design go. Growth of the classes then gives the year in which
//! the design is outgrown.
//!
//! Each case has its share of the time, if that is limited; one that is stopped keeps what was accepted and rejected by then.

mod cases;
mod columns;
mod growth;

use crate::measure::{Bracket, Effort, Standing, Wanted};
use crate::outcome::{ClassMachines, Figure, FitCase, FitOutcome};
use crate::scenario::Scenario;

use super::attempts::Attempts;
use super::knee::{assumptions_of, in_words, not_sustained};
use super::limit::{Limit, search};
use super::lockstep::EVENTS;
use super::paper::{self, Paper, Reach};
use super::run::Context;
use super::scaled::{Base, Vary, machines_at};
use super::setting::StudyError;
use super::trial::Question;
use super::wear::{endurance_limit, price_as_stated};
use super::{TOOL, assumptions};
pub(super) use cases::not_judged;
use cases::{Case, cases};
use columns::{Ends, by_limit};

/// Share of a case's error for the number where its search begins, where time is short.
const FIRST: f64 = 0.2;

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
    let parts = cases.len() + 2;
    let endurance = context.one_of(parts, || endurance_limit(scenario, vary, context))?;
    let paper = paper::limits(scenario, vary).and(endurance);
    let error = (1.0 - scenario.run.confidence).max(1e-6) / cases.len() as f64;
    let stated = stated(scenario, vary);
    let reach = paper.reach(scenario, vary, stated);
    let events = EVENTS / (cases.len() as u64).clamp(1, MOST_PARTS);
    let mut study =
        Study { base: &base, context, vary, reach, error, events, requests: 0, failed: Vec::new() };
    let (mut found, mut notes) = (Vec::new(), not_judged(scenario));
    let mut start = reach.start(stated);
    for (n, case) in cases.iter().enumerate() {
        // One that was stopped decides nothing yet.
        let is_later = found.iter().any(|found: &Found| found.row.machines.high.is_some());
        let one = context.one_of(cases.len() - n + usize::from(grows(scenario)), || {
            study.case(case, start, is_later, &mut notes)
        })?;
        // A fault takes something away: the search begins at the smallest number so far.
        start = if n == 0 { one.low.unwrap_or(start) } else { one.low.map_or(start, |low| low.min(start)) };
        found.push(one);
    }
    notes.extend(study.neighbours_of_smallest(&cases, &found)?);
    let by_limit = by_limit(scenario, &found, &paper);
    let rows: Vec<FitCase> = found.into_iter().map(|found| found.row).collect();
    let (machines, binding) = smallest(&rows, &paper);
    notes.extend(unfinished(&rows, &paper, context));
    let outgrown = study.outgrown(&cases, binding.as_deref(), &machines, stated)?;
    let promised = machines.value.unwrap_or(0.0);
    let by_class = scenario.classes.iter().zip(machines_at(&scenario.classes, vary, promised));
    let by_class = by_class.map(|(class, count)| ClassMachines {
        class: class.name.clone(),
        machines: if promised > 0.0 { u64::from(count) } else { 0 },
        stated_machines: u64::from(class.machines),
    });
    let mut rows = rows.into_iter();
    let healthy = rows.next().unwrap_or_else(|| FitCase::unknown(&cases[0], "there is no case"));
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
        by_limit,
        limits: paper.rows.clone(),
        price_per_machine: price_as_stated(scenario).filter(|_| promised > 0.0).map(|price| price / promised),
        currency: scenario.design.price.as_ref().and_then(|price| price.currency.clone()),
        outgrown_by: outgrown.as_ref().map(|(_, by)| by.clone()),
        outgrown_after_years: outgrown.map(|(years, _)| years),
        requests: study.requests,
        failed_audit: study.failed,
        interrupted: context.is_interrupted(),
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

/// Whether some class grows.
fn grows(scenario: &Scenario) -> bool {
    scenario.classes.iter().any(|class| class.growth != 0.0)
}

/// The smallest of all, and what sets it. It is promised only if every case has a number that surely holds.
fn smallest(rows: &[FitCase], paper: &Paper) -> (Figure, Option<String>) {
    let by_paper = paper.rows.iter().filter_map(|row| Some((row.machines?, &row.resource)));
    let tightest = by_paper.min_by_key(|(machines, _)| *machines);
    let judged = || rows.iter().filter(|row| row.objectives > 0);
    if let Some(unknown) = judged().find(|row| row.machines.value.is_none()) {
        return not_known(unknown, rows, tightest);
    }
    let less = |a: &&FitCase, b: &&FitCase| {
        let machines = |row: &FitCase| row.machines.value.unwrap_or(f64::INFINITY);
        machines(a).total_cmp(&machines(b))
    };
    match (judged().min_by(less), tightest) {
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

/// No number, because one case has none; and the most that it could be, by another one or on paper.
fn not_known(
    unknown: &FitCase,
    rows: &[FitCase],
    tightest: Option<(u64, &String)>,
) -> (Figure, Option<String>) {
    let reason = unknown.machines.reason.clone().unwrap_or_default();
    let rejected = rows.iter().filter_map(|row| Some((row.machines.high?, row)));
    let most = rejected.min_by(|a, b| a.0.total_cmp(&b.0));
    let by_paper = tightest.map(|(machines, resource)| (machines as f64, resource));
    let (high, known) = match (most, by_paper) {
        (Some((high, row)), paper) if paper.is_none_or(|(machines, _)| high - 1.0 <= machines) => {
            (Some(high), format!("; fewer than {high:.0} by {}", row.name))
        }
        (_, Some((machines, resource))) => (Some(machines), format!("; at most {machines:.0} by {resource}")),
        _ => (None, String::new()),
    };
    let name = &unknown.name;
    let figure = Figure { high, ..Figure::missing(format!("{name}: {reason}{known}")) };
    (figure, Some(name.clone()))
}

/// Said where cases were stopped, for a study that ran out of time.
fn unfinished(rows: &[FitCase], paper: &Paper, context: &Context) -> Option<String> {
    let why = context.why_cut();
    let is_cut = |row: &&FitCase| row.machines.reason.as_ref().is_some_and(|reason| reason.starts_with(&why));
    let unmeasured =
        paper.rows.iter().filter(|row| row.why.starts_with(&why)).map(|row| row.resource.as_str());
    let names: Vec<&str> =
        rows.iter().filter(is_cut).map(|row| row.name.as_str()).chain(unmeasured).collect();
    let is_timed = context.time.is_some() && !context.is_interrupted();
    (is_timed && !names.is_empty()).then(|| format!("{why}; not finished by then: {}", names.join(", ")))
}

impl FitCase {
    fn unknown(case: &Case, reason: &str) -> Self {
        FitCase {
            name: case.name.clone(),
            machines: Figure::missing(reason),
            binding_objective: None,
            busiest: None,
            utilisation: None,
            objectives: case.scenario.objectives.len() as u32,
        }
    }
}

/// What all cases share.
struct Study<'a> {
    base: &'a Base<'a>,
    context: &'a Context<'a>,
    vary: Vary,
    reach: Reach,
    error: f64,
    /// What a case may take.
    events: u64,
    requests: u64,
    failed: Vec<crate::outcome::AuditRow>,
}

/// A case has this part of the events of a study at least.
const MOST_PARTS: u64 = 6;

/// Said of a case that holds where another one decides.
const NOT_DECIDING: &str = "it holds where another case decides, and is searched no further";

/// What was found in a case.
struct Found {
    row: FitCase,
    /// The largest number that was accepted.
    low: Option<f64>,
    /// By latency and by sustained load; none of a case that no objective is about.
    ends: Option<[Ends; 2]>,
}

impl Study<'_> {
    /// How many machines fit in a case, looked for from `start`.
    ///
    /// Where another case went before, `start` is what it accepted: a case that holds there too does not decide, and is
    /// searched no further.
    fn case(
        &mut self,
        case: &Case,
        start: f64,
        is_later: bool,
        notes: &mut Vec<String>,
    ) -> Result<Found, StudyError> {
        if case.scenario.objectives.is_empty() {
            let why = "no objective is about this case: say \"any\" or its name in `during`";
            return Ok(Found { row: FitCase::unknown(case, why), low: None, ends: None });
        }
        if self.context.is_over() {
            let why = format!("{}: not begun", self.context.why_cut());
            let ends = Some([(); 2].map(|()| Ends::unknown(&why)));
            return Ok(Found { row: FitCase::unknown(case, &why), low: None, ends });
        }
        let say = |words: &str| (self.context.progress)(&format!("case {}: {words}", case.name));
        let context = Context { progress: &say, ..*self.context };
        let mut attempts = Attempts::varying(self.vary, self.base, &case.scenario, &context);
        let wanted = Wanted {
            start: start.min(self.reach.most),
            range: (1.0, self.reach.most),
            half_width: case.scenario.run.precision / 2.0,
            whole: true,
            error: self.error,
            fails: None,
        };
        attempts.allow(self.events);
        let is_asked = is_later || self.context.time.is_some();
        let first = is_asked.then(|| self.first_of_all(&mut attempts, &wanted));
        let wanted = Wanted { error: self.error - first.map_or(0.0, |(error, _)| error), ..wanted };
        let accepted = first.and_then(|(_, accepted)| accepted);
        let holds = accepted.filter(|_| is_later);
        let mut limit = match holds {
            Some(count) => Limit::at_least(count),
            None => search(&mut attempts, &wanted, None, 1.0),
        };
        let accepted = accepted.filter(|count| limit.found.high.is_none_or(|high| *count < high));
        limit.found.low = limit.found.low.into_iter().chain(accepted).max_by(f64::total_cmp);
        let cut = context.is_cut().then(|| context.why_cut());
        self.requests += attempts.requests();
        self.failed.extend(attempts.failed_audit());
        if let Some(error) = attempts.error.take() {
            return Err(error);
        }
        if attempts.is_spent() && cut.is_none() {
            notes.push(format!("{}: {}; its interval is as wide as that", case.name, attempts.why_ended()));
        }
        notes.extend(limit.turns_back.map(|(fails, holds)| {
            format!("{}: not monotone: {fails:.0} machines fail and {holds:.0} hold", case.name)
        }));
        let why = cut.or_else(|| holds.map(|_| NOT_DECIDING.into()));
        let row = self.row(case, &limit, &attempts, why.as_deref());
        let ends = columns::of_case(case, &limit, &attempts, &row);
        Ok(Found { row, low: limit.found.low, ends: Some(ends) })
    }

    /// Looks about the number that all cases hold, in the case that decides.
    fn neighbours_of_smallest(
        &mut self,
        cases: &[Case],
        found: &[Found],
    ) -> Result<Option<String>, StudyError> {
        let decided = cases.iter().zip(found).filter(|(_, found)| found.row.machines.high.is_some());
        let least =
            decided.filter_map(|(case, found)| Some((case, found.low?))).min_by(|a, b| a.1.total_cmp(&b.1));
        let Some((case, low)) = least.filter(|_| !self.context.is_cut()) else { return Ok(None) };
        let say = |words: &str| (self.context.progress)(&format!("case {}: {words}", case.name));
        let context = Context { progress: &say, ..*self.context };
        let mut attempts = Attempts::varying(self.vary, self.base, &case.scenario, &context);
        attempts.allow(self.events);
        let note = neighbours(&mut attempts, low, &case.name);
        self.requests += attempts.requests();
        self.failed.extend(attempts.failed_audit());
        attempts.error.take().map_or(Ok(note), Err)
    }

    /// A sure trial of the number where the search begins, before it looks around: where time is short it may be the only
    /// one. The error that it takes of the case's, and the number if it was accepted.
    fn first_of_all(&self, attempts: &mut Attempts, wanted: &Wanted) -> (f64, Option<f64>) {
        let error = FIRST * wanted.error;
        let count = wanted.start.round().max(1.0);
        attempts.tell(&format!("objectives: a sure trial of {count:.0} machines"));
        let attempt = attempts.attempt(count, Question::Objectives, Effort::Sure { error });
        (error, attempt.filter(|a| a.standing == Standing::Holds).map(|_| count))
    }

    /// A case's row; `cut` is why its search was stopped, if it was.
    fn row(&self, case: &Case, limit: &Limit, attempts: &Attempts, cut: Option<&str>) -> FitCase {
        let accepted = attempts.list.iter().filter(|a| Some(a.scale) == limit.found.low);
        let longest = accepted.max_by_key(|a| a.tried.outcome.run.requests);
        let full = || longest.and_then(|a| a.tried.fullest.as_ref()).map(|(name, _)| not_sustained(name));
        let binding_objective = match limit.gives_way {
            _ if cut.is_some() && limit.found.high.is_none() => None,
            Some(place) => Some(in_words(&case.scenario, place)),
            None => full().filter(|_| limit.found.high.is_some()),
        };
        let machines = match limit.found {
            _ if limit.out_of_reach => {
                let reason = match limit.gives_way.and(binding_objective.as_deref()) {
                    Some(objective) => format!("out of reach: {objective} is missed with a single machine"),
                    None => "out of reach: the load of a single machine is not sustained".into(),
                };
                Figure { high: Some(1.0), ..Figure::missing(reason) }
            }
            Bracket { low: Some(low), high: Some(high), .. } => Figure::of(low, low, high),
            Bracket { low, high, .. } => {
                let reason = match (low, cut) {
                    (Some(_), Some(cut)) => format!("{cut}: more may fit"),
                    (_, Some(cut)) => format!("{cut}: no number was accepted by then"),
                    (Some(_), _) if limit.beyond_range => self.reach.end.into(),
                    (Some(_), _) => "no number was found that is surely too large".into(),
                    _ => "no number was found that surely holds".into(),
                };
                Figure { value: low, low, high, reason: Some(reason) }
            }
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
}

/// Looks at one machine fewer and one more on the same requests: more machines must not make it better.
fn neighbours(attempts: &mut Attempts, at: f64, case: &str) -> Option<String> {
    if at < 2.0 {
        return None;
    }
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
