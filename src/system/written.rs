//! Bytes that a mix writes, class by class, from the hosts to the flash: the ledger by arithmetic.
//!
//! By the same plans and the same closed forms as a run, so that it says how the measured ledger moves when something
//! changes: how blocks reduce, the share of a class, the size of a drive. Where a log absorbs blocks that are written again
//! it says nothing: what that saves is measured.

use std::sync::Arc;

use crate::scenario::{Append, Class, Operation, Reduces, Scenario};

use super::cache;
use super::ceiling::Kind;
use super::holdings::holdings;
use super::layout::{Stripes, append};
use super::plan::{Plan, in_place_heats};
use super::reduction::mean_bytes;
use super::work::{DriveWork, blocks_of, striped};

/// Points of the cleaner's curve: straight lines between them are off by less than 1e-3 (`study/wear/tests.rs`).
const POINTS: usize = 512;

/// Bytes a second of one class, on their way down.
#[derive(Clone, Copy, Debug, Default, PartialEq)]
pub struct Written {
    /// By its machines.
    pub host: f64,
    /// Of new data that is stored, after duplicates and compression.
    pub reduced: f64,
    /// To the drives, with the cleaner's and with redundancy.
    pub drives: f64,
    /// Programmed to flash, with the drives' own cleaning; as `drives` where they have none.
    pub flash: f64,
}

/// What a design makes of what its classes write.
#[derive(Clone, Debug)]
pub struct WriteModel {
    plan: Arc<Plan>,
    classes: Vec<Class>,
    kinds: Vec<KindOfWrite>,
    stripes: Option<Filling>,
    /// How full the drives of a layout in place are, and what all machines have been given.
    in_place: Option<(f64, f64)>,
    /// Amplification of the layout's cleaner, or in place of the drives' own, once it is drawn.
    curve: Option<Curve>,
}

/// Full stripes, and the room that they are in.
#[derive(Clone, Debug)]
struct Filling {
    stripes: Stripes,
    append: Append,
    /// Usable space, bytes; none where drives have no size.
    usable: Option<f64>,
}

/// One kind of write of one class.
#[derive(Clone, Copy, Debug)]
struct KindOfWrite {
    class: usize,
    /// Requests a second.
    rate: f64,
    bytes: f64,
    /// In place: bytes that one writes to the drives. Of full stripes: blocks that it touches.
    each: f64,
    /// Share of its bytes that the drives' cleaners never move.
    large: f64,
}

/// Amplification by the live share of the usable space, at evenly spaced points from 0.
#[derive(Clone, Debug)]
struct Curve {
    most: f64,
    points: Vec<f64>,
}

impl WriteModel {
    /// Of a mix that asks so many requests a second in all.
    pub fn of(scenario: &Scenario, plan: &Arc<Plan>, kinds: &[Kind], per_s: f64) -> Self {
        let capacity = holdings(scenario).capacity;
        let usable = capacity.as_ref().map(|capacity| capacity.usable);
        let in_place = capacity.map(|capacity| (capacity.live_in_place(&scenario.design), capacity.given()));
        let stripes = plan.stripes.clone().zip(scenario.design.layout.append);
        let stripes = stripes.map(|(stripes, append)| Filling { stripes, append, usable });
        let of_kind = |kind: &Kind| {
            let (each, large) = match (&stripes, &plan.blocks) {
                (Some(filling), Some(blocks)) => {
                    let (touched, _) = blocks_of(kind, blocks.bytes, plan.has_log());
                    (touched, if filling.stripes.suits_drives { 1.0 } else { 0.0 })
                }
                _ => (DriveWork::of(plan, kind).bytes_written, kind.sequential),
            };
            let rate = per_s * kind.share;
            KindOfWrite { class: kind.class, rate, bytes: kind.bytes as f64, each, large }
        };
        let writes = kinds.iter().filter(|kind| kind.operation == Operation::Write);
        WriteModel {
            kinds: writes.map(of_kind).collect(),
            plan: Arc::clone(plan),
            classes: scenario.classes.clone(),
            in_place: in_place.filter(|_| stripes.is_none()),
            stripes,
            curve: None,
        }
    }

    /// The same, quicker for many ways to reduce and to grow: what cleaning costs is drawn once as a curve over the live
    /// share, with the classes' parts in what is written as they are stated.
    pub fn with_curve(mut self) -> Self {
        let draw = |most: f64, of: &dyn Fn(f64) -> f64| {
            let at = |n: usize| if n == 0 { 1.0 } else { of(most * n as f64 / POINTS as f64) };
            Curve { most, points: (0..=POINTS).map(at).collect() }
        };
        self.curve = match (&self.stripes, &self.plan.drive) {
            (Some(filling), _) => {
                let reduces: Vec<Reduces> = self.classes.iter().map(|class| class.reduces).collect();
                Some(draw(1.0 - filling.append.reserve, &|live| self.amplification_at(live, &reduces)))
            }
            (None, Some(drive)) => {
                let heats = in_place_heats(&self.classes).unwrap_or_default();
                Some(draw(1.0, &|live| drive.random_amplification_at(&heats, live)))
            }
            (None, None) => None,
        };
        self
    }

    /// Bytes at rest for each byte that machines of a class have been given.
    pub fn share_at_rest(&self, reduces: &Reduces) -> f64 {
        let Some(blocks) = &self.plan.blocks else { return 1.0 };
        let unique = if blocks.deduplicate { 1.0 - reduces.duplicate_stored } else { 1.0 };
        mean_bytes(reduces, blocks.bytes, blocks.sector, blocks.compress) / blocks.bytes as f64 * unique
    }

    /// Live data as a share of the usable space, if the classes' blocks reduce like this; not above what the reserve
    /// leaves. None in place, or where drives have no size.
    pub fn live(&self, reduces: &[Reduces]) -> Option<f64> {
        self.live_of_stripes(reduces, &|_| 1.0)
    }

    fn live_of_stripes(&self, reduces: &[Reduces], grown: &dyn Fn(usize) -> f64) -> Option<f64> {
        let filling = self.stripes.as_ref()?;
        let Some(usable) = filling.usable else { return Some(filling.stripes.live) };
        let stored = |(n, (class, reduces)): (usize, (&Class, &Reduces))| {
            grown(n) * f64::from(class.machines) * class.capacity as f64 * self.share_at_rest(reduces)
        };
        let stored: f64 = self.classes.iter().zip(reduces).enumerate().map(stored).sum();
        Some((stored / usable).min(1.0 - filling.append.reserve))
    }

    /// Amplification of random writes in the drives with so many times the machines of each class.
    fn own_amplification(&self, grown: &dyn Fn(usize) -> f64) -> f64 {
        let Some(drive) = &self.plan.drive else { return 1.0 };
        match (self.in_place, &self.curve) {
            (Some((live, given)), Some(curve)) => {
                let there = |(n, class): (usize, &Class)| {
                    grown(n) * f64::from(class.machines) * class.capacity as f64
                };
                let there: f64 = self.classes.iter().enumerate().map(there).sum();
                if there == given { drive.amplification(false) } else { curve.at(live * there / given) }
            }
            _ => drive.amplification(false),
        }
    }

    /// Bytes a second of each class, if its blocks reduce like this.
    pub fn by_class(&self, reduces: &[Reduces]) -> Vec<Written> {
        self.by_class_grown(reduces, &|_| 1.0)
    }

    /// The same with so many times the machines of each class: they write as much more, and fill what must be cleaned. A
    /// model with a curve is wanted, else the drives' own cleaning stays as it is.
    pub fn by_class_grown(&self, reduces: &[Reduces], grown: &dyn Fn(usize) -> f64) -> Vec<Written> {
        let mut out = vec![Written::default(); self.classes.len()];
        let random = self.own_amplification(grown);
        let own = |large: f64| {
            let in_order = self.plan.drive.as_ref().map_or(1.0, |drive| drive.amplification(true));
            large * in_order + (1.0 - large) * random
        };
        let amplification = self.live_of_stripes(reduces, grown).map_or(1.0, |live| match &self.curve {
            Some(curve) => curve.at(live),
            None => self.amplification_at(live, reduces),
        });
        let means: Vec<f64> = reduces.iter().map(|reduces| self.mean_written(reduces)).collect();
        for kind in &self.kinds {
            let (reduced, drives) = match (&self.stripes, &self.plan.blocks) {
                (Some(filling), Some(blocks)) => {
                    let (plain, reduced) = (kind.each * blocks.bytes as f64, kind.each * means[kind.class]);
                    let kept = if blocks.after { plain + reduced } else { reduced };
                    (kept, striped(&self.plan, &filling.stripes, kept, (amplification - 1.0) * reduced).1)
                }
                _ => (kind.bytes, kind.each),
            };
            let (class, rate) = (&mut out[kind.class], kind.rate * grown(kind.class));
            class.host += rate * kind.bytes;
            class.reduced += rate * reduced;
            class.drives += rate * drives;
            class.flash += rate * drives * own(kind.large);
        }
        out
    }

    /// Mean bytes that a written block takes, twins included.
    fn mean_written(&self, reduces: &Reduces) -> f64 {
        let Some(blocks) = &self.plan.blocks else { return 0.0 };
        let new = if blocks.deduplicate { 1.0 - reduces.duplicate } else { 1.0 };
        mean_bytes(reduces, blocks.bytes, blocks.sector, blocks.compress) * new
    }

    /// Of the cleaner, by the closed form.
    fn amplification_at(&self, live: f64, reduces: &[Reduces]) -> f64 {
        let Some(filling) = &self.stripes else { return 1.0 };
        let rates: Vec<f64> = self
            .classes
            .iter()
            .zip(reduces)
            .map(|(class, reduces)| cache::written_per_s(class) * self.mean_written(reduces))
            .collect();
        let stored: Vec<f64> = reduces.iter().map(|r| self.share_at_rest(r)).collect();
        append::amplification(&filling.append, live, &self.classes, &rates, &stored)
    }
}

impl Curve {
    fn at(&self, live: f64) -> f64 {
        let place = (live / self.most * POINTS as f64).clamp(0.0, POINTS as f64);
        let below = (place as usize).min(POINTS - 1);
        let part = place - below as f64;
        // With no reserve the last point is infinite.
        if part == 0.0 {
            self.points[below]
        } else {
            self.points[below] * (1.0 - part) + self.points[below + 1] * part
        }
    }
}
