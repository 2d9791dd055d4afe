//! `workloads/textbook`: what each file expects must follow from its scenario by theory.
//!
//! The parameters are read from the scenario and the figures computed from them, so that neither can
//! be changed without the other. No simulation here: that is `forebay verify`.

use std::collections::BTreeSet;
use std::path::{Path, PathBuf};

use forebay::theory::networks::{Centre, Closed, interactive_response, mva};
use forebay::theory::{forkjoin, links, queues};
use toml::{Table, Value};

use super::near;

/// A scenario as its text says it, with the few quantities that textbook files use.
struct Textbook(Table);

impl Textbook {
    /// The value at a dotted path; `class` is the first class.
    fn at(&self, path: &str) -> Option<&Value> {
        path.split('.').try_fold(None, |at: Option<&Value>, key| {
            let next = match at {
                None => self.0.get(key)?,
                Some(value) => value.get(key)?,
            };
            Some(Some(next.as_array().and_then(|a| a.first()).unwrap_or(next)))
        })?
    }

    fn number(&self, path: &str) -> f64 {
        let value = self.at(path).unwrap_or_else(|| panic!("{path} is missing"));
        value
            .as_float()
            .or(value.as_integer().map(|i| i as f64))
            .unwrap_or_else(|| panic!("{path} is no number"))
    }

    fn count(&self, path: &str) -> usize {
        self.number(path) as usize
    }

    /// A quantity in the unit that `units` gives a factor for.
    fn quantity(&self, path: &str, units: &[(&str, f64)]) -> f64 {
        let text = self.at(path).and_then(Value::as_str).unwrap_or_else(|| panic!("{path} is no quantity"));
        let found = units
            .iter()
            .find_map(|(unit, factor)| Some(text.strip_suffix(unit)?.trim().parse::<f64>().ok()? * factor));
        found.unwrap_or_else(|| panic!("{path} = {text} has another unit"))
    }

    fn us(&self, path: &str) -> f64 {
        self.quantity(path, &[("us", 1.0), ("ms", 1e3)])
    }

    fn bits_per_s(&self, path: &str) -> f64 {
        self.quantity(path, &[("Gb/s", 1e9)])
    }

    /// Requests per microsecond of the first class.
    fn rate(&self) -> f64 {
        self.quantity("class.load.rate", &[("/s", 1e-6)]) * self.number("class.machines")
    }

    /// Ports, processor and drives as centres of a closed network, whichever are there.
    fn centres(&self) -> Vec<Centre> {
        let mut centres = vec![];
        if self.at("design.ports").is_some() {
            centres.push(Centre::single(self.us("design.ports.service.mean")));
        }
        let demand = self.us("design.cpu.service.mean");
        centres.push(Centre { demand, servers: self.count("design.cpu.cores") });
        if self.at("design.drives").is_some() {
            // A request goes to one of n drives at random: n centres, each with an n-th of the demand.
            let n = self.count("design.drives.count");
            centres.extend(vec![Centre::single(self.us("design.drives.service.mean") / n as f64); n]);
        }
        centres
    }

    fn closed(&self) -> Closed {
        let think =
            if self.at("class.load.think").is_some() { self.us("class.load.think.mean") } else { 0.0 };
        mva(&self.centres(), think, self.count("class.load.in_flight"))
    }

    fn uplink_bytes_per_s(&self) -> f64 {
        let link = self.at("design.fabric.link").and_then(Value::as_str).expect("an uplink");
        let parts: Vec<&str> = link.split('-').collect();
        match parts[..] {
            ["pcie", generation, lanes] => {
                let number =
                    |text: &str, prefix: &str| text.trim_start_matches(prefix).parse().expect("a number");
                let max_payload = self.quantity("design.fabric.max_payload", &[("B", 1.0)]) as u64;
                let (generation, lanes) = (number(generation, "gen"), number(lanes, "x"));
                links::pcie_payload_bytes_per_s(generation, lanes, max_payload, links::PCIE_LONG_HEADER)
                    .expect("a known generation")
            }
            ["sas", gigabits, lanes] => {
                let lanes = lanes.trim_start_matches('x').parse().expect("lanes");
                links::sas_bytes_per_s(gigabits.parse().expect("a rate"), lanes).expect("a known rate")
            }
            _ => links::sata_bytes_per_s(),
        }
    }
}

/// What theory says of a figure, in the unit of the figure. `None` if it says nothing.
fn theory(name: &str, t: &Textbook, figure: &str) -> Option<f64> {
    let share = |figure: &str| figure.strip_prefix('p')?.parse::<f64>().ok().map(|p| p / 100.0);
    let family = name.split('-').next().unwrap_or(name);
    match (family, figure) {
        ("mm1" | "mmc", _) => {
            let (c, lambda, s) = (t.count("design.cpu.cores"), t.rate(), t.us("design.cpu.service.mean"));
            match figure {
                "mean" => Some(queues::mmc_mean_sojourn(c, lambda, s)),
                "station:cpu:utilisation" => Some(lambda * s / c as f64),
                "station:cpu:mean_service_us" => Some(s),
                "station:cpu:mean_wait_us" => Some(queues::mmc_mean_wait(c, lambda, s)),
                _ => Some(queues::mmc_sojourn_quantile(c, lambda, s, share(figure)?)),
            }
        }
        ("md1", "mean") => {
            let s = t.us("design.cpu.service.mean");
            Some(queues::md1_mean_wait(t.rate(), s) + s)
        }
        ("md1", _) => {
            Some(queues::md1_sojourn_quantile(t.rate(), t.us("design.cpu.service.mean"), share(figure)?))
        }
        ("mg1", _) => {
            let (lambda, s) = (t.rate(), t.us("design.cpu.service.mean"));
            let slow_share =
                t.at("design.cpu.service.slow_share").map(|_| t.number("design.cpu.service.slow_share"));
            let ratio = || t.number("design.cpu.service.ratio");
            let shape = t.at("design.cpu.service.shape").and_then(Value::as_str)?;
            let scv = match (shape, slow_share) {
                ("erlang", _) => 1.0 / t.number("design.cpu.service.stages"),
                (_, Some(p)) => (1.0 - p + p * ratio() * ratio()) / (1.0 - p + p * ratio()).powi(2) - 1.0,
                _ => t.number("design.cpu.service.cv").powi(2),
            };
            match (figure, shape) {
                ("mean", _) => Some(queues::mg1_mean_wait(lambda, s, scv) + s),
                (_, "hyperexponential") => {
                    let (p, first, second) = queues::balanced_branches(scv);
                    Some(queues::mh2_sojourn_quantile(lambda, p, first * s, second * s, share(figure)?))
                }
                (_, "erlang") => Some(queues::gamma_sojourn_quantile(lambda, s, scv, share(figure)?)),
                (_, "bimodal") => {
                    let p = slow_share?;
                    let fast = s / (1.0 - p + p * ratio());
                    Some(queues::bimodal_sojourn_quantile(lambda, p, fast, fast * ratio(), share(figure)?))
                }
                _ => None,
            }
        }
        ("batch", _) => {
            let (size, s) = (t.number("class.arrivals.mean"), t.us("design.cpu.service.mean"));
            let batches = t.rate() / size;
            match figure {
                "mean" => {
                    Some(queues::batch_mean_sojourn(batches, size, queues::geometric_second_moment(size), s))
                }
                _ => Some(queues::geometric_batch_sojourn_quantile(batches, size, s, share(figure)?)),
            }
        }
        ("tandem", _) => {
            let (drives, cores) = (t.number("design.drives.count"), t.count("design.cpu.cores"));
            let (port, cpu, drive) = (
                t.us("design.ports.service.mean"),
                t.us("design.cpu.service.mean"),
                t.us("design.drives.service.mean"),
            );
            match figure {
                "mean" => {
                    let mut stations = vec![(1, port, 1.0), (cores, cpu, 1.0)];
                    stations.extend(vec![(1, drive, 1.0 / drives); drives as usize]);
                    Some(queues::jackson_mean_sojourn(t.rate(), &stations))
                }
                "station:cpu:utilisation" => Some(t.rate() * cpu / cores as f64),
                _ if cores == 1 => {
                    let stations = [(t.rate(), port), (t.rate(), cpu), (t.rate() / drives, drive)];
                    Some(queues::tandem_sojourn_quantile(&stations, share(figure)?))
                }
                _ => None,
            }
        }
        ("closed", "mean") => Some(t.closed().response),
        ("closed", "iops") => Some(t.closed().throughput * 1e6),
        ("interactive", "iops") => {
            let (n, cores) = (t.number("class.load.in_flight"), t.number("design.cpu.cores"));
            Some(n.min(cores) / t.us("design.cpu.service.mean") * 1e6)
        }
        ("interactive", "mean") => {
            let x = theory(name, t, "iops")? / 1e6;
            Some(interactive_response(t.number("class.load.in_flight"), x, 0.0))
        }
        ("forkjoin", "mean") => {
            Some(forkjoin::two_way_mean(t.rate(), 1.0 / t.us("design.drives.service.mean")))
        }
        ("ethernet" | "rdma", _) => {
            let mtu = t.count("design.ports.mtu") as u64;
            let bytes_per_s = t.bits_per_s("design.ports.rate") / 8.0;
            // One full packet, and half an acknowledgement of its like from the other direction.
            let (payload, wire, back) = if family == "rdma" {
                (links::rdma_packet(mtu), links::rdma_wire_bytes(links::rdma_packet(mtu), mtu), 0.0)
            } else {
                let full = links::tcp_segment(mtu);
                (
                    full,
                    links::tcp_wire_bytes(full, mtu),
                    links::tcp_acknowledgement_bytes(2 * full, mtu) as f64 / 2.0,
                )
            };
            let back = if name.ends_with("both-ways") { back } else { 0.0 };
            Some(bytes_per_s * payload as f64 / (wire as f64 + back))
        }
        ("fibre", _) => {
            let gigabits = (t.bits_per_s("design.ports.rate") / 1e9) as u32;
            Some(links::fibre_channel_bytes_per_s(gigabits)? * links::fibre_channel_efficiency())
        }
        ("uplink", "iops") => Some(t.uplink_bytes_per_s() / f64::from(128 << 10)),
        ("uplink", _) => Some(t.uplink_bytes_per_s()),
        _ => None,
    }
}

fn folder() -> PathBuf {
    Path::new(env!("CARGO_MANIFEST_DIR")).join("workloads").join("textbook")
}

fn table(path: &Path) -> Table {
    let text = std::fs::read_to_string(path).unwrap_or_else(|e| panic!("{}: {e}", path.display()));
    text.parse().unwrap_or_else(|e| panic!("{}: {e}", path.display()))
}

/// Names of all files that end so, without that end.
fn names(end: &str) -> BTreeSet<String> {
    let files = std::fs::read_dir(folder()).expect("workloads/textbook");
    let names = files.map(|f| f.expect("an entry").file_name().into_string().expect("a plain name"));
    names.filter_map(|name| name.strip_suffix(end).map(str::to_owned)).collect()
}

#[test]
fn every_textbook_scenario_has_its_expectations_beside_it() {
    let expected = names(".expected.toml");
    let scenarios: BTreeSet<String> =
        names(".toml").into_iter().filter(|n| !n.ends_with(".expected")).collect();
    assert_eq!(scenarios, expected);
    assert!(scenarios.len() >= 30, "only {} scenarios", scenarios.len());
}

#[test]
fn every_expected_figure_follows_from_its_scenario_by_theory() {
    for name in names(".expected.toml") {
        let scenario = Textbook(table(&folder().join(format!("{name}.toml"))));
        let expectations = table(&folder().join(format!("{name}.expected.toml")));
        let checks = expectations["check"].as_array().expect("checks");
        assert!(!checks.is_empty(), "{name} checks nothing");
        for check in checks {
            let figure = check["figure"].as_str().expect("a figure");
            let id = format!("{name} {figure}");
            let said = theory(&name, &scenario, figure).unwrap_or_else(|| panic!("{id}: theory is silent"));
            // The files print ten digits.
            near(&id, check["expected"].as_float().expect("a number"), said, 1e-8);
        }
    }
}

#[test]
fn every_check_names_its_source_and_every_tolerance_its_reason() {
    let mut ids = BTreeSet::new();
    for name in names(".expected.toml") {
        let expectations = table(&folder().join(format!("{name}.expected.toml")));
        assert!(expectations["what"].as_str().is_some_and(|w| !w.is_empty()), "{name}: what");
        for check in expectations["check"].as_array().expect("checks") {
            let text = |key: &str| check[key].as_str().unwrap_or_else(|| panic!("{name}: {key}"));
            assert!(ids.insert(text("id").to_owned()), "{name}: id {} twice", text("id"));
            assert!(!text("source").is_empty(), "{name}: source");
            let tolerance = check["tolerance"].as_float().expect("a tolerance");
            assert!((0.0..=0.05).contains(&tolerance), "{name}: tolerance {tolerance}");
            assert_eq!(tolerance > 0.0, !text("why").is_empty(), "{name} {}: why", text("id"));
            let station = text("figure").starts_with("station:");
            assert_eq!(station, text("class") == "all", "{name} {}: class", text("id"));
        }
    }
}
