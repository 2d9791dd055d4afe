//! What an answer assumes, in words: priors that no datasheet tells, and simplifications of the model.

use crate::outcome::DefaultRow;
use crate::scenario::{
    ArmQueue, Arrivals, Auto, Class, CpuQueue, DriveKind, Fault, FaultKind, KeyAtDefault, Load, Part,
    Rotating, Scenario, Start,
};
use crate::system::{Cache, DriveModel};

use super::calibrate::{self, Tail};
use super::setting::Setting;

/// Keys that the scenario leaves out, and what holds for each.
pub(super) fn defaults(scenario: &Scenario) -> Vec<DefaultRow> {
    let row = |key: &KeyAtDefault| DefaultRow {
        key: key.key.clone(),
        value: key.value.clone(),
        source: key.source.to_owned(),
    };
    scenario.defaults.0.iter().map(row).collect()
}

/// The assumptions of a setting.
pub(super) fn of(setting: &Setting) -> Vec<String> {
    let design = &setting.scenario.design;
    let mut said = Vec::new();
    if design.hosts.is_some() {
        said.push(
            "hosts: a message is sent on whole, so its times on the host's link and on the port add up; what lies \
             between the two is in `design.ports.latency`"
                .into(),
        );
    }
    if let Some(cpu) = &design.cpu
        && cpu.queue == CpuQueue::Shared
        && cpu.cores > 1
    {
        said.push(
            "processor: any core takes the next request, the optimistic bound (`design.cpu.queue`)".into(),
        );
    }
    if let Some(drives) = &design.drives
        && let DriveKind::Part(part) = &drives.kind
        && let Some(model) = setting.plan.drive()
    {
        said.push(drive(part, model, setting.plan.suits_drives()));
        said.extend(calibrate::tail(design).map(|tail| read_tail(&tail)));
    }
    if let Some(drives) = &design.drives
        && let DriveKind::Rotating(part) = &drives.kind
    {
        said.push(rotating(part));
    }
    said.extend(behind(setting));
    if let Some(cache) = setting.plan.cache() {
        said.push(cache_words(setting, cache));
    }
    said.extend(protection(setting));
    said.extend(faults(setting));
    said.extend(dates(setting));
    for class in &setting.scenario.classes {
        match &class.load {
            Load::Open { arrivals: Arrivals::Bursty { together, .. }, .. } => said.push(format!(
                "{}: {:.0} % of machines burst together (`together`); real ones tend to, and independent \
                 bursts smooth out",
                class.name,
                together * 100.0
            )),
            Load::Trace { repeat, .. } => {
                let hosts = match &design.hosts {
                    Some(_) => "",
                    None => ", and no host adapter spreads what was issued at once",
                };
                let once = if *repeat { "" } else { "; played once, the intervals hold for this trace only" };
                said.push(format!(
                    "{}: requests come at their recorded times, whatever this design answers{hosts}{once}",
                    class.name
                ));
            }
            _ => {}
        }
    }
    said
}

fn cache_words(setting: &Setting, cache: &Cache) -> String {
    let stays = match cache.time_s.is_finite() {
        true => format!("a block stays {:.3} s after it was last asked for", cache.time_s),
        false => "everything that is asked for fits".to_owned(),
    };
    let is_emptied = setting.scenario.faults.iter().any(|fault| fault.kind == FaultKind::CacheCold);
    let emptied = if is_emptied {
        "; once emptied it warms by the rates as stated, whatever phases make of them"
    } else {
        ""
    };
    let classes = setting.scenario.classes.iter().enumerate();
    let hits = classes.map(|(n, class)| format!("{} {:.1} %", class.name, 100.0 * cache.hit_ratio(n)));
    let ahead = setting.scenario.design.cache.as_ref().map_or(0, |cache| cache.prefetch);
    let streams = match ahead {
        0 => "streams and recorded loads bypass it".to_owned(),
        bytes => format!(
            "streams are read ahead by {} KiB, which is taken to be there in time; recorded loads bypass it",
            bytes >> 10
        ),
    };
    format!(
        "cache: {:.1} GiB; {stays}; random reads that hit, by the characteristic-time approximation: {}; {streams}; it \
         is warm from the start{emptied}",
        cache.bytes as f64 / f64::from(1 << 30),
        hits.collect::<Vec<_>>().join(", ")
    )
}

/// What is simplified of faults other than losses.
fn faults(setting: &Setting) -> Vec<String> {
    let has = |is: fn(&FaultKind) -> bool| setting.scenario.faults.iter().any(|fault| is(&fault.kind));
    let mut said = Vec::new();
    if has(|kind| matches!(kind, FaultKind::PortDown { .. })) {
        said.push(
            "port down: its machines are dealt over the other ports at once; requests that came by it finish by it"
                .into(),
        );
    }
    if has(|kind| matches!(kind, FaultKind::DriveSlow { .. } | FaultKind::DriveLinkNarrowed { .. })) {
        said.push(
            "slow drives and links: nothing is moved away from them, and static arithmetic does not know of them"
                .into(),
        );
    } else if has(|kind| matches!(kind, FaultKind::UplinkNarrowed { .. })) {
        said.push("narrowed uplinks: static arithmetic does not know of them".into());
    }
    said
}

/// What a run with dates is, and is not.
fn dates(setting: &Setting) -> Vec<String> {
    let scenario = setting.scenario;
    if setting.periods.is_none() {
        return Vec::new();
    }
    let length = match scenario.run.length {
        Auto::Given(length) => length.secs(),
        Auto::Auto => 0.0,
    };
    let mut said = vec![
        format!(
            "transient: each replication goes through the same dates in {length} s (unless stated: a quarter more \
             than the last end, or twice the date of a fault without one); figures of the whole mix what came before, \
             during and after"
        ),
        "transient: a fault that begins or ends changes what comes after it; work that a station has accepted keeps \
         the time it was promised"
            .into(),
    ];
    if !scenario.phases.is_empty() {
        said.push(
            "phases: rates alone change, at an instant for each machine; sizes, places and times of bursts stay".into(),
        );
    }
    if scenario.faults.iter().any(|fault| fault.lost_drive().is_some() && fault.lasts.is_some()) {
        said.push(
            "drive lost for a time: when that is over the drive is there with its content, and nothing is copied back"
                .into(),
        );
    }
    said
}

/// What is simplified where data is protected.
fn protection(setting: &Setting) -> Vec<String> {
    let design = &setting.scenario.design;
    let Some(protection) = &design.layout.protection else { return Vec::new() };
    let mut said = Vec::new();
    let has_parity = protection.group.data() > 1;
    let loses = setting.scenario.faults.iter().any(|fault| fault.lost_drive().is_some());
    let rates = design.cpu.as_ref().map(|cpu| (cpu.parity, cpu.reconstruct));
    if let Some((None, _)) = rates.filter(|_| has_parity) {
        said.push("layout: parity takes the processor no time (`design.cpu.parity`)".into());
    }
    if let Some((_, None)) = rates.filter(|_| has_parity && loses) {
        said.push(
            "layout: giving back lost data takes the processor no time (`design.cpu.reconstruct`)".into(),
        );
    }
    if has_parity && design.layout.append.is_none() && design.log.is_none() {
        said.push(
            "layout: with no log each write in place is planned alone and answered when data and parity are \
             written; a loss of power between the two leaves them apart (the write hole)"
                .into(),
        );
    }
    if !has_parity {
        said.push(
            "layout: a read of a mirror goes to the copy whose drive has the fewest requests of this design just then"
                .into(),
        );
    }
    if setting.rebuilding().is_some() {
        said.push(
            "rebuild: its work goes behind hosts' requests at the processor and behind reads at flash units; at command \
             servers and links it takes turns with the hosts' own in order of arrival"
                .into(),
        );
    }
    said
}

fn rotating(part: &Rotating) -> String {
    let queue = match part.queue {
        ArmQueue::Fifo => "requests served in order of arrival".to_owned(),
        ArmQueue::Shortest => format!(
            "the shortest positioning of up to {} requests served first, however long others wait, with perfect \
             foresight (drives keep a margin against a missed turn and gain less)",
            ArmQueue::LOOK
        ),
    };
    format!(
        "drives: {} at {} turns a minute, {queue}; volumes lie one after the other from the rim; no write cache, no \
         read-ahead but what passes under the head, head switches and settling left out",
        part.name, part.turns_per_minute
    )
}

/// What the priors of a drive make of its read tail.
fn read_tail(tail: &Tail) -> String {
    let [low, high] = tail.p99_us;
    let [[suspend_low, program_low], [suspend_high, program_high]] = tail.priors_us;
    format!(
        "drive alone, 70/30, p99 of reads: {low:.0} us at the low priors, {high:.0} us at the high; at {:.0} requests/s \
         of 4 KiB, half of what time-sharing of its two random ratings carries, with reads let in after {suspend_low:.0} \
         and {suspend_high:.0} us and programs of {program_low:.0} and {program_high:.0} us; `mixed` and `read_p99` of \
         the part tell them",
        tail.rate
    )
}

/// What stands between the answer of a write and the drives.
fn behind(setting: &Setting) -> Vec<String> {
    let (design, plan) = (&setting.scenario.design, &setting.plan);
    let gib = |bytes: u64| bytes as f64 / f64::from(1 << 30);
    let mut said = Vec::new();
    if setting.scenario.run.start == Start::Fresh {
        said.push(
            "start: drives and layout are new and clean nothing; it does not stay so (`run.start`)".into(),
        );
    }
    if let Some((amplification, live)) = plan.cleaning() {
        said.push(format!(
            "layout: {:.0} % of the usable space is live data; the cleaner writes {:.2} bytes for each byte stored, by the \
             published form of first-in first-out cleaning; an old stripe is read as if it were whole",
            live * 100.0,
            amplification - 1.0
        ));
    }
    if let Some(blocks) = plan.blocks().filter(|blocks| blocks.compress || blocks.deduplicate) {
        let class = |(n, class): (usize, &Class)| {
            let stored = blocks.mean_written(n) / blocks.bytes as f64;
            format!("{} {:.0} % of its blocks' bytes", class.name, stored * 100.0)
        };
        let classes: Vec<String> = setting.scenario.classes.iter().enumerate().map(class).collect();
        said.push(format!("reduction: written to stripes: {}", classes.join(", ")));
        if let Some(cpu) = &design.cpu {
            said.push(format!(
                "reduction: a core compresses {:.0} MB/s, decompresses {:.0} MB/s and fingerprints {:.1} GB/s (published \
                 library figures unless stated: `design.cpu`)",
                cpu.compress / 1e6,
                cpu.decompress / 1e6,
                cpu.fingerprint / 1e9
            ));
        }
    }
    let shares = plan.shares();
    if shares.map + shares.index + shares.log > 0 {
        let worst = shares.map_misses.iter().copied().fold(0.0, f64::max);
        said.push(format!(
            "memory: {:.1} GiB of log, {:.1} GiB of block map ({:.1} % of look-ups miss), {:.1} GiB of fingerprint index \
             ({:.1} % miss), {:.1} GiB left",
            gib(shares.log),
            gib(shares.map),
            worst * 100.0,
            gib(shares.index),
            shares.index_misses * 100.0,
            gib(shares.left)
        ));
    }
    if design.log.is_some() {
        said.push(
            "log: destaged as soon as a stripe is there, which leaves overwrites the least to find; empty at the \
             start of the warm-up"
                .into(),
        );
    }
    if let Some(controllers) = design.controllers.as_ref().filter(|controllers| controllers.count > 1) {
        said.push(match controllers.both_active {
            true => {
                "controllers: machines are dealt out to both in turn; background work is done by them in turn"
                    .into()
            }
            false => "controllers: one takes all requests, the other holds copies of the log".into(),
        });
    }
    let is_lost = |fault: &&Fault| matches!(fault.kind, FaultKind::ControllerLost { .. });
    if let Some(fault) = setting.scenario.faults.iter().find(is_lost) {
        said.push(match fault.is_standing() {
            true => "controllers: one is lost all the time: a design of the other alone".into(),
            false => "controllers: what is under way at the one that is lost is finished as if it were there; the other \
                      one's cache is taken to be empty when it takes over"
                .into(),
        });
    }
    said
}

fn drive(part: &Part, model: &DriveModel, suits_drives: bool) -> String {
    let here = if suits_drives { 1.0 } else { model.random_amplification };
    format!(
        "drives: {} as {} flash units of {:.1} us a sense behind a command server of {:.2} us, programs of \
         {:.1} KiB and a write amplification of {:.2} when full ({:.2} in this design), solved from its ratings; \
         {}{:.0} us a program, {:.0} us of which a read waits for at most, {:.1} ms an \
         erase, {:.0} us of fixed latency, page {} KiB, buffer {} MiB",
        part.name,
        model.units,
        model.sense.us(),
        model.command.us(),
        f64::from(model.program_bytes) / 1024.0,
        model.rated_amplification,
        here,
        if part.mixed.is_some() || part.read_p99.is_some() {
            "likewise or as priors: "
        } else {
            "priors that no rating tells: "
        },
        model.program.us(),
        model.suspend.us(),
        part.erase.us() / 1e3,
        part.fixed_latency.us(),
        part.page >> 10,
        part.buffer >> 20,
    )
}
