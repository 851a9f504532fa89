//! What the player should know, worst first, grouped by cause.

mod pitch;
mod places;
mod sound;
mod time;

use super::check::{Cause, Check, Finding, FindingKind, Place};
use super::local::Deviation;
use super::onsets::{Before, Played};
use crate::align::Alignment;
use crate::line::{Line, Spelling, key_alter};

/// A finding and how much it weighs against the others; only the order matters.
pub(super) struct Weighed {
    pub weight: f64,
    pub finding: Finding,
}

/// All that findings are made of.
pub(super) struct Evidence<'a> {
    pub line: &'a Line,
    pub befores: &'a [Before],
    pub played: &'a [Played],
    pub alignment: &'a Alignment,
    pub deviations: &'a [Option<Deviation>],
    pub check: &'a Check,
}

/// Findings of a take, worst first.
pub fn findings(
    line: &Line,
    befores: &[Before],
    played: &[Played],
    alignment: &Alignment,
    deviations: &[Option<Deviation>],
    check: &Check,
) -> Vec<Finding> {
    let evidence = Evidence {
        line,
        befores,
        played,
        alignment,
        deviations,
        check,
    };
    let mut weighed = pitch::wrong(&evidence);
    weighed.extend(places::all(&evidence));
    weighed.extend(time::uneven(&evidence));
    weighed.extend(time::stopped(&evidence));
    weighed.extend(time::tempo(&evidence));
    weighed.extend(sound::all(&evidence));
    weighed.sort_by(|a, b| {
        b.weight
            .total_cmp(&a.weight)
            .then(a.finding.place.first().cmp(&b.finding.place.first()))
    });
    weighed.into_iter().map(|w| w.finding).collect()
}

impl Evidence<'_> {
    /// A finding at `places` (in playing order, not empty), to be filled in.
    fn at(&self, kind: FindingKind, cause: Cause, place: Place, places: Vec<usize>) -> Finding {
        let note = &self.line.notes[place.first()];
        Finding {
            kind,
            place,
            bar: note.bar.clone(),
            beat: note.beat,
            value: None,
            unit: None,
            se: None,
            cause,
            written: None,
            heard: None,
            places,
            text: String::new(),
        }
    }

    /// A finding about single notes; it stands at the first.
    fn at_notes(&self, kind: FindingKind, cause: Cause, places: Vec<usize>) -> Finding {
        self.at(kind, cause, Place::Note { index: places[0] }, places)
    }

    /// A finding about a span of notes.
    fn at_span(&self, kind: FindingKind, cause: Cause, first: usize, last: usize) -> Finding {
        let place = Place::Span {
            first_index: first,
            last_index: last,
        };
        self.at(kind, cause, place, (first..=last).collect())
    }

    /// Written MIDI number of a pitch heard at note `idx`.
    fn heard_written(&self, idx: usize, heard_midi: i32) -> i32 {
        let note = &self.line.notes[idx];
        heard_midi
            - self.alignment.transposed_semitones
            - (note.sounding_midi - note.written.midi())
    }

    /// A pitch heard at note `idx` as the player would write it there.
    fn heard_spelling(&self, idx: usize, heard_midi: i32) -> Spelling {
        spell_near(
            self.line.notes[idx].written,
            self.heard_written(idx, heard_midi),
            self.line.key.fifths,
        )
    }
}

/// What was heard at a note of the line, as the player would write it there; `None` where no
/// pitch was.
pub fn heard_as(line: &Line, check: &Check, index: usize) -> Option<Spelling> {
    let note = line.notes.get(index)?;
    let heard_midi = check.notes.get(index)?.heard_midi?;
    let written =
        heard_midi - check.tuning.transposed_semitones - (note.sounding_midi - note.written.midi());
    Some(spell_near(note.written, written, line.key.fifths))
}

/// Spelling of a written pitch heard where `written` stood: on the same letter where that
/// gives an everyday name (`F#` heard for `F##`), else the key's own.
pub(super) fn spell_near(written: Spelling, midi: i32, fifths: i32) -> Spelling {
    let alter = midi - (written.midi() - i32::from(written.alter));
    let same_letter = Spelling {
        alter: alter as i8,
        ..written
    };
    // E#, B#, Cb and Fb are everyday names only where the key has them.
    let odd = matches!((written.letter, alter), (2 | 6, 1) | (0 | 3, -1));
    if alter == i32::from(written.alter)
        || (alter.abs() <= 1 && (!odd || key_alter(written.letter, fifths) == alter))
    {
        same_letter
    } else {
        Spelling::of_midi(midi, fifths)
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn heard_pitches_are_spelled_near_what_was_written() {
        let f_double_sharp = Spelling {
            letter: 3,
            alter: 2,
            octave: 4,
        };
        let name = |written, midi, fifths| spell_near(written, midi, fifths).to_string();
        assert_eq!(name(f_double_sharp, 66, 4), "F#4");
        assert_eq!(name(f_double_sharp, 67, 4), "F##4");
        assert_eq!(name(f_double_sharp, 69, 4), "A4");
        let e = Spelling {
            letter: 2,
            alter: 0,
            octave: 5,
        };
        assert_eq!(name(e, 77, 0), "F5");
        assert_eq!(name(e, 77, 6), "E#5");
        assert_eq!(name(e, 75, -2), "Eb5");
    }
}
