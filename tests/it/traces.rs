//! The shipped traces, read and described.

use std::path::Path;

use forebay::scenario::TraceFormat;
use forebay::traffic::{Trace, TraceSummary};

fn load(name: &str) -> Trace {
    let path = Path::new(env!("CARGO_MANIFEST_DIR")).join("workloads/traces").join(name);
    Trace::load(&path, name, None).unwrap_or_else(|error| panic!("{error}"))
}

/// The figures are those of workloads/traces/README.md: a separate script in another language
/// computed them, to six significant digits (span: nine).
fn assert_figures(found: &TraceSummary, expected: &TraceSummary) {
    let close = |what: &str, found: f64, expected: f64, relative: f64| {
        assert!((found / expected - 1.0).abs() < relative, "{what}: {found}, expected {expected}");
    };
    assert_eq!(found.requests, expected.requests);
    assert_eq!(found.footprint_bytes, expected.footprint_bytes);
    close("span", found.span_s, expected.span_s, 5e-9);
    close("mean IOPS", found.mean_iops, expected.mean_iops, 5e-6);
    close("read fraction", found.read_fraction, expected.read_fraction, 5e-6);
    close("read bytes", found.read_fraction_bytes, expected.read_fraction_bytes, 5e-6);
    close("mean size", found.size_mean, expected.size_mean, 5e-6);
    close("sequential", found.sequential_fraction, expected.sequential_fraction, 5e-6);
}

#[test]
fn the_database_trace_has_its_published_figures() {
    let trace = load("oltp.block-events.txt.gz");
    assert_eq!(trace.format(), TraceFormat::BlockEvents);
    assert_eq!(trace.notes(), ["11,911 flushes left out"]);
    let expected = TraceSummary {
        requests: 42_199,
        read_fraction: 0.467049,
        read_fraction_bytes: 0.353856,
        size_mean: 12_670.3,
        mean_iops: 691.747,
        span_s: 61.0034825,
        footprint_bytes: 86_973 * 4096,
        sequential_fraction: 0.0969928,
    };
    assert_figures(&trace.summary(), &expected);
}

#[test]
fn the_store_trace_has_its_published_figures() {
    let trace = load("kv-store-writes.block.csv.gz");
    assert_eq!(trace.format(), TraceFormat::BlockCsv);
    assert_eq!(trace.notes(), ["231 discards left out"]);
    let expected = TraceSummary {
        requests: 64_189,
        read_fraction: 1.5579e-5,
        read_fraction_bytes: 1.95856e-6,
        size_mean: 130_324.0,
        mean_iops: 2_603.96,
        span_s: 24.6505252,
        footprint_bytes: 436_083 * 4096,
        sequential_fraction: 0.994267,
    };
    assert_figures(&trace.summary(), &expected);
}

#[test]
fn records_keep_the_times_and_addresses_of_the_file() {
    // First lines of the file: 0 and 35,081 ns; sectors 1,652,296 and 1,652,552; 256 sectors each.
    let trace = load("kv-store-writes.block.csv.gz");
    let first: Vec<_> = trace.records()[..2].iter().map(|r| (r.at.ps(), r.address, r.bytes)).collect();
    assert_eq!(first, [(0, 1_652_296 * 512, 131_072), (35_081_000, 1_652_552 * 512, 131_072)]);
    // Every address is whole sectors, not all are whole 4 KiB blocks: replay keeps them as they are.
    assert!(trace.records().iter().all(|r| r.address % 512 == 0));
    assert!(trace.records().iter().any(|r| r.address % 4096 != 0));
}

#[test]
fn a_wrongly_stated_layout_is_refused_with_advice() {
    let path = Path::new(env!("CARGO_MANIFEST_DIR")).join("workloads/traces/oltp.block-events.txt.gz");
    let error = Trace::load(&path, "oltp.block-events.txt.gz", Some(TraceFormat::Csv)).expect_err("refused");
    let text = error.to_string();
    assert!(text.starts_with("trace `oltp.block-events.txt.gz`, line 1: the first line is `"), "{text}");
    assert!(text.contains("; help: "), "{text}");
}
