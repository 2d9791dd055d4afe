//! What people and programs read: the terminal's answer, JSON and CSV.
//!
//! The room reads `outcome` and nothing else, draws nothing at random, looks at no clock and prints
//! nothing: every function takes a finished outcome and returns text, so the same outcome always
//! gives the same bytes. Writing them somewhere is the command's business.
//!
//! [`json`] keeps everything, [`csv`] fills
//! a spreadsheet.

pub mod csv;
pub mod json;
