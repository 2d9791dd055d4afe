//! From the tree to the checked scenario.
//!
//! The sections of a scenario are read in files of their own, all of them even after a mistake, over
//! the getters of `reader`.

mod class;
mod dated;
mod design;
mod fabric;
mod fault;
mod fault_check;
mod law;
mod layout;
mod left_out;
mod load;
mod objective;
mod parts;
mod phase;
mod reader;
mod rotating;
mod run;
mod shares;
pub mod values;
mod writeback;

use std::path::Path;

use super::defaults::Defaults;
use super::diagnostics::Diagnostics;
use super::model::{Objective, Scenario, WhatIf};
use super::tree::{Node, Table, Value};
pub use left_out::LeftOut;
pub use reader::{Convert, Reader, Section};
pub use values::short;

/// The path under which the keys of a law are found in the schema.
const LAW: &str = "TIME";

/// What is known of a scenario before it is read.
pub struct Context<'a> {
    /// The file's name, for a default title.
    pub file_name: &'a str,
    /// Where the names of files begin.
    pub base_dir: &'a Path,
    /// Hash of text and overrides.
    pub digest: String,
}

/// Reads the whole tree. Mistakes go to `out`; without any, there is a scenario.
pub fn read(root: &Table, context: Context<'_>, out: &mut Diagnostics) -> Option<Scenario> {
    let mut reader = Reader { out, ranges: Vec::new(), left_out: LeftOut::default() };
    let top = Section { path: String::new(), pattern: "", table: root, at: None };
    reader.check_keys(&top);
    let title = reader.optional(&top, "title", values::text);
    let mut run = run::read(&mut reader, &top);
    let parts = parts::read(&mut reader, &top);
    let design = design::read(&mut reader, &top, &parts);
    let classes = class::read_all(&mut reader, &top, context.base_dir);
    let objectives = objective::read_all(&mut reader, &top, classes.as_deref());
    let faults = fault::read_all(&mut reader, &top, design.as_ref());
    let phases = phase::read_all(&mut reader, &top, classes.as_deref());
    if let (Some(run), Some(faults), Some(phases)) = (&mut run, &faults, &phases) {
        dated::settle(&mut reader, &top, run, &faults[0], phases);
    }
    if !reader.out.is_empty() {
        return None;
    }
    let stem = Path::new(context.file_name).file_stem().map(|s| s.to_string_lossy().into_owned());
    let [faults, left_out] = faults?;
    let is_left_out = |o: &Objective| left_out.iter().any(|fault| fault.name == o.during);
    let (about_left_out, objectives) = objectives?.into_iter().partition(is_left_out);
    let mut scenario = Scenario {
        title: title?.or(stem).unwrap_or_default(),
        digest: context.digest,
        run: run?,
        design: design?,
        classes: classes?,
        objectives,
        what_if: WhatIf { objectives: about_left_out, faults: left_out },
        faults,
        phases: phases?,
        ranges: reader.ranges,
        defaults: Defaults::default(),
    };
    scenario.defaults = reader.left_out.of(&scenario);
    Some(scenario)
}

/// The name of a class, by its node.
pub fn class_name_of(node: &Node) -> Option<&str> {
    let Value::Table(table) = &node.value else { return None };
    match table.get("name").map(|e| &e.node.value) {
        Some(Value::Text(name)) => Some(name),
        _ => None,
    }
}

/// Whether a text is a value that its row takes; for tests of the table: its examples and defaults are
#[cfg(test)]
fn takes(row: &super::schema::Row, text: &str) -> Result<(), String> {
    use super::schema::Kind;
    use super::tree::read_value;
    use values::Problem;
    let node = read_value(text, 0, 0)?;
    let shown = |p: Problem| format!("{p:?}");
    match &row.kind {
        Kind::Text | Kind::File => values::text(row, &node, text).map(|_| ()).map_err(shown),
        Kind::Whole(_) => values::whole(row, &node, text).map(|_| ()).map_err(shown),
        Kind::Number(_) | Kind::NumberOrRange(_) | Kind::QuantityOrRange(..) => match &node.value {
            Value::List(items) if row.kind.is_guess() => {
                (items.len() == 2).then_some(()).ok_or("not two".into())
            }
            _ if row.kind.dimension().is_some() => values::rate(row, &node, text).map(|_| ()).map_err(shown),
            _ => values::number(row, &node, text).map(|_| ()).map_err(shown),
        },
        Kind::Flag => values::flag(row, &node, text).map(|_| ()).map_err(shown),
        Kind::Quantity(super::units::Dimension::Time, ..) => {
            values::time(row, &node, text).map(|_| ()).map_err(shown)
        }
        Kind::Quantity(super::units::Dimension::Bytes, ..) | Kind::PowerOfTwoBytes(..) => {
            values::bytes(row, &node, text).map(|_| ()).map_err(shown)
        }
        Kind::Quantity(..) => values::rate(row, &node, text).map(|_| ()).map_err(shown),
        Kind::AutoTime(..) => values::auto_time(row, &node, text).map(|_| ()).map_err(shown),
        Kind::Choice(_) => values::choice(row, &node, text).map(|_| ()).map_err(shown),
        Kind::Link => values::link(row, &node, text).map(|_| ()).map_err(shown),
        Kind::ChoiceOrTable(_) => match node.value {
            Value::Table(_) => Ok(()),
            _ => values::choice(row, &node, text).map(|_| ()).map_err(shown),
        },
        // Tables and lists are read by their sections; that they are of that kind is all to say here.
        Kind::Law(..) | Kind::Sizes(_) => {
            matches!(node.value, Value::Table(_) | Value::Text(_)).then_some(()).ok_or("neither".into())
        }
        Kind::Texts(_)
        | Kind::Bands
        | Kind::Times(_)
        | Kind::Numbers(_)
        | Kind::NumbersFor(..)
        | Kind::FirstLast(_) => matches!(node.value, Value::List(_)).then_some(()).ok_or("no list".into()),
        Kind::Table | Kind::Tables | Kind::NamedTables => Ok(()),
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::scenario::schema::{Default, ROWS};

    #[test]
    fn every_default_and_example_of_the_table_is_accepted_by_its_row() {
        for row in ROWS {
            if let Default::Value(text) = row.default {
                assert_eq!(takes(row, text), Ok(()), "default of {}", row.path);
            }
            if !row.example.is_empty() {
                assert_eq!(takes(row, row.example), Ok(()), "example of {}", row.path);
            }
        }
    }

    #[test]
    fn every_range_of_the_table_has_ends_in_its_unit() {
        for row in ROWS {
            let Some(range) = row.kind.range() else { continue };
            let (low, high) = values::ends(&row.kind, range);
            assert!(low < high && low.is_finite() && high.is_finite(), "{}", row.path);
        }
    }
}
