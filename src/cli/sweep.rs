//! `forebay sweep run|plan|show|merge|export`.

mod clock;
mod plan;
mod run;

use std::path::{Path, PathBuf};
use std::sync::atomic::AtomicBool;

use clap::{Args, Subcommand};

use crate::outcome::SweepTable;
use crate::report::{csv, json, terminal};
use crate::scenario::{Goal, Sweep, load_sweep, read_source};
use crate::store::{Store, StoreError};
use crate::study::{self, Base, Bound, Planned, Query, Shard};

use super::output::{Output, refuse};
use super::{Ending, ResultArgs};

const HELP: &str = "\
Examples:
  forebay sweep plan night.toml                    what will run, and what is left out
  forebay sweep run night.toml --out night.db      started again, it goes on where it ended
  forebay sweep run night.toml --out part3.db --shard 3/8
  forebay sweep run night.toml --out night.db --budget 6h    most time for what may be the best
  forebay sweep merge night.db part1.db part2.db part3.db
  forebay sweep show night.db --sort run.all.all.p99_us --where 'run.objectives_met>0'
  forebay sweep export night.db --csv night.csv
  forebay sweep show night.db --best
  forebay sweep show night.db --front -wear.years_to_rated_wear,wear.price_total

A sweep file names a base scenario and what varies of it (`forebay explain sweep`). Each point is in the
store for good as soon as it is finished.

Exit status: 0 all is well, 1 a point failed or the budget did not reach it, 2 the input is wrong, 130 interrupted (finished points are
kept).";

#[derive(Args)]
#[command(after_help = HELP)]
pub(super) struct SweepArgs {
    #[command(subcommand)]
    what: What,
}

#[derive(Subcommand)]
enum What {
    /// Asks every point that is not in the store yet
    Run(RunArgs),
    /// What would run, and what is left out
    Plan(PlanArgs),
    /// Points of a store: chosen, ordered, or those that nothing surely beats
    Show(ShowArgs),
    /// Joins the stores of shards
    Merge(MergeArgs),
    /// Every point and every figure, for other programs
    Export(ExportArgs),
}

#[derive(Args)]
struct RunArgs {
    /// The sweep, a TOML file
    sweep: PathBuf,
    /// The store, made if it is not there (default: the sweep's name with `.db`)
    #[arg(long, value_name = "STORE")]
    out: Option<PathBuf>,
    /// Only the points of shard K of N (default: of a job array, if this is a task of one)
    #[arg(long, value_name = "K/N")]
    shard: Option<String>,
    /// Time to spend, as in 6h: all points shortly, spread over the space, then longer those that may be on the [front]
    #[arg(long, alias = "within", value_name = "TIME")]
    budget: Option<String>,
    #[command(flatten)]
    results: ResultArgs,
}

#[derive(Args)]
struct PlanArgs {
    /// The sweep, a TOML file
    sweep: PathBuf,
    /// Only the points of shard K of N
    #[arg(long, value_name = "K/N")]
    shard: Option<String>,
    /// Do not ask points for ten seconds to tell how long all will take
    #[arg(long)]
    no_probe: bool,
    #[command(flatten)]
    results: ResultArgs,
}

#[derive(Args)]
struct ShowArgs {
    /// A store
    store: PathBuf,
    /// Figures to show, parted by commas
    #[arg(long, value_name = "FIGURES", value_delimiter = ',')]
    figures: Vec<String>,
    /// Only points that keep this bound, NAME<VALUE or NAME>VALUE; may be given often
    #[arg(long = "where", value_name = "BOUND")]
    bounds: Vec<String>,
    /// Order by these figures, least first; a minus in front puts the most first
    #[arg(long, value_name = "FIGURES", value_delimiter = ',', allow_hyphen_values = true)]
    sort: Vec<String>,
    /// Only points that no other surely beats in what the sweep's [front] names
    #[arg(long, conflicts_with = "front")]
    best: bool,
    /// Only points that no other surely beats in all of these; less is better, with a minus in front more
    #[arg(long, value_name = "FIGURES", value_delimiter = ',', allow_hyphen_values = true)]
    front: Vec<String>,
    /// With --front: a smaller difference of a simulated figure counts as none, as a share of it
    #[arg(long, value_name = "SHARE", default_value_t = 0.0)]
    alike: f64,
    /// Most rows on the terminal
    #[arg(long, value_name = "N", default_value_t = 40)]
    rows: usize,
    #[command(flatten)]
    results: ResultArgs,
}

#[derive(Args)]
struct MergeArgs {
    /// The store to join into, made if it is not there
    into: PathBuf,
    /// Stores of shards
    #[arg(required = true)]
    from: Vec<PathBuf>,
}

#[derive(Args)]
struct ExportArgs {
    /// A store
    store: PathBuf,
    /// As an Apache Parquet file; in a build with the feature `parquet`
    #[arg(long, value_name = "FILE")]
    parquet: Option<PathBuf>,
    #[command(flatten)]
    results: ResultArgs,
}

impl SweepArgs {
    /// Where JSON and CSV go.
    pub fn results(&self) -> Option<&ResultArgs> {
        match &self.what {
            What::Run(args) => Some(&args.results),
            What::Plan(args) => Some(&args.results),
            What::Show(args) => Some(&args.results),
            What::Export(args) => Some(&args.results),
            What::Merge(_) => None,
        }
    }
}

pub(super) fn sweep(args: &SweepArgs, output: &Output, interrupted: &AtomicBool) -> Ending {
    let ending = match &args.what {
        What::Run(args) => run::run(args, output, interrupted),
        What::Plan(args) => plan::plan(args, output, interrupted),
        What::Show(args) => show(args, output),
        What::Merge(args) => merge(args, output),
        What::Export(args) => export(args, output),
    };
    ending.unwrap_or_else(|ending| ending)
}

/// Reads a sweep and its base, and plans it.
fn planned(path: &Path, shard: Option<&str>, output: &Output) -> Result<(Sweep, Base, Planned), Ending> {
    let wrong = |diagnostics| super::wrong(&diagnostics, output);
    let sweep = load_sweep(path).map_err(wrong)?;
    let base = Base::new(&sweep, read_source(&sweep.base).map_err(wrong)?);
    let shard = match shard {
        Some(text) => Some(shard_of(text).ok_or_else(|| {
            refuse(format!("`--shard {text}` is no shard\n  help: K/N, as in 3/8: K from 1 to N"))
        })?),
        None => shard_of_job(&|name| std::env::var(name).ok()),
    };
    let planned = study::plan_sweep(&sweep, &base, shard).map_err(refuse)?;
    Ok((sweep, base, planned))
}

/// K/N.
fn shard_of(text: &str) -> Option<Shard> {
    let (index, count) = text.split_once('/')?;
    let shard = Shard { index: index.trim().parse().ok()?, count: count.trim().parse().ok()? };
    (shard.index >= 1 && shard.index <= shard.count).then_some(shard)
}

/// The shard of a task of a job array, by what the scheduler sets: SLURM_ARRAY_TASK_ID, _MIN and _COUNT; or
/// JOB_COMPLETION_INDEX of an indexed job, with FOREBAY_SHARDS from its manifest, for the job does not say how many there are.
fn shard_of_job(variable: &dyn Fn(&str) -> Option<String>) -> Option<Shard> {
    let number = |name: &str| variable(name).and_then(|text| text.parse::<u64>().ok());
    if let (Some(id), Some(count)) = (number("SLURM_ARRAY_TASK_ID"), number("SLURM_ARRAY_TASK_COUNT")) {
        let first = number("SLURM_ARRAY_TASK_MIN").unwrap_or(0);
        let step = number("SLURM_ARRAY_TASK_STEP").unwrap_or(1).max(1);
        return Some(Shard { index: (id.checked_sub(first)?) / step + 1, count })
            .filter(|s| s.index <= count);
    }
    let (index, count) = (number("JOB_COMPLETION_INDEX")?, number("FOREBAY_SHARDS")?);
    Some(Shard { index: index + 1, count }).filter(|shard| shard.index <= count)
}

/// Says why a store cannot be used.
fn cannot(path: &Path, error: StoreError) -> Ending {
    refuse(format!("{}: {error}", path.display()))
}

pub(super) fn table_of(path: &Path) -> Result<SweepTable, Ending> {
    Store::read(path).and_then(|store| store.table()).map_err(|error| cannot(path, error))
}

fn show(args: &ShowArgs, output: &Output) -> Result<Ending, Ending> {
    let table = table_of(&args.store)?;
    let goals = |names: &[String]| -> Vec<Goal> {
        let goal = |name: &String| match name.strip_prefix('-') {
            Some(figure) => Goal { figure: figure.into(), more: true },
            None => Goal { figure: name.clone(), more: false },
        };
        names.iter().map(goal).collect()
    };
    let bounds: Option<Vec<Bound>> = args.bounds.iter().map(|text| bound(text)).collect();
    let Some(bounds) = bounds else {
        return Err(refuse("`--where` takes NAME<VALUE or NAME>VALUE, as in 'run.all.all.p99_us<900'"));
    };
    if !(0.0..=1.0).contains(&args.alike) {
        return Err(refuse(format!("`--alike {}` is no share: expected 0 to 1", args.alike)));
    }
    let (front, alike) = if args.best { front_of(&table)? } else { (goals(&args.front), args.alike) };
    let query = Query {
        figures: args.figures.clone(),
        every_figure: false,
        bounds,
        order: goals(&args.sort),
        front,
        beaten_too: false,
        alike,
    };
    let all = study::list(&table, &query).map_err(refuse)?;
    let mut few = all.clone();
    few.rows.truncate(args.rows);
    output.deliver(
        |style| terminal::sweep_listing(&few, style),
        || json::to_json(&all),
        || csv::sweep_csv(&all),
    )?;
    Ok(Ending::Well)
}

/// What the sweep that a store was made from seeks.
fn front_of(table: &SweepTable) -> Result<(Vec<Goal>, f64), Ending> {
    study::sought(table).ok_or_else(|| {
        refuse(
            "the sweep has no [front]\n  help: name figures, as in `--front wear.price_total,-fit.machines`",
        )
    })
}

fn bound(text: &str) -> Option<Bound> {
    let at = text.find(['<', '>'])?;
    let (figure, value) = (text[..at].trim(), text[at + 1..].trim().trim_start_matches('=').trim());
    Some(Bound { figure: figure.into(), below: text[at..].starts_with('<'), value: value.parse().ok()? })
}

fn merge(args: &MergeArgs, output: &Output) -> Result<Ending, Ending> {
    let mut taken = 0;
    for path in &args.from {
        let from = Store::read(path).map_err(|error| cannot(path, error))?;
        let inputs = from.inputs().map_err(|error| cannot(path, error))?;
        let mut into = Store::open(&args.into, &inputs, false).map_err(|error| cannot(&args.into, error))?;
        taken += into.take_over(&from).map_err(|error| cannot(path, error))?;
    }
    if !output.quiet {
        let words = format!("{taken} points taken over into {}\n", args.into.display());
        super::output::put("-", &words)?;
    }
    Ok(Ending::Well)
}

fn export(args: &ExportArgs, output: &Output) -> Result<Ending, Ending> {
    let table = table_of(&args.store)?;
    if args.parquet.is_none() && args.results.json.is_none() && args.results.csv.is_none() {
        return Err(refuse("nothing says where to\n  help: `--csv FILE`, `--json FILE` or `--parquet FILE`"));
    }
    let all = study::list(&table, &Query { every_figure: true, ..Query::default() }).map_err(refuse)?;
    if let Some(path) = &args.parquet {
        write_parquet(path, &all)?;
    }
    let words = format!("{} points with {} figures each\n", all.rows.len(), all.known.len());
    output.deliver(|_| words, || json::to_json(&all), || csv::sweep_csv(&all))?;
    Ok(Ending::Well)
}

#[cfg(feature = "parquet")]
fn write_parquet(path: &Path, all: &crate::outcome::SweepListing) -> Result<(), Ending> {
    let bytes = crate::report::parquet::sweep_parquet(all).map_err(refuse)?;
    std::fs::write(path, bytes).map_err(|error| refuse(format!("cannot write `{}`: {error}", path.display())))
}

#[cfg(not(feature = "parquet"))]
fn write_parquet(_: &Path, _: &crate::outcome::SweepListing) -> Result<(), Ending> {
    Err(refuse(
        "this build writes no Parquet\n  help: `cargo install --path . --features parquet`, or `--csv FILE`",
    ))
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn shards_come_from_the_option_or_from_the_scheduler() {
        assert_eq!(shard_of("3/8"), Some(Shard { index: 3, count: 8 }));
        for wrong in ["0/8", "9/8", "3", "a/b", "-1/4"] {
            assert_eq!(shard_of(wrong), None, "{wrong}");
        }
        let slurm = |name: &str| {
            let value = match name {
                "SLURM_ARRAY_TASK_ID" => "7",
                "SLURM_ARRAY_TASK_COUNT" => "4",
                "SLURM_ARRAY_TASK_MIN" => "1",
                "SLURM_ARRAY_TASK_STEP" => "2",
                _ => return None,
            };
            Some(value.to_owned())
        };
        assert_eq!(shard_of_job(&slurm), Some(Shard { index: 4, count: 4 }));
        let indexed = |name: &str| match name {
            "JOB_COMPLETION_INDEX" => Some("0".to_owned()),
            "FOREBAY_SHARDS" => Some("5".to_owned()),
            _ => None,
        };
        assert_eq!(shard_of_job(&indexed), Some(Shard { index: 1, count: 5 }));
        assert_eq!(shard_of_job(&|_| None), None);
    }

    #[test]
    fn bounds_are_names_a_sign_and_a_value() {
        let found = bound("run.all.all.p99_us < 900").expect("a bound");
        assert_eq!((found.figure.as_str(), found.below, found.value), ("run.all.all.p99_us", true, 900.0));
        assert!(!bound("a>1e3").expect("a bound").below);
        assert!(bound("a=1").is_none() && bound("a<much").is_none());
    }
}
