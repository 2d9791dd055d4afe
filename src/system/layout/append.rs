//! The log-structured layout: writes go to the next full stripe, and a cleaner makes room for stripes.
//!
//! A stripe that has been written holds blocks which die as they are written anew. The cleaner reads what
//! still lives in old stripes and writes it to new ones: for each byte of new data A − 1 bytes more, where A is
//! the write amplification of first-in first-out cleaning at the space that is left over (P. Desnoyers, SYSTOR 2012;
//! for skewed writes ACM TOS 10(2), 2014: one stream for all is worse than uniform writes, a stream for each
//! degree of popularity better; M. Rosenblum & J. Ousterhout, ACM TOCS 10(1), 1992 for the layout). That work is
//! real: its reads and writes pass the links and the drives.
//!
//! Where a block lies is drawn once for each chunk of a machine's volume, as if what is adjoining within a chunk had
//! been written together and nothing else had. Left out: the order in which stripes fill and empty, metadata.

use crate::engine::{Key, Purpose};
use crate::scenario::{Append, Class, Skew};
use crate::theory::cleaning::{Heat, fifo_amplification, mixed_amplification, separated_amplification};
use crate::theory::popularity::{weighted_bands, zipf_bands};

const PLACE: Purpose = Purpose::named("place");
/// Stripes among which places are drawn: so many that two blocks hardly ever share one.
const STRIPES: u64 = 1 << 32;

/// How full stripes are made room for.
#[derive(Clone, Debug)]
pub(in crate::system) struct Stripes {
    /// Bytes of data in a full stripe.
    pub data_bytes: u64,
    /// Chunks of data in a stripe.
    pub data: u32,
    /// Bytes written to stripes for each byte of new data, at least 1.
    pub amplification: f64,
    /// Live data as a share of the usable space.
    pub live: f64,
    /// Whether what is freed together is whole erase stripes of the drives, so that they move nothing.
    pub suits_drives: bool,
}

impl Stripes {
    /// Where a chunk's worth of a volume lies: stripe and chunk of data.
    pub fn place(&self, volume: Key, chunk: u64) -> (u64, u32) {
        let mut draws = volume.numbered(chunk).draws(PLACE);
        (draws.below(STRIPES), draws.below(u64::from(self.data)) as u32)
    }
}

/// Write amplification of the layout with live data of `live` of its usable space, by how often the classes write which
/// part of it; `writes_per_s` is each class's rate of written bytes, `stored` the share of its space that lives.
pub(in crate::system) fn amplification(
    append: &Append,
    live: f64,
    classes: &[Class],
    writes_per_s: &[f64],
    stored: &[f64],
) -> f64 {
    let spare = 1.0 / live - 1.0;
    if live <= 0.0 || spare.is_infinite() {
        return 1.0;
    }
    let heats = heats(classes, writes_per_s, stored);
    if heats.iter().all(|heat| heat.writes == 0.0) {
        return 1.0;
    }
    let found = match append.separate {
        true => separated_amplification(spare, &heats).map_or(f64::NAN, |(amplification, _)| amplification),
        false => mixed_amplification(spare, &heats),
    };
    if found.is_finite() { found.max(1.0) } else { fifo_amplification(spare).max(1.0) }
}

/// The parts of all classes' space by how often they are written; `stored` is the share of each class's space that lives.
pub(in crate::system) fn heats(classes: &[Class], writes_per_s: &[f64], stored: &[f64]) -> Vec<Heat> {
    let all = classes.iter().zip(writes_per_s).zip(stored);
    all.flat_map(|((class, rate), stored)| heats_of(class, *rate, *stored)).collect()
}

/// The parts of a class's space by how often they are written.
fn heats_of(class: &Class, rate: f64, stored: f64) -> Vec<Heat> {
    let space = f64::from(class.machines) * class.capacity as f64 * stored;
    let touched = class.working_set as f64 / class.capacity as f64;
    let blocks = (class.working_set as f64 / 4096.0).max(1.0);
    let random = 1.0 - class.sequential.share;
    // Streams go over the whole working set alike.
    let even = Heat { space: space * touched, writes: rate * (1.0 - random) };
    let bands = match &class.skew {
        Skew::Uniform => None,
        Skew::Zipf(exponent) => zipf_bands(*exponent, blocks as u64, 1.0),
        Skew::Bands(parts) => {
            let parts: Vec<(f64, f64)> = parts.iter().map(|(s, accesses)| (*accesses, s * blocks)).collect();
            weighted_bands(&parts, 1.0)
        }
    };
    let mut heats = match bands {
        Some(bands) => bands
            .iter()
            .map(|band| Heat {
                space: space * touched * band.items / blocks,
                writes: rate * random * band.items * band.rate + even.writes * band.items / blocks,
            })
            .collect(),
        None => vec![Heat { space: space * touched, writes: rate }],
    };
    heats.push(Heat { space: space * (1.0 - touched), writes: 0.0 });
    heats.retain(|heat| heat.space > 0.0);
    heats
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::scenario::parse;

    fn found(skew: &str, separate: bool, live: f64) -> f64 {
        let text = format!(
            "[design.cpu]\ncores = 1\nservice = \"1 us\"\n[[class]]\nname = \"a\"\nmachines = 3\nread = 0\n\
             load = {{ rate = \"1/s\" }}\nsizes = \"4 KiB\"\ncapacity = \"8 GiB\"\n{skew}\n"
        );
        let scenario = parse(&text, "t.toml", std::path::Path::new(""), &[]).expect("a scenario");
        let append = Append { reserve: 0.0, segment: None, separate };
        amplification(&append, live, &scenario.classes, &[1.0], &[1.0])
    }

    /// D-WA-FIFO and D-WA-HOTCOLD (reference rows): spare of 0.28 over the live data.
    #[test]
    fn cleaning_costs_what_the_published_forms_say() {
        let live = 1.0 / 1.28;
        for (skew, separate, expected) in [
            ("", false, 2.481361),
            ("skew = { bands = [[0.2, 0.8], [0.8, 0.2]] }", false, 2.819564),
            ("skew = { bands = [[0.2, 0.8], [0.8, 0.2]] }", true, 1.865537),
        ] {
            let found = found(skew, separate, live);
            assert!((found / expected - 1.0).abs() < 1e-5, "{skew}: {found} for {expected}");
        }
    }

    #[test]
    fn space_that_is_never_written_is_moved_all_the_same() {
        let half = found("working_set = \"4 GiB\"", false, 0.8);
        let whole = found("", false, 0.8);
        assert!(half > whole, "{half} {whole}");
    }
}
