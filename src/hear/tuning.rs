//! The tuning of a take, from how its notes lie between the semitones.

use super::HeardNote;

/// Notes less sure than this, and shorter, say nothing about the tuning.
const CONFIDENCE_MIN: f64 = 0.5;
const DURATION_MIN_S: f64 = 0.04;

/// Spread of one note about the take's tuning where too few notes show it, in cents.
const SPREAD_CENTS: f64 = 15.0;

/// A4 in Hz within 50 cents of 440, and its standard error in Hz.
///
/// The pitches are angles on the circle of one semitone; their mean direction is the
/// tuning, so that a take half-way between two semitones has no seam. Without notes: 440,
/// with the error of knowing nothing (50 cents).
pub fn of_notes(notes: &[HeardNote]) -> (f64, f64) {
    let (mut x, mut y, mut n) = (0.0, 0.0, 0.0);
    for note in notes {
        if note.confidence < CONFIDENCE_MIN || note.duration_s() < DURATION_MIN_S {
            continue;
        }
        let angle = std::f64::consts::TAU * note.midi;
        x += angle.cos();
        y += angle.sin();
        n += 1.0;
    }
    if n == 0.0 {
        return (440.0, 440.0 * cents_to_ratio_error(50.0));
    }
    let cents = 100.0 * y.atan2(x) / std::f64::consts::TAU;
    // Circular standard deviation, and the mean's error from it.
    let length = (x.hypot(y) / n).clamp(1e-6, 1.0 - 1e-9);
    let sd_cents = 100.0 * (-2.0 * length.ln()).sqrt() / std::f64::consts::TAU;
    let se_cents = sd_cents.max(if n < 8.0 { SPREAD_CENTS } else { 1.0 }) / f64::sqrt(n);
    (
        440.0 * (cents / 1200.0).exp2(),
        440.0 * cents_to_ratio_error(se_cents.min(50.0)),
    )
}

fn cents_to_ratio_error(cents: f64) -> f64 {
    cents / 1200.0 * std::f64::consts::LN_2
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::hear::PitchCandidate;

    fn note(midi: f64) -> HeardNote {
        HeardNote {
            onset_s: 0.0,
            onset_se_s: 0.001,
            offset_s: 0.2,
            midi,
            cents_sd: 1.0,
            cents_se: 1.0,
            level_dbfs: -20.0,
            tongued: true,
            confidence: 0.9,
            candidates: vec![PitchCandidate {
                midi,
                probability: 1.0,
            }],
        }
    }

    /// 442 Hz is +7.85 cents (equal temperament, computed).
    #[test]
    fn a_take_at_442_is_heard_there() {
        let offset = 12.0 * (442.0f64 / 440.0).log2();
        let notes: Vec<HeardNote> = (60..72).map(|m| note(f64::from(m) + offset)).collect();
        let (a4_hz, se) = of_notes(&notes);
        assert!((a4_hz - 442.0).abs() < 0.01, "{a4_hz}");
        assert!(se < 0.2, "{se}");
    }

    #[test]
    fn half_way_between_two_semitones_there_is_no_seam() {
        let notes: Vec<HeardNote> = (0..40)
            .map(|i| note(60.5 + f64::from(i % 12) + if i % 2 == 0 { 0.01 } else { -0.01 }))
            .collect();
        let (a4_hz, _) = of_notes(&notes);
        let cents = 1200.0 * (a4_hz / 440.0).log2();
        assert!((cents.abs() - 50.0).abs() < 1.0, "{cents}");
    }

    #[test]
    fn without_notes_nothing_is_known() {
        let (a4_hz, se) = of_notes(&[]);
        assert_eq!(a4_hz, 440.0);
        assert!(se > 12.0);
    }
}
