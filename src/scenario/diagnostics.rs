//! What is wrong with a scenario, shown where it was written.
//!
//! All the mistakes of a file are gathered and shown at once, each with the line, the offending
//! text underlined, what was expected and the likeliest repair.

use std::fmt;

use annotate_snippets::{AnnotationKind, Group, Level, Origin as Place, Renderer, Snippet};

use super::tree::Origin;

/// Mistakes beyond this many are counted, not kept: a file of noise should not print a book.
const KEPT: usize = 100;

/// A text that was read: the file or one override.
#[derive(Clone, Debug)]
pub struct Source {
    /// What it is called in messages.
    pub name: String,
    /// What it says.
    pub text: String,
}

/// A place and what was expected there.
#[derive(Clone, Debug)]
pub struct Label {
    /// Where.
    pub at: Origin,
    /// A few words, without a full stop; may be empty.
    pub text: String,
}

/// One mistake.
#[derive(Clone, Debug)]
pub struct Diagnostic {
    /// The fact, in lower case, without a full stop.
    pub title: String,
    /// Where it is, if it is anywhere in particular.
    pub label: Option<Label>,
    /// Another place that has to do with it.
    pub also: Option<Label>,
    /// The likeliest repair.
    pub help: Option<String>,
    /// Whether it is about something that is not there, which a mistake of grammar may have swallowed.
    pub is_absence: bool,
}

impl Diagnostic {
    /// A mistake at a place.
    pub fn at(at: &Origin, title: impl Into<String>, label: impl Into<String>) -> Self {
        let label = Label { at: at.clone(), text: label.into() };
        Diagnostic { title: title.into(), label: Some(label), also: None, help: None, is_absence: false }
    }

    /// A mistake of the whole file.
    pub fn of_file(title: impl Into<String>) -> Self {
        Diagnostic { title: title.into(), label: None, also: None, help: None, is_absence: false }
    }

    /// With a repair, if there is one.
    pub fn help(mut self, help: impl Into<Option<String>>) -> Self {
        self.help = help.into();
        self
    }

    /// With another place.
    pub fn also(mut self, at: &Origin, text: impl Into<String>) -> Self {
        self.also = Some(Label { at: at.clone(), text: text.into() });
        self
    }

    /// About something that is missing.
    pub fn absence(mut self) -> Self {
        self.is_absence = true;
        self
    }
}

/// Everything that is wrong with a scenario. Not empty when it is an error.
#[derive(Clone, Debug)]
pub struct Diagnostics {
    sources: Vec<Source>,
    list: Vec<Diagnostic>,
    dropped: usize,
}

impl Diagnostics {
    /// No mistakes yet, in these sources (the file first).
    pub(super) fn new(sources: Vec<Source>) -> Self {
        Diagnostics { sources, list: Vec::new(), dropped: 0 }
    }

    /// Whether further mistakes are only counted, so that help for them is not worth its time.
    pub(super) fn is_full(&self) -> bool {
        self.list.len() >= KEPT
    }

    /// Counts a mistake without keeping it.
    pub(super) fn count_one(&mut self) {
        self.dropped += 1;
    }

    /// Adds a mistake.
    pub(super) fn push(&mut self, diagnostic: Diagnostic) {
        if self.is_full() {
            self.count_one();
        } else {
            self.list.push(diagnostic);
        }
    }

    /// Keeps those for which `keep` holds.
    pub(super) fn retain(&mut self, keep: impl Fn(&Diagnostic) -> bool) {
        self.list.retain(keep);
    }

    /// The text at a place.
    pub(super) fn text(&self, at: &Origin) -> &str {
        self.sources.get(at.source).and_then(|s| s.text.get(at.start..at.end)).unwrap_or_default()
    }

    /// The first mistake in a line, without its place.
    pub fn first_title(&self) -> String {
        self.list.first().map_or_else(String::new, |first| first.title.clone())
    }

    /// The number of mistakes.
    pub fn len(&self) -> usize {
        self.list.len() + self.dropped
    }

    /// Whether nothing is wrong.
    pub fn is_empty(&self) -> bool {
        self.len() == 0
    }

    /// The mistakes as text, in the order of the file, a blank line between two of them.
    pub fn render(&self, color: bool) -> String {
        let renderer = if color { Renderer::styled() } else { Renderer::plain() };
        let mut list: Vec<&Diagnostic> = self.list.iter().collect();
        list.sort_by_key(|d| d.label.as_ref().map(|l| &l.at));
        let mut out: Vec<String> = list.iter().map(|d| self.render_one(d, &renderer)).collect();
        if self.dropped > 0 {
            let more = format!("{} more errors are not shown", self.dropped);
            out.push(renderer.render(&[Group::with_title(Level::ERROR.primary_title(more))]));
        }
        out.join("\n\n") + "\n"
    }

    fn render_one(&self, diagnostic: &Diagnostic, renderer: &Renderer) -> String {
        let mut group = Group::with_title(Level::ERROR.primary_title(diagnostic.title.as_str()));
        match &diagnostic.label {
            Some(label) => {
                group = self.show(group, label, AnnotationKind::Primary);
                if let Some(also) = &diagnostic.also {
                    group = self.show(group, also, AnnotationKind::Context);
                }
            }
            None => group = group.element(Place::path(self.sources[0].name.as_str())),
        }
        if let Some(help) = &diagnostic.help {
            group = group.element(Level::HELP.message(help.as_str()));
        }
        let text = renderer.render(&[group]);
        // Without line numbers the library leaves no margin before its arrow.
        if diagnostic.label.is_none() { text.replacen('\n', "\n ", 1) } else { text }
    }

    /// Adds the line of a label; of a text over several lines, the first.
    fn show<'a>(&'a self, group: Group<'a>, label: &'a Label, kind: AnnotationKind) -> Group<'a> {
        let source = &self.sources[label.at.source];
        let line = Line::around(&source.text, label.at.start, label.at.end);
        let annotation = kind.span(line.span.clone()).label(label.text.as_str());
        let snippet = Snippet::source(line.text).line_start(line.number).annotation(annotation);
        if line.cut == 0 {
            return group.element(snippet.path(source.name.as_str()));
        }
        // The snippet is a window on the line and would count columns from its edge.
        let place = Place::path(source.name.as_str()).line(line.number).char_column(line.column());
        group.element(place).element(snippet)
    }
}

impl fmt::Display for Diagnostics {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str(self.render(false).trim_end())
    }
}

impl std::error::Error for Diagnostics {}

/// Bytes of a line that are shown before and after what is meant.
const WINDOW: usize = 400;

/// One line of a source, or a window on a very long one, and the bytes of it that are meant.
struct Line<'a> {
    text: &'a str,
    /// Number of the line, from 1.
    number: usize,
    span: std::ops::Range<usize>,
    /// Characters of the line before the window.
    cut: usize,
}

impl<'a> Line<'a> {
    /// The line in which `start..end` begins, without its line ending. Ends that cut a character are
    /// moved outwards.
    fn around(source: &'a str, start: usize, end: usize) -> Line<'a> {
        let start = floor(source, start);
        let first = source[..start].rfind('\n').map_or(0, |at| at + 1);
        let last = source[start..].find('\n').map_or(source.len(), |at| start + at);
        let text = source[first..last].trim_end_matches('\r');
        // A mark at the very end of a line stands behind its last character.
        let from = (start - first).min(text.len());
        let to = ceil(text, end.saturating_sub(first).max(from));
        let left = floor(text, from.saturating_sub(WINDOW));
        let right = ceil(text, from + WINDOW);
        let number = 1 + source[..first].bytes().filter(|b| *b == b'\n').count();
        let span = from - left..to.min(right) - left;
        Line { text: &text[left..right], number, span, cut: text[..left].chars().count() }
    }

    /// Where in the line the meant text begins, in characters from 1.
    fn column(&self) -> usize {
        self.cut + self.text[..self.span.start].chars().count() + 1
    }
}

/// The last boundary of a character at or before `at`.
fn floor(text: &str, at: usize) -> usize {
    (0..=at.min(text.len())).rev().find(|i| text.is_char_boundary(*i)).unwrap_or(0)
}

/// The first boundary of a character at or behind `at`.
fn ceil(text: &str, at: usize) -> usize {
    (at..text.len()).find(|i| text.is_char_boundary(*i)).unwrap_or(text.len())
}
