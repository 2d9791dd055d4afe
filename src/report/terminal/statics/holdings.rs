//! Lanes, capacity and memory.

use crate::outcome::{CapacityPage, CheckOutcome, MemoryPage};
use crate::report::grid::{Column, Grid};
use crate::report::numbers::{
    format_binary_bytes, format_bytes, format_count, format_percent, format_significant,
};
use crate::report::sheet::{Sheet, Tone};
use crate::report::terminal::footnotes::{Footnotes, finish_table};
use crate::report::text::clean;

/// Whether data and tables fit, in one line, longest spelling first.
pub(super) fn room(outcome: &CheckOutcome) -> Option<(Tone, Vec<String>)> {
    let mut tone = Tone::Plain;
    let mut words = Vec::new();
    if let Some(capacity) = &outcome.capacity {
        let full = format_percent(capacity.fill);
        words.push(if capacity.fill > 1.0 {
            tone = Tone::Bad;
            format!("data DOES NOT FIT, {full} of its room")
        } else {
            format!("data takes {full} of its room")
        });
    }
    if let Some(memory) = &outcome.memory {
        words.push(if memory.overflow.all_bytes > 0 {
            tone = if tone == Tone::Bad { tone } else { Tone::Caution };
            format!("memory lacks {}", format_binary_bytes(memory.overflow.all_bytes as f64))
        } else {
            "memory holds what it must".into()
        });
    }
    let short = words.first().map(|first| format!("Room: {first}"));
    short.map(|short| (tone, vec![format!("Room: {}", words.join("; ")), short]))
}

/// Adds what takes lanes, against the budget.
pub(in crate::report::terminal) fn lanes(sheet: &mut Sheet, outcome: &CheckOutcome) {
    let Some(lanes) = &outcome.lanes else { return };
    sheet.heading("PCIe lanes");
    let takers: Vec<String> = lanes
        .takers
        .iter()
        .map(|t| format!("{} {} of {}", format_count(t.count.into()), clean(&t.what), t.lanes_each))
        .collect();
    let budget = match (lanes.budget, &lanes.reason) {
        (Some(budget), _) => format!("of the processor's {budget}"),
        (None, reason) => format!("({})", clean(reason.as_deref().unwrap_or("no budget is stated"))),
    };
    let what = if takers.is_empty() { "nothing that is stated".into() } else { takers.join(", ") };
    sheet.paragraph(Tone::Plain, " ", &format!("{} taken {budget}: {what}", format_count(lanes.taken)));
}

/// Adds the way from the drives as they are sold to the room for data, and what takes it.
pub(in crate::report::terminal) fn capacity(sheet: &mut Sheet, capacity: Option<&CapacityPage>) {
    let Some(capacity) = capacity else { return };
    sheet.heading("Capacity");
    let grid = room_grid(capacity);
    let fitted = grid.fit(sheet.width());
    finish_table(sheet, fitted, Footnotes::default());
    sheet.gap();
    let grid = class_grid(capacity);
    let fitted = grid.fit(sheet.width());
    finish_table(sheet, fitted, Footnotes::default());
    let (tone, words) = match (capacity.machines_that_fit, &capacity.reason) {
        (Some(fit), _) if capacity.fill > 1.0 => (
            Tone::Bad,
            format!(
                "does not fit: {} machines of this mix would, {} are stated",
                format_count(fit),
                format_count(capacity.machines)
            ),
        ),
        (Some(fit), _) => (
            Tone::Plain,
            format!(
                "{} machines of this mix fit, {} are stated",
                format_count(fit),
                format_count(capacity.machines)
            ),
        ),
        (None, reason) => (Tone::Quiet, clean(reason.as_deref().unwrap_or("nothing takes room"))),
    };
    sheet.paragraph(tone, " ", &words);
}

/// Raw, less what is not for data; steps that take nothing are left out.
fn room_grid(capacity: &CapacityPage) -> Grid {
    let mut grid = Grid::new(vec![
        Column::name("room for data", 0),
        Column::figure("bytes", 0),
        Column::figure("of raw", 1),
    ]);
    let mut row = |tone: Tone, what: String, bytes: f64| {
        let share = format_percent(bytes / capacity.raw_bytes);
        grid.row(tone, vec![what, format_bytes(bytes), share]);
    };
    row(Tone::Plain, format!("raw: {} drives", format_count(capacity.drives.into())), capacity.raw_bytes);
    let less = [
        ("less spares", capacity.spares_bytes),
        ("less copies and parity", capacity.redundancy_bytes),
        ("less the cleaner's reserve", capacity.reserve_bytes),
    ];
    for (what, bytes) in less.into_iter().filter(|(_, bytes)| *bytes > 0.0) {
        row(Tone::Plain, what.into(), bytes);
    }
    row(Tone::Strong, "room for data as stored".into(), capacity.room_bytes);
    let reduction = capacity.given_bytes / capacity.stored_bytes;
    if let Some(effective) =
        capacity.effective_bytes.filter(|_| capacity.stored_bytes != capacity.given_bytes)
    {
        let what = format!("effective, reduced {} to 1", format_significant(reduction));
        row(Tone::Strong, what, effective);
    }
    grid
}

/// What machines have been given, class by class.
fn class_grid(capacity: &CapacityPage) -> Grid {
    let is_reduced = capacity.stored_bytes != capacity.given_bytes;
    let mut columns =
        vec![Column::name("class", 0), Column::figure("machines", 1), Column::figure("given", 0)];
    columns.extend(is_reduced.then(|| Column::figure("as stored", 0)));
    columns.push(Column::figure("of the room", 0));
    let mut grid = Grid::new(columns);
    let mut row = |name: String, machines: u64, given: f64, stored: f64, fill: f64| {
        let mut cells = vec![name, format_count(machines), format_bytes(given)];
        cells.extend(is_reduced.then(|| format_bytes(stored)));
        cells.push(format_percent(fill));
        grid.row(if fill > 1.0 { Tone::Bad } else { Tone::Plain }, cells);
    };
    for class in &capacity.classes {
        row(clean(&class.class), class.machines.into(), class.given_bytes, class.stored_bytes, class.fill);
    }
    if capacity.classes.len() > 1 {
        row("all".into(), capacity.machines, capacity.given_bytes, capacity.stored_bytes, capacity.fill);
    }
    grid
}

/// Adds what the memory is wanted for, and what misses.
pub(in crate::report::terminal) fn memory(sheet: &mut Sheet, outcome: &CheckOutcome) {
    let Some(memory) = &outcome.memory else { return };
    let has_two = memory.controllers > 1;
    let mut columns = vec![Column::name("memory", 0)];
    columns.extend(has_two.then(|| Column::figure("a controller", 0)));
    columns.extend([Column::figure("in all", 0), Column::figure("of it", 1)]);
    let mut grid = Grid::new(columns);
    let rows = [
        ("size", &memory.size, Tone::Plain, true),
        ("write log", &memory.log, Tone::Plain, false),
        ("block map", &memory.map, Tone::Plain, false),
        ("fingerprint index", &memory.index, Tone::Plain, false),
        ("read cache", &memory.cache, Tone::Plain, false),
        ("left", &memory.left, Tone::Plain, memory.overflow.all_bytes == 0),
        ("DOES NOT FIT", &memory.overflow, Tone::Caution, false),
    ];
    for (what, row, tone, always) in rows {
        if row.all_bytes == 0 && !always {
            continue;
        }
        let mut cells = vec![what.to_owned()];
        cells.extend(has_two.then(|| format_binary_bytes(row.each_bytes)));
        let all = row.all_bytes as f64;
        cells.extend([format_binary_bytes(all), format_percent(all / memory.size.all_bytes as f64)]);
        grid.row(tone, cells);
    }
    sheet.heading("Memory");
    let fitted = grid.fit(sheet.width());
    finish_table(sheet, fitted, Footnotes::default());
    if let Some(words) = misses(memory) {
        let counted = if outcome.ceilings.is_empty() { "" } else { ". The ceilings count them." };
        sheet.paragraph(Tone::Caution, " ", &format!("{words}{counted}"));
    }
}

/// Look-ups that go to the drives, if any do.
fn misses(memory: &MemoryPage) -> Option<String> {
    let mut words = Vec::new();
    if memory.index_misses > 0.0 {
        words.push(format!("fingerprints {}", format_percent(memory.index_misses)));
    }
    let missing = memory.map_misses.iter().filter(|class| class.share > 0.0);
    let classes: Vec<String> =
        missing.map(|class| format!("{} {}", clean(&class.class), format_percent(class.share))).collect();
    if !classes.is_empty() {
        words.push(format!("block map: {}", classes.join(", ")));
    }
    (!words.is_empty()).then(|| format!("look-ups that miss, a drive read each: {}", words.join("; ")))
}
