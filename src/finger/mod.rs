//! How the line lies under the hand: a chart of fingerings, the cost of every finger change, and
//! the cheapest way through the whole line.
//!
//! Works on written pitch, since fingers do. Knows nothing of sound.

pub mod change;
pub mod chart;
pub mod plan;
mod search;
pub mod states;
pub mod wishes;

pub use change::Change;
pub use chart::{Chart, ChartError, Fingering};
pub use plan::{Plan, plan};
pub use wishes::{WishError, Wishes};
