//! What `sweep` will do, did, and holds.

use crate::outcome::{
    AxisRow, BudgetPage, DroppedRow, ExpectedTime, KeptFigure, RoundRow, Standing, SweepListing, SweepPlan,
    SweepRun,
};
use crate::report::grid::{Column, Grid};
use crate::report::numbers::{MISSING, format_count, format_significant, format_span_us};
use crate::report::sheet::{Sheet, Tone};
use crate::report::text::{clean, first_that_fits, plural};

use super::footnotes::{Footnotes, finish_table};

/// Reasons that are told one by one.
const REASONS: usize = 12;

/// Adds what will run: how many, of what, and what is left out.
pub(super) fn plan(sheet: &mut Sheet, plan: &SweepPlan) {
    let asked = plan.ask.join(", ");
    let shard = plan.shard.map_or(String::new(), |[k, n]| format!(" of shard {k} of {n}"));
    let first = format!(
        "{} of {} variants of {} will be asked: {asked}{shard}",
        format_count(plan.points),
        format_count(plan.variants),
        clean(&plan.base)
    );
    sheet.line(Tone::Strong, &first_that_fits(&[first], sheet.width()));
    if let Some(expected) = &plan.expected {
        sheet.paragraph(Tone::Plain, "Expected: ", &time(expected, plan.points));
    }
    sheet.gap();
    sheet.paragraph(Tone::Quiet, "", &clean(&plan.title));
    if !plan.front.is_empty() {
        sheet.paragraph(Tone::Plain, "Sought: ", &plan.front.join(", "));
    }
    sheet.heading("What varies, the first slowest");
    for AxisRow { keys, values, ends } in &plan.axes {
        let both = keys.iter().zip(ends).map(|(key, [first, last])| match values {
            1 => format!("{} = {}", clean(key), clean(first)),
            _ => format!("{} from {} to {}", clean(key), clean(first), clean(last)),
        });
        let words = both.collect::<Vec<_>>().join(", together with ");
        sheet.paragraph(
            Tone::Plain,
            " ",
            &format!("{}: {words}", plural(*values as usize, "value", "values")),
        );
    }
    dropped(sheet, &plan.dropped);
    if !plan.first.is_empty() {
        sheet.heading("The first of them");
        for point in &plan.first {
            sheet.paragraph(Tone::Plain, &format!(" {}: ", point.number), &in_words(&point.sets));
        }
    }
}

/// "at least 26 min in all: from 3 of 200 points, spread over the space; 2 more were cut off at 10 s".
fn time(expected: &ExpectedTime, points: u64) -> String {
    let [all, probe] = [expected.all_s, expected.probe_s].map(|seconds| format_span_us(seconds * 1e6));
    if expected.probed == points {
        return format!("{all} in all: a probe of {probe} reached every point");
    }
    let basis = |seen: u64| {
        format!(
            "from {} of {}, spread over the space",
            format_count(seen),
            plural(points as usize, "point", "points")
        )
    };
    let basis = match (expected.probed, expected.cut_off) {
        (probed, 0) => format!("{} in {probe}", basis(probed)),
        (0, cut) => format!("{}; none was done at {probe}", basis(cut)),
        (probed, 1) => format!("{}; one more was cut off at {probe}", basis(probed)),
        (probed, more) => format!("{}; {} more were cut off at {probe}", basis(probed), format_count(more)),
    };
    let bound = if expected.cut_off > 0 { "at least " } else { "" };
    format!("{bound}{all} in all, {basis}")
}

fn dropped(sheet: &mut Sheet, rows: &[DroppedRow]) {
    if rows.is_empty() {
        return;
    }
    sheet.heading("Left out before anything is simulated");
    for row in rows.iter().take(REASONS) {
        let words = format!("{}; the first is {}", clean(&row.why), in_words(&row.first.sets));
        sheet.paragraph(Tone::Plain, &format!(" {}: ", format_count(row.count)), &words);
    }
    if rows.len() > REASONS {
        sheet.paragraph(Tone::Quiet, " ", &format!("and {} more reasons", rows.len() - REASONS));
    }
}

fn in_words(sets: &[(String, String)]) -> String {
    sets.iter()
        .map(|(path, value)| format!("{}={}", clean(path), clean(value)))
        .collect::<Vec<_>>()
        .join(", ")
}

/// Adds how a sweep ended.
pub(super) fn ended(sheet: &mut Sheet, outcome: &SweepRun, store: &str) {
    let all = outcome.before + outcome.finished;
    let (tone, word) = match (outcome.interrupted, all < outcome.plan.points) {
        (true, true) => (Tone::Caution, "Interrupted: "),
        (false, true) => (Tone::Bad, "Not finished: "),
        _ if outcome.failed > 0 => (Tone::Caution, ""),
        _ => (Tone::Good, ""),
    };
    let before = match outcome.before {
        0 => String::new(),
        before => format!(", {} of them before", format_count(before)),
    };
    let failed = match outcome.failed {
        0 => String::new(),
        failed => format!("; {} with an error", format_count(failed)),
    };
    let done = if outcome.budget.is_some() { "asked" } else { "finished" };
    let words = format!(
        "{word}{} of {} points are {done}{before}{failed}",
        format_count(all),
        format_count(outcome.plan.points)
    );
    sheet.line(tone, &first_that_fits(&[words], sheet.width()));
    let missing = outcome.budget.as_ref().map_or(0, |page| page.not_asked);
    if missing > 0 {
        sheet.paragraph(Tone::Caution, "", &not_asked(missing));
    }
    if let Some(page) = &outcome.budget {
        budget(sheet, page, &outcome.plan.front);
    }
    dropped(sheet, &outcome.plan.dropped);
    sheet.gap();
    let next = format!(
        "kept in {store}: `forebay sweep show {store}`; started again, a sweep goes on where it ended"
    );
    sheet.paragraph(Tone::Plain, "", &next);
}

/// What a front of some points leaves open.
fn not_asked(missing: u64) -> String {
    match missing {
        1 => "1 point was not simulated, and may beat all that were".to_owned(),
        missing => format!("{} points were not simulated, and may beat all that were", format_count(missing)),
    }
}

/// Adds how a budget was spent.
fn budget(sheet: &mut Sheet, page: &BudgetPage, front: &[String]) {
    let (tone, end) = match (page.waiting, page.open) {
        (0, 0) => (Tone::Good, "every point is decided".to_owned()),
        (0, open) => (
            Tone::Good,
            format!("{} cannot be told apart at this precision", plural(open as usize, "point", "points")),
        ),
        (waiting, _) => (
            Tone::Caution,
            format!("a further round would have asked {}", plural(waiting as usize, "point", "points")),
        ),
    };
    let spent = [page.used_s, page.given_s].map(|seconds| format_span_us(seconds * 1e6));
    let among = if page.not_asked > 0 { "Of these, " } else { "" };
    let words = format!(
        "{among}{} may be the best in {}; {end} ({} of {} spent)",
        plural(page.front as usize, "point", "points"),
        front.join(", "),
        spent[0],
        spent[1]
    );
    sheet.paragraph(tone, "", &clean(&words));
    sheet.heading("What was asked, in each round about four times as much of a point");
    for RoundRow { round, points, requests } in &page.rounds {
        let name = round.map_or("as the scenario says".to_owned(), |round| format!("round {round}"));
        let points = plural(*points as usize, "point", "points");
        let words = format!("{points}, {} requests", format_count(*requests));
        sheet.paragraph(Tone::Plain, &format!(" {name}: "), &words);
    }
}

/// Said before a front, where not all points were simulated.
pub(crate) fn part_of_all(listing: &SweepListing) -> Option<String> {
    match listing.planned {
        Some(planned) => Some(planned.saturating_sub(listing.finished)).filter(|n| *n > 0).map(not_asked),
        None if listing.finished < listing.variants => Some(
            "a shard of the sweep is not in the store: points that were not simulated may beat all that were"
                .into(),
        ),
        None => None,
    }
}

/// Adds the rows of a store.
pub(super) fn listing(sheet: &mut Sheet, listing: &SweepListing) {
    let first = format!(
        "{} of {} variants finished{}{}",
        format_count(listing.finished),
        format_count(listing.variants),
        if listing.failed > 0 {
            format!(", {} with an error", format_count(listing.failed))
        } else {
            String::new()
        },
        if listing.kept < listing.finished {
            format!("; {} as asked for", format_count(listing.kept))
        } else {
            String::new()
        }
    );
    sheet.line(Tone::Strong, &first_that_fits(&[first], sheet.width()));
    if !listing.front.is_empty() {
        if let Some(caution) = part_of_all(listing) {
            sheet.paragraph(Tone::Caution, "", &caution);
        }
        sheet.paragraph(Tone::Plain, "Front: ", &listing.front.join(", "));
    }
    sheet.gap();
    sheet.paragraph(Tone::Quiet, "", &clean(&listing.title));
    let Some(some) = listing.rows.first() else { return };
    // What is the same in all of them takes no column.
    let is_same = |at: usize| {
        listing.rows.len() > 1 && listing.rows.iter().all(|row| row.sets.get(at) == some.sets.get(at))
    };
    let (same, unlike): (Vec<usize>, Vec<usize>) = (0..some.sets.len()).partition(|at| is_same(*at));
    if !same.is_empty() {
        let sets: Vec<(String, String)> = same.iter().map(|at| some.sets[*at].clone()).collect();
        sheet.paragraph(Tone::Plain, "All of them: ", &in_words(&sets));
    }
    let mut columns = vec![Column::figure("point", 0)];
    columns.extend(unlike.iter().map(|at| Column::name(&short(&some.sets[*at].0), 0)));
    let has_front = !listing.front.is_empty();
    if has_front {
        columns.push(Column::name("front", 0));
    }
    let has_rounds = listing.rows.iter().any(|row| row.round.is_some());
    if has_rounds {
        columns.push(Column::figure("round", 0));
    }
    columns.extend(some.figures.iter().zip(1..).map(|(figure, rank)| Column::figure(&figure.name, rank)));
    let mut grid = Grid::new(columns);
    for row in &listing.rows {
        let mut cells = vec![row.number.to_string()];
        let set = |at: &usize| row.sets.get(*at).map_or(MISSING.into(), |(_, v)| clean(v.trim_matches('"')));
        cells.extend(unlike.iter().map(set));
        if has_front {
            cells.push(row.standing.map_or(MISSING, Standing::word).into());
        }
        if has_rounds {
            cells.push(row.round.map_or(MISSING.into(), |round| round.to_string()));
        }
        cells.extend(row.figures.iter().map(told));
        let tone = match (&row.error, row.standing) {
            (Some(_), _) => Tone::Bad,
            (None, Some(Standing::Perhaps)) => Tone::Quiet,
            _ => Tone::Plain,
        };
        grid.row(tone, cells);
    }
    sheet.gap();
    let fitted = grid.fit(sheet.width());
    finish_table(sheet, fitted, Footnotes::default());
    for row in listing.rows.iter().filter(|row| row.error.is_some()) {
        let why = row.error.as_deref().unwrap_or_default();
        sheet.paragraph(Tone::Bad, &format!(" {MISSING} {}: ", row.number), why);
    }
    if listing.kept > listing.rows.len() as u64 {
        let more = listing.kept - listing.rows.len() as u64;
        sheet.paragraph(Tone::Quiet, " ", &format!("and {} more (`--rows`, `--csv`)", format_count(more)));
    }
    sheet.gap();
    sheet.paragraph(Tone::Quiet, "", "Figures are estimates from a model: accept on measured results.");
}

fn told(figure: &KeptFigure) -> String {
    figure.value.map_or(MISSING.into(), format_significant)
}

/// The last two parts of a path.
fn short(path: &str) -> String {
    let parts: Vec<&str> = path.rsplitn(3, '.').collect();
    parts[..parts.len().min(2)].iter().rev().copied().collect::<Vec<_>>().join(".")
}
