//! Showing: what was found, as text and as JSON. Computes nothing.

pub mod line;
