//! A sheet of lines with a tone each.
//!
//! Colour belongs to whole lines and is added last, so it can only decorate: taking the escapes away
//! leaves the uncoloured text, letter by letter.

use super::text::{clean, wrap};

/// What a line is like; only a coloured sheet shows it.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(super) enum Tone {
    /// Ordinary.
    Plain,
    /// Headings and what matters most.
    Strong,
    /// As wanted.
    Good,
    /// Not as wanted.
    Bad,
    /// To be watched.
    Caution,
    /// In the background.
    Quiet,
}

impl Tone {
    /// Parameters of "select graphic rendition" (ECMA-48, 1991, 8.3.117).
    fn rendition(self) -> Option<&'static str> {
        match self {
            Tone::Plain => None,
            Tone::Strong => Some("1"),
            Tone::Good => Some("1;32"),
            Tone::Bad => Some("1;31"),
            Tone::Caution => Some("1;33"),
            Tone::Quiet => Some("2"),
        }
    }
}

/// Lines of text under construction.
pub(super) struct Sheet {
    width: usize,
    lines: Vec<(Tone, String)>,
}

impl Sheet {
    /// An empty sheet of so many columns.
    pub(super) fn new(width: usize) -> Self {
        Sheet { width, lines: Vec::new() }
    }

    /// Columns.
    pub(super) fn width(&self) -> usize {
        self.width
    }

    /// Adds a line that is known to fit.
    pub(super) fn line(&mut self, tone: Tone, text: &str) {
        self.lines.push((tone, text.trim_end().to_owned()));
    }

    /// Adds lines that are known to fit.
    pub(super) fn lines(&mut self, lines: Vec<(Tone, String)>) {
        for (tone, text) in lines {
            self.line(tone, &text);
        }
    }

    /// Adds an empty line and a heading.
    pub(super) fn heading(&mut self, text: &str) {
        self.gap();
        self.paragraph(Tone::Strong, "", text);
    }

    /// Adds an empty line, unless there is one already.
    pub(super) fn gap(&mut self) {
        if self.lines.last().is_some_and(|(_, text)| !text.is_empty()) {
            self.line(Tone::Plain, "");
        }
    }

    /// Adds text, wrapped, with the lines after the first indented to the width of `lead`.
    pub(super) fn paragraph(&mut self, tone: Tone, lead: &str, text: &str) {
        self.hanging(tone, lead, lead.chars().count(), text);
    }

    /// Adds text, wrapped, with the lines after the first indented by `indent` columns.
    pub(super) fn hanging(&mut self, tone: Tone, lead: &str, indent: usize, text: &str) {
        for line in wrap(lead, indent, &clean_words(text), self.width) {
            self.line(tone, &line);
        }
    }

    /// Its lines up to the first empty one, each with its tone.
    pub(super) fn into_first_lines(self) -> Vec<(Tone, String)> {
        self.lines.into_iter().take_while(|(_, text)| !text.is_empty()).collect()
    }

    /// All lines with words in them, each with its tone.
    pub(super) fn into_lines(self) -> Vec<(Tone, String)> {
        self.lines.into_iter().filter(|(_, text)| !text.is_empty()).collect()
    }

    /// The text: each line with its newline, coloured or not.
    pub(super) fn finish(self, color: bool) -> String {
        let mut text = String::new();
        for (tone, line) in &self.lines {
            match tone.rendition() {
                Some(rendition) if color && !line.is_empty() => {
                    text.push_str(&format!("\x1b[{rendition}m{line}\x1b[0m"));
                }
                _ => text.push_str(line),
            }
            text.push('\n');
        }
        text
    }
}

/// Cleans word by word, so that a long paragraph is not cut as a long name would be.
fn clean_words(text: &str) -> String {
    text.split_whitespace().map(clean).collect::<Vec<_>>().join(" ")
}
