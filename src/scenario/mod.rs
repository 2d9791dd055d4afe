//! What the user writes: the schema, units, spans and diagnostics, and the checked [`Scenario`].
//!
//! A scenario is read in three steps. `tree` keeps every key and value with the place where it was
//! written, and `overrides` grafts the command line onto it; `read` builds the checked [`Scenario`]
//! by the rules of `schema`, the one table of keys; what is wrong on the way gathers in
//! [`Diagnostics`] and is shown all at once. Only the types of `model` leave this room.

mod catalogue;
mod defaults;
mod diagnostics;
mod explain;
mod interface;
mod lanes;
mod load;
mod model;
mod overrides;
mod read;
mod schema;
mod spelling;
mod sweep;
mod tree;
pub mod units;
mod written;

pub use defaults::{Defaults, KeyAtDefault};
pub use diagnostics::Diagnostics;
pub use explain::explain;
pub use lanes::LaneTaker;
pub use load::{SIZE_MAX, load, parse, read_source};
pub use model::*;
pub use overrides::Override;
pub use spelling::nearest;
pub use sweep::{Ask, Axis, Choices, Goal, Limits, Sample, SampleKind, Sweep, load_sweep, parse_sweep};
pub use written::{is_text, written};

/// A commented scenario to begin with, which loads as it is.
pub fn starter() -> &'static str {
    include_str!("starter.toml")
}

#[cfg(test)]
mod tests;
