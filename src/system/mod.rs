//! system.
