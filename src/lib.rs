//! Checks a recorded take of a single-line instrument against its written line.
//!
//! A take goes one way: [`mod@line`] reads the étude, [`sound`] the recording,
//! [`hear`] turns samples into notes, [`align`] says which heard note is which
//! written one, [`judge`] measures, [`show`] puts it into words.
//! [`keep`] holds takes over the days, [`progress`] says what changed,
//! [`class`] checks a folder of them.
//! Sounding pitch inside; written pitch, in the étude's own spelling, outside.

pub mod align;
pub mod class;
pub mod convert;
pub mod finger;
pub mod hear;
pub mod judge;
pub mod keep;
pub mod line;
pub mod live;
pub mod page;
pub mod pipeline;
pub mod practise;
pub mod progress;
pub mod said;
pub mod show;
pub mod sound;
