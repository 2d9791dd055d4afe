//! Laws of times: a plain quantity, or a table with mean and shape.

use super::{Convert, LAW, Reader, Section, values};
use crate::engine::{Law, Shape, SimDuration};
use crate::scenario::diagnostics::Diagnostic;
use crate::scenario::schema::{Default, Kind, Row, row};
use crate::scenario::tree::Value;

/// Keys of a law besides `mean` and `shape`, and the shapes that take them.
const PARAMETERS: &[(&str, &[&str])] = &[
    ("cv", &["lognormal", "gamma", "hyperexponential"]),
    ("stages", &["erlang"]),
    ("slow_share", &["bimodal"]),
    ("ratio", &["bimodal"]),
    ("spread", &["uniform"]),
    ("values", &["empirical"]),
    ("weights", &["empirical"]),
];

impl Reader<'_> {
    /// The law of a key, or nothing if it is left out. `None` if there was a mistake.
    pub(super) fn optional_law(&mut self, section: &Section, key: &str) -> Option<Option<Law>> {
        if section.has(key) {
            return self.law(section, key).map(Some);
        }
        self.left_out.note(section, key);
        Some(None)
    }

    /// The law of a key that must be there.
    pub(super) fn law(&mut self, section: &Section, key: &str) -> Option<Law> {
        let Some(entry) = section.entry(key) else { return self.missing(section, key) };
        let Kind::Law(_, plain) = section.row(key).kind else { return None };
        if matches!(entry.node.value, Value::Table(_)) {
            let table = self.table(section, key, LAW)??;
            return self.law_of(&table, section.row(key), plain);
        }
        let mean = self.convert(section, entry, values::time)?;
        // Without any time at all there is nothing to vary.
        let is_exponential = plain == "exponential" && !mean.is_zero();
        Some(if is_exponential { Law::exponential(mean) } else { Law::fixed(mean) })
    }

    fn law_of(&mut self, table: &Section, law_row: &Row, plain: &'static str) -> Option<Law> {
        let shape_name = match self.optional(table, "shape", values::choice)? {
            Some(index) => shape_names().get(index).copied()?,
            None => plain,
        };
        let has_strays = self.stray_parameters(table, shape_name);
        let shape = self.shape(table, shape_name);
        let mean = match table.entry("mean") {
            // The range of the key itself holds for its mean.
            Some(entry) => {
                Some(self.convert_node(&table.path_of("mean"), law_row, &entry.node, values::time)?)
            }
            None if shape_name == "empirical" => None,
            None => return self.missing(table, "mean"),
        };
        let (shape, points_mean) = shape?;
        let mean = mean.or(points_mean)?;
        if mean.is_zero() && shape != Shape::Fixed {
            let at = self.place(table, "mean");
            let title = format!("`{}` is zero, which leaves no room for a shape", table.path_of("mean"));
            return self.report(Diagnostic::at(&at, title, "expected a time above zero"));
        }
        (!has_strays).then(|| Law::new(mean, shape))
    }

    /// Reports parameters that the shape does not take.
    fn stray_parameters(&mut self, table: &Section, shape: &str) -> bool {
        let mut found = false;
        for (key, shapes) in PARAMETERS {
            if let Some(entry) = table.entry(key).filter(|_| !shapes.contains(&shape)) {
                found = true;
                let article = if shape.starts_with(['e', 'u']) { "an" } else { "a" };
                let article = if shape == "uniform" { "a" } else { article };
                let title = format!("`{}` does not belong to {article} {shape} law", table.path_of(key));
                let takes =
                    shapes.iter().map(|s| format!("shape = \"{s}\"")).collect::<Vec<_>>().join(" or ");
                self.out.push(
                    Diagnostic::at(&entry.key_at, title, "leave it out")
                        .help(format!("it goes with {takes}")),
                );
            }
        }
        found
    }

    /// The shape, and for an empirical one the mean of its values.
    fn shape(&mut self, table: &Section, name: &str) -> Option<(Shape, Option<SimDuration>)> {
        let shape = match name {
            "exponential" => Shape::Exponential,
            "erlang" => Shape::Erlang { stages: self.count(table, "stages")? },
            "lognormal" => Shape::Lognormal { cv: self.value(table, "cv", values::number)? },
            "gamma" => Shape::Gamma { cv: self.value(table, "cv", values::number)? },
            "hyperexponential" => Shape::Hyperexponential { cv: self.cv_above_one(table)? },
            "bimodal" => {
                let slow_share = self.value(table, "slow_share", values::number);
                let ratio = self.value(table, "ratio", values::number);
                Shape::Bimodal { slow_share: slow_share?, ratio: ratio? }
            }
            "uniform" => Shape::Uniform { spread: self.value(table, "spread", values::number)? },
            "empirical" => return self.empirical(table),
            _ => Shape::Fixed,
        };
        Some((shape, None))
    }

    fn cv_above_one(&mut self, table: &Section) -> Option<f64> {
        let cv = self.value(table, "cv", values::number)?;
        if cv * cv > 1.0 {
            return Some(cv);
        }
        let at = self.place(table, "cv");
        let title = format!("`{}` is {cv}, not above 1", table.path_of("cv"));
        let help = "below 1 take shape = \"erlang\", \"gamma\" or \"lognormal\"".to_owned();
        self.report(Diagnostic::at(&at, title, "a hyperexponential law has cv above 1").help(help))
    }

    fn empirical(&mut self, table: &Section) -> Option<(Shape, Option<SimDuration>)> {
        let times = self.list(table, "values", values::time)?;
        let weights = match table.has("weights") {
            true => self.list(table, "weights", values::number)?,
            false => {
                self.left_out.note(table, "weights");
                vec![1.0; times.len()]
            }
        };
        if weights.len() != times.len() {
            let at = self.place(table, "weights");
            let title = format!(
                "`{}` holds {} numbers for {} values",
                table.path_of("weights"),
                weights.len(),
                times.len()
            );
            return self.report(Diagnostic::at(&at, title, "expected one for each value"));
        }
        let sum: f64 = weights.iter().sum();
        let points: Vec<(f64, f64)> = times.iter().map(|t| t.ps() as f64).zip(weights).collect();
        let mean = points.iter().map(|p| p.0 * p.1).sum::<f64>() / sum;
        if mean.is_nan() || mean < 1.0 {
            let at = self.place(table, "values");
            let title = format!("the mean of `{}` is zero", table.path_of("values"));
            return self.report(Diagnostic::at(
                &at,
                title,
                "expected a value above zero with a weight above zero",
            ));
        }
        Some((Shape::Empirical { points }, Some(SimDuration::from_ps_f64(mean))))
    }

    /// The items of a list that must be there and must not be empty.
    pub fn list<T>(&mut self, table: &Section, key: &str, convert: Convert<T>) -> Option<Vec<T>> {
        let Some(entry) = table.entry(key) else { return self.missing(table, key) };
        let row = table.row(key);
        let Value::List(items) = &entry.node.value else {
            let problem = values::Problem::not(row, &entry.node, self.out.text(&entry.node.at));
            return self.report(problem.at(&table.path_of(key), &entry.node.at));
        };
        if items.is_empty() {
            let title = format!("`{}` is empty", table.path_of(key));
            return self.report(Diagnostic::at(
                &entry.node.at,
                title,
                format!("expected {}", row.kind.noun()),
            ));
        }
        let path = table.path_of(key);
        let read: Vec<Option<T>> = (0..)
            .zip(items)
            .map(|(i, item): (usize, _)| self.convert_node(&format!("{path}.{i}"), row, item, convert))
            .collect();
        read.into_iter().collect()
    }
}

/// The shapes, in the order of their row.
fn shape_names() -> &'static [&'static str] {
    match row("TIME.shape").map(|r| (&r.kind, r.default)) {
        Some((Kind::Choice(names), Default::Words(_))) => names,
        _ => &[],
    }
}
