//! Notes that the instrument's own sound puts an octave off.
//!
//! Some reeds sound so that nearly all of a note's power stands at the harmonics of the octave
//! below it, or at its even ones: no listener without the player's fingers can say which octave
//! was meant. It shows in the take: where a player slips into another octave once, such an
//! instrument does so wherever it comes to that pitch. There nobody is accused of it.

use super::{Alignment, Outcome};
use crate::hear::Hearing;
use crate::line::Line;

/// Written pitches this near to each other share their sound, semitones.
const NEAR_SEMITONES: i32 = 2;

/// So many other notes there that came an octave off, and their share of those heard, say that it
/// is the sound: a player slips into another octave far less often than in every fourth note.
const OTHERS: usize = 2;
const SHARE: f64 = 0.25;

/// Notes off in a row over more than this, semitones, are a passage played in another octave.
const SOUND_SPANS_SEMITONES: i32 = 5;

/// How near to a whole octave, semitones.
const OFF_SEMITONES: f64 = 0.6;
/// Octaves off at the most.
const OCTAVES_MOST: f64 = 2.0;

/// Takes back accusations of another octave that the instrument's sound accounts for.
pub fn forgive(alignment: &mut Alignment, line: &Line, hearing: &Hearing) {
    let tuning_semitones = 12.0 * (alignment.a4_hz / 440.0).log2();
    let shift = alignment.transposed_semitones;
    let heard: Vec<Heard> = alignment
        .notes
        .iter()
        .enumerate()
        .filter_map(|(idx, note)| {
            let sounding = line.notes[idx].sounding_midi + shift;
            let heard = &hearing.notes[note.last.heard_idx?];
            let off = is_octave(heard.midi - tuning_semitones - f64::from(sounding));
            Some(Heard { idx, sounding, off })
        })
        .collect();
    for row in heard.chunk_by(|a, b| a.off && b.off) {
        let pitches = || row.iter().map(|note| note.sounding);
        let spans = pitches()
            .max()
            .zip(pitches().min())
            .map_or(0, |(max, min)| max - min);
        if spans > SOUND_SPANS_SEMITONES {
            continue;
        }
        for note in row.iter().filter(|note| note.off) {
            let last = &mut alignment.notes[note.idx].last;
            if last.outcome == Outcome::Wrong && is_of_the_sound(note, &heard) {
                last.take_back();
            }
        }
    }
}

/// A note of the line that was heard: the pitch meant, and whether it came an octave off.
struct Heard {
    idx: usize,
    sounding: i32,
    off: bool,
}

fn is_of_the_sound(note: &Heard, heard: &[Heard]) -> bool {
    let near = |other: &&Heard| {
        other.idx != note.idx && (other.sounding - note.sounding).abs() <= NEAR_SEMITONES
    };
    let n_near = heard.iter().filter(near).count();
    let n_off = heard.iter().filter(near).filter(|other| other.off).count();
    n_off >= OTHERS && n_off as f64 >= SHARE * n_near as f64
}

fn is_octave(semitones: f64) -> bool {
    let octaves = (semitones / 12.0).round().abs();
    (1.0..=OCTAVES_MOST).contains(&octaves)
        && (semitones.abs() - 12.0 * octaves).abs() < OFF_SEMITONES
}
