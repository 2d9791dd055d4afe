//! What a design's space comes to: how full it is, what its drives and its layout do at that fill.

use std::borrow::Cow;

use crate::engine::Key;
use crate::scenario::{Class, Design, DriveKind, Fault, FaultKind, Protection, Scenario, SpareKind, Start};
use crate::system::cache;
use crate::system::drive::{ArmModel, DriveModel, Places, Solved};
use crate::system::holdings::Capacity;
use crate::system::layout::{Layout, Placement, Stripes, append};
use crate::system::reduction::Blocks;
use crate::theory::cleaning::Heat;
use crate::theory::protection::{Group, Scheme};

use super::Unfit;

/// The scenario as it stands all the time: of the controller that is left where the other one is lost.
pub(in crate::system) fn in_force(scenario: &Scenario) -> Cow<'_, Scenario> {
    let is_lost = |fault: &Fault| matches!(fault.kind, FaultKind::ControllerLost { .. });
    if !scenario.faults.iter().any(|fault| is_lost(fault) && fault.is_standing()) {
        return Cow::Borrowed(scenario);
    }
    let mut alone = scenario.clone();
    alone.design.controllers = None;
    alone.faults.retain(|fault| !is_lost(fault));
    Cow::Owned(alone)
}

/// Live data as a share of the room for it: of a log-structured layout, as it is stored and of all usable space.
pub(super) fn live_share(scenario: &Scenario, blocks: Option<&Blocks>) -> Result<f64, Unfit> {
    let design = &scenario.design;
    if design.drives.is_none() {
        return Ok(0.0);
    }
    let Some(capacity) = Capacity::of(design, &scenario.classes, blocks) else {
        // A textbook drive has no size; half of it holds data.
        return Ok(0.5);
    };
    if design.layout.append.is_none() {
        return Ok(capacity.live_in_place(design));
    }
    capacity.live_of_stripes().map_err(|(live, room)| Unfit::Full { live, room })
}

pub(super) fn drive_model(
    scenario: &Scenario,
    solved: Option<Solved>,
    live: f64,
) -> Result<Option<DriveModel>, Unfit> {
    let (Some(drives), Some(solved)) = (&scenario.design.drives, solved) else { return Ok(None) };
    let DriveKind::Part(part) = &drives.kind else { return Ok(None) };
    let live = match (scenario.run.start, &scenario.design.layout.append) {
        // New drives have nothing to move.
        (Start::Fresh, _) => 0.0,
        // All but what the layout keeps free has been written, dead or not.
        (_, Some(append)) => 1.0 - append.reserve,
        _ => live,
    };
    let model = DriveModel::solve(part, max_payload(&scenario.design), solved, live)?;
    let in_place = scenario.run.start == Start::Steady && scenario.design.layout.append.is_none();
    match in_place_heats(&scenario.classes).filter(|_| in_place) {
        Some(heats) => Ok(Some(model.under(&heats, live))),
        None => Ok(Some(model)),
    }
}

/// Parts of the data of a layout in place by how often random writes meet them; none if there are no such writes.
pub(in crate::system) fn in_place_heats(classes: &[Class]) -> Option<Vec<Heat>> {
    let random = |class: &Class| cache::written_per_s(class) * (1.0 - class.sequential.share);
    let rates: Vec<f64> = classes.iter().map(random).collect();
    let writes = rates.iter().any(|rate| *rate > 0.0);
    writes.then(|| append::heats(classes, &rates, &vec![1.0; classes.len()]))
}

pub(super) fn arm_model(scenario: &Scenario) -> Option<ArmModel> {
    let DriveKind::Rotating(part) = &scenario.design.drives.as_ref()?.kind else { return None };
    ArmModel::new(part, max_payload(&scenario.design), Places::of(scenario, part.capacity))
}

/// How full stripes are made room for.
pub(super) fn stripes(
    scenario: &Scenario,
    layout: Option<&Layout>,
    blocks: Option<&Blocks>,
    drive: Option<&DriveModel>,
    live: f64,
) -> Option<Stripes> {
    let (append, layout, blocks) = (scenario.design.layout.append.as_ref()?, layout?, blocks?);
    let data = layout.placement.as_ref()?.group.data();
    let classes = &scenario.classes;
    let rates: Vec<f64> = classes
        .iter()
        .enumerate()
        .map(|(n, class)| cache::written_per_s(class) * blocks.mean_written(n) / blocks.bytes as f64)
        .collect();
    let stored: Vec<f64> = (0..classes.len()).map(|n| blocks.share_at_rest(n)).collect();
    let amplification = match scenario.run.start {
        Start::Steady => append::amplification(append, live, classes, &rates, &stored),
        Start::Fresh => 1.0,
    };
    let erase_stripe = drive.map_or(0, |drive| u64::from(drive.units) * drive.erase_block);
    Some(Stripes {
        data_bytes: u64::from(data) * layout.chunk,
        data,
        amplification,
        live,
        suits_drives: append.segment.is_none_or(|segment| segment >= erase_stripe),
    })
}

/// Largest payload of a PCIe packet, bytes.
pub fn max_payload(design: &Design) -> u32 {
    design.fabric.as_ref().map_or(256, |f| f.max_payload)
}

/// The layout, where requests are cut at all.
pub(super) fn layout(scenario: &Scenario) -> Option<Layout> {
    let (design, classes) = (&scenario.design, &scenario.classes);
    let drives = design.drives.as_ref()?;
    if matches!(drives.kind, DriveKind::Station { split: false, .. }) {
        return None;
    }
    // Volumes lie alike in every replication and under every seed: they belong to the design.
    let root = Key::root(0).named("volumes");
    let volumes = classes.iter().map(|class| root.named(&class.name)).collect();
    // Stripes that no redundancy protects are one chunk wide.
    let bare = Group::new(Scheme::None, 1)
        .filter(|_| design.layout.append.is_some())
        .map(|group| Protection { scheme: Scheme::None, group, spares: 0, spare_kind: SpareKind::Dedicated });
    let protection = design.layout.protection.or(bare);
    let placement = protection.map(|p| Placement::new(&p, drives.count, &scenario.faults));
    Some(Layout { chunk: design.layout.chunk, drives: u64::from(drives.count), volumes, placement })
}
