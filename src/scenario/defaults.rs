//! What was left out of a scenario and holds by default.

/// A key that the scenario leaves out, or the same key of all tables of a list.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct KeyAtDefault {
    /// As the user would write it; `class.*.arrivals` where every class leaves it out.
    pub key: String,
    /// What holds, with its unit, as `explain` spells it.
    pub value: String,
    /// Where that comes from.
    pub source: &'static str,
}

/// Keys at their default, in the order of the table of keys.
///
/// How a value came to be there does not change what is asked: a scenario that writes a default out is equal to one
/// that leaves it out.
#[derive(Clone, Debug, Default)]
pub struct Defaults(pub Vec<KeyAtDefault>);

impl PartialEq for Defaults {
    fn eq(&self, _: &Defaults) -> bool {
        true
    }
}
