//! The integration tests, in one binary.
//!
//! | module | holds |
//! | --- | --- |
//! | `any_time` | objectives for any time of a run with dates: the worst period decides |
//! | `arrows` | the walls between the rooms, read from the source |
//! | `behind` | log, full stripes, reduction, controllers and memory, against arithmetic and queueing theory |
//! | `budget` | sweeps that have no time for everything: spread first, said first, a probe of ten seconds |
//! | `cache` | hits, against an explicit cache under the same traffic |
//! | `cli` | help, errors, JSON, exit statuses, as a user meets them |
//! | `combinations` | designs drawn from all that can be switched on: they run, and every audit holds |
//! | `compare` | differences between designs: zero where there is none, known ones covered, errors |
//! | `coverage` | 95 % intervals hold the truth as often as they promise |
//! | `dated` | phases and faults that come and go, against theory, and errors |
//! | `defaults` | keys that a scenario leaves out: told as `explain` tells them, and no others |
//! | `determinism` | the same seed gives the same bytes on any number of threads |
//! | `drive_ratings` | a rated mix and read tail pin a drive's priors, or are refused |
//! | `drives` | a datasheet drive, alone, returns its ratings |
//! | `endurance` | the rated workload's sizes and bands, and what skew costs a drive |
//! | `fabric` | uplinks and trees of links, against the payload of their narrowest level |
//! | `failover` | a controller is lost, and the other one takes its requests |
//! | `fit` | how many machines fit: theory, faults, paper, years |
//! | `held_out` | textbook scenarios that are not shipped |
//! | `hosts` | hosts' links and queues, against wire arithmetic and closed networks |
//! | `interference` | reads behind programs, against priority queues |
//! | `judge` | whether a load is sustained: run, knee and fit agree |
//! | `knee` | the load curve against queueing theory and operational analysis |
//! | `layouts` | what protection costs: drive requests, bytes, degraded reads, rebuilds, and errors |
//! | `measure` | intervals that cover, verdicts that are right, broken estimators that are caught |
//! | `networks` | the engine alone against sojourn times from outside |
//! | `path` | what each component adds to a request's way |
//! | `plausible` | a box of common shape does about what such boxes do |
//! | `report` | the answer on the terminal, the JSON against its schema, the CSV |
//! | `rotating` | rotating drives: seek, half a turn, transfer; what reordering gains |
//! | `saturation` | overload ends in seconds, in bounded memory, and is not imagined |
//! | `scenario_errors` | malformed scenarios, and what is said about them |
//! | `serve` | a folder in a browser: what it shows and asks again, how it stops, what it refuses |
//! | `static_page` | bandwidth chain, lanes, capacity and memory of `check`, against published arithmetic and saturated runs |
//! | `surprises` | four shipped scenarios, with their mechanism and without |
//! | `sweep` | many variants: each is a run of its own, killed and resumed, in shards, with errors |
//! | `theory` | closed forms against rows from textbooks and standards |
//! | `traces` | reading and replaying the shipped block traces |
//! | `wear` | room, wear, risk and price: standards, the ledger of a long run, ranges |
//! | `within` | interrupted or out of time: what is known is said, and what progress says on the way |

#![expect(clippy::print_stdout, reason = "the figures that a statistical test found are part of its record")]

#[path = "../support/program.rs"]
mod program;
#[path = "../support/runs.rs"]
mod runs;

mod agreement;
mod any_time;
mod arrows;
mod behind;
mod budget;
mod cache;
mod cli;
mod combinations;
mod compare;
mod coverage;
mod dated;
mod defaults;
mod determinism;
mod drive_ratings;
mod drives;
mod endurance;
mod fabric;
mod failover;
mod fit;
mod held_out;
mod hosts;
mod interference;
mod judge;
mod knee;
mod layouts;
mod measure;
mod networks;
mod page;
mod path;
mod plausible;
mod report;
mod rotating;
mod saturation;
mod scenario_errors;
#[cfg(feature = "serve")]
mod serve;
mod static_page;
mod surprises;
mod sweep;
mod theory;
mod traces;
mod wear;
mod within;
