//! The page as a reader found it, before repeats are played out: what every file
//! format is turned into, and what [`super::order`] turns into a [`super::Line`].

use super::{Articulation, Key, Ornament, Problem, Spelling, TempoMark};

/// A whole file.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct Score {
    pub title: String,
    pub parts: Vec<Part>,
    pub problems: Vec<Problem>,
}

/// One part: one player's music. Voices have been chosen and chords reduced by the reader.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct Part {
    pub name: String,
    /// Name in the instrument table, where the file says which.
    pub instrument: Option<String>,
    /// What the file says of the instrument (part name, instrument name, sound id), best first,
    /// for the table to look up.
    pub instrument_hints: Vec<String>,
    /// Written to sounding in semitones, where the file says so.
    pub transpose_semitones: Option<i32>,
    /// The pitches are sounding ones and nothing says how the player's part is written: an
    /// instrument that transposes must have them written anew.
    pub concert_pitch: bool,
    pub key: Key,
    pub tempo: Option<TempoMark>,
    pub measures: Vec<Measure>,
    /// Faults in this part only; those of the whole file are the score's.
    pub problems: Vec<Problem>,
}

impl Part {
    /// Whether an element of the part had to be read otherwise than it stands there: such a
    /// problem has a line and a column.
    pub fn has_faults(&self) -> bool {
        self.problems.iter().any(|p| p.place.starts_with("line "))
    }
}

/// One bar of the page.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct Measure {
    /// Printed number, as text.
    pub number: String,
    /// Real length in quarters, as far as the music in it reaches.
    pub length_quarters: f64,
    /// Quarters of one beat of the metre in force (1.5 in 6/8); 1 without a metre.
    pub beat_quarters: f64,
    /// Beat number at the bar's start: 1 unless a pickup or the second half of a split bar.
    pub first_beat: f64,
    /// Length of a full bar of the metre in force; `None` without a metre.
    pub full_quarters: Option<f64>,
    /// Sharps of the written key signature in force at the bar's start (negative: flats).
    pub fifths: i32,
    pub notes: Vec<ScoreNote>,
    pub repeat_forward: bool,
    /// Total times the section is played when the bar ends with a backward repeat (2 is usual).
    pub repeat_backward: Option<u32>,
    /// The backward repeat is taken after a jump (D.C., D.S.) too; unusual.
    pub repeat_after_jump: bool,
    /// Numbers of the ending that begins here (`[1]`, `[1,2]`), and whether one stops at this bar's end.
    pub ending_start: Option<Vec<u32>>,
    pub ending_stop: bool,
    pub segno: bool,
    pub coda: bool,
    /// Jump and stop signs, acting at the bar's end.
    pub fine: Option<Times>,
    pub da_capo: Option<Times>,
    pub dal_segno: Option<Times>,
    pub to_coda: Option<Times>,
}

/// The times through its bar on which a sign is obeyed; empty: on its usual one (D.C. and D.S.
/// the first time, To Coda and Fine after a jump).
pub type Times = Vec<u32>;

/// One note of the page.
#[derive(Clone, Debug, PartialEq)]
pub struct ScoreNote {
    /// From the start of its bar, in quarters. Grace notes stand at their main note's place, before it.
    pub at_quarters: f64,
    pub duration_quarters: f64,
    /// Written pitch.
    pub pitch: Spelling,
    /// Written to sounding in force here, when the part changes it under way (`None`: the part's).
    pub transpose_semitones: Option<i32>,
    pub grace: bool,
    pub tie_start: bool,
    pub tie_stop: bool,
    /// Inside a slur and not its first note.
    pub slurred: bool,
    pub articulations: Vec<Articulation>,
    pub ornament: Option<Ornament>,
    pub fermata: bool,
    pub breath_after: bool,
    /// The dynamic mark that stands here: `mf`, `sfz`.
    pub dynamic: Option<String>,
    /// The times through the bar on which it is played; empty: on all.
    pub time_only: Times,
    /// Byte of the file's text at which its element begins; `None` where the file is no text of
    /// elements.
    pub source: Option<usize>,
}
