//! What an architect would buy to relieve a station: twice as much of what it is made of.
//!
//! Each station of the answer belongs to a component; the component is doubled and everything else stays. Whether the
//! doubled design may be built (lanes, slots) is not asked: the question is what binds next.

use super::judge::DESTAGE;
use crate::scenario::{Design, Fabric, FabricShape, Interface, Protection, Scenario};

/// Doubles what a station is made of; says in words what was changed, or nothing where there is no such thing.
pub(super) fn relieve(scenario: &mut Scenario, station: &str) -> Option<String> {
    let design = &mut scenario.design;
    match station.split('.').next()? {
        "hosts" => {
            let hosts = design.hosts.as_mut()?;
            hosts.rate_bps *= 2.0;
            Some(format!("design.hosts.rate to {:.0} Gb/s", hosts.rate_bps / 1e9))
        }
        "ports" => ports(design),
        "cpu" => {
            let cpu = design.cpu.as_mut()?;
            cpu.cores = cpu.cores.checked_mul(2)?;
            Some(format!("design.cpu.cores to {}", cpu.cores))
        }
        "controllers" => {
            let (interface, _) = design.controllers.as_mut()?.partner.as_mut()?;
            *interface = doubled(*interface)?;
            Some("design.controllers.partner.link to twice the rate".into())
        }
        "memory" => {
            let bandwidth = design.memory.as_mut()?.bandwidth.as_mut()?;
            *bandwidth *= 2.0;
            Some(format!("design.memory.bandwidth to {:.0} GB/s", *bandwidth / 1e9))
        }
        "log" => {
            let log = design.log.as_mut()?;
            if station == DESTAGE {
                log.destage = log.destage.checked_mul(2).filter(|stripes| *stripes <= 4096)?;
                return Some(format!("design.log.destage to {}", log.destage));
            }
            log.rate *= 2.0;
            Some(format!("design.log.rate to {:.1} GB/s", log.rate / 1e9))
        }
        "fabric" => fabric(design, station),
        "drives" => drives(design),
        _ => None,
    }
}

fn ports(design: &mut Design) -> Option<String> {
    let ports = design.ports.as_mut()?;
    // Machines keep a port: with more of them each port has fewer machines.
    ports.count = ports.count.checked_mul(2)?;
    Some(format!("design.ports.count to {}", ports.count))
}

fn fabric(design: &mut Design, station: &str) -> Option<String> {
    let Fabric { shape, .. } = design.fabric.as_mut()?;
    match shape {
        FabricShape::Direct => None,
        FabricShape::Uplinks { count, .. } => {
            *count = count.checked_mul(2)?;
            Some(format!("design.fabric.uplinks to {count}"))
        }
        FabricShape::Tree(links) => {
            let name = station.split('.').nth(1)?;
            let link = links.iter_mut().find(|link| link.name == name)?;
            link.link = doubled(link.link)?;
            Some(format!("design.fabric.links.{name}.link to twice the rate"))
        }
    }
}

/// An interface of twice the rate: the lanes, or the next generation where there are no more.
fn doubled(interface: Interface) -> Option<Interface> {
    Some(match interface {
        Interface::Pcie { generation, lanes } if lanes < 16 => {
            Interface::Pcie { generation, lanes: lanes * 2 }
        }
        Interface::Pcie { generation, lanes } if generation < 6 => {
            Interface::Pcie { generation: generation + 1, lanes }
        }
        Interface::Sas { gigabits, width } if width < 8 => Interface::Sas { gigabits, width: width * 2 },
        _ => return None,
    })
}

/// Twice the drives that hold data; spares of their own stay as many.
fn drives(design: &mut Design) -> Option<String> {
    let apart = design.layout.protection.as_ref().map_or(0, Protection::idle_drives);
    if let Some(FabricShape::Tree(links)) = design.fabric.as_mut().map(|fabric| &mut fabric.shape) {
        // Every link keeps its share of the drives; spares have the last numbers and stay behind the last link.
        if apart > 0 {
            return None;
        }
        for link in links.iter_mut() {
            link.drives = link.drives.start * 2..link.drives.end * 2;
        }
    }
    let drives = design.drives.as_mut()?;
    drives.count = (drives.count - apart).checked_mul(2)?.checked_add(apart)?;
    Some(format!("design.drives.count to {}", drives.count))
}
