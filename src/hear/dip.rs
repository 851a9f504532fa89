//! Slur or tongue, where the level dips between two pitches.
//!
//! The tongue silences the old note before the new one begins: nothing of the new pitch sounds
//! at the bottom of its dip, be it the noise of the room or the old note dying. A slur into
//! another register may dip as deep and as long, since the bore lets the old wave go while the
//! new one still grows, but it does so without a break: the new pitch is there as soon as the
//! old one is gone.

use super::envelope::STEP_S;
use super::refine::likeness;

/// A dip this deep at a change of pitch is the tongue's; slurs dip by less, ringing rooms
/// fill the tongue's to about as much.
const TONGUE_DIP_DB: f64 = 6.0;

/// Shallower and shorter than this it is of a slur that goes through another register: the
/// tongue stays 20 ms at least and leaves little in a dry take. On made takes slurs dipped by
/// up to 12 dB for up to 6.5 ms at half their depth, tongued notes by 40 dB or for longer.
const SLUR_DIP_DB_MAX: f64 = 15.0;
const SLUR_DIP_S_MAX: f64 = 0.007;

/// A longer dip is the tongue's even where the new pitch sounds in it: behind a soft tongue the
/// reed goes on a little. In recordings of four wind players such dips last 40 to 60 ms at half
/// their depth, half of made slurs up to 19.
const SLUR_DIP_S_MOST: f64 = 0.025;

/// What sounds while the level is still this near to its lowest sounds in the dip.
const NEAR_LOWEST_DB: f64 = 8.0;

/// Least likeness of a wave to itself one period before, for a pitch that sounds; and the most
/// it may have to the old note. On made takes in the dips of slurs 0.95 and more, of tongued
/// notes 0.8 and less, unless the old note's wave repeats at the new period too.
const SOUNDS: f64 = 0.95;
const OLD_IS_GONE: f64 = 0.9;

/// Least sound that is compared, seconds; one period where that is longer.
const COMPARED_S: f64 = 0.004;

/// The old note is still there where it is this much like itself at this share of the fall.
const STILL_OLD: f64 = 0.95;
const DYING_SHARE: f64 = 0.6;

/// Longest way from the lowest moment, in steps of the envelope.
const LOOKED_AT_STEPS: usize = 25;

/// A dip of the level where one pitch gives way to another.
pub struct Dip<'a> {
    /// Levels in dB, a step of the envelope apart, from `base_s` on.
    pub curve: &'a [f64],
    pub base_s: f64,
    /// Its lowest place in the curve, and its depth below both sides.
    pub lowest: usize,
    pub depth_db: f64,
    /// How long the level is below half its depth.
    pub length_s: f64,
    /// Periods of the old and the new note, samples.
    pub periods: (f64, f64),
}

impl Dip<'_> {
    /// Whether it is deep and long enough for the tongue's.
    pub fn is_deep(&self) -> bool {
        let through_register = self.depth_db < SLUR_DIP_DB_MAX && self.length_s < SLUR_DIP_S_MAX;
        self.depth_db > TONGUE_DIP_DB && !through_register
    }

    pub fn is_tongue(&self, samples: &[f32], sample_rate_hz: f64) -> bool {
        self.is_deep()
            && (self.length_s > SLUR_DIP_S_MOST || !self.new_note_sounds(samples, sample_rate_hz))
    }

    /// Whether the new pitch sounds near the bottom, where the old one is gone.
    fn new_note_sounds(&self, samples: &[f32], rate: f64) -> bool {
        let (old, new) = self.periods;
        let shortest = COMPARED_S * rate;
        let near = self.curve[self.lowest..]
            .iter()
            .take(LOOKED_AT_STEPS)
            .take_while(|x| **x < self.curve[self.lowest] + NEAR_LOWEST_DB);
        let n = near.count();
        (0..n).any(|i| {
            let at = (self.base_s + (self.lowest + i) as f64 * STEP_S) * rate;
            let like = |period: f64| likeness(samples, at, period, period.max(shortest));
            like(new) > SOUNDS && like(old) < OLD_IS_GONE
        })
    }

    /// Whether the old note goes on in pitch as it dies, as when its sound is released beside a
    /// new one: the new note begins where it rises out of the old. Fingers end the old at once.
    pub fn old_dies_away(&self, samples: &[f32], rate: f64) -> bool {
        let (old, new) = self.periods;
        let at = self.falls_s(DYING_SHARE * self.depth_db) * rate;
        let like = |period: f64| likeness(samples, at, period, period.max(COMPARED_S * rate));
        // A twelfth repeats at the old period too.
        like(old) > STILL_OLD && like(new) < OLD_IS_GONE
    }

    /// Where the level has fallen by `fall_db` for good on its way down.
    pub fn falls_s(&self, fall_db: f64) -> f64 {
        let before = &self.curve[..=self.lowest];
        let top = before.iter().copied().fold(-120.0, f64::max);
        let last = before.iter().rposition(|x| *x > top - fall_db).unwrap_or(0);
        self.base_s + last as f64 * STEP_S
    }
}
