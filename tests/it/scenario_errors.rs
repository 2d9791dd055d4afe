//! Malformed scenarios: every mistake of a file is shown at once, where it was written, with what was
//! expected and the likeliest repair; nothing that a file can hold makes the reader panic.
//!
//! The fixtures are whole files in `malformed/`; what is printed for each is recorded as a snapshot in
//! `snapshots/`. Beside the snapshot each row states how many mistakes there are and a phrase that
//! must be said, so that a snapshot cannot be accepted with the point of its fixture gone.

use std::fs;
use std::path::{Path, PathBuf};

use forebay::scenario::{Diagnostics, Override, explain, load, parse, starter};

/// File, number of mistakes (0: at least one; the grammar's own count is the parser's affair), and a
/// phrase that is said.
const FIXTURES: &[(&str, usize, &str)] = &[
    ("no_unit", 1, r#"did you mean "25 Gb/s"?"#),
    ("no_unit_in_text", 1, r#"did you mean "18 us"?"#),
    ("no_unit_large_size", 1, r#"did you mean "8 KiB"?"#),
    ("no_unit_per_second", 1, r#"did you mean "900/s"?"#),
    ("unit_of_another_spelling", 1, r#"did you mean "25 Gb/s"?"#),
    ("unit_nobody_knows", 1, r#"there is no unit `fortnights`"#),
    ("unit_of_something_else", 1, r#"a size and not a time"#),
    ("bytes_for_bits", 1, r#"did you mean "24 Gb/s"?"#),
    ("not_a_quantity", 1, r#"not a time"#),
    ("time_below_resolution", 1, r#"below the clock's resolution"#),
    ("time_beyond_clock", 1, r#"213 days"#),
    ("negative_time", 1, r#"below zero"#),
    ("negative_count", 1, r#"is -1, below 1"#),
    ("zero_servers", 1, r#"is 0, below 1"#),
    ("trillion_drives", 1, r#"above 10000"#),
    ("number_beyond_all_bits", 1, r#"above 10000"#),
    ("count_with_a_point", 1, r#"did you mean 22?"#),
    ("count_in_quotes", 1, r#"did you mean 22?"#),
    ("not_a_number", 1, r#"not a finite number"#),
    ("infinite_percentile", 1, r#"not a finite number"#),
    ("percentile_of_100", 1, r#"not below 100"#),
    ("share_above_one", 1, r#"is 1.7, above 1"#),
    ("share_in_percent", 1, r#"did you mean 0.7?"#),
    ("shares_do_not_sum_to_one", 1, r#"sum to 1.7, not 1"#),
    ("size_twice", 1, r#"gives 8 KiB twice"#),
    ("size_not_in_sectors", 1, r#"not whole sectors"#),
    ("bands_do_not_sum_to_one", 2, r#"of space"#),
    ("bands_not_in_pairs", 1, r#"is not a pair"#),
    ("misspelt_key", 1, r#"did you mean `machines`?"#),
    ("misspelt_key_that_must_be_there", 1, r#"did you mean `cores`?"#),
    ("misspelt_table", 1, r#"did you mean `drives`?"#),
    ("key_of_another_table", 1, r#"`percentile` belongs to `objective`"#),
    ("key_of_a_later_version", 3, r#"not yet supported by this version"#),
    ("reduction_in_place", 1, r#"needs a log-structured layout"#),
    ("reduction_block_above_chunk", 1, r#"larger than `design.layout.chunk`"#),
    ("reduction_after_without_log", 1, r#"in a design without a log"#),
    ("log_without_memory", 1, r#"held in memory that the design lacks"#),
    ("log_above_memory", 1, r#"does not fit the memory"#),
    ("log_without_drives", 1, r#"no drives to destage to"#),
    ("two_controllers_without_partner", 1, r#"`design.controllers.partner` is missing"#),
    ("one_controller_with_partner", 1, r#"one controller has no partner"#),
    ("threads_without_gain", 1, r#"`design.cpu.thread_gain` is missing"#),
    ("passes_without_bandwidth", 1, r#"it goes with `bandwidth`"#),
    ("part_deeper_than_sata", 1, r#"a SATA drive takes 32 commands at once"#),
    ("compress_below_one", 1, r#"is 0.5, below 1"#),
    ("ranges_that_are_none", 3, r#"expected [lowest, highest]"#),
    ("hours_of_a_short_day", 1, r#"a list of 24 numbers, one for each hour"#),
    ("hours_beside_duty", 1, r#"exclude each other"#),
    ("price_in_words", 2, r#"did you mean `currency`?"#),
    ("replacement_of_nothing", 1, r#"it goes with a `protection`"#),
    ("unknown_choice", 1, r#"did you mean "rdma"?"#),
    ("misspelt_class", 1, r#"did you mean "ticketing-db"?"#),
    ("duplicate_class", 1, r#"two classes are called"#),
    ("class_called_all", 1, r#"may not be called"#),
    ("class_without_brackets", 1, r#"did you mean [[class]]"#),
    ("class_of_nothing", 4, r#"is missing"#),
    ("objective_of_nothing", 1, r#"never asks for a write"#),
    ("objective_during_unknown_fault", 1, r#"unknown fault or phase"#),
    ("worst_of_too_many", 1, r#"too many to find the worst"#),
    ("no_class", 1, r#"there is no [[class]]"#),
    ("empty_design", 1, r#"the design is empty"#),
    ("no_design", 1, r#"there is no [design]"#),
    ("textbook_and_full_form", 1, r#"exclude each other"#),
    ("neither_form", 1, r#"needs `part` or `service`"#),
    ("two_loads", 1, r#"exclude each other"#),
    ("think_of_an_open_load", 1, r#"it goes with a closed load"#),
    ("trace_with_sizes", 2, r#"the trace brings its own"#),
    ("parameter_of_another_law", 1, r#"does not belong to an erlang law"#),
    ("law_without_its_parameter", 1, r#"`design.cpu.service.cv` is missing"#),
    ("hyperexponential_below_one", 1, r#"not above 1"#),
    ("empirical_weights_too_few", 1, r#"holds 1 numbers for 2 values"#),
    ("bursty_without_burst", 1, r#"`class.ticketing-db.arrivals.burst` is missing"#),
    ("working_set_above_capacity", 1, r#"above its capacity of 50 GiB"#),
    ("request_above_working_set", 1, r#"does not fit the working set"#),
    ("machines_beyond_addresses", 1, r#"more than 8 EiB"#),
    ("arrivals_beyond_clock", 1, r#"requests a second in all"#),
    ("fibre_channel_rate", 1, r#"8, 16, 32 or 64 Gb/s"#),
    ("chunk_not_a_power_of_two", 1, r#"did you mean "64 KiB"?"#),
    ("cores_do_not_divide", 1, r#"16 cores do not divide evenly among 3 ports"#),
    ("lanes_above_budget", 1, r#"22 drives of 4 lanes are 88 lanes"#),
    ("fabric_without_drives", 1, r#"leads to no drives"#),
    ("hosts_without_ports", 1, r#"lead to no ports"#),
    ("hosts_before_a_textbook_port", 1, r#"a textbook station speaks no transport"#),
    ("hosts_of_no_fibre_channel_rate", 1, r#"`design.hosts.rate` is not a rate of fibre-channel"#),
    ("hosts_of_no_rate", 2, r#"did you mean `queue_depth`?"#),
    ("tree_without_links", 1, r#"`design.fabric.links` is missing"#),
    ("tree_of_an_unknown_parent", 1, r#"did you mean "root"?"#),
    ("tree_in_a_ring", 1, r#"link "left" hangs on itself through "middle", "right""#),
    ("tree_with_a_drive_twice", 1, r#"drive 11 hangs on "left" and on "right""#),
    ("tree_with_a_drive_too_few", 1, r#"drive 10 hangs on no link, nor does 1 other"#),
    ("tree_with_a_drive_too_many", 1, r#"there is no drive 22: the last one is 21"#),
    ("tree_with_drives_the_wrong_way_round", 2, r#"did you mean [0, 10]?"#),
    ("tree_with_a_name_for_a_station", 1, r#"is no name of a link"#),
    ("tree_of_another_shape", 1, r#"it goes with `shape = "tree"`"#),
    (
        "lanes_of_ports_above_budget",
        1,
        r#"2 links of 8 lanes and 4 ports of 16 lanes are 16 + 64 = 80 lanes"#,
    ),
    ("rotating_with_ratings_of_flash", 2, r#"it goes with a flash drive, without `rotation`"#),
    ("rotating_without_seek", 1, r#"`parts.spindle.seek` is missing"#),
    ("rotating_seek_that_does_not_rise", 1, r#"make no curve that rises all the way"#),
    ("rotating_faster_inside", 1, r#"faster inside than outside"#),
    ("rotating_above_its_interface", 1, r#"above what sata-6 carries"#),
    ("rotation_without_a_unit", 1, r#"did you mean "7200/min"?"#),
    ("rotation_a_second", 1, r#"a count per second and not a count per minute"#),
    ("seek_of_a_flash_drive", 1, r#"it goes with `rotation`"#),
    ("mixed_beside_program", 2, r#"exclude each other"#),
    ("mixed_above_the_write_rating", 1, r#"writes more than `write_random` does"#),
    ("read_tail_below_one_read", 2, r#"which one read alone takes"#),
    ("mixed_without_depth", 2, r#"`parts.mine.mixed.depth` is missing"#),
    ("unknown_part", 1, r#"did you mean "nvme-gen4-read-centric-3840"?"#),
    ("part_above_its_interface", 1, r#"above what sata-6 carries"#),
    ("part_above_depth_over_latency", 1, r#"above depth ÷ read_latency = 266.6k/s"#),
    ("part_of_no_interface", 1, r#"did you mean "pcie-gen4-x4"?"#),
    ("three_mistakes", 3, r#"did you mean"#),
    ("truncated", 1, r#""#),
    ("open_table", 0, r#""#),
    ("open_quote", 0, r#""#),
    ("key_twice", 2, r#"this key is given twice"#),
    ("mistake_before_a_syntax_error", 0, r#"without a unit"#),
    ("prose", 0, r#""#),
    ("empty", 1, r#"the scenario is empty"#),
    ("only_comments", 1, r#"the scenario is empty"#),
    ("windows_lines_tabs_and_accents", 3, r#":3:9"#),
    ("binary", 1, r#"not UTF-8"#),
    ("control_characters", 0, r#""#),
    ("escaped_control_characters", 1, r#"holds a control character"#),
    ("a_date", 1, r#"which is a date"#),
    ("a_list_for_a_table", 1, r#"is a list"#),
    ("design_is_a_number", 1, r#"which is a number"#),
];

fn fixture(name: &str) -> PathBuf {
    // Relative to the package, so that messages are the same everywhere.
    Path::new("tests/it/malformed").join(format!("{name}.toml"))
}

fn refused(path: &Path, overrides: &[&str]) -> Diagnostics {
    let overrides: Vec<Override> =
        overrides.iter().map(|o| Override::parse(o).unwrap_or_else(|e| panic!("{o}: {e}"))).collect();
    match load(path, &overrides) {
        Ok(_) => panic!("{} with {overrides:?} was accepted", path.display()),
        Err(diagnostics) => diagnostics,
    }
}

fn record(name: &str, text: &str) {
    let mut settings = insta::Settings::clone_current();
    settings.set_prepend_module_to_snapshot(false);
    settings.set_omit_expression(true);
    settings.set_snapshot_path("snapshots/scenario_errors");
    settings.bind(|| insta::assert_snapshot!(name, text));
}

#[test]
fn every_malformed_file_is_refused_with_what_its_row_says() {
    let mut wrong = Vec::new();
    for (name, mistakes, says) in FIXTURES {
        let diagnostics = refused(&fixture(name), &[]);
        let text = diagnostics.render(false);
        assert!(!text.contains('\u{1b}'), "{name}: an escape of the file reaches the terminal");
        if !text.contains(says) || (*mistakes > 0 && diagnostics.len() != *mistakes) {
            wrong.push(format!(
                "{name}: {} mistakes; expected {mistakes}, and {says:?}\n{text}",
                diagnostics.len()
            ));
        }
        record(name, &text);
    }
    assert!(wrong.is_empty(), "{}", wrong.join("\n"));
}

#[test]
fn every_fixture_has_a_row() {
    let files = fs::read_dir("tests/it/malformed").expect("the folder is there");
    for file in files.flatten().filter(|file| file.path().extension().is_some_and(|e| e == "toml")) {
        let name = file.path().file_stem().map(|s| s.to_string_lossy().into_owned()).unwrap_or_default();
        assert!(FIXTURES.iter().any(|f| f.0 == name), "{name} has no row");
    }
    assert!(FIXTURES.len() >= 44);
}

/// Overrides of a sound scenario that must be refused, and a phrase that is said.
const OVERRIDES: &[(&str, &[&str], &str)] = &[
    ("override_out_of_range", &["design.drives.count=0"], "below 1"),
    ("override_without_a_unit", &["design.ports.rate=25"], "did you mean \"25 Gb/s\"?"),
    ("override_of_an_unknown_key", &["design.drives.cuont=24"], "did you mean `count`?"),
    (
        "override_of_an_unknown_class",
        &["class.ticketng-db.machines=30"],
        "did you mean `class.ticketing-db`?",
    ),
    ("override_beyond_a_list", &["objective.7.below=1 ms"], "expected 0 to 0"),
    ("override_by_name_where_there_are_none", &["objective.first.below=1 ms"], "have no names"),
    ("override_below_a_value", &["design.ports.rate.mean=3"], "without keys of its own"),
    ("override_of_the_other_form", &["design.drives.service=24 us"], "exclude each other"),
    ("override_with_broken_brackets", &["class.0.load={rate=\"900/s\""], "not well formed"),
    ("override_of_a_list_that_is_not_there", &["phase.0.from=1 s"], "no [[phase]] to change"),
    (
        "overrides_with_two_mistakes_and_a_sound_one",
        &["design.drives.count=many", "run.seed=3", "class.\"ticketing-db\".read=1.7"],
        "above 1",
    ),
];

#[test]
fn malformed_overrides_are_pointed_at_on_the_command_line() {
    for (name, overrides, says) in OVERRIDES {
        let text = refused(Path::new("tests/it/sound.toml"), overrides).render(false);
        assert!(text.contains("command line:1:") && text.contains(says), "{name}:\n{text}");
        record(name, &text);
    }
}

#[test]
fn a_missing_file_offers_the_nearest_name() {
    let text = refused(Path::new("tests/it/malformed/no_unti.toml"), &[]).render(false);
    assert!(text.contains("did you mean `tests/it/malformed/no_unit.toml`?"), "{text}");
    record("missing_file", &text);
}

#[test]
fn a_folder_is_no_scenario() {
    let text = refused(Path::new("tests/it/malformed"), &[]).render(false);
    record("folder", &text);
    assert!(text.contains("a folder"), "{text}");
}

/// Refused by its size: 50 MB of brackets are not parsed, nor even read to their end.
#[test]
fn a_file_above_four_mebibytes_is_refused_before_it_is_parsed() {
    let folder = std::env::temp_dir().join(format!("forebay-scenario-errors-{}", std::process::id()));
    fs::create_dir_all(&folder).expect("a temporary folder");
    let path = folder.join("brackets.toml");
    fs::write(&path, vec![b'['; 50_000_000]).expect("room for 50 MB");
    let text = refused(&path, &[]).render(false);
    fs::remove_dir_all(&folder).expect("the folder is ours");
    assert!(text.contains("larger than 4 MiB"), "{text}");
}

/// Just under the limit, so that the parser does see them: neither its stack nor ours overflows.
#[test]
fn four_mebibytes_of_brackets_end_in_an_error_and_not_in_a_crash() {
    for unit in [
        "[",
        "{",
        "a = [",
        "a = {",
        "a=[[",
        "x = { y = [ {",
        "[[class]]\n",
        "[a]\n",
        "a.",
        "\"",
        "'''",
        "#\n",
        "= ",
    ] {
        let text = unit.repeat((4 << 20) / unit.len());
        let found = parse(&text, "deep.toml", Path::new(""), &[]);
        let shown = found.expect_err("no scenario").render(false);
        assert!(shown.len() < 100_000, "{unit}: {} bytes of messages", shown.len());
    }
}

/// Every prefix of a sound scenario, and every scenario with one line left out, is read or refused.
#[test]
fn no_truncation_panics() {
    let text = starter();
    for end in (0..text.len()).filter(|end| text.is_char_boundary(*end)).step_by(7) {
        if let Err(diagnostics) = parse(&text[..end], "cut.toml", Path::new(""), &[]) {
            assert!(diagnostics.render(true).contains("error"));
        }
    }
    let lines: Vec<&str> = text.lines().collect();
    for skip in 0..lines.len() {
        let without: Vec<&str> = [&lines[..skip], &lines[skip + 1..]].concat();
        if let Err(diagnostics) = parse(&without.join("\n"), "gap.toml", Path::new(""), &[]) {
            assert!(!diagnostics.render(false).contains("a fault of forebay"), "without line {skip}");
        }
    }
}

/// Every value of a sound scenario, replaced by each of these, is read or refused.
#[test]
fn no_value_in_any_place_panics() {
    let values = [
        "0",
        "-1",
        "1e308",
        "nan",
        "-inf",
        "true",
        "\"\"",
        "\"x\"",
        "\"1 us\"",
        "\"1e400 s\"",
        "[]",
        "[1]",
        "{}",
        "[[]]",
        "{ mean = \"0 s\", shape = \"gamma\", cv = 1 }",
        "{ shape = \"empirical\", values = [\"0 s\"] }",
        "1979-05-27",
        "999999999999999999999999999999999999999999",
        "\"\\u0000\"",
    ];
    let lines: Vec<&str> = starter().lines().collect();
    let mut refused = 0;
    for (at, line) in lines.iter().enumerate() {
        let Some((key, _)) = line.split_once(" = ").filter(|_| !line.starts_with('#')) else { continue };
        for value in values {
            let changed = format!("{key} = {value}");
            let mut text = lines.clone();
            text[at] = &changed;
            let found = parse(&text.join("\n"), "value.toml", Path::new(""), &[]);
            let Err(diagnostics) = found else { continue };
            let shown = diagnostics.render(false);
            assert!(!shown.contains("a fault of forebay"), "{changed}: {shown}");
            refused += usize::from(shown.contains("value.toml:"));
        }
    }
    assert!(refused > 300, "only {refused}");
}

#[test]
fn colour_decorates_what_the_words_say_already() {
    let diagnostics = refused(&fixture("three_mistakes"), &[]);
    let coloured = diagnostics.render(true);
    assert!(coloured.contains('\u{1b}'));
    let mut plain = String::new();
    let mut rest = coloured.as_str();
    while let Some(at) = rest.find('\u{1b}') {
        plain.push_str(&rest[..at]);
        rest = rest[at..].split_once('m').map_or("", |(_, after)| after);
    }
    plain.push_str(rest);
    assert_eq!(plain, diagnostics.render(false));
}

#[test]
fn the_sound_scenario_is_sound_and_explained() {
    let found = load(Path::new("tests/it/sound.toml"), &[]).unwrap_or_else(|d| panic!("{d}"));
    assert_eq!(found.classes[0].name, "ticketing-db");
    record("explain_a_rate", &explain("design.ports.rate").unwrap_or_default());
    record("explain_a_time", &explain("design.cpu.read").unwrap_or_default());
    record("explain_a_table", &explain("objective").unwrap_or_default());
    record("explain_a_misspelt_key", &explain("design.port.rat").unwrap_err());
}
