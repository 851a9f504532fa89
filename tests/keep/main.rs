//! The library of takes, its review, and a class at once.

mod class_command;
#[path = "../common/mod.rs"]
mod common;
#[cfg(unix)]
mod crash;
mod library;
mod review;
mod schema;
mod support;
