//! `forebay report`.

use std::path::{Path, PathBuf};
use std::sync::atomic::{AtomicBool, Ordering};

use clap::Args;

use crate::report::html::{Findings, page};
use crate::report::json;
use crate::scenario::Scenario;
use crate::study::{self, Context, StudyError};

use super::clock::TimeArgs;
use super::output::{Output, complain, put, refuse};
use super::sweep::table_of;
use super::{Ending, ScenarioArgs, clock};

const HELP: &str = "\
Examples:
  forebay report mine.toml                      runs what is needed, writes mine.html
  forebay report mine.toml --out design-a.html --skip fit
  forebay report run.json knee.json --out design-a.html      from results that are there
  forebay report compare.json --out a-or-b.html              designs side by side
  forebay report night.db --out night.html                   a sweep: its points, to be filtered and chosen from

Answers are kept in a folder and taken from there while scenario and version are the same.

Exit status: 0 the page is written, 1 it is, with what was known when the time was over, 2 the input is
wrong, 130 interrupted (the page is written with what is known).";

#[derive(Args)]
#[command(after_help = HELP)]
pub(super) struct ReportArgs {
    /// A scenario, a TOML file; or results: JSON of run, knee, fit, wear, compare, sweep show or sweep export; a store of a sweep
    #[arg(required = true)]
    files: Vec<PathBuf>,
    /// The page (default: the name of the first file with `.html`); - is stdout
    #[arg(long, value_name = "FILE|-")]
    out: Option<PathBuf>,
    /// Questions that are not asked, parted by commas: knee, fit, wear
    #[arg(long, value_name = "QUESTIONS", value_delimiter = ',')]
    skip: Vec<String>,
    /// Folder of answers that are kept
    #[arg(long, value_name = "FOLDER", default_value = "forebay-answers")]
    answers: PathBuf,
    /// Change a key of the scenario: design.drives.count=24 (may be repeated)
    #[arg(long, value_name = "PATH=VALUE")]
    set: Vec<String>,
    /// Master seed, instead of run.seed
    #[arg(long, value_name = "N")]
    seed: Option<u64>,
    #[command(flatten)]
    time: TimeArgs,
}

/// Questions of a page that may be left out; the stated load is always asked.
const SKIPPED: [&str; 3] = ["knee", "fit", "wear"];

pub(super) fn report(args: &ReportArgs, output: &Output, interrupted: &AtomicBool) -> Ending {
    written(args, output, interrupted).unwrap_or_else(|ending| ending)
}

fn written(args: &ReportArgs, output: &Output, interrupted: &AtomicBool) -> Result<Ending, Ending> {
    if let Some(wrong) = args.skip.iter().find(|word| !SKIPPED.contains(&word.as_str())) {
        return Err(refuse(format!("`--skip {wrong}`: expected {}", SKIPPED.join(", "))));
    }
    let first = &args.files[0];
    let is_result =
        |path: &PathBuf| path.extension().is_some_and(|ending| ending == "json" || ending == "db");
    let findings = match (args.files.iter().all(is_result), args.files.len()) {
        (true, _) if !args.set.is_empty() || args.seed.is_some() => {
            return Err(refuse("`--set` and `--seed` change a scenario, and these are results"));
        }
        (true, _) => results(&args.files)?,
        (false, 1) => asked(args, output, interrupted)?,
        (false, _) => {
            return Err(refuse("one scenario, or results of one scenario (`.json`, `.db`), and not both"));
        }
    };
    for words in &findings.missing {
        complain(&format!("note: {words}"));
    }
    let text = page(&findings).map_err(refuse)?;
    let out = args.out.clone().unwrap_or_else(|| first.with_extension("html"));
    let shown = out.display().to_string();
    put(&shown, &text)?;
    if !output.quiet && shown != "-" {
        put(
            "-",
            &format!("{shown}: {} kB, opens in a browser without a network\n", text.len().div_ceil(1000)),
        )?;
    }
    Ok(match findings.missing.is_empty() {
        _ if interrupted.load(Ordering::Relaxed) => Ending::Interrupted,
        true => Ending::Well,
        false => Ending::Missed,
    })
}

/// Reads results; each file is told by what is in it.
fn results(files: &[PathBuf]) -> Result<Findings, Ending> {
    let mut findings = Findings::default();
    for path in files {
        let shown = path.display();
        if path.extension().is_some_and(|ending| ending == "db") {
            let found = study::sweep_findings(&table_of(path)?).map_err(refuse)?;
            if findings.sweep.replace(found).is_some() {
                return Err(refuse(format!(
                    "{shown} is a second sweep, and a page has one\n  help: a page for each"
                )));
            }
            continue;
        }
        // Results may be larger than anybody writes a scenario.
        let text = std::fs::read_to_string(path)
            .map_err(|error| refuse(format!("cannot read `{shown}`: {error}")))?;
        findings.take(&text).map_err(|why| {
            let help = "`forebay run mine.toml --json run.json` writes a result; `forebay compare` sets designs side by side";
            refuse(format!("{shown} is {why}\n  help: {help}"))
        })?;
    }
    Ok(findings)
}

/// Asks a scenario what the page tells, or takes what was answered before.
fn asked(args: &ReportArgs, output: &Output, interrupted: &AtomicBool) -> Result<Findings, Ending> {
    let scenario = super::read(
        &ScenarioArgs { scenario: args.files[0].clone(), set: args.set.clone(), seed: args.seed },
        output,
    )?;
    let key = study::answer_key(&scenario).map_err(refuse)?;
    let (findings, notes) =
        clock::ask(&args.time, output, interrupted, |context| ask_all(args, &scenario, key, context))?;
    notes.iter().for_each(|note| complain(note));
    if findings.run.is_none() {
        return Err(Ending::BadInput);
    }
    Ok(findings)
}

/// Asks one question after the other, each within its share of the time.
fn ask_all(
    args: &ReportArgs,
    scenario: &Scenario,
    key: String,
    context: &Context,
) -> (Findings, Vec<String>) {
    let wants = |question: &str| match question {
        "fit" if scenario.objectives.is_empty() => false,
        _ => !args.skip.iter().any(|word| word == question),
    };
    let left = 1 + SKIPPED.iter().filter(|question| wants(question)).count();
    let mut ask =
        Asking { folder: &args.answers, key, context, left, notes: Vec::new(), missing: Vec::new() };
    let run = ask.one("run", &|context| study::run(scenario, context));
    let knee = wants("knee").then(|| ask.one("knee", &|context| study::knee(scenario, context)));
    let fit = wants("fit").then(|| ask.one("fit", &|context| study::fit(scenario, None, context)));
    let wear = wants("wear").then(|| ask.one("wear", &|context| study::wear(scenario, context)));
    let missing = ask.missing;
    let findings = Findings {
        run,
        knee: knee.flatten(),
        fit: fit.flatten(),
        wear: wear.flatten(),
        missing,
        ..Findings::default()
    };
    (findings, ask.notes)
}

/// Asks questions, and keeps their answers in a folder.
struct Asking<'a> {
    folder: &'a Path,
    key: String,
    context: &'a Context<'a>,
    /// Questions still to be asked, this one among them.
    left: usize,
    /// Questions that have no answer, and why.
    notes: Vec<String>,
    /// Questions that were not asked, or whose answer was not finished.
    missing: Vec<String>,
}

impl Asking<'_> {
    /// One question: what was kept, or its answer now, which is kept if it is whole. The stated load is always asked: what
    /// there is of it heads the page.
    fn one<T: serde::Serialize + serde::de::DeserializeOwned>(
        &mut self,
        question: &str,
        ask: &dyn Fn(&Context) -> Result<T, StudyError>,
    ) -> Option<T> {
        let left = self.left;
        self.left = left.saturating_sub(1);
        let path = self.folder.join(format!("{question}-{}.json", self.key));
        let held = std::fs::read_to_string(&path).ok().and_then(|text| serde_json::from_str(&text).ok());
        if held.is_some() {
            return held;
        }
        if self.context.is_over() && question != "run" {
            self.missing.push(format!("`{question}` is not on this page: {}", self.context.why_cut()));
            return None;
        }
        let say = |words: &str| (self.context.progress)(&format!("{question}: {words}"));
        let context = Context { progress: &say, ..*self.context };
        let (answer, is_cut) = context.one_of(left, || (ask(&context), context.is_cut()));
        let answer = match answer {
            Ok(answer) => answer,
            Err(error) => {
                self.notes.push(format!("note: no answer to `{question}`: {error}"));
                return None;
            }
        };
        if is_cut {
            self.missing.push(format!("`{question}` is not finished: {}", self.context.why_cut()));
            return Some(answer);
        }
        // A folder that cannot be written to costs time the next time, and nothing now.
        let kept =
            std::fs::create_dir_all(self.folder).and_then(|()| std::fs::write(&path, json::to_json(&answer)));
        if let Err(error) = kept {
            self.notes
                .push(format!("note: the answer to `{question}` is not kept: {}: {error}", path.display()));
        }
        Some(answer)
    }
}
