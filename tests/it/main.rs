//! The integration tests, in one binary.
//!
//! | module | holds |
//! | --- | --- |
//! | `arrows` | the walls between the rooms, read from the source |
//! | `cache` | hits, against an explicit cache under the same traffic |
//! | `cli` | help, errors, JSON, exit statuses, as a user meets them |
//! | `coverage` | 95 % intervals hold the truth as often as they promise |
//! | `dated` | phases and faults that come and go, against theory, and errors |
//! | `determinism` | the same seed gives the same bytes on any number of threads |
//! | `drives` | a datasheet drive, alone, returns its ratings |
//! | `held_out` | textbook scenarios that are not shipped |
//! | `interference` | reads behind programs, against priority queues |
//! | `layouts` | what protection costs: drive requests, bytes, degraded reads, rebuilds, and errors |
//! | `measure` | intervals that cover, verdicts that are right, broken estimators that are caught |
//! | `networks` | the engine alone against sojourn times from outside |
//! | `path` | what each component adds to a request's way |
//! | `report` | the answer on the terminal, the JSON against its schema, the CSV |
//! | `saturation` | overload ends in seconds, in bounded memory, and is not imagined |
//! | `scenario_errors` | malformed scenarios, and what is said about them |
//! | `theory` | closed forms against rows from textbooks and standards |
//! | `traces` | reading and replaying the shipped block traces |

#![expect(clippy::print_stdout, reason = "the figures that a statistical test found are part of its record")]

#[path = "../support/program.rs"]
mod program;
#[path = "../support/runs.rs"]
mod runs;

mod arrows;
mod cache;
mod cli;
mod coverage;
mod dated;
mod determinism;
mod drives;
mod held_out;
mod interference;
mod layouts;
mod measure;
mod networks;
mod path;
mod report;
mod saturation;
mod scenario_errors;
mod theory;
mod traces;
