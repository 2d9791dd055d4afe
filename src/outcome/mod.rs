//! Plain result data, no logic: what a study found, ready to be shown or stored.
//!
//! These types *are* the JSON (design document, "JSON of `run`"): field names carry their units.
//! A figure that does not exist is null beside a reason; NaN cannot reach the JSON, because figures
//! are made by `Figure::of`, which refuses it.

mod check;
mod compare;
mod fit;
mod knee;
mod run;
mod sweep;
mod verify;
mod wear;

pub use check::*;
pub use compare::*;
pub use fit::*;
pub use knee::*;
pub use run::*;
pub use sweep::*;
pub use verify::*;
pub use wear::*;

use serde::{Deserialize, Serialize};

/// A figure with its interval at the run's confidence, or the reason why there is none.
#[derive(Clone, Debug, Default, PartialEq, Serialize, Deserialize)]
pub struct Figure {
    /// Point estimate.
    pub value: Option<f64>,
    /// Low end of the interval.
    pub low: Option<f64>,
    /// High end of the interval.
    pub high: Option<f64>,
    /// Why a part is missing.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub reason: Option<String>,
}

impl Figure {
    /// A figure with both ends; any that is not finite becomes null with a reason.
    pub fn of(value: f64, low: f64, high: f64) -> Self {
        if value.is_finite() && low.is_finite() && high.is_finite() {
            Figure { value: Some(value), low: Some(low), high: Some(high), reason: None }
        } else {
            Figure::missing("not a finite number")
        }
    }

    /// A figure known without error.
    pub fn exact(value: f64) -> Self {
        Figure::of(value, value, value)
    }

    /// No figure, and why.
    pub fn missing(reason: impl Into<String>) -> Self {
        Figure { reason: Some(reason.into()), ..Figure::default() }
    }

    /// Half the width of the interval ÷ the value, if all are there and the value is not zero.
    pub fn relative_half_width(&self) -> Option<f64> {
        match (self.value, self.low, self.high) {
            (Some(value), Some(low), Some(high)) if value != 0.0 => Some((high - low) / 2.0 / value.abs()),
            _ => None,
        }
    }
}
