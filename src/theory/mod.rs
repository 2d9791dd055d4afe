//! theory.
