//! What stands behind a write's answer, through the whole tool: log, full stripes, cleaning, reduction, two
//! controllers, memory. Counts and bytes are held to arithmetic that is done here again, waits to queueing theory.

use forebay::outcome::{RunOutcome, State, StationRow};
use forebay::theory::cleaning::fifo_amplification;

use crate::runs::{answer, latency, row};

fn station<'a>(outcome: &'a RunOutcome, name: &str) -> &'a StationRow {
    outcome.stations.iter().find(|s| s.name == name).unwrap_or_else(|| panic!("no station {name}"))
}

/// Bytes read and written at a level, relative to the hosts' writes.
fn level(outcome: &RunOutcome, name: &str) -> [f64; 2] {
    let find = |name: &str| outcome.ledger.iter().find(|row| row.level == name).expect("a level");
    let (row, host) = (find(name), find("host").write_bytes_per_s);
    [row.read_bytes_per_s / host, row.write_bytes_per_s / host]
}

fn assert_near(found: f64, known: f64, within: f64, what: &str) {
    println!("{what}: {found:.5}, {known:.5}");
    assert!((found / known - 1.0).abs() <= within, "{what}: {found}, {known}");
}

/// Writes of one size from one machine to quick drives, through a log.
fn written(run: &str, design: &str, class: &str) -> String {
    format!(
        "[run]\nseed = 21\nreplications = 4\n{run}\n\
         [design.drives]\ncount = 12\nservice = \"1 us\"\nsplit = true\n{design}\n\
         [[class]]\nname = \"w\"\nmachines = 1\nread = 0\ncapacity = \"1 TiB\"\n{class}\n"
    )
}

const SHORT: &str = "warm_up = \"100 ms\"\nlength = \"1 s\"";
const LOG: &str = "[design.log]\nsize = \"1 GiB\"\nrate = \"10 GB/s\"\nheld = \"device\"";
const STRIPES: &str =
    "[design.layout]\nprotection = \"double-parity\"\ngroup = 12\nwrites = \"log-structured\"";

/// Claim:   a log is a server: writes at load 0.8 wait there as in M/D/1, s ρ/(2(1 − ρ)) (Pollaczek & Khinchine).
/// Method:  t over 4 replications, together 960,000 writes; within 4 half-widths of 95 %, each at most 4 %.
/// Alarm:   below 1e-3 at 3 degrees of freedom (12.7 standard errors). Catches: a service or a server too many.
#[test]
fn commits_wait_for_the_log_as_theory_says() {
    // 64 KiB at 6.5536 GB/s take 10 us.
    let log =
        "[design.log]\nsize = \"64 GiB\"\nrate = \"6553.6 MB/s\"\nheld = \"device\"\nlatency = \"5 us\"";
    let class = "load = { rate = \"80000/s\" }\nsizes = \"64 KiB\"\nalign = \"64 KiB\"";
    let outcome = answer(&written("warm_up = \"20 ms\"\nlength = \"3 s\"", log, class));
    let mean = &latency(&outcome, "mean");
    let known = 5.0 + 10.0 + 10.0 * 0.8 / (2.0 * 0.2);
    let (value, low, high) = (mean.value.unwrap(), mean.low.unwrap(), mean.high.unwrap());
    println!("{low} {value} {high}, {known}");
    assert!((high - low) / 2.0 / value < 0.04, "the run is too short to tell");
    assert!((value - known).abs() < 2.0 * (high - low), "{value}, {known}");
}

/// Where nothing waits a copy adds the link both ways and no more: 2 × 3 us, 64 KiB + 64 B and 64 B on PCIe.
#[test]
fn the_partners_copy_adds_its_way_there_and_back() {
    let class = "load = { rate = \"100/s\" }\nsizes = \"64 KiB\"\nalign = \"64 KiB\"";
    let alone = answer(&written("warm_up = \"100 ms\"\nlength = \"5 s\"", LOG, class));
    let pair = "[design.controllers]\npartner = { link = \"pcie-gen4-x8\", latency = \"3 us\" }\n";
    let both = answer(&written("warm_up = \"100 ms\"\nlength = \"5 s\"", &format!("{pair}{LOG}"), class));
    // 65,600 B in 257 packets of 24 B beside their payload at 15.754 GB/s, and 88 B.
    let link_us = (65_600.0 + 257.0 * 24.0 + 88.0) / (16e9 * 8.0 / 8.0 * 128.0 / 130.0) * 1e6;
    let mean = |outcome: &RunOutcome| latency(outcome, "mean").value.unwrap();
    assert_near(mean(&both) - mean(&alone), 6.0 + link_us, 2e-3, "the way of the copy, us");
    // Each log holds what both write: the writes of one machine are in both.
    let log = station(&both, "log");
    assert_eq!(log.members, 2);
    assert_near(log.arrivals_per_s, 2.0 * both.carried.iops.value.unwrap(), 1e-3, "commits");
}

/// Claim:   writes that come back to n regions at twice the drives' pace are absorbed in half: in the steady state
///          the log holds a share h of the regions, the share 1 − h of writes is new, and that is what the drives take.
/// Method:  one region of 256 KiB at a time on one drive of 1 ms: 1,000 regions/s; 2,000 writes/s on 1,000 regions.
/// Alarm:   8,000 writes are counted, the standard error of the share is 0.6 %: 2.5 % is four of them (6e-5).
/// Catches: a log that keeps what it has written, or frees it twice, or destages overwrites.
#[test]
fn a_log_absorbs_what_is_written_again() {
    let design = "[design.log]\nsize = \"16 GiB\"\nrate = \"10 GB/s\"\nheld = \"device\"\ndestage = 1";
    let class =
        "load = { rate = \"2000/s\" }\nsizes = \"4 KiB\"\nalign = \"256 KiB\"\nworking_set = \"250 MiB\"";
    let text = written("warm_up = \"4 s\"\nlength = \"2 s\"", design, class)
        .replace("count = 12\nservice = \"1 us\"", "count = 1\nservice = \"1 ms\"");
    let outcome = answer(&text);
    assert_eq!(outcome.verdict.state, State::Stable, "{:?}", outcome.verdict);
    assert_near(level(&outcome, "log")[1], 0.5, 0.025, "share of writes that reach the drives");
    // Without the log's memory the drive would be asked for twice what it can do.
    assert_near(station(&outcome, "drives").utilisation, 1.0, 0.01, "the drive");
}

/// A stream of small writes becomes full stripes in a log: 12/10 of its bytes and no reads, where written in place
/// each of them costs three reads and three writes.
#[test]
fn a_log_makes_full_stripes_of_a_stream() {
    let layout = "[design.layout]\nprotection = \"double-parity\"\ngroup = 12";
    let class = "load = { rate = \"20000/s\" }\nsizes = \"4 KiB\"\nsequential = 1\nstreams = 1\n\
                 run_length = \"1 GiB\"";
    let alone = answer(&written(SHORT, layout, class));
    assert_near(level(&alone, "drives")[0], 3.0, 1e-3, "read for each byte, alone");
    let text = written(SHORT, &format!("{layout}\n{LOG}\ndestage = 1"), class);
    let [read, bytes] = level(&answer(&text), "drives");
    assert_eq!(read, 0.0, "read for each byte");
    // A stripe or two more or less at the edges of four windows of 82 MB.
    assert_near(bytes, 1.2, 0.01, "written for each byte");
}

/// The cliff: a burst that fits the log is answered at its pace, one that does not waits for the drives.
#[test]
fn a_burst_is_absorbed_until_the_log_is_full() {
    let class = "load = { rate = \"4000/s\" }\nsizes = \"64 KiB\"\nalign = \"64 KiB\"\n\
                 arrivals = { shape = \"bursty\", peak_to_mean = 5, burst = \"100 ms\" }";
    // Twelve drives of 2 ms take 6,000 chunks a second: more than the mean, less than a third of the peak.
    let p99 = |size: &str| {
        let log = LOG.replace("1 GiB", size);
        let text = written("warm_up = \"2 s\"\nlength = \"20 s\"", &log, class);
        let outcome = answer(&text.replace("service = \"1 us\"", "service = \"2 ms\""));
        latency(&outcome, "p99").value.unwrap()
    };
    let (roomy, tight) = (p99("8 GiB"), p99("64 MiB"));
    println!("p99 {roomy} us with room, {tight} us without");
    assert!(roomy < 100.0 && tight > 20.0 * roomy, "{roomy} {tight}");
}

/// 4 KiB beyond what 16 GiB of log can lose: 0.2 GB/s of excess fill it in 86 s, long after the run has ended.
#[test]
fn a_log_that_fills_is_called_unsustainable() {
    let log = "[design.log]\nsize = \"16 GiB\"\nrate = \"10 GB/s\"\nheld = \"device\"\nhigh_water = 1\ndestage = 256";
    let class = "load = { rate = \"43052/s\" }\nsizes = \"64 KiB\"\nalign = \"64 KiB\"";
    let text = written("warm_up = \"200 ms\"\nlength = \"4 s\"", log, class)
        .replace("count = 12\nservice = \"1 us\"", "count = 4\nservice = \"100 us\"");
    let outcome = answer(&text);
    assert_eq!(outcome.verdict.state, State::Unsustainable, "{:?}", outcome.verdict);
    // 43,052 − 40,000 a second are 0.2 GB/s; 86 s from empty, less the 4.2 s that have passed. The drives' last
    // per cent, lost where one of four runs dry, is in the tolerance.
    let after = outcome.verdict.log_full_after_s.expect("a time");
    println!("full {after} s later");
    assert!((after + 4.2 - 85.9).abs() < 0.12 * 85.9, "{after}");
    let note = outcome.notes.iter().find(|note| note.contains("at high water")).expect("a note");
    assert!(note.contains("backlog grows"), "{note}");
    // What the drives take is sustainable for ever.
    let less = answer(&text.replace("43052/s", "36000/s"));
    assert_eq!(less.verdict.state, State::Stable, "{:?}", less.verdict);
}

/// A log-structured write costs (N + p)/N times the cleaner's A at the drives, and the reads of what is moved.
/// A textbook drive is half full: A is the published form's at a spare of 1.
#[test]
fn full_stripes_cost_parity_times_cleaning() {
    let class = "load = { rate = \"20000/s\" }\nsizes = \"32 KiB\"\nalign = \"32 KiB\"";
    let outcome = answer(&written(SHORT, &format!("{STRIPES}\n{LOG}"), class));
    let a = fifo_amplification(1.0);
    // A stripe of 640 KiB more or less at the edges: 0.1 % of 655 MB.
    assert_near(level(&outcome, "cleaning")[1], a - 1.0, 5e-3, "moved");
    let [read, written_bytes] = level(&outcome, "drives");
    assert_near(read, a - 1.0, 5e-3, "read");
    assert_near(written_bytes, a * 1.2, 2e-3, "written");
    // New drives and a new layout clean nothing.
    let fresh = written(&format!("{SHORT}\nstart = \"fresh\""), &format!("{STRIPES}\n{LOG}"), class);
    assert_near(level(&answer(&fresh), "drives")[1], 1.2, 2e-3, "written, fresh");
}

/// With no log each write is a stripe of its own before it is answered: 32 KiB as 8 pieces of 4 KiB and 2 of parity.
#[test]
fn with_no_log_a_write_is_a_stripe_of_its_own() {
    let class = "load = { rate = \"20000/s\" }\nsizes = \"32 KiB\"\nalign = \"32 KiB\"";
    let run = format!("{SHORT}\nstart = \"fresh\"");
    let outcome = answer(&written(&run, STRIPES, class));
    let requests = station(&outcome, "drives").arrivals_per_s / outcome.carried.iops.value.unwrap();
    assert_near(requests, 10.0, 1e-3, "drive requests");
    assert_near(level(&outcome, "drives")[1], 10.0 / 8.0, 1e-3, "bytes");
}

/// A write of an eighth of a block reads the old block, once; one of whole blocks reads nothing.
#[test]
fn part_of_a_block_reads_the_old_one() {
    let run = format!("{SHORT}\nstart = \"fresh\"");
    // A stripe of 640 KiB more or less at the edges, of four times 400 MB or more.
    let cases = [("4 KiB", 100_000, 8.0, 8.0), ("32 KiB", 20_000, 1.0, 0.0), ("128 KiB", 5_000, 1.0, 0.0)];
    for (size, rate, blocks, reads) in cases {
        let class = format!("load = {{ rate = \"{rate}/s\" }}\nsizes = \"{size}\"\nalign = \"{size}\"");
        let outcome = answer(&written(&run, &format!("{STRIPES}\n{LOG}"), &class));
        assert_near(level(&outcome, "blocks")[1], blocks, 5e-3, size);
        let read = level(&outcome, "drives")[0];
        assert!((read - reads).abs() <= 5e-3 * reads, "{size}: {read} read");
    }
}

const REDUCED: &str = "[design.reduction]\n";

/// Claim:   what is stored is the mean of the law rounded to sectors, less the duplicates.
/// Method:  20,000 blocks a replication, four of them; sizes of 4 to 32 KiB with a deviation of 40 % and a quarter of
///          duplicates: the standard error of the mean is 0.25 %, 1.5 % is six of them. Alarm: 2e-9.
/// Catches: a spread that shifts the mean, duplicates that are stored, rounding down.
#[test]
fn blocks_are_stored_as_their_law_says() {
    let class = "load = { rate = \"20000/s\" }\nsizes = \"32 KiB\"\nalign = \"32 KiB\"\n\
                 compress = 2\ncompress_spread = 1\nduplicate = 0.25";
    let fresh = format!("{SHORT}\nstart = \"fresh\"");
    let outcome = answer(&written(&fresh, &format!("{STRIPES}\n{LOG}\n{REDUCED}"), class));
    // Uniform on 0 to 8 sectors, rounded up: 4.5 of 8.
    let known = 4.5 / 8.0 * 0.75;
    assert_near(level(&outcome, "reduction")[1], known, 0.015, "stored");
    assert_near(level(&outcome, "drives")[1], known * 1.2, 0.015, "at the drives");
    let off = answer(&written(
        &fresh,
        &format!("{STRIPES}\n{LOG}\n{REDUCED}compress = false\ndeduplicate = false"),
        class,
    ));
    assert_near(level(&off, "reduction")[1], 1.0, 2e-3, "nothing reduced");
    // A later pass writes plain stripes, reads them again, and writes what they become.
    let after = answer(&written(&fresh, &format!("{STRIPES}\n{LOG}\n{REDUCED}when = \"after\""), class));
    let [read, bytes] = level(&after, "drives");
    assert_near(read, 1.0, 0.01, "read again");
    assert_near(bytes, (1.0 + known) * 1.2, 0.01, "plain and reduced");
}

/// The processor's time for the bytes is size ÷ rate: 20,000 blocks/s of 32 KiB at 780 MB/s and 6.1 GB/s, a
/// quarter of them only fingerprinted, on 32 cores.
#[test]
fn reducing_costs_the_processor_what_the_rates_say() {
    let class = "load = { rate = \"20000/s\" }\nsizes = \"32 KiB\"\nalign = \"32 KiB\"\nduplicate = 0.25";
    let design =
        format!("[design.cpu]\ncores = 32\nread = \"1 ns\"\nwrite = \"1 ns\"\n{STRIPES}\n{LOG}\n{REDUCED}");
    let outcome = answer(&written(SHORT, &design, class));
    let block = 32_768.0;
    let known = 20_000.0 * (block / 6.1e9 + 0.75 * block / 780e6) / 32.0;
    // Of 80,000 blocks a quarter are alike: the standard error is 0.6 % of the compressing.
    assert_near(station(&outcome, "cpu").utilisation, known, 0.025, "processor");
}

/// What does not fit is a drive read for each miss: 1 TiB in blocks of 32 KiB wants 0.75 GiB of map at 24 B and
/// 2.5 GiB of index at 80 B.
#[test]
fn an_index_that_overflows_costs_drive_reads() {
    let class = "load = { rate = \"20000/s\" }\nsizes = \"32 KiB\"\nalign = \"32 KiB\"";
    let run = format!("{SHORT}\nstart = \"fresh\"");
    let reads = |size: &str| {
        let memory =
            format!("[design.memory]\nsize = \"{size}\"\n{STRIPES}\n{LOG}\n{REDUCED}compress = false");
        level(&answer(&written(&run, &memory, class)), "drives")[0] * 32_768.0 / 4096.0
    };
    assert_eq!(reads("4 GiB"), 0.0);
    // 1.25 of 2.5 GiB: half of the look-ups miss. 80,000 draws: 0.35 % is one standard error.
    assert_near(reads("2 GiB"), 0.5, 0.02, "reads for each block");
    // No room for the index, and two thirds of the map: all of one and a third of the other.
    assert_near(reads("512 MiB"), 1.0 + 1.0 / 3.0, 0.02, "reads for each block");
}

/// Reads of what is in the log take nothing from the drives.
#[test]
fn reads_of_what_the_log_holds_leave_the_drives_alone() {
    // Everything is soon in the log, for a drive takes a minute.
    let class = "load = { rate = \"20000/s\" }\nsizes = \"4 KiB\"\nworking_set = \"1 MiB\"";
    let text = written("warm_up = \"1 s\"\nlength = \"1 s\"", &format!("{LOG}\ndestage = 1"), class)
        .replace("read = 0", "read = 0.5")
        .replace("service = \"1 us\"", "service = \"60 s\"");
    let outcome = answer(&text);
    let read = row(&outcome, "w", "read");
    assert!(read.requests > 10_000 && read.latency_us["p99"].value.unwrap() < 1.0, "{read:?}");
}

/// Memory is crossed as often as is stated: 2 for what is received and 1 for what is reduced, of 1.31 GB/s.
#[test]
fn memory_bandwidth_is_bytes_times_passes() {
    let memory =
        "[design.memory]\nsize = \"64 GiB\"\nbandwidth = \"20 GB/s\"\npasses = { receive = 2, reduce = 1 }\n";
    let class = "load = { rate = \"20000/s\" }\nsizes = \"64 KiB\"\nalign = \"64 KiB\"";
    let outcome = answer(&written(SHORT, &format!("{memory}{STRIPES}\n{LOG}"), class));
    // Arrivals are Poisson: 80,000 of them, 0.35 % a standard error.
    assert_near(station(&outcome, "memory").utilisation, 20_000.0 * 65_536.0 * 3.0 / 20e9, 0.02, "memory");
}

/// With two active controllers each has its own ports and processor, and half of the machines; where the second
/// stands by the first has all of them.
#[test]
fn controllers_share_machines_or_stand_by() {
    let design = |mode: &str| {
        let class = "load = { rate = \"1000/s\" }\nsizes = \"64 KiB\"\nalign = \"64 KiB\"";
        let text = written(
            SHORT,
            &format!(
                "[design.ports]\ncount = 2\nrate = \"25 Gb/s\"\n[design.cpu]\ncores = 4\nservice = \"20 us\"\n\
                 [design.controllers]\nmode = \"{mode}\"\npartner = {{ link = \"pcie-gen4-x8\" }}\n{LOG}"
            ),
            class,
        );
        answer(&text.replace("machines = 1", "machines = 12"))
    };
    let (both, one) = (design("active-active"), design("active-standby"));
    assert_eq!((station(&both, "ports.rx").members, station(&one, "ports.rx").members), (4, 2));
    assert_eq!((station(&both, "cpu").members, station(&one, "cpu").members), (2, 1));
    // 48,000 requests: a standard error of 0.5 %.
    assert_near(station(&both, "cpu").utilisation, 12_000.0 * 20e-6 / 8.0, 0.03, "each of two");
    assert_near(station(&one, "cpu").utilisation, 12_000.0 * 20e-6 / 4.0, 0.03, "the active one");
}

/// A request at a port of the other controller crosses the partner link, and its answer too: half of those that
/// draw their port.
#[test]
fn requests_that_arrive_at_the_other_controller_cross_the_link() {
    let class = "load = { rate = \"20000/s\" }\nsizes = \"64 KiB\"\nalign = \"64 KiB\"";
    let text = written(
        SHORT,
        "[design.ports]\ncount = 2\nrate = \"100 Gb/s\"\nspread = \"per-request\"\n\
         [design.controllers]\npartner = { link = \"pcie-gen4-x8\" }\n",
        class,
    );
    let outcome = answer(&text);
    let crossings = station(&outcome, "controllers.link").arrivals_per_s;
    assert_near(crossings / outcome.carried.iops.value.unwrap(), 1.0, 0.02, "half of them, twice");
}

/// A stream that is read ahead finds its data: but for two reads of 16, the first and the one that tells that it is a
/// stream, and at the cost of one prefetch that is for nothing at its end.
#[test]
fn a_stream_is_read_ahead() {
    let design = "[design.memory]\nsize = \"1 GiB\"\n[design.cache]\nprefetch = \"256 KiB\"";
    let class = "load = { rate = \"10000/s\" }\nsizes = \"64 KiB\"\nsequential = 1\nrun_length = \"1 MiB\"";
    let text = written(SHORT, design, class).replace("read = 0", "read = 1");
    let outcome = answer(&text);
    let find =
        |name: &str| outcome.ledger.iter().find(|row| row.level == name).expect("a level").read_bytes_per_s;
    let (host, ahead, drives) = (find("host"), find("prefetch"), find("drives"));
    // Of the 15 that continue a stream a quarter is due to prefetch, and one is its first; some are both. Of 40,000
    // reads a tenth is drawn so: a standard error of 0.7 %.
    let each = (15.0 * 0.25 + 0.75) / 16.0;
    assert_near(ahead / host, each * 4.0, 0.03, "read ahead");
    assert_near(drives / host, each * 4.0 + 2.0 / 16.0, 0.03, "read at the drives");
    let (p50, p99) = (latency(&outcome, "p50").value.unwrap(), latency(&outcome, "p99").value.unwrap());
    assert!(p50 < 0.1 && p99 > 1.0, "{p50} {p99}");
}

/// A mirror of two drives with exponential service, by its Markov chain: each request joins the shorter queue (J. Kingman,
/// Annals of Mathematical Statistics 32, 1961, for the queue; the chain is solved here by iteration). Mean number present.
fn shorter_of_two(rho: f64) -> f64 {
    const MOST: usize = 60;
    let (arrive, leave) = (2.0 * rho / (2.0 * rho + 2.0), 1.0 / (2.0 * rho + 2.0));
    let mut now = vec![vec![0.0; MOST + 1]; MOST + 1];
    now[0][0] = 1.0;
    for _ in 0..20_000 {
        let mut next = vec![vec![0.0; MOST + 1]; MOST + 1];
        for a in 0..=MOST {
            for b in 0..=MOST {
                let p = now[a][b];
                let to_a = if a < b {
                    1.0
                } else if a == b {
                    0.5
                } else {
                    0.0
                };
                let (more_a, more_b) = ((a + 1).min(MOST), (b + 1).min(MOST));
                next[more_a][b] += p * arrive * to_a;
                next[a][more_b] += p * arrive * (1.0 - to_a);
                next[a.saturating_sub(1)][b] += p * leave;
                next[a][b.saturating_sub(1)] += p * leave;
            }
        }
        now = next;
    }
    (0..=MOST).flat_map(|a| (0..=MOST).map(move |b| (a, b))).map(|(a, b)| now[a][b] * (a + b) as f64).sum()
}

/// Claim:   reads of a mirror wait as where each joins the shorter of two queues.
/// Method:  load 0.8 on each of two drives, 4 replications of 400,000 reads; t interval at 95 %, within 4 half-widths.
/// Alarm:   below 1e-3 at 3 degrees of freedom. Catches: a copy drawn at random (5.0 services, not 3.0).
#[test]
fn a_mirror_reads_from_the_drive_with_the_fewest_requests() {
    let known = shorter_of_two(0.8) / 1.6 * 100.0;
    let text = "[run]\nseed = 23\nreplications = 4\nwarm_up = \"200 ms\"\nlength = \"25 s\"\n\
        [design.drives]\ncount = 2\nservice = { mean = \"100 us\", shape = \"exponential\" }\nsplit = true\n\
        [design.layout]\nprotection = \"mirror-2\"\n\
        [[class]]\nname = \"r\"\nmachines = 1\nload = { rate = \"16000/s\" }\nread = 1\nsizes = \"4 KiB\"\n";
    let outcome = answer(text);
    let mean = latency(&outcome, "mean");
    let (value, low, high) = (mean.value.unwrap(), mean.low.unwrap(), mean.high.unwrap());
    println!("{low} {value} {high}, {known}");
    // Between two servers with one queue, 2.78 services, and two queues drawn at random, 5.
    assert!((278.0..320.0).contains(&known), "{known}");
    assert!(
        (high - low) / 2.0 / value < 0.03 && (value - known).abs() < 2.0 * (high - low),
        "{value}, {known}"
    );
}

/// A SATA drive takes 32 commands: of 64 in flight the other 32 wait for a place, as long as 32 take (Little).
#[test]
fn commands_beyond_the_depth_of_sata_wait_for_a_place() {
    let text = "[run]\nseed = 24\nreplications = 2\nwarm_up = \"100 ms\"\nlength = \"1 s\"\n\
        [design.drives]\ncount = 1\npart = \"sata-read-centric-1920\"\n\
        [[class]]\nname = \"r\"\nmachines = 1\nload = { in_flight = 64 }\nread = 1\nsizes = \"4 KiB\"\n\
        capacity = \"1 TB\"\n";
    let outcome = answer(text);
    let rate = outcome.carried.iops.value.unwrap();
    let of =
        |b: &&forebay::outcome::BlameRow| b.class == "r" && b.above == "all" && b.station == "drives.queue";
    let wait_us = outcome.blame.iter().find(of).expect("a wait for the queue").wait_us;
    assert_near(wait_us * rate / 1e6, 32.0, 0.005, "commands that wait");
    let within = answer(&text.replace("in_flight = 64", "in_flight = 32"));
    assert_near(within.carried.iops.value.unwrap(), rate, 0.01, "rate at depth 32");
}

/// Threads share a core: 2 of them get 1.25 times as much done, so the cores are as busy as 1.25 times as many of one
/// thread would be; a checksum is paid for each byte written and each byte read.
#[test]
fn threads_and_checksums_cost_what_is_stated() {
    let text = |more: &str| {
        format!(
            "[run]\nseed = 25\nreplications = 4\n{SHORT}\n[design.cpu]\ncores = 4\nservice = \"50 us\"\n{more}\n\
             [design.drives]\ncount = 4\nservice = \"1 us\"\nsplit = true\n\
             [[class]]\nname = \"w\"\nmachines = 1\nload = {{ rate = \"40000/s\" }}\nread = 0.5\nsizes = \"16 KiB\"\n"
        )
    };
    // 160,000 arrivals: a standard error of 0.25 %.
    let threads = answer(&text("threads_per_core = 2\nthread_gain = 1.25"));
    assert_near(station(&threads, "cpu").utilisation, 40_000.0 * 50e-6 / (4.0 * 1.25), 0.012, "two threads");
    assert_eq!(station(&threads, "cpu").servers, 8);
    let checked = answer(&text("checksum = \"1 GB/s\""));
    let each = 50e-6 + 16_384.0 / 1e9;
    assert_near(station(&checked, "cpu").utilisation, 40_000.0 * each / 4.0, 0.012, "checked");
    assert_near(checked.verdict.static_ceiling_iops.unwrap(), 4.0 / each, 1e-6, "on paper");
}

/// A cache of blocks as they are stored holds twice as many at a ratio of two, and decompresses at every hit.
#[test]
fn a_cache_of_stored_blocks_holds_more_and_decompresses() {
    let text = |holds: &str| {
        let design = format!(
            "[design.cpu]\ncores = 8\nread = \"10 us\"\nwrite = \"10 us\"\n{STRIPES}\n{LOG}\n{REDUCED}deduplicate = false\n\
             [design.memory]\nsize = \"2 GiB\"\n[design.cache]\nshare = 1\nholds = \"{holds}\""
        );
        let class = "load = { rate = \"20000/s\" }\nsizes = \"32 KiB\"\nalign = \"32 KiB\"\nworking_set = \"8 GiB\"\n\
                     compress = 2\ncompress_spread = 0";
        written(SHORT, &design, class)
            .replace("\nread = 0\n", "\nread = 1\n")
            .replace("\"1 TiB\"", "\"8 GiB\"")
    };
    let misses = |outcome: &RunOutcome| {
        let find = |name: &str| outcome.ledger.iter().find(|row| row.level == name).expect("a level");
        find("drives").read_bytes_per_s / find("host").read_bytes_per_s * 2.0
    };
    let (plain, stored) = (answer(&text("plain")), answer(&text("stored")));
    // Uniform reads of 8 GiB: what is cached of it is the share that hits. The map takes 6 MiB of the memory.
    let room = 2.0 - 6.0 / 1024.0;
    assert_near(1.0 - misses(&plain), room / 8.0, 0.03, "hits of plain blocks");
    assert_near(1.0 - misses(&stored), 2.0 * room / 8.0, 0.03, "hits of stored blocks");
    // 32 KiB at 4,970 MB/s: for every read, or for those that miss.
    let decompress = 32_768.0 / 4970e6;
    let known = |share: f64| 20_000.0 * (10e-6 + share * decompress) / 8.0;
    assert_near(station(&stored, "cpu").utilisation, known(1.0), 0.015, "cores, stored");
    assert_near(station(&plain, "cpu").utilisation, known(1.0 - room / 8.0), 0.015, "cores, plain");
}
