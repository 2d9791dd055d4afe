//! What is kept of a run, and what it says about the design.
//!
//! A replication fills [`Latencies`], [`BlameTable`] and [`Population`] as requests finish; when all
//! are done, [`mean_estimate`], [`percentile_estimate`] and [`rate_estimate`] turn the replications
//! into figures with intervals, [`mean_difference`] and its
//! relatives two designs' replications into differences, [`Drift`] tells whether the backlog grows, [`warmup::truncation`]
//! where the start-up ends and [`StoppingRule`] whether to go on. A [`Point`] is what a transient run keeps of
//! a moment; [`first_order`] says which of several drawn inputs a result depends on. Plain numbers throughout: nothing
//! here knows what a scenario or an outcome is.
//!
//! Invariants: sums of time are exact integers in picoseconds; replications are folded in the order
//! given, so that a figure does not depend on threads; a figure that does not exist is a [`Reason`].

pub mod blame;
pub mod bracket;
pub mod drift;
pub mod estimate;
pub mod imbalance;
pub mod latency;
pub mod margins;
pub mod paired;
pub mod population;
pub mod precision;
pub mod sensitivity;
pub mod series;
pub mod student;
pub mod warmup;

pub use blame::{Blame, BlameTable};
pub use bracket::{Bracket, Crossing, Effort, Guess, Loads, Standing, Wanted, bracket};
pub use drift::{Drift, Watch};
pub use estimate::{
    Interval, Reason, log_percentile_estimate, mean_estimate, percentile_estimate, percentile_estimates,
    pool, rate_estimate, t_interval,
};
pub use imbalance::{Folds, excess_of_most_loaded};
pub use latency::{Latencies, Quantile};
pub use margins::{Margin, Margins};
pub use paired::{Difference, Missing, mean_difference, percentile_difference, rate_difference};
pub use population::Population;
pub use precision::{Decision, Round, StoppingRule};
pub use sensitivity::first_order;
pub use series::Point;
