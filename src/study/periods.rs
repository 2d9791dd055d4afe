//! The periods of a transient run: its dates cut the window, and every request belongs to the period in which it
//! was due.

use crate::engine::SimDuration;
use crate::scenario::{Auto, Fault, Phase, Scenario};

/// One period.
#[derive(Clone, Debug, PartialEq)]
pub(super) struct Period {
    /// "before", "during NAME + NAME", "after NAME".
    pub name: String,
    /// Its ends, counted from the end of warm-up.
    pub from: SimDuration,
    pub to: SimDuration,
    /// Names of the faults and phases in force, standing ones too.
    pub in_force: Vec<String>,
    /// Whether no fault is in force.
    pub is_healthy: bool,
    /// Classes that a phase in force stops (a factor of 0).
    pub stopped: Vec<usize>,
}

/// Periods whose requests are judged together.
#[derive(Clone, Debug, PartialEq)]
pub(super) struct Stretch {
    /// The period, where it is one of several that are judged each by itself.
    pub period: Option<String>,
    /// By period: whether it counts.
    pub counts: Vec<bool>,
    /// Whether a phase stops the class all the time, so that no request is no lack of one.
    pub is_stopped: bool,
}

/// The periods of a window, in order.
#[derive(Clone, Debug)]
pub(super) struct Periods {
    pub list: Vec<Period>,
    pub length: SimDuration,
}

impl Periods {
    /// The periods of a scenario with dates; none of one without.
    pub fn of(scenario: &Scenario) -> Option<Self> {
        let Auto::Given(length) = scenario.run.length else { return None };
        if !scenario.is_dated() {
            return None;
        }
        let mut edges = vec![SimDuration::ZERO, length];
        for fault in scenario.faults.iter().filter(|fault| !fault.is_standing()) {
            edges.push(fault.at);
            edges.extend(fault.end());
        }
        edges.extend(scenario.phases.iter().flat_map(|phase| [phase.from, phase.end()]));
        edges.retain(|edge| *edge <= length);
        edges.sort_unstable();
        edges.dedup();
        let mut list: Vec<Period> = Vec::new();
        let mut last: Vec<&str> = Vec::new();
        for pair in edges.windows(2) {
            let faults: Vec<&Fault> =
                scenario.faults.iter().filter(|fault| fault.is_in_force(pair[0])).collect();
            let in_force =
                scenario.phases.iter().filter(|phase| (phase.from..phase.end()).contains(&pair[0]));
            let in_force: Vec<&Phase> = in_force.collect();
            let stopped = in_force.iter().flat_map(|phase| &phase.load).filter(|(_, factor)| *factor == 0.0);
            let phases: Vec<&str> = in_force.iter().map(|phase| phase.name.as_str()).collect();
            let dated = faults.iter().filter(|fault| !fault.is_standing()).map(|fault| fault.name.as_str());
            let dated: Vec<&str> = phases.iter().copied().chain(dated).collect();
            let name = match (dated.is_empty(), last.is_empty()) {
                (true, true) => "before".to_owned(),
                (true, false) => format!("after {}", last.join(" + ")),
                (false, _) => format!("during {}", dated.join(" + ")),
            };
            if !dated.is_empty() {
                last = dated;
            }
            let all = faults.iter().map(|fault| fault.name.as_str()).chain(phases.iter().copied());
            list.push(Period {
                name,
                from: pair[0],
                to: pair[1],
                in_force: all.map(str::to_owned).collect(),
                is_healthy: faults.is_empty(),
                stopped: stopped.map(|(class, _)| *class).collect(),
            });
        }
        Some(Periods { list, length })
    }

    /// What `during` of an objective of a class is about: periods judged together, or each period by itself where it
    /// has to hold at any time (a short storm would vanish in the quiet around it).
    pub fn during(&self, during: &str, class: usize) -> Vec<Stretch> {
        let is_meant = |period: &Period| match during {
            "healthy" => period.is_healthy,
            name => period.in_force.iter().any(|other| other == name),
        };
        if during == "any" {
            return (0..self.list.len()).map(|number| self.alone(number, class)).collect();
        }
        let counts = self.list.iter().map(is_meant).collect();
        vec![Stretch { period: None, counts, is_stopped: false }]
    }

    /// One period by itself.
    fn alone(&self, number: usize, class: usize) -> Stretch {
        let period = &self.list[number];
        let is_unique = self.list.iter().filter(|other| other.name == period.name).count() == 1;
        let name = match is_unique {
            true => period.name.clone(),
            // A fault within a phase leaves two periods of that phase alone.
            false => format!("{}, from {} s", period.name, period.from.secs()),
        };
        Stretch {
            period: Some(name),
            counts: (0..self.list.len()).map(|other| other == number).collect(),
            is_stopped: period.stopped.contains(&class),
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::scenario::parse;

    fn periods(text: &str) -> Option<Periods> {
        let whole = format!(
            "[design.cpu]\ncores = 1\nservice = \"1 us\"\n[design.ports]\ncount = 4\nservice = \"1 us\"\n\
             [[class]]\nname = \"one\"\nmachines = 1\nload = {{ rate = \"1/s\" }}\nread = 1\nsizes = \"4 KiB\"\n{text}"
        );
        let scenario =
            parse(&whole, "t.toml", std::path::Path::new(""), &[]).unwrap_or_else(|d| panic!("{d}"));
        Periods::of(&scenario)
    }

    fn port(name: &str, port: u32, more: &str) -> String {
        format!("[[fault]]\nname = \"{name}\"\nkind = \"port-down\"\nport = {port}\n{more}\n")
    }

    #[test]
    fn dates_cut_the_window_into_periods_with_readable_names() {
        let phase = "[[phase]]\nname = \"logons\"\nfrom = \"2 s\"\nto = \"4 s\"\nstagger = \"1 s\"\nload = { one = 2 }\n";
        let text = phase.to_owned() + &port("a", 1, "at = \"3 s\"\nfor = \"5 s\"") + &port("b", 2, "");
        let found = periods(&text).expect("dates");
        assert_eq!(found.length, SimDuration::from_us(10_000_000), "the last end and a quarter of it");
        let names: Vec<(&str, f64)> = found.list.iter().map(|p| (p.name.as_str(), p.to.secs())).collect();
        let expected = [
            ("before", 2.0),
            ("during logons", 3.0),
            ("during logons + a", 5.0),
            ("during a", 8.0),
            ("after a", 10.0),
        ];
        assert_eq!(names, expected);
        let together = |during| {
            let stretches = found.during(during, 0);
            assert_eq!(stretches.len(), 1, "{stretches:?}");
            stretches[0].counts.clone()
        };
        assert_eq!(together("a"), [false, false, true, true, false]);
        assert_eq!(together("b"), [true; 5], "a standing fault is in force all the time");
        assert_eq!(together("healthy"), [false; 5]);
    }

    #[test]
    fn at_any_time_every_period_is_judged_by_itself_and_has_a_name_of_its_own() {
        let phase = "[[phase]]\nname = \"night\"\nfrom = \"2 s\"\nto = \"8 s\"\nload = { one = 0 }\n";
        let found =
            periods(&(phase.to_owned() + &port("a", 1, "at = \"3 s\"\nfor = \"2 s\""))).expect("dates");
        let stretches = found.during("any", 0);
        let names: Vec<&str> = stretches.iter().map(|s| s.period.as_deref().expect("a name")).collect();
        let expected =
            ["before", "during night, from 2 s", "during night + a", "during night, from 5 s", "after night"];
        assert_eq!(names, expected);
        for (number, stretch) in stretches.iter().enumerate() {
            let alone: Vec<bool> = (0..5).map(|other| other == number).collect();
            assert_eq!(stretch.counts, alone);
            assert_eq!(stretch.is_stopped, (1..4).contains(&number), "{stretch:?}");
        }
        assert!(found.during("any", 1).iter().all(|stretch| !stretch.is_stopped));
    }

    #[test]
    fn a_fault_without_an_end_is_watched_as_long_as_came_before_it() {
        for (at, length) in [("3 s", 6.0), ("200 ms", 1.2)] {
            let found = periods(&port("a", 1, &format!("at = \"{at}\""))).expect("dates");
            assert_eq!(found.length.secs(), length);
            assert_eq!(found.list.len(), 2);
        }
    }

    #[test]
    fn without_dates_there_are_no_periods() {
        assert!(periods(&port("a", 1, "")).is_none());
        assert!(periods("").is_none());
    }
}
