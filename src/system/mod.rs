//! What answers: one file per component, and `path` that compiles a design to routes.
//!
//! To add a component: one file that adds its groups of stations to the network and hands out the
//! steps of a request that passes it; one line in `path`, which fixes the order; its demands, if they
//! depend on the request, in `demand`; its share of the static column in `ceiling`.

mod body;
mod bus;
mod ceiling;
mod cpu;
mod demand;
mod drive;
mod fabric;
mod layout;
mod path;
mod ports;

pub use body::{Body, Members, StorageToken};
pub use ceiling::{Ceiling, Kind, ceilings};
pub use drive::DriveModel;
pub use path::{Path, Plan};
