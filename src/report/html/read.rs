//! Results as they were written, told by what is in them.

use crate::outcome::SweepFindings;

use super::Findings;

impl Findings {
    /// Takes a result into account: JSON that a question wrote.
    ///
    /// # Errors
    /// Why it is none: "no JSON: ...".
    pub fn take(&mut self, text: &str) -> Result<(), String> {
        if let Ok(run) = serde_json::from_str(text) {
            self.run = Some(run);
        } else if let Ok(knee) = serde_json::from_str(text) {
            self.knee = Some(knee);
        } else if let Ok(fit) = serde_json::from_str(text) {
            self.fit = Some(fit);
        } else if let Ok(wear) = serde_json::from_str(text) {
            self.wear = Some(wear);
        } else if let Ok(compare) = serde_json::from_str(text) {
            self.compare = Some(compare);
        } else if let Ok(listing) = serde_json::from_str(text) {
            self.sweep = Some(SweepFindings { listing, scenario: None });
        } else {
            return Err(match serde_json::from_str::<serde::de::IgnoredAny>(text) {
                Err(error) => format!("no JSON: {error}"),
                Ok(_) => {
                    "JSON, and no result of run, knee, fit, wear, compare, sweep show or sweep export of this version"
                        .into()
                }
            });
        }
        Ok(())
    }
}
