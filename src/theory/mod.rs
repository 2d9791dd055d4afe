//! Closed forms: what theory and standards say, beside which the simulation is held.
//!
//! Plain numbers in and out, each with its source beside it; nothing here knows a scenario or the
//! engine. The static column of every answer, `verify` and the tests read this room.
//!
//! Three rules hold everywhere. Any unit of time will do, as long as rates are per that unit and
//! the results come back in it. A queue at or above full load has an infinite wait, so the answer is
//! `f64::INFINITY`. An argument outside its domain (negative, NaN, a percentile of 1) gives NaN, or
//! `None` where the result is more than one number: nothing here panics.
//!
//! Chapters and sections are cited from memory where a source was not at hand.
//!
//! Each function is held to figures from outside the project: in `tests/it/theory.rs` or beside it.

pub mod cleaning;
pub mod drive;
pub mod durability;
pub mod endurance;
pub mod forkjoin;
pub mod inversion;
pub mod links;
pub mod lru;
pub mod networks;
pub mod placement;
pub mod popularity;
pub mod protection;
pub mod queues;
pub mod rotating;
mod solve;
pub mod stripe_write;
