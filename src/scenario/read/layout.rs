//! `[design.layout]`: chunks, protection and spares, and whether the drives suit them.

use super::{Reader, Section, values};
use crate::scenario::diagnostics::Diagnostic;
use crate::scenario::model::{Append, Design, DriveKind, Drives, Layout, Protection, SpareKind};
use crate::scenario::tree::{Table, Value};
use crate::theory::protection::{Group, Scheme};

/// The schemes, in the order of the row's choices.
const SCHEMES: [Scheme; 6] = [
    Scheme::None,
    Scheme::Mirror { copies: 2 },
    Scheme::Mirror { copies: 3 },
    Scheme::Parity { parities: 1 },
    Scheme::Parity { parities: 2 },
    Scheme::Parity { parities: 3 },
];

/// Reads `[design.layout]`.
pub fn read(reader: &mut Reader, design: &Section) -> Option<Layout> {
    // Without the table every key is at its default, as in `[run]`.
    let empty = Table::default();
    let path = design.path_of("layout");
    let without = Section { path, pattern: "design.layout", table: &empty, at: None };
    let section = reader.table(design, "layout", "design.layout")?.unwrap_or(without);
    let chunk = reader.value(&section, "chunk", values::bytes);
    let scheme = reader.choice(&section, "protection", &SCHEMES);
    let width = reader.optional_count(&section, "group");
    let spares = reader.count(&section, "spares");
    let kinds = [SpareKind::Dedicated, SpareKind::Distributed];
    let spare_kind = reader.choice(&section, "spare_kind", &kinds);
    let replacement = reader.value(&section, "replacement", values::time);
    let append = append(reader, &section);
    let (scheme, width, spares, spare_kind) = (scheme?, width?, spares?, spare_kind?);
    let protection = if scheme == Scheme::None {
        for key in ["group", "spares", "spare_kind", "replacement"] {
            reader.stray(&section, key, "it goes with a `protection` other than \"none\"");
        }
        None
    } else {
        let group = group(reader, &section, scheme, width)?;
        Some(Protection { scheme, group, spares, spare_kind })
    };
    Some(Layout { chunk: chunk?, protection, append: append?, replacement: replacement? })
}

/// Where writes go, if not in place.
fn append(reader: &mut Reader, section: &Section) -> Option<Option<Append>> {
    let appends = reader.choice(section, "writes", &[false, true]);
    let reserve = reader.value(section, "reserve", values::number);
    let segment = reader.optional(section, "segment", values::bytes);
    let separate = reader.value(section, "separate", values::flag);
    if !appends? {
        for key in ["reserve", "segment", "separate"] {
            reader.stray(section, key, "it goes with `writes = \"log-structured\"`");
        }
        return Some(None);
    }
    Some(Some(Append { reserve: reserve?, segment: segment?, separate: separate? }))
}

/// Whether requests are cut for these drives.
pub fn cuts(drives: &Drives) -> bool {
    !matches!(drives.kind, DriveKind::Station { split: false, .. })
}

/// The drives of a group: stated with parity, the copies of a mirror.
fn group(reader: &mut Reader, section: &Section, scheme: Scheme, width: Option<u32>) -> Option<Group> {
    let default = match scheme {
        Scheme::Mirror { copies } => Some(copies),
        _ => None,
    };
    let Some(width) = width.or(default) else { return reader.missing(section, "group") };
    if let Some(group) = Group::new(scheme, width) {
        return Some(group);
    }
    let (needs, expected) = match scheme {
        Scheme::Parity { parities } => {
            (format!("no more than the {parities} parities of a stripe"), format!("{}", parities + 1))
        }
        Scheme::Mirror { copies } => (format!("and a mirror has {copies} copies"), copies.to_string()),
        Scheme::None => return None,
    };
    let least = if matches!(scheme, Scheme::Parity { .. }) { " at least" } else { ", or leave it out" };
    let title = format!("`{}` is {width}, {needs}", section.path_of("group"));
    let at = reader.place(section, "group");
    reader.report(Diagnostic::at(&at, title, format!("expected {expected}{least}")))
}

/// Protection needs drives that are cut for, and as many as its groups and spares take.
pub fn check(reader: &mut Reader, section: &Section, design: &Design) {
    check_append(reader, section, design);
    let Some(protection) = &design.layout.protection else { return };
    let Some(Value::Table(table)) = section.entry("layout").map(|e| &e.node.value) else { return };
    let Some(entry) = table.get("protection") else { return };
    let mut refuse = |title: String, expected: &str, help: Option<String>| {
        reader.out.push(Diagnostic::at(&entry.node.at, title, expected).help(help));
    };
    let Some(drives) = &design.drives else {
        refuse(
            "`design.layout.protection` has no drives to protect".into(),
            "expected [design.drives]",
            None,
        );
        return;
    };
    if matches!(drives.kind, DriveKind::Station { split: false, .. }) {
        let title = "`design.layout.protection` needs requests that are cut at chunk edges".to_owned();
        let help = Some("add `split = true` to [design.drives]".to_owned());
        refuse(title, "drives with a `service` take requests whole unless told", help);
        return;
    }
    let (count, spares, width) = (drives.count, protection.spares, protection.group.width());
    let Some(working) = count.checked_sub(spares).filter(|n| *n > 0) else {
        let title = format!("{spares} spares leave none of the {count} drives for data");
        refuse(title, "due with `spares`", Some("`count` is every drive, spares included".into()));
        return;
    };
    match protection.spare_kind {
        SpareKind::Dedicated if working % width != 0 => {
            let less = if spares > 0 { format!(" less {spares} spares") } else { String::new() };
            let title = format!("{count} drives{less} do not divide into groups of {width}");
            let near = |groups: u32| groups * width + spares;
            let groups = working / width;
            let counts = if groups == 0 {
                near(1).to_string()
            } else {
                format!("{} or {}", near(groups), near(groups + 1))
            };
            let help = format!("`count` may be {counts}, or `spare_kind` \"distributed\"");
            refuse(title, "due with `group` and dedicated spares", Some(help));
        }
        SpareKind::Distributed if width > working => {
            let title = format!("groups of {width} do not fit {count} drives less the room of {spares}");
            refuse(title, "due with distributed spares", None);
        }
        _ => {}
    }
}

/// Full stripes need drives that requests are cut for.
fn check_append(reader: &mut Reader, section: &Section, design: &Design) {
    let fits = design.drives.as_ref().is_some_and(cuts);
    if design.layout.append.is_none() || design.layout.protection.is_some() || fits {
        return;
    }
    let Some(entry) = section.entry("layout") else { return };
    let title = "a log-structured layout has no drives to write stripes to";
    let help = Some("[design.drives] with a `part`, or with `split = true`".to_owned());
    reader.out.push(Diagnostic::at(&entry.key_at, title, "expected [design.drives]").help(help));
}
