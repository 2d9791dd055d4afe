//! The static page of `check`: the bandwidth chain, lanes, capacity and memory.
//!
//! `chain` hops against published payload ceilings and against saturated runs · `room` capacity, memory and lanes against
//! arithmetic by hand · `page` how it ends, reads and fits its schema.

mod chain;
mod fixture;
mod page;
mod room;

use forebay::outcome::{CheckOutcome, HopRow};
use forebay::study;

use crate::runs::scenario;

/// The static page of a scenario's text.
fn page_of(text: &str) -> CheckOutcome {
    study::check(&scenario(text)).unwrap_or_else(|error| panic!("{error}\n{text}"))
}

/// A hop of its chain.
fn hop<'a>(page: &'a CheckOutcome, name: &str) -> &'a HopRow {
    let chain = page.bandwidth.as_ref().expect("a chain");
    chain.hops.iter().find(|hop| hop.hop == name).unwrap_or_else(|| panic!("no hop {name} in {chain:?}"))
}

/// Machines that read this share of requests of one size, each a closed loop, at places aligned to the size.
fn closed(read: f64, size: &str) -> String {
    format!(
        "[[class]]\nname = \"streams\"\nmachines = 16\nload = {{ in_flight = 8 }}\nread = {read}\nsizes = \"{size}\"\n\
         align = \"{size}\"\nworking_set = \"16 GiB\"\n"
    )
}

/// Whether two figures agree to this share of the second.
fn assert_near(what: &str, found: f64, expected: f64, tolerance: f64) {
    assert!((found / expected - 1.0).abs() <= tolerance, "{what}: {found}, expected {expected}");
}
