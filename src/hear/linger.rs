//! The upper register sounding on after the fingers have gone to a low note.
//!
//! Closing the register key on a slur down across the break lengthens the tube at once, but its
//! upper mode, near the old pitch, dies within 20 to 50 ms while the low note grows: a dip of the
//! level that is no tongue. The fingers moved where the pitch left the old note for that mode,
//! and there the new note begins. (The modes of a closed cylinder and their decay: Fletcher &
//! Rossing, "The Physics of Musical Instruments", 1998, chapters 8 and 15.)

use super::notes::{Beginning, Sketch};
use super::path::PathPoint;

/// Least fall from the old note to the new one: below lies one register, semitones.
const FALL_SEMITONES: f64 = 12.0;

/// How far from the old note the mode may lie, and how far it must, semitones: less is a player's
/// drift of pitch.
const NEAR_SEMITONES: f64 = 3.5;
const LEFT_SEMITONES: f64 = 0.13;

/// The mode lies above the new note by more than this, semitones.
const ABOVE_NEW_SEMITONES: f64 = 12.5;

/// How long it sounds on, seconds.
const LINGER_S: std::ops::RangeInclusive<f64> = 0.010..=0.070;

/// The old note's own pitch is read off so much of it before that, and at least so much; seconds.
const OLD_S: f64 = 0.060;
const OLD_LEAST_S: f64 = 0.015;

/// Least median strength of the path while it sounds on: what rings after a tongue under noise or
/// in the end of a frame has less.
const STRENGTH: f32 = 0.93;

/// The low note grows in a dip of the level at least so deep, dB, or its slur is met as any other;
/// a tongue makes a deeper one.
const DIP_DB: std::ops::RangeInclusive<f64> = 5.0..=28.0;

/// Begins slurs down across the break where the fingers moved. `hop_s` is the time between the
/// points of the path.
pub fn find(sketches: &mut [Sketch], path: &[PathPoint], hop_s: f64) {
    for i in 1..sketches.len() {
        let (before, note) = (&sketches[i - 1], &sketches[i]);
        if let Some((left_s, through_midi)) = left_at(before, note, path, hop_s) {
            sketches[i - 1].offset_s = left_s.max(sketches[i - 1].onset_s);
            let note = &mut sketches[i];
            note.onset_s = left_s;
            note.tongued = false;
            note.through_midi = Some(through_midi);
        }
    }
}

/// When the pitch left `before` for a mode of `note`, and that mode's pitch.
fn left_at(before: &Sketch, note: &Sketch, path: &[PathPoint], hop_s: f64) -> Option<(f64, f64)> {
    if note.beginning != Beginning::Change
        || before.midi - note.midi < FALL_SEMITONES
        || !DIP_DB.contains(&note.dip_db)
    {
        return None;
    }
    let frame = |s: f64| ((s / hop_s).max(0.0) as usize).min(path.len());
    let from = frame(note.onset_s - LINGER_S.end()).max(frame(before.onset_s + OLD_LEAST_S));
    let to = frame(note.onset_s + OLD_LEAST_S).min(note.end);
    // The last pitches above the new note, and the old note's own before them.
    let upper = |point: &PathPoint| {
        point.midi.map(f64::from).filter(|midi| {
            midi - note.midi > ABOVE_NEW_SEMITONES && (midi - before.midi).abs() < NEAR_SEMITONES
        })
    };
    let last = (from..to).rev().find(|k| upper(&path[*k]).is_some())?;
    let old_from = frame((note.onset_s - LINGER_S.end() - OLD_S).max(before.onset_s));
    let mut old: Vec<f64> = path[old_from..from.max(old_from)]
        .iter()
        .filter_map(upper)
        .collect();
    if (old.len() as f64) * hop_s < OLD_LEAST_S {
        return None;
    }
    let old = median(&mut old);
    let end = last.saturating_sub((0.006 / hop_s) as usize).max(from);
    let mut tail: Vec<f64> = path[end..=last].iter().filter_map(upper).collect();
    let through = median(&mut tail);
    if (through - old).abs() < LEFT_SEMITONES {
        return None;
    }
    // Back from there to where the pitch was half way.
    let half = 0.5 * (old + through);
    let gone = |k: usize| upper(&path[k]).is_none_or(|midi| (midi - half) * (through - old) > 0.0);
    let first = (from..=last).rev().take_while(|k| gone(*k)).last()?;
    if first == from {
        return None;
    }
    let mut strengths: Vec<f64> = path[first..=last]
        .iter()
        .map(|point| upper(point).map_or(0.0, |_| f64::from(point.strength)))
        .collect();
    let left_s = first as f64 * hop_s;
    let holds = median(&mut strengths) >= f64::from(STRENGTH);
    (holds && LINGER_S.contains(&(note.onset_s - left_s))).then_some((left_s, through))
}

fn median(values: &mut [f64]) -> f64 {
    values.sort_by(f64::total_cmp);
    values[values.len() / 2]
}
