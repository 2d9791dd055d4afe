//! tmp
mod traces;
