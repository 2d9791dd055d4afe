//! `compare`: two or more designs under the same traffic, as paired differences.
//!
//! Draws belong to requests and not to stations, so designs that are run with one seed, one warm-up and one window
//! meet the same requests at the same instants; `alike` sees to that, `asked` says which differences must be precise,
//! and `rows` writes them. All designs are extended in lockstep.
//!
//! With `length = "auto"` the run ends when every design's own figures and every difference asked for have reached the
//! precision, twice in a row. The rule looks at widths and never at whether zero lies inside: a run that stopped as
//! soon as a difference looked certain would call equal designs different far more often than the confidence says
//! (the repeated significance tests of Armitage, McPherson & Rowe 1969, from memory). What is still not told apart is
//! told with how much longer a run would have to be.

mod alike;
mod asked;
mod rows;

use rayon::prelude::*;

use crate::engine::SimDuration;
use crate::outcome::{CompareOutcome, DesignOutcome, RunOutcome, State};
use crate::scenario::Scenario;

use super::TOOL;
use super::lockstep::{self, Lane, More};
use super::replication::Replication;
use super::run::{Context, follow_up};
use super::setting::{Course, Setting, StudyError};
use super::summary;

use asked::{Asked, asked};

/// Said of a comparison that was stopped.
const CUT_OFF: &str = "the designs were stopped at different moments, so that they met the same traffic only in part, and \
                       differences are known less well than they would be";
/// Share of the time for the designs, beside what a full log meets and the pace of a rebuild.
const FOR_THE_DESIGNS: f64 = 0.85;

/// A design that takes part.
#[derive(Clone, Debug)]
pub struct Contender {
    /// What it is called in the answer; no two alike.
    pub name: String,
    /// The whole question, as `run` would take it.
    pub scenario: Scenario,
}

/// Why designs could not be compared. Displays as words.
#[derive(Debug)]
pub enum CompareError {
    /// One design, or none.
    TooFew,
    /// Two designs without a class of the same name.
    NothingInCommon(String, String),
    /// Two designs with dates whose windows differ: names and lengths.
    Lengths([(String, SimDuration); 2]),
    /// A design could not be started.
    Design(String, Box<StudyError>),
}

impl std::fmt::Display for CompareError {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        match self {
            CompareError::TooFew => write!(
                f,
                "there is one design, and nothing to compare it with\n  help: name a second scenario, or change the \
                 first with `--set PATH=VALUE`: each `--set` makes a design"
            ),
            CompareError::NothingInCommon(a, b) => write!(
                f,
                "{a} and {b} have no class of the same name, so there is nothing to compare\n  help: classes are \
                 compared by their `name`"
            ),
            CompareError::Lengths([(a, first), (b, second)]) => write!(
                f,
                "{a} lasts {} s and {b} {} s: designs with dates are compared over the same time\n  help: state the \
                 same `run.length` in both",
                first.secs(),
                second.secs()
            ),
            CompareError::Design(name, error) => write!(f, "{name}: {error}"),
        }
    }
}

impl std::error::Error for CompareError {}

/// A design after it was measured.
struct Measured<'a> {
    name: &'a str,
    setting: &'a Setting<'a>,
    replications: Vec<Replication>,
    course: Course,
    /// It was stopped while it was measured.
    is_cut: bool,
}

/// Compares every later design with the first.
///
/// # Errors
/// What keeps the designs from being compared, or one of them from being run.
pub fn compare(contenders: &[Contender], context: &Context) -> Result<CompareOutcome, CompareError> {
    let (scenarios, mut notes) = alike::aligned(contenders)?;
    let names: Vec<&str> = contenders.iter().map(|contender| contender.name.as_str()).collect();
    let settings = settings(&scenarios, &names, context)?;
    let asked = asked(&settings, &names);
    let designs = context.part(FOR_THE_DESIGNS, || measured(&settings, &names, &asked, context));
    (context.progress)("differences");
    let mut outcomes: Vec<RunOutcome> = designs
        .par_iter()
        .map(|d| summary::summarise(d.setting, &d.replications, &d.course, context.detail))
        .collect();
    let why_none: Vec<Option<String>> =
        designs.iter().zip(&outcomes).map(|(design, outcome)| why_not_compared(design, outcome)).collect();
    let cut: Vec<&str> = designs.iter().filter(|design| design.is_cut).map(|design| design.name).collect();
    let answers = rows::answers(&designs, &asked, &why_none);
    let differences = rows::differences(&designs, &why_none);
    let mut other = rows::measured_in_pairs(&designs, &why_none);
    drop(designs);
    for (n, (outcome, scenario)) in outcomes.iter_mut().zip(&scenarios).enumerate() {
        if !context.is_over() {
            let left = scenarios.len() - n;
            context
                .one_of(left, || follow_up(outcome, scenario, context))
                .map_err(|e| CompareError::Design(names[n].into(), Box::new(e)))?;
        }
    }
    other.extend(rows::known_exactly(&scenarios, &outcomes, &names));
    if !cut.is_empty() {
        notes.push(format!("{}; designs not finished by then: {}", context.why_cut(), cut.join(", ")));
        notes.push(CUT_OFF.into());
    }
    notes.extend(standings(&outcomes, &names));
    let named = names.iter().zip(outcomes).map(|(name, run)| DesignOutcome { name: (*name).into(), run });
    let designs = named.collect();
    Ok(CompareOutcome { schema: 1, tool: TOOL.into(), designs, answers, differences, other, notes })
}

/// Why a design has no differences, if it has none.
fn why_not_compared(design: &Measured, outcome: &RunOutcome) -> Option<String> {
    let name = design.name;
    match &design.course.interrupted {
        _ if outcome.verdict.state == State::Saturated => Some(format!("{name} does not carry its load")),
        Some(why) => Some(format!("{name}: {why}, and nothing was measured by then")),
        None => None,
    }
}

fn settings<'a>(
    scenarios: &'a [Scenario],
    names: &[&str],
    context: &'a Context,
) -> Result<Vec<Setting<'a>>, CompareError> {
    let of = |(scenario, name): (&'a Scenario, &&str)| {
        (context.progress)(&format!("design {name}: reading"));
        Setting::new(scenario, context.interrupted)
            .map_err(|e| CompareError::Design((*name).into(), Box::new(e)))
    };
    scenarios.iter().zip(names).map(of).collect()
}

/// Runs all designs in lockstep.
fn measured<'a>(
    settings: &'a [Setting<'a>],
    names: &[&'a str],
    asked: &[Asked],
    context: &Context,
) -> Vec<Measured<'a>> {
    let lane = |(n, setting): (usize, &'a Setting<'a>)| {
        let wanted = asked.iter().filter_map(|one| one.targets[n].clone().ok()).collect();
        Lane::new(names[n], setting, wanted)
    };
    let mut lanes: Vec<Lane> = settings.iter().enumerate().map(lane).collect();
    let schedule = lockstep::measure(&mut lanes, &|lanes| widths(lanes, asked), context);
    let finish = |(lane, name): (Lane<'a>, &&'a str)| {
        let (setting, is_cut) = (lane.setting, lane.is_cut);
        let (replications, course) = lane.finish(&schedule);
        Measured { name, setting, replications, course, is_cut }
    };
    lanes.into_iter().zip(names).map(finish).collect()
}

/// How well the differences asked for are known so far.
fn widths(lanes: &[Lane], asked: &[Asked]) -> More {
    let goes_on = |n: &usize| lanes[*n].goes_on();
    if !goes_on(&0) {
        return More::default();
    }
    let pairs: Vec<(usize, &Asked)> = (1..lanes.len())
        .filter(goes_on)
        .flat_map(|n| asked.iter().map(move |one| (n, one)))
        .filter(|(n, one)| one.targets[0].is_ok() && one.targets[*n].is_ok())
        .collect();
    let confidence = lanes[0].setting.scenario.run.confidence;
    let found: Vec<_> = pairs
        .par_iter()
        .map(|(n, one)| {
            let sides = [0, *n].map(|n| (n, lanes[n].replications.as_slice()));
            one.difference(sides, confidence).ok()
        })
        .collect();
    let certain = found.iter().flatten().filter(|d| d.is_distinguishable()).count();
    More {
        half_widths: found.iter().map(|d| d.as_ref().and_then(|d| d.relative_half_width())).collect(),
        words: format!("; {certain} of {} differences can be told from none", found.len()),
    }
}

/// What a design that does not carry its load for ever, or of which that is not known, means for its differences.
fn standings(outcomes: &[RunOutcome], names: &[&str]) -> Vec<String> {
    let note = |(n, outcome): (usize, &RunOutcome)| {
        let name = names[n];
        let reason = outcome.verdict.reason.as_deref().unwrap_or("no reason was given");
        Some(match outcome.verdict.state {
            State::Stable => return None,
            State::Saturated if n == 0 => format!(
                "{name} does not carry its load, so the others have nothing to be compared with: {reason}; name \
                 another design first"
            ),
            State::Saturated => format!("{name} does not carry its load and is not compared: {reason}"),
            State::Unsustainable => format!("differences with {name} do not last: {reason}"),
            State::Undecided => format!("differences with {name} are what is known so far: {reason}"),
        })
    };
    outcomes.iter().enumerate().filter_map(note).collect()
}
