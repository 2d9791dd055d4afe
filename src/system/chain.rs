//! The bandwidth chain: what each hop between hosts and flash carries, in bytes of the hosts.
//!
//! A hop's ceiling of reads is what the hosts would read a second if nothing else were asked of it and it were never idle:
//! bytes of a mean read ÷ the time that such a read takes there, times members (the utilisation law; Denning & Buzen
//! 1978). The times are those of `ceiling`, so headers, commands, copies, parity, reduction and reads that a cache answers
//! are in them, and hops can be compared: a byte written to double parity takes more than a byte at the drives, and the
//! drives' ceiling is that much lower. Of a hop with two directions the tighter one counts.
//!
//! Beside the links stands what the drives' makers promise for sequential requests, the most that a spreadsheet could
//! hope for; what random ones leave of it is among the ceilings by requests. Textbook stations have no bytes and are no
//! hops.

use crate::scenario::{Design, DriveKind, Operation};

use super::ceiling::{Ceiling, Kind, Mix, ceilings_of, drive_link};
use super::plan::Plan;
use super::work::DriveWork;

/// One hop of the chain.
#[derive(Clone, Debug, PartialEq)]
pub struct Hop {
    /// Its name: that of its stations less the direction.
    pub name: String,
    /// Links, controllers or drives side by side.
    pub members: u32,
    /// What it carries of reads alone; none if they ask nothing of it.
    pub reads: Option<Carries>,
    /// The same of writes.
    pub writes: Option<Carries>,
    /// Requests per second of the whole mix at which its busier direction is full.
    pub iops: f64,
}

/// What a hop carries.
#[derive(Clone, Debug, PartialEq)]
pub struct Carries {
    /// Bytes that hosts read, or write, per second.
    pub bytes_per_s: f64,
    /// The station or direction that is full then.
    pub station: String,
}

/// The hops that a mix of requests passes, from the hosts to the drives.
pub fn chain(design: &Design, plan: &Plan, kinds: &[Kind]) -> Vec<Hop> {
    let mix = Mix::of(plan, kinds);
    let alone = Operation::BOTH.map(|operation| mix.only(operation));
    let [reads, writes] = alone.each_ref().map(|mix| stations(design, plan, mix));
    let [read_bytes, written_bytes] = alone.each_ref().map(|mix| mix.mean(|kind| kind.bytes as f64));
    let mut hops: Vec<Hop> = Vec::new();
    for station in stations(design, plan, &mix) {
        let Some(name) = station.hop else { continue };
        match hops.iter_mut().find(|hop| hop.name == name) {
            Some(known) => known.iops = known.iops.min(station.iops),
            None => hops.push(Hop {
                members: station.servers,
                reads: carries(&reads, &name, read_bytes),
                writes: carries(&writes, &name, written_bytes),
                iops: station.iops,
                name,
            }),
        }
    }
    hops
}

/// The least that the stations of a hop carry.
fn carries(stations: &[Ceiling], hop: &str, bytes: f64) -> Option<Carries> {
    let of_it = stations.iter().filter(|station| station.hop.as_deref() == Some(hop));
    let tightest = of_it.min_by(|a, b| a.iops.total_cmp(&b.iops))?;
    Some(Carries { bytes_per_s: tightest.iops * bytes, station: tightest.station.clone() })
}

/// Ceilings of all that has a rate in bytes.
fn stations(design: &Design, plan: &Plan, mix: &Mix) -> Vec<Ceiling> {
    let mut found = ceilings_of(design, plan, mix);
    // The link of a drive without the drive's rating, which is a hop of its own.
    if let Some(link) = plan.drive_link()
        && let Some(of_drives) = found.iter_mut().find(|ceiling| ceiling.station == "drives.link")
    {
        *of_drives = Ceiling::of_hop("drives.link", "", of_drives.servers, drive_link(&link.bare(), mix));
    }
    found.extend(rating(design, plan, mix));
    found
}

/// The drives at their sequential ratings, reads and writes one after the other.
fn rating(design: &Design, plan: &Plan, mix: &Mix) -> Option<Ceiling> {
    let time: Box<dyn Fn(&DriveWork) -> f64> = match &design.drives.as_ref()?.kind {
        DriveKind::Part(part) => Box::new(|work| {
            work.bytes_read / part.read_sequential + work.bytes_written / part.write_sequential
        }),
        DriveKind::Rotating(_) => {
            let arm = plan.arm()?;
            Box::new(|work| arm.service_s(work.bytes_read + work.bytes_written, true))
        }
        DriveKind::Station { .. } => return None,
    };
    let demand_s = mix.mean_work(time);
    (demand_s > 0.0).then(|| Ceiling::of_hop("drives.rating", "", plan.working_drives(), demand_s))
}
