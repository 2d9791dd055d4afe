//! tmp
mod measure;
