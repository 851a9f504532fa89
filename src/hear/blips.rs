//! What fingers touch on their way from one slurred note to the next.
//!
//! Keys close within 10 to 16 ms each and never all at once (Almeida, Chow, Smith & Wolfe,
//! JASA 126 (2009)), so that a change of several fingers passes through a pitch of its own.
//! It is no note: the new note begins where the pitch leaves the old one, and the blip is
//! told beside it. Found from both sides: the old note's period stops predicting the sound at
//! one moment, the new note's begins to at another.

use super::notes::{Beginning, Sketch};
use super::refine::change_point;
use crate::convert::{hz_to_midi, midi_to_hz};

/// A sound that the path took for a note is a blip up to this length, seconds: half way
/// between the longest transition and the shortest note of the contract would be 32 ms.
const LONGEST_S: f64 = 0.034;

/// Between the two moments less than this is the change itself: pitches glide, keys slap.
const SHORTEST_S: f64 = 0.0085;

/// Room after the onset in which the new note must have taken over, seconds, and what is left
/// of it at its end.
const TAKES_OVER_S: f64 = 0.040;
const LEFT_S: f64 = 0.012;

/// Notes nearer to each other than this follow without a gap.
const TOUCHING_S: f64 = 0.006;

/// A pitch nearer than this to a neighbour's is the neighbour's, semitones.
const APART_SEMITONES: f64 = 0.6;

/// Least height of the normalised square difference at the blip's own period.
const PERIODIC: f64 = 0.80;

/// Edges of the blip that belong to its neighbours, seconds.
const EDGE_S: f64 = 0.001;

/// A pitch touched at the beginning of a note.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Blip {
    pub length_s: f64,
    /// Fractional MIDI number at A4 = 440 Hz.
    pub midi: f64,
}

/// Gives every slurred note the blip that it begins with; one that was sketched as a note goes.
pub fn find(sketches: &mut Vec<Sketch>, samples: &[f32], rate: f64, high_hz: f64) {
    let mut i = 1;
    while i + 1 < sketches.len() {
        if is_blip(&sketches[i - 1], &sketches[i], &sketches[i + 1]) {
            let blip = sketches.remove(i);
            let note = &mut sketches[i];
            note.blip = Some(Blip {
                length_s: note.onset_s - blip.onset_s,
                midi: blip.midi,
            });
            note.onset_s = blip.onset_s;
            note.onset_se_s = blip.onset_se_s;
            note.change_se_s = blip.change_se_s;
        }
        i += 1;
    }
    for i in 1..sketches.len() {
        let (before, note) = (&sketches[i - 1], &sketches[i]);
        if note.blip.is_none() && note.through_midi.is_none() && slurred_to(before, note) {
            sketches[i].blip = touched(samples, rate, high_hz, before.midi, note);
        }
    }
}

/// Whether `note` is another pitch that sounds on from `before` without a tongue.
pub fn slurred_to(before: &Sketch, note: &Sketch) -> bool {
    note.beginning == Beginning::Change
        && !note.tongued
        && note.onset_s - before.offset_s < TOUCHING_S
        && (note.midi - before.midi).abs() > APART_SEMITONES
}

fn is_blip(before: &Sketch, sound: &Sketch, after: &Sketch) -> bool {
    sound.offset_s - sound.onset_s <= LONGEST_S
        && before.offset_s - before.onset_s > LONGEST_S
        && after.offset_s - after.onset_s > LONGEST_S
        && slurred_to(before, sound)
        && slurred_to(sound, after)
        && (after.midi - before.midi).abs() > APART_SEMITONES
}

/// The pitch between the old note and `note`, where one sounds.
fn touched(samples: &[f32], rate: f64, high_hz: f64, old: f64, note: &Sketch) -> Option<Blip> {
    let end_s = (note.onset_s + TAKES_OVER_S).min(note.offset_s - LEFT_S);
    if end_s < note.onset_s + SHORTEST_S {
        return None;
    }
    // Backwards in time: where the new note's period stops predicting what was before.
    let period = rate / midi_to_hz(note.midi, 440.0);
    let at = |s: f64| ((s * rate).max(0.0) as usize).min(samples.len());
    let (from, to) = (
        at(note.onset_s - 0.002),
        at(end_s + 0.008) + period.ceil() as usize + 3,
    );
    let mut backwards: Vec<f32> = samples[from..to.min(samples.len())].to_vec();
    backwards.reverse();
    let last = backwards.len();
    let reach = last.saturating_sub(at(note.onset_s) - from);
    let change = change_point(&backwards, rate, 0, reach, Some(period))?;
    let taken_over_s = (from + last) as f64 / rate - change.at_samples / rate;
    let length_s = taken_over_s - note.onset_s;
    if !(SHORTEST_S..=LONGEST_S).contains(&length_s) {
        return None;
    }
    let inside = &samples[at(note.onset_s + EDGE_S)..at(taken_over_s - EDGE_S)];
    let midi = hz_to_midi(pitch_hz(inside, rate, high_hz)?, 440.0);
    let apart = |other: f64| (midi - other).abs() > APART_SEMITONES;
    (apart(old) && apart(note.midi)).then_some(Blip { length_s, midi })
}

/// Pitch of a stretch of one to a few periods, by the normalised square difference (McLeod &
/// Wyvill, "A smarter way to find pitch", ICMC 2005): the first peak near the highest.
fn pitch_hz(sound: &[f32], rate: f64, high_hz: f64) -> Option<f64> {
    /// Part of the highest peak from which an earlier one is taken, within the paper's range.
    const NEAR_HIGHEST: f64 = 0.9;
    let least = ((rate / high_hz) as usize).max(2);
    let most = 2 * sound.len() / 3;
    if most < least + 2 {
        return None;
    }
    let nsd: Vec<f64> = (0..=most)
        .map(|lag| {
            let (mut product, mut power) = (0.0, 1e-15);
            for (a, b) in sound.iter().zip(&sound[lag..]) {
                let (a, b) = (f64::from(*a), f64::from(*b));
                product += a * b;
                power += a * a + b * b;
            }
            2.0 * product / power
        })
        .collect();
    // The fall from lag 0 is no peak.
    let start = (1..most).find(|lag| nsd[*lag] < 0.0)?.max(least);
    let peaks: Vec<usize> = (start.max(1)..most)
        .filter(|lag| nsd[*lag] > nsd[lag - 1] && nsd[*lag] >= nsd[lag + 1])
        .collect();
    let highest = peaks.iter().map(|lag| nsd[*lag]).fold(0.0, f64::max);
    if highest < PERIODIC {
        return None;
    }
    let lag = *peaks
        .iter()
        .find(|lag| nsd[**lag] >= NEAR_HIGHEST * highest)?;
    let (a, b, c) = (nsd[lag - 1] as f32, nsd[lag] as f32, nsd[lag + 1] as f32);
    let (delta, _) = super::frames::parabola(a, b, c);
    Some(rate / (lag as f64 + f64::from(delta)))
}
