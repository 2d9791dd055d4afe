//! A datasheet drive, alone, returns the ratings it was solved from: those of the catalogue, and held-out
//! ones that are shipped nowhere else.

use forebay::outcome::RunOutcome;
use forebay::scenario::{DriveKind, Drives, Interface, Part};
use forebay::study;

use crate::runs::{answer, latency, scenario};

const CATALOGUE: [&str; 9] = [
    "nvme-gen3-mixed-use-1600",
    "nvme-gen4-read-centric-3840",
    "nvme-gen4-read-centric-7680",
    "nvme-gen5-mixed-use-6400",
    "nvme-gen5-read-centric-7680",
    "sas-12-mixed-use-1600",
    "sas-24-read-centric-3840",
    "sata-boot-480",
    "sata-read-centric-1920",
];

/// Held-out datasheets, invented within trade ranges: interface, read and write MB/s, random reads and writes
/// with their depths, latencies in us, and a prior or two away from its default.
type Sheet = (&'static str, [u32; 2], (u32, u32), (u32, u32), [u32; 2], &'static str);
const HELD_OUT: [Sheet; 7] = [
    ("pcie-gen3-x4", [2900, 900], (350_000, 64), (40_000, 32), [105, 25], ""),
    ("pcie-gen3-x2", [1500, 1300], (240_000, 128), (110_000, 128), [95, 22], "program = \"450 us\"\n"),
    ("pcie-gen4-x4", [7000, 5200], (1_200_000, 512), (400_000, 256), [68, 10], "page = \"8 KiB\"\n"),
    ("pcie-gen4-x8", [11_000, 6000], (1_600_000, 256), (230_000, 64), [80, 12], "buffer = \"32 MiB\"\n"),
    ("pcie-gen5-x4", [11_500, 3800], (1_900_000, 256), (180_000, 32), [88, 16], "erase = \"9 ms\"\n"),
    ("sas-12", [1000, 700], (150_000, 64), (35_000, 16), [140, 45], "program = \"800 us\"\n"),
    ("sata-6", [500, 260], (60_000, 32), (12_000, 8), [180, 70], "fixed_latency = \"12 us\"\n"),
];

fn sheet_text(name: &str, sheet: &Sheet) -> String {
    let &(interface, [read, write], reads, writes, [read_us, write_us], priors) = sheet;
    format!(
        "[parts.{name}]\ninterface = \"{interface}\"\ncapacity = \"2 TB\"\nread_sequential = \"{read} MB/s\"\n\
         write_sequential = \"{write} MB/s\"\nread_random = {{ rate = \"{}/s\", depth = {} }}\n\
         write_random = {{ rate = \"{}/s\", depth = {} }}\nread_latency = \"{read_us} us\"\n\
         write_latency = \"{write_us} us\"\ndrive_writes_per_day = 1.0\nwarranty = \"5 years\"\n{priors}",
        reads.0, reads.1, writes.0, writes.1
    )
}

/// One drive on its own: its name, the text that describes it, and what that says.
struct Alone {
    name: String,
    text: String,
    part: Part,
}

impl Alone {
    fn new(name: &str, text: String) -> Self {
        let whole = format!(
            "{text}[design.drives]\ncount = 1\npart = \"{name}\"\n[[class]]\nname = \"a\"\nmachines = 1\n\
             load = {{ in_flight = 1 }}\nread = 1\nsizes = \"4 KiB\"\ncapacity = \"1 GiB\"\n"
        );
        match scenario(&whole).design.drives {
            Some(Drives { kind: DriveKind::Part(part), .. }) => {
                Alone { name: name.into(), text, part: *part }
            }
            other => panic!("{other:?}"),
        }
    }

    /// The drive under one closed or open load, all of its capacity allocated: ratings are those of a full
    /// drive. The write buffer is full after the warm-up, even where link and flash are almost as fast (SATA:
    /// 16 MiB at 40 MB/s). Budget: at most 2 × 1.2 s of the rated load.
    fn answer(&self, load: &str, read: u32, size: &str, sequential: u32) -> RunOutcome {
        let is_slow = !matches!(self.part.interface, Interface::Pcie { .. });
        let (warm_up, length) = match (read, is_slow) {
            (1, _) => ("20 ms", "100 ms"),
            (_, true) => ("800 ms", "400 ms"),
            (_, false) => ("500 ms", "300 ms"),
        };
        answer(&format!(
            "{}[run]\nseed = 4\nreplications = 2\nwarm_up = \"{warm_up}\"\nlength = \"{length}\"\n\
             [design.drives]\ncount = 1\npart = \"{}\"\n[[class]]\nname = \"load\"\nmachines = 1\n\
             load = {load}\nread = {read}\nsizes = \"{size}\"\nsequential = {sequential}\nstreams = 1\n\
             run_length = \"64 MiB\"\ncapacity = \"{} B\"\n",
            self.text, self.name, self.part.capacity
        ))
    }

    /// Rates at the rated depth, streams of 128 KiB with 32 outstanding, and latencies: found and rated.
    fn returned(&self) -> Vec<(String, f64, f64)> {
        let part = &self.part;
        let closed = |depth: u32| format!("{{ in_flight = {depth} }}");
        let reads = self.answer(&closed(part.read_random.depth), 1, "4 KiB", 0);
        let writes = self.answer(&closed(part.write_random.depth), 0, "4 KiB", 0);
        let read_stream = self.answer(&closed(32), 1, "128 KiB", 1);
        let write_stream = self.answer(&closed(32), 0, "128 KiB", 1);
        let one_read = self.answer(&closed(1), 1, "4 KiB", 0);
        let write_us = part.write_latency.us();
        let rate = (0.05 * part.write_random.per_second).min(0.1e6 / write_us);
        let one_write = self.answer(&format!("{{ rate = \"{rate}/s\" }}"), 0, "4 KiB", 0);
        let row = |what: &str, found: Option<f64>, rated: f64| {
            (format!("{} {what}", self.name), found.expect("a figure"), rated)
        };
        vec![
            row("random read", reads.carried.iops.value, part.read_random.per_second),
            row("random write", writes.carried.iops.value, part.write_random.per_second),
            row("sequential read", read_stream.carried.read_bytes_per_s.value, part.read_sequential),
            row("sequential write", write_stream.carried.write_bytes_per_s.value, part.write_sequential),
            row("read latency, us", latency(&one_read, "mean").value, part.read_latency.us()),
            row("write latency, us", latency(&one_write, "p50").value, write_us),
        ]
    }
}

fn assert_near(what: &str, found: f64, rated: f64, tolerance: f64) {
    println!("{what}: found {found}, rated {rated}, ratio {:.4}", found / rated);
    assert!((found / rated - 1.0).abs() <= tolerance, "{what}: found {found}, rated {rated}");
}

fn assert_returns_its_ratings(drives: &[Alone]) {
    let rows: Vec<_> = drives.iter().flat_map(Alone::returned).collect();
    for (what, found, rated) in &rows {
        println!("{what}: found {found}, rated {rated}, ratio {:.4}", found / rated);
    }
    let off: Vec<_> = rows.iter().filter(|(_, found, rated)| (found / rated - 1.0).abs() > 0.03).collect();
    assert!(off.is_empty(), "{off:?}");
}

/// Claim:   every rating comes back within 3 %, the promise to a buyer.
/// Alarm:   closed loops of fixed service times vary by less than 0.7 % over these windows (the solver leaves
///          0.2 %), latencies by less than 0.5 %: never.
/// Catches: a bias of 3 % in any rating.
#[test]
fn drives_of_the_catalogue_return_their_ratings() {
    assert_returns_its_ratings(&CATALOGUE.map(|name| Alone::new(name, String::new())));
}

/// The same of datasheets that nothing was tuned to.
#[test]
fn held_out_datasheets_return_their_ratings() {
    let drives: Vec<Alone> = HELD_OUT
        .iter()
        .enumerate()
        .map(|(n, sheet)| Alone::new(&format!("sheet-{n}"), sheet_text(&format!("sheet-{n}"), sheet)))
        .collect();
    assert_returns_its_ratings(&drives);
}

/// Ratings that no drive can have are refused by the key that is to blame.
#[test]
fn contradictory_ratings_are_refused_by_name() {
    let cases: [(Sheet, &str); 5] = [
        (("pcie-gen4-x4", [3000, 900], (800_000, 256), (40_000, 64), [85, 14], ""), "read_random"),
        (("pcie-gen4-x4", [6000, 900], (800_000, 256), (400_000, 64), [85, 14], ""), "write_random"),
        (("pcie-gen4-x4", [6000, 3000], (800_000, 256), (100_000, 64), [5, 14], ""), "read_latency"),
        (("pcie-gen4-x4", [6000, 3000], (800_000, 256), (100_000, 64), [85, 14], "units = 20\n"), "units"),
        (
            (
                "pcie-gen4-x4",
                [6000, 3000],
                (800_000, 256),
                (100_000, 64),
                [85, 14],
                "erase_block = \"64 KiB\"\n",
            ),
            "erase",
        ),
    ];
    for (sheet, key) in cases {
        let text = format!(
            "{}[design.drives]\ncount = 2\npart = \"bad\"\n[[class]]\nname = \"a\"\nmachines = 1\n\
             load = {{ in_flight = 1 }}\nread = 1\nsizes = \"4 KiB\"\n",
            sheet_text("bad", &sheet)
        );
        let error = study::check(&scenario(&text)).expect_err(key).to_string();
        assert!(error.starts_with(&format!("`parts.bad.{key}`")), "{key}: {error}");
    }
}

/// Space that holds nothing is spare: a drive a quarter full amplifies less than a full one and writes faster.
#[test]
fn a_drive_that_is_hardly_filled_writes_faster() {
    let text = |share: f64| {
        format!(
            "[design.drives]\ncount = 1\npart = \"nvme-gen4-read-centric-3840\"\n[[class]]\nname = \"a\"\n\
             machines = 1\nload = {{ in_flight = 64 }}\nread = 0\nsizes = \"4 KiB\"\ncapacity = \"{} GB\"\n",
            3840.0 * share
        )
    };
    let ceiling = |share| {
        let outcome = study::check(&scenario(&text(share))).expect("sound");
        outcome.static_ceiling_iops.expect("a ceiling")
    };
    assert_near("full", ceiling(1.0), 130_000.0, 0.01);
    assert!(ceiling(0.25) > 3.0 * ceiling(1.0), "{} {}", ceiling(0.25), ceiling(1.0));
}

/// A link has two directions, and reads load one: the static figure must not lend it the other. Four drives
/// that read 128 KiB at 6,200 MB/s each are full at 189,209 requests a second.
/// Arithmetic: 1 % covers headers.
#[test]
fn the_static_figure_of_a_link_is_that_of_its_busier_direction() {
    let text = "[design.drives]\ncount = 4\npart = \"nvme-gen4-read-centric-3840\"\n[[class]]\nname = \"load\"\n\
                machines = 1\nload = { rate = \"1000/s\" }\nread = 1\nsizes = \"128 KiB\"\n";
    let outcome = study::check(&scenario(text)).unwrap_or_else(|error| panic!("{error}"));
    let link = outcome.ceilings.iter().find(|row| row.station == "drives.link").expect("a link");
    assert_near("drives.link", link.ceiling_iops, 4.0 * 6200e6 / f64::from(128 << 10), 0.01);
}
