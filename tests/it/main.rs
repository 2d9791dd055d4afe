//! The integration tests, in one binary.
//!
//! | module | holds |
//! | --- | --- |
//! | `measure` | intervals that cover, verdicts that are right, broken estimators that are caught |
//! | `report` | the answer on the terminal, the JSON against its schema, the CSV |
//! | `theory` | closed forms against rows from textbooks and standards |

mod measure;
mod report;
mod theory;
