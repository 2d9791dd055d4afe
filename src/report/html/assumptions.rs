//! What an answer rests on: what was assumed, what is to be known, and the keys that nobody stated.

use std::collections::HashSet;
use std::hash::Hash;

use maud::{Markup, html};

use crate::outcome::DefaultRow;

use super::{Origin, table};

/// Each line once over all findings; nothing if there is none.
pub(super) fn section(origins: &[Origin]) -> Option<Markup> {
    let all = each_once(origins.iter().flat_map(|origin| origin.assumptions));
    let notes = each_once(origins.iter().flat_map(|origin| origin.notes));
    let left_out = each_once(origins.iter().flat_map(|origin| origin.defaults));
    let list = |heading: &str, lines: &[&String]| {
        html! { @if !lines.is_empty() { h3 { (heading) } ul { @for line in lines { li { (line) } } } } }
    };
    let is_empty = all.is_empty() && notes.is_empty() && left_out.is_empty();
    (!is_empty).then(|| {
        html! { (list("What was assumed", &all)) (list("To be known", &notes)) (defaults(&left_out)) }
    })
}

/// Keys at their default, folded away: there are many.
fn defaults(rows: &[&DefaultRow]) -> Markup {
    let cells: Vec<Vec<String>> =
        rows.iter().map(|row| vec![row.key.clone(), row.value.clone(), row.source.clone()]).collect();
    let summary = match rows.len() {
        1 => "1 key, what holds for it, and where that comes from".to_owned(),
        n => format!("{n} keys, what holds for each, and where that comes from"),
    };
    html! {
        @if !rows.is_empty() {
            h3 { "Keys that were left at their default" }
            details { summary { (summary) } (table(&["key", "value", "source"], &cells)) }
        }
    }
}

/// Lines without those that were said before.
fn each_once<'l, T: Eq + Hash>(lines: impl Iterator<Item = &'l T>) -> Vec<&'l T> {
    let mut said = HashSet::new();
    lines.filter(|line| said.insert(*line)).collect()
}
