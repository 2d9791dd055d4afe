//! `[[fault]]`: what goes wrong, since when and for how long. Whether the design has what it is about,
//! and survives it, is for `fault_check`.

use super::class::name_of;
use super::{Reader, Section, fault_check, values};
use crate::scenario::diagnostics::Diagnostic;
use crate::scenario::model::{Design, Fault, FaultKind, Rebuilding};

/// What is written for a fault.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Word {
    /// A drive is lost.
    Lost,
    /// Another one is.
    SecondLost,
    /// One is being rebuilt.
    Rebuilding,
    /// A port is down.
    PortDown,
    /// A link carries less.
    Narrowed,
    /// A drive is slow.
    Slow,
    /// The cache is emptied.
    Cold,
    /// A controller is lost.
    Controller,
}

/// In the order of the row's choices.
const WORDS: [(Word, &str); 8] = [
    (Word::Lost, "drive-lost"),
    (Word::SecondLost, "second-drive-lost"),
    (Word::Rebuilding, "rebuilding"),
    (Word::PortDown, "port-down"),
    (Word::Narrowed, "link-narrowed"),
    (Word::Slow, "drive-slow"),
    (Word::Cold, "cache-cold"),
    (Word::Controller, "controller-lost"),
];

/// Keys that only some kinds take.
const TAKEN_BY: [(&str, &[Word]); 8] = [
    ("drive", &[Word::Lost, Word::SecondLost, Word::Rebuilding, Word::Slow, Word::Narrowed]),
    ("port", &[Word::PortDown]),
    ("controller", &[Word::Controller]),
    ("uplink", &[Word::Narrowed]),
    ("factor", &[Word::Narrowed, Word::Slow]),
    ("rate", &[Word::Rebuilding]),
    ("progress", &[Word::Rebuilding]),
    ("window", &[Word::Rebuilding]),
];

/// Reads every fault, those in force and those that are not. `None` if any had a mistake. Without a design they
/// are not held against it.
pub fn read_all(reader: &mut Reader, top: &Section, design: Option<&Design>) -> Option<[Vec<Fault>; 2]> {
    let sections = reader.tables(top, "fault", "fault.NAME", name_of)?;
    let mut read = Vec::new();
    for section in &sections {
        read.push(read_fault(reader, section));
    }
    let read: Option<Vec<Read>> = read.into_iter().collect();
    let read = read?;
    let are_unlike = fault_check::are_unlike(reader, &sections, &read);
    let fit = design.is_none_or(|design| all_fit(reader, &sections, &read, design));
    let faults = |in_force: bool| {
        let wanted = read.iter().filter(|one| one.in_force == in_force);
        wanted.map(|one| one.fault.clone()).collect()
    };
    (are_unlike && fit).then(|| [faults(true), faults(false)])
}

/// A fault as it was read.
pub struct Read {
    pub fault: Fault,
    pub word: Word,
    pub in_force: bool,
}

/// Those in force stand together; each other one stands by itself.
fn all_fit(reader: &mut Reader, sections: &[Section], read: &[Read], design: &Design) -> bool {
    let together = || sections.iter().zip(read).filter(|(_, one)| one.in_force);
    let faults: Vec<Fault> = together().map(|(_, one)| one.fault.clone()).collect();
    let theirs: Vec<&Section> = together().map(|(section, _)| section).collect();
    let mut fit = fault_check::fit(reader, &theirs, &faults, design);
    for (section, one) in sections.iter().zip(read).filter(|(_, one)| !one.in_force) {
        fit &= fault_check::fit(reader, &[section], std::slice::from_ref(&one.fault), design);
    }
    fit
}

fn read_fault(reader: &mut Reader, section: &Section) -> Option<Read> {
    let name = moment_name(reader, section, "fault");
    let in_force = reader.value(section, "in_force", values::flag);
    let at = reader.value(section, "at", values::time);
    let lasts = reader.optional(section, "for", values::time);
    let word = kind(reader, section)?;
    for (key, _) in TAKEN_BY.iter().filter(|(_, words)| !words.contains(&word)) {
        reader.stray(section, key, &format!("it goes with {}", kinds_that_take(key)));
    }
    let kind = match word {
        Word::Lost | Word::SecondLost => {
            due_count(reader, section, "drive").map(|drive| FaultKind::DriveLost { drive })
        }
        Word::Rebuilding => rebuilding(reader, section),
        Word::PortDown => due_count(reader, section, "port").map(|port| FaultKind::PortDown { port }),
        Word::Narrowed => narrowed(reader, section),
        Word::Slow => {
            let drive = due_count(reader, section, "drive");
            let factor = factor(reader, section, "above 1", |factor| factor > 1.0);
            drive.zip(factor).map(|(drive, factor)| FaultKind::DriveSlow { drive, factor })
        }
        Word::Cold => Some(FaultKind::CacheCold),
        Word::Controller => {
            let controller = due_count(reader, section, "controller");
            controller.map(|controller| FaultKind::ControllerLost { controller })
        }
    };
    let is_second = word == Word::SecondLost;
    let fault = Fault { name: name?, at: at?, lasts: lasts?, kind: kind?, is_second };
    Some(Read { fault, word, in_force: in_force? })
}

/// As in "`kind = "rebuilding"`".
fn kinds_that_take(key: &str) -> String {
    let takers = TAKEN_BY.iter().find(|(k, _)| *k == key).map_or(&[][..], |(_, words)| words);
    let names = WORDS.iter().filter(|(word, _)| takers.contains(word)).map(|(_, name)| format!("\"{name}\""));
    format!("`kind = {}`", names.collect::<Vec<_>>().join(" or "))
}

/// A name that no word of `during` is.
pub fn moment_name(reader: &mut Reader, section: &Section, what: &str) -> Option<String> {
    let name = reader.value(section, "name", values::text)?;
    if ["healthy", "any"].contains(&name.as_str()) {
        let title = format!("a {what} may not be called \"{name}\"");
        let at = reader.place(section, "name");
        return reader.report(Diagnostic::at(&at, title, "that word has a meaning of its own in `during`"));
    }
    Some(name)
}

fn kind(reader: &mut Reader, section: &Section) -> Option<Word> {
    reader.choice(section, "kind", &WORDS.map(|(word, _)| word))
}

/// A number that this kind cannot do without.
fn due_count(reader: &mut Reader, section: &Section, key: &str) -> Option<u32> {
    match reader.optional_count(section, key)? {
        Some(number) => Some(number),
        None => reader.missing(section, key),
    }
}

fn rebuilding(reader: &mut Reader, section: &Section) -> Option<FaultKind> {
    let drive = due_count(reader, section, "drive");
    let rate = reader.optional(section, "rate", values::rate);
    let progress = reader.value(section, "progress", values::number);
    let window = reader.count(section, "window");
    let rebuilding = Rebuilding { drive: drive?, rate: rate?, progress: progress?, window: window? };
    Some(FaultKind::Rebuilding(rebuilding))
}

fn narrowed(reader: &mut Reader, section: &Section) -> Option<FaultKind> {
    let left = factor(reader, section, "below 1", |factor| factor < 1.0);
    if reader.exclude(section, "uplink", "drive") {
        return None;
    }
    let uplink = reader.optional_count(section, "uplink");
    let drive = reader.optional_count(section, "drive");
    match (uplink?, drive?) {
        (Some(uplink), _) => left.map(|left| FaultKind::UplinkNarrowed { uplink, left }),
        (None, Some(drive)) => left.map(|left| FaultKind::DriveLinkNarrowed { drive, left }),
        (None, None) => {
            let title = format!("`{}` does not say which link is narrowed", section.path);
            reader.lacks(section, title, "expected `uplink` or `drive` here".into(), None)
        }
    }
}

/// The factor, which must lie on this side of 1.
fn factor(reader: &mut Reader, section: &Section, side: &str, is_sound: fn(f64) -> bool) -> Option<f64> {
    let Some(factor) = reader.optional(section, "factor", values::number)? else {
        return reader.missing(section, "factor");
    };
    if is_sound(factor) {
        return Some(factor);
    }
    let at = reader.place(section, "factor");
    let title = format!("`{}` is {factor}, not {side}", section.path_of("factor"));
    let expected = match side {
        "below 1" => "expected the share of the rate that is left",
        _ => "expected how many times longer it takes",
    };
    reader.report(Diagnostic::at(&at, title, expected))
}
