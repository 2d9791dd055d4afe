//! The kernel. (Doc page follows.)
pub mod cell;
pub mod draws;
pub mod law;
pub mod time;

pub use cell::Cell;
pub use draws::{Draws, Key, Purpose};
pub use law::{Law, Shape};
pub use time::{SimDuration, SimTime};
