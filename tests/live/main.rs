//! Listening live, through a real sound server.

#[path = "../common/mod.rs"]
mod common;
mod listen;
mod microphone;
mod play;
mod support;
