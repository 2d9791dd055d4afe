//! What the user writes: the schema, units, spans and diagnostics, and the checked [`Scenario`].
mod model;
pub use model::*;
