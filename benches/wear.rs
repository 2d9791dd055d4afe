//! Speed of `wear`: 100,000 draws of four ranges beside a few milliseconds of simulation.
//!
//! `cargo bench --bench wear`; a whole answer took 0.5 s on one core of the machine it was written on.
#![allow(missing_docs)]

use std::path::Path;
use std::sync::atomic::AtomicBool;

use criterion::{Criterion, Throughput, criterion_group, criterion_main};
use forebay::scenario::parse;
use forebay::study::{self, Context};

const TEXT: &str = r#"
[run]
seed = 2
length = "10 ms"
warm_up = "5 ms"
replications = 2
[design.layout]
writes = "log-structured"
[design.log]
size = "1 GiB"
rate = "10 GB/s"
[design.memory]
size = "64 GiB"
[design.reduction]
[design.cpu]
cores = 16
service = "1 us"
[design.drives]
count = 22
part = "nvme-gen4-read-centric-3840"
[[class]]
name = "one"
machines = 10
read = 0
load = { rate = "500/s" }
sizes = "32 KiB"
capacity = "1 TiB"
compress = [1.5, 2.2]
duplicate = [0.1, 0.3]
growth = ["5 %/year", "30 %/year"]
duty = [0.3, 0.6]
"#;

fn draws(c: &mut Criterion) {
    let scenario = parse(TEXT, "bench.toml", Path::new(""), &[]).expect("a sound scenario");
    let interrupted = AtomicBool::new(false);
    let context = Context { interrupted: &interrupted, time: None, progress: &|_| (), detail: false };
    let mut group = c.benchmark_group("wear");
    group.throughput(Throughput::Elements(100_000));
    group.sample_size(10);
    group.bench_function("draws", |b| {
        b.iter(|| {
            let outcome = study::wear(&scenario, &context).expect("an answer");
            assert_eq!(outcome.draws, 100_000);
        });
    });
    group.finish();
}

criterion_group!(benches, draws);
criterion_main!(benches);
