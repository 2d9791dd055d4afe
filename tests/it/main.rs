//! The integration tests, in one binary.
mod report;
mod theory;
