//! The terminal's answer: what its first lines say, what the rest keeps.

use forebay::outcome::{Figure, RunOutcome, State};
use forebay::report::terminal;

use super::{fixtures, lines, plain};

#[test]
fn the_first_three_lines_answer() {
    let answer = |outcome: &RunOutcome, width| lines(&terminal::run(outcome, &plain(width)))[..3].join("\n");
    assert_eq!(
        answer(&fixtures::stable(), 140),
        "Stable: carries 41,200 of 41,200 requests/s offered\n\
         2 of 3 objectives met; missed: ticketing-db read p99 1.31 ms ± 0.05, must stay below 1 ms\n\
         Binding: drives.unit at 71 % (drive 3), 87 % of the tail that misses; \
         static arithmetic says 58,000/s, bound by cpu"
    );
    assert_eq!(
        answer(&fixtures::saturated(), 140),
        "Saturated: carries 38,100 of 41,200 requests/s offered; backlog grows by 3,120/s\n\
         0 of 1 objective met; not known: ticketing-db read p99 –, must stay below 1 ms\n\
         Binding: drives.unit at 100 % (drive 3); full; \
         static arithmetic says 58,000/s, bound by cpu"
    );
    assert_eq!(
        answer(&fixtures::trace(), 180),
        "Stable: carries 603 of 603 requests/s offered\n\
         0 of 1 objective met; too close to call: ledgers all p99 \
         (one drive lost, rebuilding, worst-machine) 985 us ± 41, must stay below 1 ms\n\
         Binding: cpu at 31 %; static arithmetic has no figure for it"
    );
}

#[test]
fn the_answer_keeps_its_three_lines_on_a_narrow_page() {
    let text = terminal::run(&fixtures::stable(), &plain(80));
    assert_eq!(
        lines(&text)[..4].join("\n"),
        "Stable: carries 41,200 of 41,200 requests/s offered\n\
         2 of 3 objectives met; missed: ticketing-db read p99 1.31 ms ± 0.05, bound 1 ms\n\
         Binding: drives.unit at 71 %, 87 % of the tail that misses\n"
    );
}

#[test]
fn loads_that_offer_nothing_are_not_compared_with_an_offer() {
    let first = |outcome: &RunOutcome| lines(&terminal::run(outcome, &plain(100)))[0].to_owned();
    let mut outcome = fixtures::stable();
    outcome.offered.iops = None;
    assert_eq!(first(&outcome), "Stable: carries 41,200 requests/s (closed loads, nothing is offered)");
    outcome.offered.iops = Some(30_000.0);
    outcome.offered.closed_classes = 1;
    assert_eq!(
        first(&outcome),
        "Stable: carries 41,200 requests/s: 30,000 offered, the rest by closed loops"
    );
}

#[test]
fn a_design_without_a_busy_station_is_said_to_bind_nowhere() {
    let mut outcome = fixtures::stable();
    outcome.verdict.binding = None;
    outcome.verdict.static_ceiling_iops = None;
    let text = terminal::run(&outcome, &plain(100));
    let third = "Binding: nothing, no station is busy; static arithmetic has no figure for it";
    assert_eq!(lines(&text)[2], third);
}

#[test]
fn figures_that_are_not_numbers_become_dashes() {
    let mut outcome = fixtures::stable();
    outcome.verdict.utilisation = f64::NAN;
    outcome.stations.iter_mut().for_each(|row| row.mean_wait_us = f64::INFINITY);
    outcome.carried.iops = Figure::of(f64::NAN, 0.0, 0.0);
    let text = terminal::run(&outcome, &plain(140));
    assert!(!text.contains("NaN") && !text.contains("inf"), "{text}");
    assert!(text.contains("carried load: not a finite number"), "{text}");
}

#[test]
fn every_state_opens_the_answer_with_its_own_word() {
    for (state, word) in [
        (State::Stable, "Stable:"),
        (State::Saturated, "Saturated:"),
        (State::Unsustainable, "Unsustainable:"),
        (State::Undecided, "Undecided:"),
    ] {
        let mut outcome = fixtures::stable();
        outcome.verdict.state = state;
        assert!(terminal::run(&outcome, &plain(80)).starts_with(word), "{state:?}");
    }
}

#[test]
fn a_failed_audit_is_told_at_the_top_and_law_by_law() {
    let text = terminal::run(&fixtures::saturated(), &plain(100));
    assert!(lines(&text)[3].starts_with("AUDIT FAILED: 1 law broken"), "{text}");
    assert!(text.contains("Audit: 1 of 11 laws broken"), "{text}");
    assert!(text.contains("little at cpu: the two measurements differ by 3.1 %, allowed 1.0 %"), "{text}");
    let sound = terminal::run(&fixtures::stable(), &plain(100));
    assert!(sound.contains("Audit: 11 laws held") && !sound.contains("AUDIT FAILED"), "{sound}");
}

#[test]
fn a_missing_figure_is_a_dash_with_its_reason_below() {
    let text = terminal::run(&fixtures::trace(), &plain(140));
    let writes =
        lines(&text).into_iter().find(|line| line.starts_with(" ledgers  write")).expect("a row of writes");
    assert_eq!(writes.matches('–').count(), 3, "{writes}");
    assert!(text.contains(": fewer than 200 requests beyond it"), "{text}");
    assert!(!terminal::run(&fixtures::stable(), &plain(140)).contains("fewer than 200"));
}

#[test]
fn columns_left_out_for_width_are_named() {
    assert!(terminal::run(&fixtures::stable(), &plain(80)).contains("for want of width without:"));
    assert!(!terminal::run(&fixtures::stable(), &plain(180)).contains("for want of width"));
}

#[test]
fn every_answer_ends_with_the_caution() {
    for (name, outcome) in fixtures::all() {
        let text = terminal::run(&outcome, &plain(200));
        let last = lines(&text).pop().unwrap_or_default().to_owned();
        assert!(
            last.starts_with("Figures are estimates from a model: accept on measured results"),
            "{name}: {last}"
        );
    }
}

#[test]
fn the_terminal_answer_reads_as_recorded() {
    for (name, outcome) in fixtures::all() {
        for width in [80, 140] {
            insta::assert_snapshot!(format!("{name}_{width}"), terminal::run(&outcome, &plain(width)));
        }
    }
    for width in [80, 100, 140] {
        insta::assert_snapshot!(
            format!("compare_{width}"),
            terminal::compare(&fixtures::compared(), &plain(width))
        );
    }
    for width in [80, 140] {
        insta::assert_snapshot!(
            format!("verify_{width}"),
            terminal::verify(&fixtures::verified(true), &plain(width))
        );
    }
}

#[test]
fn verify_answers_in_three_lines() {
    let answer = |broken| {
        let text = terminal::verify(&fixtures::verified(broken), &plain(140));
        lines(&text)[..2].join("\n")
    };
    assert_eq!(
        answer(false),
        "Agrees with theory and standards: 4 checks passed\n\
         Closest call: mm1-0.8 p99: found 2,290, expected 2,300: 54 % of what is allowed"
    );
    assert_eq!(
        answer(true),
        "DISAGREES with theory or standards: 1 of 4 checks failed\n\
         Closest call: md1-0.9 wait: found 4.90, expected 4.50: 1,630 % of what is allowed"
    );
}

#[test]
fn the_table_of_objectives_names_the_period_that_was_judged() {
    let outcome = fixtures::dated();
    let page = terminal::run(&outcome, &plain(200));
    let cells = |line: &str| -> Vec<String> {
        line.split("  ").map(|cell| cell.trim().to_owned()).filter(|cell| !cell.is_empty()).collect()
    };
    let table: Vec<&str> = page.lines().skip_while(|line| *line != "Objectives").skip(1).collect();
    let at = cells(table[0]).iter().position(|title| title == "period").expect("a column");
    for (row, line) in outcome.objectives.iter().zip(&table[2..]) {
        let cells = cells(line);
        assert_eq!((&cells[0], &cells[1]), (&row.class, &row.operation), "{line}");
        assert_eq!(cells[at], row.period.as_deref().unwrap_or("–"), "{line}");
    }
    let undated = terminal::run(&fixtures::stable(), &plain(200));
    assert!(!undated.lines().any(|line| cells(line).contains(&"period".to_owned())), "{undated}");
}
