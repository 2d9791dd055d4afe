//! What a day, a drive and a year come to, for any values of the inputs that may be ranges.

use crate::measure::{Interval, rate_estimate};
use crate::outcome::YearRow;
use crate::scenario::{DriveKind, Input, Operation, Reduces, Scenario};
use crate::study::mix;
use crate::study::replication::Replication;
use crate::study::setting::Setting;
use crate::study::stations::ratio;
use crate::study::summary::measured_rates;
use crate::system::{Capacity, WriteModel, Written, holdings};
use crate::theory::endurance::{
    Growing, drive_writes_per_day, rated_bytes, rating_amplification, written_by, years, years_growing,
    years_until_full,
};

use super::SECONDS_A_DAY;
use super::risk::Rebuild;

/// Years of growth at which the bytes of a day are looked at; between them they grow evenly.
const LOOKED_AT: [f64; 7] = [1.0, 2.0, 4.0, 8.0, 16.0, 32.0, 64.0];

/// Everything that may be stated as a range.
#[derive(Clone, Debug, PartialEq)]
pub(super) struct Inputs {
    /// By class.
    pub reduces: Vec<Reduces>,
    /// By class, a share a year.
    pub growth: Vec<f64>,
    /// By class.
    pub duty: Vec<f64>,
    /// Of a drive in a year.
    pub failure_rate: f64,
    /// For each bit read.
    pub uber: f64,
    pub drive_price: Option<f64>,
    pub system_price: f64,
    pub yearly_price: f64,
    pub energy_price: Option<f64>,
}

impl Inputs {
    /// As the scenario states them: of a range the middle.
    pub fn stated(scenario: &Scenario) -> Self {
        let upkeep = scenario.design.drives.as_ref().and_then(|drives| drives.upkeep.as_ref());
        let price = scenario.design.price.as_ref();
        Inputs {
            reduces: scenario.classes.iter().map(|class| class.reduces).collect(),
            growth: scenario.classes.iter().map(|class| class.growth / 100.0).collect(),
            duty: scenario.classes.iter().map(|class| class.duty).collect(),
            failure_rate: upkeep.map_or(0.0, |upkeep| upkeep.failure_rate / 100.0),
            uber: upkeep.map_or(0.0, |upkeep| upkeep.uber),
            drive_price: upkeep.and_then(|upkeep| upkeep.price),
            system_price: price.map_or(0.0, |price| price.system),
            yearly_price: price.map_or(0.0, |price| price.yearly),
            energy_price: price.and_then(|price| price.energy),
        }
    }

    /// Sets one, in the unit of the scenario.
    pub fn set(&mut self, input: Input, value: f64) {
        match input {
            Input::Compress(class) => self.reduces[class].compress = value,
            Input::Duplicate(class) => self.reduces[class].duplicate = value,
            Input::DuplicateStored(class) => self.reduces[class].duplicate_stored = value,
            Input::BothDuplicates(class) => {
                let reduces = &mut self.reduces[class];
                (reduces.duplicate, reduces.duplicate_stored) = (value, value);
            }
            Input::Growth(class) => self.growth[class] = value / 100.0,
            Input::Duty(class) => self.duty[class] = value,
            Input::FailureRate => self.failure_rate = value / 100.0,
            Input::Uber => self.uber = value,
            Input::DrivePrice => self.drive_price = Some(value),
            Input::SystemPrice => self.system_price = value,
            Input::YearlyPrice => self.yearly_price = value,
            Input::EnergyPrice => self.energy_price = Some(value),
        }
    }

    /// Whether any class grows.
    pub fn grows(&self) -> bool {
        self.growth.iter().any(|growth| *growth > 0.0)
    }
}

/// What one drive bears.
#[derive(Clone, Copy, Debug)]
pub(in crate::study) struct Life {
    /// Bytes that the rating lets a host write.
    pub rated: f64,
    /// Amplification of the rating's workload on this drive.
    pub amplification: f64,
    /// Bytes that its flash bears: the product.
    pub budget: f64,
}

impl Life {
    /// Of a setting's drives; none unless they are flash drives.
    pub fn of_drives(setting: &Setting) -> Option<Self> {
        let (drives, model) = setting.scenario.design.drives.as_ref().zip(setting.plan.drive())?;
        let DriveKind::Part(part) = &drives.kind else { return None };
        let rated = rated_bytes(part.drive_writes_per_day, part.capacity as f64, part.warranty_years);
        let amplification = rating_amplification(model.rated_amplification);
        Some(Life { rated, amplification, budget: rated * amplification })
    }
}

/// A design as it was measured, and how its bytes move with the inputs.
pub(super) struct Model<'a> {
    pub setting: &'a Setting<'a>,
    pub writes: WriteModel,
    /// Requests measured a second, by class.
    pub rates: Vec<f64>,
    /// Live data as a share of the usable space as stated, in full stripes.
    live: Option<f64>,
    /// What was measured ÷ what arithmetic says of all classes at the stated load.
    pub anchor: Written,
    /// Half the interval of what reaches the drives, as a share of it; and its replications.
    pub sampling: (f64, u32),
    pub capacity: Option<Capacity>,
    /// Drives that hold data, and the capacity of one.
    pub drives: u32,
    pub drive_capacity: f64,
    /// Writes of the worst drive ÷ those of the mean drive.
    pub unevenness: f64,
    pub life: Option<Life>,
    pub rebuild: Rebuild,
}

/// Figures at some values of the inputs. Bytes are those of a day, of all drives.
#[derive(Clone, Copy, Debug)]
pub(super) struct Figures {
    pub host: f64,
    pub drives: f64,
    pub flash: f64,
    pub drive_writes_per_day: f64,
    /// Of the worst drive.
    pub years: f64,
    pub conservative_years: f64,
    pub years_with_growth: f64,
    pub effective: f64,
    pub fill: f64,
    pub full_after_years: f64,
}

impl<'a> Model<'a> {
    pub fn new(setting: &'a Setting<'a>, replications: &[Replication], rebuild: Rebuild) -> Self {
        let scenario = setting.scenario;
        let rates = measured_rates(replications);
        let kinds = mix::weighted(setting, &rates);
        let writes = WriteModel::of(scenario, &setting.plan, &kinds, rates.iter().sum()).with_curve();
        let stated: Vec<Reduces> = scenario.classes.iter().map(|class| class.reduces).collect();
        let base = sum(&writes.by_class(&stated), |_| 1.0);
        let rate = |of: &dyn Fn(&Replication) -> u64| -> Option<Interval> {
            let rates: Vec<f64> = replications.iter().map(|r| ratio(of(r) as f64, r.window_s())).collect();
            rate_estimate(&rates, scenario.run.confidence)
        };
        let measured = |of: &dyn Fn(&Replication) -> u64| rate(of).map_or(0.0, |interval| interval.value);
        let to_drives = rate(&|r| r.fragments_in_window()[Operation::Write as usize]);
        let anchor = Written {
            host: share(
                measured(&|r| r.kernel.model.recorder.finished_bytes[Operation::Write as usize]),
                base.host,
            ),
            reduced: share(
                measured(&|r| {
                    let levels = r.levels_in_window();
                    levels.stored + levels.reduced
                }),
                base.reduced,
            ),
            drives: share(to_drives.map_or(0.0, |interval| interval.value), base.drives),
            flash: share(measured(&|r| r.flash_in_window()[0]), base.flash),
        };
        let drives = scenario.design.drives.as_ref();
        let half = to_drives.and_then(|interval| interval.relative_half_width()).unwrap_or(0.0);
        Model {
            setting,
            rates,
            live: writes.live(&stated),
            anchor,
            sampling: (half, replications.len() as u32),
            capacity: holdings(scenario).capacity,
            drives: scenario.design.filled_drives(),
            drive_capacity: drives.and_then(|drives| drives.kind.capacity()).unwrap_or(0) as f64,
            unevenness: unevenness(replications, scenario.design.filled_drives()),
            life: Life::of_drives(setting),
            writes,
            rebuild,
        }
    }

    /// Bytes of an average day, after so many years of growth.
    fn day_after(&self, inputs: &Inputs, years: f64) -> Written {
        let grown: Vec<f64> = inputs.growth.iter().map(|growth| grown(*growth, years)).collect();
        let by_class = self.writes.by_class_grown(&inputs.reduces, &|class| grown[class]);
        let day = sum(&by_class, |class| inputs.duty[class] * SECONDS_A_DAY);
        Written {
            host: day.host * self.anchor.host,
            reduced: day.reduced * self.anchor.reduced,
            drives: day.drives * self.anchor.drives,
            flash: day.flash * self.anchor.flash,
        }
    }

    /// What a day's bytes are, as a share of the stated load all day, level by level.
    pub fn day_factors(&self, inputs: &Inputs) -> Written {
        factors(&self.writes.by_class(&inputs.reduces), |class| inputs.duty[class])
    }

    /// All figures.
    pub fn at(&self, inputs: &Inputs) -> Figures {
        let day = self.day_after(inputs, 0.0);
        let (budget, rated) = self.life.map_or((f64::NAN, f64::NAN), |life| (life.budget, life.rated));
        let stored = self.stored(inputs);
        let room = self.capacity.as_ref().map_or(f64::NAN, |capacity| capacity.room);
        let given: f64 = self.capacity.as_ref().map_or(f64::NAN, Capacity::given);
        let all: f64 = stored.iter().map(|part| part.now).sum();
        let flat = years(budget, self.worst(day.flash));
        let full_after_years = if inputs.grows() { years_until_full(room, &stored) } else { f64::INFINITY };
        let with_growth = || {
            let mut days: Vec<(f64, f64)> = vec![(0.0, self.worst(day.flash))];
            for year in LOOKED_AT.map(|year| f64::min(year, full_after_years)) {
                if days.last().is_some_and(|(last, _)| *last < year) {
                    days.push((year, self.worst(self.day_after(inputs, year).flash)));
                }
            }
            years_growing(budget, &days)
        };
        Figures {
            host: day.host,
            drives: day.drives,
            flash: day.flash,
            drive_writes_per_day: drive_writes_per_day(
                day.drives / f64::from(self.drives),
                self.drive_capacity,
            ),
            years: flat,
            conservative_years: years(rated, self.worst(day.drives)),
            years_with_growth: if inputs.grows() && budget.is_finite() { with_growth() } else { flat },
            effective: room * given / all,
            fill: all / room,
            full_after_years,
        }
    }

    /// The worst drive's part of what all drives take.
    fn worst(&self, bytes: f64) -> f64 {
        bytes * self.unevenness / f64::from(self.drives)
    }

    /// What each class's data takes, and how it grows.
    fn stored(&self, inputs: &Inputs) -> Vec<Growing> {
        let Some(capacity) = &self.capacity else { return Vec::new() };
        let part = |(n, taken): (usize, &crate::system::Taken)| Growing {
            now: taken.given * self.writes.share_at_rest(&inputs.reduces[n]),
            growth: inputs.growth[n],
        };
        capacity.classes.iter().enumerate().map(part).collect()
    }

    /// Live data as a share of the usable space at these inputs ÷ the same as stated: a rebuild restores that much more.
    pub fn content_factor(&self, inputs: &Inputs) -> f64 {
        match (self.writes.live(&inputs.reduces), self.live) {
            (Some(there), Some(here)) if here > 0.0 => there / here,
            _ => 1.0,
        }
    }

    /// A year of growth.
    pub fn in_year(&self, inputs: &Inputs, year: u32) -> YearRow {
        let years = f64::from(year);
        let classes = &self.setting.scenario.classes;
        let stored: f64 = self.stored(inputs).iter().map(|part| part.after(years)).sum();
        let flash = |years: f64| self.day_after(inputs, years).flash;
        let days: Vec<(f64, f64)> = (0..=year).map(f64::from).map(|years| (years, flash(years))).collect();
        YearRow {
            year,
            machines: classes
                .iter()
                .zip(&inputs.growth)
                .map(|(class, growth)| f64::from(class.machines) * grown(*growth, years))
                .sum(),
            given_bytes: self.capacity.as_ref().map(|capacity| {
                let given = capacity.classes.iter().zip(&inputs.growth);
                given.map(|(taken, growth)| taken.given * grown(*growth, years)).sum()
            }),
            stored_bytes: self.capacity.as_ref().map(|_| stored),
            fill: self.capacity.as_ref().map(|capacity| stored / capacity.room),
            flash_bytes_per_day: self.life.map(|_| flash(years)),
            used_up: self.life.map(|life| self.worst(written_by(years, &days)) / life.budget),
        }
    }
}

/// Factor of so many years of growth.
fn grown(growth: f64, years: f64) -> f64 {
    Growing { now: 1.0, growth }.after(years)
}

/// What a day's bytes are, as a share of the measured load all day, level by level, as the scenario states its hours.
pub(in crate::study) fn day_factors(setting: &Setting, replications: &[Replication]) -> Written {
    let classes = &setting.scenario.classes;
    if classes.iter().all(|class| class.duty == 1.0) {
        return Written { host: 1.0, reduced: 1.0, drives: 1.0, flash: 1.0 };
    }
    let rates = measured_rates(replications);
    let kinds = mix::weighted(setting, &rates);
    let writes = WriteModel::of(setting.scenario, &setting.plan, &kinds, rates.iter().sum());
    let stated: Vec<Reduces> = classes.iter().map(|class| class.reduces).collect();
    factors(&writes.by_class(&stated), |class| classes[class].duty)
}

fn factors(by_class: &[Written], duty: impl Fn(usize) -> f64) -> Written {
    let (all, day) = (sum(by_class, |_| 1.0), sum(by_class, duty));
    Written {
        host: share(day.host, all.host),
        reduced: share(day.reduced, all.reduced),
        drives: share(day.drives, all.drives),
        flash: share(day.flash, all.flash),
    }
}

/// A part of a whole; 1 where there is none of it, so that nothing stays nothing.
fn share(part: f64, whole: f64) -> f64 {
    if whole > 0.0 { part / whole } else { 1.0 }
}

/// All classes together, each with its factor.
pub(super) fn sum(by_class: &[Written], factor: impl Fn(usize) -> f64) -> Written {
    let mut all = Written::default();
    for (class, written) in by_class.iter().enumerate() {
        let factor = factor(class);
        all.host += factor * written.host;
        all.reduced += factor * written.reduced;
        all.drives += factor * written.drives;
        all.flash += factor * written.flash;
    }
    all
}

/// Writes of the worst of so many drives that hold data ÷ those of the mean drive. Which drive is worst is seen in one half of the replications and
/// its writes are counted in the other, and the other way round, so that chance does not make a drive look worse than it is
/// (what a maximum of noisy figures does).
fn unevenness(replications: &[Replication], drives: u32) -> f64 {
    let half = |which: usize| {
        let mut sums: Vec<u64> = Vec::new();
        for replication in replications.iter().skip(which).step_by(2) {
            let written = replication.written_in_window();
            sums.resize(sums.len().max(written.len()), 0);
            sums.iter_mut().zip(written).for_each(|(sum, bytes)| *sum += bytes);
        }
        sums
    };
    let (one, other) = (half(0), half(1));
    let of = |seen: &[u64], counted: &[u64]| {
        let (worst, _) = seen.iter().enumerate().max_by_key(|(_, bytes)| **bytes)?;
        let all: u64 = counted.iter().sum();
        (all > 0).then(|| *counted.get(worst).unwrap_or(&0) as f64 * f64::from(drives) / all as f64)
    };
    match (of(&one, &other), of(&other, &one)) {
        (Some(a), Some(b)) => f64::midpoint(a, b).max(1.0),
        _ => 1.0,
    }
}
