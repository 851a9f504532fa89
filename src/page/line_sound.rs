//! The line's own sound: the built-in reed voice plays what is written, in strict tempo.

use crate::convert::midi_to_hz;
use crate::line::{Articulation, Line};
use crate::sound::voice::{Timbre, VoiceNote, VoiceOptions, render};

pub const SAMPLE_RATE_HZ: u32 = 44_100;
/// Silence before the first note, so that its beginning is not cut.
const LEAD_S: f64 = 0.3;
/// Sound goes on for so long after the last note ends.
const TAIL_S: f64 = 0.5;
/// Length of a grace note where there is room; short ones of baroque and classical studies
/// take about this (common practice).
const GRACE_S: f64 = 0.08;
/// Graces take at most this share of the note before them.
const GRACE_SHARE_MAX: f64 = 0.5;
/// The tongue rests on the reed before the next note: 34.5 ms on average
/// (Hofmann et al., ICMPC 2012).
const TONGUE_S: f64 = 0.035;
/// Sounding share of a staccato note (common practice).
const STACCATO_SHARE: f64 = 0.5;
/// No note is shorter.
const SHORTEST_S: f64 = 0.03;
/// Below full level, dB: as loud as a usual recording.
const LEVEL_DB: f64 = -4.0;

/// Seconds at which every note of the line begins, at `quarters_per_minute`.
pub fn onsets_s(line: &Line, quarters_per_minute: f64) -> Vec<f64> {
    let quarter_s = 60.0 / quarters_per_minute;
    let notes = &line.notes;
    let first = notes.first().map_or(0.0, |n| n.onset_quarters);
    let on_beat_s = |idx: usize| LEAD_S + (notes[idx].onset_quarters - first) * quarter_s;
    let mut onsets: Vec<f64> = (0..notes.len()).map(on_beat_s).collect();
    let mut idx = 0;
    while idx < notes.len() {
        let n_graces = notes[idx..].iter().take_while(|n| n.grace).count();
        if n_graces > 0 {
            let at_s = onsets[idx];
            let before_s = if idx > 0 { onsets[idx - 1] } else { 0.0 };
            let room_s = GRACE_SHARE_MAX * (at_s - before_s);
            let each_s = GRACE_S.min(room_s / n_graces as f64);
            for grace in 0..n_graces {
                onsets[idx + grace] = at_s - each_s * (n_graces - grace) as f64;
            }
        }
        idx += n_graces.max(1);
    }
    onsets
}

/// The line as sound, at [`SAMPLE_RATE_HZ`], tuned to `a4_hz`.
pub fn samples(line: &Line, quarters_per_minute: f64, a4_hz: f64) -> Vec<f32> {
    let quarter_s = 60.0 / quarters_per_minute;
    let onsets = onsets_s(line, quarters_per_minute);
    let shift = 12.0 * (a4_hz / midi_to_hz(69.0, 440.0)).log2();
    let mut voice: Vec<VoiceNote> = Vec::with_capacity(line.notes.len());
    for (idx, note) in line.notes.iter().enumerate() {
        let next_s = onsets.get(idx + 1).copied();
        let written_s = if note.grace {
            GRACE_S
        } else {
            note.duration_quarters * quarter_s
        };
        let end_s = (onsets[idx] + written_s).min(next_s.unwrap_or(f64::INFINITY));
        let slurs_on = line.notes.get(idx + 1).is_some_and(|n| n.slurred);
        let short = note
            .articulations
            .iter()
            .any(|a| matches!(a, Articulation::Staccato | Articulation::Staccatissimo));
        let offset_s = if slurs_on {
            next_s.unwrap_or(end_s)
        } else if short {
            onsets[idx] + STACCATO_SHARE * (end_s - onsets[idx])
        } else {
            end_s - TONGUE_S
        };
        voice.push(VoiceNote {
            onset_s: onsets[idx],
            offset_s: offset_s.max(onsets[idx] + SHORTEST_S),
            midi: f64::from(note.sounding_midi) + shift,
            level_db: LEVEL_DB,
            tongued: !note.slurred || idx == 0,
            blip: None,
        });
    }
    let end_s = voice.iter().map(|n| n.offset_s).fold(0.0, f64::max);
    let options = VoiceOptions {
        timbre: timbre(&line.instrument),
        ..VoiceOptions::default()
    };
    render(&voice, SAMPLE_RATE_HZ, end_s + TAIL_S, &options)
}

fn timbre(instrument: &str) -> Timbre {
    let is = |names: &[&str]| names.iter().any(|n| instrument.contains(n));
    if is(&["sax"]) {
        Timbre::Saxophone
    } else if is(&["oboe", "bassoon", "english-horn"]) {
        Timbre::DoubleReed
    } else if is(&["flute", "piccolo"]) {
        Timbre::Flute
    } else {
        Timbre::Clarinet
    }
}
