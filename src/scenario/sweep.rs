//! A sweep file: a base scenario, what is varied of it, what is asked of each variant and what is dropped.

mod choices;

use std::path::{Path, PathBuf};

use super::diagnostics::{Diagnostic, Diagnostics, Source};
use super::load::{add_syntax, read_source};
use super::overrides::Override;
use super::read::{LeftOut, Reader, Section, values};
use super::schema::Kind;
use super::tree::{Entry, Node, Table, Value, read_document};
pub use choices::Choices;

/// The path under which the keys of a sweep file are found in the schema.
const SWEEP: &str = "SWEEP";
/// More variants than anybody waits for.
const VARIANTS_MAX: u64 = 1_000_000;

/// A question of a sweep.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Ask {
    /// Percentiles, utilisation, verdict at the stated load.
    Run,
    /// Knee, limit, saturation.
    Knee,
    /// Machines that fit.
    Fit,
    /// Room, wear, risk, price.
    Wear,
}

impl Ask {
    /// All of them, in the order in which they are asked.
    pub const ALL: [Ask; 4] = [Ask::Run, Ask::Knee, Ask::Fit, Ask::Wear];

    /// As the sweep file spells it.
    pub const fn word(self) -> &'static str {
        match self {
            Ask::Run => "run",
            Ask::Knee => "knee",
            Ask::Fit => "fit",
            Ask::Wear => "wear",
        }
    }
}

/// How points are chosen from the ranges, where not all combinations are tried.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum SampleKind {
    /// Owen-scrambled Sobol sequence.
    Sobol,
    /// One point in each of as many slices of every range.
    LatinHypercube,
}

/// `[sample]`.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Sample {
    /// Number of points.
    pub points: u32,
    /// How they are chosen.
    pub kind: SampleKind,
    /// Seed of the choice.
    pub seed: u64,
}

/// Variants that are left out before anything is simulated.
#[derive(Clone, Copy, Debug, Default, PartialEq)]
pub struct Limits {
    /// Stored data ÷ room above this.
    pub fill_above: Option<f64>,
    /// Busiest resource on paper above this.
    pub busy_above: Option<f64>,
    /// Price above this.
    pub price_above: Option<f64>,
}

/// A figure of a point and whether more of it is better.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Goal {
    /// Its name.
    pub figure: String,
    /// Whether more is better.
    pub more: bool,
}

impl Goal {
    /// "least design.price_total".
    pub fn in_words(&self) -> String {
        format!("{} {}", if self.more { "most" } else { "least" }, self.figure)
    }
}

/// Keys that vary together: one, or several of one length.
#[derive(Clone, Debug, PartialEq)]
pub struct Axis {
    /// Path of each key and its values.
    pub columns: Vec<(String, Choices)>,
}

impl Axis {
    /// Values that a grid takes of it.
    pub fn len(&self) -> usize {
        self.columns.iter().map(|(_, choices)| choices.len()).min().unwrap_or(0)
    }

    /// Whether it has none.
    pub fn is_empty(&self) -> bool {
        self.len() == 0
    }

    fn sets(&self, value: impl Fn(&Choices) -> String) -> impl Iterator<Item = Override> {
        self.columns.iter().map(move |(path, choices)| Override { path: path.clone(), value: value(choices) })
    }
}

/// A sweep as it was read.
#[derive(Clone, Debug, PartialEq)]
pub struct Sweep {
    /// What the user calls it.
    pub title: String,
    /// The file of the base scenario.
    pub base: PathBuf,
    /// The same as the user spells it.
    pub base_name: String,
    /// Asked of every variant, in the order of [`Ask::ALL`], each once.
    pub ask: Vec<Ask>,
    /// Names, or beginnings of names, of the figures that are kept; all if empty.
    pub keep: Vec<String>,
    /// What is varied, in the order of the file. Not empty.
    pub axes: Vec<Axis>,
    /// How to choose, if not all combinations.
    pub sample: Option<Sample>,
    /// What is left out.
    pub drop: Limits,
    /// What is sought; empty if nothing is said.
    pub front: Vec<Goal>,
    /// Differences of figures with an interval that count as none there, as a share.
    pub alike: f64,
    /// The text of the file.
    pub text: String,
}

impl Sweep {
    /// Variants before any is dropped.
    pub fn count(&self) -> u64 {
        match self.sample {
            Some(sample) => u64::from(sample.points),
            None => self.axes.iter().map(|axis| axis.len() as u64).product(),
        }
    }

    /// What variant `number` changes of the base, below [`Sweep::count`]. Of a grid the first key varies slowest;
    /// of a sample `places` says where in each axis it lies, 0 to below 1.
    pub fn variant(&self, number: u64, places: &[f64]) -> Vec<Override> {
        if self.sample.is_some() {
            let both = self.axes.iter().zip(places);
            return both.flat_map(|(axis, place)| axis.sets(|choices| choices.at(*place))).collect();
        }
        let both = self.axes.iter().zip(self.digits(number));
        both.flat_map(|(axis, (at, _))| axis.sets(move |choices| choices.nth(at as usize))).collect()
    }

    /// Of variant `number` of a grid: which value of each axis, and of how many. The first axis varies slowest.
    pub fn digits(&self, number: u64) -> Vec<(u64, u64)> {
        let mut rest = number;
        let mut digits: Vec<(u64, u64)> = Vec::new();
        for axis in self.axes.iter().rev() {
            let length = axis.len() as u64;
            digits.push((rest % length, length));
            rest /= length;
        }
        digits.reverse();
        digits
    }
}

/// Reads and checks a sweep file. The base is relative to it.
///
/// # Errors
/// Everything that is wrong with it, at once.
pub fn load_sweep(path: &Path) -> Result<Sweep, Diagnostics> {
    let name = path.display().to_string();
    let text = read_source(path)?;
    parse_sweep(&text, &name, path.parent().unwrap_or(Path::new("")))
}

/// The same of a text.
///
/// # Errors
/// Everything that is wrong with it, at once.
pub fn parse_sweep(text: &str, file_name: &str, base_dir: &Path) -> Result<Sweep, Diagnostics> {
    let mut out = Diagnostics::new(vec![Source { name: file_name.to_owned(), text: text.to_owned() }]);
    let (root, syntax_errors) = read_document(text);
    let sweep = read(&root, text, file_name, base_dir, &mut out);
    add_syntax(&mut out, text, syntax_errors);
    match sweep {
        Some(sweep) if out.is_empty() => Ok(sweep),
        _ => Err(out),
    }
}

fn read(root: &Table, text: &str, file_name: &str, base_dir: &Path, out: &mut Diagnostics) -> Option<Sweep> {
    let mut reader = Reader { out, ranges: Vec::new(), left_out: LeftOut::default() };
    let reader = &mut reader;
    let top = Section { path: String::new(), pattern: SWEEP, table: root, at: None };
    reader.check_keys(&top);
    let title = reader.optional(&top, "title", values::text);
    let base = reader.value(&top, "base", values::text);
    let ask = words(reader, &top, "ask", &Ask::ALL.map(Ask::word));
    let keep = texts(reader, &top, "keep");
    let axes = axes(reader, &top);
    let sample = sample(reader, &top);
    let drop = drop(reader, &top);
    let (front, alike) = front(reader, &top).unzip();
    let (base, axes, sample) = (base?, axes?, sample?);
    let ask = match ask? {
        chosen if chosen.is_empty() => vec![Ask::Run],
        chosen => Ask::ALL.into_iter().filter(|ask| chosen.contains(&ask.word())).collect(),
    };
    let stem = Path::new(file_name).file_stem().map(|stem| stem.to_string_lossy().into_owned());
    let sweep = Sweep {
        title: title?.or(stem).unwrap_or_default(),
        base: base_dir.join(&base),
        base_name: base,
        ask,
        keep: keep?,
        axes,
        sample,
        drop: drop?,
        front: front?,
        alike: alike?,
        text: text.to_owned(),
    };
    let count = sweep.axes.iter().map(|axis| axis.len() as f64).product::<f64>();
    if sweep.sample.is_none() && count > VARIANTS_MAX as f64 {
        let at = reader.place(&top, "vary");
        let title = format!("the grid has {count:.0} variants, more than {VARIANTS_MAX}");
        let help = "fewer values, or a [sample] of the ranges".to_owned();
        return reader.report(Diagnostic::at(&at, title, "expected fewer").help(Some(help)));
    }
    Some(sweep)
}

/// A list of some of these words.
fn words<'w>(reader: &mut Reader, top: &Section, key: &str, known: &[&'w str]) -> Option<Vec<&'w str>> {
    let found = texts(reader, top, key)?;
    let mut chosen = Vec::new();
    for word in &found {
        match known.iter().find(|known| *known == word) {
            Some(known) => chosen.push(*known),
            None => {
                let at = reader.place(top, key);
                let near = super::spelling::nearest(word, known.iter().copied());
                let title = format!("`{}` holds \"{}\"", top.path_of(key), values::short(word));
                let expected = format!("expected {}", super::schema::either(known));
                let help = near.map(|near| format!("did you mean \"{near}\"?"));
                reader.out.push(Diagnostic::at(&at, title, expected).help(help));
                return None;
            }
        }
    }
    Some(chosen)
}

/// A list of texts; none if it is left out.
fn texts(reader: &mut Reader, top: &Section, key: &str) -> Option<Vec<String>> {
    if !top.has(key) {
        return Some(Vec::new());
    }
    reader.list(top, key, values::text)
}

fn sample(reader: &mut Reader, top: &Section) -> Option<Option<Sample>> {
    let Some(section) = reader.table(top, "sample", "SWEEP.sample")? else { return Some(None) };
    let points = reader.count(&section, "points");
    let kind = reader.choice(&section, "kind", &[SampleKind::Sobol, SampleKind::LatinHypercube]);
    let seed = reader.value(&section, "seed", values::whole);
    Some(Some(Sample { points: points?, kind: kind?, seed: seed? }))
}

fn drop(reader: &mut Reader, top: &Section) -> Option<Limits> {
    let Some(section) = reader.table(top, "drop", "SWEEP.drop")? else { return Some(Limits::default()) };
    let [fill, busy, price] =
        ["fill_above", "busy_above", "price_above"].map(|key| reader.optional(&section, key, values::number));
    Some(Limits { fill_above: fill?, busy_above: busy?, price_above: price? })
}

/// `[front]`: what is sought, least first.
fn front(reader: &mut Reader, top: &Section) -> Option<(Vec<Goal>, f64)> {
    let Some(section) = reader.table(top, "front", "SWEEP.front")? else { return Some((Vec::new(), 0.0)) };
    let alike = reader.value(&section, "alike", values::number);
    let (least, most) = (texts(reader, &section, "least")?, texts(reader, &section, "most")?);
    let goals = |figures: Vec<String>, more| figures.into_iter().map(move |figure| Goal { figure, more });
    Some((goals(least, false).chain(goals(most, true)).collect(), alike?))
}

/// `[vary]`, a key an axis, and `[[together]]`, a table an axis.
fn axes(reader: &mut Reader, top: &Section) -> Option<Vec<Axis>> {
    let mut axes = Vec::new();
    let mut is_whole = true;
    if let Some(Entry { node: Node { value: Value::Table(table), .. }, .. }) = top.entry("vary") {
        match columns(reader, table, "") {
            Some(columns) => axes.extend(columns.into_iter().map(|column| Axis { columns: vec![column] })),
            None => is_whole = false,
        }
    }
    if let Some(Entry { node: Node { value: Value::List(items), .. }, .. }) = top.entry("together") {
        for item in items {
            let Value::Table(table) = &item.value else { continue };
            let Some(columns) = columns(reader, table, "") else {
                is_whole = false;
                continue;
            };
            let lengths: Vec<usize> = columns.iter().map(|(_, choices)| choices.len()).collect();
            if lengths.windows(2).any(|pair| pair[0] != pair[1]) {
                let title = format!("[[together]] has lists of {lengths:?} values");
                reader.out.push(Diagnostic::at(&item.at, title, "expected lists of one length"));
                is_whole = false;
            }
            axes.push(Axis { columns });
        }
    }
    for key in ["vary", "together"] {
        let Some(entry) = top.entry(key) else { continue };
        let fits = matches!(
            (&entry.node.value, &top.row(key).kind),
            (Value::Table(_), Kind::Table) | (Value::List(_), Kind::Tables)
        );
        if !fits {
            let problem = values::Problem::not(top.row(key), &entry.node, reader.out.text(&entry.node.at));
            reader.out.push(problem.at(key, &entry.node.at));
            is_whole = false;
        }
    }
    if is_whole && axes.iter().all(Axis::is_empty) {
        let help = Some("add [vary] with a key such as `\"design.cpu.cores\" = [4, 8]`".to_owned());
        return reader.lacks(top, "nothing is varied".into(), String::new(), help);
    }
    is_whole.then_some(axes)
}

/// Every path of a table with its values: tables nest as dots do.
fn columns(reader: &mut Reader, table: &Table, above: &str) -> Option<Vec<(String, Choices)>> {
    let mut found = Vec::new();
    let mut is_whole = true;
    for entry in table.entries() {
        // A key that is a whole path is written in quotes; below another one a name with a dot is quoted again.
        let path = match above {
            "" => entry.key.clone(),
            _ if entry.key.contains(['.', ' ', '"']) => format!("{above}.{:?}", entry.key),
            _ => format!("{above}.{}", entry.key),
        };
        if let Value::Table(inner) = &entry.node.value
            && inner.get("from").is_none()
        {
            match columns(reader, inner, &path) {
                Some(columns) => found.extend(columns),
                None => is_whole = false,
            }
            continue;
        }
        match choices::read(reader, &path, &entry.node) {
            Some(choices) => found.push((path, choices)),
            None => is_whole = false,
        }
    }
    is_whole.then_some(found)
}
