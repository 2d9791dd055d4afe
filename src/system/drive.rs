//! Drives: a textbook station, or a part described by its datasheet.
//!
//! A part is a command server, parallel flash units, the drive's link, and a power-protected write buffer.
//! A page that is read lies on a unit drawn at random and goes ahead of programs, behind at most the suspend
//! bound of one. Writes gather in the buffer until a program is full; programs are dealt to the units in turn, as
//! a log does, and a write waits where the buffer is full. Behind every program the cleaner reads and programs
//! what write amplification asks for, and every erase block that has been filled costs an erase: space in the buffer
//! is free again when its share of that is done, so the drive runs in the steady state it is rated in.
//!
//! [`model`] solves the parameters, [`steps`] lays the routes, [`flash`] keeps what the drives of a replication
//! have gathered. Left out: planes and channels, mapping tables of the drive's own, read retries.

mod flash;
mod model;
mod steps;

pub(super) use flash::Flash;
pub use model::{DriveModel, Refusal, Solved};
pub(super) use steps::{DriveSteps, SERVICE};
