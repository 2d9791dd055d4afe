//! The answer of `wear`: how long the drives last, what room there is, what risk, what price.

use crate::outcome::{ChoiceRow, DriveWear, EndurancePage, Figure, ResultRow, RiskPage, State, WearOutcome};
use crate::report::grid::{Column, Grid};
use crate::report::numbers::{
    MISSING, format_bytes, format_bytes_per_s, format_count, format_odds, format_percent, format_significant,
    format_stated, format_stated_percent,
};
use crate::report::sheet::{Sheet, Tone};
use crate::report::text::{clean, first_that_fits, plural};

use super::footer;
use super::footnotes::{Footnotes, finish_table};
use super::headline;
use super::statics;
use super::tables::LEVELS;

/// What every answer about wear has to say.
const CAUTIONS: [&str; 3] = [
    "figures are estimates from rates, ratings and a model, not a promise: accept on measured results, and watch what the \
     drives report of themselves",
    "protection is not backup: it gives back lost drives, not lost, changed or encrypted data; keep backups, elsewhere",
    "follow the maker's endurance and warranty terms and the site's rules, whatever this page says",
];

/// Adds the first lines: endurance, room, risk, price.
pub(super) fn answer(sheet: &mut Sheet, outcome: &WearOutcome) {
    let width = sheet.width();
    let (tone, spellings) = endurance_line(outcome);
    sheet.line(tone, &first_that_fits(&spellings, width));
    if let Some((tone, spellings)) = room_line(outcome) {
        sheet.line(tone, &first_that_fits(&spellings, width));
    }
    if let Some(risk) = &outcome.risk {
        let odds = said(outcome, "annual_loss_probability", format_odds)
            .unwrap_or_else(|| format_odds(risk.annual_loss_probability));
        let hours = match risk.rebuild_hours {
            Some(hours) => format!("; a rebuild takes {} h", format_significant(hours)),
            None => "; nothing is rebuilt".into(),
        };
        let spellings = [
            format!("Risk: {odds} a year to lose data by drives alone{hours}"),
            format!("Risk: {} a year to lose data{hours}", format_odds(risk.annual_loss_probability)),
        ];
        let tone = if risk.survives == 0 { Tone::Bad } else { Tone::Plain };
        sheet.line(tone, &first_that_fits(&spellings, width));
    }
    if let Some(price) = &outcome.price {
        let amount = |value: f64| money(value, price.currency.as_deref());
        let each = price.per_effective_tb.map_or(String::new(), |each| {
            format!(", {} for each TB that machines may be given", amount(each))
        });
        let total = format!("Price: {} in {} years", amount(price.total), format_stated(price.years));
        sheet.line(Tone::Plain, &first_that_fits(&[format!("{total}{each}"), total.clone()], width));
    }
    headline::of_search(sheet, &outcome.failed_audit, outcome.interrupted, &outcome.title);
}

fn endurance_line(outcome: &WearOutcome) -> (Tone, Vec<String>) {
    let Some(page) = &outcome.endurance else {
        if outcome.run.requests == 0 && outcome.state == State::Undecided {
            return (Tone::Caution, vec!["Endurance: not known; nothing was measured by then".into()]);
        }
        return (Tone::Plain, vec!["Endurance: the drives have no rating of it".into()]);
    };
    let warranty = format_stated(page.warranty_years);
    let Some(years) = page.worst.years else {
        return (Tone::Plain, vec!["Endurance: nothing is written".into()]);
    };
    let tone = match page.worst.conservative_years {
        _ if years < page.warranty_years => Tone::Bad,
        Some(conservative) if conservative < page.warranty_years => Tone::Caution,
        _ => Tone::Good,
    };
    let told =
        said(outcome, "years_to_rated_wear", format_significant).unwrap_or_else(|| format_significant(years));
    let conservative = page.worst.conservative_years.map_or(MISSING.into(), format_significant);
    let spellings = vec![
        format!(
            "Endurance: {told} years to the rated wear, {conservative} by rated bytes alone; warranty {warranty} years"
        ),
        format!("Endurance: {told} years, {conservative} by rated bytes; warranty {warranty} years"),
        format!("Endurance: {} years, warranty {warranty}", format_significant(years)),
    ];
    (tone, spellings)
}

fn room_line(outcome: &WearOutcome) -> Option<(Tone, Vec<String>)> {
    let capacity = outcome.capacity.as_ref()?;
    let full = format_percent(capacity.fill);
    if capacity.fill > 1.0 {
        return Some((Tone::Bad, vec![format!("Room: data DOES NOT FIT, {full} of its room")]));
    }
    let growth = match result(outcome, "full_after_years") {
        Some(row) if row.value.value.is_some() => {
            let told = said(outcome, "full_after_years", format_significant).unwrap_or_default();
            format!("; full after {told} years")
        }
        Some(_) => "; not full within 100 years".into(),
        None => "; nothing grows".into(),
    };
    let effective = said(outcome, "effective_bytes", format_bytes)
        .map_or(String::new(), |bytes| format!("; {bytes} may be given"));
    let short = format!("Room: data takes {full} of its room{growth}");
    Some((Tone::Plain, vec![format!("{short}{effective}"), short]))
}

fn result<'o>(outcome: &'o WearOutcome, what: &str) -> Option<&'o ResultRow> {
    outcome.results.iter().find(|row| row.what == what)
}

/// A result with its interval, if it has one.
fn said(outcome: &WearOutcome, what: &str, format: fn(f64) -> String) -> Option<String> {
    let figure = &result(outcome, what)?.value;
    let value = figure.value?;
    Some(match ends(figure, format) {
        Some(ends) => format!("{} ({ends})", format(value)),
        None => format(value),
    })
}

/// Both ends, where they are spelt unlike.
fn ends(figure: &Figure, format: fn(f64) -> String) -> Option<String> {
    let (low, high) = (format(figure.low?), format(figure.high?));
    (low != high).then(|| format!("{low} to {high}"))
}

/// Adds raw to effective, and the years of growth.
pub(super) fn room(sheet: &mut Sheet, outcome: &WearOutcome) {
    statics::capacity(sheet, outcome.capacity.as_ref());
    if outcome.years.is_empty() {
        return;
    }
    let mut grid = Grid::new(vec![
        Column::figure("year", 0),
        Column::figure("machines", 1),
        Column::figure("given", 2),
        Column::figure("stored", 1),
        Column::figure("of its room", 0),
        Column::figure("to flash a day", 2),
        Column::figure("worn", 0),
    ]);
    let bytes = |value: Option<f64>| value.map_or(MISSING.into(), format_bytes);
    let share = |value: Option<f64>| value.map_or(MISSING.into(), format_percent);
    for row in &outcome.years {
        let over = |value: Option<f64>| value.is_some_and(|value| value > 1.0);
        let tone = if over(row.fill) || over(row.used_up) { Tone::Bad } else { Tone::Plain };
        grid.row(
            tone,
            vec![
                row.year.to_string(),
                format_count(row.machines.round() as u64),
                bytes(row.given_bytes),
                bytes(row.stored_bytes),
                share(row.fill),
                bytes(row.flash_bytes_per_day),
                share(row.used_up),
            ],
        );
    }
    sheet.heading("With the growth that is stated");
    let fitted = grid.fit(sheet.width());
    finish_table(sheet, fitted, Footnotes::default());
}

/// Adds the bytes of a day.
pub(super) fn day(sheet: &mut Sheet, outcome: &WearOutcome) {
    let mut grid = Grid::new(vec![
        Column::name("level", 0),
        Column::figure("written a day", 0),
        Column::figure("±", 1),
        Column::figure("× hosts'", 0),
        Column::figure("read a day", 2),
        Column::name("what", 3),
    ]);
    let mut footnotes = Footnotes::default();
    for row in &outcome.ledger {
        footnotes.note(&row.write_bytes_per_day, || clean(&row.level));
        let written = row.write_bytes_per_day.value.filter(|bytes| *bytes > 0.0);
        let half = row.write_bytes_per_day.relative_half_width().filter(|_| written.is_some());
        let what = LEVELS.iter().find(|(name, _)| *name == row.level).map_or("", |(_, what)| what);
        let read = Some(row.read_bytes_per_day).filter(|bytes| *bytes > 0.0);
        let cells = vec![
            clean(&row.level),
            written.map_or(MISSING.into(), format_bytes),
            half.map_or(String::new(), format_percent),
            row.per_host_byte.filter(|times| *times > 0.0).map_or(MISSING.into(), format_significant),
            read.map_or(MISSING.into(), format_bytes),
            what.into(),
        ];
        grid.row(Tone::Plain, cells);
    }
    sheet.heading("Bytes of a day, from the hosts to the flash");
    let fitted = grid.fit(sheet.width());
    finish_table(sheet, fitted, footnotes);
}

/// Adds the drives' wear, other sizes, and what reduction buys.
pub(super) fn endurance(sheet: &mut Sheet, outcome: &WearOutcome) {
    let Some(page) = &outcome.endurance else { return };
    let mut grid = Grid::new(vec![
        Column::name("drive", 0),
        Column::figure("to it a day", 1),
        Column::figure("to flash a day", 2),
        Column::figure("drive writes a day", 0),
        Column::figure("years", 0),
        Column::figure("by rated bytes", 0),
    ]);
    let years = |value: Option<f64>| value.map_or(MISSING.into(), format_significant);
    let mut row = |what: &str, wear: &DriveWear| {
        grid.row(
            Tone::Plain,
            vec![
                what.into(),
                format_bytes(wear.drive_bytes_per_day),
                format_bytes(wear.flash_bytes_per_day),
                format_significant(wear.drive_writes_per_day),
                years(wear.years),
                years(wear.conservative_years),
            ],
        );
    };
    row("worst", &page.worst);
    row("mean", &page.mean);
    sheet.heading("Endurance");
    let fitted = grid.fit(sheet.width());
    finish_table(sheet, fitted, Footnotes::default());
    rating(sheet, page, !outcome.years.is_empty());
    choices(sheet, "The same with other drives of the family", &outcome.capacities);
    choices(sheet, "What reduction buys", &outcome.reduction);
}

fn rating(sheet: &mut Sheet, page: &EndurancePage, grows: bool) {
    let words = format!(
        "{} a drive: {} drive writes a day × {} × {} years of 365 days",
        format_bytes(page.rated_bytes),
        format_stated(page.rated_drive_writes_per_day),
        format_bytes(page.capacity_bytes),
        format_stated(page.warranty_years)
    );
    sheet.paragraph(Tone::Plain, " Rated: ", &words);
    let own = page.amplification.map_or(MISSING.into(), format_significant);
    let words = format!(
        "{} a drive, for the rating's own workload (JESD219) amplifies by {} in this drive; this design's writes by {own}",
        format_bytes(page.flash_budget_bytes),
        format_significant(page.rating_amplification)
    );
    sheet.paragraph(Tone::Plain, " Flash bears: ", &words);
    let words = match page.years_with_growth {
        Some(years) => format!("{} years for the worst drive", format_significant(years)),
        None if grows => "the design is full before its drives are worn".into(),
        None => return,
    };
    sheet.paragraph(Tone::Plain, " With growth: ", &words);
}

fn choices(sheet: &mut Sheet, heading: &str, rows: &[ChoiceRow]) {
    if rows.is_empty() {
        return;
    }
    let mut grid = Grid::new(vec![
        Column::name("choice", 0),
        Column::figure("usable", 2),
        Column::figure("may be given", 1),
        Column::figure("filled", 1),
        Column::figure("drive writes a day", 0),
        Column::figure("years", 0),
        Column::figure("by rated bytes", 0),
    ]);
    let mut footnotes = Footnotes::default();
    let or = |value: Option<f64>, format: fn(f64) -> String| value.map_or(MISSING.into(), format);
    for row in rows {
        if let Some(reason) = &row.reason {
            footnotes.note(&Figure::missing(reason.clone()), || clean(&row.what));
        }
        let what = if row.is_stated { format!("{} (stated)", row.what) } else { row.what.clone() };
        let tone = if row.is_stated { Tone::Strong } else { Tone::Plain };
        let cells = vec![
            clean(&what),
            or(row.usable_bytes, format_bytes),
            or(row.effective_bytes, format_bytes),
            or(row.fill, format_percent),
            or(row.drive_writes_per_day, format_significant),
            or(row.years, format_significant),
            or(row.conservative_years, format_significant),
        ];
        grid.row(tone, cells);
    }
    sheet.heading(heading);
    let fitted = grid.fit(sheet.width());
    finish_table(sheet, fitted, footnotes);
}

/// Adds rebuild and risk.
pub(super) fn risk(sheet: &mut Sheet, outcome: &WearOutcome) {
    let Some(risk) = &outcome.risk else { return };
    sheet.heading("Rebuild, and risk of losing data");
    rebuild(sheet, risk);
    let sets = plural(risk.sets as usize, "set", "sets");
    let words = format!(
        "{sets} of {}, each survives {}; of a drive {} fail in a year, of all {} drives",
        plural(risk.set_drives as usize, "drive", "drives"),
        plural(risk.survives as usize, "loss", "losses"),
        format_stated_percent(risk.failure_rate_per_year),
        format_significant(risk.failures_per_year)
    );
    sheet.paragraph(Tone::Plain, " Drives: ", &words);
    if risk.survives > 0 {
        let words = format!(
            "{} to meet a sector that cannot be read in a rebuild with no redundancy left: {} read, {:.1e} errors a bit",
            format_odds(risk.spoilt_probability),
            format_bytes(risk.critical_bits / 8.0),
            risk.uber
        );
        sheet.paragraph(Tone::Plain, " Unreadable: ", &words);
    }
    let years = |value: Option<f64>| match value {
        None => "never".into(),
        Some(years) if years >= 1e6 => format!("{years:.2e} years"),
        Some(years) => format!("{} years", format_significant(years)),
    };
    let words = format!(
        "{} a year, {} to loss on average: exact solution of the chain",
        format_odds(risk.annual_loss_probability),
        years(risk.mean_years_to_loss)
    );
    sheet.paragraph(Tone::Strong, " Loss: ", &words);
    let words = format!("{} a year: {}", format_odds(risk.annual_loss_probability_rare), risk.formula);
    sheet.paragraph(Tone::Quiet, " By the usual formula: ", &words);
}

fn rebuild(sheet: &mut Sheet, risk: &RiskPage) {
    match (risk.rebuild_bytes_per_s, risk.rebuild_hours, risk.rebuild_bytes) {
        (Some(pace), Some(hours), Some(bytes)) => {
            let [first, second, third] = pace.map(format_bytes_per_s);
            let wait = match risk.wait_hours {
                0.0 => String::new(),
                hours => format!(", after {} h until the drive is replaced", format_stated(hours)),
            };
            let words = format!(
                "{} h for {} at {first}, {second} and {third} with 17, 50 and 83 % restored, under this load all \
                 along{wait}",
                format_significant(hours),
                format_bytes(bytes)
            );
            sheet.paragraph(Tone::Plain, " Rebuild: ", &words);
        }
        _ => {
            let reason = risk.reason.as_deref().unwrap_or("nothing is restored");
            sheet.paragraph(Tone::Caution, " Rebuild: ", reason);
        }
    }
}

/// Adds power and price, where they are known.
pub(super) fn price(sheet: &mut Sheet, outcome: &WearOutcome) {
    if outcome.power.is_none() && outcome.price.is_none() {
        return;
    }
    sheet.heading("Power and price");
    if let Some(power) = &outcome.power {
        let words = format!(
            "{} W; {} kWh in {} years{}",
            format_significant(power.total_w),
            format_significant(power.energy_kwh),
            format_stated(power.years),
            power.reason.as_deref().map_or(String::new(), |reason| format!(" ({reason})"))
        );
        sheet.paragraph(Tone::Plain, " Power: ", &words);
    }
    let Some(price) = &outcome.price else { return };
    let amount = |value: f64| money(value, price.currency.as_deref());
    let parts = [
        ("drives", price.drives),
        ("all else", Some(price.system)),
        ("yearly payments", Some(price.yearly)),
        ("energy", price.energy),
    ];
    let parts: Vec<String> = parts
        .into_iter()
        .filter_map(|(what, value)| value.filter(|v| *v > 0.0).map(|v| format!("{what} {}", amount(v))))
        .collect();
    let words =
        format!("{} in {} years: {}", amount(price.total), format_stated(price.years), parts.join(", "));
    sheet.paragraph(Tone::Plain, " Price: ", &words);
    let each = [
        ("usable TB", price.per_usable_tb),
        ("TB that may be given", price.per_effective_tb),
        ("machine", Some(price.per_machine)),
        ("1,000 requests/s with every objective met", price.per_1000_iops),
    ];
    let each: Vec<String> =
        each.into_iter().filter_map(|(what, value)| Some(format!("{} a {what}", amount(value?)))).collect();
    sheet.paragraph(Tone::Plain, " That is: ", &each.join("; "));
    for missing in &price.missing {
        sheet.paragraph(Tone::Caution, "   – ", missing);
    }
}

/// An amount with its currency, if that has a name.
pub(super) fn money(value: f64, currency: Option<&str>) -> String {
    let number = format_significant(value);
    currency.map_or(number.clone(), |currency| format!("{number} {}", clean(currency)))
}

const DEPENDS: &str = "depends most on";

/// Adds what ranges and sampling make of the main figures.
pub(super) fn ranges(sheet: &mut Sheet, outcome: &WearOutcome) {
    if outcome.draws == 0 {
        return;
    }
    let mut grid = Grid::new(vec![
        Column::name("figure", 0),
        Column::figure("middle", 0),
        Column::figure("low", 0),
        Column::figure("high", 0),
        Column::name(DEPENDS, 1),
    ]);
    let mut footnotes = Footnotes::default();
    let varies = |row: &&ResultRow| row.value.value.is_none() || row.value.low != row.value.high;
    for row in outcome.results.iter().filter(varies) {
        let (name, format) = naming(&row.what);
        footnotes.note(&row.value, || name.clone());
        let or = |value: Option<f64>| value.map_or(MISSING.into(), format);
        let most = |dependence: &crate::outcome::Dependence| {
            format!("{} ({})", clean(&dependence.input), format_percent(dependence.share))
        };
        let depends = row.depends_on.first().map_or(MISSING.into(), most);
        grid.row(
            Tone::Plain,
            vec![name, or(row.value.value), or(row.value.low), or(row.value.high), depends],
        );
    }
    let heading = match outcome.ranges.len() {
        0 => "What the run's sampling makes of the figures".into(),
        count => {
            format!("What {} and the run's sampling make of the figures", plural(count, "range", "ranges"))
        }
    };
    sheet.heading(&heading);
    let fitted = grid.fit(sheet.width());
    let tells_inputs = fitted.shows(DEPENDS);
    finish_table(sheet, fitted, footnotes);
    if !tells_inputs {
        depends(sheet, outcome);
    }
    let words = format!(
        "low and high hold {} of {} draws, ranges uniform and independent; in brackets the share of the figure's variance \
         that would be gone if the input were known",
        format_stated_percent(outcome.run.confidence),
        format_count(outcome.draws.into())
    );
    sheet.paragraph(Tone::Quiet, " ", &words);
}

/// The inputs, each with the figures that depend on it most.
fn depends(sheet: &mut Sheet, outcome: &WearOutcome) {
    let mut inputs: Vec<(&str, Vec<String>)> = Vec::new();
    for row in &outcome.results {
        let Some(most) = row.depends_on.first() else { continue };
        let figure = format!("{} ({})", naming(&row.what).0, format_percent(most.share));
        match inputs.iter_mut().find(|(input, _)| *input == most.input) {
            Some((_, figures)) => figures.push(figure),
            None => inputs.push((&most.input, vec![figure])),
        }
    }
    for (input, figures) in inputs {
        sheet.paragraph(Tone::Plain, &format!(" {} decides most: ", clean(input)), &figures.join(", "));
    }
}

/// A result's name and spelling.
fn naming(what: &str) -> (String, fn(f64) -> String) {
    let (name, format): (&str, fn(f64) -> String) = match what {
        "effective_bytes" => ("may be given", format_bytes),
        "fill" => ("of its room", format_percent),
        "full_after_years" => ("years until full", format_significant),
        "host_bytes_per_day" => ("hosts write a day", format_bytes),
        "flash_bytes_per_day" => ("to flash a day", format_bytes),
        "drive_writes_per_day" => ("drive writes a day", format_significant),
        "years_to_rated_wear" => ("years to rated wear", format_significant),
        "conservative_years" => ("years by rated bytes", format_significant),
        "years_with_growth" => ("years of wear, growing", format_significant),
        "annual_loss_probability" => ("data lost in a year", format_odds),
        "price_total" => ("price", format_significant),
        other => (other, format_significant),
    };
    (name.into(), format)
}

/// Adds what was run, cautions, advice and assumptions.
pub(super) fn facts(sheet: &mut Sheet, outcome: &WearOutcome) {
    sheet.heading("How it was measured");
    let words = format!(
        "{} requests in {}; seed {}; the rest is arithmetic",
        format_count(outcome.run.requests),
        plural(outcome.run.replications as usize, "replication", "replications"),
        outcome.seed
    );
    sheet.paragraph(Tone::Plain, " Measured: ", &words);
    outcome.failed_audit.iter().for_each(|row| footer::broken_law(sheet, row));
    footer::made_by(sheet, &outcome.tool, &outcome.scenario_digest);
    sheet.heading("Cautions");
    CAUTIONS.iter().for_each(|caution| sheet.paragraph(Tone::Plain, " - ", caution));
    footer::closing(sheet, &outcome.assumptions, &outcome.notes);
}
