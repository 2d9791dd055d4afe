//! `[[fault]]`: standing conditions, and whether the protection survives them.

use std::collections::HashMap;

use super::class::name_of;
use super::{Reader, Section, class_name_of, values};
use crate::scenario::diagnostics::Diagnostic;
use crate::scenario::model::{Design, Fault, FaultKind, Protection, Rebuilding, SpareKind};
use crate::scenario::tree::Value;

/// Kinds that the design has a place for and this version does not know.
const LATER: [&str; 5] = ["port-down", "link-narrowed", "drive-slow", "cache-cold", "controller-lost"];

/// What is written for a fault.
#[derive(Clone, Copy, PartialEq, Eq)]
enum Word {
    Lost,
    SecondLost,
    Rebuilding,
}

/// The names of the faults, whatever else is wrong with them.
pub fn names<'t>(top: &Section<'t>) -> Vec<&'t str> {
    match top.entry("fault").map(|e| &e.node.value) {
        Some(Value::List(items)) => items.iter().filter_map(class_name_of).collect(),
        _ => Vec::new(),
    }
}

/// Reads every fault. `None` if any had a mistake. Without a design they are not held against it.
pub fn read_all(reader: &mut Reader, top: &Section, design: Option<&Design>) -> Option<Vec<Fault>> {
    let sections = reader.tables(top, "fault", "fault.NAME", name_of)?;
    let mut read = Vec::new();
    for section in &sections {
        read.push(read_fault(reader, section));
    }
    let read: Option<Vec<(Fault, Word)>> = read.into_iter().collect();
    let read = read?;
    let are_unlike = check_unlike(reader, &sections, &read);
    let faults: Vec<Fault> = read.iter().map(|(fault, _)| fault.clone()).collect();
    let fit = design.is_none_or(|design| check(reader, &sections, &faults, design));
    (are_unlike && fit).then_some(faults)
}

fn read_fault(reader: &mut Reader, section: &Section) -> Option<(Fault, Word)> {
    let name = name(reader, section);
    let word = kind(reader, section);
    let drive = reader.count(section, "drive");
    let at = reader.value(section, "at", values::time);
    let rate = reader.optional(section, "rate", values::rate);
    let progress = reader.value(section, "progress", values::number);
    let window = reader.count(section, "window");
    if at.is_some_and(|at| at.ps() > 0) {
        let place = reader.place(section, "at");
        let title =
            format!("`{}` is later than 0 s, not yet supported by this version", section.path_of("at"));
        reader.out.push(Diagnostic::at(&place, title, "expected \"0 s\", a standing condition"));
    }
    if word.is_some_and(|word| word != Word::Rebuilding) {
        for key in ["rate", "progress", "window"] {
            reader.stray(section, key, "it goes with `kind = \"rebuilding\"`");
        }
    }
    let rebuilding = Rebuilding { rate: rate?, progress: progress?, window: window? };
    let kind = match word? {
        Word::Rebuilding => FaultKind::Rebuilding(rebuilding),
        Word::Lost | Word::SecondLost => FaultKind::DriveLost,
    };
    Some((Fault { name: name?, drive: drive?, kind }, word?))
}

/// A name that no other moment has.
fn name(reader: &mut Reader, section: &Section) -> Option<String> {
    let name = reader.value(section, "name", values::text)?;
    if ["healthy", "any"].contains(&name.as_str()) {
        let title = format!("a fault may not be called \"{name}\"");
        let at = reader.place(section, "name");
        return reader.report(Diagnostic::at(&at, title, "that word has a meaning of its own in `during`"));
    }
    Some(name)
}

fn kind(reader: &mut Reader, section: &Section) -> Option<Word> {
    if let Some(entry) = section.entry("kind")
        && let Value::Text(kind) = &entry.node.value
        && LATER.contains(&kind.as_str())
    {
        let path = section.path_of("kind");
        let title = format!("`{path}` = \"{kind}\" is not yet supported by this version of forebay");
        let expected = "expected \"drive-lost\", \"second-drive-lost\" or \"rebuilding\"";
        return reader.report(Diagnostic::at(&entry.node.at, title, expected));
    }
    reader.choice(section, "kind", &[Word::Lost, Word::SecondLost, Word::Rebuilding])
}

/// Names and drives occur once, one rebuild at a time, and a second loss has a first.
fn check_unlike(reader: &mut Reader, sections: &[Section], read: &[(Fault, Word)]) -> bool {
    let before = reader.out.len();
    let (mut names, mut drives, mut rebuild) = (HashMap::new(), HashMap::new(), None);
    for (section, (fault, word)) in sections.iter().zip(read) {
        if let Some(first) = names.insert(&fault.name, section) {
            let title = format!("two faults are called \"{}\"", values::short(&fault.name));
            twice(reader, (section, first), "name", title, "expected another name");
        }
        if let Some(first) = drives.insert(fault.drive, section) {
            let title = format!("drive {} is lost twice", fault.drive);
            twice(reader, (section, first), "drive", title, "expected another drive");
        }
        if *word == Word::Rebuilding
            && let Some(first) = rebuild.replace(section)
        {
            let title = "two drives are being rebuilt at once, which is not yet supported".to_owned();
            twice(reader, (section, first), "kind", title, "expected \"second-drive-lost\"");
        }
        if *word == Word::SecondLost && read.iter().all(|(_, other)| *other == Word::SecondLost) {
            let title = format!("fault \"{}\" is a second loss without a first", values::short(&fault.name));
            let at = reader.place(section, "kind");
            reader.out.push(Diagnostic::at(&at, title, "expected \"drive-lost\", or another [[fault]]"));
        }
    }
    reader.out.len() == before
}

fn twice(reader: &mut Reader, of: (&Section, &Section), key: &str, title: String, expected: &str) {
    let (second, first) = (reader.place(of.0, key), reader.place(of.1, key));
    reader.out.push(Diagnostic::at(&second, title, expected).also(&first, "the first one is here"));
}

/// The drives exist, hold data, and what is lost can be given back.
fn check(reader: &mut Reader, sections: &[Section], faults: &[Fault], design: &Design) -> bool {
    let before = reader.out.len();
    let mut lost: HashMap<u32, Vec<u32>> = HashMap::new();
    for (section, fault) in sections.iter().zip(faults) {
        let Some(protection) = check_drive(reader, section, fault, design) else { continue };
        let group = match protection.spare_kind {
            SpareKind::Dedicated => fault.drive / protection.group.width(),
            // Over a pool of drives some stripe has any of them together.
            SpareKind::Distributed => 0,
        };
        let together = lost.entry(group).or_default();
        together.push(fault.drive);
        let survives = protection.group.survivable_losses();
        if together.len() as u64 == u64::from(survives) + 1 {
            let all = together.iter().map(u32::to_string).collect::<Vec<_>>().join(" and ");
            let title = format!("drives {all} are lost together, and the protection survives {survives}");
            let at = reader.place(section, "drive");
            let expected = "expected a drive of another group, or more redundancy";
            reader.out.push(Diagnostic::at(&at, title, expected));
        }
    }
    reader.out.len() == before
}

/// The protection of a fault's drive, if the drive is there and holds protected data.
fn check_drive<'d>(
    reader: &mut Reader,
    section: &Section,
    fault: &Fault,
    design: &'d Design,
) -> Option<&'d Protection> {
    let at = reader.place(section, "drive");
    let Some(drives) = &design.drives else {
        let title = format!("`{}` is a drive of a design without drives", section.path_of("drive"));
        return reader.report(Diagnostic::at(&at, title, "expected [design.drives]"));
    };
    if fault.drive >= drives.count {
        let title = format!("there is no drive {}: the last one is {}", fault.drive, drives.count - 1);
        return reader.report(Diagnostic::at(&at, title, "drives are numbered from 0"));
    }
    let Some(protection) = &design.layout.protection else {
        let title =
            format!("nothing survives the loss of drive {}: the layout has no protection", fault.drive);
        let help = Some("add `protection` to [design.layout]".to_owned());
        return reader.report(Diagnostic::at(&at, title, "expected a protected layout").help(help));
    };
    let first_spare = drives.count.saturating_sub(protection.spares);
    if protection.spare_kind == SpareKind::Dedicated && fault.drive >= first_spare {
        let title = format!("drive {} is a spare: it holds no data to lose", fault.drive);
        return reader.report(Diagnostic::at(&at, title, format!("spares begin at {first_spare}")));
    }
    if fault.rebuilding().is_some() && protection.spares == 0 {
        let title = format!("fault \"{}\" rebuilds into spare room that the layout lacks", {
            values::short(&fault.name)
        });
        let help = Some("add `spares = 1` or more to [design.layout]".to_owned());
        let at = reader.place(section, "kind");
        return reader.report(Diagnostic::at(&at, title, "expected spares").help(help));
    }
    Some(protection)
}
