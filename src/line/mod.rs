//! The written line: notes in playing order, as a player reads them.
//!
//! Every reader (MusicXML, SMF, ABC) fills a [`score::Score`]; [`order`] plays out its
//! repeats and jumps and gives a [`Line`]. Knows nothing of sound or of seconds.

pub mod abc;
pub mod instruments;
pub mod musicxml;
pub mod order;
pub mod read;
pub mod score;
pub mod smf;
mod spell;
pub mod write;
pub mod xml_source;

use serde::{Deserialize, Serialize};

use score::Times;

/// A written pitch as it is spelled: letter, alteration, octave (C4 is middle C).
#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash, PartialOrd, Ord, Serialize, Deserialize)]
pub struct Spelling {
    /// 0 = C, 1 = D … 6 = B.
    pub letter: u8,
    /// Semitones of alteration: −1 flat, 2 double sharp. Microtones are rounded to the nearest semitone.
    pub alter: i8,
    /// Octave of the letter, so that B#3 sounds as C4.
    pub octave: i8,
}

impl Spelling {
    /// MIDI number of the pitch as spelled: C4 = 60, B#3 = 60.
    pub fn midi(&self) -> i32 {
        const SEMITONES: [i32; 7] = [0, 2, 4, 5, 7, 9, 11];
        (self.octave as i32 + 1) * 12 + SEMITONES[self.letter as usize % 7] + self.alter as i32
    }

    /// The pitch's name without its octave: `F##`, `Bb`.
    pub fn name(&self) -> String {
        let letter = b"CDEFGAB"[self.letter as usize % 7] as char;
        let sign = if self.alter < 0 { "b" } else { "#" };
        format!(
            "{letter}{}",
            sign.repeat(self.alter.unsigned_abs() as usize)
        )
    }

    /// The spelling of `midi` in a key of `fifths` sharps (negative: flats): the key's own note
    /// where it has one, else the usual chromatic one, counted from the major tonic: raised
    /// first, fourth and fifth, lowered third and seventh.
    pub fn of_midi(midi: i32, fifths: i32) -> Spelling {
        Spelling::from_fifths(midi, fifths - 3)
    }

    /// The pitch `semitones` away whose name lies `fifths` further on the line of fifths: a tone
    /// up is 2 semitones and 2 fifths. The two must belong together (7 · fifths ≡ semitones mod 12).
    pub fn transposed(&self, semitones: i32, fifths: i32) -> Spelling {
        let position = (2 * self.letter as i32 + 1).rem_euclid(7) - 1 + 7 * self.alter as i32;
        Spelling::from_fifths(self.midi() + semitones, position + fifths)
    }

    /// The spelling of `midi` among the twelve notes from `lowest` upwards on the line of fifths
    /// (F = −1, C = 0, G = 1 …, F# = 6, Bb = −2).
    fn from_fifths(midi: i32, lowest: i32) -> Spelling {
        // A semitone up is seven fifths up.
        let position = lowest + (midi * 7 - lowest).rem_euclid(12);
        let letter = (position * 4).rem_euclid(7) as u8;
        let alter = (position + 1).div_euclid(7) as i8;
        let natural = Spelling {
            letter,
            alter,
            octave: 0,
        };
        let octave = (midi - natural.midi()).div_euclid(12) as i8;
        Spelling {
            letter,
            alter,
            octave,
        }
    }
}

/// Alteration that a key of `fifths` sharps gives a letter (0 = C).
pub fn key_alter(letter: u8, fifths: i32) -> i32 {
    // Sharps come in the order F C G D A E B, flats backwards.
    const ORDER: [i32; 7] = [1, 3, 5, 0, 2, 4, 6];
    let rank = ORDER[letter as usize % 7];
    if fifths > 0 {
        (fifths - rank + 6).div_euclid(7)
    } else {
        -((-fifths - (6 - rank) + 6).div_euclid(7))
    }
}

impl std::fmt::Display for Spelling {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        write!(f, "{}{}", self.name(), self.octave)
    }
}

/// How a note is to be spoken, as far as it changes what is heard or judged.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum Articulation {
    Staccato,
    Staccatissimo,
    Tenuto,
    Accent,
    StrongAccent,
    DetachedLegato,
}

/// An ornament whose extra notes are played but not written out.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum Ornament {
    Trill,
    Mordent,
    InvertedMordent,
    Turn,
    InvertedTurn,
    Tremolo,
}

/// One note the player is expected to play. Tied notes are one note.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct LineNote {
    /// Printed bar number, as text.
    pub bar: String,
    /// Position of the bar in [`Line::bars`] (playing order).
    pub bar_idx: usize,
    /// Which time through this bar, from 1.
    pub pass: u32,
    /// Fractional beat from 1, in the bar's beat unit.
    pub beat: f64,
    /// From the start of the first bar of the chosen order, in quarters.
    pub onset_quarters: f64,
    /// 0 for grace notes.
    pub duration_quarters: f64,
    pub written: Spelling,
    pub sounding_midi: i32,
    pub grace: bool,
    /// True when no new tongue is expected: the note is inside a slur and not its first.
    pub slurred: bool,
    pub articulations: Vec<Articulation>,
    pub ornament: Option<Ornament>,
    pub fermata: bool,
    pub breath_after: bool,
    /// The dynamic mark that stands at this note, by its name in MusicXML: `mf`, `sfz`; `None`
    /// where the mark before it still holds.
    pub dynamic: Option<String>,
}

/// One bar in playing order.
#[derive(Clone, Debug, Default, PartialEq, Serialize, Deserialize)]
pub struct LineBar {
    /// Printed number.
    pub number: String,
    /// Index of the bar on the page (a repeated bar has one page index and several entries).
    pub page_idx: usize,
    /// Which time through, from 1.
    pub pass: u32,
    pub onset_quarters: f64,
    pub length_quarters: f64,
    /// Quarters of one beat of the bar's metre: 1.5 in 6/8.
    pub beat_quarters: f64,
    /// Beat number at the bar's start: 1, or later for a pickup and for the second half of a split bar.
    pub first_beat: f64,
    /// Length of a full bar of the metre in force; `None` without a metre, and in lines kept
    /// before it was noted, as are the next two.
    #[serde(default)]
    pub full_quarters: Option<f64>,
    /// Sharps of the written key signature in force (negative: flats).
    #[serde(default)]
    pub fifths: i32,
    /// What stands at the bar on the page to steer the order.
    #[serde(default)]
    pub signs: Signs,
}

/// The signs of one bar of the page that steer the playing order.
#[derive(Clone, Debug, Default, PartialEq, Eq, Serialize, Deserialize)]
pub struct Signs {
    pub forward: bool,
    /// Total times of the section that a backward repeat here ends, and whether it is taken
    /// after a jump too.
    pub backward: Option<(u32, bool)>,
    /// Numbers of the ending that begins here; empty: the next one.
    pub ending_start: Option<Vec<u32>>,
    pub ending_stop: bool,
    pub segno: bool,
    pub coda: bool,
    /// Act at the bar's end, on the times through it that they name.
    pub fine: Option<Times>,
    pub da_capo: Option<Times>,
    pub dal_segno: Option<Times>,
    pub to_coda: Option<Times>,
}

/// A tempo mark: `bpm` beats of `beat_quarters` quarters a minute.
#[derive(Clone, Copy, Debug, PartialEq, Serialize, Deserialize)]
pub struct TempoMark {
    pub beat_quarters: f64,
    pub bpm: f64,
}

/// Written key: `fifths` sharps (negative: flats) and the mode's name, `major` where unknown.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize)]
pub struct Key {
    pub fifths: i32,
    pub mode: String,
}

impl Default for Key {
    fn default() -> Self {
        Key {
            fifths: 0,
            mode: "major".into(),
        }
    }
}

/// A fault of the file, with its place: line and column, or bar and beat.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize)]
pub struct Problem {
    pub place: String,
    pub text: String,
}

/// The line to be played.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct Line {
    pub title: String,
    /// The chosen part's name, and the names of all.
    pub part: String,
    pub parts: Vec<String>,
    /// Name in the instrument table, `unknown` when neither file nor player says.
    pub instrument: String,
    /// Written to sounding, semitones: −2 for a clarinet in B flat.
    pub transpose_semitones: i32,
    pub key: Key,
    pub tempo: Option<TempoMark>,
    pub bars: Vec<LineBar>,
    pub notes: Vec<LineNote>,
    pub problems: Vec<Problem>,
}

impl Line {
    /// Where a note stands on the page: its bar there and its distance from the start of that in
    /// 960ths of a quarter. The passes through a repeat are one place.
    pub fn page_place(&self, note: &LineNote) -> (usize, i64) {
        let bar = &self.bars[note.bar_idx];
        let within = note.onset_quarters - bar.onset_quarters;
        (bar.page_idx, (960.0 * within).round() as i64)
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn key_signatures_alter_the_letters_of_the_circle_of_fifths() {
        // Common practice: 3 sharps are F C G, 3 flats are B E A.
        let of = |fifths| (0..7).map(|l| key_alter(l, fifths)).collect::<Vec<_>>();
        assert_eq!(of(0), [0; 7]);
        assert_eq!(of(3), [1, 0, 0, 1, 1, 0, 0]);
        assert_eq!(of(-3), [0, 0, -1, 0, 0, -1, -1]);
        assert_eq!(of(7), [1; 7]);
        assert_eq!(of(-7), [-1; 7]);
    }
}
