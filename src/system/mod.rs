//! What answers: one file per component; `routes` fixes their order, `plan` holds the compiled design,
//! and `path` answers the engine while a replication runs.
//!
//! To add a component: one file that adds its groups of stations to the network and hands out the
//! steps of a request that passes it; a line in `routes`; its demands, if they
//! depend on the request, in `demand`; its share of the static column in `ceiling`.

mod body;
mod bus;
mod cache;
mod ceiling;
mod chain;
mod condition;
mod controllers;
mod cpu;
mod demand;
mod destage;
mod drive;
mod fabric;
mod holdings;
mod hosts;
mod layout;
mod log;
mod memory;
mod path;
mod plan;
mod ports;
mod protected;
mod reduction;
mod routes;
mod warming;
mod work;
mod written;

pub use body::{Body, Members, StorageToken};
pub use cache::Cache;
pub use ceiling::{Ceiling, Kind, ceilings};
pub use chain::{Carries, Hop, chain};
pub use destage::{Destage, Levels};
pub use drive::{ArmModel, BUFFERS, DriveModel, Refusal, Solved, UNITS};
pub use holdings::{Capacity, Holdings, MemoryUse, Taken, holdings};
pub use memory::Shares;
pub use path::Path;
pub use plan::{Plan, Unfit, max_payload};
pub use protected::Protected;
pub use reduction::Blocks;
pub use written::{WriteModel, Written};
