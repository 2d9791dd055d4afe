//! `[design.fabric]`: how drives hang off the processor, and the lanes that takes.
//!
//! Of a tree each link names the one above it; a link without a parent hangs on the processor. Every drive
//! must hang on exactly one link, so that a message knows its way.

use super::{Reader, Section, values};
use crate::scenario::diagnostics::Diagnostic;
use crate::scenario::lanes::LaneTaker;
use crate::scenario::model::{Deal, Design, Fabric, FabricShape, TreeLink};
use crate::scenario::spelling::nearest;
use crate::scenario::tree::{Origin, Value};

/// The shapes, in the order of the row's choices.
#[derive(Clone, Copy, PartialEq, Eq)]
enum Shape {
    Direct,
    Uplinks,
    Tree,
}

/// Reads `[design.fabric]`; `drives` is their number, where it is known.
pub fn read(reader: &mut Reader, design: &Section) -> Option<Option<Fabric>> {
    let Some(section) = reader.table(design, "fabric", "design.fabric")? else { return Some(None) };
    if !design.has("drives") {
        let title = "`design.fabric` leads to no drives".to_owned();
        let help = Some("add [design.drives], or leave out [design.fabric]".to_owned());
        let _ = reader.lacks::<()>(&section, title, "expected [design.drives] too".into(), help);
    }
    let shape = reader.choice(&section, "shape", &[Shape::Direct, Shape::Uplinks, Shape::Tree]);
    let max_payload = reader.value(&section, "max_payload", values::bytes);
    let lanes = reader.optional_count(&section, "lanes");
    // A tree is read whatever the shape: its mistakes are mistakes all the same.
    let links = links(reader, &section);
    if shape.is_some_and(|shape| shape != Shape::Uplinks) {
        for key in ["uplinks", "link", "hop", "deal"] {
            reader.stray(&section, key, "it goes with `shape = \"uplinks\"`");
        }
    }
    if shape.is_some_and(|shape| shape != Shape::Tree) {
        reader.stray(&section, "links", "it goes with `shape = \"tree\"`");
    }
    let shape = match shape? {
        Shape::Direct => FabricShape::Direct,
        Shape::Uplinks => {
            let count = reader.count(&section, "uplinks");
            let link = reader.value(&section, "link", values::link);
            let hop = reader.value(&section, "hop", values::time);
            let deal = reader.choice(&section, "deal", &[Deal::Round, Deal::Blocks]);
            FabricShape::Uplinks { count: count?, link: link?, hop: hop?, deal: deal? }
        }
        Shape::Tree => match links? {
            Some(links) => FabricShape::Tree(links),
            None => {
                let help = "add [design.fabric.links.NAME] with `link` and `drives`, once for each link";
                let title = "`design.fabric.links` is missing".to_owned();
                let due = "due with `shape = \"tree\"`".to_owned();
                return reader.lacks(&section, title, due, Some(help.to_owned()));
            }
        },
    };
    Some(Some(Fabric { shape, max_payload: max_payload? as u32, lanes: lanes? }))
}

/// One link as it was written.
struct Written {
    link: TreeLink,
    /// Name of its parent and where it stands.
    parent: Option<(String, Origin)>,
    at: Origin,
}

/// The links of the tree, parents first. `Some(None)` if there are none.
fn links(reader: &mut Reader, fabric: &Section) -> Option<Option<Vec<TreeLink>>> {
    let Some(entry) = fabric.entry("links") else { return Some(None) };
    let Value::Table(table) = &entry.node.value else {
        let title = format!("`design.fabric.links` is {}, not tables with names", entry.node.value.noun());
        return reader.report(Diagnostic::at(&entry.key_at, title, "expected [design.fabric.links.NAME]"));
    };
    let pattern = "design.fabric.links";
    let above = Section { path: pattern.into(), pattern, table, at: Some(entry.key_at.clone()) };
    let mut written = Vec::new();
    for entry in table.entries() {
        written.push(link(reader, &above, &entry.key));
    }
    let written: Vec<Written> = written.into_iter().collect::<Option<_>>()?;
    if written.is_empty() {
        return Some(None);
    }
    sorted(reader, written).map(Some)
}

fn link(reader: &mut Reader, above: &Section, name: &str) -> Option<Written> {
    let entry = above.entry(name)?;
    // A name becomes part of the names of stations.
    let is_plain = |c: char| c.is_ascii_alphanumeric() || matches!(c, '-' | '_');
    if name.is_empty() || name.len() > 64 || name == "hop" || !name.chars().all(is_plain) {
        let title = format!("{} is no name of a link", values::short(&format!("{name:?}")));
        let expected = "expected letters, digits, - and _, and not \"hop\"";
        return reader.report(Diagnostic::at(&entry.key_at, title, expected));
    }
    let Value::Table(table) = &entry.node.value else {
        let title = format!("`{}` is {}, not a table", above.path_of(name), entry.node.value.noun());
        let help = format!("a link is a table of its own: [design.fabric.links.{name}]");
        return reader.report(Diagnostic::at(&entry.key_at, title, "expected a table").help(help));
    };
    let (path, at) = (above.path_of(name), entry.key_at.clone());
    let section = Section { path, pattern: "design.fabric.links.NAME", table, at: Some(at.clone()) };
    reader.check_keys(&section);
    let link = reader.value(&section, "link", values::link);
    let parent = reader.optional(&section, "parent", values::text);
    let drives = match section.has("drives") {
        true => first_and_last(reader, &section),
        false => {
            reader.left_out.note(&section, "drives");
            Some(0..0)
        }
    };
    let hop = reader.value(&section, "hop", values::time);
    let parent = parent?.map(|name| (name, reader.place(&section, "parent")));
    let link = TreeLink { name: name.to_owned(), link: link?, parent: None, hop: hop?, drives: drives? };
    Some(Written { link, parent, at })
}

/// The drives from a first to a last number.
fn first_and_last(reader: &mut Reader, section: &Section) -> Option<std::ops::Range<u32>> {
    let numbers = reader.list(section, "drives", values::whole)?;
    let at = reader.place(section, "drives");
    let path = section.path_of("drives");
    match numbers[..] {
        // The row's range fits 32 bits.
        [first, last] if first <= last => Some(first as u32..last as u32 + 1),
        [first, last] => {
            let title = format!("`{path}` begins at {first}, after its end at {last}");
            let help = format!("did you mean [{last}, {first}]?");
            reader.report(
                Diagnostic::at(&at, title, "expected the first number, then the last").help(Some(help)),
            )
        }
        _ => {
            let title = format!("`{path}` holds {} numbers, not two", numbers.len());
            let expected = "expected the first and the last number, as in [0, 7]";
            reader.report(Diagnostic::at(&at, title, expected))
        }
    }
}

/// The links in an order in which each stands after its parent.
fn sorted(reader: &mut Reader, written: Vec<Written>) -> Option<Vec<TreeLink>> {
    let before = reader.out.len();
    let names: Vec<String> = written.iter().map(|w| w.link.name.clone()).collect();
    let place = |name: &str| names.iter().position(|n| n == name);
    for w in &written {
        let Some((parent, at)) = &w.parent else { continue };
        if place(parent).is_none() {
            let near = nearest(parent, names.iter().map(String::as_str).filter(|n| *n != w.link.name));
            let title = format!("there is no link \"{}\" to hang on", values::short(parent));
            let help = near.map(|near| format!("did you mean \"{near}\"?"));
            let expected = "expected a name of [design.fabric.links]";
            reader.out.push(Diagnostic::at(at, title, expected).help(help));
        }
    }
    if reader.out.len() > before {
        return None;
    }
    let mut sorted: Vec<TreeLink> = Vec::new();
    let mut left: Vec<&Written> = written.iter().collect();
    while !left.is_empty() {
        let sorted_before = sorted.len();
        left.retain(|w| {
            let parent = match &w.parent {
                None => None,
                Some((name, _)) => match sorted.iter().position(|link| link.name == *name) {
                    Some(place) => Some(place),
                    None => return true,
                },
            };
            sorted.push(TreeLink { parent, ..w.link.clone() });
            false
        });
        if sorted.len() == sorted_before {
            return cycle(reader, &left);
        }
    }
    Some(sorted)
}

/// What is left of a tree when no link hangs on anything that leads to the processor.
fn cycle<T>(reader: &mut Reader, left: &[&Written]) -> Option<T> {
    let named = |name: &str| left.iter().find(|w| w.link.name == name);
    // From any of them the way up runs into a ring; the first one that is met twice is on it.
    let mut way: Vec<&Written> = Vec::new();
    let mut at = left.first()?;
    while !way.iter().any(|w| w.link.name == at.link.name) {
        way.push(at);
        at = named(&at.parent.as_ref()?.0)?;
    }
    let from = way.iter().position(|w| w.link.name == at.link.name)?;
    let through: Vec<String> = way[from + 1..].iter().map(|w| format!("\"{}\"", w.link.name)).collect();
    let through = match through.is_empty() {
        true => String::new(),
        false => format!(" through {}", through.join(", ")),
    };
    let title = format!("link \"{}\" hangs on itself{through}", at.link.name);
    let help = "a link without `parent` hangs on the processor".to_owned();
    reader.report(Diagnostic::at(&at.at, title, "expected a way up to the processor").help(Some(help)))
}

/// Holds a tree against the drives, and lanes against their budget.
pub fn check(reader: &mut Reader, section: &Section, design: &Design) {
    check_drives(reader, section, design);
    check_lanes(reader, section, design);
}

/// Every drive of a tree hangs on exactly one link, and there are no others.
fn check_drives(reader: &mut Reader, section: &Section, design: &Design) {
    let (Some(fabric), Some(drives)) = (&design.fabric, &design.drives) else { return };
    let FabricShape::Tree(links) = &fabric.shape else { return };
    let mut holder: Vec<Option<&TreeLink>> = vec![None; drives.count as usize];
    for link in links {
        if link.drives.end > drives.count {
            let last = link.drives.end - 1;
            let title = format!("there is no drive {last}: the last one is {}", drives.count - 1);
            refuse(reader, section, &link.name, title, "drives are numbered from 0");
            continue;
        }
        let mut is_told = false;
        for drive in link.drives.clone() {
            if let Some(other) = holder[drive as usize].replace(link)
                && !std::mem::replace(&mut is_told, true)
            {
                let title = format!("drive {drive} hangs on \"{}\" and on \"{}\"", other.name, link.name);
                refuse(reader, section, &link.name, title, "expected drives of no other link");
            }
        }
    }
    let lacking: Vec<usize> = (0..holder.len()).filter(|drive| holder[*drive].is_none()).collect();
    let out_of_range = links.iter().any(|link| link.drives.end > drives.count);
    if let (Some(first), false) = (lacking.first(), out_of_range) {
        let more = match lacking.len() {
            1 => String::new(),
            2 => ", nor does 1 other".into(),
            n => format!(", nor do {} others", n - 1),
        };
        let title = format!("drive {first} hangs on no link{more}");
        let Some(entry) = section.entry("fabric") else { return };
        let help = format!("`drives = [{first}, …]` of the link that it hangs on");
        let expected = format!("all {} drives are due on a link", drives.count);
        reader.out.push(Diagnostic::at(&entry.key_at, title, expected).help(Some(help)));
    }
}

/// Reports at the drives of a link.
fn refuse(reader: &mut Reader, design: &Section, link: &str, title: String, expected: &str) {
    let mut at = Origin::new(0, 0..0);
    let mut table = Some(design.table);
    for key in ["fabric", "links", link, "drives"] {
        let Some(entry) = table.and_then(|table| table.get(key)) else { break };
        at = entry.node.at.clone();
        table = match &entry.node.value {
            Value::Table(table) => Some(table),
            _ => None,
        };
    }
    reader.out.push(Diagnostic::at(&at, title, expected));
}

/// Lanes that are taken against the processor's budget.
fn check_lanes(reader: &mut Reader, section: &Section, design: &Design) {
    let Some(fabric) = &design.fabric else { return };
    let Some(budget) = fabric.lanes else { return };
    let takers = design.lane_takers();
    let due: u64 = takers.iter().map(LaneTaker::lanes).sum();
    if due <= u64::from(budget) {
        return;
    }
    let Some(entry) = section.entry("fabric") else { return };
    let words: Vec<String> =
        takers.iter().map(|t| format!("{} {} of {} lanes", t.count, t.what, t.each)).collect();
    let sum = match takers.len() {
        1 => due.to_string(),
        _ => {
            let each: Vec<String> = takers.iter().map(|taker| taker.lanes().to_string()).collect();
            format!("{} = {due}", each.join(" + "))
        }
    };
    let title = format!("{} are {sum} lanes, above the budget of {budget}", words.join(" and "));
    reader.out.push(Diagnostic::at(&entry.key_at, title, "`lanes` is the budget"));
}
