//! `[design.controllers]`, `[design.memory]`, `[design.cache]`, `[design.log]` and `[design.reduction]`:
//! what stands between the processor and the drives.

use super::{Reader, Section, values};
use crate::scenario::diagnostics::Diagnostic;
use crate::scenario::model::{CacheKeys, Controllers, Design, LogKeys, Memory, Reduction};
use crate::scenario::tree::Table;

/// What these tables hold; each may be left out.
pub struct Writeback {
    pub controllers: Option<Controllers>,
    pub memory: Option<Memory>,
    pub cache: Option<CacheKeys>,
    pub log: Option<LogKeys>,
    pub reduction: Option<Reduction>,
}

/// Reads them all.
pub fn read(reader: &mut Reader, design: &Section) -> Option<Writeback> {
    let controllers = controllers(reader, design);
    let memory = memory(reader, design);
    let cache = cache(reader, design);
    let log = log(reader, design);
    let reduction = reduction(reader, design);
    Some(Writeback {
        controllers: controllers?,
        memory: memory?,
        cache: cache?,
        log: log?,
        reduction: reduction?,
    })
}

fn controllers(reader: &mut Reader, design: &Section) -> Option<Option<Controllers>> {
    let Some(section) = reader.table(design, "controllers", "design.controllers")? else { return Some(None) };
    let count = reader.count(&section, "count");
    let both_active = reader.choice(&section, "mode", &[true, false]);
    let failover = reader.value(&section, "failover", values::time);
    let partner = match reader.table(&section, "partner", "design.controllers.partner")? {
        Some(inner) => {
            let link = reader.value(&inner, "link", values::link);
            let latency = reader.value(&inner, "latency", values::time);
            Some((link?, latency?))
        }
        None => None,
    };
    let count = count?;
    if count == 1 {
        for key in ["mode", "partner", "failover"] {
            reader.stray(&section, key, "one controller has no partner");
        }
    } else if partner.is_none() {
        return reader.missing(&section, "partner");
    }
    Some(Some(Controllers { count, both_active: both_active?, partner, failover: failover? }))
}

fn memory(reader: &mut Reader, design: &Section) -> Option<Option<Memory>> {
    let Some(section) = reader.table(design, "memory", "design.memory")? else { return Some(None) };
    let size = reader.value(&section, "size", values::bytes);
    let bandwidth = reader.optional(&section, "bandwidth", values::rate);
    let empty = Table::default();
    let path = section.path_of("passes");
    let without = Section { path, pattern: "design.memory.passes", table: &empty, at: None };
    let passes = reader.table(&section, "passes", "design.memory.passes")?;
    if !section.has("bandwidth") {
        reader.stray(&section, "passes", "it goes with `bandwidth`");
    }
    let passes = passes.unwrap_or(without);
    let [receive, reduce, send] =
        ["receive", "reduce", "send"].map(|key| reader.value(&passes, key, values::number));
    Some(Some(Memory { size: size?, bandwidth: bandwidth?, passes: [receive?, reduce?, send?] }))
}

fn cache(reader: &mut Reader, design: &Section) -> Option<Option<CacheKeys>> {
    let Some(section) = reader.table(design, "cache", "design.cache")? else { return Some(None) };
    if !design.has("memory") {
        let help = Some("add [design.memory] with `size = \"256 GiB\"`, say".to_owned());
        let label = "expected [design.memory]".to_owned();
        return reader.lacks(&section, "a cache needs memory".into(), label, help);
    }
    let share = reader.value(&section, "share", values::number);
    let holds_stored = reader.choice(&section, "holds", &[false, true]);
    let prefetch = reader.value(&section, "prefetch", values::bytes);
    Some(Some(CacheKeys { share: share?, holds_stored: holds_stored?, prefetch: prefetch? }))
}

fn log(reader: &mut Reader, design: &Section) -> Option<Option<LogKeys>> {
    let Some(section) = reader.table(design, "log", "design.log")? else { return Some(None) };
    let size = reader.value(&section, "size", values::bytes);
    let rate = reader.value(&section, "rate", values::rate);
    let latency = reader.value(&section, "latency", values::time);
    let high_water = reader.value(&section, "high_water", values::number);
    let is_in_memory = reader.choice(&section, "held", &[true, false]);
    let destage = reader.count(&section, "destage");
    Some(Some(LogKeys {
        size: size?,
        rate: rate?,
        latency: latency?,
        high_water: high_water?,
        is_in_memory: is_in_memory?,
        destage: destage?,
    }))
}

fn reduction(reader: &mut Reader, design: &Section) -> Option<Option<Reduction>> {
    let Some(section) = reader.table(design, "reduction", "design.reduction")? else { return Some(None) };
    let block = reader.value(&section, "block", values::bytes);
    let compress = reader.value(&section, "compress", values::flag);
    let deduplicate = reader.value(&section, "deduplicate", values::flag);
    let after = reader.choice(&section, "when", &[false, true]);
    let index_entry = reader.value(&section, "index_entry", values::bytes);
    let map_entry = reader.value(&section, "map_entry", values::bytes);
    let sector = reader.value(&section, "sector", values::bytes);
    let (block, sector) = (block?, sector?);
    if sector > block {
        let at = reader.place(&section, "sector");
        let title = format!("`{}` is larger than a block", section.path_of("sector"));
        return reader.report(Diagnostic::at(&at, title, "expected at most `block`"));
    }
    Some(Some(Reduction {
        block,
        compress: compress?,
        deduplicate: deduplicate?,
        after: after?,
        index_entry: index_entry?,
        map_entry: map_entry?,
        sector,
    }))
}

/// What these components need of each other and of the drives.
pub fn check(reader: &mut Reader, section: &Section, design: &Design) {
    let mut refuse = |key: &str, title: &str, expected: &str, help: &str| {
        if let Some(entry) = section.entry(key) {
            reader.out.push(Diagnostic::at(&entry.key_at, title, expected).help(Some(help.to_owned())));
        }
    };
    let cuts = design.drives.as_ref().is_some_and(super::layout::cuts);
    if design.log.is_some() && !cuts {
        let title = "`design.log` has no drives to destage to";
        refuse("log", title, "expected [design.drives]", "drives with a `part`, or `split = true`");
    }
    if design.reduction.is_some() && design.layout.append.is_none() {
        refuse(
            "reduction",
            "`design.reduction` needs a log-structured layout",
            "a block that changes size has to move",
            "add `writes = \"log-structured\"` to [design.layout], or leave out [design.reduction]",
        );
    }
    if design.reduction.as_ref().is_some_and(|reduction| reduction.block > design.layout.chunk) {
        let title = "`design.reduction.block` is larger than `design.layout.chunk`";
        refuse(
            "reduction",
            title,
            "a stored block lies in one chunk",
            "a larger `chunk`, or a smaller `block`",
        );
    }
    let after = design.reduction.as_ref().filter(|reduction| reduction.after);
    if after.is_some_and(|reduction| !reduction.compress && !reduction.deduplicate) {
        let title = "`design.reduction.when` is \"after\", and nothing is reduced";
        refuse("reduction", title, "expected `compress` or `deduplicate`", "or leave out `when`");
    }
    if after.is_some() && design.log.is_none() {
        let title = "`design.reduction.when` is \"after\" in a design without a log";
        refuse("reduction", title, "expected [design.log]", "the pass follows the stripes of the log");
    }
    let in_memory = design.log.as_ref().filter(|log| log.is_in_memory).map_or(0, |log| log.size);
    match &design.memory {
        None if in_memory > 0 => {
            let title = "`design.log` is held in memory that the design lacks";
            refuse("log", title, "expected [design.memory]", "or `held = \"device\"`");
        }
        Some(memory) if in_memory > memory.size => {
            let title = "`design.log` does not fit the memory of its controller";
            refuse("log", title, "expected less than `design.memory.size`", "or `held = \"device\"`");
        }
        _ => {}
    }
}
