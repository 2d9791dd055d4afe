//! What stands below a table: why figures are missing, and which columns found no room.

use crate::outcome::Figure;
use crate::report::grid::Fitted;
use crate::report::numbers::MISSING;
use crate::report::sheet::{Sheet, Tone};

/// Subjects named in one footnote before the rest is counted.
const SUBJECTS_NAMED: usize = 4;

/// Adds the lines of a table, what it left out, and its footnotes.
pub(super) fn finish_table(sheet: &mut Sheet, fitted: Fitted, footnotes: Footnotes) {
    let left_out: Vec<String> =
        fitted.left_out.iter().map(|title| title.trim_end_matches(" ±").to_owned()).collect();
    sheet.lines(fitted.lines);
    footnotes.write(sheet);
    if !left_out.is_empty() {
        let words = format!("for want of width without: {}", left_out.join(", "));
        sheet.paragraph(Tone::Quiet, " ", &words);
    }
}

/// Why figures are missing: each reason once, with the figures that it explains.
#[derive(Default)]
pub(super) struct Footnotes {
    /// Reason and subjects, in order of appearance.
    reasons: Vec<(String, Vec<String>)>,
}

impl Footnotes {
    /// Keeps the reason of `figure`, if a part of it is missing.
    pub(super) fn note(&mut self, figure: &Figure, subject: impl FnOnce() -> String) {
        if figure.value.is_some() && figure.low.is_some() && figure.high.is_some() {
            return;
        }
        let reason = figure.reason.as_deref().unwrap_or("no reason was given");
        match self.reasons.iter_mut().find(|(known, _)| known == reason) {
            Some((_, subjects)) => subjects.push(subject()),
            None => self.reasons.push((reason.to_owned(), vec![subject()])),
        }
    }

    /// Adds a paragraph for each reason.
    fn write(self, sheet: &mut Sheet) {
        for (reason, subjects) in self.reasons {
            let named = subjects[..subjects.len().min(SUBJECTS_NAMED)].join(", ");
            let more = match subjects.len().saturating_sub(SUBJECTS_NAMED) {
                0 => String::new(),
                more => format!(" and {more} more"),
            };
            sheet.paragraph(Tone::Quiet, &format!(" {MISSING} "), &format!("{named}{more}: {reason}"));
        }
    }
}
