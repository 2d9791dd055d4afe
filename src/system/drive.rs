//! Drives: a textbook station, or a part described by its datasheet.
//!
//! A part is a command server, parallel flash units, the drive's link, and a power-protected write buffer.
//! A page that is read lies on a unit drawn at random and goes ahead of programs, behind at most the suspend
//! bound of one. Writes gather in the buffer until a program is full; programs are dealt to the units in turn, as
//! a log does, and a write waits where the buffer is full. Behind every program the cleaner reads and programs
//! what write amplification asks for, and every erase block that has been filled costs an erase: space in the buffer
//! is free again when its share of that is done, so the drive runs in the steady state it is rated in.
//!
//! What a mix of reads and writes carries follows, and is no rating of its own. With so much outstanding that no unit
//! idles, at least the harmonic mean of the two random ratings (units shared by turns): interference costs reads
//! latency, not rate, for the unit works meanwhile and writes wait behind the buffer. With little outstanding less:
//! reads that wait for programs hold the loop back, by what a priority queue says (`tests/it/interference.rs`).
//!
//! Or it is a rotating one: an arm that serves one request at a time, and the drive's link.
//!
//! [`model`] solves the parameters, [`steps`] lays the routes, [`flash`] keeps what the drives of a replication
//! have gathered; [`rotating`] is the arm and [`places`] where on a drive its requests lie. Left out: planes and channels, mapping tables of the drive's own, read retries.

mod flash;
mod link;
mod model;
mod places;
mod rotating;
mod steps;

pub(super) use flash::Flash;
pub(super) use link::DriveLink;
pub use model::{DriveModel, Refusal, Solved};
pub(super) use places::Places;
pub use rotating::ArmModel;
pub(super) use rotating::Arms;
pub use steps::{BUFFERS, UNITS};
pub(super) use steps::{DriveSteps, Models, SERVICE};
