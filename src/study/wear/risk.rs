//! Rebuild and risk of loss: hours at the pace that the simulated system has under its load, and the chain of lost drives.

use crate::engine::SimDuration;
use crate::outcome::RiskPage;
use crate::scenario::{Design, FabricShape, Fault, FaultKind, Protection, Rebuilding, Scenario, SpareKind};
use crate::study::rebuild::{self, Pace};
use crate::study::run::Context;
use crate::study::setting::{Setting, StudyError};
use crate::theory::durability::{Chain, any_of, unreadable};
use crate::theory::endurance::DAYS_A_YEAR;

use super::days::{Inputs, Model};

const HOURS_A_YEAR: f64 = 24.0 * DAYS_A_YEAR;

/// How a lost drive is restored.
pub(super) struct Rebuild {
    /// Its pace; none where nothing is restored.
    pub pace: Option<Pace>,
    /// Bytes that it held.
    pub content: f64,
    /// Hours until it begins.
    pub wait_h: f64,
    /// Why there is no pace.
    pub reason: Option<String>,
    /// Whether a pace is known, if it is none: else there is no risk to tell.
    pub is_known: bool,
}

impl Rebuild {
    /// Measures the pace of the first drive's rebuild. Cap and window are those of a rebuilding fault that the scenario has.
    pub fn of(
        scenario: &Scenario,
        left_out: &[Fault],
        setting: &Setting,
        context: &Context,
    ) -> Result<Self, StudyError> {
        let content = rebuild::content_of(setting).unwrap_or(0.0);
        let none = |reason: &str, is_known: bool| Rebuild {
            pace: None,
            content,
            wait_h: 0.0,
            reason: Some(reason.into()),
            is_known,
        };
        let Some(protection) = &scenario.design.layout.protection else {
            return Ok(none("nothing is restored: the layout has no protection", true));
        };
        let stated = left_out.iter().find_map(Fault::rebuilding).copied();
        let mut lost = scenario.clone();
        let wait_h = if protection.spares == 0 {
            if protection.spare_kind == SpareKind::Distributed {
                let reason = "risk of loss is not told: stripes are spread over all drives, and no spare room is stated to \
                              restore to (`design.layout.spares`)";
                return Ok(none(reason, false));
            }
            replace(&mut lost.design);
            scenario.design.layout.replacement.secs() / 3600.0
        } else {
            0.0
        };
        lost.faults = vec![Fault {
            name: "a drive lost".into(),
            at: SimDuration::ZERO,
            lasts: None,
            kind: FaultKind::Rebuilding(Rebuilding { drive: 0, ..stated.unwrap_or_default() }),
            is_second: false,
        }];
        let pace = rebuild::pace(&lost, context)?;
        if context.is_cut() {
            let why =
                format!("risk of loss is not told: {} before a rebuild was measured", context.why_cut());
            return Ok(none(&why, false));
        }
        let reason = match &pace {
            Some(Pace { hours: Some(_), .. }) => None,
            _ => Some("nothing is restored beside this load".into()),
        };
        Ok(Rebuild { pace, content, wait_h, reason, is_known: true })
    }

    fn hours(&self) -> Option<f64> {
        self.pace.as_ref().and_then(|pace| pace.hours)
    }
}

/// Adds the drive that takes the place of a lost one: no request goes there but the rebuild's.
fn replace(design: &mut Design) {
    let Some(drives) = &mut design.drives else { return };
    if let Some(FabricShape::Tree(links)) = design.fabric.as_mut().map(|fabric| &mut fabric.shape)
        && let Some(link) = links.iter_mut().find(|link| link.drives.end == drives.count)
    {
        link.drives.end += 1;
    }
    drives.count += 1;
    if let Some(protection) = &mut design.layout.protection {
        protection.spares = 1;
    }
}

/// Sets of drives that lose data independently of each other: how many, and the drives of each.
fn sets(protection: Option<&Protection>, drives: u32) -> (u32, u32) {
    match protection {
        // Any drives that are lost together share some stripe.
        Some(protection) if protection.spare_kind == SpareKind::Distributed => (1, drives),
        Some(protection) => {
            let width = protection.group.width();
            ((drives - protection.spares) / width, width)
        }
        None => (1, drives),
    }
}

impl Model<'_> {
    /// The chain of one set, the sets, and bits read by the last rebuild without redundancy.
    fn chain(&self, inputs: &Inputs) -> Option<(Chain, u32, f64)> {
        if !self.rebuild.is_known {
            return None;
        }
        let design = &self.setting.scenario.design;
        let count = design.drives.as_ref()?.count;
        let protection = design.layout.protection.as_ref();
        let (sets, drives) = sets(protection, count);
        let survives = protection.map_or(0, |protection| protection.group.survivable_losses());
        let factor = self.content_factor(inputs);
        let hours = self.rebuild.hours().map(|hours| hours * factor + self.rebuild.wait_h);
        let bits = protection.map_or(0.0, |protection| {
            let (data, width) = (f64::from(protection.group.data()), f64::from(protection.group.width()));
            // Of spread stripes those count that have lost p drives at once.
            let shared: f64 = (1..survives)
                .map(f64::from)
                .map(|lost| (width - lost) / (f64::from(drives) - lost))
                .product();
            8.0 * data * self.rebuild.content * factor * shared
        });
        let chain = Chain {
            drives,
            survives,
            failures_per_h: inputs.failure_rate / HOURS_A_YEAR,
            repairs_per_h: hours.map_or(0.0, |hours| 1.0 / hours),
            spoilt: if survives > 0 { unreadable(bits, inputs.uber) } else { 0.0 },
        };
        Some((chain, sets, bits))
    }

    /// Probability that data is lost within a year.
    pub fn annual_loss(&self, inputs: &Inputs) -> f64 {
        self.chain(inputs).map_or(f64::NAN, |(chain, sets, _)| {
            any_of(f64::from(sets), chain.loss_probability(HOURS_A_YEAR))
        })
    }

    /// All that is told of it.
    pub fn risk_page(&self, inputs: &Inputs) -> Option<RiskPage> {
        let (chain, sets, bits) = self.chain(inputs)?;
        let factor = self.content_factor(inputs);
        let rare = f64::from(sets) * chain.loss_probability_rare(HOURS_A_YEAR);
        let years = |hours: f64| super::finite(hours / HOURS_A_YEAR / f64::from(sets));
        Some(RiskPage {
            rebuild_bytes_per_s: self.rebuild.pace.as_ref().map(|pace| pace.bytes_per_s),
            rebuild_bytes: (self.rebuild.content > 0.0).then_some(self.rebuild.content * factor),
            rebuild_hours: self.rebuild.hours().map(|hours| hours * factor),
            wait_hours: self.rebuild.wait_h,
            sets,
            set_drives: chain.drives,
            survives: chain.survives,
            failure_rate_per_year: inputs.failure_rate,
            failures_per_year: inputs.failure_rate * f64::from(self.drives),
            uber: inputs.uber,
            critical_bits: bits,
            spoilt_probability: chain.spoilt,
            mean_years_to_loss: years(chain.mean_hours()),
            mean_years_to_loss_rare: years(chain.mean_hours_rare()),
            annual_loss_probability: any_of(f64::from(sets), chain.loss_probability(HOURS_A_YEAR)),
            annual_loss_probability_rare: rare,
            formula: formula(&chain, sets),
            reason: self.rebuild.reason.clone(),
        })
    }
}

/// The usual formula with its figures.
fn formula(chain: &Chain, sets: u32) -> String {
    let (n, p) = (chain.drives, chain.survives);
    let drives: Vec<String> = (0..=p).map(|lost| (n - lost).to_string()).collect();
    let rate = chain.failures_per_h;
    if p == 0 {
        return format!("{sets} × {n} · λ · 8760 h, with λ = {rate:.3e}/h");
    }
    if chain.repairs_per_h == 0.0 {
        return "none: nothing is restored".into();
    }
    let power = |symbol: &str, times: u32| match times {
        1 => symbol.to_owned(),
        times => format!("{symbol}^{times}"),
    };
    let before = drives[..drives.len() - 1].join("·");
    let spoilt = match p {
        1 => format!("{before} · λ · q"),
        _ => format!("{before} · {} · q / {}", power("λ", p), power("μ", p - 1)),
    };
    format!(
        "{sets} × ({} · {} / {} + {spoilt}) · 8760 h, with λ = {rate:.3e}/h, 1/μ = {:.1} h, q = {:.3e}",
        drives.join("·"),
        power("λ", p + 1),
        power("μ", p),
        1.0 / chain.repairs_per_h,
        chain.spoilt
    )
}
