//! study.
