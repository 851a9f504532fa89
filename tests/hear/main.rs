//! Sound files, hearing, the built-in voice, and made takes heard through.

mod clicks;
#[path = "../common/mod.rs"]
mod common;
mod made_takes;
mod published_values;
mod signals;
mod sound_files;
mod voice;
