//! The command line: one file per command; here the options that all share, and exit statuses.
//!
//! Results go to stdout, everything else to stderr. Exit status, the first that applies: 130
//! interrupted; 3 an audit or `verify` failed; 2 the input is wrong; 1 an objective is missed,
//! the load is not carried, or either is not known; 0.

mod check;
mod clock;
mod compare;
mod explain;
mod fit;
mod knee;
mod new;
mod output;
mod progress;
mod report;
mod run;
#[cfg(feature = "serve")]
mod serve;
mod sweep;
mod verify;
mod wear;

use std::path::PathBuf;
use std::process::ExitCode;
use std::sync::Arc;
use std::sync::atomic::{AtomicBool, Ordering};

use clap::{Args, Parser, Subcommand, ValueEnum};

use crate::scenario::{Diagnostics, Override, Scenario, load};
use output::Output;

const EXAMPLES: &str = "\
Examples:
  forebay new mine.toml                      write a commented starter scenario
  forebay check mine.toml                    is it valid, and what does static arithmetic say?
  forebay run mine.toml                      percentiles, utilisation, blame and audit
  forebay knee mine.toml                     at what load does it give way, and on what?
  forebay fit mine.toml                      how many machines meet the objectives?
  forebay run mine.toml --set design.drives.count=24 --json result.json
  forebay compare mine.toml --set design.drives.count=24      the same traffic on both
  forebay wear mine.toml                     how long do the drives last, at what risk and price?
  forebay sweep run night.toml --out night.db     many variants, overnight
  forebay report mine.toml --out design-a.html    one page to hand over
  forebay explain design.ports.rate          what a key means
";

fn examples() -> String {
    let serve = if cfg!(feature = "serve") {
        "  forebay serve .                            a folder in a browser, with a form to change a setting\n"
    } else {
        ""
    };
    format!("{EXAMPLES}{serve}")
}

const EXIT_STATUSES: &str = "\
Exit status:
  0    all is well
  1    an objective is missed, the stated load is not carried, or either is not known (`--within`
       may leave it so); data does not fit, or drives wear out before their warranty ends
  2    the input is wrong
  3    an audit or a check of `verify` failed
  130  interrupted; what is known is printed

Figures are estimates from a model: accept on measured results.";

/// Stress-tests a shared flash storage design before anyone buys it: every read and write of the
/// stated machines goes through the queues of the proposed design.
#[derive(Parser)]
#[command(name = "forebay", version, before_long_help = examples(), after_long_help = EXIT_STATUSES)]
struct Cli {
    #[command(subcommand)]
    command: Command,
    #[command(flatten)]
    common: Common,
}

#[derive(Subcommand)]
enum Command {
    /// Write a commented starter scenario
    New(new::NewArgs),
    /// Is the scenario valid, and what does static arithmetic say?
    Check(check::CheckArgs),
    /// Percentiles, utilisation, blame and audit at the stated load
    Run(run::RunArgs),
    /// Where the load curve bends, objectives give way and the design is full, and what binds next
    Knee(knee::KneeArgs),
    /// How many machines meet the objectives, healthy and under each fault
    Fit(fit::FitArgs),
    /// The same traffic on several designs: differences with intervals
    Compare(compare::CompareArgs),
    /// Room, how long the drives last, rebuild, risk of loss, power and price
    Wear(wear::WearArgs),
    /// Many variants of a scenario, kept in a store: resumable, in shards, with the front of the best
    Sweep(sweep::SweepArgs),
    /// One page for the customer: the answer, charts, tables, assumptions, cautions
    Report(report::ReportArgs),
    /// A folder in a browser: results, sweeps as they grow, a form to change a setting and ask again
    #[cfg(feature = "serve")]
    Serve(serve::ServeArgs),
    /// The tool against theory and standards, on this machine
    Verify(verify::VerifyArgs),
    /// What a scenario key means, its unit, default and source
    Explain(explain::ExplainArgs),
}

/// A scenario file, and changes to it.
#[derive(Args)]
struct ScenarioArgs {
    /// The scenario, a TOML file
    scenario: PathBuf,
    /// Change a key: design.drives.count=24, class.NAME.machines=30 (may be repeated)
    #[arg(long, value_name = "PATH=VALUE")]
    set: Vec<String>,
    /// Master seed, instead of run.seed
    #[arg(long, value_name = "N")]
    seed: Option<u64>,
}

/// Where results go, beside the human answer.
#[derive(Args)]
struct ResultArgs {
    /// Write the result as JSON; - is stdout, without the human answer
    #[arg(long, value_name = "FILE|-")]
    json: Option<String>,
    /// Write the main table as CSV; - is stdout, without the human answer
    #[arg(long, value_name = "FILE|-")]
    csv: Option<String>,
}

/// Options of every command.
#[derive(Args)]
struct Common {
    /// Threads (default: one per core)
    #[arg(long, value_name = "N", global = true)]
    threads: Option<usize>,
    /// No progress, no human answer
    #[arg(long, global = true)]
    quiet: bool,
    /// Colour
    #[arg(long, value_enum, default_value_t = Color::Auto, value_name = "WHEN", global = true)]
    color: Color,
}

#[derive(Clone, Copy, PartialEq, Eq, ValueEnum)]
enum Color {
    Auto,
    Always,
    Never,
}

/// How a command ended.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
enum Ending {
    Well,
    Missed,
    BadInput,
    Untrue,
    Interrupted,
}

impl From<Ending> for ExitCode {
    fn from(ending: Ending) -> ExitCode {
        ExitCode::from(match ending {
            Ending::Well => 0,
            Ending::Missed => 1,
            Ending::BadInput => 2,
            Ending::Untrue => 3,
            Ending::Interrupted => 130,
        })
    }
}

/// Entry point of the program.
pub fn main() -> ExitCode {
    let cli = Cli::parse();
    let results = match &cli.command {
        Command::Check(args) => Some(&args.results),
        Command::Run(args) => Some(&args.results),
        Command::Knee(args) => Some(&args.results),
        Command::Fit(args) => Some(&args.results),
        Command::Compare(args) => Some(&args.results),
        Command::Wear(args) => Some(&args.results),
        Command::Sweep(args) => args.results(),
        Command::Verify(args) => Some(&args.results),
        Command::New(_) | Command::Explain(_) | Command::Report(_) => None,
        #[cfg(feature = "serve")]
        Command::Serve(_) => None,
    };
    let output = match Output::new(&cli.common, results) {
        Ok(output) => output,
        Err(message) => return output::refuse(message).into(),
    };
    if let Some(threads) = cli.common.threads {
        // Fails only if a pool exists already, and none does yet.
        let _ = rayon::ThreadPoolBuilder::new().num_threads(threads).build_global();
    }
    let interrupted = listen();
    let ending = match &cli.command {
        Command::New(args) => new::new(args, &output),
        Command::Check(args) => check::check(args, &output),
        Command::Run(args) => run::run(args, &output, &interrupted),
        Command::Knee(args) => knee::knee(args, &output, &interrupted),
        Command::Fit(args) => fit::fit(args, &output, &interrupted),
        Command::Compare(args) => compare::compare(args, &output, &interrupted),
        Command::Wear(args) => wear::wear(args, &output, &interrupted),
        Command::Sweep(args) => sweep::sweep(args, &output, &interrupted),
        Command::Report(args) => report::report(args, &output, &interrupted),
        #[cfg(feature = "serve")]
        Command::Serve(args) => serve::serve(args, &output, &interrupted),
        Command::Verify(args) => verify::verify(args, &output, &interrupted),
        Command::Explain(args) => explain::explain(args, &output),
    };
    ending.into()
}

/// A flag that the first Ctrl-C raises; the second leaves at once.
fn listen() -> Arc<AtomicBool> {
    let flag = Arc::new(AtomicBool::new(false));
    let raised = Arc::clone(&flag);
    // Without a handler Ctrl-C still ends the program, only without the last words.
    let _ = ctrlc::set_handler(move || {
        if raised.swap(true, Ordering::SeqCst) {
            std::process::exit(130);
        }
    });
    flag
}

/// Reads the scenario with its overrides; complains about all that is wrong with it.
fn read(args: &ScenarioArgs, output: &Output) -> Result<Scenario, Ending> {
    let mut overrides = Vec::new();
    for text in &args.set {
        match Override::parse(text) {
            Ok(one) => overrides.push(one),
            Err(message) => return Err(output::refuse(message)),
        }
    }
    if let Some(seed) = args.seed {
        overrides.push(Override { path: "run.seed".into(), value: seed.to_string() });
    }
    load(&args.scenario, &overrides).map_err(|diagnostics| wrong(&diagnostics, output))
}

/// Shows what is wrong with a file.
fn wrong(diagnostics: &Diagnostics, output: &Output) -> Ending {
    output::complain(diagnostics.render(output.color_err).trim_end());
    Ending::BadInput
}
