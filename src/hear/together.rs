//! Two notes that sound at once, heard as one note below both.
//!
//! Where the old note rings on under the new one, in a room or in a slow release, the sum of the
//! two repeats itself at the frequency of which both are harmonics: E5 and A5 together have the
//! period of A3. That note has no harmonics of its own but theirs. (A sum of two tones in a ratio
//! of small whole numbers has their greatest common divisor for its fundamental.)

use super::harmonic::powers_up_to;
use super::notes::Sketch;
use crate::convert::{midi_to_hz, nearest_harmonic};

/// Neighbours so near are harmonics, semitones, within these: the second is what is heard for the
/// first wherever a room rings, and above the last lies what any two pitches have in common.
const HARMONIC_SEMITONES: f64 = 0.4;
const HARMONICS_MET: std::ops::RangeInclusive<f64> = 3.0..=8.0;

/// The three follow each other within this, seconds.
const NEAR_S: f64 = 0.02;

/// Longest time that two notes sound together, seconds.
const TOGETHER_S: f64 = 0.12;

/// Harmonics looked at, and the share of the power that a note of its own has at those which
/// neither neighbour has. A clarinet has most of it in the first.
const HARMONICS: f64 = 12.0;
const OWN_SHARE: f64 = 0.1;

/// Gives what is heard of two notes at once to the second of them; where both ring on after it,
/// it goes.
pub fn part(sketches: &mut Vec<Sketch>, samples: &[f32], sample_rate_hz: f64) {
    for i in (1..sketches.len().saturating_sub(1)).rev() {
        let [before, both, next] = &sketches[i - 1..=i + 1] else {
            continue;
        };
        if !is_both(before, both, next, samples, sample_rate_hz) {
            continue;
        }
        let both = sketches.remove(i);
        let next = &mut sketches[i];
        next.beginning = both.beginning;
        next.onset_s = both.onset_s;
        next.onset_se_s = both.onset_se_s;
        next.change_se_s = both.change_se_s;
        next.change = both.change;
        next.tongued = both.tongued;
        next.dip_db = both.dip_db;
        next.rise_db = both.rise_db;
    }
    for i in (2..sketches.len()).rev() {
        let (before, rest) = sketches.split_at(i);
        let [.., first, second] = before else {
            continue;
        };
        let ring_on = near(first, second) && near(second, &rest[0]);
        if ring_on && holds_both(&rest[0], first, second, samples, sample_rate_hz) {
            sketches.remove(i);
        }
    }
}

fn near(before: &Sketch, after: &Sketch) -> bool {
    after.onset_s - before.offset_s <= NEAR_S
}

fn is_both(
    before: &Sketch,
    both: &Sketch,
    next: &Sketch,
    samples: &[f32],
    sample_rate_hz: f64,
) -> bool {
    both.offset_s - both.onset_s <= TOGETHER_S
        && near(before, both)
        && near(both, next)
        && holds_both(both, before, next, samples, sample_rate_hz)
}

/// Whether what is heard as `both` has no harmonics but those of two notes.
fn holds_both(
    both: &Sketch,
    first: &Sketch,
    second: &Sketch,
    samples: &[f32],
    sample_rate_hz: f64,
) -> bool {
    let (Some(old), Some(new)) = (
        harmonic(first.midi - both.midi),
        harmonic(second.midi - both.midi),
    ) else {
        return false;
    };
    if old == new {
        return false;
    }
    let at = |t: f64| ((t.max(0.0) * sample_rate_hz) as usize).min(samples.len());
    let span = &samples[at(both.onset_s)..at(both.offset_s)];
    let hz = midi_to_hz(both.midi, 440.0);
    let powers = powers_up_to(span, sample_rate_hz, hz, (HARMONICS + 0.5) * hz);
    let own = (1..=powers.len())
        .filter(|k| k % old != 0 && k % new != 0)
        .map(|k| powers[k - 1])
        .sum::<f64>();
    own < OWN_SHARE * powers.iter().sum::<f64>()
}

/// Which harmonic lies so many semitones above the first.
fn harmonic(semitones: f64) -> Option<usize> {
    let (number, off) = nearest_harmonic(semitones);
    (HARMONICS_MET.contains(&number) && off.abs() < HARMONIC_SEMITONES).then_some(number as usize)
}

#[cfg(test)]
mod tests {
    use crate::hear::{HearOptions, hear};

    const RATE_HZ: f64 = 22_050.0;

    /// E5 and A5 in turn, each ringing on under the next for 100 ms; or with A3, which they
    /// have in common, played between them.
    fn heard(with_a3: bool) -> Vec<i32> {
        let step_s = 0.11;
        let notes: Vec<f64> = (0..16)
            .map(|k| match (k % 2, with_a3) {
                (0, _) => 659.26,
                (_, true) => 220.0,
                (_, false) => 880.0,
            })
            .collect();
        let mut sound = vec![0.0f32; (RATE_HZ * (step_s * 16.0 + 1.0)) as usize];
        for (k, hz) in notes.iter().enumerate() {
            let from_s = 0.3 + step_s * k as f64;
            for (i, sample) in sound.iter_mut().enumerate() {
                let t = i as f64 / RATE_HZ - from_s;
                if !(0.0..step_s + 0.4).contains(&t) {
                    continue;
                }
                let rings = if with_a3 { 0.004 } else { 0.1 };
                let size = (t / 0.004).min(1.0) * (-(t - step_s).max(0.0) / rings).exp();
                let wave = |j: f64| (std::f64::consts::TAU * j * hz * t).sin() / j;
                *sample += (0.1 * size * (1..4).map(|j| wave(f64::from(j))).sum::<f64>()) as f32;
            }
        }
        let hearing = hear(&sound, RATE_HZ as u32, &HearOptions::default());
        // Which pitches, not how sure: so pure and without noise they are like no instrument.
        let notes = hearing.notes.iter().filter(|n| n.confidence > 0.3);
        let mut pitches: Vec<i32> = notes.map(|n| n.midi.round() as i32).collect();
        pitches.dedup();
        pitches
    }

    #[test]
    fn two_notes_at_once_are_no_third() {
        assert_eq!(heard(false), [76, 81].repeat(8));
    }

    #[test]
    fn a_note_below_both_stays() {
        assert_eq!(heard(true), [76, 57].repeat(8));
    }
}
