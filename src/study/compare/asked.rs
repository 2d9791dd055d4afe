//! Which differences the answer is about, and must be precise: of the first design's objectives, or of every
//! class's mean and p99 where it has none that can be judged.

use crate::measure::{Difference, Latencies, Missing, mean_difference, percentile_difference};
use crate::scenario::{Objective, Operation, Over};
use crate::study::replication::Replication;
use crate::study::setting::Setting;
use crate::study::targets::{Target, is_measured};

/// A figure whose difference is asked for.
pub(super) struct Asked {
    pub class: String,
    /// `None` is both.
    pub operation: Option<Operation>,
    /// `None` is the mean.
    pub percentile: Option<f64>,
    /// In a run with dates: which fault or phase it is about.
    pub during: Option<String>,
    pub over: Over,
    /// Whether it has a line in the answer, or only must be precise.
    pub is_answer: bool,
    /// By design: the figure, or why there is none.
    pub targets: Vec<Result<Target, String>>,
    names: Vec<String>,
}

/// Everything that is asked of these designs.
pub(super) fn asked(settings: &[Setting], names: &[&str]) -> Vec<Asked> {
    let Some(first) = settings.first() else { return Vec::new() };
    let scenario = first.scenario;
    let names: Vec<String> = names.iter().map(|name| (*name).to_owned()).collect();
    let mut list: Vec<Asked> =
        scenario.objectives.iter().map(|objective| of_objective(objective, settings, &names)).collect();
    if list.iter().all(|one| one.targets[0].is_err()) {
        for class in &scenario.classes {
            for percentile in [None, Some(99.0)] {
                list.push(of_class(&class.name, percentile, settings, &names));
            }
        }
    }
    list
}

fn of_objective(objective: &Objective, settings: &[Setting], names: &[String]) -> Asked {
    let class = &settings[0].scenario.classes[objective.class].name;
    let is_dated = settings.iter().any(|setting| setting.periods.is_some());
    let target = |(setting, name): (&Setting, &String)| {
        let own = Objective { class: place(setting, class, name)?, ..objective.clone() };
        if !is_measured(&own, setting) {
            return Err(format!("nothing is measured of it in {name}: `during` is \"{}\"", own.during));
        }
        let is_kept = |kept: &Objective| {
            kept.over == own.over
                && kept.class == own.class
                && setting.stretches_of(kept) == setting.stretches_of(&own)
        };
        if own.over == Over::WorstMachine && !setting.scenario.objectives.iter().any(is_kept) {
            return Err(format!("{name} has no such objective and does not tell its machines apart"));
        }
        Ok(Target::of(&own, setting))
    };
    Asked {
        class: class.clone(),
        operation: objective.operation,
        percentile: Some(objective.percentile),
        during: is_dated.then(|| objective.during.clone()),
        over: objective.over,
        is_answer: true,
        targets: settings.iter().zip(names).map(target).collect(),
        names: names.to_vec(),
    }
}

fn of_class(class: &str, percentile: Option<f64>, settings: &[Setting], names: &[String]) -> Asked {
    let target = |(setting, name): (&Setting, &String)| {
        let class = place(setting, class, name)?;
        let quantile = percentile.map(|percentile| percentile / 100.0);
        Ok(Target { class, operation: None, quantile, over: Over::Class, stretches: None })
    };
    Asked {
        class: class.to_owned(),
        operation: None,
        percentile,
        during: None,
        over: Over::Class,
        is_answer: percentile.is_some(),
        targets: settings.iter().zip(names).map(target).collect(),
        names: names.to_vec(),
    }
}

/// The class of that name in a design.
fn place(setting: &Setting, class: &str, name: &str) -> Result<usize, String> {
    let place = setting.scenario.classes.iter().position(|other| other.name == class);
    place.ok_or_else(|| format!("{name} has no class of that name"))
}

impl Asked {
    /// The difference between two designs, each given by its number and replications; ps.
    pub fn difference(
        &self,
        sides: [(usize, &[Replication]); 2],
        confidence: f64,
    ) -> Result<Difference, String> {
        let measured = |(n, replications): (usize, &[Replication])| {
            let target = self.targets[n].as_ref().map_err(String::clone)?;
            target.measured(replications, confidence).map_err(|why| format!("{}: {why}", self.names[n]))
        };
        let [(a, _), (b, _)] = sides;
        let [a_side, b_side] = sides.map(measured);
        let names = [self.names[a].as_str(), self.names[b].as_str()];
        difference(&a_side?, &b_side?, self.percentile, confidence).map_err(|missing| why(&missing, names))
    }
}

/// The difference of a percentile, or of the mean, of latencies by replication; ps.
pub(super) fn difference(
    a: &[Latencies],
    b: &[Latencies],
    percentile: Option<f64>,
    confidence: f64,
) -> Result<Difference, Missing> {
    let (a, b): (Vec<&Latencies>, Vec<&Latencies>) = (a.iter().collect(), b.iter().collect());
    match percentile {
        None => mean_difference(&a, &b, confidence),
        Some(percentile) => percentile_difference(&a, &b, percentile / 100.0, confidence),
    }
}

/// Why there is no difference, and of whom.
pub(super) fn why(missing: &Missing, names: [&str; 2]) -> String {
    let [a, b] = [missing.a, missing.b].map(|reason| reason.map(|reason| reason.to_string()));
    match (a, b) {
        (Some(a), Some(b)) if a == b => a,
        (a, b) => {
            let sides = [a, b].into_iter().zip(names);
            let told = sides.filter_map(|(reason, name)| Some(format!("{name}: {}", reason?)));
            told.collect::<Vec<_>>().join("; ")
        }
    }
}
