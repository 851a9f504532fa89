//! Showing: what was found, as text and as JSON. Computes nothing.

pub mod fingers;
pub mod json;
pub mod line;
pub mod text;
pub mod words;
