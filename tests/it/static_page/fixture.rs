//! A static page as `check` would leave it, written by hand: the report room is tested without the arithmetic.

use forebay::outcome::*;

fn hop(hop: &str, members: u32, read: Option<(f64, f64)>, write: (f64, f64), utilisation: f64) -> HopRow {
    HopRow {
        hop: hop.into(),
        members,
        read_bytes_per_s: read.map(|(bytes, _)| bytes),
        read_share: read.map(|(_, share)| share),
        read_bound: read.map(|_| hop.into()),
        write_bytes_per_s: Some(write.0),
        write_share: Some(write.1),
        write_bound: Some(hop.into()),
        utilisation: Some(utilisation),
        reason: read.is_none().then(|| "reads ask nothing of it".into()),
    }
}

fn ceiling(station: &str, servers: u32, demand_us: f64) -> CeilingRow {
    let ceiling_iops = f64::from(servers) / demand_us * 1e6;
    let utilisation = Some(110_000.0 / ceiling_iops);
    CeilingRow { station: station.into(), servers, demand_us, ceiling_iops, utilisation }
}

fn memory(gib: u64) -> MemoryRow {
    MemoryRow { each_bytes: (gib << 30) as f64 / 2.0, all_bytes: gib << 30 }
}

/// Two controllers with everything switched on, and memory that is short.
pub fn tight() -> CheckOutcome {
    let class = |class: &str, machines, given_bytes, stored_bytes: f64| CapacityRow {
        class: class.into(),
        machines,
        given_bytes,
        stored_bytes,
        fill: stored_bytes / 62.208e12,
    };
    let miss = |class: &str, share| MissRow { class: class.into(), share };
    CheckOutcome {
        schema: 1,
        tool: "forebay 0.1.0".into(),
        scenario_digest: "0123456789abcdef".into(),
        title: "Emberley Transit, candidate B".into(),
        offered_iops: Some(110_000.0),
        static_ceiling_iops: Some(754_000.0),
        static_binding: Some("cpu".into()),
        reason: None,
        full: Vec::new(),
        bandwidth: Some(BandwidthChain {
            offered_read_bytes_per_s: Some(1.28e9),
            offered_write_bytes_per_s: Some(5.72e8),
            narrowest_read: Some("ports".into()),
            narrowest_write: Some("log".into()),
            hops: vec![
                hop("ports", 8, Some((24.7e9, 0.052)), (24.6e9, 0.023), 0.052),
                hop("controllers.link", 2, None, (28.5e9, 0.02), 0.02),
                hop("log", 2, None, (6e9, 0.095), 0.095),
                hop("drives.rating", 22, Some((166e9, 0.008)), (33.5e9, 0.017), 0.025),
            ],
            reason: None,
        }),
        ceilings: vec![ceiling("ports.tx", 8, 3.79), ceiling("log", 2, 1.73), ceiling("cpu", 32, 42.5)],
        lanes: Some(Lanes {
            budget: Some(128),
            taken: 128,
            takers: [("drives", 24, 4), ("ports", 4, 8)]
                .map(|(what, count, lanes_each)| LaneRow {
                    what: what.into(),
                    count,
                    lanes_each,
                    lanes: u64::from(count * lanes_each),
                })
                .to_vec(),
            reason: None,
        }),
        capacity: Some(CapacityPage {
            drives: 24,
            raw_bytes: 92.16e12,
            spares_bytes: 7.68e12,
            redundancy_bytes: 15.36e12,
            usable_bytes: 69.12e12,
            reserve_bytes: 6.912e12,
            room_bytes: 62.208e12,
            effective_bytes: Some(62.208e12 * 38.64 / 16.38),
            given_bytes: 38.64e12,
            stored_bytes: 16.38e12,
            fill: 16.38 / 62.208,
            machines: 200,
            machines_that_fit: Some(759),
            classes: vec![
                class("ticketing-db", 100, 32.2e12, 14.9e12),
                class("desktops", 100, 6.44e12, 1.48e12),
            ],
            reason: None,
        }),
        memory: Some(MemoryPage {
            controllers: 2,
            size: memory(80),
            log: memory(32),
            map: memory(26),
            index: memory(62),
            cache: memory(0),
            left: memory(0),
            overflow: memory(40),
            index_misses: 40.0 / 62.0,
            map_misses: vec![miss("ticketing-db", 0.0), miss("desktops", 0.0)],
        }),
        notes: vec!["the ceilings are those of the mix that the open classes offer".into()],
    }
}

/// A design in place that is too full, and whose processor is, too; nothing of memory or lanes.
pub fn full() -> CheckOutcome {
    let mut outcome = tight();
    outcome.full = vec!["cpu".into(), "capacity".into()];
    outcome.ceilings[2] = ceiling("cpu", 4, 42.5);
    outcome.static_ceiling_iops = Some(outcome.ceilings[2].ceiling_iops);
    outcome.lanes = None;
    outcome.memory = None;
    let capacity = outcome.capacity.as_mut().expect("a capacity");
    for class in &mut capacity.classes {
        class.stored_bytes = class.given_bytes * 2.0;
        class.given_bytes = class.stored_bytes;
        class.fill = class.stored_bytes / 69.12e12;
    }
    (capacity.given_bytes, capacity.stored_bytes) = (77.28e12, 77.28e12);
    (capacity.reserve_bytes, capacity.room_bytes) = (0.0, 69.12e12);
    (capacity.effective_bytes, capacity.fill) = (Some(69.12e12), 77.28 / 69.12);
    capacity.machines_that_fit = Some(178);
    outcome
}

/// A textbook queue: nothing but a processor, and classes that wait for answers.
pub fn short() -> CheckOutcome {
    CheckOutcome {
        offered_iops: None,
        bandwidth: None,
        lanes: None,
        capacity: None,
        memory: None,
        notes: Vec::new(),
        ceilings: vec![CeilingRow { utilisation: None, ..ceiling("cpu", 1, 10.0) }],
        static_ceiling_iops: Some(100_000.0),
        ..tight()
    }
}

/// All of them, by name.
pub fn all() -> [(&'static str, CheckOutcome); 3] {
    [("tight", tight()), ("full", full()), ("short", short())]
}
