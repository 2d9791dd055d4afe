//! measure.
