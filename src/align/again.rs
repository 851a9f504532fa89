//! A second look into the sound at what would be accused.
//!
//! The search weighs notes that were heard without knowing the line. Where it ends in an
//! accusation, the line says which pitch to look for: what of the sound is there that only the
//! note heard explains, and is the note that should have come there after all? An accusation that
//! does not stand the look is taken back; none is ever made. Shares and bounds were read off 440
//! accusations on made takes in rooms, noise and sampled voices.

use std::collections::HashMap;

use super::{Alignment, Outcome};
use crate::convert::{midi_to_hz, nearest_harmonic};
use crate::hear::look::Sound;
use crate::hear::{HeardNote, Hearing};
use crate::line::Line;

/// A note heard at a harmonic below the written one, semitones off at the most: where two notes
/// ring into each other they are heard as the note of which both are harmonics.
const HARMONIC_SEMITONES: f64 = 0.6;
const HARMONICS: std::ops::RangeInclusive<f64> = 2.0..=8.0;
/// Harmonics of the written note that are looked at, with a little room.
const TOP_HARMONIC: f64 = 6.2;

/// Share of what the note heard explains that the written one explains as well, from which nothing
/// tells them apart, and from which there is nothing of the lower one at all. A note that is
/// truly a harmonic below has 1 to 40 % there (three of 64 had 60 %).
const EITHER: f64 = 0.5;
const NOTHING_BELOW: f64 = 0.95;

/// Longest stretch of a note looked at, seconds, and what is left out at its beginning.
const LOOK_S: f64 = 0.1;
const ATTACK_S: f64 = 0.003;

/// Share of the sound somewhere in the time of a note said to be missed that only that note
/// explains, from which it may have been played: of 168 that were left out one had more.
const PLAYED: f64 = 0.4;
/// What is looked at for it at a time: so many of its periods, and at least so long; the steps.
const PERIODS: f64 = 2.5;
const SPAN_S: f64 = 0.03;
const STEP_S: f64 = 0.008;
/// Looked for no farther than so many notes of the line from one that was heard, and between two
/// no farther apart than this, seconds: all that the look costs.
const MISSED_MOST: usize = 4;
const BETWEEN_MOST_S: f64 = 3.0;
/// How far into the next note, seconds.
const INTO_NEXT_S: f64 = 0.06;
/// How far back a note before them may still ring, seconds, and how sure it is.
const RINGING_S: f64 = 0.5;
const RINGING_CONFIDENCE: f64 = 0.4;
/// Pitches nearer than this are one.
const SAME_SEMITONES: f64 = 0.7;

/// What was seen is kept until it is so much, of a take that is still heard.
const SEEN_MOST: usize = 1000;

/// How sure one is of what is right after all.
const RIGHT_AFTER_ALL: f64 = 0.9;

/// Takes back accusations of `alignment` that the sound does not bear out.
pub fn look_again(alignment: &mut Alignment, line: &Line, hearing: &Hearing, sound: &Sound) {
    Looks::default().look(alignment, line, hearing, sound, usize::MAX);
}

/// What looks have shown, so that a take that is still heard is not looked at twice.
#[derive(Default)]
pub struct Looks {
    seen: HashMap<Suspect, Verdict>,
}

/// A note of the line, and the onsets (bits of seconds) of the sound taken for it, or of those
/// between which it is missing.
#[derive(Clone, Copy, PartialEq, Eq, Hash)]
struct Suspect {
    idx: usize,
    from: u64,
    until: u64,
}

#[derive(Clone, Copy)]
enum Verdict {
    Stands,
    /// Nobody can say.
    Doubtful,
    /// The written note after all.
    Right,
}

impl Looks {
    /// As [`look_again`], with no more than `most` looks that were not made before: what is not
    /// looked at yet is unsure. `sound` may have forgotten the beginning: what is accused there
    /// stands as it was seen last.
    pub fn look(
        &mut self,
        alignment: &mut Alignment,
        line: &Line,
        hearing: &Hearing,
        sound: &Sound,
        mut most: usize,
    ) {
        let tuning_semitones = 12.0 * (alignment.a4_hz / 440.0).log2();
        if !tuning_semitones.is_finite() {
            return;
        }
        let shift = alignment.transposed_semitones;
        let written = |idx: usize| {
            let sounding = line.notes[idx].sounding_midi + shift;
            (sounding, f64::from(sounding) + tuning_semitones)
        };
        let mut verdict = |idx: usize, from_s: f64, until_s: f64, look: &dyn Fn() -> Verdict| {
            let suspect = Suspect {
                idx,
                from: from_s.to_bits(),
                until: until_s.to_bits(),
            };
            if let Some(seen) = self.seen.get(&suspect) {
                return *seen;
            }
            if from_s < sound.begins_s() {
                return Verdict::Stands;
            }
            if most == 0 {
                return Verdict::Doubtful;
            }
            most -= 1;
            let seen = look();
            self.seen.insert(suspect, seen);
            seen
        };
        for (idx, note) in alignment.notes.iter_mut().enumerate() {
            for attempt in note.earlier.iter_mut().chain([&mut note.last]) {
                if let (Outcome::Wrong, Some(heard)) = (
                    attempt.outcome,
                    attempt.heard_idx.map(|j| &hearing.notes[j]),
                ) {
                    let (sounding, midi) = written(idx);
                    let look = || look_at_wrong(heard, midi, sound);
                    match verdict(idx, heard.onset_s, heard.onset_s, &look) {
                        Verdict::Stands => {}
                        Verdict::Doubtful => attempt.take_back(),
                        Verdict::Right => {
                            attempt.outcome = Outcome::Right;
                            attempt.confidence = RIGHT_AFTER_ALL;
                            attempt.heard_midi = Some(sounding);
                            attempt.register_slip = false;
                        }
                    }
                }
            }
        }
        let heard: Vec<Option<usize>> =
            (alignment.notes.iter().map(|n| n.last.heard_idx)).collect();
        for idx in 0..heard.len() {
            let last = &mut alignment.notes[idx].last;
            if last.outcome != Outcome::Missed {
                continue;
            }
            // Only where a few are missed between two that were heard.
            let before = heard[idx.saturating_sub(MISSED_MOST)..idx].iter().rev();
            let after = heard[idx + 1..].iter().take(MISSED_MOST);
            let (Some(before), Some(after)) = (before.flatten().next(), after.flatten().next())
            else {
                continue;
            };
            let (before, after) = (&hearing.notes[*before], &hearing.notes[*after]);
            if after.onset_s - before.onset_s >= BETWEEN_MOST_S {
                continue;
            }
            let look = || {
                if may_have_been_played(written(idx).1, before, after, hearing, sound) {
                    Verdict::Doubtful
                } else {
                    Verdict::Stands
                }
            };
            if let Verdict::Doubtful = verdict(idx, before.onset_s, after.onset_s, &look) {
                last.take_back();
            }
        }
        self.forget(sound.begins_s());
    }

    /// Drops what was seen long before the sound begins.
    fn forget(&mut self, begins_s: f64) {
        if self.seen.len() > SEEN_MOST {
            let old = begins_s.to_bits();
            self.seen.retain(|suspect, _| suspect.until >= old);
        }
    }
}

fn look_at_wrong(heard: &HeardNote, midi: f64, sound: &Sound) -> Verdict {
    let span_s = (
        heard.onset_s + ATTACK_S,
        heard.offset_s.min(heard.onset_s + LOOK_S),
    );
    let top_hz = TOP_HARMONIC * midi_to_hz(midi.max(heard.midi), 440.0);
    let share = |midi: f64| sound.explained(span_s, &[midi], top_hz);
    let above = midi - heard.midi;
    let is_harmonic = |semitones: f64| {
        let (number, off) = nearest_harmonic(semitones);
        HARMONICS.contains(&number) && off.abs() < HARMONIC_SEMITONES
    };
    let as_well = share(midi) / share(heard.midi).max(1e-6);
    // Whatever sounds at a harmonic of the written note, that one explains it as well.
    let doubtful = if is_harmonic(above) {
        as_well >= EITHER
    } else {
        !is_harmonic(-above) && as_well > 1.0
    };
    if is_harmonic(above) && as_well >= NOTHING_BELOW {
        Verdict::Right
    } else if doubtful {
        Verdict::Doubtful
    } else {
        Verdict::Stands
    }
}

/// Whether the sound between two notes holds what neither they nor what rings explain.
fn may_have_been_played(
    midi: f64,
    before: &HeardNote,
    after: &HeardNote,
    hearing: &Hearing,
    sound: &Sound,
) -> bool {
    let may_ring = |n: &&HeardNote| {
        (before.onset_s - RINGING_S..before.onset_s).contains(&n.onset_s)
            && n.confidence > RINGING_CONFIDENCE
    };
    let mut known = vec![before.midi, after.midi];
    known.extend(hearing.notes.iter().rev().find(may_ring).map(|n| n.midi));
    if known.iter().any(|k| (k - midi).abs() < SAME_SEMITONES) {
        return false;
    }
    let top_hz = TOP_HARMONIC * midi_to_hz(midi, 440.0);
    let length_s = (PERIODS / midi_to_hz(midi, 440.0)).max(SPAN_S);
    let until_s = after.offset_s.min(after.onset_s + INTO_NEXT_S);
    let steps = (0..).map(|k| before.onset_s + STEP_S * f64::from(k));
    let spans_s = steps.map(|from_s| (from_s, from_s + length_s));
    let mut loudest = (0.0, 0.0);
    for span_s in spans_s.take_while(|span_s| span_s.1 <= until_s) {
        let without = sound.explained(span_s, &known, top_hz);
        known.push(midi);
        let gain = sound.explained(span_s, &known, top_hz) - without;
        known.pop();
        let power = gain * sound.power(span_s);
        if power > loudest.0 {
            loudest = (power, gain);
        }
    }
    loudest.1 >= PLAYED
}
