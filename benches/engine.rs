//! Speed of the kernel: the hold model of the calendar alone, and three small networks.
//!
//! `cargo bench --bench engine`; elements are pop+push pairs, or requests.
#![allow(missing_docs)]

#[path = "../tests/support/networks.rs"]
mod networks;

use criterion::{BenchmarkId, Criterion, Throughput, criterion_group, criterion_main};
use forebay::engine::{Calendar, Key, Law, Purpose, SimDuration, SimTime};

/// Pops the next event and puts one an exponential time later, `pending` at all times.
fn hold(c: &mut Criterion) {
    let mut group = c.benchmark_group("hold");
    group.throughput(Throughput::Elements(1_000_000));
    group.sample_size(10);
    for pending in [4u32, 64, 1024, 16_384, 262_144] {
        let law = Law::exponential(SimDuration::from_us(1) /* per event */);
        let mut draws = Key::root(1).draws(Purpose::named("hold"));
        let ahead: Vec<u64> =
            (0..4096).map(|_| law.sample_from(&mut draws).ps() * u64::from(pending)).collect();
        let mut calendar = Calendar::new();
        for id in 0..pending {
            calendar.push(SimTime::from_ps(ahead[id as usize % 4096] + u64::from(id) % 997), id);
        }
        let mut at = 0;
        group.bench_with_input(BenchmarkId::from_parameter(pending), &pending, |b, _| {
            b.iter(|| {
                for _ in 0..1_000_000 {
                    if let Some((time, id)) = calendar.pop_before(SimTime::NEVER) {
                        at += 1;
                        calendar.push(time + SimDuration::from_ps(ahead[(at + (at >> 12)) & 4095]), id);
                    }
                }
            });
        });
    }
    group.finish();
}

fn networks(c: &mut Criterion) {
    let mut group = c.benchmark_group("network");
    group.sample_size(10);
    for name in ["n1", "n2", "n3"] {
        let requests = 1_000_000;
        group.throughput(Throughput::Elements(requests));
        group.bench_function(name, |b| {
            b.iter(|| {
                let mut kernel = networks::kernel(name, requests, 1);
                kernel.run(SimTime::NEVER);
                kernel.events()
            });
        });
    }
    group.finish();
}

criterion_group!(benches, hold, networks);
criterion_main!(benches);
