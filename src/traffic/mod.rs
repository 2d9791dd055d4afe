//! Who asks: requests, arrivals, closed loops, sizes, addresses, traces.
//!
//! [`Sources`] turns the checked classes of a scenario into [`Request`]s, one at a time. Every draw
//! made for a request comes from its own key, so that the traffic does not depend on the design, the
//! threads, or the order in which anything else happens: two designs under comparison meet the same
//! requests (common random numbers). [`Trace`] reads a recorded trace, which a class may replay.
//!
//! | file | holds |
//! | --- | --- |
//! | `sources` | the sources of all classes behind one front |
//! | `arrivals`, `bursty`, `replay` | when each source asks, and in whose name |
//! | `phases` | what the time of day puts on rates |
//! | `body` | what a drawn request asks for: operation, size, place |
//! | `places`, `zipf`, `scatter` | where in the working set |
//! | `trace` | reading and describing trace files |

mod arrivals;
mod body;
mod bursty;
#[cfg(test)]
mod checks;
mod phases;
mod places;
mod replay;
mod request;
mod scatter;
mod sources;
mod trace;
mod zipf;

pub use request::Request;
pub use sources::{Sources, sources_needed};
pub use trace::{Place, Trace, TraceError, TraceRecord, TraceSummary};
