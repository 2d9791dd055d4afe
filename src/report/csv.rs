//! CSV for spreadsheets: one flat table a file, a header line with units, every digit kept.
//!
//! Fields are quoted and lines end as RFC 4180 (2005, section 2) says. A figure that does not exist is
//! an empty field, and the last column says why.

use crate::outcome::{
    CheckOutcome, ClassRow, CompareOutcome, DifferenceRow, Figure, FitOutcome, KneeOutcome, PointSets,
    RunOutcome, Standing, SweepListing, VerifyOutcome, WearOutcome,
};

/// Latencies of a class, in order of size: keys in the outcome and, with "_us", names of columns.
const LATENCIES: [&str; 7] = ["mean", "p50", "p90", "p95", "p99", "p99.9", "p99.99"];

/// Classes: a row for each class and operation. Latencies are in microseconds, `_low` and `_high` are
/// the ends of the interval. Of a run with dates the first column is the period: the whole run, then each.
pub fn run_csv(outcome: &RunOutcome) -> String {
    let is_dated = !outcome.periods.is_empty();
    let mut header: Vec<String> = Vec::new();
    header.extend(is_dated.then(|| "period".into()));
    header.extend(["class", "operation", "requests", "iops"].map(String::from));
    for key in LATENCIES {
        header.extend([format!("{key}_us"), format!("{key}_us_low"), format!("{key}_us_high")]);
    }
    header.push("missing".into());
    let mut text = record(&header);
    let mut add = |period: &str, rows: &[ClassRow]| {
        for row in rows {
            let first = is_dated.then(|| period.to_owned());
            text.push_str(&record(&first.into_iter().chain(class_fields(row)).collect::<Vec<_>>()));
        }
    };
    add("whole run", &outcome.classes);
    outcome.periods.iter().for_each(|period| add(&period.name, &period.classes));
    text
}

fn class_fields(row: &ClassRow) -> Vec<String> {
    let mut fields =
        vec![row.name.clone(), row.operation.clone(), row.requests.to_string(), number(Some(row.iops))];
    let mut reasons = Vec::new();
    for key in LATENCIES {
        let absent = Figure::missing("not measured");
        let figure = row.latency_us.get(key).unwrap_or(&absent);
        fields.extend([figure.value, figure.low, figure.high].map(number));
        reasons.extend(figure.reason.as_ref().map(|reason| format!("{key}: {reason}")));
    }
    fields.push(reasons.join("; "));
    fields
}

/// Figures over time: a row for each point; no row of a run without dates. Utilisations have a column for each
/// group of stations, as shares from 0 to 1.
pub fn series_csv(outcome: &RunOutcome) -> String {
    let groups: Vec<&String> =
        outcome.series.first().map_or_else(Vec::new, |p| p.utilisation.keys().collect());
    let mut header =
        ["at_s", "iops", "mean_us", "p50_us", "p99_us", "backlog", "log_fill"].map(String::from).to_vec();
    header.extend(groups.iter().map(|group| format!("utilisation {group}")));
    let mut text = record(&header);
    for point in &outcome.series {
        let latencies = [point.mean_us, point.p50_us, point.p99_us];
        let mut fields = [Some(point.at_s), Some(point.iops)].map(number).to_vec();
        fields.extend(latencies.into_iter().chain([Some(point.backlog), point.log_fill]).map(number));
        fields.extend(groups.iter().map(|group| number(point.utilisation.get(*group).copied())));
        text.push_str(&record(&fields));
    }
    text
}

/// Stations: a row for each group, with its busiest member. Utilisations are shares from 0 to 1.
pub fn stations_csv(outcome: &RunOutcome) -> String {
    let header = [
        "station",
        "members",
        "servers_per_member",
        "utilisation",
        "wait_us_mean",
        "service_us_mean",
        "queue_len_mean",
        "arrivals_per_s",
        "busiest_member",
        "busiest_utilisation",
        "busiest_wait_us_mean",
        "busiest_arrivals_per_s",
    ];
    let mut text = record(&header.map(String::from));
    for station in &outcome.stations {
        let busiest = station.busiest.as_ref();
        text.push_str(&record(&[
            station.name.clone(),
            station.members.to_string(),
            station.servers.to_string(),
            number(Some(station.utilisation)),
            number(Some(station.mean_wait_us)),
            number(Some(station.mean_service_us)),
            number(Some(station.mean_queue)),
            number(Some(station.arrivals_per_s)),
            busiest.map_or_else(String::new, |member| member.name.clone()),
            number(busiest.map(|member| member.utilisation)),
            number(busiest.map(|member| member.mean_wait_us)),
            number(busiest.map(|member| member.arrivals_per_s)),
        ]));
    }
    text
}

/// The load curve: a row for each load that was tried. Latencies are of all requests, in microseconds; objectives in the
/// order of the scenario.
pub fn knee_csv(outcome: &KneeOutcome) -> String {
    const LATENCIES: [&str; 3] = ["mean", "p50", "p99"];
    let mut header: Vec<String> =
        ["scale", "offered_iops", "carried_iops", "state", "busiest", "utilisation"]
            .map(String::from)
            .to_vec();
    let objectives = outcome.curve.first().map_or(0, |point| point.objectives_us.len());
    let latencies = LATENCIES.map(String::from).into_iter();
    for name in latencies.chain((1..=objectives).map(|n| format!("objective_{n}"))) {
        header.extend([format!("{name}_us"), format!("{name}_us_low"), format!("{name}_us_high")]);
    }
    let mut text = record(&header);
    let absent = Figure::missing("not measured");
    for point in &outcome.curve {
        let mut fields =
            [Some(point.scale), point.offered_iops, point.carried_iops.value].map(number).to_vec();
        fields.push(point.state.word().into());
        fields.push(point.binding.clone().unwrap_or_default());
        fields.push(number(Some(point.utilisation)));
        let latencies = LATENCIES.iter().map(|key| point.latency_us.get(*key).unwrap_or(&absent));
        for figure in latencies.chain(&point.objectives_us) {
            fields.extend([figure.value, figure.low, figure.high].map(number));
        }
        text.push_str(&record(&fields));
    }
    text
}

/// How many machines fit: a row for each case, then one for each limit, with the case that sets it.
pub fn fit_csv(outcome: &FitOutcome) -> String {
    let header = [
        "case",
        "limit",
        "machines",
        "accepted_machines",
        "rejected_machines",
        "first_to_give_way",
        "busiest",
        "utilisation",
        "missing",
    ];
    let mut text = record(&header.map(String::from));
    for case in std::iter::once(&outcome.healthy).chain(&outcome.faults) {
        text.push_str(&record(&[
            case.name.clone(),
            String::new(),
            number(case.machines.value),
            number(case.machines.low),
            number(case.machines.high),
            case.binding_objective.clone().unwrap_or_default(),
            case.busiest.clone().unwrap_or_default(),
            number(case.utilisation),
            case.machines.reason.clone().unwrap_or_default(),
        ]));
    }
    for row in &outcome.by_limit {
        text.push_str(&record(&[
            row.case.clone().unwrap_or_default(),
            row.limit.clone(),
            number(row.machines.value),
            number(row.machines.low),
            number(row.machines.high),
            row.binding.clone().unwrap_or_default(),
            String::new(),
            String::new(),
            row.machines.reason.clone().unwrap_or_default(),
        ]));
    }
    text
}

/// Differences: a row for each class, operation, percentile and later design; then what objectives ask of one period
/// or of the worst machine. An empty `during` is the whole window, an empty `longer` says that no length up to a
/// hundred times would tell, or that it is told.
pub fn compare_csv(outcome: &CompareOutcome) -> String {
    let header = [
        "class",
        "operation",
        "percentile",
        "during",
        "over",
        "a",
        "b",
        "a_us",
        "b_us",
        "difference_us",
        "difference_us_low",
        "difference_us_high",
        "distinguishable",
        "same",
        "longer",
        "missing",
    ];
    let mut text = record(&header.map(String::from));
    let is_apart = |row: &&DifferenceRow| row.during.is_some() || row.over != "class";
    for row in outcome.differences.iter().chain(outcome.answers.iter().filter(is_apart)) {
        text.push_str(&record(&difference_fields(row)));
    }
    text
}

fn difference_fields(row: &DifferenceRow) -> Vec<String> {
    let percentile = row.percentile.map_or_else(|| "mean".into(), |percentile| number(Some(percentile)));
    let during = row.during.clone().unwrap_or_default();
    let mut fields = vec![row.class.clone(), row.operation.clone(), percentile, during, row.over.clone()];
    fields.extend([row.a.clone(), row.b.clone()]);
    fields.extend([row.a_us, row.b_us, row.us.value, row.us.low, row.us.high].map(number));
    let told = row.distinguishable.map_or_else(String::new, |told| told.to_string());
    fields.extend([told, row.same.to_string(), number(row.longer)]);
    fields.push(row.us.reason.clone().unwrap_or_default());
    fields
}

/// Room, wear, risk and price: a row for each figure, in bytes, years, hours, probabilities and the scenario's currency. A
/// figure that no range or sampling touches has empty ends. Then the bytes of a day, a row for each level.
pub fn wear_csv(outcome: &WearOutcome) -> String {
    let header = ["figure", "value", "low", "high", "depends_most_on", "share_of_variance", "missing"];
    let mut text = record(&header.map(String::from));
    let mut row = |what: &str, figure: &Figure, most: Option<(&str, f64)>| {
        let mut fields = vec![what.to_owned()];
        fields.extend([figure.value, figure.low, figure.high].map(number));
        fields.push(most.map_or_else(String::new, |(input, _)| input.to_owned()));
        fields.push(number(most.map(|(_, share)| share)));
        fields.push(figure.reason.clone().unwrap_or_default());
        text.push_str(&record(&fields));
    };
    for result in &outcome.results {
        let most = result.depends_on.first().map(|most| (most.input.as_str(), most.share));
        row(&result.what, &result.value, most);
    }
    let plain = |value: Option<f64>| Figure { value, ..Figure::default() };
    row("usable_bytes", &plain(outcome.usable_bytes), None);
    row("rebuild_hours", &plain(outcome.rebuild_hours), None);
    for level in &outcome.ledger {
        row(&format!("{} bytes written a day", level.level), &level.write_bytes_per_day, None);
    }
    text
}

/// Points that a sweep will ask: what each changes.
pub fn plan_csv(points: &[PointSets]) -> String {
    let Some(some) = points.first() else { return record(&["point".into()]) };
    let header = ["point".to_owned()].into_iter().chain(some.sets.iter().map(|(path, _)| path.clone()));
    let mut text = record(&header.collect::<Vec<_>>());
    for point in points {
        let values = point.sets.iter().map(|(_, value)| value.trim_matches('"').to_owned());
        text.push_str(&record(&[point.number.to_string()].into_iter().chain(values).collect::<Vec<_>>()));
    }
    text
}

/// Points of a sweep: what each changes, then each figure with the ends of its interval.
pub fn sweep_csv(listing: &SweepListing) -> String {
    let Some(some) = listing.rows.first() else { return record(&["point".into()]) };
    let mut header = vec!["point".to_owned()];
    header.extend(some.sets.iter().map(|(path, _)| path.clone()));
    for figure in &some.figures {
        let name = &figure.name;
        header.extend([name.clone(), format!("{name}.low"), format!("{name}.high")]);
    }
    header.extend(["front", "round", "error"].map(String::from));
    let mut text = record(&header);
    for row in &listing.rows {
        let mut fields = vec![row.number.to_string()];
        fields.extend(row.sets.iter().map(|(_, value)| value.trim_matches('"').to_owned()));
        for figure in &row.figures {
            fields.extend([figure.value, figure.low, figure.high].map(number));
        }
        let standing = row.standing.map_or("", Standing::word);
        let round = row.round.map_or(String::new(), |round| round.to_string());
        fields.extend([standing.to_owned(), round, row.error.clone().unwrap_or_default()]);
        text.push_str(&record(&fields));
    }
    text
}

/// Static ceilings: a row for each resource.
pub fn check_csv(outcome: &CheckOutcome) -> String {
    let header = ["resource", "servers", "demand_us", "ceiling_iops", "utilisation"];
    let mut text = record(&header.map(String::from));
    for row in &outcome.ceilings {
        text.push_str(&record(&[
            row.station.clone(),
            row.servers.to_string(),
            number(Some(row.demand_us)),
            number(Some(row.ceiling_iops)),
            number(row.utilisation),
        ]));
    }
    text
}

/// Checks against theory and standards: a row for each.
pub fn verify_csv(outcome: &VerifyOutcome) -> String {
    let header = ["check", "compared", "source", "expected", "tolerance", "found", "low", "high", "agrees"];
    let mut text = record(&header.map(String::from));
    for check in &outcome.checks {
        let mut fields = vec![check.id.clone(), check.what.clone(), check.source.clone()];
        fields.extend([Some(check.expected), Some(check.tolerance)].map(number));
        fields.extend([check.found.value, check.found.low, check.found.high].map(number));
        fields.push(check.ok.to_string());
        text.push_str(&record(&fields));
    }
    text
}

/// A number with the fewest digits that read back the same; nothing for none.
fn number(value: Option<f64>) -> String {
    value.filter(|value| value.is_finite()).map_or_else(String::new, |value| value.to_string())
}

/// One line of a CSV file.
fn record(fields: &[String]) -> String {
    let quoted: Vec<String> = fields.iter().map(|field| quote(field)).collect();
    quoted.join(",") + "\r\n"
}

/// A field, in quotes where it holds a comma, a quote or a line break (RFC 4180, rules 5 to 7).
fn quote(field: &str) -> String {
    if field.contains([',', '"', '\r', '\n']) {
        format!("\"{}\"", field.replace('"', "\"\""))
    } else {
        field.to_owned()
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn fields_are_quoted_only_where_the_standard_asks() {
        assert_eq!(
            record(&["plain".into(), "a,b".into(), "say \"go\"".into(), "two\nlines".into()]),
            "plain,\"a,b\",\"say \"\"go\"\"\",\"two\nlines\"\r\n"
        );
    }

    #[test]
    fn numbers_keep_every_digit_and_never_an_exponent() {
        assert_eq!(number(Some(0.1 + 0.2)), "0.30000000000000004");
        assert_eq!(number(Some(1e21)), "1000000000000000000000");
        assert_eq!(number(None), "");
    }
}
