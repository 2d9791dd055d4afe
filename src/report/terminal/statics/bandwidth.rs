//! The bandwidth chain, hop by hop.

use crate::outcome::{BandwidthChain, CheckOutcome, Figure, HopRow};
use crate::report::grid::{Column, Grid};
use crate::report::numbers::{MISSING, format_bytes_per_s, format_count, format_percent};
use crate::report::sheet::{Sheet, Tone};
use crate::report::terminal::footnotes::{Footnotes, finish_table};
use crate::report::text::clean;

/// The narrowest hops in one line, longest spelling first.
pub(super) fn narrowest(chain: &BandwidthChain) -> Option<Vec<String>> {
    let of = |name: &Option<String>, carried: fn(&HopRow) -> Option<f64>, what: &str| {
        let hop = chain.hops.iter().find(|hop| Some(&hop.hop) == name.as_ref())?;
        let rate = format_bytes_per_s(carried(hop)?);
        Some([format!("{what} {rate} at {}", clean(&hop.hop)), format!("{what} {rate}")])
    };
    let reads = of(&chain.narrowest_read, |hop| hop.read_bytes_per_s, "reads");
    let writes = of(&chain.narrowest_write, |hop| hop.write_bytes_per_s, "writes");
    let both: Vec<[String; 2]> = reads.into_iter().chain(writes).collect();
    let line = |which: usize| {
        let words: Vec<&str> = both.iter().map(|spellings| spellings[which].as_str()).collect();
        format!("Narrowest hop: {}", words.join(", "))
    };
    (!both.is_empty()).then(|| vec![line(0), line(1)])
}

/// Adds a row a hop.
pub(in crate::report::terminal) fn chain(sheet: &mut Sheet, outcome: &CheckOutcome) {
    let Some(chain) = &outcome.bandwidth else { return };
    let mut grid = Grid::new(vec![
        Column::name("hop", 0),
        Column::figure("members", 3),
        Column::figure("reads up to", 0),
        Column::figure("reads ask", 2),
        Column::figure("writes up to", 0),
        Column::figure("writes ask", 2),
        Column::figure("both", 1),
    ]);
    let mut footnotes = Footnotes::default();
    let rate = |bytes: Option<f64>| bytes.map_or(MISSING.into(), format_bytes_per_s);
    let share = |share: Option<f64>| share.map_or(MISSING.into(), format_percent);
    for hop in &chain.hops {
        let is_over = hop.utilisation.is_some_and(|u| u >= 1.0);
        let is_narrowest = [&chain.narrowest_read, &chain.narrowest_write].contains(&&Some(hop.hop.clone()));
        let tone = match (is_over, is_narrowest) {
            (true, _) => Tone::Bad,
            (false, true) => Tone::Strong,
            _ => Tone::Plain,
        };
        grid.row(
            tone,
            vec![
                clean(&hop.hop),
                format_count(u64::from(hop.members)),
                rate(hop.read_bytes_per_s),
                share(hop.read_share),
                rate(hop.write_bytes_per_s),
                share(hop.write_share),
                share(hop.utilisation),
            ],
        );
        if let Some(reason) = &hop.reason {
            footnotes.note(&Figure::missing(reason.clone()), || clean(&hop.hop));
        }
    }
    if let Some(reason) = &chain.reason {
        footnotes.note(&Figure::missing(reason.clone()), || "shares".into());
    }
    let offered = match (chain.offered_read_bytes_per_s, chain.offered_write_bytes_per_s) {
        (Some(read), Some(written)) => {
            format!("; offered: {} read, {} written", format_bytes_per_s(read), format_bytes_per_s(written))
        }
        _ => String::new(),
    };
    sheet.heading("Bandwidth of each hop, in bytes of the hosts");
    let fitted = grid.fit(sheet.width());
    finish_table(sheet, fitted, footnotes);
    let words = format!("all members, with nothing else to do{offered}");
    sheet.paragraph(Tone::Quiet, " ", &words);
}
