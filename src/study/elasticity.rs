//! The knee: where a per cent more of carried load costs a per cent of mean latency.
//!
//! Kleinrock's power, carried load ÷ mean latency, is greatest there (Kleinrock 1979, "Power and deterministic rules of
//! thumb for probabilistic problems in computer communications"). At its top power is flat, so the knee is found where
//! the elasticity d ln(latency) / d ln(carried) is 1, from pairs of loads on the same requests.

use crate::measure::{
    Bracket, Crossing, Effort, Guess, Interval, Loads, Margin, Margins, Standing, Wanted, bracket, t_interval,
};

use super::attempts::{Attempt, Attempts};
use super::trial::{LOOKS, Question, SPENDING, Sample};

/// The two loads of a pair lie this far from the middle, in parts of it; nearer to saturation less.
const REACH: f64 = 0.1;
/// Of the way to saturation, at most.
const OF_THE_WAY: f64 = 0.4;
/// What a pair says of its middle may be off by this beyond chance, as a logarithm: knees of M/M/1 came out 0.5 % too low in
/// the mean of 24 seeds, which is 0.01 here.
const OF_A_PAIR: f64 = 0.03;
/// Elasticity of a curve that hardly rises: chance makes it any less.
const FLAT: f64 = 0.05;
/// Loads looked at, as parts of the saturation load.
pub(super) const RANGE: (f64, f64) = (0.05, 0.96);

/// Searches for the knee below saturation; `unit` is the smallest step of the load where it goes in steps.
pub(super) fn knee(
    attempts: &mut Attempts,
    saturation: f64,
    unit: Option<f64>,
    (half_width, error): (f64, f64),
) -> Bracket {
    let range = match unit {
        Some(unit) => (2.0 * unit, (8.0 * saturation).max(4.0 * unit)),
        None => (RANGE.0 * saturation, RANGE.1 * saturation),
    };
    let start = if unit.is_some() { saturation } else { 0.55 * saturation };
    let wanted =
        Wanted { start: start.clamp(range.0, range.1), range, half_width, whole: false, error, fails: None };
    let margins = known(attempts);
    let start = match margins.guess() {
        Guess::At(root) if !margins.is_empty() => root,
        _ => wanted.start,
    };
    let wanted = Wanted { start: start.clamp(range.0, range.1), ..wanted };
    bracket(&mut Bending { attempts, margins, saturation, unit }, &wanted)
}

/// How steep the curve is between loads that were tried for something else, on the same requests.
fn known(attempts: &Attempts) -> Margins {
    let mut margins = Margins::new(None);
    let has_settled = |a: &&Attempt| a.question != Question::Carried && !a.tried.overloaded;
    let mut tried: Vec<&Attempt> = attempts.list.iter().filter(has_settled).collect();
    tried.sort_by(|a, b| a.scale.total_cmp(&b.scale));
    let mut at = 0;
    while let Some(light) = tried.get(at) {
        let is_apart = |heavy: &Attempt| heavy.scale / light.scale >= 1.0 + REACH && heavy.key == light.key;
        let next = (at + 1..tried.len()).find(|next| is_apart(tried[*next]));
        let Some(heavy) = next.map(|next| tried[next]) else { break };
        let confidence = attempts.scenario.run.confidence;
        if let Some(found) = elasticity([&light.tried.samples, &heavy.tried.samples], confidence) {
            let margin = margin(&found);
            let middle = (light.scale * heavy.scale).sqrt();
            margins.note(middle, Effort::Quick, Standing::Unclear, Some(margin));
        }
        at = next.unwrap_or(tried.len());
    }
    margins
}

/// Loads tried for how steep the curve is.
struct Bending<'t, 'a> {
    attempts: &'t mut Attempts<'a>,
    margins: Margins,
    saturation: f64,
    unit: Option<f64>,
}

impl Bending<'_, '_> {
    fn pair_about(&self, load: f64) -> (f64, f64) {
        match self.unit {
            Some(unit) => {
                let reach = (load * REACH).max(unit);
                ((load - reach).max(unit), load + reach)
            }
            None => {
                let reach = REACH.min(OF_THE_WAY * (1.0 - load / self.saturation)).max(0.01);
                (load * (1.0 - reach), load * (1.0 + reach))
            }
        }
    }
}

impl Loads for Bending<'_, '_> {
    fn try_at(&mut self, load: f64, effort: Effort) -> Option<Standing> {
        let so_far = match self.margins.guess() {
            Guess::At(root) => format!("; it bends near {root:.3} ×"),
            _ => String::new(),
        };
        self.attempts.tell(&format!("knee: how steep is the curve at {load:.3} × the stated load?{so_far}"));
        let confidence = self.attempts.scenario.run.confidence;
        let scales = self.pair_about(load);
        let looks = if effort.is_thorough() { LOOKS } else { 1 };
        let key = if matches!(effort, Effort::Precise { .. }) { self.attempts.fresh_key() } else { 0 };
        let told = |look: u32, samples: [&[Sample]; 2], error: f64| {
            let spent = SPENDING[(look.clamp(1, LOOKS) - 1) as usize];
            match elasticity(samples, 1.0 - 2.0 * error * spent) {
                Some(sure) if sure.high < 1.0 => Standing::Holds,
                Some(sure) if sure.low >= 1.0 => Standing::Fails,
                _ => Standing::Unclear,
            }
        };
        let decided = std::cell::Cell::new(Standing::Unclear);
        let decides = |look: u32, samples: [&[Sample]; 2]| match effort {
            Effort::Quick => false,
            Effort::Sure { error } => {
                decided.set(told(look, samples, error));
                decided.get() != Standing::Unclear
            }
            Effort::Precise { half, error } => {
                decided.set(told(look, samples, error));
                elasticity(samples, confidence).is_some_and(|found| margin(&found).half <= half)
            }
        };
        let pair = self.attempts.pair(scales, looks, key, &decides)?;
        let is_carried = pair.iter().all(|tried| !tried.overloaded);
        let samples = [&pair[0].samples[..], &pair[1].samples[..]];
        let steepness = |confidence| elasticity(samples, confidence).filter(|_| is_carried);
        let Some(found) = steepness(confidence) else {
            self.margins.note(load, effort, Standing::Fails, None);
            return Some(Standing::Fails);
        };
        let standing = decided.get();
        self.margins.note(load, effort, standing, Some(margin(&found)));
        Some(standing)
    }

    fn guess(&self) -> Guess {
        self.margins.guess()
    }

    /// Where the load goes in steps, the ends are tried.
    fn crossing(&self) -> Option<Crossing> {
        self.margins.crossing().filter(|_| self.unit.is_none())
    }

    fn discernible(&self, root: f64) -> f64 {
        self.margins.discernible(root)
    }
}

/// How far the curve is from the knee: the logarithm of its elasticity, which rises more evenly than that itself.
fn margin(found: &Interval) -> Margin {
    let value = found.value.max(FLAT);
    Margin { value: value.ln(), half: ((found.high - found.value) / value).hypot(OF_A_PAIR) }
}

/// Δ ln(mean latency) ÷ Δ ln(carried) of a lighter and a heavier load, with its interval over replications; none if the
/// heavier one did not carry more.
///
/// The pooled figures make the point; squares are those of the replications' linearised differences (the delta method, as
/// for a ratio: Cochran 1977, chapter 6), paired, because both loads see the same requests.
fn elasticity([light, heavy]: [&[Sample]; 2], confidence: f64) -> Option<Interval> {
    // One that was tried surely has seen more replications: those that both have are of the same requests.
    let both = light.len().min(heavy.len());
    let (light, heavy) = (&light[..both], &heavy[..both]);
    let mean = |samples: &[Sample]| {
        let requests: f64 = samples.iter().map(|s| s.requests).sum();
        samples.iter().map(|s| s.latency_s).sum::<f64>() / requests
    };
    let carried = |samples: &[Sample]| samples.iter().map(|s| s.carried).sum::<f64>() / samples.len() as f64;
    let (latency, load) = ([mean(light), mean(heavy)], [carried(light), carried(heavy)]);
    let run = (load[1] / load[0]).ln();
    let value = (latency[1] / latency[0]).ln() / run;
    if !value.is_finite() || run <= 0.0 {
        return None;
    }
    let part = |sample: &Sample, n: usize| {
        let all: f64 = [light, heavy][n].iter().map(|s| s.requests).sum();
        let weight = sample.requests * light.len() as f64 / all;
        let of_latency = sample.latency_s / sample.requests / latency[n] - 1.0;
        weight * of_latency - value * (sample.carried / load[n] - 1.0)
    };
    let parts: Vec<f64> =
        light.iter().zip(heavy).map(|(a, b)| value + (part(b, 1) - part(a, 0)) / run).collect();
    t_interval(&parts, confidence).map(|found| Interval {
        value,
        low: found.low + value - found.value,
        high: found.high + value - found.value,
    })
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Latencies of an M/M/1 queue, 1/(1 − ρ), at ρ = 0.45 and 0.55 have an elasticity of 1 between them.
    #[test]
    fn the_elasticity_of_a_simple_queue_is_one_at_half_load() {
        let samples = |load: f64, noise: [f64; 2]| {
            noise.map(|n| Sample {
                requests: 1000.0,
                latency_s: 1000.0 * (1.0 + n) / (1.0 - load),
                carried: load,
            })
        };
        let of = |a, b| elasticity([&samples(0.45, a), &samples(0.55, b)], 0.95).expect("carried");
        let still = of([0.0; 2], [0.0; 2]);
        assert!((still.value - 1.0).abs() < 1e-12 && still.high - still.low < 1e-12, "{still:?}");
        // Noise that both loads share takes nothing away; noise of one alone does.
        let (shared, alone) = (of([0.1, -0.1], [0.1, -0.1]), of([0.0; 2], [0.1, -0.1]));
        assert!(shared.high - shared.low < 1e-9 && alone.high - alone.low > 1.0, "{shared:?} {alone:?}");
    }
}
