//! `forebay compare`: which designs take part and what they are called.

use std::path::{Path, PathBuf};
use std::sync::atomic::{AtomicBool, Ordering};

use clap::Args;

use crate::outcome::{CompareOutcome, State};
use crate::report::{csv, json, terminal};
use crate::scenario::Scenario;
use crate::study::{self, CompareError, Contender, Context};

use super::clock::TimeArgs;
use super::output::{Output, refuse};
use super::{Ending, ResultArgs, ScenarioArgs, clock};

const HELP: &str = "\
Examples:
  forebay compare candidate-a.toml candidate-b.toml
  forebay compare mine.toml --set design.drives.count=24
  forebay compare mine.toml --set design.cpu.cores=8 --set 'design.cpu.cores=8; design.drives.count=24'
  forebay compare a.toml b.toml --set class.ticketing-db.machines=30 --csv differences.csv

All designs meet the same traffic, and every later one is compared with the first. With one file, the file
as it stands is the first design and each --set makes another; `;` parts the changes of one design. With
several files each --set changes all of them.

Exit status: 0 all is well, 1 a design does not carry its load or misses an objective or that is not
known, 2 the input is wrong, 3 an audit failed, 130 interrupted (what is known is printed).";

/// A page of more designs than this answers no question.
const DESIGNS_MOST: usize = 16;

/// Name of the design that a single file describes.
const AS_IT_STANDS: &str = "as it stands";

#[derive(Args)]
#[command(after_help = HELP)]
pub(super) struct CompareArgs {
    /// Scenarios, TOML files; the others are compared with the first
    #[arg(required = true)]
    scenarios: Vec<PathBuf>,
    /// With one file: a design of its own, its changes parted by `;`. With several: a change to all
    #[arg(long, value_name = "PATH=VALUE")]
    set: Vec<String>,
    /// Master seed of all designs, instead of the first one's run.seed
    #[arg(long, value_name = "N")]
    seed: Option<u64>,
    #[command(flatten)]
    pub results: ResultArgs,
    #[command(flatten)]
    time: TimeArgs,
    /// Every member of every station in the JSON
    #[arg(long)]
    detail: bool,
}

/// A design before it is read.
struct Entry {
    name: String,
    file: PathBuf,
    set: Vec<String>,
}

pub(super) fn compare(args: &CompareArgs, output: &Output, interrupted: &AtomicBool) -> Ending {
    let entries = entries(&args.scenarios, &args.set);
    if entries.len() < 2 {
        return refuse(CompareError::TooFew);
    }
    if entries.len() > DESIGNS_MOST {
        let help = "compare fewer at a time, each time with the same first design";
        return refuse(format!(
            "there are {} designs, and at most {DESIGNS_MOST} are compared\n  help: {help}",
            entries.len()
        ));
    }
    let contenders = match read(entries, args.seed, output) {
        Ok(contenders) => contenders,
        Err(ending) => return ending,
    };
    let detail = args.detail;
    let asked = clock::ask(&args.time, output, interrupted, |context| {
        study::compare(&contenders, &Context { detail, ..*context })
    });
    let outcome = match asked {
        Ok(Ok(outcome)) => outcome,
        Ok(Err(error)) => return refuse(error),
        Err(ending) => return ending,
    };
    let delivered = output.deliver(
        |style| terminal::compare(&outcome, style),
        || json::to_json(&outcome),
        || csv::compare_csv(&outcome),
    );
    delivered.err().unwrap_or_else(|| ending(&outcome, interrupted.load(Ordering::Relaxed)))
}

/// The designs that files and changes make.
fn entries(files: &[PathBuf], sets: &[String]) -> Vec<Entry> {
    let mut entries: Vec<Entry> = match files {
        [file] => {
            let of = |name: &str, set: Vec<String>| Entry { name: name.into(), file: file.clone(), set };
            let changed = sets.iter().map(|set| of(set.trim(), changes(set)));
            std::iter::once(of(AS_IT_STANDS, Vec::new())).chain(changed).collect()
        }
        _ => {
            let set: Vec<String> = sets.iter().flat_map(|set| changes(set)).collect();
            let names = short_names(files).into_iter().zip(files);
            names.map(|(name, file)| Entry { name, file: file.clone(), set: set.clone() }).collect()
        }
    };
    tell_apart(&mut entries);
    entries
}

/// The changes of one `--set`, parted by semicolons outside quotes. One that holds none is left to be refused.
fn changes(set: &str) -> Vec<String> {
    let (mut list, mut start, mut quote) = (Vec::new(), 0, None);
    for (at, c) in set.char_indices() {
        match (quote, c) {
            (None, ';') => {
                list.push(&set[start..at]);
                start = at + 1;
            }
            (None, '"' | '\'') => quote = Some(c),
            (Some(q), c) if c == q => quote = None,
            _ => {}
        }
    }
    list.push(&set[start..]);
    let changes: Vec<String> =
        list.into_iter().map(str::trim).filter(|one| !one.is_empty()).map(str::to_owned).collect();
    if changes.is_empty() { vec![set.to_owned()] } else { changes }
}

/// The ends of paths, as short as tells them apart.
fn short_names(files: &[PathBuf]) -> Vec<String> {
    let parts: Vec<Vec<String>> = files.iter().map(|file| components(file)).collect();
    let end = |of: &[String], kept: usize| of[of.len().saturating_sub(kept)..].join("/");
    parts
        .iter()
        .enumerate()
        .map(|(n, own)| {
            let is_shared = |kept: &usize| {
                let mut others = parts.iter().enumerate().filter(|(m, other)| *m != n && *other != own);
                others.any(|(_, other)| end(other, *kept) == end(own, *kept))
            };
            let kept = (1..own.len()).find(|kept| !is_shared(kept)).unwrap_or(own.len());
            end(own, kept)
        })
        .collect()
}

fn components(file: &Path) -> Vec<String> {
    file.components().map(|part| part.as_os_str().to_string_lossy().into_owned()).collect()
}

/// Numbers designs of the same name.
fn tell_apart(entries: &mut [Entry]) {
    for n in 1..entries.len() {
        let taken: Vec<String> = entries[..n].iter().map(|entry| entry.name.clone()).collect();
        let stem = entries[n].name.clone();
        let mut number = 2;
        while taken.contains(&entries[n].name) {
            entries[n].name = format!("{stem} ({number})");
            number += 1;
        }
    }
}

/// Reads all of them; complains about all that is wrong with any.
fn read(entries: Vec<Entry>, seed: Option<u64>, output: &Output) -> Result<Vec<Contender>, Ending> {
    let mut contenders = Vec::new();
    let mut refused = None;
    for Entry { name, file, set } in entries {
        let args = ScenarioArgs { scenario: file, set, seed };
        let scenario: Result<Scenario, Ending> = super::read(&args, output);
        match scenario {
            Ok(scenario) => contenders.push(Contender { name, scenario }),
            Err(ending) => {
                refused = Some(ending);
                // What is wrong with a file is wrong with every change to it.
                if name == AS_IT_STANDS {
                    break;
                }
            }
        }
    }
    refused.map_or(Ok(contenders), Err)
}

/// The first status that applies.
fn ending(outcome: &CompareOutcome, interrupted: bool) -> Ending {
    let runs = || outcome.designs.iter().map(|design| &design.run);
    let is_well = |state: State, met: Option<bool>| state == State::Stable && met == Some(true);
    if interrupted {
        Ending::Interrupted
    } else if runs().any(|run| run.audit.iter().any(|row| !row.ok)) {
        Ending::Untrue
    } else if runs().all(|run| is_well(run.verdict.state, run.verdict.objectives_met)) {
        Ending::Well
    } else {
        Ending::Missed
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn names(files: &[&str], sets: &[&str]) -> Vec<String> {
        let files: Vec<PathBuf> = files.iter().map(PathBuf::from).collect();
        let sets: Vec<String> = sets.iter().map(|set| (*set).to_owned()).collect();
        entries(&files, &sets).into_iter().map(|entry| entry.name).collect()
    }

    #[test]
    fn files_are_named_by_the_shortest_end_that_tells_them_apart() {
        assert_eq!(names(&["x/a.toml", "x/b.toml"], &[]), ["a.toml", "b.toml"]);
        assert_eq!(names(&["x/a.toml", "y/a.toml", "y/b.toml"], &[]), ["x/a.toml", "y/a.toml", "b.toml"]);
        assert_eq!(names(&["a.toml", "y/a.toml"], &[]), ["a.toml", "y/a.toml"]);
        assert_eq!(names(&["a.toml", "a.toml", "a.toml"], &[]), ["a.toml", "a.toml (2)", "a.toml (3)"]);
    }

    #[test]
    fn one_file_and_its_changes_are_named_by_the_changes() {
        let found = names(&["a.toml"], &["x=1", " x=2; y=3 ", "x=1"]);
        assert_eq!(found, ["as it stands", "x=1", "x=2; y=3", "x=1 (2)"]);
        assert_eq!(names(&["a.toml"], &[]).len(), 1);
    }

    #[test]
    fn semicolons_part_changes_but_not_within_quotes() {
        assert_eq!(changes("a=1; b.c = 2;"), ["a=1", "b.c = 2"]);
        assert_eq!(changes(r#"title="one; two"; a=1"#), [r#"title="one; two""#, "a=1"]);
        assert_eq!(changes(";"), [";"], "left to be refused");
    }
}
