//! Single queues: first come, first served, one law of arrivals, one law of service.
//!
//! `exponential` has the queues with memoryless servers (and their tandems), `fixed` the one with a
//! constant service time, `general` those whose service is any mixture. Arguments are named alike:
//! `lambda` is arrivals per unit of time, `service` the mean service time in that unit, `p` a
//! probability from 0 to below 1 (0.99 for the 99th percentile). *Wait* is the time before service,
//! *sojourn* wait and service together.

mod exponential;
mod fixed;
mod general;

pub use exponential::*;
pub use fixed::*;
pub use general::*;

/// Load of each of `servers`: NaN if an argument is outside its domain.
fn load(servers: usize, lambda: f64, service: f64) -> f64 {
    let in_domain = servers > 0 && lambda >= 0.0 && service >= 0.0;
    if in_domain { lambda * service / servers as f64 } else { f64::NAN }
}
