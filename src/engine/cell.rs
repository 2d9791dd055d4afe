//! The time a request spent at one station.

/// Wait and service of one request at one station, in picoseconds.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub struct Cell {
    /// Time spent waiting, ps.
    pub wait: u64,
    /// Time spent in service, ps.
    pub service: u64,
}
