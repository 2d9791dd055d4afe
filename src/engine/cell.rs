//! One cell of a request's row of station times.
//!
//! The engine carries a row of these for each request in flight, one cell a group of stations; the
//! finished row goes to the blame table. Kept apart, because engine and measure both speak of it.

/// What a request spent at one group of stations, in picoseconds.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub struct Cell {
    /// Time spent waiting there, ps.
    pub wait: u64,
    /// Time spent being served there, ps.
    pub service: u64,
}
