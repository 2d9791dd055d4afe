//! Where an objective stands: met, missed, or too close to call.

use crate::outcome::ObjectiveRow;
use crate::report::numbers::{format_bound_us, format_figure_us, format_stated};
use crate::report::sheet::Tone;
use crate::report::text::{clean, shorten};

/// Where an objective stands.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(super) enum Standing {
    /// The figure lies below the bound.
    Met,
    /// The figure lies on or above the bound.
    Missed,
    /// The interval straddles the bound.
    Close,
    /// There is no figure.
    Unknown,
}

impl Standing {
    /// Where `objective` stands. Without an interval nothing straddles: the figure alone decides. One end is enough.
    pub(super) fn of(objective: &ObjectiveRow) -> Standing {
        let has_interval = objective.value_us.low.is_some() || objective.value_us.high.is_some();
        match objective.met {
            Some(_) if has_interval && !objective.certain => Standing::Close,
            Some(true) => Standing::Met,
            Some(false) => Standing::Missed,
            None => Standing::Unknown,
        }
    }

    /// In words.
    pub(super) fn words(self) -> &'static str {
        match self {
            Standing::Met => "met",
            Standing::Missed => "missed",
            Standing::Close => "too close to call",
            Standing::Unknown => "not known",
        }
    }

    /// In colour.
    pub(super) fn tone(self) -> Tone {
        match self {
            Standing::Met => Tone::Good,
            Standing::Missed => Tone::Bad,
            Standing::Close | Standing::Unknown => Tone::Caution,
        }
    }
}

/// "p99.9" for 99.9.
pub(super) fn percentile_name(percentile: f64) -> String {
    format!("p{}", format_stated(percentile))
}

/// How near the bound: value ÷ bound, or nothing without a value.
pub(super) fn share_of_bound(objective: &ObjectiveRow) -> Option<f64> {
    objective.value_us.value.map(|value| value / objective.below_us).filter(|share| share.is_finite())
}

/// What is found and what was asked, longest spelling first; in all but the first two the class name is
/// cut to `name_kept` columns.
pub(super) fn describe(objective: &ObjectiveRow, name_kept: usize) -> [String; 5] {
    let class = clean(&objective.class);
    let short = shorten(&class, name_kept);
    let operation = clean(&objective.operation);
    let percentile = percentile_name(objective.percentile);
    let found = format_figure_us(&objective.value_us);
    let bound = format_bound_us(objective.below_us);
    let during = Some(clean(&objective.during)).filter(|during| during != "healthy");
    let over = Some(clean(&objective.over)).filter(|over| over != "class");
    let circumstances = |during: Option<String>| {
        let stated: Vec<String> = during.into_iter().chain(over.clone()).collect();
        if stated.is_empty() { String::new() } else { format!(" ({})", stated.join(", ")) }
    };
    let with_period = match &objective.period {
        Some(period) => circumstances(during.as_ref().map(|during| format!("{during}: {}", clean(period)))),
        None => circumstances(during.clone()),
    };
    let circumstances = circumstances(during);
    [
        format!("{class} {operation} {percentile}{with_period} {found}, must stay below {bound}"),
        format!("{class} {operation} {percentile}{circumstances} {found}, must stay below {bound}"),
        format!("{short} {operation} {percentile} {found}, must stay below {bound}"),
        format!("{short} {operation} {percentile} {found}, bound {bound}"),
        format!("{short} {operation} {percentile} {found}"),
    ]
}
