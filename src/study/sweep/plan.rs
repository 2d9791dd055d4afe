//! Which variants a sweep has, which of them a shard asks, and which are left out before anything is simulated.

use std::collections::BTreeMap;
use std::path::{Path, PathBuf};

use crate::engine::{Key, Purpose};
use crate::outcome::{AxisRow, CheckOutcome, DroppedRow, PointSets, SweepInputs, SweepPlan};
use crate::scenario::{Ask, Goal, Limits, Override, SampleKind, Scenario, Sweep, parse};
use crate::study::TOOL;
use crate::study::check::check;
use crate::study::wear::price_as_stated;
use crate::system::holdings;

/// Variants that a plan shows.
const SHOWN: usize = 8;
/// Points that the Sobol sequence has.
const SOBOL_POINTS: u32 = 1 << 16;
const SLICES: Purpose = Purpose::named("slices");

/// The base scenario's text and where it lies.
#[derive(Clone, Debug)]
pub struct Base {
    /// Its text.
    pub text: String,
    /// Its file's name, for messages.
    pub name: String,
    /// Where files that it names begin.
    pub folder: PathBuf,
}

impl Base {
    /// The base of a sweep, whose text was read.
    pub fn new(sweep: &Sweep, text: String) -> Self {
        let folder = sweep.base.parent().unwrap_or(Path::new("")).to_owned();
        Base { text, name: sweep.base_name.clone(), folder }
    }

    /// The scenario with these changes, or the first thing that is wrong with it.
    pub(super) fn with(&self, sets: &[Override]) -> Result<Scenario, String> {
        parse(&self.text, &self.name, &self.folder, sets).map_err(|wrong| wrong.first_title())
    }
}

/// A part of a sweep: the points whose number leaves `index` − 1 when divided by `count`.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Shard {
    /// From 1.
    pub index: u64,
    /// All of them.
    pub count: u64,
}

/// What a sweep or a shard of it will ask.
#[derive(Clone, Debug)]
pub struct Planned {
    /// Its points, in the order of their numbers.
    pub points: Vec<PointSets>,
    /// The plan as it is told.
    pub plan: SweepPlan,
    /// What results are made from.
    pub inputs: SweepInputs,
    /// `run.precision` of the base.
    pub precision: f64,
}

/// Plans a sweep.
///
/// # Errors
/// The base is no scenario, names a file that cannot be read, or there are more points than the sequence has.
pub fn plan(sweep: &Sweep, base: &Base, shard: Option<Shard>) -> Result<Planned, String> {
    if let Some(sample) = sweep.sample.filter(|s| s.kind == SampleKind::Sobol && s.points > SOBOL_POINTS) {
        return Err(format!(
            "`sample.points` is {}, and a Sobol sequence here has {SOBOL_POINTS}\n  help: `kind = \"latin-hypercube\"` has \
             no such end",
            sample.points
        ));
    }
    let scenario = parse(&base.text, &base.name, &base.folder, &[]).map_err(|wrong| wrong.to_string())?;
    let mut points = Vec::new();
    let mut dropped: BTreeMap<String, DroppedRow> = BTreeMap::new();
    let slices = Slices::of(sweep);
    let is_mine = |number: &u64| shard.is_none_or(|shard| number % shard.count == shard.index - 1);
    for number in (0..sweep.count()).filter(is_mine) {
        let sets = sweep.variant(number, &slices.places(number));
        let told = sets.iter().map(|set| (set.path.clone(), set.value.clone())).collect();
        let point = PointSets { number, sets: told };
        match base.with(&sets).and_then(|scenario| is_within(&scenario, &sweep.drop)) {
            Ok(()) => points.push(point),
            Err(why) => {
                let new = || DroppedRow { why: why.clone(), count: 0, first: point };
                dropped.entry(why.clone()).or_insert_with(new).count += 1;
            }
        }
    }
    let mut dropped: Vec<DroppedRow> = dropped.into_values().collect();
    dropped.sort_by_key(|row| row.first.number);
    let axis = |axis: &crate::scenario::Axis| AxisRow {
        keys: axis.columns.iter().map(|(path, _)| path.clone()).collect(),
        values: axis.len() as u64,
        ends: axis.columns.iter().map(|(_, c)| [c.nth(0), c.nth(axis.len() - 1)]).collect(),
    };
    let plan = SweepPlan {
        schema: 1,
        tool: TOOL.into(),
        title: sweep.title.clone(),
        base: sweep.base_name.clone(),
        ask: sweep.ask.iter().map(|ask| Ask::word(*ask).into()).collect(),
        front: sweep.front.iter().map(Goal::in_words).collect(),
        axes: sweep.axes.iter().map(axis).collect(),
        variants: sweep.count(),
        points: points.len() as u64,
        shard: shard.map(|shard| [shard.index, shard.count]),
        dropped,
        first: points.iter().take(SHOWN).cloned().collect(),
        expected: None,
    };
    let inputs = SweepInputs {
        tool: TOOL.into(),
        title: sweep.title.clone(),
        sweep: sweep.text.clone(),
        base: base.text.clone(),
        files: named_files(&scenario)?,
        variants: sweep.count(),
    };
    Ok(Planned { points, plan, inputs, precision: scenario.run.precision })
}

/// BLAKE3 of every file that a scenario names, by its name as written.
///
/// # Errors
/// One cannot be read.
pub fn named_files(scenario: &Scenario) -> Result<BTreeMap<String, String>, String> {
    let mut found = BTreeMap::new();
    for (path, name) in scenario.traces() {
        let bytes = std::fs::read(path).map_err(|error| format!("{name} cannot be read: {error}"))?;
        found.insert(name.to_owned(), blake3::hash(&bytes).to_hex().to_string());
    }
    Ok(found)
}

/// What answers are made from, in one word: version, scenario with its changes, and the files that it names.
///
/// # Errors
/// One of the files cannot be read.
pub fn answer_key(scenario: &Scenario) -> Result<String, String> {
    let mut inputs = blake3::Hasher::new();
    inputs.update(TOOL.as_bytes());
    inputs.update(scenario.digest.as_bytes());
    for hash in named_files(scenario)?.values() {
        inputs.update(hash.as_bytes());
    }
    Ok(inputs.finalize().to_hex()[..24].to_owned())
}

/// Whether a variant is worth asking; or why not.
fn is_within(scenario: &Scenario, limits: &Limits) -> Result<(), String> {
    let over =
        |found: Option<f64>, most: Option<f64>| found.zip(most).is_some_and(|(found, most)| found > most);
    let fill = holdings(scenario).capacity.map(|capacity| capacity.fill());
    if over(fill, limits.fill_above) {
        return Err(format!("fuller than {} on paper", limits.fill_above.unwrap_or_default()));
    }
    if over(price_as_stated(scenario), limits.price_above) {
        return Err(format!("costs more than {}", limits.price_above.unwrap_or_default()));
    }
    if let Some(most) = limits.busy_above {
        let page: CheckOutcome = check(scenario).map_err(|error| error.to_string())?;
        let busy =
            page.offered_iops.zip(page.static_ceiling_iops).map(|(offered, ceiling)| offered / ceiling);
        if over(busy, Some(most)) {
            return Err(format!("busier than {most} on paper"));
        }
    }
    Ok(())
}

/// Where the points of a sample lie in each axis.
pub(super) struct Slices {
    kind: Option<SampleKind>,
    axes: u32,
    seed: u64,
    /// Of a Latin hypercube: for each axis the slice of each point.
    slices: Vec<Vec<u32>>,
}

impl Slices {
    /// Of a sweep; of a grid there are none.
    pub fn of(sweep: &Sweep) -> Self {
        let axes = sweep.axes.len() as u32;
        let Some(sample) = sweep.sample else {
            return Slices { kind: None, axes, seed: 0, slices: Vec::new() };
        };
        let key = Key::root(sample.seed).named("sample");
        let shuffled = |axis: u32| {
            // R. Durstenfeld, CACM 7(7), 1964.
            let mut draws = key.numbered(u64::from(axis)).draws(SLICES);
            let mut order: Vec<u32> = (0..sample.points).collect();
            for at in (1..order.len()).rev() {
                order.swap(at, draws.below(at as u64 + 1) as usize);
            }
            order
        };
        let slices = match sample.kind {
            SampleKind::LatinHypercube => (0..axes).map(shuffled).collect(),
            SampleKind::Sobol => Vec::new(),
        };
        Slices { kind: Some(sample.kind), axes, seed: sample.seed, slices }
    }

    /// Where point `number` lies in each axis, 0 to below 1.
    pub fn places(&self, number: u64) -> Vec<f64> {
        let place = |axis: u32| match self.kind {
            None => 0.0,
            Some(SampleKind::Sobol) => f64::from(sobol_burley::sample(number as u32, axis, self.seed as u32)),
            Some(SampleKind::LatinHypercube) => {
                let slices = &self.slices[axis as usize];
                let key = Key::root(self.seed).named("within a slice").numbered(u64::from(axis));
                let within = key.numbered(number).draws(SLICES).unit();
                (f64::from(slices[number as usize]) + within) / slices.len() as f64
            }
        };
        (0..self.axes).map(place).collect()
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::scenario::parse_sweep;

    fn sweep(text: &str) -> Sweep {
        let text = format!("base = \"b.toml\"\n{text}");
        parse_sweep(&text, "s.toml", Path::new("")).unwrap_or_else(|wrong| panic!("{wrong}"))
    }

    /// Every slice of every axis holds one point (McKay, Beckman & Conover 1979).
    #[test]
    fn a_latin_hypercube_has_a_point_in_every_slice() {
        let sweep = sweep(
            "[vary]\na = { from = 0.0, to = 1.0, points = 2 }\nb = { from = 0.0, to = 1.0, points = 2 }\n\
             [sample]\npoints = 64\nkind = \"latin-hypercube\"\n",
        );
        let slices = Slices::of(&sweep);
        for axis in 0..2 {
            let mut met: Vec<usize> = (0..64).map(|n| (slices.places(n)[axis] * 64.0) as usize).collect();
            met.sort_unstable();
            assert_eq!(met, (0..64).collect::<Vec<_>>());
        }
    }

    /// 64 points of the sequence in base 2: each of 8 × 8 cells holds one, its (t, m, 2)-net with t = 0.
    #[test]
    fn sobol_points_fill_a_square_evenly() {
        let sweep = sweep(
            "[vary]\na = { from = 0.0, to = 1.0, points = 2 }\nb = { from = 0.0, to = 1.0, points = 2 }\n\
             [sample]\npoints = 64\nseed = 9\n",
        );
        let slices = Slices::of(&sweep);
        let mut cells: Vec<usize> = (0..64)
            .map(|n| {
                let places = slices.places(n);
                (places[0] * 8.0) as usize * 8 + (places[1] * 8.0) as usize
            })
            .collect();
        cells.sort_unstable();
        cells.dedup();
        assert_eq!(cells.len(), 64);
    }

    /// A grid: the first key slowest, keys that vary together in step.
    #[test]
    fn a_grid_has_every_combination_once() {
        let sweep = sweep(
            "[vary]\n\"design.cpu.cores\" = [4, 8]\ndesign.drives.count = { from = 10, to = 30, step = 10 }\n\
             [[together]]\n\"class.a.load.rate\" = [\"1/s\", \"2/s\"]\n\"class.b.load.rate\" = [\"3/s\", \"4/s\"]\n",
        );
        assert_eq!(sweep.count(), 12);
        let told = |n: u64| {
            let sets = sweep.variant(n, &[]);
            sets.iter().map(|set| format!("{}={}", set.path, set.value)).collect::<Vec<_>>().join(" ")
        };
        assert_eq!(
            told(0),
            "design.cpu.cores=4 design.drives.count=10 class.a.load.rate=\"1/s\" class.b.load.rate=\"3/s\""
        );
        assert_eq!(
            told(11),
            "design.cpu.cores=8 design.drives.count=30 class.a.load.rate=\"2/s\" class.b.load.rate=\"4/s\""
        );
        let all: std::collections::HashSet<String> = (0..12).map(told).collect();
        assert_eq!(all.len(), 12);
    }
}
