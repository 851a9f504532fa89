//! Progress: many takes of one étude → what changed, beyond the errors, and what did not.
//!
//! [`figures`](mod@figures) takes from one check what is compared over days, bar by printed bar
//! and finger change by finger change; [`compare()`] holds two groups of takes against each other;
//! [`review()`] chooses the groups and lists the days. Knows nothing of files or the database.

pub mod compare;
mod estimate;
pub mod figures;
pub mod review;
mod tests_of_change;

pub use compare::{Comparison, Measure, Verdict, compare};
pub use figures::{BarFigures, ChangeFigures, Evenness, TakeFigures, figures};
pub use review::{Review, TakePoint, review};
