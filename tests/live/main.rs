//! Listening live, through a real sound server.

#[path = "../common/mod.rs"]
mod common;
mod ladder;
mod listen;
mod microphone;
mod play;
mod support;
