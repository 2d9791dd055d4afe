//! Keys of which the default was taken, noted by the getters of `reader` as they take it, so that the list cannot say
//! anything but what was read.
//!
//! What was taken and has no effect is left out at the end: keys that would be refused if they were there (`stray`
//! forgets them), and those that another part of the scenario makes idle (`has_effect`).

use std::collections::{HashMap, HashSet};

use super::layout::cuts;
use super::reader::{Section, joined};
use crate::scenario::defaults::{Defaults, KeyAtDefault};
use crate::scenario::model::{
    Auto, Class, Design, FabricShape, FaultKind, Interface, Reduction, Scenario, Skew,
};
use crate::scenario::schema::{Default as Otherwise, ROWS, Row, parent_and_key};

/// What was noted so far.
#[derive(Default)]
pub struct LeftOut {
    noted: Vec<Noted>,
    /// Paths of keys and tables that do not count.
    forgotten: HashSet<String>,
    /// By path: what came of a default in this scenario.
    settled: HashMap<String, String>,
}

/// A key of which the default was taken.
struct Noted {
    /// Path of its table.
    table: String,
    /// The same as in the table of keys.
    pattern: &'static str,
    row: &'static Row,
}

impl Noted {
    fn key(&self) -> &'static str {
        parent_and_key(self.row.path).1
    }
}

impl LeftOut {
    /// The default of this key is taken, if it has one.
    pub fn note(&mut self, section: &Section, key: &str) {
        let row = section.row(key);
        if matches!(row.default, Otherwise::Value(_) | Otherwise::Words(_)) {
            self.noted.push(Noted { table: section.path.clone(), pattern: section.pattern, row });
        }
    }

    /// A key, or a table with all its keys, has no effect in this scenario.
    pub fn forget(&mut self, path: String) {
        self.forgotten.insert(path);
    }

    /// What became of a default that depends on the rest of the scenario.
    pub fn settle(&mut self, path: String, value: String) {
        self.settled.insert(path, value);
    }

    /// Keys at their default in a scenario that was read, one line for a list whose tables all leave a key out.
    pub fn of(mut self, scenario: &Scenario) -> Defaults {
        for class in &scenario.classes {
            let table = joined("class", &class.name);
            let idle = idle_of(class, &scenario.design);
            self.forgotten.extend(idle.map(|key| joined(&table, key)));
        }
        let part = scenario.design.drives.as_ref().and_then(|drives| drives.kind.part_name());
        let part = part.map(|name| joined("parts", name));
        // Parts that the file describes and the design does not use have no effect.
        let is_used = |noted: &Noted| noted.pattern != "parts.NAME" || part.as_ref() == Some(&noted.table);
        let mut seen = HashSet::new();
        let mut kept: Vec<(Noted, String)> = Vec::new();
        for noted in self.noted {
            let path = joined(&noted.table, noted.key());
            let counts = !self.forgotten.contains(&path) && !self.forgotten.contains(&noted.table);
            // Dates are read twice.
            if counts && is_used(&noted) && has_effect(noted.row.path, scenario) && seen.insert(path.clone())
            {
                kept.push((noted, path));
            }
        }
        // In the order in which a scenario is written, wherever a part was read.
        let order: HashMap<&str, usize> = ROWS.iter().enumerate().map(|(at, row)| (row.path, at)).collect();
        kept.sort_by_key(|(noted, _)| order.get(noted.row.path));
        Defaults(folded(kept, scenario, &self.settled))
    }
}

/// A line for each key, or one for all tables of a list.
fn folded(
    kept: Vec<(Noted, String)>,
    scenario: &Scenario,
    settled: &HashMap<String, String>,
) -> Vec<KeyAtDefault> {
    let of_all: Vec<Option<String>> = kept.iter().map(|(noted, _)| of_all_tables(noted)).collect();
    let mut times: HashMap<&str, usize> = HashMap::new();
    for path in of_all.iter().flatten() {
        *times.entry(path).or_default() += 1;
    }
    let mut said = HashSet::new();
    let mut lines = Vec::new();
    for ((noted, path), of_all) in kept.into_iter().zip(&of_all) {
        let all = tables_of(noted.pattern, scenario);
        let of_all = of_all.as_ref().filter(|of_all| all > 1 && times.get(of_all.as_str()) == Some(&all));
        if of_all.is_some_and(|of_all| !said.insert(of_all)) {
            continue;
        }
        let (Otherwise::Value(stated) | Otherwise::Words(stated)) = noted.row.default else { continue };
        let value = match settled.get(&path) {
            Some(here) => format!("{stated} ({here} here)"),
            None => stated.to_owned(),
        };
        lines.push(KeyAtDefault { key: of_all.cloned().unwrap_or(path), value, source: noted.row.source });
    }
    lines
}

/// `class.*.load.speed` for `class.NAME.load` and its `speed`; nothing for what is in no list.
fn of_all_tables(noted: &Noted) -> Option<String> {
    let table = match noted.pattern {
        "objective" => "objective.*".to_owned(),
        pattern if pattern.starts_with("parts.") => return None,
        pattern => pattern.contains("NAME").then(|| pattern.replacen("NAME", "*", 1))?,
    };
    Some(joined(&table, noted.key()))
}

/// Tables in the list that a pattern is of; none if it is of no list.
fn tables_of(pattern: &str, scenario: &Scenario) -> usize {
    match pattern.split('.').next() {
        Some("class") => scenario.classes.len(),
        Some("objective") => scenario.objectives.len() + scenario.what_if.objectives.len(),
        Some("fault") => scenario.faults.len() + scenario.what_if.faults.len(),
        Some("phase") => scenario.phases.len(),
        _ => match scenario.design.fabric.as_ref().map(|fabric| &fabric.shape) {
            Some(FabricShape::Tree(links)) => links.len(),
            _ => 0,
        },
    }
}

/// Keys of a class that another key of it makes idle.
fn idle_of(class: &Class, design: &Design) -> impl Iterator<Item = &'static str> {
    let is_scattered = class.skew != Skew::Uniform || design.cache.is_some();
    [
        (class.sequential.share == 0.0, "streams"),
        (class.sequential.share == 0.0, "run_length"),
        (class.reduces.compress == 1.0, "compress_spread"),
        (!is_scattered, "extent"),
    ]
    .into_iter()
    .filter_map(|(is_idle, key)| is_idle.then_some(key))
}

/// Whether a key, by its path in the table of keys, does anything in this scenario. Whoever adds a key that only works
/// beside another one adds a line.
fn has_effect(key: &str, scenario: &Scenario) -> bool {
    let design = &scenario.design;
    let reduces = |how: fn(&Reduction) -> bool| design.reduction.as_ref().is_some_and(how);
    match key {
        "run.length_max" => scenario.run.length == Auto::Auto,
        "run.series" => scenario.is_dated(),
        "design.ports.spread" => design.ports_count() > 1,
        "design.ports.lanes" => design.fabric.as_ref().is_some_and(|fabric| fabric.lanes.is_some()),
        "design.cpu.parity" | "design.cpu.reconstruct" => {
            design.layout.protection.as_ref().is_some_and(|protection| protection.group.data() > 1)
        }
        "design.cpu.compress"
        | "design.cpu.decompress"
        | "design.cache.holds"
        | "class.NAME.compress"
        | "class.NAME.compress_spread" => reduces(|reduction| reduction.compress),
        "design.cpu.fingerprint"
        | "design.reduction.index_entry"
        | "class.NAME.duplicate"
        | "class.NAME.duplicate_stored" => reduces(|reduction| reduction.deduplicate),
        "design.controllers.failover" => {
            let mut faults = scenario.faults.iter().chain(&scenario.what_if.faults);
            faults.any(|fault| matches!(fault.kind, FaultKind::ControllerLost { .. }))
        }
        "design.fabric.max_payload" => has_pcie(design),
        layout if layout.starts_with("design.layout.") => design.drives.as_ref().is_some_and(cuts),
        _ => true,
    }
}

/// Whether a link of the design speaks PCIe.
fn has_pcie(design: &Design) -> bool {
    let is_pcie = |interface: Interface| matches!(interface, Interface::Pcie { .. });
    let links = match design.fabric.as_ref().map(|fabric| &fabric.shape) {
        Some(FabricShape::Tree(links)) => links.iter().any(|link| is_pcie(link.link)),
        Some(FabricShape::Uplinks { link, .. }) => is_pcie(*link),
        _ => false,
    };
    let drives = design.drives.as_ref().and_then(|drives| drives.kind.interface());
    let partner = design.controllers.as_ref().and_then(|controllers| controllers.partner);
    links || drives.is_some_and(is_pcie) || partner.is_some_and(|(link, _)| is_pcie(link))
}
