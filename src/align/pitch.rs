//! Heard pitch against written pitch.

use super::model;
use crate::hear::HeardNote;

/// Where the take's semitones lie.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Tuning {
    /// Heard minus written-as-sounding, whole semitones.
    pub shift_semitones: i32,
    /// Sharpness of the take against A4 = 440 Hz, semitones, −0.5 to 0.5.
    pub offset_semitones: f64,
}

impl Tuning {
    pub fn of_a4(a4_hz: f64) -> Tuning {
        let semitones = if a4_hz.is_finite() && a4_hz > 0.0 {
            12.0 * (a4_hz / 440.0).log2()
        } else {
            0.0
        };
        let shift = semitones.round();
        Tuning {
            shift_semitones: shift as i32,
            offset_semitones: semitones - shift,
        }
    }

    /// The pitch in semitones of the line's own sounding scale.
    pub fn to_line(self, heard_midi: f64) -> f64 {
        heard_midi - self.offset_semitones - self.shift_semitones as f64
    }
}

/// A pitch the sound offers, in the line's own scale, with its probability.
#[derive(Clone, Copy, Debug)]
pub struct Offer {
    pub semitones: f64,
    pub probability: f64,
}

/// The pitches a heard note offers, best first, probabilities sharpened and summing to 1.
pub fn offers(note: &HeardNote, tuning: Tuning) -> Vec<Offer> {
    let mut offers: Vec<Offer> = note
        .candidates
        .iter()
        .filter(|c| c.midi.is_finite() && c.probability > 0.0)
        .map(|c| Offer {
            semitones: tuning.to_line(c.midi),
            probability: c.probability.powf(model::CANDIDATE_SHARPNESS),
        })
        .collect();
    if offers.is_empty() {
        offers.push(Offer {
            semitones: tuning.to_line(note.midi),
            probability: 1.0,
        });
    }
    offers.sort_by(|a, b| b.probability.total_cmp(&a.probability));
    let total: f64 = offers.iter().map(|o| o.probability).sum();
    for offer in &mut offers {
        offer.probability /= total;
    }
    offers
}

/// How likely a note meant as `semitones` comes out `distance` semitones from it, peak 1.
fn intonation(distance: f64, pitch_se_semitones: f64) -> f64 {
    let excess = (distance.abs() - model::IN_TUNE_SEMITONES).max(0.0);
    let variance = model::OUT_OF_TUNE_SEMITONES.powi(2) + pitch_se_semitones.powi(2);
    (-excess * excess / (2.0 * variance)).exp()
}

/// Log-likelihoods that a heard note is a written pitch, played right and played wrong.
#[derive(Clone, Copy, Debug)]
pub struct PitchFit {
    pub right: f32,
    pub wrong: f32,
    /// The pitch that was played if it was wrong, in the line's own scale.
    pub wrong_midi: i32,
}

/// Fit of a note's offers to the written pitch `midi`; the prior of a wrong note is inside.
pub fn fit(offers: &[Offer], pitch_se_semitones: f64, midi: i32) -> PitchFit {
    let mut right = 1e-12;
    let mut wrong = (f32::NEG_INFINITY, midi);
    for offer in offers {
        right += offer.probability * intonation(offer.semitones - midi as f64, pitch_se_semitones);
        let below = offer.semitones.floor();
        for played in [below, below + 1.0] {
            let played_midi = played as i32;
            if played_midi == midi {
                continue;
            }
            let score = (offer.probability
                * intonation(offer.semitones - played, pitch_se_semitones))
            .max(1e-12)
            .ln() as f32
                + model::wrong_interval(played_midi - midi);
            if score > wrong.0 {
                wrong = (score, played_midi);
            }
        }
    }
    PitchFit {
        right: right.ln() as f32,
        wrong: model::WRONG + wrong.0,
        wrong_midi: wrong.1,
    }
}

/// True when `heard` is an octave, a twelfth or another register of the same fingering away
/// from `written` (both sounding MIDI). A clarinet's registers lie on the odd harmonics: 19, 28
/// and 33 semitones above the lowest, so 9 and 14 above the clarion
/// (UNSW clarinet acoustics pages; encyclopedia copy of the overblown twelfth).
pub fn is_register_slip(written: i32, heard: i32, clarinet_clarion_from_midi: Option<i32>) -> bool {
    match (heard - written).abs() {
        12 | 19 | 24 | 28 | 31 | 33 => true,
        9 | 14 => clarinet_clarion_from_midi.is_some_and(|clarion| written.min(heard) >= clarion),
        _ => false,
    }
}

/// Probability that a note known to be the written `midi` was played right and not wrong.
pub fn share_right(offers: &[Offer], pitch_se_semitones: f64, midi: i32) -> f64 {
    let fit = fit(offers, pitch_se_semitones, midi);
    1.0 / (1.0 + ((fit.wrong - fit.right) as f64).exp())
}
