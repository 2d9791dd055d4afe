//! PCIe lanes that a design takes of its processor's.
//!
//! Uplinks and the roots of a tree hang on the processor, or every drive where the fabric is direct; so do the adapters of
//! ports whose lanes are stated. SAS and SATA hang on a controller whose lanes nobody states: they count as none. Left
//! out: lanes of a log device and of the partner link.

use super::model::{Design, FabricShape, TreeLink};

/// Things alike that take lanes.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct LaneTaker {
    /// What they are: uplinks, links, drives or ports.
    pub what: &'static str,
    /// How many there are.
    pub count: u32,
    /// Lanes that one takes.
    pub each: u32,
}

impl LaneTaker {
    /// Lanes that all of them take.
    pub fn lanes(&self) -> u64 {
        u64::from(self.count) * u64::from(self.each)
    }
}

impl Design {
    /// What takes lanes of a processor's; things that take none are named all the same.
    pub fn lane_takers(&self) -> Vec<LaneTaker> {
        let direct = || {
            let drives = self.drives.as_ref()?;
            let each = drives.kind.interface()?.pcie_lanes();
            Some(LaneTaker { what: "drives", count: drives.count, each })
        };
        let mut takers = match self.fabric.as_ref().map(|fabric| &fabric.shape) {
            Some(FabricShape::Uplinks { count, link, .. }) => {
                vec![LaneTaker { what: "uplinks", count: *count, each: link.pcie_lanes() }]
            }
            Some(FabricShape::Tree(links)) => roots(links),
            Some(FabricShape::Direct) | None => direct().into_iter().collect(),
        };
        if let Some(ports) = &self.ports
            && let Some(each) = ports.lanes
        {
            takers.push(LaneTaker { what: "ports", count: ports.count, each });
        }
        takers
    }
}

/// Links that hang on the processor, by the lanes they take, in the order of the file.
fn roots(links: &[TreeLink]) -> Vec<LaneTaker> {
    let mut by_lanes: Vec<LaneTaker> = Vec::new();
    for link in links.iter().filter(|link| link.parent.is_none()) {
        let each = link.link.pcie_lanes();
        match by_lanes.iter_mut().find(|taker| taker.each == each) {
            Some(taker) => taker.count += 1,
            None => by_lanes.push(LaneTaker { what: "links", count: 1, each }),
        }
    }
    by_lanes
}
