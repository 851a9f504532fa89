//! Drills: their music, and drills played and checked.

mod lines;
mod played;
mod support;
mod takes;
