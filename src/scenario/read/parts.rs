//! `[parts.NAME]`: drives by their datasheets, of the file and of the catalogue.
//!
//! Ratings that contradict each other are refused by name: no simulation could return them.

use super::{Reader, Section, rotating, values};
use crate::scenario::diagnostics::Diagnostic;
use crate::scenario::model::{
    DriveKind, Input, Interface, Mixed, Part, Rating, ReadTail, Rotating, Uncertain, Upkeep,
};
use crate::scenario::tree::{Origin, Table, Value};
use crate::scenario::units::{Dimension, print};

/// Commands that a SATA drive takes at once (Serial ATA specification, native command queuing).
const SATA_DEPTH: u32 = 32;

/// A part that the file describes.
pub struct FilePart<'t> {
    /// Its name.
    pub name: &'t str,
    /// The part, if it was read without a mistake.
    pub part: Option<ReadPart>,
    section: Section<'t>,
}

/// A part, what is known of it beside its performance, and what of that was given as a range.
pub type ReadPart = (DriveKind, Upkeep, Vec<Uncertain>);

/// Reads every part of the file, used or not.
pub fn read<'t>(reader: &mut Reader, top: &Section<'t>) -> Vec<FilePart<'t>> {
    let Some(entry) = top.entry("parts") else { return Vec::new() };
    let Value::Table(parts) = &entry.node.value else {
        let title = format!("`parts` is {}, not tables with names", entry.node.value.noun());
        reader.out.push(Diagnostic::at(&entry.key_at, title, "expected [parts.NAME]"));
        return Vec::new();
    };
    let above = Section { path: "parts".into(), pattern: "parts", table: parts, at: None };
    let mut list = Vec::new();
    for entry in parts.entries() {
        let path = above.path_of(&entry.key);
        let Value::Table(table) = &entry.node.value else {
            let title = format!("`{path}` is {}, not a table", entry.node.value.noun());
            let help = format!("a part is a table of its own: [parts.NAME] and then `{} = …`", entry.key);
            reader.out.push(Diagnostic::at(&entry.key_at, title, "expected the name of a part").help(help));
            continue;
        };
        let section = Section { path, pattern: "parts.NAME", table, at: Some(entry.key_at.clone()) };
        reader.check_keys(&section);
        let part = read_whole(reader, &section, &entry.key);
        list.push(FilePart { name: &entry.key, part, section });
    }
    list
}

/// Checks the sequential ratings of the file's parts against what their interfaces carry.
pub fn check_interfaces(reader: &mut Reader, file_parts: &[FilePart], max_payload: u32) {
    for file_part in file_parts {
        if let Some((part, ..)) = &file_part.part {
            check_interface(reader, part, max_payload, |reader, key| reader.place(&file_part.section, key));
        }
    }
}

/// Reads a part of the catalogue. The catalogue is tested, so that only a bug of ours reports here.
pub fn read_catalogue(reader: &mut Reader, name: &str, table: &Table) -> Option<ReadPart> {
    let path = format!("parts.{name}");
    let section = Section { path, pattern: "parts.NAME", table, at: None };
    reader.check_keys(&section);
    read_whole(reader, &section, name)
}

/// A part with its upkeep. What of it is a range counts only if the design has the part: it is handed out, not kept.
fn read_whole(reader: &mut Reader, section: &Section, name: &str) -> Option<ReadPart> {
    let before = reader.ranges.len();
    let failure_rate = reader.guess(section, "failure_rate", Input::FailureRate);
    let uber = reader.guess(section, "uber", Input::Uber);
    let price = reader.optional_guess(section, "price", Input::DrivePrice);
    let power = reader.optional(section, "power", values::rate);
    let ranges = reader.ranges.split_off(before);
    let part = read_part(reader, section, name)?;
    let upkeep = Upkeep { failure_rate: failure_rate?, uber: uber?, price: price?, power: power? };
    Some((part, upkeep, ranges))
}

/// Keys of a flash drive alone.
const FLASH: [&str; 18] = [
    "read_sequential",
    "write_sequential",
    "read_random",
    "write_random",
    "read_latency",
    "write_latency",
    "drive_writes_per_day",
    "warranty",
    "buffer",
    "page",
    "fixed_latency",
    "program",
    "erase",
    "erase_block",
    "suspend",
    "units",
    "mixed",
    "read_p99",
];

fn read_part(reader: &mut Reader, section: &Section, name: &str) -> Option<DriveKind> {
    let interface = reader.value(section, "interface", values::link);
    let capacity = reader.value(section, "capacity", values::bytes);
    let turns = reader.optional(section, "rotation", values::rate);
    let rotating = rotating::read(reader, section);
    if section.has("rotation") {
        for key in FLASH {
            reader.stray(section, key, "it goes with a flash drive, without `rotation`");
        }
        let rotating = rotating?;
        let part = Rotating {
            name: name.to_owned(),
            interface: interface?,
            capacity: capacity?,
            turns_per_minute: turns??,
            seek: rotating.seek?,
            outer: rotating.rates?[0],
            inner: rotating.rates?[1],
            queue: rotating.queue,
        };
        return rotating::check(reader, section, &part).then(|| DriveKind::Rotating(Box::new(part)));
    }
    for key in ["seek", "transfer", "queue"] {
        reader.stray(section, key, "it goes with `rotation`");
    }
    flash(reader, section, name, interface, capacity).map(|part| DriveKind::Part(Box::new(part)))
}

fn flash(
    reader: &mut Reader,
    section: &Section,
    name: &str,
    interface: Option<Interface>,
    capacity: Option<u64>,
) -> Option<Part> {
    let read_sequential = reader.value(section, "read_sequential", values::rate);
    let write_sequential = reader.value(section, "write_sequential", values::rate);
    let read_random = rating(reader, section, "read_random", "parts.NAME.read_random");
    let write_random = rating(reader, section, "write_random", "parts.NAME.write_random");
    let read_latency = reader.value(section, "read_latency", values::time);
    let write_latency = reader.value(section, "write_latency", values::time);
    let drive_writes_per_day = reader.value(section, "drive_writes_per_day", values::number);
    let warranty = reader.value(section, "warranty", values::rate);
    let buffer = reader.value(section, "buffer", values::bytes);
    let page = reader.value(section, "page", values::bytes);
    let fixed_latency = reader.value(section, "fixed_latency", values::time);
    let program = reader.value(section, "program", values::time);
    let erase = reader.value(section, "erase", values::time);
    let erase_block = reader.value(section, "erase_block", values::bytes);
    let suspend = reader.value(section, "suspend", values::time);
    let units = reader.optional_count(section, "units");
    let mixed = mixed(reader, section);
    let read_p99 = read_p99(reader, section);
    // What a rating tells cannot be stated too.
    let (twice, again) =
        (reader.exclude(section, "mixed", "program"), reader.exclude(section, "read_p99", "suspend"));
    if twice || again {
        return None;
    }
    for (tells, prior) in [("mixed", "program"), ("read_p99", "suspend")] {
        if section.has(tells) {
            reader.left_out.forget(section.path_of(prior));
        }
    }
    let part = Part {
        name: name.to_owned(),
        interface: interface?,
        capacity: capacity?,
        read_sequential: read_sequential?,
        write_sequential: write_sequential?,
        read_random: read_random?,
        write_random: write_random?,
        read_latency: read_latency?,
        write_latency: write_latency?,
        drive_writes_per_day: drive_writes_per_day?,
        warranty_years: warranty?,
        buffer: buffer?,
        page: page?,
        fixed_latency: fixed_latency?,
        program: program?,
        erase: erase?,
        erase_block: erase_block?,
        suspend: suspend?,
        units: units?,
        mixed: mixed?,
        read_p99: read_p99?,
        knows_program: section.has("program") || section.has("mixed"),
        knows_suspend: section.has("suspend") || section.has("read_p99"),
    };
    check_little(reader, section, "read_random", part.read_random, "read_latency", part.read_latency.secs());
    check_little(
        reader,
        section,
        "write_random",
        part.write_random,
        "write_latency",
        part.write_latency.secs(),
    );
    check_depths(reader, section, &part);
    check_pins(reader, section, &part);
    Some(part)
}

fn rating(reader: &mut Reader, section: &Section, key: &str, pattern: &'static str) -> Option<Rating> {
    let Some(table) = reader.table(section, key, pattern)? else { return reader.missing(section, key) };
    let rate = reader.value(&table, "rate", values::rate);
    let depth = reader.count(&table, "depth");
    Some(Rating { per_second: rate?, depth: depth? })
}

fn mixed(reader: &mut Reader, section: &Section) -> Option<Option<Mixed>> {
    let Some(table) = reader.table(section, "mixed", "parts.NAME.mixed")? else { return Some(None) };
    let read = reader.value(&table, "read", values::number);
    let rate = reader.value(&table, "rate", values::rate);
    let depth = reader.count(&table, "depth");
    Some(Some(Mixed { read: read?, rate: Rating { per_second: rate?, depth: depth? } }))
}

fn read_p99(reader: &mut Reader, section: &Section) -> Option<Option<ReadTail>> {
    let Some(table) = reader.table(section, "read_p99", "parts.NAME.read_p99")? else { return Some(None) };
    let below = reader.value(&table, "below", values::time);
    let depth = reader.count(&table, "depth");
    let write_rate = reader.value(&table, "write_rate", values::rate);
    Some(Some(ReadTail { below: below?, depth: depth?, write_rate: write_rate? }))
}

/// No rating keeps more commands outstanding than the interface takes.
fn check_depths(reader: &mut Reader, section: &Section, part: &Part) {
    if part.interface != Interface::Sata {
        return;
    }
    for (key, rating) in [("read_random", part.read_random), ("write_random", part.write_random)] {
        if rating.depth <= SATA_DEPTH {
            continue;
        }
        let at = reader.place(section, key);
        let title = format!("`{}` is rated at depth {}", section.path_of(key), rating.depth);
        let expected = format!("a SATA drive takes {SATA_DEPTH} commands at once");
        reader.out.push(Diagnostic::at(&at, title, expected));
    }
}

/// A random rating needs at least rate × latency requests outstanding (Little 1961, L = λW, with W at
/// least the latency of one alone).
fn check_little(
    reader: &mut Reader,
    section: &Section,
    key: &str,
    rating: Rating,
    latency_key: &str,
    latency_s: f64,
) {
    let most = f64::from(rating.depth) / latency_s;
    if rating.per_second <= most {
        return;
    }
    let at = reader.place(section, key);
    let title = format!(
        "`{}` is {} at depth {}, above depth ÷ {latency_key} = {}",
        section.path_of(key),
        print(rating.per_second, Dimension::PerSecond),
        rating.depth,
        rounded(most, Dimension::PerSecond),
    );
    let need = (rating.per_second * latency_s).ceil();
    let latency_at = reader.place(section, latency_key);
    let diagnostic =
        Diagnostic::at(&at, title, format!("this rate keeps {need} requests outstanding at least"))
            .also(&latency_at, "with this latency")
            .help(Some("take rate, depth and latency from one datasheet".to_owned()));
    reader.out.push(diagnostic);
}

/// Ratings of reads beside writes that the other ratings rule out by arithmetic alone.
fn check_pins(reader: &mut Reader, section: &Section, part: &Part) {
    let mut refuse = |key: &str, title: String, expected: String| {
        let at = reader.place(section, key);
        reader.out.push(Diagnostic::at(&at, format!("`{}` {title}", section.path_of(key)), expected));
    };
    if let Some(tail) = part.read_p99 {
        if tail.below <= part.read_latency {
            let expected = format!("expected more than `read_latency`, {} us", part.read_latency.us());
            refuse(
                "read_p99",
                format!("is below {} us, which one read alone takes", tail.below.us()),
                expected,
            );
        }
        if tail.write_rate >= part.write_random.per_second {
            let rated = print(part.write_random.per_second, Dimension::PerSecond);
            let rate = print(tail.write_rate, Dimension::PerSecond);
            refuse(
                "read_p99",
                format!("has writes of {rate}, not below their rating"),
                format!("expected below {rated}"),
            );
        }
    }
    if let Some(mixed) = part.mixed {
        // Of writes alone no more than the rating gets through in steady state.
        let most = part.write_random.per_second / (1.0 - mixed.read);
        if mixed.rate.per_second > most {
            let rate = print(mixed.rate.per_second, Dimension::PerSecond);
            let title = format!("of {rate} writes more than `write_random` does");
            refuse("mixed", title, format!("expected {} at most", rounded(most, Dimension::PerSecond)));
        }
    }
}

/// Sequential ratings that the interface cannot carry. `place` points at a key of the part, or at
/// what names it if it is of the catalogue.
pub fn check_interface(
    reader: &mut Reader,
    part: &DriveKind,
    max_payload: u32,
    place: impl Fn(&Reader, &str) -> Origin,
) {
    let (Some(interface), Some(name)) = (part.interface(), part.part_name()) else { return };
    let carries = interface.payload_bytes_per_s(max_payload);
    let rates = match part {
        DriveKind::Part(part) => {
            vec![("read_sequential", part.read_sequential), ("write_sequential", part.write_sequential)]
        }
        DriveKind::Rotating(part) => vec![("transfer", part.outer)],
        DriveKind::Station { .. } => Vec::new(),
    };
    for (key, rate) in rates {
        if rate <= carries {
            continue;
        }
        let at = place(reader, key);
        let title = format!(
            "`parts.{name}.{key}` is {}, above what {interface} carries",
            print(rate, Dimension::ByteRate),
        );
        let expected = format!("expected {} at most", rounded(carries, Dimension::ByteRate));
        let help = (interface.pcie_lanes() > 0).then(|| {
            format!("that is its payload in packets of {max_payload} bytes (`design.fabric.max_payload`)")
        });
        reader.out.push(Diagnostic::at(&at, title, expected).help(help));
    }
}

/// A figure for a message: four significant digits, rounded down.
fn rounded(value: f64, dimension: Dimension) -> String {
    let step = 10f64.powi(value.log10().floor() as i32 - 3);
    print((value / step).floor() * step, dimension)
}
