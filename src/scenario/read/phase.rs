//! `[[phase]]`: when classes ask for more or less.

use std::collections::HashMap;

use super::class::name_of;
use super::fault::moment_name;
use super::{Reader, Section, class_name_of, values};
use crate::scenario::diagnostics::Diagnostic;
use crate::scenario::model::{Class, Load, Phase};
use crate::scenario::schema;
use crate::scenario::spelling::nearest;
use crate::scenario::tree::{Entry, Value};

/// Reads every phase. `None` if any had a mistake. Without the classes their names are not looked for.
pub fn read_all(reader: &mut Reader, top: &Section, classes: Option<&[Class]>) -> Option<Vec<Phase>> {
    let sections = reader.tables(top, "phase", "phase.NAME", name_of)?;
    let mut read = Vec::new();
    for section in &sections {
        read.push(read_phase(reader, section, classes));
    }
    let phases: Option<Vec<Phase>> = read.into_iter().collect();
    let phases = phases?;
    are_unlike(reader, top, &sections, &phases).then_some(phases)
}

fn read_phase(reader: &mut Reader, section: &Section, classes: Option<&[Class]>) -> Option<Phase> {
    let name = moment_name(reader, section, "phase");
    let from = reader.value(section, "from", values::time);
    let to = reader.value(section, "to", values::time);
    let stagger = reader.value(section, "stagger", values::time);
    let load = load(reader, section, classes);
    let (from, to) = (from?, to?);
    if to <= from {
        let at = reader.place(section, "to");
        let title = format!("`{}` is not later than `from`", section.path_of("to"));
        let from_at = reader.place(section, "from");
        let diagnostic = Diagnostic::at(&at, title, "expected the end of the phase");
        return reader.report(diagnostic.also(&from_at, "the start is here"));
    }
    Some(Phase { name: name?, from, to, stagger: stagger?, load: load? })
}

/// Class index and factor, by name.
fn load(reader: &mut Reader, section: &Section, classes: Option<&[Class]>) -> Option<Vec<(usize, f64)>> {
    let Some(entry) = section.entry("load") else { return reader.missing(section, "load") };
    let path = section.path_of("load");
    let Value::Table(table) = &entry.node.value else {
        let title = format!("`{path}` is {}, not a table of classes", entry.node.value.noun());
        let help = Some(format!("for example: load = {}", section.row("load").example));
        return reader
            .report(Diagnostic::at(&entry.node.at, title, "expected { CLASS = factor }").help(help));
    };
    let inner = Section { path, pattern: "phase.NAME.load", table, at: Some(entry.key_at.clone()) };
    if table.entries().is_empty() {
        let title = format!("`{}` changes no class", inner.path);
        return reader.lacks(&inner, title, "expected CLASS = factor".into(), None);
    }
    let mut read = Vec::new();
    for entry in table.entries() {
        read.push(factor_of(reader, &inner, entry, classes));
    }
    read.into_iter().collect()
}

fn factor_of(
    reader: &mut Reader,
    section: &Section,
    entry: &Entry,
    classes: Option<&[Class]>,
) -> Option<(usize, f64)> {
    let row = schema::row_in("phase.NAME.load", "NAME")?;
    let factor = reader.convert_node(&section.path_of(&entry.key), row, &entry.node, values::number);
    let classes = classes?;
    let Some(index) = classes.iter().position(|class| class.name == entry.key) else {
        let names = classes.iter().map(|class| class.name.as_str());
        let help = nearest(&entry.key, names).map(|near| format!("did you mean \"{near}\"?"));
        let title = format!("there is no class \"{}\"", values::short(&entry.key));
        return reader
            .report(Diagnostic::at(&entry.key_at, title, "expected the name of a [[class]]").help(help));
    };
    let why = match &classes[index].load {
        Load::Open { .. } => return factor.map(|factor| (index, factor)),
        Load::Closed { .. } => "asks again when it is answered: a closed loop has no rate to scale",
        Load::Trace { .. } => "is recorded: its requests come at their times",
    };
    let title = format!("class \"{}\" {why}", classes[index].name);
    reader.report(Diagnostic::at(&entry.key_at, title, "expected a class with `load = { rate = … }`"))
}

/// Names occur once among phases and faults.
fn are_unlike(reader: &mut Reader, top: &Section, sections: &[Section], phases: &[Phase]) -> bool {
    let before = reader.out.len();
    let faults = match top.entry("fault").map(|entry| &entry.node.value) {
        Some(Value::List(items)) => items.iter().filter_map(class_name_of).collect(),
        _ => Vec::new(),
    };
    let mut names = HashMap::new();
    for (section, phase) in sections.iter().zip(phases) {
        let at = reader.place(section, "name");
        let name = values::short(&phase.name);
        if let Some(first) = names.insert(&phase.name, section) {
            let first = reader.place(first, "name");
            let diagnostic =
                Diagnostic::at(&at, format!("two phases are called \"{name}\""), "expected another name");
            reader.out.push(diagnostic.also(&first, "the first one is here"));
        }
        if faults.contains(&phase.name.as_str()) {
            let title = format!("a fault and a phase are called \"{name}\"");
            reader.out.push(Diagnostic::at(&at, title, "expected another name"));
        }
    }
    reader.out.len() == before
}
