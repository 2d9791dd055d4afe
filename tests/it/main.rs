//! tmp
mod theory;
