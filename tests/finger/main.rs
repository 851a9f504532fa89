//! Charts, the planner, and its command.

mod chart;
mod command;
#[path = "../common/mod.rs"]
mod common;
mod plan;
mod search;
mod support;
