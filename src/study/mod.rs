//! The questions: each study runs a scenario (or several) and writes an outcome.
//!
//! `run` is the way in: `calibrate` solves the drive, `setting` compiles, `pilot` plans, `replication` carries a `scene` through its window,
//! `lockstep` extends all replications together, `overload` watches it, `targets`
//! says what must be precise, `periods` cuts a run with dates and `transient` tells what was seen in each, `mix` what static arithmetic is asked about, `judge` says whether the load is sustained, and `summary` (with `stations`, `audit`, `assumptions`) writes the answer.
//!
//! `knee` and `fit` search: `scaled` varies the load or the machines, `trial` tries one, `attempts` keeps what was tried;
//! `saturation`, `limit` and `elasticity` ask, `curve` and `ladder` draw what lies between and beyond, `paper` adds up.
//!
//! `wear` takes the `ledger` of a run and the pace of a rebuild, and adds up room, wear, risk and price.

mod assumptions;
mod attempts;
mod audit;
mod calibrate;
mod check;
mod compare;
mod context;
mod curve;
mod elasticity;
mod fit;
mod judge;
mod knee;
mod ladder;
mod ledger;
mod limit;
mod lockstep;
mod mix;
mod overload;
mod paper;
mod periods;
mod pilot;
mod rebuild;
mod relief;
mod replication;
mod run;
mod saturation;
mod scaled;
mod scene;
mod setting;
mod stations;
mod summary;
mod sustain;
mod sweep;
mod targets;
mod textbook;
mod transient;
mod trial;
mod verify;
mod wear;

pub use check::check;
pub use compare::{CompareError, Contender, compare};
pub use context::{Context, Time};
pub use fit::fit;
pub use knee::knee;
pub use run::run;
pub use setting::StudyError;
pub use sweep::{
    Base, Best, Bound, Planned, Query, RaceEnd, Shard, Step, answer_key, can_race,
    findings as sweep_findings, list, named_files, plan as plan_sweep, race, sought, sought_so_far, spread,
    sweep, unknown_goal,
};
pub use textbook::{TEXTBOOKS, Textbook};
pub use verify::verify;
pub use wear::wear;

/// Name and version of the tool, as every outcome states it.
pub const TOOL: &str = concat!("forebay ", env!("CARGO_PKG_VERSION"));
