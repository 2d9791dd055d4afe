//! From finished replications to the outcome of a run.

use std::collections::BTreeMap;

use rayon::prelude::*;

use crate::measure::{
    BlameTable, Interval, Latencies, Reason, mean_estimate, percentile_estimates, pool, rate_estimate,
};
use crate::outcome::*;
use crate::scenario::{Objective, Operation, Over};
use crate::system::{Ceiling, ceilings};

use super::audit::audit;
use super::judge::{self, Balance, Doubt, Evidence, Overload, Ruling};
use super::mix::offered_iops;
use super::rebuild::restored_per_s;
use super::replication::{Replication, Stock};
use super::setting::{Course, Setting};
use super::stations::{Usage, ratio, window};
use super::sustain::{Filling, filling};
use super::targets::{Found, Target, in_period, is_measured};
use super::{TOOL, assumptions, ledger, mix, transient};

/// Percentiles of every latency row.
pub(super) const PERCENTILES: [(&str, f64); 6] =
    [("p50", 0.5), ("p90", 0.9), ("p95", 0.95), ("p99", 0.99), ("p99.9", 0.999), ("p99.99", 0.9999)];
/// Tails that blame is told for.
const TAILS: [(&str, f64); 4] = [("all", 0.0), ("p50", 0.5), ("p99", 0.99), ("p99.9", 0.999)];
/// The outcome of a run.
pub(super) fn summarise(
    setting: &Setting,
    replications: &[Replication],
    course: &Course,
    detail: bool,
) -> RunOutcome {
    let scenario = setting.scenario;
    let usage = Usage::all(setting.plan.network.groups(), replications);
    let objectives: Vec<ObjectiveRow> =
        scenario.objectives.iter().map(|o| objective(o, setting, replications)).collect();
    let window_s = ratio(replications.iter().map(Replication::window_s).sum(), replications.len() as f64);
    let measured = replications.iter().flat_map(|r| &r.kernel.model.recorder.latencies);
    let offered = replications.first().map_or_else(Vec::new, |r| transient::offered(setting, r));
    RunOutcome {
        schema: 1,
        tool: TOOL.into(),
        scenario_digest: scenario.digest.clone(),
        title: scenario.title.clone(),
        seed: scenario.run.seed,
        run: RunFacts {
            warm_up_s: course.warm_up.secs(),
            length_s: window_s,
            replications: scenario.run.replications,
            confidence: scenario.run.confidence,
            precision: scenario.run.precision,
            precision_met: course.precision_met,
            requests: measured.map(Latencies::total).sum(),
            events_per_request: ratio(
                replications.iter().map(|r| r.kernel.events() as f64).sum(),
                replications.iter().map(|r| r.arrived() as f64).sum(),
            ),
        },
        verdict: verdict(setting, replications, course, &objectives),
        offered: Offered {
            iops: offered_iops(&offered),
            closed_classes: offered.iter().filter(|rate| rate.is_none()).count() as u32,
        },
        carried: carried(replications, scenario.run.confidence),
        classes: latency_rows(setting, replications),
        stations: usage.iter().map(|u| u.row(detail)).collect(),
        blame: blame_rows(setting, replications),
        objectives,
        periods: transient::periods(setting, replications),
        series: transient::series(setting, replications),
        ledger: ledger::rows(setting, replications),
        audit: audit(setting, replications),
        assumptions: assumptions::of(setting),
        defaults: assumptions::defaults(scenario),
        rebuild_hours: None,
        notes: notes(setting, course, replications),
    }
}

fn verdict(
    setting: &Setting,
    replications: &[Replication],
    course: &Course,
    objectives: &[ObjectiveRow],
) -> Verdict {
    let evidence = Evidence::of(setting, replications);
    let confidence = setting.scenario.run.confidence;
    let ruling = evidence.ruling(confidence);
    let filling = (ruling == Ruling::Fills(Stock::Log)).then(|| filling(setting, replications)).flatten();
    let (state, reason, growth) = match ruling {
        Ruling::Overloaded(overload) => {
            (State::Saturated, Some(of_overload(overload, &evidence, confidence)), overload.growth())
        }
        _ if course.interrupted.is_some() => {
            let why = course.interrupted.as_deref().unwrap_or_default();
            (State::Undecided, Some(format!("{why}: what is known so far")), None)
        }
        Ruling::Fills(stock) => {
            let reason = match (stock, &filling) {
                (Stock::Log, Some(filling)) => of_filling(setting, filling, &evidence),
                // Work and absorption tell sooner than the level.
                (Stock::Log, None) => of_offered(&evidence, confidence) + ": the write log fills",
                (Stock::Debt, _) => "garbage collection of the layout falls behind what is written to stripes: free stripes run out, \
                         and the percentiles here no longer hold".into(),
            };
            (State::Unsustainable, Some(reason), None)
        }
        Ruling::Undecided(doubt) => (State::Undecided, Some(of_doubt(doubt, &evidence, confidence)), None),
        Ruling::Stable => (State::Stable, None, None),
    };
    let lowest = static_ceilings(setting, replications).into_iter().min_by(|a, b| a.iops.total_cmp(&b.iops));
    let utilisation = evidence.fullest().map_or(0.0, Balance::utilisation).min(1.0);
    Verdict {
        state,
        objectives_met: objectives.iter().map(|o| o.met).try_fold(true, |all, met| met.map(|m| all && m)),
        binding: evidence.bottleneck().filter(|_| utilisation > 0.0),
        utilisation,
        headroom: (utilisation > 0.0).then(|| 1.0 / utilisation - 1.0),
        static_ceiling_iops: lowest.as_ref().map(|c| c.iops),
        static_binding: lowest.map(|c| c.station),
        growth_per_s: growth,
        log_full_after_s: filling.map(|filling| filling.full_after_s),
        reason,
    }
}

/// Work offered to what is fullest, in words.
fn of_offered(evidence: &Evidence, confidence: f64) -> String {
    let Some((offered, fullest)) = evidence.offered(confidence).zip(evidence.fullest()) else {
        return "nothing was measured".into();
    };
    let (percent, half) = (100.0 * offered.value, 100.0 * (offered.high - offered.value));
    format!("{} is offered {percent:.1} % ± {half:.1} of the work that it has time for", fullest.resource)
}

fn of_overload(overload: Overload, evidence: &Evidence, confidence: f64) -> String {
    match overload {
        Overload::BacklogFull { replications, of, .. } => {
            format!("{replications} of {of} replications filled the backlog")
        }
        Overload::Left { .. } => {
            "more requests wait at the end of the run than at its start, in all replications taken together"
                .into()
        }
        Overload::Grows { .. } => {
            "the backlog grows through the window in every replication taken together".into()
        }
        Overload::Offered { .. } => of_offered(evidence, confidence),
    }
}

fn of_doubt(doubt: Doubt, evidence: &Evidence, confidence: f64) -> String {
    match doubt {
        Doubt::StartUp => {
            "the backlog grows, but ever more slowly: the start-up is not over; try a longer `run.warm_up` \
                           and `run.length`"
                .into()
        }
        Doubt::Full => of_offered(evidence, confidence) + ", which cannot be told from full",
        Doubt::Conflict => of_offered(evidence, confidence) + ", but nothing piles up",
        Doubt::Stock(Stock::Log) => {
            "the run is too short to tell whether the write log fills: try a longer `run.length`".into()
        }
        Doubt::Stock(Stock::Debt) => {
            "the run is too short to tell whether garbage collection of the layout falls behind: try \
                                      a longer `run.length`"
                .into()
        }
        Doubt::Backlog { replications, of } => {
            format!("{replications} of {of} replications filled the backlog, but ")
                + &of_offered(evidence, confidence)
                + ": bursts need a greater `run.backlog_max`"
        }
        Doubt::NoSpread => "one replication has no spread, and the fullest resource is nearly full".into(),
    }
}

fn of_filling(setting: &Setting, filling: &Filling, evidence: &Evidence) -> String {
    let limit = match evidence.bottleneck() {
        Some(name) if name == judge::DESTAGE => {
            let at_once = setting.scenario.design.log.as_ref().map_or(0, |log| log.destage);
            format!("{at_once} stripes destaged at once can take (`design.log.destage`)")
        }
        Some(name) if !name.starts_with("drives") => format!("{name} can take"),
        _ => "the drives take".into(),
    };
    format!(
        "the log fills by {:.3} GB/s beyond what {limit}: at high water {:.1} s after the window measured; \
         from then on writes go at {:.3} GB/s, and the percentiles here no longer hold",
        filling.growth_bytes_per_s / 1e9,
        filling.full_after_s,
        filling.destaged_bytes_per_s / 1e9
    )
}

/// What static arithmetic says of the stated mix, or of what the run has shown of closed loops.
pub(super) fn static_ceilings(setting: &Setting, replications: &[Replication]) -> Vec<Ceiling> {
    let offered = replications.first().map_or_else(Vec::new, |r| transient::offered(setting, r));
    let kinds = mix::stated(setting, &offered)
        .unwrap_or_else(|| mix::weighted(setting, &measured_rates(replications)));
    ceilings(&setting.scenario.design, &setting.plan, &kinds)
}

/// Requests measured per second, by class.
pub(super) fn measured_rates(replications: &[Replication]) -> Vec<f64> {
    let seconds: f64 = replications.iter().map(Replication::window_s).sum();
    let classes = replications.first().map_or(0, |r| r.kernel.model.recorder.latencies.len() / 2);
    let count = |class: usize| {
        let of = |r: &Replication| {
            r.kernel.model.recorder.latencies[2 * class..][..2].iter().map(Latencies::total).sum::<u64>()
        };
        replications.iter().map(of).sum::<u64>()
    };
    (0..classes).map(|class| ratio(count(class) as f64, seconds)).collect()
}

/// An interval in ps as a figure in microseconds.
fn us(interval: Result<Interval, String>) -> Figure {
    match interval {
        Ok(i) => Figure::of(i.value / 1e6, i.low / 1e6, i.high / 1e6),
        Err(reason) => Figure::missing(reason),
    }
}

/// An interval as a figure.
pub(super) fn plain(interval: Option<Interval>) -> Figure {
    interval.map_or_else(
        || Figure::missing("one replication has no spread"),
        |i| Figure::of(i.value, i.low, i.high),
    )
}

fn carried(replications: &[Replication], confidence: f64) -> Carried {
    let rate = |of: &dyn Fn(&Replication) -> u64| {
        let rates: Vec<f64> = replications.iter().map(|r| ratio(of(r) as f64, r.window_s())).collect();
        plain(rate_estimate(&rates, confidence))
    };
    Carried {
        iops: rate(&|r| r.kernel.model.recorder.finished.iter().sum()),
        read_bytes_per_s: rate(&|r| r.kernel.model.recorder.finished_bytes[Operation::Read as usize]),
        write_bytes_per_s: rate(&|r| r.kernel.model.recorder.finished_bytes[Operation::Write as usize]),
    }
}

/// A row of the answer: its names and the places it sums.
pub(super) struct Row {
    pub class: String,
    pub operation: &'static str,
    pub places: Vec<usize>,
}

/// Class × operation, each class's sum, and the sums over classes; only those that have requests.
pub(super) fn rows(setting: &Setting, replications: &[Replication]) -> Vec<Row> {
    let classes = &setting.scenario.classes;
    let has = |places: &[usize]| {
        let tables = || replications.iter().map(|r| &r.kernel.model.recorder.latencies);
        places.iter().any(|p| tables().any(|t| t[*p].total() > 0))
    };
    let mut rows = Vec::new();
    let mut add = |name: &str, of: Vec<usize>| {
        let by = |op: Operation| of.iter().copied().filter(|p| p % 2 == op as usize).collect::<Vec<_>>();
        let (reads, writes) = (by(Operation::Read), by(Operation::Write));
        for (operation, places) in [("read", reads), ("write", writes), ("all", of.clone())] {
            if operation == "all" || has(&places) {
                rows.push(Row { class: name.into(), operation, places });
            }
        }
    };
    for (index, class) in classes.iter().enumerate() {
        add(&class.name, vec![2 * index, 2 * index + 1]);
    }
    add("all", (0..2 * classes.len()).collect());
    rows
}

fn latency_rows(setting: &Setting, replications: &[Replication]) -> Vec<ClassRow> {
    let confidence = setting.scenario.run.confidence;
    let seconds: f64 = replications.iter().map(Replication::window_s).sum();
    rows(setting, replications)
        .into_par_iter()
        .map(|row| {
            let pooled = row_latencies(&row.places, replications);
            latency_row(row, &pooled, seconds, confidence)
        })
        .collect()
}

/// A row's figures from its latencies by replication, which took so many seconds in all.
pub(super) fn latency_row(row: Row, pooled: &[Latencies], seconds: f64, confidence: f64) -> ClassRow {
    let all: Vec<&Latencies> = pooled.iter().collect();
    let requests = all.iter().map(|l| l.total()).sum();
    let mean = mean_estimate(&all, confidence).map_err(|r| r.to_string());
    let mut latency_us = BTreeMap::from([("mean".to_string(), us(mean))]);
    let found = percentile_estimates(&all, PERCENTILES.into_iter().map(|(_, p)| p), confidence);
    for ((name, _), found) in PERCENTILES.into_iter().zip(found) {
        latency_us.insert(name.into(), us(found.map_err(|reason| reason.to_string())));
    }
    ClassRow {
        name: row.class,
        operation: row.operation.into(),
        requests,
        iops: ratio(requests as f64, seconds),
        latency_us,
    }
}

/// Latencies of these places by replication; requests that were given up count as above.
pub(super) fn row_latencies(places: &[usize], replications: &[Replication]) -> Vec<Latencies> {
    let of = |r: &Replication| {
        let recorder = &r.kernel.model.recorder;
        let mut pooled = pool(&places.iter().map(|p| &recorder.latencies[*p]).collect::<Vec<_>>());
        pooled.add_survivors(places.iter().map(|p| recorder.out[*p]).sum());
        pooled
    };
    replications.iter().map(of).collect()
}

fn blame_rows(setting: &Setting, replications: &[Replication]) -> Vec<BlameRow> {
    let groups = setting.plan.network.groups();
    let mut out = Vec::new();
    for row in rows(setting, replications) {
        let mut table = BlameTable::new(groups.len());
        for r in replications {
            row.places.iter().for_each(|p| table.merge(&r.kernel.model.recorder.blame[*p]));
        }
        for (above, p) in TAILS {
            let Some(blame) = table.above(p) else { continue };
            for (group, &(wait, service)) in groups.iter().zip(&blame.stations) {
                if wait + service > 0.0 {
                    out.push(BlameRow {
                        class: row.class.clone(),
                        operation: row.operation.into(),
                        above: above.into(),
                        station: group.name.clone(),
                        wait_us: wait / 1e6,
                        service_us: service / 1e6,
                    });
                }
            }
        }
    }
    out
}

fn objective(objective: &Objective, setting: &Setting, replications: &[Replication]) -> ObjectiveRow {
    let scenario = setting.scenario;
    let below_us = objective.below.us();
    let (value_us, period) = match unhealthy(objective, setting) {
        Some(reason) => (Figure::missing(reason), None),
        None => {
            let found = Target::of(objective, setting).found(replications, scenario.run.confidence);
            judged(found, below_us)
        }
    };
    let certain =
        value_us.high.is_some_and(|high| high < below_us) || value_us.low.is_some_and(|low| low >= below_us);
    ObjectiveRow {
        class: scenario.classes[objective.class].name.clone(),
        operation: objective.operation.map_or("all", Operation::name).into(),
        percentile: objective.percentile,
        below_us,
        met: value_us.value.map(|v| v < below_us),
        value_us,
        certain,
        during: objective.during.clone(),
        period,
        over: match objective.over {
            Over::Class => "class",
            Over::WorstMachine => "worst-machine",
        }
        .into(),
    }
}

/// The figure that decides an objective, and its period. One period that misses is enough to miss; to meet takes a
/// figure in every period.
fn judged(found: Found, below_us: f64) -> (Figure, Option<String>) {
    let lacking = found.lacking.map(|(period, why)| (in_period(period.as_deref(), why), period));
    match (found.worst, lacking) {
        (Some((period, interval)), None) => (us(Ok(interval)), period),
        (Some((period, interval)), Some((reason, _))) if interval.value / 1e6 >= below_us => {
            // The period without a figure may be worse still.
            (Figure { high: None, reason: Some(reason), ..us(Ok(interval)) }, period)
        }
        (Some((worst, _)), Some((reason, period))) => {
            let others = worst.map_or_else(String::new, |worst| {
                format!("; \"{worst}\" has the greatest figure of the other periods, and meets it")
            });
            (Figure::missing(reason + &others), period)
        }
        (None, Some((reason, period))) => (Figure::missing(reason), period),
        (None, None) => (us(Err(Reason::Nothing.to_string())), None),
    }
}

/// Why an objective cannot be judged: it asks for health, and a fault stands all the time.
fn unhealthy(objective: &Objective, setting: &Setting) -> Option<String> {
    if is_measured(objective, setting) {
        return None;
    }
    let standing = setting.scenario.faults.iter().find(|fault| fault.is_standing());
    Some(match standing {
        Some(fault) => format!(
            "nothing healthy is measured while \"{}\" stands: say \"any\" or its name in `during`",
            fault.name
        ),
        None => "nothing healthy is measured: some fault is in force all the time".into(),
    })
}

/// What the rebuild achieved.
fn rebuild_note(setting: &Setting, replications: &[Replication]) -> Option<String> {
    let (fault, rebuilding) = setting.rebuilding()?;
    let seconds = replications.iter().map(|r| transient::rebuilding_s(setting, r.window_s())).sum();
    Some(format!(
        "\"{}\": {:.1} MB/s of lost content restored, with {:.0} % of the stripes done all along",
        fault.name,
        restored_per_s(replications, seconds) / 1e6,
        100.0 * rebuilding.progress
    ))
}

fn notes(setting: &Setting, course: &Course, replications: &[Replication]) -> Vec<String> {
    let mut notes = course.notes.clone();
    let survivors: u64 = replications.iter().map(Replication::survivors).sum();
    if survivors > 0 {
        notes.push(format!(
            "{survivors} measured requests were not done when the run was given up; they count as slower \
             than every finished one"
        ));
    }
    notes.extend(rebuild_note(setting, replications));
    if replications.iter().filter_map(window).count() < replications.len() {
        notes.push("some replications have no window".into());
    }
    notes
}
