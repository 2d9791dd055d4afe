//! Faults against each other and against the design: what they are about is there, and what is lost at
//! one time can be given back.

use std::collections::HashMap;

use super::fault::{Read, Word};
use super::{Reader, Section, values};
use crate::scenario::diagnostics::Diagnostic;
use crate::scenario::model::{
    Design, DriveKind, FabricShape, Fault, FaultKind, Protection, Rebuilding, SpareKind,
};

/// Names occur once, a drive or port is not lost twice at one time, one rebuild runs at a time, and a
/// second loss has a first.
pub fn are_unlike(reader: &mut Reader, sections: &[Section], read: &[Read]) -> bool {
    let before = reader.out.len();
    let mut names = HashMap::new();
    for (number, (section, Read { fault, word, in_force })) in sections.iter().zip(read).enumerate() {
        if let Some(first) = names.insert(&fault.name, section) {
            let title = format!("two faults are called \"{}\"", values::short(&fault.name));
            twice(reader, (section, first), "name", title, "expected another name");
        }
        // What is not in force meets no other fault.
        let meets = |one: &Read| *in_force && one.in_force && one.fault.overlaps(fault);
        let earlier = || sections.iter().zip(read).take(number).filter(|(_, one)| meets(one));
        let same_drive = |(_, one): &(&Section, &Read)| {
            fault.lost_drive().is_some() && one.fault.lost_drive() == fault.lost_drive()
        };
        if let Some((first, _)) = earlier().find(same_drive) {
            let title = format!("drive {} is lost twice", fault.lost_drive().unwrap_or_default());
            twice(reader, (section, first), "drive", title, "expected another drive, or another time");
        }
        if let FaultKind::PortDown { port } = fault.kind
            && let Some((first, _)) = earlier().find(|(_, one)| one.fault.kind == fault.kind)
        {
            let title = format!("port {port} is down twice");
            twice(reader, (section, first), "port", title, "expected another port, or another time");
        }
        if *word == Word::Controller
            && let Some((first, _)) = earlier().find(|(_, one)| one.word == Word::Controller)
        {
            let title = "both controllers are lost at once, or one of them twice".to_owned();
            twice(reader, (section, first), "controller", title, "expected another time");
        }
        if *word == Word::Rebuilding
            && let Some((first, _)) = earlier().find(|(_, one)| one.word == Word::Rebuilding)
        {
            let title = "two drives are being rebuilt at once, which is not yet supported".to_owned();
            twice(reader, (section, first), "kind", title, "expected \"second-drive-lost\", or another time");
        }
        let is_first = |one: &Read| {
            let may_meet = one.in_force || !in_force;
            may_meet && matches!(one.word, Word::Lost | Word::Rebuilding) && one.fault.overlaps(fault)
        };
        if *word == Word::SecondLost && !read.iter().any(is_first) {
            let title = format!("fault \"{}\" is a second loss without a first", values::short(&fault.name));
            let at = reader.place(section, "kind");
            let expected = "expected \"drive-lost\", or another [[fault]] at the same time";
            reader.out.push(Diagnostic::at(&at, title, expected));
        }
    }
    reader.out.len() == before
}

fn twice(reader: &mut Reader, of: (&Section, &Section), key: &str, title: String, expected: &str) {
    let (second, first) = (reader.place(of.0, key), reader.place(of.1, key));
    reader.out.push(Diagnostic::at(&second, title, expected).also(&first, "the first one is here"));
}

/// The design has what the faults are about, and what is lost together can be given back.
pub fn fit(reader: &mut Reader, sections: &[&Section], faults: &[Fault], design: &Design) -> bool {
    let before = reader.out.len();
    let mut groups = Vec::new();
    for (section, fault) in sections.iter().zip(faults) {
        let group = match fault.kind {
            FaultKind::DriveLost { drive } | FaultKind::Rebuilding(Rebuilding { drive, .. }) => {
                lost_group(reader, section, fault, drive, design)
            }
            FaultKind::PortDown { port } => port_is_there(reader, section, port, design),
            FaultKind::UplinkNarrowed { uplink, .. } => uplink_is_there(reader, section, uplink, design),
            FaultKind::DriveLinkNarrowed { drive, .. } => drive_is_there(reader, section, drive, design)
                .and_then(|()| has_link(reader, section, design)),
            FaultKind::DriveSlow { drive, .. } => drive_is_there(reader, section, drive, design).and(None),
            FaultKind::CacheCold => has_cache(reader, section, design),
            FaultKind::ControllerLost { controller } => has_partner(reader, section, controller, design),
        };
        groups.push(group);
    }
    survive(reader, sections, faults, &groups, design);
    ports_are_left(reader, sections, faults, design);
    reader.out.len() == before
}

/// At the start of each loss, what is lost of its group is no more than the protection survives.
fn survive(
    reader: &mut Reader,
    sections: &[&Section],
    faults: &[Fault],
    groups: &[Option<u32>],
    design: &Design,
) {
    let Some(protection) = &design.layout.protection else { return };
    let survives = protection.group.survivable_losses();
    let mut reported = Vec::new();
    for (fault, group) in faults.iter().zip(groups) {
        let Some(group) = group else { continue };
        let is_along = |n: &usize| groups[*n] == Some(*group) && faults[*n].is_in_force(fault.at);
        let together: Vec<usize> = (0..faults.len()).filter(is_along).collect();
        let Some(last) = together.get(survives as usize) else { continue };
        if reported.contains(group) {
            continue;
        }
        reported.push(*group);
        let drives = together[..=survives as usize].iter().filter_map(|n| faults[*n].lost_drive());
        let all = drives.map(|drive| drive.to_string()).collect::<Vec<_>>().join(" and ");
        let title = format!("drives {all} are lost together, and the protection survives {survives}");
        let at = reader.place(sections[*last], "drive");
        let expected = "expected a drive of another group, another time, or more redundancy";
        reader.out.push(Diagnostic::at(&at, title, expected));
    }
}

/// At the start of each fault some port is up.
fn ports_are_left(reader: &mut Reader, sections: &[&Section], faults: &[Fault], design: &Design) {
    if design.ports.is_none() {
        return;
    }
    let all = design.ports_count();
    let port = |fault: &Fault| match fault.kind {
        FaultKind::PortDown { port } => Some(port),
        _ => None,
    };
    for (section, fault) in sections.iter().zip(faults).filter(|(_, fault)| port(fault).is_some()) {
        let mut down: Vec<u32> =
            faults.iter().filter(|other| other.is_in_force(fault.at)).filter_map(port).collect();
        down.sort_unstable();
        down.dedup();
        if down.len() as u64 >= u64::from(all) {
            let title = match all {
                1 => "the only port is down".to_owned(),
                count => format!("all {count} ports are down at once"),
            };
            let at = reader.place(section, "port");
            reader.out.push(Diagnostic::at(&at, title, "expected a port that is left"));
            return;
        }
    }
}

/// The protection group of a drive that is lost: the drive is there, holds data, and is protected.
fn lost_group(
    reader: &mut Reader,
    section: &Section,
    fault: &Fault,
    drive: u32,
    design: &Design,
) -> Option<u32> {
    drive_is_there(reader, section, drive, design)?;
    let count = design.drives.as_ref().map_or(0, |drives| drives.count);
    let at = reader.place(section, "drive");
    let Some(protection) = &design.layout.protection else {
        let title = format!("nothing survives the loss of drive {drive}: the layout has no protection");
        let help = Some("add `protection` to [design.layout]".to_owned());
        return reader.report(Diagnostic::at(&at, title, "expected a protected layout").help(help));
    };
    let first_spare = count.saturating_sub(protection.spares);
    if protection.spare_kind == SpareKind::Dedicated && drive >= first_spare {
        let title = format!("drive {drive} is a spare: it holds no data to lose");
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
    Some(group_of(protection, drive))
}

fn group_of(protection: &Protection, drive: u32) -> u32 {
    match protection.spare_kind {
        SpareKind::Dedicated => drive / protection.group.width(),
        // Over a pool of drives some stripe has any of them together.
        SpareKind::Distributed => 0,
    }
}

fn drive_is_there(reader: &mut Reader, section: &Section, drive: u32, design: &Design) -> Option<()> {
    let at = reader.place(section, "drive");
    let Some(drives) = &design.drives else {
        let title = format!("`{}` is a drive of a design without drives", section.path_of("drive"));
        return reader.report(Diagnostic::at(&at, title, "expected [design.drives]"));
    };
    if drive >= drives.count {
        let title = format!("there is no drive {drive}: the last one is {}", drives.count - 1);
        return reader.report(Diagnostic::at(&at, title, "drives are numbered from 0"));
    }
    Some(())
}

/// Only a drive with a datasheet has a link of its own.
fn has_link(reader: &mut Reader, section: &Section, design: &Design) -> Option<u32> {
    if let Some(DriveKind::Station { .. }) = design.drives.as_ref().map(|drives| &drives.kind) {
        let at = reader.place(section, "drive");
        let title = format!("`{}` has no link: it is a service time", section.path_of("drive"));
        let help = Some("`kind = \"drive-slow\"` makes its service longer".to_owned());
        return reader.report(Diagnostic::at(&at, title, "expected drives with a `part`").help(help));
    }
    None
}

fn port_is_there<T>(reader: &mut Reader, section: &Section, port: u32, design: &Design) -> Option<T> {
    let at = reader.place(section, "port");
    if design.ports.is_none() {
        let title = format!("`{}` is a port of a design without ports", section.path_of("port"));
        return reader.report(Diagnostic::at(&at, title, "expected [design.ports]"));
    }
    let count = design.ports_count();
    if port >= count {
        let title = format!("there is no port {port}: the last one is {}", count - 1);
        return reader.report(Diagnostic::at(&at, title, "ports are numbered from 0"));
    }
    None
}

fn uplink_is_there<T>(reader: &mut Reader, section: &Section, uplink: u32, design: &Design) -> Option<T> {
    let at = reader.place(section, "uplink");
    let Some(FabricShape::Uplinks { count, .. }) = design.fabric.as_ref().map(|fabric| &fabric.shape) else {
        let title = format!("`{}` is an uplink of a design without uplinks", section.path_of("uplink"));
        return reader.report(Diagnostic::at(&at, title, "expected [design.fabric] with `uplinks`"));
    };
    if uplink >= *count {
        let title = format!("there is no uplink {uplink}: the last one is {}", count - 1);
        return reader.report(Diagnostic::at(&at, title, "uplinks are numbered from 0"));
    }
    None
}

fn has_cache<T>(reader: &mut Reader, section: &Section, design: &Design) -> Option<T> {
    if design.cache.is_none() {
        let at = reader.place(section, "kind");
        let title = format!("`{}` empties a cache that the design lacks", section.path);
        return reader.report(Diagnostic::at(&at, title, "expected [design.cache]"));
    }
    None
}

/// There is another controller, and it is not lost too.
fn has_partner<T>(reader: &mut Reader, section: &Section, controller: u32, design: &Design) -> Option<T> {
    if design.controllers_count() == 1 {
        let at = reader.place(section, "kind");
        let title = "no controller failure is survived: there is one controller".to_owned();
        let help = Some("add [design.controllers] with `count = 2`".to_owned());
        return reader.report(Diagnostic::at(&at, title, "expected two controllers").help(help));
    }
    if controller > 1 {
        let at = reader.place(section, "controller");
        let title = format!("there is no controller {controller}: the last one is 1");
        return reader.report(Diagnostic::at(&at, title, "controllers are numbered from 0"));
    }
    None
}
