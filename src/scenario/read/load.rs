//! `load` and `arrivals` of a class.

use std::path::Path;

use super::{Reader, Section, values};
use crate::scenario::diagnostics::Diagnostic;
use crate::scenario::model::{Arrivals, Load, TraceFormat};
use crate::scenario::tree::Value;

/// What a load is, by the key that says so.
const KINDS: [(&str, &str, &[&str]); 3] = [
    ("rate", "an open load", &["in_flight_max"]),
    ("in_flight", "a closed load", &["think"]),
    ("trace", "a recorded load", &["format", "speed", "repeat"]),
];

/// Reads `load`, and `arrivals` beside it.
pub fn read(reader: &mut Reader, class: &Section, base_dir: &Path) -> Option<Load> {
    let Some(section) = reader.table(class, "load", "class.NAME.load")? else {
        return reader.missing(class, "load");
    };
    let given: Vec<_> = KINDS.iter().filter(|kind| section.has(kind.0)).collect();
    let kind = match given[..] {
        [kind] => kind,
        [one, other, ..] => {
            reader.exclude(&section, one.0, other.0);
            return None;
        }
        [] => {
            let title = format!("`{}` asks for nothing", section.path);
            let label = "expected `rate`, `in_flight` or `trace`".to_owned();
            return reader.lacks(
                &section,
                title,
                label,
                Some("for example: load = { rate = \"900/s\" }".into()),
            );
        }
    };
    for other in KINDS.iter().filter(|other| other.0 != kind.0) {
        for key in other.2 {
            reader.stray(&section, key, &format!("it goes with {}", other.1));
        }
    }
    if kind.0 != "rate" {
        reader.stray(class, "arrivals", "only an open load has them");
    }
    match kind.0 {
        "rate" => open(reader, class, &section),
        "in_flight" => closed(reader, &section),
        _ => trace(reader, &section, base_dir),
    }
}

fn open(reader: &mut Reader, class: &Section, section: &Section) -> Option<Load> {
    let rate = reader.value(section, "rate", values::rate);
    let in_flight_max = reader.optional_count(section, "in_flight_max");
    let arrivals = arrivals(reader, class);
    Some(Load::Open { rate: rate?, arrivals: arrivals?, in_flight_max: in_flight_max? })
}

fn closed(reader: &mut Reader, section: &Section) -> Option<Load> {
    let in_flight = reader.count(section, "in_flight");
    let think = reader.optional_law(section, "think");
    // A think time of zero is no think time.
    let think = think?.filter(|law| law.mean_ps() > 0.0);
    Some(Load::Closed { in_flight: in_flight?, think })
}

fn trace(reader: &mut Reader, section: &Section, base_dir: &Path) -> Option<Load> {
    let formats = [
        TraceFormat::Csv,
        TraceFormat::ScsiRecords,
        TraceFormat::BlockCsv,
        TraceFormat::BlockEvents,
        TraceFormat::HostCsv,
        TraceFormat::LunCsv,
    ];
    let name = reader.value(section, "trace", values::text);
    let format = reader.optional_choice(section, "format", &formats);
    let speed = reader.value(section, "speed", values::number);
    let repeat = reader.value(section, "repeat", values::flag);
    let name = name?;
    // Whether the file is there is for the room that opens it to say.
    Some(Load::Trace { path: base_dir.join(&name), name, format: format?, speed: speed?, repeat: repeat? })
}

fn arrivals(reader: &mut Reader, class: &Section) -> Option<Arrivals> {
    let is_table = class.entry("arrivals").is_some_and(|e| matches!(e.node.value, Value::Table(_)));
    if is_table {
        let section = reader.table(class, "arrivals", "class.NAME.arrivals")??;
        return arrivals_of(reader, &section);
    }
    reader
        .choice(class, "arrivals", &[0, 1])
        .map(|i| if i == 0 { Arrivals::Poisson } else { Arrivals::Regular })
}

/// Keys of the table besides `shape`, and the shape that takes them.
const PARAMETERS: [(&str, &str); 6] = [
    ("peak_to_mean", "bursty"),
    ("burst", "bursty"),
    ("floor", "bursty"),
    ("together", "bursty"),
    ("cv", "hyperexponential"),
    ("mean", "batch"),
];

fn arrivals_of(reader: &mut Reader, section: &Section) -> Option<Arrivals> {
    let names = ["poisson", "regular", "bursty", "hyperexponential", "batch"];
    let shape = reader.choice(section, "shape", &names)?;
    for (key, takes) in PARAMETERS.iter().filter(|(_, takes)| *takes != shape) {
        reader.stray(section, key, &format!("it goes with `shape = \"{takes}\"`"));
    }
    Some(match shape {
        "poisson" => Arrivals::Poisson,
        "regular" => Arrivals::Regular,
        "hyperexponential" => Arrivals::Hyperexponential { cv: cv_above_one(reader, section)? },
        "batch" => Arrivals::Batch { mean: reader.value(section, "mean", values::number)? },
        _ => {
            let peak_to_mean = reader.value(section, "peak_to_mean", values::number);
            let burst = reader.value(section, "burst", values::time);
            let floor = reader.value(section, "floor", values::number);
            let together = reader.value(section, "together", values::number);
            Arrivals::Bursty {
                peak_to_mean: peak_to_mean?,
                burst: burst?,
                floor: floor?,
                together: together?,
            }
        }
    })
}

/// The row asks for more than 1; the square, which the law is made of, must be so too.
fn cv_above_one(reader: &mut Reader, section: &Section) -> Option<f64> {
    let cv = reader.value(section, "cv", values::number)?;
    if cv * cv > 1.0 {
        return Some(cv);
    }
    let at = reader.place(section, "cv");
    let title = format!("`{}` is too close to 1", section.path_of("cv"));
    reader.report(Diagnostic::at(&at, title, "expected a figure above 1, or `shape = \"poisson\"`"))
}
