//! `knee`: where the load curve bends, where objectives give way, where the design is full and on what, and what binds
//! next.

mod resources;
mod so_far;

use crate::measure::{Bracket, Effort, Standing};
use crate::outcome::{Figure, KneeOutcome, LoadMark, StatedLoad};
use crate::scenario::{Load, Scenario};

use super::attempts::Attempts;
use super::ladder;
use super::limit::{self, Limit};
use super::lockstep::EVENTS;
use super::run::Context;
use super::saturation::{HALF_WIDTH, Saturation, iops_at, saturation};
use super::scaled::{Base, Vary, is_closed};
use super::setting::StudyError;
use super::trial::Question;
use super::{TOOL, assumptions, curve, elasticity};
use resources::resources;
use so_far::{Cut, cut_of};

/// Hundredths of the events that a study may take: the stated load and saturation, the limit, the knee, more points of the
/// curve, each rung of the ladder.
const PARTS: [u64; 5] = [30, 33, 12, 7, 6];

/// Of the time that is left, the share of each part.
struct Shares {
    stated: f64,
    saturation: f64,
    limit: f64,
    knee: f64,
    curve: f64,
}

/// What an architect signs comes first; the ladder has what the others leave.
const SHARES: Shares = Shares { stated: 0.3, saturation: 0.5, limit: 0.6, knee: 0.3, curve: 0.4 };

/// Finds the knee, the limit and the saturation of a scenario, and what binds.
pub fn knee(scenario: &Scenario, context: &Context) -> Result<KneeOutcome, StudyError> {
    let (scenario, mut notes) = steady(scenario);
    let base = Base::new(&scenario, context.interrupted)?;
    let mut attempts = Attempts::new(&base, &scenario, context);
    let unit = unit(&scenario);
    // Three searches, and three rungs that count as one, share the probability of a wrong end.
    let error = (1.0 - scenario.run.confidence).max(1e-6);
    let part = |place: usize| EVENTS / 100 * PARTS[place];
    attempts.tell("the stated load");
    attempts.allow(part(0));
    let mut cut = Cut::default();
    let stated = cut_of(context, SHARES.stated, &mut cut.stated, || {
        attempts.attempt(1.0, Question::Objectives, Effort::Sure { error: error / 2.0 });
        // What was seen of a trial that was stopped is worth a row.
        attempts.list.first().cloned()
    });
    if let Some(error) = attempts.error.take() {
        return Err(error);
    }
    let start = start(&attempts);
    let full = cut_of(context, SHARES.saturation, &mut cut.saturation, || {
        saturation(&mut attempts, start, HALF_WIDTH, error)
    });
    notes.extend(spent(&attempts, "saturation"));
    let (mut point, mut found) = (missing(&context.why_cut()), None);
    if let Ok(full) = &full {
        if !scenario.objectives.is_empty() {
            attempts.allow(part(1));
            found = cut_of(context, SHARES.limit, &mut cut.limit, || {
                Some(limit::of_load(&mut attempts, &full.scale, unit, error))
            });
            if let Some(limit) = found.as_mut().filter(|_| unit.is_none()) {
                limit.clip(&full.scale);
            }
        }
        notes.extend(spent(&attempts, "the limit").filter(|_| found.is_some()));
        attempts.allow(part(2));
        let half_width = scenario.run.precision;
        let bend = cut_of(context, SHARES.knee, &mut cut.knee, || {
            elasticity::knee(&mut attempts, full.scale.value, unit, (half_width, error))
        });
        if cut.knee.is_none() {
            point = knee_mark(&attempts, &bend, full.scale.value);
        }
        notes.extend(spent(&attempts, "the knee"));
        attempts.allow(part(3));
        cut_of(context, SHARES.curve, &mut cut.curve, || curve::fill(&mut attempts, full.scale.value, unit));
    }
    let climbed = full.as_ref().ok().filter(|_| cut.saturation.is_none() && attempts.error.is_none());
    let climbed = climbed.map(|full| {
        cut_of(context, 1.0, &mut cut.ladder, || ladder::climb(&base, context, full, (error, part(4))))
    });
    if let Some(error) = attempts.error.take() {
        return Err(error);
    }
    let turns_back = found.as_ref().and_then(|limit| limit.turns_back);
    notes.extend(turns_back.map(|(fails, holds)| {
        format!(
            "the curve is not monotone: objectives fail at {fails:.3} × the stated load and hold at {holds:.3} ×; the \
             limit is told from above the failure"
        )
    }));
    let stated_row = stated.as_ref().map(|s| &s.tried.outcome);
    let (rungs, next_ends, more, mut failed_audit) = match climbed {
        Some(ladder) => {
            let ends = ladder.ends.or_else(|| cut.ladder.clone());
            (ladder.rungs, ends, ladder.requests, ladder.failed_audit)
        }
        None => (Vec::new(), cut.saturation.clone(), 0, Vec::new()),
    };
    failed_audit.extend(attempts.failed_audit());
    notes.extend(unfinished(&full).filter(|_| cut.saturation.is_none()));
    notes.extend(cut.in_words(context));
    notes.extend(in_steps(&scenario));
    Ok(KneeOutcome {
        schema: 1,
        tool: TOOL.into(),
        scenario_digest: scenario.digest.clone(),
        title: scenario.title.clone(),
        seed: scenario.run.seed,
        confidence: scenario.run.confidence,
        offered_iops: stated_row.and_then(|outcome| outcome.offered.iops),
        stated: StatedLoad {
            state: stated.as_ref().map_or(crate::outcome::State::Undecided, |s| match s.tried.overloaded {
                true => crate::outcome::State::Saturated,
                false => s.tried.outcome.verdict.state,
            }),
            objectives_met: match stated.as_ref().map(|s| s.standing) {
                _ if scenario.objectives.is_empty() => None,
                Some(Standing::Holds) => Some(true),
                Some(Standing::Fails) => Some(false),
                _ => stated_row.and_then(|outcome| outcome.verdict.objectives_met),
            },
        },
        curve: curve::rows(&attempts),
        point,
        limit_objective: found.as_ref().filter(|_| cut.before_limit().is_none()).map(|limit| {
            match limit.gives_way {
                Some(place) => in_words(&scenario, place),
                None => full.as_ref().map_or(NOT_SUSTAINED.into(), |full| not_sustained(&full.binding)),
            }
        }),
        limit: match &found {
            _ if scenario.objectives.is_empty() => missing("no objective is stated"),
            Some(limit) if cut.before_limit().is_none() => limit_mark(&attempts, limit),
            _ => so_far::limit(&attempts, cut.before_limit()),
        },
        saturation: match &full {
            _ if cut.saturation.is_some() => so_far::saturation(&attempts, cut.saturation.as_deref()),
            Ok(full) => mark(&full.scale, &|load| load * full.iops_per_scale),
            Err(why) => missing(why),
        },
        binding: full.as_ref().ok().filter(|_| cut.saturation.is_none()).map(|full| full.binding.clone()),
        next: rungs,
        next_ends,
        static_ceiling_iops: stated_row.and_then(|outcome| outcome.verdict.static_ceiling_iops),
        static_binding: stated_row.and_then(|outcome| outcome.verdict.static_binding.clone()),
        resources: match &full {
            Ok(full) if cut.saturation.is_none() => resources(full),
            _ => Vec::new(),
        },
        requests: attempts.requests() + more,
        failed_audit,
        interrupted: context.is_interrupted(),
        assumptions: assumptions_of(&base)?,
        defaults: assumptions::defaults(base.scenario),
        notes,
    })
}

/// The scenario without what has a date, and what that leaves out.
fn steady(scenario: &Scenario) -> (Scenario, Vec<String>) {
    let mut steady = scenario.clone();
    let mut notes = Vec::new();
    if scenario.is_dated() {
        steady.phases.clear();
        steady.faults.retain(|fault| fault.is_standing());
        let names: Vec<&str> = steady.faults.iter().map(|fault| fault.name.as_str()).collect();
        let stays = |during: &str| ["healthy", "any"].contains(&during) || names.contains(&during);
        steady.objectives.retain(|o| stays(&o.during));
        steady.run.length = crate::scenario::Auto::Auto;
        notes.push("a load curve is of a steady load: phases and faults with dates are left out, and objectives about them".into());
    }
    if !steady.faults.is_empty() {
        steady.objectives.retain(|o| o.during != "healthy");
        notes.push(
            "a fault stands all the time: this is the curve under it, and objectives about health are left out".into(),
        );
    }
    (steady, notes)
}

/// Said where a part of the study has measured what it may.
fn spent(attempts: &Attempts, what: &str) -> Option<String> {
    let words = || {
        format!(
            "{what}: {}, to end in a time that can be stated; its interval is as wide as that",
            attempts.why_ended()
        )
    };
    (attempts.is_spent() && !attempts.is_cut_short()).then(words)
}

/// The smallest step of the load where all classes are closed: a machine of the largest class.
fn unit(scenario: &Scenario) -> Option<f64> {
    let most = scenario.classes.iter().map(|class| class.machines).max()?;
    is_closed(scenario).then(|| 1.0 / f64::from(most))
}

/// Where the search for saturation begins: by the utilisation law from the stated load, or by static arithmetic if that
/// is not carried.
fn start(attempts: &Attempts) -> f64 {
    let Some(stated) = attempts.list.first() else { return 1.0 };
    let verdict = &stated.tried.outcome.verdict;
    let by_law = 0.9 / verdict.utilisation.max(1e-4);
    let ceiling = verdict.static_ceiling_iops.zip(stated.tried.outcome.offered.iops);
    match (stated.tried.overloaded, ceiling) {
        (false, _) => by_law,
        (true, Some((ceiling, offered))) => (0.8 * ceiling / offered).min(0.8),
        (true, None) => 0.5,
    }
}

fn missing(reason: &str) -> LoadMark {
    LoadMark { scale: Figure::missing(reason), iops: Figure::missing(reason) }
}

/// A bracket as a mark, where a load brings so many requests per second.
pub(super) fn mark(found: &Bracket, iops: &dyn Fn(f64) -> f64) -> LoadMark {
    LoadMark { scale: ends(found, &|load| load), iops: ends(found, iops) }
}

/// A bracket as a figure; an end that was not found is null.
pub(super) fn ends(found: &Bracket, of: &dyn Fn(f64) -> f64) -> Figure {
    let open = |end: Option<f64>, what: &str| match end {
        Some(_) => None,
        None => Some(format!("no load was found that is surely {what}")),
    };
    let reason = open(found.low, "below it").or(open(found.high, "above it"));
    Figure { value: Some(of(found.value)), low: found.low.map(of), high: found.high.map(of), reason }
}

fn mark_of(attempts: &Attempts, found: &Bracket) -> LoadMark {
    mark(found, &|load| iops_at(attempts, load))
}

fn limit_mark(attempts: &Attempts, limit: &Limit) -> LoadMark {
    if !limit.out_of_reach {
        return mark_of(attempts, &limit.found);
    }
    let objective = limit.gives_way.map_or("an objective".into(), |place| in_words(attempts.scenario, place));
    missing(&format!(
        "out of reach: {objective} is missed even at {:.3} × the stated load",
        limit.found.value
    ))
}

/// The knee as a mark; none where latency never rises as fast as the load.
fn knee_mark(attempts: &Attempts, found: &Bracket, saturation: f64) -> LoadMark {
    match found.low {
        Some(low) if low >= elasticity::RANGE.1 * saturation * (1.0 - 1e-9) => {
            missing("mean latency rises by less than the load all the way to saturation")
        }
        _ => mark_of(attempts, found),
    }
}

/// Said where saturation has an open end.
fn unfinished(full: &Result<Saturation, String>) -> Option<String> {
    let full = full.as_ref().ok()?;
    let ends = full.scale.low.zip(full.scale.high);
    let wide = ends.is_none_or(|(low, high)| (high - low) / full.scale.value > 0.1);
    wide.then(|| {
        "bursts keep the backlog moving so much that a load near saturation cannot be told from one that is carried: \
         the interval is as wide as that"
            .into()
    })
}

/// Said where only a part of the load goes in steps.
fn in_steps(scenario: &Scenario) -> Option<String> {
    let closed = scenario.classes.iter().filter(|class| matches!(class.load, Load::Closed { .. })).count();
    (closed > 0 && closed < scenario.classes.len())
        .then(|| "closed classes scale in whole machines, at least one; open ones in rate".into())
}

/// What gives way where the design is full before an objective fails.
const NOT_SUSTAINED: &str = "the load is no longer sustained";

/// The same with what is full.
pub(super) fn not_sustained(bottleneck: &str) -> String {
    format!("{NOT_SUSTAINED}: {bottleneck} is full")
}

/// An objective, in words.
pub(super) fn in_words(scenario: &Scenario, place: usize) -> String {
    let objective = &scenario.objectives[place];
    let (bound, unit) = match objective.below.us() {
        us if us < 1e3 => (us, "us"),
        us if us < 1e6 => (us / 1e3, "ms"),
        us => (us / 1e6, "s"),
    };
    format!(
        "{} {} p{} below {bound} {unit}",
        scenario.classes[objective.class].name,
        objective.operation.map_or("all", crate::scenario::Operation::name),
        objective.percentile,
    )
}

/// What the base assumes.
pub(super) fn assumptions_of(base: &Base) -> Result<Vec<String>, StudyError> {
    let variant = base.at(base.scenario, Vary::Load, 1.0);
    let setting = variant.setting()?;
    Ok(assumptions::of(&setting))
}
