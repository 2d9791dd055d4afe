//! How the page ends, how it reads, and what its JSON says.

use forebay::report::json::to_json;
use forebay::report::terminal::{self, Style};
use serde_json::Value;

use super::{fixture, page_of};
use crate::program::{Folder, said};
use crate::runs::queue;

const SCHEMA: &str = include_str!("../../../schema/check.schema.json");

fn complaints(text: &str) -> Vec<String> {
    let json = |text: &str| -> Value { serde_json::from_str(text).expect("JSON") };
    let validator = jsonschema::draft202012::new(&json(SCHEMA)).expect("a valid schema");
    validator.iter_errors(&json(text)).map(|error| format!("{}: {error}", error.instance_path())).collect()
}

/// Machines of 1 TiB on four drives of 1.92 TB.
fn stored(machines: u32, layout: &str) -> String {
    format!(
        "[design.layout]\n{layout}\n[design.drives]\ncount = 4\npart = \"sata-read-centric-1920\"\n[[class]]\n\
         name = \"archive\"\nmachines = {machines}\nload = {{ rate = \"1/s\" }}\nread = 0.5\nsizes = \"4 KiB\"\n\
         capacity = \"1 TiB\"\nworking_set = \"1 GiB\"\n"
    )
}

/// 7.68 TB hold six machines of 1.0995 TB and not seven. In place a run is not refused; full stripes leave the cleaner
/// no room, so that there is nothing to add up. Either way the page says what does not fit, and status 1 says it too.
#[test]
fn data_that_does_not_fit_is_full_on_paper() {
    let folder = Folder::new();
    let check = |text: &str| said(&["check", &folder.file("s.toml", text)]);
    for layout in ["", "writes = \"log-structured\"\nreserve = 0.1"] {
        let (status, out, err) = check(&stored(6, layout));
        assert_eq!((status, err.as_str()), (Some(0), ""), "{out}");
        assert!(out.contains("6 machines of this mix fit, 6 are stated"), "{out}");
        let (status, out, err) = check(&stored(7, layout));
        assert_eq!((status, err.as_str()), (Some(1), ""), "{out}");
        assert!(out.starts_with("The scenario is valid; full on paper: capacity\n"), "{out}");
        assert!(out.contains("does not fit: 6 machines of this mix would, 7 are stated"), "{out}");
    }
    let in_place = page_of(&stored(7, ""));
    assert!(in_place.notes.iter().any(|note| note.contains("does not refuse that")), "{:?}", in_place.notes);
    assert!(in_place.static_ceiling_iops.is_some() && in_place.reason.is_none());
    let stripes = page_of(&stored(7, "writes = \"log-structured\""));
    assert_eq!((stripes.static_ceiling_iops, &stripes.bandwidth), (None, &None));
    assert!(stripes.reason.is_some() && stripes.ceilings.is_empty());
    let path = folder.file("s.toml", &stored(7, "writes = \"log-structured\""));
    assert_eq!(said(&["run", &path]).0, Some(2));
}

/// By hand: 2,000 reads of 1 MiB a second on 1.25 GB/s, with no overhead.
#[test]
fn a_hop_that_is_full_is_named_once() {
    let ports = "[design.ports]\ncount = 1\nrate = \"10 Gb/s\"\ntransport = \"raw\"\n[[class]]\nname = \"a\"\nmachines = 1\n\
                 load = { rate = \"2000/s\" }\nread = 1\nsizes = \"1 MiB\"\n";
    let page = page_of(ports);
    assert_eq!(page.full, ["ports.tx"]);
    let chain = page.bandwidth.expect("a chain");
    assert!((chain.hops[0].utilisation.expect("offered") - 2000.0 * 1_048_576.0 / 1.25e9).abs() < 1e-9);
}

#[test]
fn a_textbook_queue_keeps_its_short_page() {
    let page = page_of(&queue("seed = 1", 1, "{ mean = \"10 us\", shape = \"exponential\" }", 80_000.0));
    assert_eq!((&page.bandwidth, &page.lanes, &page.capacity, &page.memory), (&None, &None, &None, &None));
    let text = terminal::check(&page, &Style { width: 80, color: false });
    for heading in ["Bandwidth", "Narrowest", "PCIe", "Capacity", "Memory", "Room"] {
        assert!(!text.contains(heading), "{text}");
    }
    // Stations with a stated time have no bytes, and drives without a capacity no room.
    let stations =
        "[design.ports]\ncount = 1\nservice = \"1 us\"\n[design.drives]\ncount = 4\nservice = \"10 us\"\n";
    let page = page_of(&format!("{stations}{}", super::closed(0.5, "4 KiB")));
    assert_eq!((&page.bandwidth, &page.lanes, &page.capacity), (&None, &None, &None));
    assert_eq!(page.ceilings.len(), 2);
}

#[test]
fn closed_classes_offer_nothing_and_the_page_says_why() {
    let page =
        page_of(&format!("[design.ports]\ncount = 1\nrate = \"10 Gb/s\"\n{}", super::closed(0.5, "4 KiB")));
    let chain = page.bandwidth.as_ref().expect("a chain");
    assert!(
        chain.reason.is_some() && chain.hops[0].read_share.is_none() && chain.hops[0].utilisation.is_none()
    );
    assert!(chain.hops[0].read_bytes_per_s.is_some() && page.full.is_empty());
    let text = terminal::check(&page, &Style { width: 100, color: false });
    assert!(text.contains("shares: every class is closed"), "{text}");
}

#[test]
fn the_json_of_every_page_fits_its_schema() {
    for (name, outcome) in fixture::all() {
        assert_eq!(complaints(&to_json(&outcome)), [""; 0], "{name}");
        let again: forebay::outcome::CheckOutcome =
            serde_json::from_str(&to_json(&outcome)).expect("the same type");
        assert_eq!(again, outcome, "{name}");
    }
    let shipped = std::fs::read_to_string("workloads/surprises/index-overflow.toml").expect("shipped");
    for text in [shipped, stored(7, ""), stored(7, "writes = \"log-structured\"")] {
        assert_eq!(complaints(&to_json(&page_of(&text))), [""; 0]);
    }
    let broken = to_json(&fixture::tight()).replace("\"fill\"", "\"fullness\"");
    assert!(!complaints(&broken).is_empty(), "a field of another name is refused");
}

/// Every object of the schema describes its fields with their unit, and allows no other.
#[test]
fn the_schema_describes_every_field_with_its_unit() {
    fn walk(at: &Value, path: &str, seen: &mut usize) {
        if let Some(fields) = at["properties"].as_object() {
            assert_eq!(at["additionalProperties"], false, "{path}");
            for (name, field) in fields {
                *seen += 1;
                let words = field["description"].as_str().unwrap_or_default();
                assert!(words.ends_with('.'), "{path}/{name} says nothing");
                for (suffix, unit) in
                    [("_us", "microseconds"), ("bytes_per_s", "Bytes per second"), ("_bytes", "bytes")]
                {
                    assert!(!name.ends_with(suffix) || words.contains(unit), "{path}/{name} lacks its unit");
                }
                walk(field, &format!("{path}/{name}"), seen);
            }
        }
        if at.get("items").is_some() {
            walk(&at["items"], &format!("{path}/items"), seen);
        }
    }
    let schema: Value = serde_json::from_str(SCHEMA).expect("JSON");
    assert!(jsonschema::draft202012::meta::is_valid(&schema));
    let mut seen = 0;
    walk(&schema, "", &mut seen);
    assert!(seen > 60, "{seen} fields");
}

#[test]
fn the_page_reads_as_recorded_and_keeps_its_width() {
    for (name, outcome) in fixture::all() {
        for width in [80, 100, 140] {
            let text = terminal::check(&outcome, &Style { width, color: false });
            assert!(text.lines().all(|line| line.chars().count() <= width), "{name} {width}\n{text}");
            insta::assert_snapshot!(format!("{name}_{width}"), text);
        }
    }
}

#[test]
fn a_piped_page_is_plain_and_a_coloured_one_says_the_same() {
    let plain = said(&["check", "workloads/emberley.toml"]).1;
    assert!(!plain.contains('\u{1b}'), "{plain}");
    let coloured = said(&["check", "workloads/emberley.toml", "--color", "always"]).1;
    let mut pieces = coloured.split("\u{1b}[");
    let first = pieces.next().unwrap_or_default().to_owned();
    let bare = pieces.fold(first, |text, piece| text + piece.split_once('m').map_or("", |(_, rest)| rest));
    assert_eq!(bare, plain);
    let csv = said(&["check", "workloads/emberley.toml", "--csv", "-"]).1;
    assert!(csv.starts_with("resource,servers,demand_us,ceiling_iops,utilisation\r\n"), "{csv}");
}
