//! Aligning: which heard note is which written one.
//!
//! Never sees samples. Works in notes of the line (indices into [`crate::line::Line::notes`])
//! and heard notes (indices into [`crate::hear::Hearing::notes`]).

use serde::{Deserialize, Serialize};

#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash, Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
pub enum Outcome {
    Right,
    Wrong,
    Missed,
    Unsure,
    NotReached,
}

/// One try at a note of the line.
#[derive(Clone, Debug, PartialEq)]
pub struct Attempt {
    pub outcome: Outcome,
    /// The heard note; `None` when missed in this attempt.
    pub heard_idx: Option<usize>,
    /// Which uninterrupted stretch of playing it belongs to (0 first; a restart or skip begins the next).
    pub stretch: usize,
    /// Sounding pitch taken for this note: the candidate chosen, at the take's tuning, nearest semitone.
    pub heard_midi: Option<i32>,
    /// Heard an octave, a twelfth or another register of the same fingering away.
    pub register_slip: bool,
    /// Probability that `outcome` is true.
    pub confidence: f64,
}

/// What became of one note of the line: its last attempt, and those before it.
#[derive(Clone, Debug, PartialEq)]
pub struct NoteMatch {
    pub last: Attempt,
    pub earlier: Vec<Attempt>,
}

/// A sound that belongs to no note of the line; `after_idx` is the line note sounding or played before it.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Extra {
    pub heard_idx: usize,
    pub after_idx: Option<usize>,
    pub confidence: f64,
}

#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Restart {
    /// Where the playing broke off: end of the last sound before going back.
    pub at_s: f64,
    /// Last note played before, first note played after.
    pub from_idx: usize,
    pub to_idx: usize,
}

#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Skip {
    pub at_s: f64,
    pub from_idx: usize,
    pub to_idx: usize,
    /// The skip is a repeat of the score that was not taken.
    pub repeat_left_out: bool,
}

/// Who is who.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct Alignment {
    /// One entry a note of the line.
    pub notes: Vec<NoteMatch>,
    pub added: Vec<Extra>,
    /// Sounds between two notes too short to accuse anyone.
    pub transitions: Vec<Extra>,
    /// Heard notes that are part of an ornament or grace figure of a line note: (heard index, line index).
    pub ornamental: Vec<(usize, usize)>,
    pub restarts: Vec<Restart>,
    pub skips: Vec<Skip>,
    /// Constant shift between line and take, heard minus written-as-sounding, semitones.
    pub transposed_semitones: i32,
    /// Tuning used to round heard pitches, and its standard error.
    pub a4_hz: f64,
    pub a4_hz_se: f64,
}
