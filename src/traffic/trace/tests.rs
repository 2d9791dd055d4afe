use super::*;
use proptest::prelude::*;
use std::io::{Cursor, Write};

fn read(content: &[u8], format: Option<TraceFormat>) -> Result<Trace, TraceError> {
    Trace::read(Cursor::new(content.to_vec()), "sample", format)
}

fn gzip(content: &[u8]) -> Vec<u8> {
    let mut packer = flate2::write::GzEncoder::new(Vec::new(), flate2::Compression::fast());
    packer.write_all(content).and_then(|()| packer.finish()).expect("a vector takes all bytes")
}

/// (microseconds, is a read, address, bytes) of every record.
fn plain(trace: &Trace) -> Vec<(u64, bool, u64, u32)> {
    let row = |r: &TraceRecord| (r.at.ps() / 1_000_000, r.operation == Operation::Read, r.address, r.bytes);
    trace.records().iter().map(row).collect()
}

/// A scsi-records file of (command, microseconds, block, bytes).
fn scsi_records(rows: &[(u16, u64, u64, u32)]) -> Vec<u8> {
    let mut file = Vec::new();
    for (serial, (command, time, block, bytes)) in rows.iter().enumerate() {
        file.extend((serial as u32).to_le_bytes());
        file.extend(bytes.to_le_bytes());
        file.extend(1u32.to_le_bytes());
        file.extend(command.to_le_bytes());
        file.extend(256u16.to_le_bytes());
        file.extend(block.to_le_bytes());
        file.extend(time.to_le_bytes());
    }
    file
}

const CSV: &str = "op,time_us,size_bytes,offset_bytes,comment\n\
                   R,5,4096,8192,a\nwrite,7.5,512,12288,\nTRIM,8,4096,0,\nW,9,0,0,\nREAD,12,1024,12800,z\n";
const BLOCK_CSV: &str = "submit_ns,op,lba_512,sectors_512,latency_ns,flush,fua,io_class\n\
                     0,W,16,8,83797,0,0,19\n35081,D,24,8,,0,0,19\n48531,R,24,1,130094,0,0,19\n";
const BLOCK_EVENTS: &str = "  7,0    1        1     0.000000000 28581  Q  WS 160 + 48 [db]\n\
                        7,0    1        2     0.000011978 28581  D  WS 160 + 48 [db]\n\
                        7,0    1        3     0.000239227    22  C  WS 160 + 48 [0]\n\
                        7,0    1        4     0.000253258 28581  Q FWS [db]\n\
                        7,0    1        5     0.000264495    44  D  FN [kworker/1:1H]\n\
                        7,0    0        1     0.004725808    14  C  FN 0 [0]\n\
                        7,0    0        4     0.028975164 28586  D  RA 208 + 16 [db]\n\
                        7,0    0        5     0.029000000 28586  D  DS 300 + 16 [db]\n\
                        CPU0 (sample):\n Reads Queued: 1, 8KiB\n";
const HOST_CSV: &str = "128166385295514663,host,0,Write,9056014336,2048,2833\n\
                   128166385295514878,host,0,Read,11855351808,512,2617\n\
                   128166385295515175,host,1,Write,5548077056,4096,2320\n";
const LUN_CSV: &str = "Timestamp,Response,IOType,LUN,Offset,Size\n\
                      1456095145.133076000,0.000806000,R,0,899056122368,131072\n\
                      1456095145.126285000,0.008044000,W,0,4256049987072,122880\n\
                      1456095145.127398000,0.007571000,,0,,\n\
                      1456095145.135954000,0.004066000,R,0,899056253440,21504\n";

#[test]
fn every_layout_is_recognised_and_read_plain_and_packed() {
    let (r, w) = (true, false);
    let binary = scsi_records(&[
        (0x28, 1_000, 8, 4096),
        (0x2A, 1_250, 16, 512),
        (0x35, 1_260, 0, 0),
        (0x88, 1_300, 1, 8),
    ]);
    let cases: [(&[u8], TraceFormat, Vec<_>); 6] = [
        (CSV.as_bytes(), TraceFormat::Csv, vec![(0, r, 8192, 4096), (2, w, 12288, 512), (7, r, 12800, 1024)]),
        (BLOCK_CSV.as_bytes(), TraceFormat::BlockCsv, vec![(0, w, 8192, 4096), (48, r, 12288, 512)]),
        (
            BLOCK_EVENTS.as_bytes(),
            TraceFormat::BlockEvents,
            vec![(0, w, 81920, 24576), (28963, r, 106_496, 8192)],
        ),
        (
            HOST_CSV.as_bytes(),
            TraceFormat::HostCsv,
            vec![(0, w, 9_056_014_336, 2048), (21, r, 11_855_351_808, 512), (51, w, 5_548_077_056, 4096)],
        ),
        (
            LUN_CSV.as_bytes(),
            TraceFormat::LunCsv,
            vec![
                (0, w, 4_256_049_987_072, 122_880),
                (6791, r, 899_056_122_368, 131_072),
                (9669, r, 899_056_253_440, 21504),
            ],
        ),
        (&binary, TraceFormat::ScsiRecords, vec![(0, r, 4096, 4096), (250, w, 8192, 512), (300, r, 512, 8)]),
    ];
    for (content, format, expected) in cases {
        for packed in [content.to_vec(), gzip(content)] {
            for stated in [None, Some(format)] {
                let trace = read(&packed, stated).unwrap_or_else(|e| panic!("{format:?}: {e}"));
                assert_eq!(trace.format(), format);
                assert_eq!(plain(&trace), expected, "{format:?}");
            }
        }
    }
}

#[test]
fn what_is_left_out_is_said() {
    let notes = |content: &str| read(content.as_bytes(), None).expect("a good sample").notes().join("; ");
    assert_eq!(notes(CSV), "1 discard left out; 1 request of no bytes left out");
    assert_eq!(notes(BLOCK_CSV), "1 discard left out");
    assert_eq!(
        notes(BLOCK_EVENTS),
        "1 flush left out; 1 discard left out; 2 lines that are no events passed over"
    );
    assert_eq!(notes(HOST_CSV), "2 devices: replay overlays their addresses on one volume");
    assert_eq!(
        notes(LUN_CSV),
        "1 row that is neither read nor write left out; not in time order (1 steps back): sorted"
    );
    let mut cut = scsi_records(&[(0x28, 1, 8, 4096), (0x2A, 5, 16, 512)]);
    cut.extend([0; 7]);
    let cut = read(&cut, None).expect("two whole records");
    assert_eq!(cut.notes(), ["the last record is cut short (7 of 32 bytes): left out"]);
}

#[test]
fn queued_events_serve_where_none_were_issued() {
    let queued = "8,0 1 1 0.000000000 9 Q R 8 + 8 [x]\n8,0 1 2 0.001000000 9 Q W 16 + 8 [x]\n";
    let trace = read(queued.as_bytes(), None).expect("queued events");
    assert_eq!(plain(&trace), [(0, true, 4096, 4096), (1000, false, 8192, 4096)]);
    assert!(trace.notes()[0].contains("queued"), "{:?}", trace.notes());
}

#[test]
fn a_coarse_clock_is_noticed() {
    let rows: String = (0..30).map(|i| format!("{},R,{},4096\n", i / 10, i * 4096)).collect();
    let trace =
        read(format!("time (seconds),op,offset,size\n{rows}").as_bytes(), None).expect("a good sample");
    assert_eq!(trace.notes(), ["coarse clock: times are multiples of 1 s, 10.0 requests a tick on average"]);
}

#[test]
fn units_of_every_column_are_heeded() {
    let content = "\u{FEFF}\"Time (milliseconds)\", \"OpCode\" ,lba_4096,sectors_512\r\n1.5e2,rd,3,8\r\n160,wr,4,1\r\n\r\n";
    let trace = read(content.as_bytes(), None).expect("a good sample");
    assert_eq!(plain(&trace), [(0, true, 12288, 4096), (10_000, false, 16384, 512)]);
}

#[test]
fn sequential_requests_follow_one_of_the_last_32_of_their_kind() {
    let mut rows = String::from("time_us,op,offset,size\n0,R,4096,4096\n1,W,8192,512\n2,R,8192,4096\n");
    (3u64..40).for_each(|t| rows.push_str(&format!("{t},R,{},1\n", t << 30)));
    rows.push_str("40,R,12288,1\n41,W,8704,1\n");
    let trace = read(rows.as_bytes(), None).expect("a good sample");
    let marked: Vec<usize> = (0..42).filter(|i| trace.records()[*i].sequential).collect();
    // The write at 8192 follows no write; the read at 12288 comes 37 reads too late.
    assert_eq!(marked, [2, 41]);
}

#[test]
fn errors_name_file_place_finding_and_fix() {
    let error = |content: &str, format| read(content.as_bytes(), format).expect_err("refused").to_string();
    let cases = [
        (
            error("time_us,op,offset,size\n1,R,0,4096\n2,W,none,4096\n", None),
            "trace `sample`, line 3: the offset is `none`; expected a whole number of bytes; help: ",
        ),
        (
            error("time_us,op,offset,size\n-1,R,0,4096\n", None),
            "trace `sample`, line 2: the time is `-1`; expected a number of microseconds, not negative; help: ",
        ),
        (
            error("time,op,offset,size\n1,R,0,4096\n", None),
            "trace `sample`, line 1: the first line is `time,op,offset,size`; expected a header with a column for \
             the time with its unit; help: name it time_s, time_ms, time_us or time_ns",
        ),
        (
            error("time_us,op,offset,size\n1,R,0\n", None),
            "trace `sample`, line 2: the line ends before the size: `1,R,0`; expected",
        ),
        (error("", None), "trace `sample`: the file is empty; expected a block trace"),
        (
            error("hello\n", None),
            "trace `sample`: the layout is not recognised: the file begins with `hello`",
        ),
        (
            error("time_us,op,offset,size\n1,R,0,4096\n1,R,0,512\n", None),
            "trace `sample`: all 2 requests bear the same",
        ),
        (
            error("time_us,op,offset,size\n1,R,0,4096\n", None),
            "trace `sample`: it holds a single read or write",
        ),
        (
            error(HOST_CSV, Some(TraceFormat::BlockEvents)),
            "trace `sample`: it holds no read or write (3 other rows",
        ),
        (
            error(HOST_CSV, Some(TraceFormat::ScsiRecords)),
            "trace `sample`, record 1: the record's version is",
        ),
        (
            error("time_s,op,offset,size\n1,R,0,4096\n99999999,R,0,4096\n", None),
            "trace `sample`, line 3: the time is more than 106 days from that of the first request",
        ),
        (
            error("time_s,op,offset,size\n1,R,0,5000000000\n", None),
            "trace `sample`, line 2: the request has 5,000,000,000 bytes; expected less than 4 GiB",
        ),
        (
            error(&"x".repeat(70_000), Some(TraceFormat::HostCsv)),
            "trace `sample`, line 1: the line is longer than 64 KiB",
        ),
    ];
    for (found, expected) in cases {
        assert!(found.starts_with(expected), "{found}\nshould begin\n{expected}");
    }
    let absent = Trace::load(Path::new("there/is/none.csv"), "none.csv", None).expect_err("refused");
    assert!(absent.to_string().starts_with("trace `none.csv`: it cannot be opened ("), "{absent}");
    let packed = gzip(CSV.repeat(100).as_bytes());
    let cut = read(&packed[..packed.len() - 20], Some(TraceFormat::Csv)).expect_err("refused");
    assert!(cut.help.contains("cut short"), "{cut}");
}

#[test]
fn a_trace_beyond_the_limit_is_refused_politely() {
    let most = |n| read_at_most(Box::new(Cursor::new(CSV)), "sample", None, n);
    assert!(most(3).is_ok());
    let error = most(2).expect_err("three requests").to_string();
    assert!(error.starts_with("trace `sample`: there are more than 2 requests; expected"), "{error}");
}

#[test]
fn the_footprint_counts_each_block_once_a_device() {
    let rows =
        "time_us,device,op,offset,size\n0,a,R,0,8192\n1,a,W,4000,200\n2,b,R,4096,1\n3,a,R,40960,4097\n";
    let trace = read(rows.as_bytes(), None).expect("a good sample");
    assert_eq!(trace.summary().footprint_bytes, (2 + 1 + 2) * 4096);
}

/// Bytes that no reader may trip over: a good sample with some bytes overwritten, cut or doubled.
fn mutated() -> impl Strategy<Value = Vec<u8>> {
    let binary = scsi_records(&[(0x28, 1_000, 8, 4096), (0x2A, 1_250, 16, 512), (0x88, 1_300, 1, 8)]);
    let texts = [CSV, BLOCK_CSV, BLOCK_EVENTS, HOST_CSV, LUN_CSV].map(|t| t.as_bytes().to_vec());
    let samples: Vec<Vec<u8>> = texts.into_iter().chain([binary, gzip(CSV.as_bytes())]).collect();
    let edits = prop::collection::vec((any::<prop::sample::Index>(), any::<u8>(), 0u8..4), 0..12);
    (prop::sample::select(samples), edits).prop_map(|(mut bytes, edits)| {
        for (at, byte, kind) in edits {
            let i = at.index(bytes.len().max(1)).min(bytes.len());
            match kind {
                0 if i < bytes.len() => bytes[i] = byte,
                1 => bytes.insert(i, byte),
                2 => bytes.truncate(i),
                _ => bytes.insert(i, b"0123456789,.- \n"[usize::from(byte) % 15]),
            }
        }
        bytes
    })
}

fn any_format() -> impl Strategy<Value = Option<TraceFormat>> {
    use TraceFormat::{BlockCsv, BlockEvents, Csv, HostCsv, LunCsv, ScsiRecords};
    prop::sample::select(vec![
        None,
        Some(Csv),
        Some(ScsiRecords),
        Some(BlockCsv),
        Some(BlockEvents),
        Some(HostCsv),
        Some(LunCsv),
    ])
}

/// What holds for every trace that was read at all.
fn is_sound(trace: &Trace) -> bool {
    let records = trace.records();
    records.len() >= 2
        && records[0].at.is_zero()
        && trace.span() > SimDuration::ZERO
        && trace.circle() > trace.span()
        && records.windows(2).all(|w| w[0].at <= w[1].at)
        && records.iter().all(|r| r.bytes > 0)
        && trace.summary().footprint_bytes > 0
}

proptest! {
    #![proptest_config(ProptestConfig::with_cases(2_000))]

    #[test]
    fn random_bytes_are_read_or_refused(bytes in prop::collection::vec(any::<u8>(), 0..400), format in any_format()) {
        if let Ok(trace) = read(&bytes, format) {
            prop_assert!(is_sound(&trace));
        }
    }

    #[test]
    fn damaged_samples_are_read_or_refused(bytes in mutated(), format in any_format()) {
        match read(&bytes, format) {
            Ok(trace) => prop_assert!(is_sound(&trace)),
            Err(error) => prop_assert!(!error.to_string().is_empty() && !error.help.is_empty()),
        }
    }
}
