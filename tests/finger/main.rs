//! Charts, the planner, and its command.

mod chart;
mod command;
#[path = "../common/mod.rs"]
mod common;
#[cfg(feature = "engrave")]
mod layer;
mod plan;
mod search;
mod support;
