//! Outcomes as a run would leave them, written by hand: the report room is tested without a simulator.

use forebay::outcome::*;

const BEYOND: &str = "fewer than 200 requests beyond it";

/// A figure with a symmetric interval.
pub fn figure(value: f64, half: f64) -> Figure {
    Figure::of(value, value - half, value + half)
}

/// A class row from its mean, p50, p90, p95, p99, p99.9 and p99.99; zero stands for "too few".
fn class(name: &str, operation: &str, iops: f64, latencies: [f64; 7]) -> ClassRow {
    let keys = ["mean", "p50", "p90", "p95", "p99", "p99.9", "p99.99"];
    let figures = latencies.map(|us| match us {
        0.0 => Figure::missing(BEYOND),
        // Intervals grow towards the tail as they do in a run.
        us => figure(us, us * (0.004 + us / 1e6)),
    });
    ClassRow {
        name: name.into(),
        operation: operation.into(),
        requests: (iops * 160.0) as u64,
        iops,
        latency_us: keys.map(String::from).into_iter().zip(figures).collect(),
    }
}

/// A station row from its name, members, servers, utilisation, wait, service and arrivals.
fn station(name: &str, group: (u32, u32), figures: [f64; 4], busiest: Option<(&str, f64)>) -> StationRow {
    let [utilisation, mean_wait_us, mean_service_us, arrivals_per_s] = figures;
    StationRow {
        name: name.into(),
        members: group.0,
        servers: group.1,
        utilisation,
        // Little's law (Little, 1961).
        mean_queue: arrivals_per_s * mean_wait_us / 1e6,
        mean_wait_us,
        mean_service_us,
        arrivals_per_s,
        busiest: busiest.map(|(member, utilisation)| MemberRow {
            name: member.into(),
            utilisation,
            mean_wait_us: mean_wait_us * 1.4,
            arrivals_per_s: arrivals_per_s * 1.1 / f64::from(group.0),
        }),
        detail: vec![],
    }
}

fn blame(class: &str, operation: &str, above: &str, parts: &[(&str, f64, f64)]) -> Vec<BlameRow> {
    let row = |&(station, wait_us, service_us): &(&str, f64, f64)| BlameRow {
        class: class.into(),
        operation: operation.into(),
        above: above.into(),
        station: station.into(),
        wait_us,
        service_us,
    };
    parts.iter().map(row).collect()
}

fn objective(class: &str, operation: &str, percentile: f64, below_us: f64, found: Figure) -> ObjectiveRow {
    let ends = found.low.zip(found.high);
    ObjectiveRow {
        class: class.into(),
        operation: operation.into(),
        percentile,
        below_us,
        met: found.value.map(|value| value < below_us),
        certain: ends.is_some_and(|(low, high)| high < below_us || low >= below_us),
        value_us: found,
        during: "healthy".into(),
        period: None,
        over: "class".into(),
    }
}

fn audit(failed: Option<(&str, &str)>) -> Vec<AuditRow> {
    let row = |law: &str, station: &str| {
        let ok = failed != Some((law, station));
        let error = if ok { 0.000_4 } else { 0.031 };
        AuditRow { law: law.into(), station: station.into(), error, allowed: 0.01, ok }
    };
    let mut rows: Vec<_> = ["cpu", "ports.rx", "ports.tx", "drives.unit"]
        .iter()
        .flat_map(|station| [row("little", station), row("utilisation", station)])
        .collect();
    rows.extend([row("conservation", "system"), row("ledger", "system"), row("blame", "system")]);
    rows
}

fn level(level: &str, read: f64, write: f64) -> LedgerRow {
    LedgerRow { level: level.into(), read_bytes_per_s: read, write_bytes_per_s: write }
}

/// Stable, three objectives of which one is missed.
pub fn stable() -> RunOutcome {
    let mut blames = blame("all", "all", "all", &[("cpu", 9.0, 20.0), ("drives.unit", 60.0, 70.0)]);
    blames.extend(blame(
        "ticketing-db",
        "read",
        "p99",
        &[
            ("ports.rx", 3.0, 2.0),
            ("cpu", 41.0, 63.0),
            ("drives.unit", 1_010.0, 431.0),
            ("ports.tx", 61.0, 44.0),
        ],
    ));
    blames.extend(blame(
        "ticketing-db",
        "write",
        "p99",
        &[("ports.rx", 8.0, 6.0), ("cpu", 190.0, 96.0), ("log", 40.0, 12.0)],
    ));
    RunOutcome {
        schema: 1,
        tool: "forebay 0.1.0".into(),
        scenario_digest: "3f9ac2d177e0b5544be1a0c9d8e7f601".into(),
        title: "Emberley Transit, candidate A".into(),
        seed: 7,
        run: RunFacts {
            warm_up_s: 2.0,
            length_s: 20.0,
            replications: 8,
            confidence: 0.95,
            precision: 0.05,
            precision_met: true,
            requests: 6_592_000,
            events_per_request: 7.5,
        },
        verdict: Verdict {
            state: State::Stable,
            objectives_met: Some(false),
            binding: Some("drives.unit".into()),
            utilisation: 0.709,
            headroom: Some(0.41),
            static_ceiling_iops: Some(58_000.0),
            static_binding: Some("cpu".into()),
            growth_per_s: None,
            log_full_after_s: None,
            reason: None,
        },
        offered: Offered { iops: Some(41_200.0), closed_classes: 0 },
        carried: Carried {
            iops: figure(41_187.0, 130.0),
            read_bytes_per_s: figure(612.4e6, 2.1e6),
            write_bytes_per_s: figure(287.9e6, 1.4e6),
        },
        classes: vec![
            class("ticketing-db", "read", 15_120.0, [214.0, 182.0, 331.0, 472.0, 1_310.0, 2_940.0, 5_210.0]),
            class("ticketing-db", "write", 6_480.0, [61.2, 55.1, 82.4, 101.0, 212.0, 498.0, 1_020.0]),
            class("desktops", "read", 7_840.0, [231.0, 190.0, 352.0, 511.0, 1_390.0, 3_120.0, 5_870.0]),
            class("desktops", "write", 11_760.0, [63.9, 57.0, 86.2, 107.0, 228.0, 521.0, 1_110.0]),
            class("all", "all", 41_200.0, [149.0, 96.4, 291.0, 402.0, 1_120.0, 2_810.0, 5_160.0]),
        ],
        stations: vec![
            station("ports.rx", (4, 1), [0.061, 0.31, 1.02, 41_200.0], Some(("port 2", 0.066))),
            station("cpu", (1, 16), [0.552, 9.4, 21.4, 41_200.0], None),
            station("drives.unit", (22, 38), [0.646, 52.0, 71.3, 344_000.0], Some(("drive 3", 0.709))),
            station("ports.tx", (4, 1), [0.124, 0.72, 2.11, 41_200.0], Some(("port 2", 0.133))),
        ],
        blame: blames,
        objectives: vec![
            objective("ticketing-db", "read", 99.0, 1_000.0, figure(1_310.0, 52.0)),
            objective("ticketing-db", "write", 99.9, 1_000.0, figure(498.0, 14.0)),
            objective("desktops", "read", 95.0, 2_000.0, figure(511.0, 3.0)),
        ],
        periods: vec![],
        series: vec![],
        ledger: vec![
            level("host", 612.4e6, 287.9e6),
            level("drives", 655.0e6, 431.0e6),
            level("flash", 0.0, 702.0e6),
        ],
        audit: audit(None),
        rebuild_hours: None,
        assumptions: vec![
            "drive erase time 3 ms, between 2 ms and 5 ms: not in the ratings, and it sets the read tail"
                .into(),
            "bursts of different machines are independent".into(),
        ],
        defaults: vec![DefaultRow {
            key: "run.confidence".into(),
            value: "0.95".into(),
            source: "common practice".into(),
        }],
        notes: vec!["warm-up looks short: batch means drift 4 %; try `warm_up = \"6 s\"`".into()],
    }
}

/// Saturated: the backlog grows, nothing can be said of the objectives, an audit failed.
pub fn saturated() -> RunOutcome {
    let stable = stable();
    let too_many = || Figure::missing("the backlog was cut at its cap");
    let mut classes = stable.classes.clone();
    for row in &mut classes {
        row.latency_us.values_mut().for_each(|figure| *figure = too_many());
    }
    let mut stations = stable.stations.clone();
    for station in stations.iter_mut().filter(|station| station.name == "drives.unit") {
        station.utilisation = 0.913;
        station.mean_wait_us = 71_400.0;
        station.busiest.iter_mut().for_each(|member| member.utilisation = 1.0);
    }
    RunOutcome {
        stations,
        run: RunFacts { precision_met: false, warm_up_s: 0.0, ..stable.run },
        verdict: Verdict {
            state: State::Saturated,
            objectives_met: None,
            utilisation: 1.0,
            headroom: Some(0.0),
            growth_per_s: Some(3_120.0),
            log_full_after_s: None,
            reason: Some("the backlog passed 100,000 requests after 32.1 s and was still growing".into()),
            ..stable.verdict
        },
        carried: Carried { iops: figure(38_080.0, 210.0), ..stable.carried },
        classes,
        objectives: vec![objective("ticketing-db", "read", 99.0, 1_000.0, too_many())],
        audit: audit(Some(("little", "cpu"))),
        ..stable
    }
}

/// A trace replayed once: one replication of a short trace, so the far tail is missing.
pub fn trace() -> RunOutcome {
    let stable = stable();
    let mut close = objective("ledgers", "all", 99.0, 1_000.0, figure(985.0, 41.0));
    close.during = "one drive lost, rebuilding".into();
    close.over = "worst-machine".into();
    RunOutcome {
        title: "Emberley Transit, a Tuesday replayed".into(),
        run: RunFacts { requests: 48_211, replications: 5, precision_met: false, ..stable.run },
        verdict: Verdict {
            objectives_met: Some(true),
            binding: Some("cpu".into()),
            utilisation: 0.312,
            headroom: Some(1.0 / 0.312 - 1.0),
            static_ceiling_iops: None,
            static_binding: None,
            ..stable.verdict
        },
        offered: Offered { iops: Some(602.6), closed_classes: 0 },
        carried: Carried { iops: figure(602.6, 4.2), ..stable.carried },
        stations: vec![
            station("cpu", (1, 2), [0.312, 9.4, 1_035.0, 602.6], None),
            station("drives.unit", (22, 38), [0.0011, 12.0, 71.3, 12_900.0], Some(("drive 3", 0.0013))),
        ],
        classes: vec![
            class("ledgers", "read", 441.3, [203.0, 171.0, 322.0, 451.0, 1_010.0, 0.0, 0.0]),
            class("ledgers", "write", 161.3, [71.0, 64.0, 92.0, 121.0, 0.0, 0.0, 0.0]),
            class("all", "all", 602.6, [168.0, 133.0, 301.0, 411.0, 985.0, 0.0, 0.0]),
        ],
        blame: blame("all", "all", "all", &[("cpu", 9.4, 20.0), ("drives.unit", 68.6, 70.0)]),
        objectives: vec![close],
        ..stable
    }
}

/// A run with dates: a phase and a fault that overlap, five periods, a point in time without requests.
pub fn dated() -> RunOutcome {
    let stable = stable();
    let period = |name: &str, from_s: f64, to_s: f64, slower: f64| {
        let mut classes = stable.classes.clone();
        for row in &mut classes {
            row.requests /= 5;
            for figure in row.latency_us.values_mut() {
                *figure = match figure.value {
                    Some(us) if slower < 3.0 => super::fixtures::figure(us * slower, us * 0.03),
                    _ => Figure::missing(BEYOND),
                };
            }
        }
        let in_force = match name.strip_prefix("during ") {
            Some(names) => names.split(" + ").map(String::from).collect(),
            None => vec![],
        };
        PeriodRow { name: name.into(), from_s, to_s, in_force, classes }
    };
    let point = |at: u32| {
        let has = at != 2;
        SeriesRow {
            at_s: f64::from(at) * 2.5,
            iops: 41_000.0 + f64::from(at),
            mean_us: has.then_some(149.0),
            p50_us: has.then_some(96.0),
            p99_us: (at == 1).then_some(1_900.5),
            backlog: 6.0 + f64::from(at),
            log_fill: None,
            utilisation: [("cpu".to_owned(), 0.55), ("drives.unit".to_owned(), 0.64)].into(),
        }
    };
    // One for any time, and one that a short period leaves open.
    let mut objectives = stable.objectives.clone();
    for (row, period) in objectives.iter_mut().zip(["during one drive lost, rebuilding", "before"]) {
        row.during = "any".into();
        row.period = Some(period.into());
    }
    objectives[1].met = None;
    objectives[1].certain = false;
    objectives[1].value_us =
        Figure::missing("too few requests in \"before\": fewer than 200 requests lie beyond this percentile");
    RunOutcome {
        objectives,
        title: "Emberley Transit, a bad morning".into(),
        periods: vec![
            period("before", 0.0, 2.0, 1.0),
            period("during morning logons", 2.0, 4.0, 1.4),
            period("during morning logons + one drive lost, rebuilding", 4.0, 6.0, 2.5),
            period("during one drive lost, rebuilding", 6.0, 8.0, 3.0),
            period("after one drive lost, rebuilding", 8.0, 10.0, 1.0),
        ],
        series: (0..4).map(point).collect(),
        ..stable
    }
}

/// Long names, some of them wide, some of them hostile.
pub fn long_names() -> RunOutcome {
    let mut outcome = stable();
    let names = [
        "billetterie-des-gares-périphériques-et-régionales-été",
        "駅務端末データベース・改札機・予約システム統合クラスタ",
        "terminals\u{1b}[2Jof\tthe\nnorthern line, \"old\" ones included",
    ];
    for (place, row) in outcome.classes.iter_mut().enumerate() {
        row.name = names[place % names.len()].into();
    }
    for (place, row) in outcome.objectives.iter_mut().enumerate() {
        row.class = names[place % names.len()].into();
    }
    for row in &mut outcome.blame {
        row.class = names[1].into();
    }
    outcome.title = format!("Emberley Transit: {}", names.join(" + "));
    outcome
}

/// All fixtures with a name.
pub fn all() -> Vec<(&'static str, RunOutcome)> {
    vec![
        ("stable", stable()),
        ("saturated", saturated()),
        ("trace", trace()),
        ("long_names", long_names()),
        ("dated", dated()),
    ]
}

/// A difference of a class's figure: what `a` has, by how much `b` exceeds it, half the width; none if not told.
fn difference(
    key: (&str, &str, Option<f64>),
    b: &str,
    a_us: f64,
    found: Option<(f64, f64)>,
) -> DifferenceRow {
    let (class, operation, percentile) = key;
    let told = found.map(|(value, half)| value.abs() > half);
    let same = found == Some((0.0, 0.0));
    DifferenceRow {
        class: class.into(),
        operation: operation.into(),
        percentile,
        during: None,
        over: "class".into(),
        a: "as it stands".into(),
        b: b.into(),
        a_us: found.map(|_| a_us),
        b_us: found.map(|(value, _)| a_us + value),
        us: found.map_or_else(
            || Figure::missing(format!("{b} does not carry its load")),
            |(value, half)| figure(value, half),
        ),
        distinguishable: told,
        same,
        longer: found
            .map(|(value, half)| (half / value).powi(2))
            .filter(|longer| told == Some(false) && *longer <= 100.0),
    }
}

fn other(what: &str, b: &str, values: [f64; 2], difference: Figure) -> OtherRow {
    OtherRow {
        what: what.into(),
        a: "as it stands".into(),
        b: b.into(),
        a_value: Some(values[0]),
        b_value: Some(values[1]),
        distinguishable: difference.low.map(|low| low > 0.0 || difference.high < Some(0.0)),
        difference,
    }
}

/// Four designs: one better, one the same, one that does not carry its load.
pub fn compared() -> CompareOutcome {
    const BETTER: &str = "design.drives.count=24; design.cpu.cores=8";
    const SAME: &str = "run.series=\"1 s\"";
    const LOST: &str = "design.drives.count=12";
    let named = |name: &str, run: RunOutcome| DesignOutcome { name: name.into(), run };
    let answers =
        [("ticketing-db", "read", 99.0), ("ticketing-db", "write", 99.9), ("desktops", "read", 95.0)];
    let found = [(1_310.0, -130.0, 44.0), (498.0, -2.1, 7.3), (511.0, 0.02, 1.4)];
    let mut all = Vec::new();
    for ((class, operation, percentile), (a_us, value, half)) in answers.into_iter().zip(found) {
        let key = (class, operation, Some(percentile));
        all.push(difference(key, BETTER, a_us, Some((value, half))));
        all.push(difference(key, SAME, a_us, Some((0.0, 0.0))));
        all.push(difference(key, LOST, a_us, None));
    }
    let mut differences = all.clone();
    differences.push(difference(("ticketing-db", "read", None), BETTER, 214.0, Some((-9.6, 0.7))));
    differences.push(difference(("ticketing-db", "read", None), SAME, 214.0, Some((0.0, 0.0))));
    let hours =
        Figure { value: Some(-1.25), reason: Some("without an interval".into()), ..Figure::default() };
    CompareOutcome {
        schema: 1,
        tool: "forebay 0.1.0".into(),
        designs: vec![
            named("as it stands", stable()),
            named(BETTER, RunOutcome { notes: vec!["its own note".into()], ..stable() }),
            named(SAME, stable()),
            named(LOST, saturated()),
        ],
        answers: all,
        differences,
        other: vec![
            other("carried_iops", BETTER, [41_187.0, 41_189.0], figure(2.0, 3.1)),
            other("carried_iops", LOST, [41_187.0, 38_100.0], figure(-3_087.0, 212.0)),
            other("usable_bytes", BETTER, [67.6e12, 73.7e12], Figure::exact(6.1e12)),
            other("usable_bytes", SAME, [67.6e12, 67.6e12], Figure::exact(0.0)),
            other("drive_writes_per_day", BETTER, [0.431, 0.396], figure(-0.0359, 0.001)),
            other("rebuild_hours", BETTER, [6.5, 5.25], hours),
        ],
        notes: vec!["design.drives.count=12 does not carry its load and is not compared".into()],
    }
}

/// Checks as `verify` would make them; the last one fails when `broken`.
pub fn verified(broken: bool) -> VerifyOutcome {
    let check = |id: &str, what: &str, source: &str, expected: f64, found: Figure, ok: bool| CheckRow {
        id: id.into(),
        what: what.into(),
        source: source.into(),
        expected,
        tolerance: 0.001,
        found,
        ok,
    };
    let kleinrock = "Kleinrock, Queueing Systems 1, 1975, chapter 3";
    VerifyOutcome {
        schema: 1,
        tool: "forebay 0.1.0".into(),
        not_checked: Vec::new(),
        checks: vec![
            check("mm1-0.8 mean", "mean time in system, us", kleinrock, 500.0, figure(501.2, 3.1), true),
            check(
                "mm1-0.8 p99",
                "99th percentile of time in system, us",
                kleinrock,
                2_302.585,
                figure(2_290.1, 21.0),
                true,
            ),
            check(
                "md1-0.9 wait",
                "mean wait, service times",
                "Pollaczek, 1930; Khinchine, 1932",
                4.5,
                if broken { figure(4.9, 0.02) } else { figure(4.498, 0.02) },
                !broken,
            ),
            check("unused station", "utilisation", "definition", 0.0, Figure::exact(0.0), true),
        ],
    }
}
