//! How loud the noise between the notes is, and how loud the playing.
//!
//! The noise is what the quietest frames hold. Where the player leaves no gap, in a long slurred
//! run, there is no quiet frame; then it is what of the sound does not repeat with its pitch.

use super::frames::Frame;

/// Share of the frames, by level, whose upper end is called the noise.
const QUIET_SHARE: f64 = 0.02;

/// The same of the playing.
const LOUD_SHARE: f64 = 0.95;

/// The noise is no louder than what does not repeat in half of the frames: in the others a note
/// changes, or begins.
const APERIODIC_SHARE: f64 = 0.5;

/// Levels of the frames of a take so far.
#[derive(Default)]
pub struct Floor {
    levels: Histogram,
    aperiodic: Histogram,
}

impl Floor {
    pub fn push(&mut self, frame: &Frame) {
        self.levels.push(frame.level_dbfs);
        self.aperiodic.push(frame.aperiodic_dbfs());
    }

    /// Level of the noise between the notes, dB re full scale; −120 before any frame.
    pub fn noise_dbfs(&self) -> f64 {
        let quiet = self.levels.quantile(QUIET_SHARE);
        quiet.min(self.aperiodic.quantile(APERIODIC_SHARE))
    }

    /// Level of the loud notes, dB re full scale; −120 before any frame.
    pub fn loud_dbfs(&self) -> f64 {
        self.levels.quantile(LOUD_SHARE)
    }
}

/// Lowest and highest level told apart, and steps a decibel.
const LOWEST_DBFS: f64 = -120.0;
const HIGHEST_DBFS: f64 = 10.0;
const STEPS_A_DB: f64 = 4.0;

/// How often each level came.
struct Histogram {
    counts: Vec<u32>,
    n: u32,
}

impl Default for Histogram {
    fn default() -> Histogram {
        Histogram {
            counts: vec![0; (STEPS_A_DB * (HIGHEST_DBFS - LOWEST_DBFS)) as usize],
            n: 0,
        }
    }
}

impl Histogram {
    fn push(&mut self, dbfs: f32) {
        let step = (STEPS_A_DB * (f64::from(dbfs) - LOWEST_DBFS)).max(0.0) as usize;
        let last = self.counts.len() - 1;
        self.counts[step.min(last)] += 1;
        self.n += 1;
    }

    /// Level below which this share lies.
    fn quantile(&self, share: f64) -> f64 {
        let rank = (share * f64::from(self.n)) as u32;
        let mut below = 0;
        for (step, count) in self.counts.iter().enumerate() {
            below += count;
            if below > rank {
                return step as f64 / STEPS_A_DB + LOWEST_DBFS;
            }
        }
        LOWEST_DBFS
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::hear::frames::Framer;
    use crate::sound::voice::{Rng, VoiceNote, VoiceOptions, render};

    const RATE_HZ: u32 = 44_100;

    /// Noise floor of a slurred scale with noise of −60 dB re full scale, `rest_s` of it before.
    fn floor(rest_s: f64) -> f64 {
        let notes: Vec<VoiceNote> = (0..24)
            .map(|k| VoiceNote {
                onset_s: rest_s + 0.15 * f64::from(k),
                offset_s: rest_s + 0.15 * f64::from(k + 1),
                midi: 55.0 + f64::from(k),
                level_db: -10.0,
                tongued: k == 0,
                blip: None,
            })
            .collect();
        let sound = render(&notes, RATE_HZ, rest_s + 3.6, &VoiceOptions::default());
        // Uniform over ±a: a power of a²/3.
        let a = 10f64.powf(-60.0 / 20.0) * 3f64.sqrt();
        let mut rng = Rng::new(5);
        let noisy: Vec<f32> = sound
            .iter()
            .map(|x| x + rng.between(-a, a) as f32)
            .collect();
        let mut frames = Vec::new();
        Framer::new(f64::from(RATE_HZ), 110, 140.0, 2000.0).push(&noisy, &mut frames);
        let mut floor = Floor::default();
        frames.iter().for_each(|frame| floor.push(frame));
        floor.noise_dbfs()
    }

    #[test]
    fn the_noise_is_known_where_no_gap_shows_it() {
        let with_a_rest = floor(0.5);
        assert!((with_a_rest + 60.0).abs() < 3.0, "{with_a_rest}");
        let without = floor(0.0);
        assert!((-62.0..-38.0).contains(&without), "{without}");
    }
}
