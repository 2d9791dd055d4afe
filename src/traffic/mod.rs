//! Who asks: requests, arrivals, closed loops, sizes, addresses, traces.
mod request;
pub use request::Request;
