//! Sound: takes in, the built-in reed voice out. Knows nothing of written notes.

pub mod voice;
