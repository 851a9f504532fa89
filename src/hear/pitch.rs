//! The octave and the twelfth of a whole note, settled on its own samples.
//!
//! A frame is short and prefers the shorter period; a note has time for a closer look:
//! how much of its sound lies on the harmonics of the pitch the path took, and how much
//! more on those of its octave or twelfth below.

use super::frames::Frame;
use super::harmonic::{explained_share_up_to, powers_up_to};
use crate::convert::midi_to_hz;

/// Longest stretch of a note looked at, seconds: more only costs.
const LOOK_S: f64 = 0.10;

/// Shortest stretch on which neighbouring harmonics can be told apart, periods of the lower pitch.
const PERIODS_MIN: f64 = 3.0;

/// Share of the sound between the harmonics of a pitch at which the pitch below (an octave,
/// a twelfth, two octaves or those and a third) is as likely the note. A clarinet's throat B flat was measured with
/// 2.4 % there on a real recording; that a clarion note's undertone holds below 0.1 % is from
/// memory.
const BETWEEN_SHARE: f64 = 0.013;

/// The same where that sound has been there before the note and may be the room still ringing.
const BETWEEN_SHARE_RINGING: f64 = 0.20;

/// The same of what is new there, partial by partial; a ringing partial fluctuates.
const BETWEEN_SHARE_FRESH: f64 = 0.03;
const FRESH_OVER_RINGING: f64 = 1.5;

/// Sound between the harmonics that is this much weaker than before the onset only rings on.
const RINGING_RATIO: f64 = 0.6;

/// Below this share between its harmonics a pitch is the one above, counted too low.
const EMPTY_SHARE: f64 = 0.008;

/// … if its own harmonics hold this share at least: two pitches taken for one leave nothing on
/// the harmonics of either.
const ABOVE_SHARE_MIN: f64 = 0.3;

/// Below this share between the harmonics of an octave both octaves are offered, the lower as the
/// likelier at the most by this: a soft beginning of flutes and saxophones holds 3 to 4 % there
/// for a moment (FluidR3's samples), as much as a throat B flat does for good.
const EITHER_OCTAVE_SHARE: f64 = 0.06;
const EITHER_OCTAVE: f64 = 0.62;

/// Harmonics of the higher pitch taken into the comparison.
const HARMONICS: f64 = 5.0;

/// Least gain of the longer period for each share of sound between the harmonics: a steady
/// sound there raises the autocorrelation at the longer period by one to two times its share.
const GAIN_OF_BETWEEN: f64 = 0.5;

/// Pitches of frames within this ratio of a period are of that period: 48 cents.
const SAME_PERIOD: f64 = 1.028_114;

/// A pitch offered and the share of evidence for it.
pub type Offer = (f64, f64);

/// The offers for a note heard at `midi` between two sample positions, best first;
/// `before` the positions of the last moments before it, `frames` those of its middle.
pub fn offers(
    samples: &[f32],
    sample_rate_hz: f64,
    (from, to): (usize, usize),
    midi: f64,
    before: (usize, usize),
    low_hz: f64,
    frames: &[Frame],
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
    let mut octave = None;
    // Counted too low: nothing between the harmonics of the pitch above.
    for multiple in [2.0, 3.0] {
        let above_hz = multiple * f0_hz;
        if above_hz > 0.2 * sample_rate_hz || !resolves(f0_hz) {
            continue;
        }
        let top_hz = HARMONICS * above_hz * 1.02;
        let above_share = share(above_hz, top_hz);
        let between = share(f0_hz, top_hz) - above_share;
        if between < EMPTY_SHARE && above_share > ABOVE_SHARE_MIN {
            let above = midi + 12.0 * f64::log2(multiple);
            return vec![(above, 0.9), (midi, 0.08)];
        }
        if multiple == 2.0 && between < EITHER_OCTAVE_SHARE {
            octave = Some(midi + 12.0);
        }
    }
    // Counted too high: sound between the harmonics, and not what rings on from the note before.
    let earlier = &samples[before.0.min(from)..before.1.min(from)];
    let mut also = None;
    for multiple in [2.0, 3.0, 4.0, 5.0] {
        let below_hz = f0_hz / multiple;
        if below_hz < low_hz || !resolves(below_hz) {
            continue;
        }
        let below = midi - 12.0 * f64::log2(multiple);
        let top_hz = HARMONICS * f0_hz * 1.02;
        let between = share(below_hz, top_hz) - share(f0_hz, top_hz);
        if between < 0.3 * BETWEEN_SHARE {
            continue;
        }
        if longer_period_gain(frames, f0_hz, below_hz) < GAIN_OF_BETWEEN * between {
            continue;
        }
        let power = |part: &[f32], share: f64| share * mean_power(part);
        let between_before = explained_share_up_to(earlier, sample_rate_hz, below_hz, top_hz)
            - explained_share_up_to(earlier, sample_rate_hz, f0_hz, top_hz);
        let ringing = power(stretch, between) < RINGING_RATIO * power(earlier, between_before);
        let shares_of_even = if ringing {
            let powers = |part: &[f32]| powers_up_to(part, sample_rate_hz, below_hz, top_hz);
            let fresh = fresh_between(&powers(stretch), &powers(earlier), multiple as usize)
                / mean_power(stretch).max(1e-12);
            (between / BETWEEN_SHARE_RINGING).max(fresh / BETWEEN_SHARE_FRESH)
        } else {
            between / BETWEEN_SHARE
        };
        // Odds grow with the square of the share over the one at which they are even.
        let odds = shares_of_even.powi(2);
        let mut probability = 0.98 * odds / (1.0 + odds);
        if multiple == 2.0 && between < EITHER_OCTAVE_SHARE {
            probability = probability.min(EITHER_OCTAVE);
        }
        if probability > 0.5 {
            return vec![(below, probability), (midi, 0.98 - probability)];
        }
        if probability > 0.05 && also.is_none() {
            also = Some((below, probability));
        }
    }
    if let Some(octave) = octave {
        return vec![(midi, EITHER_OCTAVE), (octave, 0.98 - EITHER_OCTAVE)];
    }
    if let Some((below, probability)) = also {
        return vec![(midi, 0.98 - probability), (below, probability)];
    }
    vec![(midi, 0.98)]
}

/// Power that partials between the harmonics have more than rang there before: `multiple`
/// counts the partials from one harmonic to the next.
fn fresh_between(now: &[f64], before: &[f64], multiple: usize) -> f64 {
    (now.iter().zip(before).enumerate())
        .filter(|(i, _)| (i + 1) % multiple != 0)
        .map(|(_, (now, before))| (now - FRESH_OVER_RINGING * before).max(0.0))
        .sum()
}

/// How much better the period of `below_hz` repeats the wave than that of `f0_hz`, median
/// over the frames: sound between the harmonics that is steady shows there, a glide or an
/// attack does not.
fn longer_period_gain(frames: &[Frame], f0_hz: f64, below_hz: f64) -> f64 {
    let near = |hz: f64| (hz / SAME_PERIOD) as f32..(hz * SAME_PERIOD) as f32;
    let (below, own) = (near(below_hz), near(f0_hz));
    let strength = |frame: &Frame, near: &std::ops::Range<f32>| {
        let near = frame.pitches().iter().filter(|p| near.contains(&p.f0_hz));
        near.map(|p| f64::from(p.strength)).fold(0.0, f64::max)
    };
    let mut gains: Vec<f64> = frames
        .iter()
        .map(|frame| strength(frame, &below) - strength(frame, &own))
        .collect();
    if gains.is_empty() {
        return 0.0;
    }
    let middle = gains.len() / 2;
    *gains.select_nth_unstable_by(middle, f64::total_cmp).1
}

fn mean_power(samples: &[f32]) -> f64 {
    samples
        .iter()
        .map(|x| (*x as f64) * (*x as f64))
        .sum::<f64>()
        / samples.len().max(1) as f64
}
