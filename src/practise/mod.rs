//! What to practise: findings and the fingering plan become drills, tempo steps and a sheet for
//! today, and any line becomes sound.
//!
//! Drills are lines like any other: they can be printed, heard, played to a click and checked.
//! Knows nothing of samples.

mod choose;
mod compose;
mod drills;
mod key;
pub mod ladder;
pub mod perform;
mod places;
pub mod sheet;

pub use choose::{Evidence, drills};
pub use drills::{Drill, DrillKind, StartFrom};
pub use ladder::{Ladder, Pass, Step};
