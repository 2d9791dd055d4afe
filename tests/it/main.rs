//! One integration binary.
//!
//! - `scenario_errors`: malformed scenarios, and what is said about them.
mod scenario_errors;
