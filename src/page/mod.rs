//! The page: line, take and findings in the browser of this machine.
//!
//! A small server on 127.0.0.1 gives one HTML file, its script and its style, all compiled in,
//! and the same JSON that the command line writes; the script draws it and computes nothing.
//! Everything that comes in lies in a temporary folder under a number of our own: no name or
//! path from the browser is ever opened.

mod assets;
mod events;
mod library;
mod line_sound;
mod lines;
mod live;
mod pictures;
mod refusal;
mod remembered;
mod reports;
mod security;
mod server;
mod store;
mod takes;

pub use server::{PageError, PageOptions, serve};
