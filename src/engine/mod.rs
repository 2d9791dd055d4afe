//! The kernel: a discrete-event simulator of queueing networks that knows nothing of what it serves.
//!
//! A model describes stations and routes once ([`Network`]), answers a few questions ([`Model`]),
//! and a [`Kernel`] runs one replication of it. The M/M/1 queue, in full:
//!
//! ```
//! use forebay::engine::*;
//! use std::sync::Arc;
//!
//! struct Mm1 { root: Key, arrived: u64, finished: u64, time_ps: u128, route: Route }
//! impl Model for Mm1 {
//!     type Body = ();
//!     fn arrive(&mut self, _source: u32, now: SimTime) -> Arrival<()> {
//!         self.arrived += 1;
//!         let key = self.root.numbered(self.arrived);
//!         let gap = Law::exponential(SimDuration::from_ns(1_250)).sample(key, Purpose::named("gap"));
//!         Arrival { key, class: 0, route: self.route, amount: 0, members: [0; 3], body: (), next: Some(now + gap) }
//!     }
//!     fn finish(&mut self, token: &Token<()>, _row: &[Cell], now: SimTime) -> Option<(u32, SimTime)> {
//!         self.finished += 1;
//!         self.time_ps += u128::from(now.since(token.born).ps());
//!         None
//!     }
//! }
//! let mut network = Network::new();
//! let server = network.group("server", "server", 1, 1, Discipline::Committed);
//! let service = Demand::Drawn(Law::exponential(SimDuration::from_us(1)), Purpose::named("service"));
//! let demand = network.demand(service);
//! let route = network.route(&[Step::Serve { group: server, pick: Pick::Fixed(0), demand, level: 0 }, Step::End]);
//! let model = Mm1 { root: Key::root(1), arrived: 0, finished: 0, time_ps: 0, route };
//! let mut kernel = Kernel::new(Arc::new(network), model, &[(0, SimTime::ZERO)], u64::MAX);
//! kernel.run(SimTime::from_ps(1_000_000_000_000));
//! let mean_us = kernel.model.time_ps as f64 / kernel.model.finished as f64 / 1e6;
//! assert!((mean_us - 5.0).abs() < 0.25); // load 0.8: 5 mean service times
//! ```
//!
//! Invariants: no I/O, no clock but the simulated one, no generator shared between requests; equal
//! times leave in order of insertion; wait and service of a request sum to its latency exactly.

mod calendar;
mod cell;
mod draws;
mod gate;
mod kernel;
mod law;
mod model;
mod observation;
mod route;
mod sources;
mod station;
mod time;
mod token;

pub use calendar::Calendar;
pub use cell::Cell;
pub use draws::{Draws, Key, Purpose};
pub use kernel::Kernel;
pub use law::{Law, Shape};
pub use model::{Arrival, Model, Part, Stop};
pub use observation::Observation;
pub use route::{Demand, Discipline, GateId, Group, GroupId, Network, Pick, Quantity, Route, Step};
pub use station::{Counts, WideSum};
pub use time::{PS_PER_S, SimDuration, SimTime};
pub use token::{MEMBER_SLOTS, Token};
