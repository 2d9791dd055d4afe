//! A rotating drive's keys in `[parts.NAME]`.

use super::{Reader, Section, values};
use crate::engine::SimDuration;
use crate::scenario::diagnostics::Diagnostic;
use crate::scenario::model::{ArmQueue, Rotating};
use crate::theory::rotating::SeekCurve;

/// What was written; `None` of a part where it is missing or wrong, which was reported.
pub struct Keys {
    /// Next track, average, full stroke.
    pub seek: Option<[SimDuration; 3]>,
    /// At the rim and at the innermost track, bytes per second.
    pub rates: Option<[f64; 2]>,
    pub queue: ArmQueue,
}

/// Reads the keys, whether or not the part is a rotating one; they must be there if it is.
pub fn read(reader: &mut Reader, section: &Section) -> Option<Keys> {
    let is_due = section.has("rotation");
    let seek = match reader.table(section, "seek", "parts.NAME.seek") {
        Some(Some(seek)) => {
            let times = ["next_track", "average", "full_stroke"];
            let [next, mean, full] = times.map(|key| reader.value(&seek, key, values::time));
            next.zip(mean).zip(full).map(|((next, mean), full)| [next, mean, full])
        }
        Some(None) if is_due => reader.missing(section, "seek"),
        _ => None,
    };
    let rates = match reader.table(section, "transfer", "parts.NAME.transfer") {
        Some(Some(rates)) => {
            let [outer, inner] = ["outer", "inner"].map(|key| reader.value(&rates, key, values::rate));
            outer.zip(inner).map(|(outer, inner)| [outer, inner])
        }
        Some(None) if is_due => reader.missing(section, "transfer"),
        _ => None,
    };
    let queue = reader.choice(section, "queue", &[ArmQueue::Fifo, ArmQueue::Shortest])?;
    Some(Keys { seek, rates, queue })
}

/// The figures belong to one drive: seeks take longer the farther they go, and tracks are shorter inside.
pub fn check(reader: &mut Reader, section: &Section, part: &Rotating) -> bool {
    let before = reader.out.len();
    let [next, mean, full] = part.seek.map(SimDuration::secs);
    if SeekCurve::from_ratings(next, mean, full).is_none() {
        let [next, mean, full] = part.seek.map(|time| time.us() / 1e3);
        let title = format!(
            "`{}` of {next} ms, {mean} ms and {full} ms make no curve that rises all the way",
            section.path_of("seek")
        );
        let at = reader.place(section, "seek");
        let expected = "expected next_track < average < full_stroke, average near the middle of the two";
        let help = "take the three from one datasheet".to_owned();
        reader.out.push(Diagnostic::at(&at, title, expected).help(Some(help)));
    }
    if part.inner > part.outer {
        let title = format!("`{}` is faster inside than outside", section.path_of("transfer"));
        let at = reader.place(section, "transfer");
        reader.out.push(Diagnostic::at(&at, title, "expected `inner` at most `outer`"));
    }
    reader.out.len() == before
}
