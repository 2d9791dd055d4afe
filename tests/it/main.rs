//! The integration tests, in one binary.
//!
//! | module | holds |
//! | --- | --- |
//! | `measure` | intervals that cover, verdicts that are right, broken estimators that are caught |
//! | `report` | the answer on the terminal, the JSON against its schema, the CSV |
//! | `scenario_errors` | malformed scenarios, and what is said about them |
//! | `theory` | closed forms against rows from textbooks and standards |
//! | `traces` | reading and replaying the shipped block traces |

mod measure;
mod report;
mod scenario_errors;
mod theory;
mod traces;
