//! What an answer assumes, in words: priors that no datasheet tells, and simplifications of the model.

use crate::scenario::{ArmQueue, Arrivals, CpuQueue, DriveKind, Load, Part, Rotating};
use crate::system::{Cache, DriveModel};

use super::calibrate::{self, Tail};
use super::setting::Setting;

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
        said.push(drive(part, model));
        said.extend(calibrate::tail(design).map(|tail| read_tail(&tail)));
        said.push(match design.layout.protection {
            Some(_) => "drives: no reduction or log yet".into(),
            None => "drives: no protection, reduction or log yet; every byte written is moved once".into(),
        });
    }
    if let Some(drives) = &design.drives
        && let DriveKind::Rotating(part) = &drives.kind
    {
        said.push(rotating(part));
    }
    if let Some(cache) = setting.plan.cache() {
        said.push(cache_words(setting, cache));
    }
    said.extend(protection(setting));
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
    let classes = setting.scenario.classes.iter().enumerate();
    let hits = classes.map(|(n, class)| format!("{} {:.1} %", class.name, 100.0 * cache.hit_ratio(n)));
    format!(
        "cache: {:.1} GiB; {stays}; random reads that hit, by the characteristic-time approximation: {}; streams and \
         recorded loads bypass it, and it is warm from the start",
        cache.bytes as f64 / f64::from(1 << 30),
        hits.collect::<Vec<_>>().join(", ")
    )
}

/// What is simplified where data is protected.
fn protection(setting: &Setting) -> Vec<String> {
    let design = &setting.scenario.design;
    let Some(protection) = &design.layout.protection else { return Vec::new() };
    let mut said = Vec::new();
    let has_parity = protection.group.data() > 1;
    let rates = design.cpu.as_ref().map(|cpu| (cpu.parity, cpu.reconstruct));
    if let Some((None, _)) = rates.filter(|_| has_parity) {
        said.push("layout: parity takes the processor no time (`design.cpu.parity`)".into());
    }
    if let Some((_, None)) = rates.filter(|_| has_parity && !setting.scenario.faults.is_empty()) {
        said.push(
            "layout: giving back lost data takes the processor no time (`design.cpu.reconstruct`)".into(),
        );
    }
    if has_parity {
        said.push(
            "layout: with no log each write in place is planned alone and answered when data and parity are \
             written; a loss of power between the two leaves them apart (the write hole)"
                .into(),
        );
    } else {
        said.push(
            "layout: a read goes to one copy of a mirror, drawn at random, not to the shorter queue".into(),
        );
    }
    if setting.rebuilding().is_some() {
        said.push(
            "rebuild: its drive requests go behind reads at flash units only; at command servers, links and the \
             processor they take turns with the hosts' own in order of arrival"
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

fn drive(part: &Part, model: &DriveModel) -> String {
    format!(
        "drives: {} as {} flash units of {:.1} us a sense behind a command server of {:.2} us, programs of \
         {:.1} KiB and a write amplification of {:.2} when full ({:.2} at this fill), solved from its ratings; \
         {}{:.0} us a program, {:.0} us of which a read waits for at most, {:.1} ms an \
         erase, {:.0} us of fixed latency, page {} KiB, buffer {} MiB",
        part.name,
        model.units,
        model.sense.us(),
        model.command.us(),
        f64::from(model.program_bytes) / 1024.0,
        model.rated_amplification,
        model.random_amplification,
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
