//! What people and programs read of a finished outcome.
//!
//! `terminal` what the answer says · `layout` how it fits the page · `json` with the schemas · `csv` ·
//! `fixtures` the outcomes that all of them read.

mod csv;
mod fixtures;
mod json;
mod layout;
mod terminal;

use forebay::report::terminal::Style;

fn plain(width: usize) -> Style {
    Style { width, color: false }
}

fn lines(text: &str) -> Vec<&str> {
    text.lines().collect()
}
