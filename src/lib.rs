//! `forebay` simulates every read and write through the queues of a shared flash storage design
//! before anyone buys it. Start at [`study`] for the questions, [`engine`] for the kernel.
pub mod cli;
pub mod engine;
pub mod measure;
pub mod outcome;
pub mod report;
pub mod scenario;
#[cfg(feature = "serve")]
pub mod serve;
pub mod store;
pub mod study;
pub mod system;
pub mod theory;
pub mod traffic;
