//! What a recorder does to the sound, said while there is time to switch it off.
//!
//! The same signs as in the report, read off the newest pauses whenever a phrase is over.

use crate::hear::levels::Levels;
use crate::hear::recording::{AUTOMATIC_GAIN, NOISE_SUPPRESSION, warnings};

/// Newest sound looked at, seconds.
const NEWEST_S: f64 = 120.0;

/// Listens for a recorder that changes the sound.
pub struct RecorderWatch {
    levels: Levels,
    gain_before: bool,
    said: Vec<&'static str>,
}

impl RecorderWatch {
    /// `sample_rate_hz` of the samples to come.
    pub fn new(sample_rate_hz: u32) -> RecorderWatch {
        RecorderWatch {
            levels: Levels::of_newest(NEWEST_S, sample_rate_hz),
            gain_before: false,
            said: Vec::new(),
        }
    }

    /// The next mono samples.
    pub fn push(&mut self, samples: &[f32]) {
        self.levels.push(samples);
    }

    /// What is to be said now that a phrase is over, each once a take. A gain has to show at two
    /// phrases on end: few pauses mislead. The room is left to the report: a click that rings
    /// has been taken for one.
    pub fn at_phrase(&mut self) -> Vec<String> {
        let signs = warnings(&self.levels.levels_db(), &self.levels.nothing());
        let shows = |warning: &str| signs.iter().any(|sign| sign == warning);
        let gain_again = self.gain_before && shows(AUTOMATIC_GAIN);
        self.gain_before = shows(AUTOMATIC_GAIN);
        let mut fresh = Vec::new();
        for (warning, due) in [
            (AUTOMATIC_GAIN, gain_again),
            (NOISE_SUPPRESSION, shows(NOISE_SUPPRESSION)),
        ] {
            if due && !self.said.contains(&warning) {
                self.said.push(warning);
                fresh.push(warning.to_owned());
            }
        }
        fresh
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    const RATE_HZ: u32 = 8000;

    /// One tone of 0.8 s and a pause of 0.8 s, over noise of `hiss(seconds since the tone's end)`.
    fn phrase(hiss: impl Fn(f64) -> f64) -> Vec<f32> {
        let mut state = 1u64;
        (0..(1.6 * f64::from(RATE_HZ)) as usize)
            .map(|n| {
                let t = n as f64 / f64::from(RATE_HZ) - 0.8;
                state = state
                    .wrapping_mul(6_364_136_223_846_793_005)
                    .wrapping_add(1);
                let noise = (state >> 33) as f64 / f64::from(1u32 << 31) - 0.5;
                let tone = 0.2 * (-t.max(0.0) / 0.01).exp();
                (tone * (std::f64::consts::TAU * 440.0 * t).sin() + hiss(t) * noise) as f32
            })
            .collect()
    }

    /// What is said at the end of each of four phrases.
    fn said(hiss: impl Fn(f64) -> f64) -> Vec<Vec<String>> {
        let mut watch = RecorderWatch::new(RATE_HZ);
        let phrases = (0..4).map(|_| {
            watch.push(&phrase(&hiss));
            watch.at_phrase()
        });
        phrases.collect()
    }

    #[test]
    fn suppression_is_said_at_once_and_once() {
        let said = said(|t| if t < 0.15 { 0.002 } else { 0.00002 });
        assert_eq!(said[0], [NOISE_SUPPRESSION]);
        assert!(said[1..].iter().all(Vec::is_empty), "{said:?}");
    }

    #[test]
    fn a_gain_is_said_when_it_shows_again() {
        // Two pauses show it, the third shows it again.
        let said = said(|t| if t < 0.0 { 0.0002 } else { 0.0002 + 0.002 * t });
        let empty: [&str; 0] = [];
        assert_eq!(said[0], empty);
        assert_eq!(said[1], empty);
        assert_eq!(said[2], [AUTOMATIC_GAIN]);
        assert_eq!(said[3], empty);
    }

    #[test]
    fn a_plain_microphone_is_left_in_peace() {
        assert!(said(|_| 0.002).concat().is_empty());
    }
}
