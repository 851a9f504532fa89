//! Showing: what was found, as text and as JSON. Computes nothing.

pub mod class;
pub mod fingers;
pub mod json;
pub mod line;
pub mod practise;
pub mod review;
mod review_page;
pub mod text;
pub mod words;
