//! What a key means, printed from its row.

use super::catalogue;
use super::overrides;
use super::schema::{self, Default, Kind, ROWS, Row};
use super::spelling::nearest;

/// What a scenario key means: words, unit, range, default, source; of a table, its keys; of nothing,
/// every key in a line.
///
/// Of a part of the catalogue, its figures.
///
/// `class.load.rate`, `class.NAME.load.rate` and `class.ticketing-db.load.rate` are one key.
///
/// # Errors
/// There is no such key: the message offers the nearest ones.
pub fn explain(key: &str) -> Result<String, String> {
    let key = key.trim().trim_matches('.');
    if key.is_empty() {
        return Ok(every_key());
    }
    if let Some(text) = key.strip_prefix("parts.").and_then(catalogue::text) {
        return Ok(text.to_owned());
    }
    if let Some(row) = find(key) {
        return Ok(describe(row, key));
    }
    if let Some(row) = key.strip_prefix("sweep.").and_then(|key| schema::row(&format!("SWEEP.{key}"))) {
        return Ok(describe(row, key));
    }
    if key == "sweep" {
        return Ok(list_of_keys("a sweep file has these keys:", "SWEEP"));
    }
    if key == "TIME" {
        return Ok(list_of_keys("a time written as a table has these keys:", "TIME"));
    }
    if schema::later(&pattern_of(key)).is_some() {
        return Err(format!("`{key}` is not yet supported by this version of forebay"));
    }
    Err(unknown(key))
}

/// Every key and its words, in the order of a scenario.
fn every_key() -> String {
    let width = ROWS.iter().map(|row| row.path.len()).max().unwrap_or(0);
    let lines = ROWS.iter().map(|row| format!("{:width$}  {}", row.path, row.words));
    lines.collect::<Vec<_>>().join("\n")
}

/// The row of a key as the user may spell it.
fn find(key: &str) -> Option<&'static Row> {
    if let Some(row) = schema::row(key).or_else(|| schema::row(&pattern_of(key))) {
        return Some(row);
    }
    if let Some(table) = pattern_of(key).strip_suffix(".NAME").and_then(schema::row) {
        return Some(table);
    }
    // A key of a law: design.cpu.read.cv.
    let (table, last) = schema::parent_and_key(key);
    let above = schema::row(table).or_else(|| schema::row(&pattern_of(table)))?;
    matches!(above.kind, Kind::Law(..)).then(|| schema::row_in("TIME", last))?
}

/// The key as the table spells it: NAME for a name, no number of an objective.
fn pattern_of(key: &str) -> String {
    // As in `--set`, a name that holds a dot is quoted; a key that is none is told so by its own words.
    let quoted = overrides::names_in(key).unwrap_or_default();
    let parts: Vec<&str> = match quoted[..] {
        [] => key.split('.').collect(),
        _ => quoted.iter().map(String::as_str).collect(),
    };
    match parts[..] {
        ["objective", number, ref rest @ ..]
            if number.parse::<usize>().is_ok() || ["NAME", "*"].contains(&number) =>
        {
            [&["objective"], rest].concat().join(".")
        }
        ["phase", _, "load", _] => "phase.NAME.load.NAME".to_owned(),
        [table @ ("class" | "fault" | "phase" | "parts"), first, ref rest @ ..] => {
            let table = [table, "NAME"].join(".");
            let as_key = [table.as_str(), first].into_iter().chain(rest.iter().copied());
            let as_key = as_key.collect::<Vec<_>>().join(".");
            if schema::row(&as_key).is_some() || schema::later(&as_key).is_some() {
                return as_key;
            }
            [&[table.as_str()], rest].concat().join(".")
        }
        ["design", "fabric", "links", ref rest @ ..] if !rest.is_empty() => {
            // A lone key of a link is that key; else the first part is the name of a link.
            let table = "design.fabric.links.NAME";
            let as_key = [table, rest[0]].join(".");
            if rest.len() == 1 && schema::row(&as_key).is_some() {
                return as_key;
            }
            [&[table], &rest[1..]].concat().join(".")
        }
        _ => key.to_owned(),
    }
}

fn describe(row: &Row, key: &str) -> String {
    let mut out = format!("{}\n  {}\n\n", shown_path(row, key), row.words);
    let mut line = |name: &str, text: &str| out.push_str(&format!("  {name:<9}{text}\n"));
    if !matches!(row.kind, Kind::Table | Kind::Tables | Kind::NamedTables) {
        line("value", &kind_words(row));
    }
    if let Some(range) = row.kind.range() {
        line("range", &range.words());
    }
    match row.default {
        Default::Required => line("default", "none: it must be given"),
        Default::Value(words) | Default::Words(words) | Default::Due(words) => line("default", words),
    }
    if !row.example.is_empty() {
        line("example", &format!("{} = {}", schema::parent_and_key(row.path).1, row.example));
    }
    line("source", row.source);
    let inner = inner_pattern(row);
    if schema::rows_in(&inner).next().is_some() {
        out.push('\n');
        out.push_str(&list_of_keys("  its keys:", &inner));
    }
    if matches!(row.kind, Kind::Law(..)) {
        out.push('\n');
        out.push_str(&list_of_keys("  as a table it has these keys:", "TIME"));
    }
    out
}

/// The path in the table, unless the key is one of a law's, which belongs to many.
fn shown_path<'a>(row: &'a Row, key: &'a str) -> &'a str {
    if row.path.starts_with("TIME.") || row.path.starts_with("SWEEP.") { key } else { row.path }
}

fn kind_words(row: &Row) -> String {
    match (row.kind.dimension(), &row.kind) {
        (Some(time), Kind::Law(..)) => {
            format!("a time in {}, or a table with `mean` and `shape`", time.unit_list())
        }
        (Some(size), Kind::Sizes(_)) => {
            format!("a size in {}, or a table of sizes and their shares", size.unit_list())
        }
        (Some(dimension), _) => format!("{} in {}", row.kind.noun(), dimension.unit_list()),
        (None, Kind::Choice(choices)) => schema::either(choices),
        (None, kind) => kind.noun(),
    }
}

/// The path under which the keys of a table stand.
fn inner_pattern(row: &Row) -> String {
    match row.path {
        path if schema::holds_names(path) => format!("{path}.NAME"),
        path => path.to_owned(),
    }
}

fn list_of_keys(title: &str, pattern: &str) -> String {
    let rows: Vec<&Row> = schema::rows_in(pattern).collect();
    let width = rows.iter().map(|r| schema::parent_and_key(r.path).1.len()).max().unwrap_or(0);
    let mut out = format!("{title}\n");
    for row in rows {
        let key = schema::parent_and_key(row.path).1;
        out.push_str(&format!("    {key:<width$}  {}\n", row.words));
    }
    out
}

/// The three nearest keys, by their whole path and by their last part.
fn unknown(key: &str) -> String {
    let last = schema::parent_and_key(key).1;
    let mut near: Vec<&str> = Vec::new();
    let mut rest: Vec<&str> = ROWS.iter().map(|r| r.path).collect();
    let by_last = ROWS.iter().filter(|r| schema::parent_and_key(r.path).1 == last).map(|r| r.path);
    near.extend(by_last.take(2));
    rest.retain(|path| !near.contains(path));
    while near.len() < 3 {
        let Some(next) = nearest(key, rest.iter().copied()) else { break };
        rest.retain(|path| *path != next);
        near.push(next);
    }
    let shown: Vec<String> = near.iter().map(|path| format!("`{}`", path.replace(".NAME", ""))).collect();
    match shown.is_empty() {
        true => format!("there is no key `{key}`: `forebay explain class` lists the keys of a class"),
        false => format!("there is no key `{key}`: did you mean {}?", shown.join(" or ")),
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn every_row_is_explained_with_its_words_default_and_source() {
        for row in ROWS {
            let text = explain(row.path).expect(row.path);
            assert!(text.contains(row.words) && text.contains(row.source), "{}", row.path);
            if let Some(range) = row.kind.range() {
                assert!(text.contains(&range.words()), "{}", row.path);
            }
            if let Default::Value(value) = row.default {
                assert!(text.contains(value), "{}", row.path);
            }
        }
    }

    #[test]
    fn a_key_of_a_class_is_found_with_and_without_a_name() {
        let text = explain("class.NAME.load.rate").expect("a row");
        assert_eq!(explain("class.load.rate").as_ref(), Ok(&text));
        assert_eq!(explain("class.ticketing-db.load.rate").as_ref(), Ok(&text));
        assert_eq!(explain("class.*.load.rate").as_ref(), Ok(&text));
        assert_eq!(explain("class.\"a.b\".load.rate").as_ref(), Ok(&text));
        assert_eq!(explain("objective.0.below"), explain("objective.below"));
        assert_eq!(explain("objective.*.below"), explain("objective.below"));
        assert_eq!(explain("parts.my-drive.page"), explain("parts.NAME.page"));
    }

    #[test]
    fn a_name_stands_for_its_table_and_one_of_the_catalogue_for_its_figures() {
        assert_eq!(explain("parts.NAME"), explain("parts"));
        assert_eq!(explain("parts.my-drive"), explain("parts"));
        assert_eq!(explain("class.ticketing-db"), explain("class"));
        for name in catalogue::names() {
            let text = explain(&format!("parts.{name}")).expect(name);
            assert!(text.contains("capacity") && text.contains("invented"), "{text}");
        }
    }

    #[test]
    fn a_table_lists_its_keys_and_a_time_those_of_a_law() {
        assert!(explain("design.ports").expect("a row").contains("immediate"));
        assert!(explain("class").expect("a row").contains("working_set"));
        assert!(explain("design.cpu.read").expect("a row").contains("slow_share"));
        assert!(explain("design.cpu.read.cv").expect("a row").starts_with("design.cpu.read.cv\n"));
        assert!(explain("class.load.think.stages").expect("a row").contains("Erlang"));
    }

    #[test]
    fn unknown_keys_offer_the_nearest_and_later_ones_say_so() {
        assert!(explain("design.ports.rat").expect_err("unknown").contains("`design.ports.rate`"));
        assert!(explain("percentile").expect_err("unknown").contains("`objective.percentile`"));
        assert!(explain("class.NAME.shared").expect_err("later").contains("not yet supported"));
        assert!(explain("class.shared").expect_err("later").contains("not yet supported"));
        assert!(explain("").expect("all").lines().count() == ROWS.len());
        assert!(explain("ü.ü").expect_err("unknown").contains("there is no key"));
    }
}
