//! tmp
mod report;
