//! Aligning: which heard note is which written one.
//!
//! The search never sees samples; [`look_again`] asks the sound about what it ends in. Works in notes of the line (indices into [`crate::line::Line::notes`])
//! and heard notes (indices into [`crate::hear::Hearing::notes`]).
//!
//! [`expected`] takes from the line what the search needs, [`sound`] weighs every heard note,
//! [`path`] finds the most likely performance: first by pitch and order, then once more with the
//! local tempo ([`tempo`]) of what was found. [`shift`] settles tuning and transposition,
//! [`outcome`] turns the path into outcomes, [`jump_place`] doubts what a jump passed over,
//! [`octaves`] what the instrument's own sound puts an octave off.

mod again;
mod costs;
mod doubt;
pub(crate) mod expected;
mod jump_place;
pub(crate) mod model;
mod octaves;
mod outcome;
mod path;
pub(crate) mod pitch;
mod posterior;
mod practice;
mod rhythm;
mod shift;
mod sound;
mod tempo;

pub use again::{Looks, look_again};
pub use expected::passage;
pub use rhythm::Rhythm;

use serde::{Deserialize, Serialize};

use crate::hear::Hearing;
use crate::line::Line;
use costs::Costs;
use expected::Expected;
use path::Path;
use pitch::Tuning;
use sound::Sound;

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
    /// Sounding pitch taken for this note: the candidate chosen, at the take's tuning, nearest
    /// semitone. As it sounded: [`Alignment::transposed_semitones`] is not taken off.
    pub heard_midi: Option<i32>,
    /// Heard an octave, a twelfth or another register of the same fingering away.
    pub register_slip: bool,
    /// Probability that `outcome` is true.
    pub confidence: f64,
}

/// How sure one is of what was taken back.
const TAKEN_BACK: f64 = 0.5;

impl Attempt {
    /// An accusation that does not stand: nobody can say.
    fn take_back(&mut self) {
        self.outcome = Outcome::Unsure;
        self.confidence = TAKEN_BACK;
        self.register_slip = false;
    }
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
    /// Doubtful heard notes that are a line note's own sound going on: (heard index, line index).
    pub continued: Vec<(usize, usize)>,
    pub restarts: Vec<Restart>,
    pub skips: Vec<Skip>,
    /// Constant shift between line and take, heard minus written-as-sounding, semitones.
    pub transposed_semitones: i32,
    /// Tuning used to round heard pitches, and its standard error.
    pub a4_hz: f64,
    pub a4_hz_se: f64,
}

/// What the player said about the take.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct AlignOptions {
    /// Printed numbers of the first and last bar of the passage that was played; see [`passage`].
    /// Numbers that are not in the line leave the whole line expected.
    pub bars: Option<(String, String)>,
    /// The rhythm a run was practised in.
    pub rhythm: Option<Rhythm>,
    /// Index of the note that the first sound is known to be: a take followed from its middle.
    pub begins_at: Option<usize>,
}

/// Rounds of searching with the tempo that the round before found.
const TEMPO_ROUNDS: usize = 2;

/// Says which heard note is which note of `line`.
///
/// Costs O(heard notes × line notes) time and five bytes of memory per pair. Never fails: where
/// nothing fits, every note is [`Outcome::NotReached`].
pub fn align(line: &Line, hearing: &Hearing, options: &AlignOptions) -> Alignment {
    let range = options
        .bars
        .as_ref()
        .and_then(|(from, to)| passage(line, from, to))
        .unwrap_or(0..line.notes.len());
    let mut expected = Expected::new(line, range, options.rhythm.as_ref());
    expected.begin_at(options.begins_at);
    let mut fit = Fit::new(hearing, &expected, Tuning::of_a4(hearing.a4_hz));
    for tuning in shift::candidates(hearing, &expected, fit.tuning) {
        let shifted = Fit::new(hearing, &expected, tuning);
        if shifted.path.score > fit.path.score + shift::SHIFT_ODDS {
            fit = shifted;
        }
    }
    let mut a4_se_semitones = f64::NAN;
    if let Some((tuning, se)) = shift::refine(&expected, &fit.sounds, &fit.path, fit.tuning) {
        a4_se_semitones = se;
        fit.tuning = tuning;
        fit.sounds = sound::weigh(hearing, &expected, tuning);
    }
    let mut tempo = None;
    for _ in 0..TEMPO_ROUNDS {
        tempo = tempo::local(&expected, &fit.sounds, &fit.path);
        let path = path::search(&Costs {
            expected: &expected,
            sounds: &fit.sounds,
            tempo: tempo.as_ref(),
        });
        let settled = path.steps == fit.path.steps;
        fit.path = path;
        if settled {
            break;
        }
    }
    practice::tidy(&mut fit.path.steps, &fit.sounds, &expected);
    let costs = Costs {
        expected: &expected,
        sounds: &fit.sounds,
        tempo: tempo.as_ref(),
    };
    let scene = outcome::Scene {
        line,
        hearing,
        costs: &costs,
        path: &fit.path,
        tuning: fit.tuning,
        doubt: doubt::Doubt::of(&fit.path.steps, &fit.sounds),
    };
    let mut alignment = outcome::decide(&scene);
    alignment.a4_hz = 440.0 * (fit.tuning.offset_semitones / 12.0).exp2();
    alignment.a4_hz_se = if a4_se_semitones.is_finite() {
        alignment.a4_hz * std::f64::consts::LN_2 / 12.0 * a4_se_semitones
    } else {
        hearing.a4_hz_se
    };
    octaves::forgive(&mut alignment, line, hearing);
    alignment
}

/// Heard notes weighed at one tuning, and the path that pitch and order give.
struct Fit {
    tuning: Tuning,
    sounds: Vec<Sound>,
    path: Path,
}

impl Fit {
    fn new(hearing: &Hearing, expected: &Expected, tuning: Tuning) -> Fit {
        let sounds = sound::weigh(hearing, expected, tuning);
        let path = path::search(&Costs {
            expected,
            sounds: &sounds,
            tempo: None,
        });
        Fit {
            tuning,
            sounds,
            path,
        }
    }
}
