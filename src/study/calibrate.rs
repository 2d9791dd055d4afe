//! What a drive's ratings say only through a simulation: its units and its command time, and what `pins` finds.
//!
//! The drive is run alone in a closed loop at the rated depth, by the same path as in every study. Units are
//! the fewest that reach the rating with no time at the command server; then the command server takes
//! up what they are too fast. The same draws serve every try, so that tries compare, and the result does not depend on
//! seed or threads. Each part is solved once in a process.

mod pins;

use std::sync::atomic::AtomicBool;
use std::sync::{Arc, Mutex};

use crate::engine::SimDuration;
use crate::scenario::{Design, DriveKind, Drives, Load, Part, Scenario, parse};
use crate::system::{DriveModel, Plan, Refusal, Solved, Unfit, max_payload};

use super::replication::Replication;
use super::setting::Setting;
pub(super) use pins::Tail;

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
    /// Its read tail at the low and high priors, once it was asked for.
    tail: Option<Option<Tail>>,
}

static KNOWN: Mutex<Vec<Known>> = Mutex::new(Vec::new());

/// The units and command time of a scenario's drives; none where they have no datasheet.
///
/// # Errors
/// No number of units returns the ratings.
pub(super) fn calibrate(design: &Design) -> Result<Option<Solved>, Refusal> {
    let Some(Drives { kind: DriveKind::Part(part), .. }) = &design.drives else { return Ok(None) };
    known(part, design, |known| known.solved.clone()).map(Some)
}

/// The read tail of a scenario's drives alone at the low and high priors of what their ratings do not tell; none
/// where all is told.
pub(super) fn tail(design: &Design) -> Option<Tail> {
    let Some(Drives { kind: DriveKind::Part(part), .. }) = &design.drives else { return None };
    known(part, design, |known| {
        let solved = known.solved.clone().ok()?;
        *known.tail.get_or_insert_with(|| Alone::new(part, design).tail(solved))
    })
}

/// What is known of a part, solved if it is asked for the first time.
fn known<T>(part: &Part, design: &Design, of: impl FnOnce(&mut Known) -> T) -> T {
    let payload = max_payload(design);
    // A lock that a panic elsewhere has poisoned still guards a list that is whole.
    let mut all = KNOWN.lock().unwrap_or_else(|poisoned| poisoned.into_inner());
    let at = all.iter().position(|k| k.part == *part && k.payload == payload).unwrap_or_else(|| {
        let solved = Alone::new(part, design).solve();
        all.push(Known { part: part.clone(), payload, solved, tail: None });
        all.len() - 1
    });
    of(&mut all[at])
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
        scenario.design.drives =
            Some(Drives { count: 1, kind: DriveKind::Part(Box::new(part.clone())), upkeep: None });
        scenario.design.fabric = None;
        scenario.classes[0].load = Load::Closed { in_flight: part.read_random.depth, think: None };
        Alone { part, scenario, payload: max_payload(design) }
    }

    /// The drive, full of data, under this load.
    fn with_load(&self, load: Load) -> Scenario {
        let mut scenario = self.scenario.clone();
        let class = &mut scenario.classes[0];
        (class.load, class.capacity, class.working_set) = (load, self.part.capacity, self.part.capacity);
        scenario
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
        let (program, suspend) = (self.part.program, self.part.suspend);
        self.pinned(Solved { units, command: self.command(units)?, program, suspend })
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
        let (program, suspend) = (self.part.program, self.part.suspend);
        let solved = Solved { units, command, program, suspend };
        let expected_s = READS / self.part.read_random.per_second;
        let replication = seen(&self.scenario, solved, expected_s / 10.0, expected_s)?;
        let finished: u64 = replication.kernel.model.recorder.finished.iter().sum();
        Ok(finished as f64 / expected_s)
    }
}

/// One replication of a drive alone.
fn seen(scenario: &Scenario, solved: Solved, warm_up_s: f64, length_s: f64) -> Result<Replication, Refusal> {
    let interrupted = AtomicBool::new(false);
    let plan = Plan::compile(scenario, Some(solved)).map_err(|unfit| match unfit {
        Unfit::Drive(refusal) => refusal,
        // Without a log-structured layout there is nothing to be full.
        Unfit::Full { .. } => Refusal { key: "capacity", why: "holds no data".into() },
    })?;
    let setting = Setting {
        scenario,
        plan: Arc::new(plan),
        traces: vec![None; scenario.classes.len()],
        scale: 1.0,
        periods: None,
        interrupted: &interrupted,
    };
    let mut replication = Replication::new(&setting, "calibrate", 0);
    replication.warm_up(SimDuration::from_secs(warm_up_s), &interrupted);
    replication.extend(SimDuration::from_secs(length_s), &interrupted);
    Ok(replication)
}
