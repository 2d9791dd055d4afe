//! What an answer assumes, in words: priors that no datasheet tells, and simplifications of the model.

use crate::scenario::{Arrivals, Auto, CpuQueue, DriveKind, FaultKind, Load, Part};
use crate::system::{Cache, DriveModel};

use super::setting::Setting;

/// The assumptions of a setting.
pub(super) fn of(setting: &Setting) -> Vec<String> {
    let design = &setting.scenario.design;
    let mut said = Vec::new();
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
        said.push(match design.layout.protection {
            Some(_) => "drives: no reduction or log yet".into(),
            None => "drives: no protection, reduction or log yet; every byte written is moved once".into(),
        });
    }
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
                let once = if *repeat { "" } else { "; played once, the intervals hold for this trace only" };
                said.push(format!(
                    "{}: requests come at their recorded times, whatever this design answers, and no host adapter \
                     spreads what was issued at once{once}",
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
    format!(
        "cache: {:.1} GiB; {stays}; random reads that hit, by the characteristic-time approximation: {}; streams and \
         recorded loads bypass it, and it is warm from the start{emptied}",
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

fn drive(part: &Part, model: &DriveModel) -> String {
    format!(
        "drives: {} as {} flash units of {:.1} us a sense behind a command server of {:.2} us, programs of \
         {:.1} KiB and a write amplification of {:.2} when full ({:.2} at this fill), solved from its ratings; \
         priors that no rating tells: {:.0} us a program, {:.0} us of which a read waits for at most, {:.1} ms an \
         erase, {:.0} us of fixed latency, page {} KiB, buffer {} MiB",
        part.name,
        model.units,
        model.sense.us(),
        model.command.us(),
        f64::from(model.program_bytes) / 1024.0,
        model.rated_amplification,
        model.random_amplification,
        part.program.us(),
        part.suspend.us(),
        part.erase.us() / 1e3,
        part.fixed_latency.us(),
        part.page >> 10,
        part.buffer >> 20,
    )
}
