//! What a folder holds: the files directly in it, looked at anew for each request.
//!
//! A name that comes with a request is only ever compared with the names found here. No path is made from it, so that
//! nothing outside the folder can be named.

use std::path::{Path, PathBuf};

use crate::report::html::Findings;
use crate::report::plural;
use crate::scenario::{parse, parse_sweep, read_source};
use crate::store::Store;

/// Files beyond this many are counted, not read: a page that nobody reads to its end.
const SHOWN: usize = 500;

/// Where a file is, or why it may not be read.
type Place = Result<PathBuf, String>;

/// A folder that is shown.
#[derive(Clone, Debug)]
pub struct Folder {
    /// Without links and dots.
    root: PathBuf,
    /// As the user wrote it.
    pub shown: String,
}

/// What a file is.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Kind {
    /// A design and its load.
    Scenario,
    /// Many variants of a scenario.
    Sweep,
    /// What a question found.
    Result,
    /// What a sweep keeps.
    Store,
}

impl Kind {
    /// As addresses spell it.
    pub const fn word(self) -> &'static str {
        match self {
            Kind::Scenario => "scenario",
            Kind::Sweep => "sweep",
            Kind::Result => "result",
            Kind::Store => "store",
        }
    }

    const fn ending(self) -> &'static str {
        match self {
            Kind::Scenario | Kind::Sweep => "toml",
            Kind::Result => "json",
            Kind::Store => "db",
        }
    }
}

/// A file and what it says of itself.
#[derive(Clone, Debug)]
pub struct Entry {
    /// Its name in the folder.
    pub name: String,
    /// What it is.
    pub kind: Kind,
    /// Its title and a few words, or why it cannot be read.
    pub about: Result<[String; 2], String>,
}

/// Everything that a folder holds.
#[derive(Clone, Debug, Default)]
pub struct Listing {
    /// In order of name.
    pub entries: Vec<Entry>,
    /// Files that would be read and are not, and why.
    pub unread: Vec<(String, String)>,
    /// Files beyond those.
    pub more: usize,
}

/// How far the sweep of a store is.
#[derive(Clone, Copy, Debug, PartialEq, Eq, serde::Serialize)]
pub struct Progress {
    /// Points in the store.
    pub asked: u64,
    /// Of these, those with an error.
    pub failed: u64,
    /// Variants before any was dropped.
    pub variants: u64,
}

impl Progress {
    /// "3 of 40 variants asked, 1 failed".
    pub fn in_words(self) -> String {
        let failed = if self.failed > 0 { format!(", {} failed", self.failed) } else { String::new() };
        format!("{} of {} variants asked{failed}", self.asked, self.variants)
    }
}

impl Folder {
    /// Opens a folder.
    ///
    /// # Errors
    /// It is not there, or is none: in words.
    pub fn open(path: &Path) -> Result<Self, String> {
        let shown = path.display().to_string();
        let root = path.canonicalize().map_err(|error| match error.kind() {
            std::io::ErrorKind::NotFound => {
                format!("there is no folder `{shown}`\n  help: `forebay serve .` shows the one you are in")
            }
            _ => format!("`{shown}` cannot be opened: {error}"),
        })?;
        if !root.is_dir() {
            let around = path.parent().filter(|p| !p.as_os_str().is_empty()).unwrap_or(Path::new("."));
            return Err(format!(
                "`{shown}` is a file, and a folder is shown\n  help: `forebay serve {}`",
                around.display()
            ));
        }
        Ok(Folder { root, shown })
    }

    /// Its own name, whatever the way to it.
    pub fn name(&self) -> String {
        self.root.file_name().map_or(self.shown.clone(), |name| name.to_string_lossy().into_owned())
    }

    /// Names of the files that may be read, with where they are; in place of that, why not.
    fn files(&self) -> Result<Vec<(String, Place)>, String> {
        let folder = std::fs::read_dir(&self.root).map_err(|error| error.to_string())?;
        let mut found = Vec::new();
        for entry in folder.flatten() {
            let path = entry.path();
            let ending = path.extension().and_then(|ending| ending.to_str()).unwrap_or_default();
            if !["toml", "json", "db"].contains(&ending) || path.is_dir() {
                continue;
            }
            let place = match (entry.file_name().into_string(), path.canonicalize()) {
                (Err(_), _) => Err("its name is not UTF-8".into()),
                (_, Err(error)) => Err(error.to_string()),
                (_, Ok(real)) if real.parent() != Some(self.root.as_path()) => {
                    Err("a link that leads out of the folder".into())
                }
                (_, Ok(real)) if !real.is_file() => Err("no plain file".into()),
                (_, Ok(real)) => Ok(real),
            };
            found.push((entry.file_name().to_string_lossy().into_owned(), place));
        }
        found.sort();
        Ok(found)
    }

    /// Where the file of this kind and exactly this name is.
    pub fn find(&self, kind: Kind, name: &str) -> Option<PathBuf> {
        let (_, place) = self.files().ok()?.into_iter().find(|(other, _)| other == name)?;
        let path = place.ok().filter(|_| name.rsplit('.').next() == Some(kind.ending()))?;
        let is_it = match kind {
            Kind::Scenario => !is_sweep(&text(&path).unwrap_or_default()),
            Kind::Sweep => is_sweep(&text(&path).unwrap_or_default()),
            Kind::Result | Kind::Store => true,
        };
        is_it.then_some(path)
    }

    /// Reads all of it.
    ///
    /// # Errors
    /// The folder cannot be read.
    pub fn list(&self) -> Result<Listing, String> {
        let mut listing = Listing::default();
        let files = self.files()?;
        listing.more = files.len().saturating_sub(SHOWN);
        for (name, place) in files.into_iter().take(SHOWN) {
            match place {
                Err(why) => listing.unread.push((name, why)),
                Ok(path) => listing.entries.push(self.entry(name, &path)),
            }
        }
        Ok(listing)
    }

    fn entry(&self, name: String, path: &Path) -> Entry {
        let (kind, about) = match path.extension().and_then(|ending| ending.to_str()) {
            Some("json") => (Kind::Result, text(path).and_then(|text| about_result(&text))),
            Some("db") => (Kind::Store, about_store(path)),
            _ => match text(path) {
                Ok(text) if is_sweep(&text) => (Kind::Sweep, self.about_sweep(&text, &name)),
                Ok(text) => (Kind::Scenario, self.about_scenario(&text, &name)),
                Err(why) => (Kind::Scenario, Err(why)),
            },
        };
        Entry { name, kind, about }
    }

    fn about_scenario(&self, text: &str, name: &str) -> Result<[String; 2], String> {
        let scenario = parse(text, name, &self.root, &[]).map_err(|wrong| wrong.first_title())?;
        let machines: u64 = scenario.classes.iter().map(|class| u64::from(class.machines)).sum();
        let [classes, objectives] = [scenario.classes.len(), scenario.objectives.len()];
        let words = format!(
            "{} in {}, {}",
            plural(machines as usize, "machine", "machines"),
            plural(classes, "class", "classes"),
            plural(objectives, "objective", "objectives")
        );
        Ok([scenario.title, words])
    }

    fn about_sweep(&self, text: &str, name: &str) -> Result<[String; 2], String> {
        let sweep = parse_sweep(text, name, &self.root).map_err(|wrong| wrong.first_title())?;
        let words =
            format!("{} of {}", plural(sweep.count() as usize, "variant", "variants"), sweep.base_name);
        Ok([sweep.title, words])
    }

    /// The folder that files of a scenario are relative to.
    pub fn root(&self) -> &Path {
        &self.root
    }
}

/// The text of a file of this tool's size.
///
/// # Errors
/// Why it cannot be read.
pub fn text(path: &Path) -> Result<String, String> {
    read_source(path).map_err(|wrong| wrong.first_title())
}

/// A sweep names its base before its first table; so it is told even where its grammar is broken.
fn is_sweep(text: &str) -> bool {
    let before = text.lines().map(str::trim_start).take_while(|line| !line.starts_with('['));
    let mut rest = before.filter_map(|line| line.strip_prefix("base"));
    rest.any(|rest| rest.trim_start().starts_with('='))
}

fn about_result(text: &str) -> Result<[String; 2], String> {
    let mut findings = Findings::default();
    findings.take(text)?;
    let found = [
        findings.run.map(|found| (found.title, "run")),
        findings.knee.map(|found| (found.title, "knee")),
        findings.fit.map(|found| (found.title, "fit")),
        findings.wear.map(|found| (found.title, "wear")),
        findings.compare.map(|found| {
            (
                found.designs.iter().map(|design| design.name.as_str()).collect::<Vec<_>>().join(", "),
                "compare",
            )
        }),
        findings.sweep.map(|found| (found.listing.title, "sweep")),
    ];
    let (title, question) = found.into_iter().flatten().next().unwrap_or_default();
    Ok([title, question.into()])
}

fn about_store(path: &Path) -> Result<[String; 2], String> {
    let store = Store::read(path).map_err(|error| error.to_string())?;
    let title = store.inputs().map_err(|error| error.to_string())?.title;
    Ok([title, progress_in(&store)?.in_words()])
}

/// How far the sweep of this store is.
///
/// # Errors
/// It cannot be read.
pub fn progress(path: &Path) -> Result<Progress, String> {
    Store::read(path).map_err(|error| error.to_string()).and_then(|store| progress_in(&store))
}

fn progress_in(store: &Store) -> Result<Progress, String> {
    let all = || -> Result<Progress, crate::store::StoreError> {
        Ok(Progress { asked: store.count()?, failed: store.failed()?, variants: store.inputs()?.variants })
    };
    all().map_err(|error| error.to_string())
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_sweep_is_told_by_its_base() {
        assert!(is_sweep("# a sweep\ntitle = \"x\"\n base= \"a.toml\"\n[vary]\n"));
        assert!(is_sweep("base = \"a.toml\"\n[vary\n"));
        for scenario in ["[design.cpu]\nbase = 1\n", "baseline = 1\n", "# base = 1\n", ""] {
            assert!(!is_sweep(scenario), "{scenario}");
        }
    }
}
