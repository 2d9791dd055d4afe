//! Each resource's ceiling at saturation, added up and simulated, and why the two differ.

use crate::outcome::{ResourceRow, StationRow};
use crate::study::saturation::Saturation;

/// Below this difference a static ceiling and a simulated one are the same.
const SAME: f64 = 0.03;

/// Each resource, added up and as simulated next below saturation.
pub(super) fn resources(full: &Saturation) -> Vec<ResourceRow> {
    let carried = full.near.outcome.carried.iops.value.unwrap_or(0.0);
    let row = |station: &StationRow| {
        let busiest = full.near.utilisation(&station.name);
        let ceiling = full.near.ceilings.iter().find(|ceiling| ceiling.station == station.name);
        let added_up = ceiling.map(|ceiling| ceiling.iops).filter(|iops| iops.is_finite());
        let simulated = (busiest > 0.0).then(|| carried / busiest);
        ResourceRow {
            station: station.name.clone(),
            static_ceiling_iops: added_up,
            simulated_ceiling_iops: simulated,
            utilisation: busiest,
            gap: gap(full, station, busiest, added_up, carried),
        }
    };
    full.near.outcome.stations.iter().map(row).collect()
}

/// Why a simulated ceiling differs from the one that adding up gives.
fn gap(full: &Saturation, station: &StationRow, busiest: f64, added_up: Option<f64>, carried: f64) -> String {
    if busiest <= 0.0 {
        return "not used".into();
    }
    let mut said = Vec::new();
    let uneven = busiest / station.utilisation.max(f64::MIN_POSITIVE);
    if uneven > 1.0 + SAME {
        let member = station.busiest.as_ref().map_or("one member", |member| member.name.as_str());
        said.push(format!("{member} has {:.0} % more to do than the average", (uneven - 1.0) * 100.0));
    }
    match added_up {
        Some(added_up) => {
            let asked = added_up / (carried / station.utilisation);
            if asked > 1.0 + SAME {
                said.push(format!(
                    "requests ask {:.0} % more of it than adding up says",
                    (asked - 1.0) * 100.0
                ));
            } else if asked < 1.0 - SAME {
                said.push(format!(
                    "requests ask {:.0} % less of it than adding up says",
                    (1.0 - asked) * 100.0
                ));
            }
        }
        None => said.push("adding up has no figure for it".into()),
    }
    if said.is_empty() {
        said.push("as added up".into());
    }
    if station.name == full.binding {
        said.push("the first to be full".into());
    } else {
        said.push(format!("{:.0} % busy when {} is full", busiest / full.fill() * 100.0, full.binding));
    }
    said.join("; ")
}
