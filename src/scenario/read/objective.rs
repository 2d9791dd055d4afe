//! `[[objective]]`.

use super::{Reader, Section, class_name_of, values};
use crate::scenario::diagnostics::Diagnostic;
use crate::scenario::model::{Class, Load, Objective, Operation, Over};
use crate::scenario::spelling::nearest;
use crate::scenario::tree::Value;

/// Reads every objective. Class names are checked against the file even if a class has a mistake.
pub fn read_all(reader: &mut Reader, top: &Section, classes: Option<&[Class]>) -> Option<Vec<Objective>> {
    let names = class_names(top);
    let moments = names_of_moments(top);
    let sections = reader.tables(top, "objective", "objective", |i, _| i.to_string())?;
    let read: Vec<_> =
        sections.iter().map(|s| read_objective(reader, s, names.as_deref(), classes, &moments)).collect();
    read.into_iter().collect()
}

/// The names of the classes; nothing if there is no list of classes, which was reported already.
fn class_names<'t>(top: &Section<'t>) -> Option<Vec<Option<&'t str>>> {
    match top.entry("class").map(|e| &e.node.value) {
        Some(Value::List(items)) => Some(items.iter().map(class_name_of).collect()),
        _ => None,
    }
}

/// The names of the faults and phases, whatever else is wrong with them.
fn names_of_moments<'t>(top: &Section<'t>) -> Vec<&'t str> {
    let lists = ["fault", "phase"].into_iter().filter_map(|list| top.entry(list).map(|e| &e.node.value));
    let items = lists.filter_map(|list| match list {
        Value::List(items) => Some(items),
        _ => None,
    });
    items.flatten().filter_map(class_name_of).collect()
}

fn read_objective(
    reader: &mut Reader,
    section: &Section,
    names: Option<&[Option<&str>]>,
    classes: Option<&[Class]>,
    moments: &[&str],
) -> Option<Objective> {
    let class = class_index(reader, section, names);
    let operation =
        reader.choice(section, "operation", &[Some(Operation::Read), Some(Operation::Write), None]);
    let percentile = reader.value(section, "percentile", values::number);
    let below = reader.value(section, "below", values::time);
    let during = during(reader, section, moments);
    let over = reader.choice(section, "over", &[Over::Class, Over::WorstMachine]);
    let class = class?;
    if let (Some(operation), Some(list)) = (operation?, classes) {
        check_occurs(reader, section, operation, list.get(class)?)?;
    }
    if let (Some(Over::WorstMachine), Some(list)) = (over, classes) {
        check_machines(reader, section, list.get(class)?)?;
    }
    Some(Objective {
        class,
        operation: operation?,
        percentile: percentile?,
        below: below?,
        during: during?,
        over: over?,
    })
}

fn class_index(reader: &mut Reader, section: &Section, names: Option<&[Option<&str>]>) -> Option<usize> {
    let name = reader.value(section, "class", values::text)?;
    let names = names?;
    if let Some(index) = names.iter().position(|n| *n == Some(name.as_str())) {
        return Some(index);
    }
    let at = reader.place(section, "class");
    let help =
        nearest(&name, names.iter().flatten().copied()).map(|near| format!("did you mean \"{near}\"?"));
    let title = format!("there is no class \"{}\"", values::short(&name));
    reader.report(Diagnostic::at(&at, title, "expected the name of a [[class]]").help(help))
}

/// "healthy", "any" or the name of a fault or phase.
fn during(reader: &mut Reader, section: &Section, moments: &[&str]) -> Option<String> {
    let known = ["healthy", "any"];
    if let Some(entry) = section.entry("during")
        && let Value::Text(name) = &entry.node.value
        && !known.contains(&name.as_str())
    {
        if moments.contains(&name.as_str()) {
            return Some(name.clone());
        }
        let path = section.path_of("during");
        let title = format!("`{path}` names an unknown fault or phase, \"{}\"", values::short(name));
        let expected = match moments {
            [] => "expected \"healthy\" or \"any\"",
            _ => "expected \"healthy\", \"any\" or the name of a [[fault]] or [[phase]]",
        };
        let help = nearest(name, known.into_iter().chain(moments.iter().copied()));
        let help = help.map(|near| format!("did you mean \"{near}\"?"));
        return reader.report(Diagnostic::at(&entry.node.at, title, expected).help(help));
    }
    reader.choice(section, "during", &known).map(str::to_owned)
}

/// Most machines of a class whose worst one is wanted: each needs histograms of its own in every
/// replication (project choice: half a GiB).
const WORST_OF_MOST: u32 = 2_000;

fn check_machines(reader: &mut Reader, section: &Section, class: &Class) -> Option<()> {
    if class.machines <= WORST_OF_MOST {
        return Some(());
    }
    let at = reader.place(section, "over");
    let title =
        format!("class \"{}\" has {} machines, too many to find the worst", class.name, class.machines);
    let help = "\"class\" pools them; or describe a part of the machines as a class of its own".to_owned();
    reader.report(
        Diagnostic::at(&at, title, format!("expected {WORST_OF_MOST} machines at most")).help(Some(help)),
    )
}

/// A percentile of requests that a class never makes does not exist.
fn check_occurs(reader: &mut Reader, section: &Section, operation: Operation, class: &Class) -> Option<()> {
    let never = !matches!(class.load, Load::Trace { .. })
        && match operation {
            Operation::Read => class.read == 0.0,
            Operation::Write => class.read == 1.0,
        };
    if !never {
        return Some(());
    }
    let at = reader.place(section, "operation");
    let name = operation.name();
    let title = format!("class \"{}\" never asks for a {name}", class.name);
    reader.report(Diagnostic::at(&at, title, format!("expected an operation that occurs, not {name}")))
}
