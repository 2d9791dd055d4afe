//! The walls between the rooms: who may name whom, what the engine may not speak of, who may look at
//! a clock. Read from the source text, so that a wrong arrow fails a test and not only a review.

use std::fs;
use std::path::{Path, PathBuf};

/// Each room and the rooms that it may name.
const ARROWS: &[(&str, &[&str])] = &[
    ("cli", &["serve", "study", "report", "store", "scenario", "outcome"]),
    ("serve", &["study", "report", "store", "scenario", "outcome"]),
    ("study", &["system", "traffic", "measure", "theory", "scenario", "outcome", "engine"]),
    ("system", &["traffic", "theory", "engine", "scenario"]),
    ("traffic", &["engine", "scenario"]),
    ("measure", &["engine"]),
    ("scenario", &["engine", "theory"]),
    ("report", &["outcome"]),
    ("store", &["outcome"]),
    ("theory", &[]),
    ("outcome", &[]),
    ("engine", &[]),
];

/// Words that would say what the engine's tokens, stations and amounts stand for.
const STORAGE_WORDS: &[&str] = &[
    "block",
    "blocks",
    "compress",
    "compression",
    "deduplicate",
    "deduplication",
    "disk",
    "disks",
    "drive",
    "drives",
    "erase",
    "flash",
    "iops",
    "lun",
    "nvme",
    "parity",
    "pcie",
    "raid",
    "read",
    "reading",
    "reads",
    "rebuild",
    "sas",
    "sata",
    "sector",
    "sectors",
    "ssd",
    "storage",
    "stripe",
    "stripes",
    "volume",
    "volumes",
    "write",
    "writes",
    "writing",
    "written",
];

/// What the engine may say all the same.
const ENGINE_MAY_SAY: &[&str] =
    &["storage-agnostic", "nothing here reads a clock", "where the scenario is read"];

fn source() -> PathBuf {
    Path::new(env!("CARGO_MANIFEST_DIR")).join("src")
}

/// Every Rust file under a folder, with its path relative to `src`, in order.
fn files(folder: &Path) -> Vec<(String, String)> {
    let mut found = Vec::new();
    let mut folders = vec![folder.to_path_buf()];
    while let Some(folder) = folders.pop() {
        for entry in fs::read_dir(&folder).expect("a folder of the repository").flatten() {
            let path = entry.path();
            if path.is_dir() {
                folders.push(path);
            } else if path.extension().is_some_and(|e| e == "rs") {
                let name =
                    path.strip_prefix(source()).expect("under src").to_string_lossy().replace('\\', "/");
                found.push((name, fs::read_to_string(&path).expect("readable source")));
            }
        }
    }
    found.sort();
    found
}

/// A line without its comment. Two slashes within an open quote are no comment.
fn code(line: &str) -> &str {
    let comment = line.match_indices("//").find(|(at, _)| line[..*at].matches('"').count().is_multiple_of(2));
    comment.map_or(line, |(at, _)| &line[..at])
}

/// The first names that a path leads on to: `engine::Key` gives engine, `{a, b::{c, d}}` gives a and b.
fn first_names(path: &str) -> Vec<&str> {
    let name = |text: &str| text.find(|c: char| !c.is_alphanumeric() && c != '_').unwrap_or(text.len());
    let Some(group) = path.strip_prefix('{') else { return vec![&path[..name(path)]] };
    let (mut depth, mut names, mut is_first) = (0, Vec::new(), true);
    for (at, character) in group.char_indices() {
        match character {
            '{' => depth += 1,
            '}' if depth == 0 => break,
            '}' => depth -= 1,
            ',' if depth == 0 => is_first = true,
            c if is_first && c.is_alphabetic() => {
                names.push(&group[at..at + name(&group[at..])]);
                is_first = false;
            }
            _ => (),
        }
    }
    names
}

/// The rooms that a file names, by `crate::` or by climbing to the root with `super::`.
fn named_rooms(file: &str, text: &str) -> Vec<String> {
    let text: String = text.lines().map(|line| format!("{}\n", code(line))).collect();
    let mut names: Vec<&str> =
        text.match_indices("crate::").flat_map(|(at, it)| first_names(&text[at + it.len()..])).collect();
    let own_module = if file.ends_with("/mod.rs") { 1 } else { 0 };
    let root = "super::".repeat(file.matches('/').count() + 1 - own_module);
    names.extend(text.match_indices(&root).flat_map(|(at, it)| {
        let rest = &text[at + it.len()..];
        if rest.starts_with("super::") { Vec::new() } else { first_names(rest) }
    }));
    let is_room = |name: &&str| ARROWS.iter().any(|(room, _)| room == name);
    let mut rooms: Vec<String> = names.into_iter().filter(is_room).map(str::to_owned).collect();
    rooms.sort();
    rooms.dedup();
    rooms
}

/// The arrows of a file that are not in the table.
fn wrong_arrows(file: &str, text: &str) -> Vec<String> {
    let room = file.split(['/', '.']).next().unwrap_or_default();
    let Some((_, allowed)) = ARROWS.iter().find(|(name, _)| *name == room) else { return Vec::new() };
    let is_wrong = |other: &String| other != room && !allowed.contains(&other.as_str());
    named_rooms(file, text)
        .into_iter()
        .filter(is_wrong)
        .map(|other| format!("{file}: {room} → {other}"))
        .collect()
}

/// The words of a text in lower case; `ReadCommand` and `read_command` are two words each.
fn words(text: &str) -> Vec<String> {
    let mut words = vec![String::new()];
    let mut was_lower = false;
    for character in text.chars() {
        if !character.is_alphabetic() || (character.is_uppercase() && was_lower) {
            words.push(String::new());
        }
        if character.is_alphabetic() {
            words.last_mut().expect("never empty").extend(character.to_lowercase());
        }
        was_lower = character.is_lowercase();
    }
    words.retain(|word| !word.is_empty());
    words
}

/// The lines of a file that speak of storage, comments included.
fn storage_talk(file: &str, text: &str) -> Vec<String> {
    let speaks = |line: &str| {
        let rest = ENGINE_MAY_SAY.iter().fold(line.to_owned(), |line, phrase| line.replace(phrase, ""));
        words(&rest).into_iter().find(|word| STORAGE_WORDS.contains(&word.as_str()))
    };
    let number =
        |(index, line)| speaks(line).map(|word| format!("{file}:{}: `{word}`: {}", index + 1, line.trim()));
    text.lines().enumerate().filter_map(number).collect()
}

/// The lines of a file that name a clock of the world outside.
fn clocks(file: &str, text: &str) -> Vec<String> {
    let is_clock = |word: &str| word == "Instant" || word == "SystemTime" || word == "UNIX_EPOCH";
    let looks = |line: &str| code(line).split(|c: char| !c.is_alphanumeric() && c != '_').any(is_clock);
    let lines = text.lines().enumerate().filter(|(_, line)| looks(line));
    lines.map(|(index, line)| format!("{file}:{}: {}", index + 1, line.trim())).collect()
}

#[test]
fn no_room_names_a_room_outside_its_arrows() {
    let wrong: Vec<String> =
        files(&source()).iter().flat_map(|(file, text)| wrong_arrows(file, text)).collect();
    assert!(wrong.is_empty(), "{}", wrong.join("\n"));
}

#[test]
fn every_room_has_its_row_in_the_table_of_arrows() {
    let mut rooms: Vec<String> =
        files(&source()).iter().filter_map(|(file, _)| Some(file.split_once('/')?.0.into())).collect();
    rooms.dedup();
    let mut listed: Vec<&str> = ARROWS.iter().map(|(room, _)| *room).collect();
    listed.sort_unstable();
    assert_eq!(rooms, listed);
}

#[test]
fn the_engine_has_no_word_of_storage() {
    let all = files(&source().join("engine"));
    assert!(all.len() > 5, "only {} files were found", all.len());
    let talk: Vec<String> = all.iter().flat_map(|(file, text)| storage_talk(file, text)).collect();
    assert!(talk.is_empty(), "{}", talk.join("\n"));
}

#[test]
fn nothing_below_the_command_line_looks_at_a_clock() {
    let all = files(&source());
    let below = all.iter().filter(|(file, _)| !file.starts_with("cli/"));
    let found: Vec<String> = below.flat_map(|(file, text)| clocks(file, text)).collect();
    assert!(found.is_empty(), "{}", found.join("\n"));
}

/// `forbid` cannot be allowed again further down; the manifest's lints hold for every target.
#[test]
fn unsafe_code_is_forbidden_in_the_whole_package() {
    let manifest = include_str!("../../Cargo.toml");
    let manifest: toml::Table = manifest.parse().expect("a manifest");
    let lint = manifest.get("lints").and_then(|l| l.get("rust")).and_then(|l| l.get("unsafe_code"));
    assert_eq!(lint.and_then(toml::Value::as_str), Some("forbid"));
}

/// The reader of arrows is itself put to lines that must be caught, and to some that must not.
#[test]
fn a_wrong_arrow_is_caught_however_it_is_written() {
    let caught: &[(&str, &str, &str)] = &[
        ("measure/latency.rs", "use crate::study::run;", "measure → study"),
        ("engine/kernel.rs", "use crate::{measure::Latencies, engine::Key};", "engine → measure"),
        (
            "report/csv.rs",
            "use crate::{\n    outcome::Figure,\n    theory::{queues, scenario},\n};",
            "report → theory",
        ),
        ("theory/links.rs", "let x = crate::engine::SimTime::ZERO;", "theory → engine"),
        ("outcome/run.rs", "use super::super::report::text;", "outcome → report"),
        ("traffic/mod.rs", "pub use super::system::Plan;", "traffic → system"),
        ("cli/run.rs", "pub(crate) fn f(x: &crate::engine::Key) {}", "cli → engine"),
        ("system/path.rs", "let s = \"a // b\"; use crate::study;", "system → study"),
        ("scenario/schema/rows.rs", "use super::super::super::traffic::Sources;", "scenario → traffic"),
    ];
    for (file, line, arrow) in caught {
        let found = wrong_arrows(file, line);
        assert_eq!(found, [format!("{file}: {arrow}")], "{line}");
    }
    let sound: &[(&str, &str)] = &[
        ("measure/latency.rs", "use crate::engine::Key; // as crate::study does"),
        ("measure/latency.rs", "//! See [`crate::study`]."),
        ("report/terminal/blame.rs", "use crate::report::text; use super::super::grid;"),
        ("scenario/read/law.rs", "use super::super::units; use crate::engine::{Law, theory};"),
        ("study/run.rs", "use super::traffic_of;"),
        ("main.rs", "forebay::cli::main()"),
    ];
    for (file, line) in sound {
        assert_eq!(wrong_arrows(file, line), [""; 0], "{line}");
    }
}

#[test]
fn talk_of_storage_and_clocks_is_caught_in_code_and_comment() {
    let talk = [
        "/// A drive's queue.",
        "fn pickDrive() {}",
        "let write_bytes = 1;",
        "enum Op { ReadData }",
        "// raid",
    ];
    for line in talk {
        assert_eq!(storage_talk("engine/x.rs", line).len(), 1, "{line}");
    }
    for line in
        ["Ready::Fixed", "// storage-agnostic", "let already_spread = 2;", "blockade", "// cache line"]
    {
        assert_eq!(storage_talk("engine/x.rs", line), [""; 0], "{line}");
    }
    assert_eq!(clocks("study/run.rs", "let t = std::time::Instant::now();").len(), 1);
    assert_eq!(clocks("study/run.rs", "// an Instant\nlet Instantly = 1;"), [""; 0]);
}
