//! The octave and the twelfth of a whole note, settled on its own samples.
//!
//! A frame is short and prefers the shorter period; a note has time for a closer look:
//! how much of its sound lies on the harmonics of the pitch the path took, and how much
//! more on those of its octave or twelfth below.

use super::harmonic::explained_share_up_to;
use crate::convert::midi_to_hz;

/// Longest stretch of a note looked at, seconds: more only costs.
const LOOK_S: f64 = 0.10;

/// Shortest stretch on which neighbouring harmonics can be told apart, periods of the lower pitch.
const PERIODS_MIN: f64 = 3.0;

/// Share of the sound that must lie between the harmonics of a pitch for the pitch below
/// (an octave, a twelfth or two octaves) to be the note. A real low tone holds several times this
/// there, even where its fundamental is weak.
const BETWEEN_SHARE: f64 = 0.035;

/// The same where the note before has those harmonics and may still be ringing in the room.
const BETWEEN_SHARE_RINGING: f64 = 0.20;

/// Below this share between its harmonics a pitch is the one above, counted too low.
const EMPTY_SHARE: f64 = 0.008;

/// Harmonics of the higher pitch taken into the comparison.
const HARMONICS: f64 = 5.0;

/// A pitch offered and the share of evidence for it.
pub type Offer = (f64, f64);

/// The offers for a note heard at `midi` between two sample positions, best first;
/// `previous_midi` is the note before where it may still be ringing.
pub fn offers(
    samples: &[f32],
    sample_rate_hz: f64,
    (from, to): (usize, usize),
    midi: f64,
    previous_midi: Option<f64>,
    low_hz: f64,
) -> Vec<Offer> {
    let to = to
        .min(samples.len())
        .min(from + (LOOK_S * sample_rate_hz) as usize);
    if to <= from {
        return vec![(midi, 0.95)];
    }
    let stretch = &samples[from..to];
    let share =
        |f0_hz: f64, top_hz: f64| explained_share_up_to(stretch, sample_rate_hz, f0_hz, top_hz);
    let resolves = |f0_hz: f64| stretch.len() as f64 * f0_hz / sample_rate_hz >= PERIODS_MIN;
    let f0_hz = midi_to_hz(midi, 440.0);
    // Counted too low: nothing between the harmonics of the pitch above.
    for multiple in [2.0, 3.0] {
        let above_hz = multiple * f0_hz;
        if above_hz > 0.2 * sample_rate_hz || !resolves(f0_hz) {
            continue;
        }
        let top_hz = HARMONICS * above_hz * 1.02;
        let between = share(f0_hz, top_hz) - share(above_hz, top_hz);
        if between < EMPTY_SHARE {
            let above = midi + 12.0 * f64::log2(multiple);
            return vec![(above, 0.9), (midi, 0.08)];
        }
    }
    // Counted too high: sound between the harmonics, and not what rings on from the note before.
    for multiple in [2.0, 3.0, 4.0] {
        let below_hz = f0_hz / multiple;
        if below_hz < low_hz || !resolves(below_hz) {
            continue;
        }
        let below = midi - 12.0 * f64::log2(multiple);
        let top_hz = HARMONICS * f0_hz * 1.02;
        let between = share(below_hz, top_hz) - share(f0_hz, top_hz);
        let ringing = previous_midi.is_some_and(|p| {
            let ratio = midi_to_hz(p, 440.0) / below_hz;
            (ratio - ratio.round()).abs() < 0.04 * ratio.max(1.0)
        });
        let needed = if ringing {
            BETWEEN_SHARE_RINGING
        } else {
            BETWEEN_SHARE
        };
        if between > needed {
            return vec![(below, 0.9), (midi, 0.08)];
        }
        if between > 0.5 * needed {
            return vec![(midi, 0.85), (below, 0.1)];
        }
    }
    vec![(midi, 0.98)]
}
