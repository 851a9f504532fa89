//! Progress: many takes of one étude → what changed, beyond the errors, and what did not.
//!
//! [`figures`](mod@figures) takes from one check what is compared over days, bar by printed bar
//! and finger change by finger change. Knows nothing of files or the database.

pub mod figures;

pub use figures::{BarFigures, ChangeFigures, Evenness, TakeFigures, figures};
