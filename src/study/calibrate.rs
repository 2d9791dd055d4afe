//! What a drive's ratings say only through a simulation: its units and its command time.
//!
//! The drive is run alone in a closed loop at the rated depth, by the same path as in every study. Units are
//! the fewest that reach the rating with no time at the command server; then the command server takes
//! up what they are too fast. The same draws serve every try, so that tries compare, and the result does not depend on
//! seed or threads. Each part is solved once in a process.

use std::sync::atomic::AtomicBool;
use std::sync::{Arc, Mutex};

use crate::engine::SimDuration;
use crate::scenario::{Design, DriveKind, Drives, Load, Part, Scenario, parse};
use crate::system::{DriveModel, Plan, Refusal, Solved, max_payload};

use super::replication::Replication;
use super::setting::Setting;

/// Reads of one try, after a tenth as many unmeasured: its rate is known to 0.1 to 0.2 %.
const READS: f64 = 60_000.0;
/// No drive has more; a rating that needs them leaves its depth nowhere to wait.
const UNITS_MAX: u32 = 4096;
/// The rating counts as met within this.
const CLOSE: f64 = 0.002;
/// Tries at the command time.
const TRIES: u32 = 12;

/// The drive alone at its rated depth, whatever its part.
const ALONE: &str = r#"
[run]
seed = 1
[design.drives]
count = 1
service = "1 us"
split = true
[[class]]
name = "reads"
machines = 1
load = { in_flight = 1 }
read = 1
sizes = "4 KiB"
capacity = "64 GiB"
"#;

/// A part that was solved, and the packet size it was solved for.
struct Known {
    part: Part,
    payload: u32,
    solved: Result<Solved, Refusal>,
}

static KNOWN: Mutex<Vec<Known>> = Mutex::new(Vec::new());

/// The units and command time of a scenario's drives; none where they have no datasheet.
///
/// # Errors
/// No number of units returns the ratings.
pub(super) fn calibrate(design: &Design) -> Result<Option<Solved>, Refusal> {
    let Some(Drives { kind: DriveKind::Part(part), .. }) = &design.drives else { return Ok(None) };
    let payload = max_payload(design);
    // A lock that a panic elsewhere has poisoned still guards a list that is whole.
    let mut known = KNOWN.lock().unwrap_or_else(|poisoned| poisoned.into_inner());
    if let Some(known) = known.iter().find(|k| k.part == **part && k.payload == payload) {
        return known.solved.clone().map(Some);
    }
    let solved = Alone::new(part, design).solve();
    known.push(Known { part: (**part).clone(), payload, solved: solved.clone() });
    solved.map(Some)
}

/// A part that runs alone.
struct Alone<'a> {
    part: &'a Part,
    scenario: Scenario,
    payload: u32,
}

impl<'a> Alone<'a> {
    fn new(part: &'a Part, design: &Design) -> Self {
        let base = std::path::Path::new("");
        // A text of ours, read by a test each time.
        let mut scenario = parse(ALONE, "the drive alone", base, &[]).expect("a sound scenario");
        scenario.design.drives = Some(Drives { count: 1, kind: DriveKind::Part(Box::new(part.clone())) });
        scenario.design.fabric = None;
        scenario.classes[0].load = Load::Closed { in_flight: part.read_random.depth, think: None };
        Alone { part, scenario, payload: max_payload(design) }
    }

    fn solve(&self) -> Result<Solved, Refusal> {
        // A block up the link brings its completion along.
        let most = self.part.read_sequential / (4096.0 + 16.0);
        if self.part.read_random.per_second >= most {
            return Err(Refusal {
                key: "read_random",
                why: format!("more bytes a second than `read_sequential` reads: expected below {most:.0}/s"),
            });
        }
        let units = match self.part.units {
            Some(units) if self.rate(units, SimDuration::ZERO)? < self.wanted() => {
                return Err(Refusal {
                    key: "units",
                    why: format!("{units} units are too few for the rated random reads at that depth"),
                });
            }
            Some(units) => units,
            None => self.fewest_units()?,
        };
        Ok(Solved { units, command: self.command(units)? })
    }

    /// What counts as the rating met.
    fn wanted(&self) -> f64 {
        self.part.read_random.per_second * (1.0 - CLOSE)
    }

    /// The fewest units that reach the rating: doubled or halved from the first try to either side of it,
    /// then bisected.
    fn fewest_units(&self) -> Result<u32, Refusal> {
        let enough = |units: u32| Ok(self.rate(units, SimDuration::ZERO)? >= self.wanted());
        let mut high = DriveModel::first_try(self.part, self.payload)?.min(UNITS_MAX);
        let mut low = 0;
        while !enough(high)? {
            if high == UNITS_MAX {
                return Err(Refusal {
                    key: "read_random",
                    why: format!(
                        "not reached by {UNITS_MAX} units: at that depth the rate leaves no read time to wait; \
                         state a greater depth"
                    ),
                });
            }
            low = high;
            high = (high + high / 8 + 1).min(UNITS_MAX);
        }
        while low == 0 && high > 1 {
            let lower = high - (high / 8).max(1);
            if enough(lower)? { high = lower } else { low = lower }
        }
        while high - low > 1 {
            let middle = low + (high - low) / 2;
            if enough(middle)? { high = middle } else { low = middle }
        }
        Ok(high)
    }

    /// The command time at which so many units give the rating: by bisection, it lies below 1 ÷ rating.
    fn command(&self, units: u32) -> Result<SimDuration, Refusal> {
        let rating = self.part.read_random.per_second;
        let (mut low, mut high) = (0.0, 1e12 / rating);
        for _ in 0..TRIES {
            let middle = (low + high) / 2.0;
            let found = self.rate(units, SimDuration::from_ps_f64(middle))?;
            if (found / rating - 1.0).abs() < CLOSE / 4.0 {
                return Ok(SimDuration::from_ps_f64(middle));
            }
            if found > rating { low = middle } else { high = middle }
        }
        Ok(SimDuration::from_ps_f64(low))
    }

    /// Reads per second at the rated depth.
    fn rate(&self, units: u32, command: SimDuration) -> Result<f64, Refusal> {
        let interrupted = AtomicBool::new(false);
        let solved = Solved { units, command };
        let plan = Plan::compile(&self.scenario, Some(solved))?;
        let setting = Setting {
            scenario: &self.scenario,
            plan: Arc::new(plan),
            traces: vec![None],
            scale: 1.0,
            periods: None,
            interrupted: &interrupted,
        };
        let expected_s = READS / self.part.read_random.per_second;
        let mut replication = Replication::new(&setting, "calibrate", 0);
        replication.warm_up(SimDuration::from_secs(expected_s / 10.0), &interrupted);
        replication.extend(SimDuration::from_secs(expected_s), &interrupted);
        let finished: u64 = replication.kernel.model.recorder.finished.iter().sum();
        Ok(finished as f64 / expected_s)
    }
}
