//! Aligning, judging, and the report in words.

mod accuracy;
mod align_cases;
mod align_properties;
mod align_rates;
mod align_support;
mod check_command;
#[path = "../common/mod.rs"]
mod common;
mod report;
mod support;
mod time;
