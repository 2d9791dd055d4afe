//! From a file to a scenario or its diagnostics.

use std::fs::{self, File};
use std::io::{self, Read};
use std::path::Path;

use super::diagnostics::{Diagnostic, Diagnostics, Source};
use super::model::Scenario;
use super::overrides::{self, Override};
use super::read::{self, Context};
use super::spelling::nearest;
use super::tree::{SyntaxError, read_document};

/// A scenario above this size is refused before it is parsed: 4 MiB.
pub const SIZE_MAX: u64 = 4 << 20;

/// Reads, parses and checks the scenario in a file. Files that it names are relative to it.
///
/// # Errors
/// Everything that is wrong with it, at once.
pub fn load(path: &Path, overrides: &[Override]) -> Result<Scenario, Diagnostics> {
    let text = read_source(path)?;
    parse(&text, &path.display().to_string(), path.parent().unwrap_or(Path::new("")), overrides)
}

/// The text of a file that holds a scenario or a sweep.
///
/// # Errors
/// Why it cannot be read.
pub fn read_source(path: &Path) -> Result<String, Diagnostics> {
    read_text(path).map_err(|problem| {
        let name = path.display().to_string();
        let mut out = Diagnostics::new(vec![Source { name, text: String::new() }]);
        out.push(*problem);
        out
    })
}

/// Parses and checks a scenario's text. `file_name` is for messages; files that the scenario names
/// are relative to `base_dir`.
///
/// # Errors
/// Everything that is wrong with it, at once.
pub fn parse(
    text: &str,
    file_name: &str,
    base_dir: &Path,
    overrides: &[Override],
) -> Result<Scenario, Diagnostics> {
    let mut sources = vec![Source { name: file_name.to_owned(), text: text.to_owned() }];
    sources.extend(overrides.iter().map(Override::source));
    let mut out = Diagnostics::new(sources);
    if text.len() as u64 > SIZE_MAX {
        out.push(too_large());
        return Err(out);
    }
    let is_blank = text.lines().all(|line| line.trim().is_empty() || line.trim_start().starts_with('#'));
    if is_blank && overrides.is_empty() {
        let help = "`forebay new` writes a scenario to begin with".to_owned();
        out.push(Diagnostic::of_file("the scenario is empty").help(help));
        return Err(out);
    }
    let (mut root, syntax_errors) = read_document(text);
    overrides::apply(&mut root, overrides, &mut out);
    let context = Context { file_name, base_dir, digest: digest(text, overrides) };
    let scenario = read::read(&root, context, &mut out);
    add_syntax(&mut out, text, syntax_errors);
    match scenario {
        Some(scenario) if out.is_empty() => Ok(scenario),
        None if out.is_empty() => {
            // Only a bug of ours comes here: whatever returns nothing reports why.
            out.push(Diagnostic::of_file("the scenario was not understood, by a fault of forebay"));
            Err(out)
        }
        _ => Err(out),
    }
}

/// Adds the mistakes of grammar, and takes away what they may have caused.
pub(super) fn add_syntax(out: &mut Diagnostics, text: &str, errors: Vec<SyntaxError>) {
    if !errors.is_empty() {
        keep_what_grammar_cannot_have_caused(out, text, &errors);
        first_of_each_line(text, errors).into_iter().for_each(|error| out.push(error));
    }
}

/// BLAKE3 of the text and the overrides, 16 bytes in hex. Lengths go in too, so that no two inputs
/// run together.
fn digest(text: &str, overrides: &[Override]) -> String {
    let mut hasher = blake3::Hasher::new();
    let parts = overrides.iter().flat_map(|o| [o.path.as_str(), o.value.as_str()]);
    for part in std::iter::once(text).chain(parts) {
        hasher.update(&(part.len() as u64).to_le_bytes());
        hasher.update(part.as_bytes());
    }
    hasher.finalize().as_bytes()[..16].iter().map(|byte| format!("{byte:02x}")).collect()
}

/// After a mistake of grammar the parser guesses on. What it understood on earlier lines is sound;
/// what comes later, or is missing, may be its guess. (A key given twice upsets nothing.)
fn keep_what_grammar_cannot_have_caused(out: &mut Diagnostics, text: &str, errors: &[SyntaxError]) {
    let upsetting = errors.iter().filter(|e| !is_duplicate(e));
    let Some(first) = upsetting.map(|e| e.at.start).min() else { return };
    let line = text.get(..first).and_then(|before| before.rfind('\n')).map_or(0, |at| at + 1);
    out.retain(|d| !d.is_absence && d.label.as_ref().is_some_and(|l| l.at.source > 0 || l.at.end <= line));
}

/// The first mistake of grammar on each line: further ones there are the parser's guesses. After an
/// open bracket all that follows is a guess.
fn first_of_each_line(text: &str, mut errors: Vec<SyntaxError>) -> Vec<Diagnostic> {
    errors.sort_by(|a, b| a.at.cmp(&b.at));
    let open = errors.iter().find(|e| e.message.starts_with("unclosed")).map(|e| {
        let bracket = if e.message.contains("array") { "[" } else { "{" };
        format!("a `{bracket}` before it is not closed")
    });
    if let Some(help) = open {
        let is_upsetting = |e: &SyntaxError| !is_duplicate(e);
        let first = errors.iter().position(is_upsetting).unwrap_or(0);
        errors.truncate(first + 1);
        let mut list: Vec<Diagnostic> = errors.into_iter().map(syntax_diagnostic).collect();
        if let Some(last) = list.last_mut().filter(|d| d.help.is_none()) {
            last.help = Some(help);
        }
        return list;
    }
    let line = |error: &SyntaxError| {
        let start = error.at.start.min(text.len());
        text.as_bytes()[..start].iter().rposition(|byte| *byte == b'\n')
    };
    errors.dedup_by(|later, earlier| !is_duplicate(later) && line(later) == line(earlier));
    errors.into_iter().map(syntax_diagnostic).collect()
}

fn is_duplicate(error: &SyntaxError) -> bool {
    error.message.starts_with("duplicate key")
}

fn syntax_diagnostic(error: SyntaxError) -> Diagnostic {
    let (fact, expected) = match error.message.split_once(", expected ") {
        Some((fact, expected)) => (fact, format!("expected {expected}")),
        None => (error.message.as_str(), String::new()),
    };
    let help = match fact {
        "duplicate key" => Some("leave out one of the two".to_owned()),
        "recursion limit" => Some("no scenario nests so deep".to_owned()),
        _ => None,
    };
    let title = match fact {
        "duplicate key" => "this key is given twice".to_owned(),
        "recursion limit" => "brackets are nested too deep".to_owned(),
        "invalid basic string" | "invalid literal string"
            if expected.ends_with(['"', '\'', '`']) && expected.len() < 14 =>
        {
            "a text in quotes is not closed".to_owned()
        }
        fact => fact.to_owned(),
    };
    Diagnostic::at(&error.at, title, expected).help(help)
}

fn too_large() -> Diagnostic {
    Diagnostic::of_file("the scenario is larger than 4 MiB, the most that is read")
        .help("a trace goes into a file of its own: load = { trace = \"FILE\" }".to_owned())
}

fn read_text(path: &Path) -> Result<String, Box<Diagnostic>> {
    let file = File::open(path).map_err(|error| cannot_open(path, &error))?;
    if file.metadata().is_ok_and(|m| m.is_dir()) {
        return Err(Box::new(is_directory(path)));
    }
    let mut bytes = Vec::new();
    // One byte more than is read, so that a larger file is known without being read.
    let result = file.take(SIZE_MAX + 1).read_to_end(&mut bytes);
    result.map_err(|error| Diagnostic::of_file(format!("the scenario cannot be read: {error}")))?;
    if bytes.len() as u64 > SIZE_MAX {
        return Err(Box::new(too_large()));
    }
    String::from_utf8(bytes).map_err(|error| {
        let before = &error.as_bytes()[..error.utf8_error().valid_up_to()];
        let line = 1 + before.iter().filter(|b| **b == b'\n').count();
        let title = format!("the scenario is not text: byte {} (line {line}) is not UTF-8", before.len() + 1);
        Box::new(Diagnostic::of_file(title).help("a scenario is a TOML file in UTF-8".to_owned()))
    })
}

fn is_directory(path: &Path) -> Diagnostic {
    let names = names_in(path);
    let scenarios: Vec<&String> = names.iter().filter(|n| n.ends_with(".toml")).collect();
    let help = match scenarios[..] {
        [name] => Some(format!("did you mean `{}`?", path.join(name).display())),
        _ => None,
    };
    Diagnostic::of_file("this is a folder, not a scenario").help(help)
}

fn cannot_open(path: &Path, error: &io::Error) -> Diagnostic {
    if error.kind() != io::ErrorKind::NotFound {
        return Diagnostic::of_file(format!("the scenario cannot be opened: {error}"));
    }
    let folder = path.parent().filter(|p| !p.as_os_str().is_empty()).unwrap_or(Path::new("."));
    let names = names_in(folder);
    let name = path.file_name().map(|n| n.to_string_lossy().into_owned()).unwrap_or_default();
    let near = nearest(&name, names.iter().map(String::as_str));
    let help = near.map(|n| format!("did you mean `{}`?", path.with_file_name(n).display()));
    Diagnostic::of_file("there is no such file").help(help)
}

/// The names in a folder in order, so that a message does not depend on the file system.
fn names_in(folder: &Path) -> Vec<String> {
    let Ok(entries) = fs::read_dir(folder) else { return Vec::new() };
    let mut names: Vec<String> =
        entries.flatten().filter_map(|entry| entry.file_name().into_string().ok()).collect();
    names.sort();
    names
}
