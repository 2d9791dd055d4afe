//! The small print of `run`: bytes, audit, the run itself, what was assumed, and the caution.

use crate::outcome::{AuditRow, RunOutcome, SeriesRow};
use crate::report::numbers::{
    format_bound_us, format_count, format_duration_us, format_figure, format_per_second, format_percent,
    format_significant, format_span_us, format_stated_percent,
};
use crate::report::sheet::{Sheet, Tone};
use crate::report::text::{clean, plural, shorten};

/// What every answer ends with.
pub(in crate::report) const CAUTION: &str = "Figures are estimates from a model: accept on measured results; keep backups, for \
                       protection is not a backup; follow the maker's and the site's rules.";

/// Columns of the digest that are shown: enough to tell two scenarios apart.
const DIGEST_SHOWN: usize = 12;

/// Adds all of the small print.
pub(super) fn facts(sheet: &mut Sheet, outcome: &RunOutcome) {
    sheet.heading("The run");
    series(sheet, &outcome.series);
    carried(sheet, outcome);
    audit(sheet, &outcome.audit);
    measured(sheet, outcome);
    closing(sheet, &outcome.assumptions, &outcome.notes);
}

/// What every answer ends with: what was assumed, advice, and the caution.
pub(super) fn closing(sheet: &mut Sheet, assumptions: &[String], notes: &[String]) {
    for (heading, lines) in [("Assumed", assumptions), ("Notes", notes)] {
        if !lines.is_empty() {
            sheet.heading(heading);
            lines.iter().for_each(|line| sheet.paragraph(Tone::Plain, " - ", line));
        }
    }
    sheet.gap();
    sheet.paragraph(Tone::Quiet, "", CAUTION);
}

/// Carried load with its uncertainty, beside the static figure.
fn carried(sheet: &mut Sheet, outcome: &RunOutcome) {
    let verdict = &outcome.verdict;
    let mut words = format!("{} requests/s", format_figure(&outcome.carried.iops, 1.0, " ± "));
    if let Some(offered) = outcome.offered.iops {
        let offered_shown = format_significant(offered);
        // Closed classes are carried too, and offer nothing that could be stated.
        if outcome.offered.closed_classes > 0 {
            words.push_str(&format!(": {offered_shown} offered, the rest by closed loops"));
        } else {
            words.push_str(&format!(" of {offered_shown} offered"));
        }
    }
    if let Some(ceiling) = verdict.static_ceiling_iops {
        let by =
            verdict.static_binding.as_deref().map_or(String::new(), |name| format!(" by {}", clean(name)));
        words.push_str(&format!("; static arithmetic stops at {}{by}", format_significant(ceiling)));
    }
    sheet.paragraph(Tone::Plain, " Carried: ", &words);
    for (figure, name) in [
        (&outcome.carried.iops, "carried load"),
        (&outcome.carried.read_bytes_per_s, "bytes read"),
        (&outcome.carried.write_bytes_per_s, "bytes written"),
    ] {
        if let Some(reason) = &figure.reason {
            sheet.paragraph(Tone::Quiet, "   – ", &format!("{name}: {reason}"));
        }
    }
}

/// One line when all laws held, else one for each that did not.
fn audit(sheet: &mut Sheet, audit: &[AuditRow]) {
    let failed: Vec<&AuditRow> = audit.iter().filter(|row| !row.ok).collect();
    match (audit.len(), failed.len()) {
        (0, _) => sheet.paragraph(Tone::Caution, " Audit: ", "no law was checked"),
        (held, 0) => {
            sheet.paragraph(Tone::Plain, " Audit: ", &format!("{} held", plural(held, "law", "laws")));
        }
        (total, broken) => {
            let words = format!("{broken} of {} broken", plural(total, "law", "laws"));
            sheet.paragraph(Tone::Bad, " Audit: ", &words);
        }
    }
    failed.into_iter().for_each(|row| broken_law(sheet, row));
}

/// A law that did not hold.
pub(super) fn broken_law(sheet: &mut Sheet, row: &AuditRow) {
    let words = format!(
        "{} at {}: the two measurements differ by {}, allowed {}",
        clean(&row.law),
        clean(&row.station),
        format_percent(row.error),
        format_percent(row.allowed)
    );
    sheet.paragraph(Tone::Bad, "   - ", &words);
}

/// Over time, the extremes: the shape is in the JSON.
fn series(sheet: &mut Sheet, series: &[SeriesRow]) {
    let Some(first) = series.first() else { return };
    let least = series.iter().map(|point| point.iops).fold(first.iops, f64::min);
    let most = series.iter().map(|point| point.iops).fold(first.iops, f64::max);
    let mut words = format!("{} to {}", format_significant(least), format_per_second(most));
    let worst = |of: fn(&SeriesRow) -> Option<f64>| {
        let told = series.iter().filter_map(|point| Some((of(point)?, point.at_s)));
        told.max_by(|a, b| a.0.total_cmp(&b.0))
    };
    let told = worst(|point| point.p99_us).map(|worst| ("p99", worst));
    if let Some((name, (slowest_us, at_s))) =
        told.or_else(|| worst(|point| point.mean_us).map(|worst| ("mean latency", worst)))
    {
        let (slowest, at) = (format_duration_us(slowest_us), format_bound_us(at_s * 1e6));
        words.push_str(&format!("; {name} at worst {slowest}, at {at}"));
    }
    if let Some((backlog, at_s)) = worst(|point| Some(point.backlog)).filter(|(backlog, _)| *backlog >= 1.0) {
        let at = format_bound_us(at_s * 1e6);
        words.push_str(&format!("; at most {} requests in the system, at {at}", format_significant(backlog)));
    }
    sheet.paragraph(Tone::Plain, " Over time: ", &words);
}

/// How long, how often, how precisely, and of what.
fn measured(sheet: &mut Sheet, outcome: &RunOutcome) {
    let run = &outcome.run;
    let warm_up = match run.warm_up_s {
        0.0 => "no warm-up".into(),
        seconds => format!("{} of warm-up", format_span_us(seconds * 1e6)),
    };
    let words = format!(
        "{} after {warm_up}, in {}; {} requests of {} events each; seed {}",
        format_span_us(run.length_s * 1e6),
        plural(run.replications as usize, "replication", "replications"),
        format_count(run.requests),
        format_significant(run.events_per_request),
        outcome.seed
    );
    sheet.paragraph(Tone::Plain, " Measured: ", &words);
    let reached = if run.precision_met { "reached" } else { "not reached" };
    let words = format!(
        "± {} wanted at {} confidence: {reached}",
        format_stated_percent(run.precision),
        format_stated_percent(run.confidence)
    );
    let tone = if run.precision_met { Tone::Plain } else { Tone::Caution };
    sheet.paragraph(tone, " Precision: ", &words);
    made_by(sheet, &outcome.tool, &outcome.scenario_digest);
}

/// The tool, and the scenario by its digest.
pub(super) fn made_by(sheet: &mut Sheet, tool: &str, digest: &str) {
    let words = format!("{}, scenario {}", clean(tool), shorten(&clean(digest), DIGEST_SHOWN));
    sheet.paragraph(Tone::Plain, " Made by: ", &words);
}
