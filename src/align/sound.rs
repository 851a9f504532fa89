//! Heard notes as the search needs them: log-likelihoods of every reading.

use super::costs::log_of;
use super::expected::Expected;
use super::model;
use super::pitch::{self, Offer, Tuning};
use crate::hear::Hearing;

/// One heard note, weighed against the pitches of the line.
pub struct Sound {
    pub onset_s: f64,
    /// Natural log of the seconds since the onsets of the sounds before it, the nearest first.
    pub log_since: Vec<f32>,
    pub offset_s: f64,
    /// Natural log of the length in seconds, ripples of the same pitch included.
    pub log_duration: f32,
    pub confidence: f64,
    pub offers: Vec<Offer>,
    pub pitch_se_semitones: f64,
    /// For each of [`Expected::pitches`]: log-likelihood of being that written note, the better
    /// of right and wrong.
    pub matched: Vec<f32>,
    /// … and how many semitones it is off, where that is an octave, a twelfth or two octaves; 0 elsewhere.
    pub register: Vec<i8>,
    /// Log-likelihood of being a note of the line in a register that is known.
    pub in_register: f32,
    /// Being left out: a ripple, or a note too many; after a matched note and after another one left out.
    pub extra: f32,
    pub extra_again: f32,
    /// Lying before the first or after the last note of the playing.
    pub outside: f32,
    /// Nearest semitone of the best offer, for ornaments.
    pub midi: i32,
    pub ornamental: f32,
    /// Log-factor by which the silence before this note favours a jump.
    pub pause_gain: f32,
    /// Log-factor by which its beginning speaks against a jump: it was not tongued.
    pub untongued: f32,
}

/// Sounds whose distance is kept ready: so many are seldom left out in a row.
const NEAR: usize = 6;

/// All heard notes with finite times, and their indices in the hearing.
pub fn weigh(hearing: &Hearing, expected: &Expected, tuning: Tuning) -> Vec<Sound> {
    let mut sounded_until = f64::NEG_INFINITY;
    let mut sounds = Vec::with_capacity(hearing.notes.len());
    for (j, note) in hearing.notes.iter().enumerate() {
        let confidence = if note.confidence.is_finite() {
            note.confidence
        } else {
            0.5
        }
        .clamp(model::CONFIDENCE_MIN, model::CONFIDENCE_MAX);
        let real = confidence.ln() as f32;
        let offers = pitch::offers(note, tuning);
        let same_pitch = sounds.last().is_some_and(|before: &Sound| {
            (before.offers[0].semitones - offers[0].semitones).abs() < 0.5
        });
        let ripple = (1.0 - confidence).ln() as f32
            + if same_pitch {
                model::RIPPLE_SAME_PITCH
            } else {
                model::RIPPLE_OTHER_PITCH
            };
        let pitch_se_semitones = pitch_se_semitones(note.cents_se);
        let duration_s = note.sounding_until_s(&hearing.notes[j + 1..]) - note.onset_s;
        let short = model::shortness_cost(duration_s);
        let (matched, register) = expected
            .pitches
            .iter()
            .map(|&midi| {
                let fit = pitch::fit(&offers, pitch_se_semitones, midi);
                let by = fit.wrong_midi - midi;
                let slip = fit.wrong > fit.right && matches!(by.abs(), 12 | 19 | 24);
                (
                    real + short + fit.right.max(fit.wrong),
                    if slip { by as i8 } else { 0 },
                )
            })
            .unzip();
        // Noodling goes on from a note too many, not from a ripple.
        let after_note = sounds
            .last()
            .is_some_and(|before: &Sound| before.confidence >= 0.5);
        let again = if after_note {
            model::ADDED_AGAIN
        } else {
            model::ADDED
        };
        let silence_s = (note.onset_s - sounded_until).max(0.0);
        let pause_gain = if silence_s.is_finite() {
            model::PAUSE_GAIN * (silence_s / (silence_s + model::PAUSE_S)) as f32
        } else {
            0.0
        };
        if confidence >= AUDIBLE {
            sounded_until = sounded_until.max(note.offset_s);
        }
        sounds.push(Sound {
            onset_s: note.onset_s,
            log_since: sounds
                .iter()
                .rev()
                .take(NEAR)
                .map(|before: &Sound| log_of(note.onset_s - before.onset_s))
                .collect(),
            offset_s: note.offset_s,
            log_duration: log_of(duration_s),
            confidence,
            pitch_se_semitones,
            matched,
            register,
            in_register: real + short + model::SAME_REGISTER,
            extra: ripple.max(real + model::ADDED),
            extra_again: ripple.max(real + again),
            outside: ripple.max(real + model::OUTSIDE),
            midi: offers[0].semitones.round() as i32,
            ornamental: ripple.max(real + model::ORNAMENTAL),
            offers,
            pause_gain,
            untongued: if note.tongued {
                0.0
            } else {
                model::START_UNTONGUED
            },
        });
    }
    sounds
}

/// Confidence from which a sound ends a silence.
const AUDIBLE: f64 = 0.1;

/// Standard error of a heard pitch in semitones; unknown counts as none.
fn pitch_se_semitones(cents_se: f64) -> f64 {
    if cents_se.is_finite() {
        (cents_se / 100.0).clamp(0.0, 1.0)
    } else {
        0.0
    }
}
