//! The first three lines: carried or not, objectives met or not, what binds.
//!
//! Each is one line on any page. Every line has several spellings and takes the longest that fits;
//! what a short one leaves out stands in a table or paragraph below.

use crate::outcome::{AuditRow, BlameRow, ObjectiveRow, RunOutcome, State, StationRow};
use crate::report::numbers::{format_per_second, format_percent, format_significant};
use crate::report::sheet::{Sheet, Tone};
use crate::report::text::{clean, first_that_fits, plural, shorten};

use super::standing::{Standing, describe, share_of_bound};

/// Adds the three lines, and a fourth if the run's own checks failed.
pub(super) fn answer(sheet: &mut Sheet, outcome: &RunOutcome) {
    let tone = match outcome.verdict.state {
        State::Stable => Tone::Good,
        State::Saturated => Tone::Bad,
        State::Unsustainable | State::Undecided => Tone::Caution,
    };
    let width = sheet.width();
    if outcome.run.requests == 0 && outcome.verdict.state == State::Stable {
        sheet.line(Tone::Caution, "Nothing was measured: no request came while the window was open");
        return;
    }
    sheet.line(tone, &first_that_fits(&load_line(outcome), width));
    sheet.line(objectives_tone(&outcome.objectives), &objectives_line(&outcome.objectives, width));
    sheet.line(Tone::Strong, &first_that_fits(&binding_line(outcome), width));
    let failed = outcome.audit.iter().filter(|row| !row.ok).count();
    if failed > 0 {
        let laws = plural(failed, "law", "laws");
        sheet.paragraph(
            Tone::Bad,
            "",
            &format!("AUDIT FAILED: {laws} broken, see below; trust no figure here"),
        );
    }
}

/// Adds why the state is what it is, if it is not stable, and what was asked.
pub(super) fn reason_and_title(sheet: &mut Sheet, outcome: &RunOutcome) {
    if let Some(reason) = &outcome.verdict.reason {
        sheet.paragraph(Tone::Plain, "Why: ", reason);
    }
    title(sheet, &outcome.title);
}

/// Adds what was asked.
fn title(sheet: &mut Sheet, title: &str) {
    sheet.gap();
    let title = if title.trim().is_empty() { "Untitled scenario" } else { title };
    sheet.paragraph(Tone::Strong, "", title);
}

/// Ends the answer of a search: whether its runs can be trusted, whether it was cut short, and what was asked.
pub(super) fn of_search(sheet: &mut Sheet, failed_audit: &[AuditRow], interrupted: bool, asked: &str) {
    if !failed_audit.is_empty() {
        sheet.paragraph(Tone::Bad, "", "AUDIT FAILED: a law is broken, see below; trust no figure here");
    }
    if interrupted {
        sheet.paragraph(Tone::Caution, "", "Interrupted: what is known so far");
    }
    title(sheet, asked);
}

/// Spellings of the first line.
fn load_line(outcome: &RunOutcome) -> Vec<String> {
    let carried = outcome.carried.iops.value;
    let rate = |value: Option<f64>| value.map_or("–".into(), format_significant);
    let (long, short) = match outcome.offered.iops {
        Some(offered) if outcome.offered.closed_classes > 0 => (
            format!(
                "carries {} requests/s: {} offered, the rest by closed loops",
                rate(carried),
                rate(Some(offered))
            ),
            format!("carries {}; {}/s offered", rate(carried), rate(Some(offered))),
        ),
        Some(offered) => (
            format!("carries {} of {} requests/s offered", rate(carried), rate(Some(offered))),
            format!("carries {} of {}/s", rate(carried), rate(Some(offered))),
        ),
        None => (
            format!("carries {} requests/s (closed loads, nothing is offered)", rate(carried)),
            format!("carries {}/s, closed", rate(carried)),
        ),
    };
    let state = match outcome.verdict.state {
        State::Stable => "Stable",
        State::Saturated => "Saturated",
        State::Unsustainable => "Unsustainable",
        State::Undecided => "Undecided",
    };
    let (tail, short_tail) = match (outcome.verdict.state, outcome.verdict.growth_per_s) {
        (State::Saturated, Some(growth)) => (
            format!("; backlog grows by {}", format_per_second(growth)),
            format!("; backlog +{}", format_per_second(growth)),
        ),
        (State::Saturated, None) => ("; backlog grows".into(), "; backlog grows".into()),
        (State::Unsustainable, _) => (" now, not for ever".into(), ", not for ever".into()),
        (State::Undecided, _) => (" so far; too early to tell".into(), " so far".into()),
        (State::Stable, _) => (String::new(), String::new()),
    };
    vec![
        format!("{state}: {long}{tail}"),
        format!("{state}: {long}{short_tail}"),
        format!("{state}: {short}{short_tail}"),
    ]
}

fn objectives_tone(objectives: &[ObjectiveRow]) -> Tone {
    let standings = || objectives.iter().map(Standing::of);
    match () {
        () if objectives.is_empty() => Tone::Plain,
        () if standings().any(|standing| standing == Standing::Missed) => Tone::Bad,
        () if standings().all(|standing| standing == Standing::Met) => Tone::Good,
        () => Tone::Caution,
    }
}

/// The second line: how many are met, and the one to look at first.
fn objectives_line(objectives: &[ObjectiveRow], width: usize) -> String {
    let Some((standing, foremost, others)) = foremost(objectives) else {
        return "No objectives stated".into();
    };
    let label = if standing == Standing::Met { "tightest" } else { standing.words() };
    let lead = count_standings(objectives, Some(standing));
    let more = if others > 0 { format!("; and {others} more") } else { String::new() };
    let spell = |words: &String| format!("{lead}; {label}: {words}{more}");
    let mut spellings: Vec<String> = describe(foremost, 24)[..4].iter().map(spell).collect();
    // A bound says more than the middle of a name.
    spellings.push(spell(&describe(foremost, 16)[3]));
    spellings.extend(describe(foremost, 10)[3..].iter().map(spell));
    spellings.push(count_standings(objectives, None));
    first_that_fits(&spellings, width)
}

/// "2 of 3 objectives met, 1 too close to call", without those of the standing that is told next.
fn count_standings(objectives: &[ObjectiveRow], told: Option<Standing>) -> String {
    let count = |wanted| objectives.iter().filter(|row| Standing::of(row) == wanted).count();
    let (met, total) = (count(Standing::Met), objectives.len());
    if met == total {
        return if total == 1 {
            "The objective is met".into()
        } else {
            format!("All {total} objectives met")
        };
    }
    let mut lead = format!("{met} of {} met", plural(total, "objective", "objectives"));
    for standing in [Standing::Close, Standing::Unknown] {
        if count(standing) > 0 && told != Some(standing) {
            lead.push_str(&format!(", {} {}", count(standing), standing.words()));
        }
    }
    lead
}

/// The objective to look at first (of the gravest standing, the nearest to or farthest past its bound),
/// that standing, and how many more there are of it to be told.
fn foremost(objectives: &[ObjectiveRow]) -> Option<(Standing, &ObjectiveRow, usize)> {
    for standing in [Standing::Missed, Standing::Close, Standing::Unknown, Standing::Met] {
        let alike: Vec<_> = objectives.iter().filter(|row| Standing::of(row) == standing).collect();
        // The first of equals, so that the order of the scenario decides.
        let foremost = alike.iter().copied().reduce(|best, row| {
            let nearness = |row| share_of_bound(row).unwrap_or(0.0);
            if nearness(row) > nearness(best) { row } else { best }
        });
        if let Some(foremost) = foremost {
            let others = if standing == Standing::Met { 0 } else { alike.len() - 1 };
            return Some((standing, foremost, others));
        }
    }
    None
}

/// Spellings of the third line.
fn binding_line(outcome: &RunOutcome) -> Vec<String> {
    let verdict = &outcome.verdict;
    let (long_paper, short_paper) = static_words(outcome);
    let Some(binding) = &verdict.binding else {
        let lead = "Binding: nothing, no station is busy";
        return vec![format!("{lead}; {long_paper}"), format!("{lead}; {short_paper}"), lead.into()];
    };
    let used = format_percent(verdict.utilisation);
    let name = shorten(&clean(binding), 32);
    let member = busiest_member(&outcome.stations, binding);
    // Where it would be full is a search's answer: a utilisation does not grow in proportion all the way.
    let full = if verdict.headroom.is_some_and(|headroom| headroom <= 0.005) { "; full" } else { "" };
    if let Some((cause, share)) = cause_of_miss(outcome) {
        let share = format!("{} of the tail that misses", format_percent(share));
        // What is fullest may be another resource, nearly idle.
        let fullest = |member: &str| match cause == *binding {
            true => format!("{name} at {used}{member}{full}, {share}"),
            false => {
                format!("{}, {share}; fullest: {name} at {used}{member}{full}", shorten(&clean(&cause), 32))
            }
        };
        return vec![
            format!("Binding: {}; {long_paper}", fullest(&member)),
            format!("Binding: {}; {short_paper}", fullest("")),
            format!("Binding: {}", fullest("")),
            format!("Binding: {}, {share}", shorten(&clean(&cause), 24)),
        ];
    }
    vec![
        format!("Binding: {name} at {used}{member}{full}; {long_paper}"),
        format!("Binding: {name} at {used}{member}{full}; {short_paper}"),
        format!("Binding: {name} at {used}{full}; {short_paper}"),
        format!("Binding: {name} at {used}{full}"),
    ]
}

/// Where the requests that miss an objective spend most of their time, and its share of it: of the objective told in
/// the line above, if it is missed and the load is stable.
fn cause_of_miss(outcome: &RunOutcome) -> Option<(String, f64)> {
    let (standing, missed, _) = foremost(&outcome.objectives)?;
    if standing != Standing::Missed || outcome.verdict.state != State::Stable {
        return None;
    }
    let above = match missed.percentile {
        p if p >= 99.9 => "p99.9",
        p if p >= 99.0 => "p99",
        _ => "p50",
    };
    let of_it = |row: &&BlameRow| {
        row.class == missed.class && row.operation == missed.operation && row.above == above
    };
    let rows = || outcome.blame.iter().filter(of_it);
    let time = |row: &BlameRow| row.wait_us + row.service_us;
    let all: f64 = rows().map(time).sum();
    let most = rows().max_by(|a, b| time(a).total_cmp(&time(b)))?;
    (all > 0.0).then(|| (most.station.clone(), time(most) / all))
}

/// What static arithmetic says, long and short.
fn static_words(outcome: &RunOutcome) -> (String, String) {
    let verdict = &outcome.verdict;
    let Some(ceiling) = verdict.static_ceiling_iops else {
        return ("static arithmetic has no figure for it".into(), "no static figure".into());
    };
    let by = verdict.static_binding.as_deref().map(|name| shorten(&clean(name), 24));
    let rate = format_per_second(ceiling);
    match by {
        Some(by) => {
            (format!("static arithmetic says {rate}, bound by {by}"), format!("static {rate} by {by}"))
        }
        None => (format!("static arithmetic says {rate}"), format!("static {rate}")),
    }
}

/// " (drive 3)" for a group of several, else nothing.
fn busiest_member(stations: &[StationRow], binding: &str) -> String {
    let group = stations.iter().find(|station| station.name == binding && station.members > 1);
    let busiest = group.and_then(|station| station.busiest.as_ref());
    busiest.map_or_else(String::new, |member| format!(" ({})", shorten(&clean(&member.name), 24)))
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::outcome::Figure;

    fn objective(class: &str, value: f64, half: f64, met: Option<bool>) -> ObjectiveRow {
        ObjectiveRow {
            class: class.into(),
            operation: "read".into(),
            percentile: 99.0,
            below_us: 1_000.0,
            value_us: Figure::of(value, value - half, value + half),
            met,
            certain: (value - 1_000.0).abs() > half,
            during: "healthy".into(),
            period: None,
            over: "class".into(),
        }
    }

    #[test]
    fn no_objectives_is_said_not_celebrated() {
        assert_eq!(objectives_line(&[], 80), "No objectives stated");
        assert_eq!(objectives_tone(&[]), Tone::Plain);
    }

    #[test]
    fn the_worst_miss_is_named_and_the_others_counted() {
        let rows = [
            objective("a", 1_100.0, 10.0, Some(false)),
            objective("b", 2_000.0, 10.0, Some(false)),
            objective("c", 500.0, 10.0, Some(true)),
        ];
        assert_eq!(
            objectives_line(&rows, 100),
            "1 of 3 objectives met; missed: b read p99 2.00 ms ± 0.01, must stay below 1 ms; and 1 more"
        );
        assert_eq!(objectives_tone(&rows), Tone::Bad);
    }

    #[test]
    fn an_interval_astride_its_bound_is_too_close_to_call_on_either_side() {
        for (value, met) in [(990.0, true), (1_010.0, false)] {
            let rows = [objective("a", value, 50.0, Some(met))];
            let line = objectives_line(&rows, 120);
            assert!(line.starts_with("0 of 1 objective met; too close to call: a"), "{line}");
            assert_eq!(objectives_tone(&rows), Tone::Caution);
        }
    }

    #[test]
    fn a_standing_told_next_is_not_counted_before() {
        let rows = [
            objective("a", 1_010.0, 50.0, Some(false)),
            objective("b", 2_000.0, 10.0, Some(false)),
            ObjectiveRow { value_us: Figure::missing("too few"), ..objective("c", 1.0, 1.0, None) },
        ];
        let line = objectives_line(&rows, 120);
        let start = "0 of 3 objectives met, 1 too close to call, 1 not known; missed: b read p99";
        assert!(line.starts_with(start), "{line}");
        assert_eq!(objectives_line(&rows[2..], 40), "0 of 1 objective met, 1 not known");
    }

    #[test]
    fn when_all_are_met_the_tightest_is_named() {
        let rows = [objective("a", 200.0, 1.0, Some(true)), objective("b", 900.0, 1.0, Some(true))];
        let line = objectives_line(&rows, 100);
        assert!(line.starts_with("All 2 objectives met; tightest: b read p99 900 us ± 1,"), "{line}");
        assert_eq!(objectives_tone(&rows), Tone::Good);
    }
}
