//! `[[class]]`.

use std::collections::HashMap;
use std::path::Path;

use super::{Reader, Section, load, shares, values};
use crate::scenario::diagnostics::Diagnostic;
use crate::scenario::model::{Class, Input, Load, Reduces, Sequential, Skew};
use crate::scenario::schema::Kind;
use crate::scenario::tree::{Origin, Table, Value};
use crate::scenario::units::print_bytes;

/// Allocated space where neither `capacity` nor `working_set` is given: a small machine.
const CAPACITY: u64 = 64 << 30;

/// Arrivals a second beyond which two fall on one picosecond.
const ARRIVALS_MAX: f64 = 1e12;

/// Reads every class. `None` if any had a mistake.
pub fn read_all(reader: &mut Reader, top: &Section, base_dir: &Path) -> Option<Vec<Class>> {
    let sections = reader.tables(top, "class", "class.NAME", name_of)?;
    if sections.is_empty() {
        let help = Some("add a table [[class]] with a name, machines, load, read and sizes".to_owned());
        return reader.lacks(top, "there is no [[class]]".into(), String::new(), help);
    }
    let mut names = HashMap::new();
    let mut classes = Vec::new();
    for (number, section) in sections.iter().enumerate() {
        let is_new = check_name(reader, section, &mut names);
        let class = read_class(reader, section, base_dir, number);
        classes.push(class.filter(|_| is_new));
    }
    classes.into_iter().collect()
}

/// What to call a class in paths: its name, or its number if it has none.
pub fn name_of(index: usize, table: &Table) -> String {
    match table.get("name").map(|e| &e.node.value) {
        Some(Value::Text(name)) if !name.is_empty() => name.clone(),
        _ => index.to_string(),
    }
}

/// Names are unique, and "all" stands for all of them in answers.
fn check_name(reader: &mut Reader, section: &Section, names: &mut HashMap<String, Origin>) -> bool {
    let Some(entry) = section.entry("name") else { return true };
    let Value::Text(name) = &entry.node.value else { return true };
    let at = &entry.node.at;
    if name == "all" {
        let title = "a class may not be called \"all\"";
        reader.out.push(Diagnostic::at(at, title, "that name stands for every class in answers"));
        return false;
    }
    if let Some(first) = names.get(name) {
        let title = format!("two classes are called \"{}\"", values::short(name));
        reader
            .out
            .push(Diagnostic::at(at, title, "expected another name").also(first, "the first one is here"));
        return false;
    }
    names.insert(name.clone(), at.clone());
    true
}

fn read_class(reader: &mut Reader, section: &Section, base_dir: &Path, number: usize) -> Option<Class> {
    let name = reader.value(section, "name", values::text);
    let machines = reader.count(section, "machines");
    let load = load::read(reader, section, base_dir);
    let is_trace = match &load {
        Some(load) => matches!(load, Load::Trace { .. }),
        // With a mistake in the load, the trace's name still tells.
        None => section
            .table
            .get("load")
            .is_some_and(|e| matches!(&e.node.value, Value::Table(t) if t.get("trace").is_some())),
    };
    let asks = if is_trace { nothing_asked(reader, section) } else { asks(reader, section) };
    let space = space(reader, section);
    let reduces = reduces(reader, section, number);
    let growth = reader.guess(section, "growth", Input::Growth(number));
    let duty = duty(reader, section, number);
    let class = build(name?, machines?, load?, asks?, space?, reduces?);
    let class = Class { growth: growth?, duty: duty?, ..class };
    check(reader, section, &class).then_some(class)
}

/// What a machine asks for, apart from when.
struct Asks {
    read: f64,
    read_sizes: Vec<(u64, f64)>,
    write_sizes: Vec<(u64, f64)>,
    sequential: Sequential,
    skew: Skew,
    extent: u64,
    align: u64,
}

/// How its blocks reduce.
fn reduces(reader: &mut Reader, section: &Section, number: usize) -> Option<Reduces> {
    let compress = reader.guess(section, "compress", Input::Compress(number));
    let spread = reader.value(section, "compress_spread", values::number);
    let stored = reader.optional_guess(section, "duplicate_stored", Input::DuplicateStored(number));
    let is_stated = section.has("duplicate_stored");
    let duplicate = if is_stated { Input::Duplicate(number) } else { Input::BothDuplicates(number) };
    let duplicate = reader.guess(section, "duplicate", duplicate);
    let duplicate = duplicate?;
    let duplicate_stored = stored?.unwrap_or(duplicate);
    Some(Reduces { compress: compress?, spread: spread?, duplicate, duplicate_stored })
}

/// Mean load of a week, as a share of the stated load.
fn duty(reader: &mut Reader, section: &Section, number: usize) -> Option<f64> {
    if reader.exclude(section, "duty", "hours") {
        return None;
    }
    let hours = mean_of(reader, section, "hours");
    let days = mean_of(reader, section, "days");
    if !section.has("days") {
        reader.left_out.note(section, "days");
    }
    let duty = reader.guess(section, "duty", Input::Duty(number));
    if section.has("hours") {
        reader.left_out.forget(section.path_of("duty"));
    }
    let days = days?.unwrap_or(1.0);
    for range in &mut reader.ranges {
        if range.input == Input::Duty(number) {
            (range.low, range.high) = (range.low * days, range.high * days);
        }
    }
    Some(hours?.unwrap_or(duty?) * days)
}

/// The mean of a list of as many numbers as its row says, if it is there.
fn mean_of(reader: &mut Reader, section: &Section, key: &str) -> Option<Option<f64>> {
    if !section.has(key) {
        return Some(None);
    }
    let numbers = reader.list(section, key, values::number)?;
    let row = section.row(key);
    let Kind::NumbersFor(_, count, _) = row.kind else { return None };
    if numbers.len() != count {
        let at = reader.place(section, key);
        let title = format!("`{}` holds {} numbers", section.path_of(key), numbers.len());
        return reader.report(Diagnostic::at(&at, title, format!("expected {}", row.kind.noun())));
    }
    Some(Some(numbers.iter().sum::<f64>() / count as f64))
}

fn build(name: String, machines: u32, load: Load, asks: Asks, space: (u64, u64), reduces: Reduces) -> Class {
    Class {
        name,
        machines,
        load,
        read: asks.read,
        read_sizes: asks.read_sizes,
        write_sizes: asks.write_sizes,
        sequential: asks.sequential,
        capacity: space.0,
        working_set: space.1,
        skew: asks.skew,
        extent: asks.extent,
        align: asks.align,
        reduces,
        growth: 0.0,
        duty: 1.0,
    }
}

/// A trace brings operations, sizes and addresses; stating them too would be a contradiction.
fn nothing_asked(reader: &mut Reader, section: &Section) -> Option<Asks> {
    let brings = [
        "read",
        "sizes",
        "read_sizes",
        "write_sizes",
        "sequential",
        "streams",
        "run_length",
        "skew",
        "extent",
        "align",
    ];
    for key in brings {
        reader.stray(section, key, "the trace brings its own");
    }
    let sequential = Sequential { share: 0.0, streams: 1, run_length: 1 << 20 };
    Some(Asks {
        read: 0.0,
        read_sizes: Vec::new(),
        write_sizes: Vec::new(),
        sequential,
        skew: Skew::Uniform,
        extent: 1 << 20,
        align: 4096,
    })
}

fn asks(reader: &mut Reader, section: &Section) -> Option<Asks> {
    let read = reader.value(section, "read", values::number);
    let sizes = both_sizes(reader, section, read);
    let share = reader.value(section, "sequential", values::number);
    let streams = reader.count(section, "streams");
    let run_length = reader.value(section, "run_length", values::bytes);
    let skew = shares::skew(reader, section);
    let extent = reader.value(section, "extent", values::bytes);
    let align = reader.value(section, "align", values::bytes);
    let (read_sizes, write_sizes) = sizes?;
    let sequential = Sequential { share: share?, streams: streams?, run_length: run_length? };
    Some(Asks {
        read: read?,
        read_sizes,
        write_sizes,
        sequential,
        skew: skew?,
        extent: extent?,
        align: align?,
    })
}

type Sizes = Vec<(u64, f64)>;

/// `sizes` for both operations, or one key for each operation that occurs.
fn both_sizes(reader: &mut Reader, section: &Section, read: Option<f64>) -> Option<(Sizes, Sizes)> {
    if ["read_sizes", "write_sizes"].iter().any(|key| reader.exclude(section, "sizes", key)) {
        return None;
    }
    let (reads, writes) =
        (shares::sizes(reader, section, "read_sizes"), shares::sizes(reader, section, "write_sizes"));
    if !section.has("read_sizes") && !section.has("write_sizes") {
        return match shares::sizes(reader, section, "sizes")? {
            Some(sizes) => Some((sizes.clone(), sizes)),
            None => reader.missing(section, "sizes"),
        };
    }
    match (reads?, writes?) {
        (Some(reads), Some(writes)) => Some((reads, writes)),
        // The operation that does not occur needs no sizes; the other's stand in for them.
        (Some(reads), None) if read == Some(1.0) => Some((reads.clone(), reads)),
        (None, Some(writes)) if read == Some(0.0) => Some((writes.clone(), writes)),
        (Some(_), None) => reader.missing(section, "write_sizes"),
        _ => reader.missing(section, "read_sizes"),
    }
}

/// Capacity and working set of a machine; each is the other's default.
fn space(reader: &mut Reader, section: &Section) -> Option<(u64, u64)> {
    let capacity = reader.optional(section, "capacity", values::bytes);
    let working_set = reader.optional(section, "working_set", values::bytes);
    let (given_capacity, given_set) = (capacity?, working_set?);
    let capacity = given_capacity.or(given_set).unwrap_or(CAPACITY);
    let working_set = given_set.unwrap_or(capacity);
    if working_set <= capacity {
        return Some((capacity, working_set));
    }
    let at = reader.place(section, "working_set");
    let title = format!(
        "`{}` is {}, above its capacity of {}",
        section.path_of("working_set"),
        print_bytes(working_set),
        print_bytes(capacity)
    );
    let capacity_at = reader.place(section, "capacity");
    reader.report(
        Diagnostic::at(&at, title, "expected the capacity at most")
            .also(&capacity_at, "the capacity is here"),
    )
}

/// What only the whole class can tell. False if there was a mistake.
fn check(reader: &mut Reader, section: &Section, class: &Class) -> bool {
    let before = reader.out.len();
    let largest = class.read_sizes.iter().chain(&class.write_sizes).map(|s| s.0).max().unwrap_or(0);
    if largest > class.working_set {
        let key = if section.has("working_set") { "working_set" } else { "capacity" };
        let at = reader.place(section, key);
        let title = format!(
            "a request of {} does not fit the working set of {}",
            print_bytes(largest),
            print_bytes(class.working_set)
        );
        reader.out.push(Diagnostic::at(&at, title, "expected room for the largest request"));
    }
    let allocated = class.capacity.checked_mul(u64::from(class.machines)).filter(|b| *b < 1 << 63);
    if allocated.is_none() {
        let at = reader.place(section, "machines");
        let title =
            format!("{} machines of {} are more than 8 EiB", class.machines, print_bytes(class.capacity));
        reader.out.push(Diagnostic::at(&at, title, "expected less in all"));
    }
    if let Load::Open { rate, .. } = class.load {
        let total = rate * f64::from(class.machines);
        if total > ARRIVALS_MAX {
            let at = reader.place(section, "load");
            let title = format!("`{}` asks for {total:e} requests a second in all", section.path);
            let expected = "above one a picosecond, the clock's resolution";
            reader.out.push(Diagnostic::at(&at, title, expected));
        }
    }
    reader.out.len() == before
}
