//! What people and programs read: the terminal's answer, JSON and CSV.
//!
//! The room reads `outcome` and nothing else, draws nothing at random, looks at no clock and prints
//! nothing: every function takes a finished outcome and returns text, so the same outcome always
//! gives the same bytes. Writing them somewhere is the command's business.
//!
//! [`terminal`] answers a person in the first three lines, [`json`] keeps everything, [`csv`] fills
//! a spreadsheet, [`html`] is the page to hand over. [`numbers`] decides how a figure is spelt.

pub mod csv;
pub mod html;
pub mod json;
pub mod numbers;
#[cfg(feature = "parquet")]
pub mod parquet;
pub mod terminal;

mod grid;
mod sheet;
mod text;

pub use text::plural;
