//! Results as they were written, told by what is in them.

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
        } else {
            return Err(match serde_json::from_str::<serde::de::IgnoredAny>(text) {
                Err(error) => format!("no JSON: {error}"),
                Ok(_) => "JSON, and no result of run, knee, fit or wear of this version".into(),
            });
        }
        Ok(())
    }
}
