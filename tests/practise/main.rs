//! Drills: their music, and drills played and checked.

mod lines;
mod support;
mod takes;
