//! Results as they were written, told by what is in them.

use crate::outcome::SweepFindings;

use super::Findings;

impl Findings {
    /// Takes a result into account: JSON that a question wrote.
    ///
    /// # Errors
    /// Why it is none, or none that can stand beside those before: "no JSON: ...".
    pub fn take(&mut self, text: &str) -> Result<(), String> {
        let is_first = if let Ok(run) = serde_json::from_str(text) {
            self.run.replace(run).is_none()
        } else if let Ok(knee) = serde_json::from_str(text) {
            self.knee.replace(knee).is_none()
        } else if let Ok(fit) = serde_json::from_str(text) {
            self.fit.replace(fit).is_none()
        } else if let Ok(wear) = serde_json::from_str(text) {
            self.wear.replace(wear).is_none()
        } else if let Ok(compare) = serde_json::from_str(text) {
            self.compare.replace(compare).is_none()
        } else if let Ok(listing) = serde_json::from_str(text) {
            self.sweep.replace(SweepFindings { listing, scenario: None }).is_none()
        } else {
            return Err(match serde_json::from_str::<serde::de::IgnoredAny>(text) {
                Err(error) => format!("no JSON: {error}"),
                Ok(_) => {
                    "JSON, and no result of run, knee, fit, wear, compare, sweep show or sweep export of this version"
                        .into()
                }
            });
        };
        match is_first {
            true => Ok(()),
            false => Err("a second result of the same question, and a page has one of each".into()),
        }
    }
}
