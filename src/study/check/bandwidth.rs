//! The bandwidth chain of the static page: what each hop carries, and what the scenario offers of it.

use crate::outcome::{BandwidthChain, HopRow};
use crate::scenario::Operation;
use crate::study::setting::Setting;
use crate::system::{Carries, Hop, Kind, chain as hops};

/// The chain of a compiled design for a mix of requests; none if bytes pass no hop.
pub(super) fn chain(setting: &Setting, kinds: &[Kind], offered_iops: Option<f64>) -> Option<BandwidthChain> {
    let hops = hops(&setting.scenario.design, &setting.plan, kinds);
    if hops.is_empty() {
        return None;
    }
    let offered = |operation: Operation| {
        let of_it = kinds.iter().filter(|kind| kind.operation == operation);
        let bytes: f64 = of_it.map(|kind| kind.share * kind.bytes as f64).sum();
        offered_iops.map(|iops| iops * bytes)
    };
    let offers = Operation::BOTH.map(offered);
    Some(BandwidthChain {
        offered_read_bytes_per_s: offers[0],
        offered_write_bytes_per_s: offers[1],
        narrowest_read: narrowest(&hops, |hop| hop.reads.as_ref()),
        narrowest_write: narrowest(&hops, |hop| hop.writes.as_ref()),
        hops: hops.iter().map(|hop| row(hop, offers, offered_iops)).collect(),
        reason: offered_iops.is_none().then(|| "every class is closed: what it asks is an outcome".into()),
    })
}

fn narrowest<'a>(hops: &'a [Hop], of: impl Fn(&'a Hop) -> Option<&'a Carries>) -> Option<String> {
    let known = hops.iter().filter_map(|hop| Some((hop, of(hop)?.bytes_per_s)));
    known.min_by(|a, b| a.1.total_cmp(&b.1)).map(|(hop, _)| hop.name.clone())
}

fn row(hop: &Hop, offers: [Option<f64>; 2], offered_iops: Option<f64>) -> HopRow {
    let bytes = |carries: &Option<Carries>| carries.as_ref().map(|carries| carries.bytes_per_s);
    let share = |carries: &Option<Carries>, offered: Option<f64>| Some(offered? / bytes(carries)?);
    let bound = |carries: &Option<Carries>| carries.as_ref().map(|carries| carries.station.clone());
    let reason = match (&hop.reads, &hop.writes) {
        (Some(_), Some(_)) => None,
        (None, _) => Some("reads ask nothing of it".into()),
        (_, None) => Some("writes ask nothing of it".into()),
    };
    HopRow {
        hop: hop.name.clone(),
        members: hop.members,
        read_bytes_per_s: bytes(&hop.reads),
        read_share: share(&hop.reads, offers[0]),
        read_bound: bound(&hop.reads),
        write_bytes_per_s: bytes(&hop.writes),
        write_share: share(&hop.writes, offers[1]),
        write_bound: bound(&hop.writes),
        utilisation: offered_iops.map(|iops| iops / hop.iops),
        reason,
    }
}
