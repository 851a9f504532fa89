//! How loud a recording is from moment to moment, taken as it comes.

use std::collections::VecDeque;

/// Step and width of one level, seconds.
pub const STEP_S: f64 = 0.010;

/// A step whose samples all lie within this, full scale ±1, holds no sound at all: less than a
/// thirtieth of a step of 16 bits. Every microphone and converter make more noise.
const NOTHING: f32 = 1e-6;

/// Levels of a recording, one every [`STEP_S`]; the offset of its zero does not count.
#[derive(Clone, Debug)]
pub struct Levels {
    step_samples: usize,
    keep: usize,
    n: usize,
    sum: f64,
    squares: f64,
    least: f32,
    most: f32,
    levels_db: VecDeque<f64>,
    nothing: VecDeque<bool>,
}

impl Levels {
    /// Of a whole take, at the rate of the samples to come.
    pub fn new(sample_rate_hz: u32) -> Levels {
        Levels::kept(sample_rate_hz, usize::MAX)
    }

    /// Of the newest seconds only.
    pub fn of_newest(seconds: f64, sample_rate_hz: u32) -> Levels {
        Levels::kept(sample_rate_hz, (seconds / STEP_S) as usize)
    }

    fn kept(sample_rate_hz: u32, keep: usize) -> Levels {
        Levels {
            step_samples: ((STEP_S * f64::from(sample_rate_hz)).round() as usize).max(1),
            keep,
            n: 0,
            sum: 0.0,
            squares: 0.0,
            least: f32::INFINITY,
            most: f32::NEG_INFINITY,
            levels_db: VecDeque::new(),
            nothing: VecDeque::new(),
        }
    }

    /// The next mono samples, full scale ±1.
    pub fn push(&mut self, samples: &[f32]) {
        for sample in samples {
            let x = f64::from(*sample);
            self.sum += x;
            self.squares += x * x;
            self.least = self.least.min(*sample);
            self.most = self.most.max(*sample);
            self.n += 1;
            if self.n == self.step_samples {
                self.step();
            }
        }
    }

    fn step(&mut self) {
        let n = self.n as f64;
        let power = (self.squares / n - (self.sum / n).powi(2)).max(0.0);
        if self.levels_db.len() == self.keep {
            self.levels_db.pop_front();
            self.nothing.pop_front();
        }
        self.levels_db.push_back(10.0 * (power + 1e-12).log10());
        self.nothing.push_back(self.most - self.least <= NOTHING);
        (self.n, self.sum, self.squares) = (0, 0.0, 0.0);
        (self.least, self.most) = (f32::INFINITY, f32::NEG_INFINITY);
    }

    /// Levels in order, dB re full scale (a full-scale square is 0); −120 for silence.
    pub fn levels_db(&self) -> Vec<f64> {
        self.levels_db.iter().copied().collect()
    }

    /// Which of the steps hold no sound at all: zeros put in, or a recorder that was not fed.
    pub fn nothing(&self) -> Vec<bool> {
        self.nothing.iter().copied().collect()
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn levels_are_those_of_the_sound_however_it_is_cut() {
        // A sine of amplitude a has the level 20 log10(a / √2): here -23.01 dB.
        let tone: Vec<f32> = (0..48_000)
            .map(|n| 0.3 + 0.1 * (std::f32::consts::TAU * 1000.0 * n as f32 / 48_000.0).sin())
            .collect();
        let mut whole = Levels::new(48_000);
        whole.push(&tone);
        assert_eq!(whole.levels_db().len(), 100);
        for level in whole.levels_db() {
            assert!((level + 23.01).abs() < 0.01, "{level}");
        }
        let mut pieces = Levels::new(48_000);
        tone.chunks(331).for_each(|piece| pieces.push(piece));
        assert_eq!(pieces.levels_db(), whole.levels_db());
    }

    #[test]
    fn zeros_are_nothing_and_the_faintest_noise_is_something() {
        let mut levels = Levels::of_newest(0.5, 8000);
        levels.push(&[0.2; 8000]);
        assert_eq!(levels.nothing(), vec![true; 50], "an offset is no sound");
        let dither: Vec<f32> = (0..8000)
            .map(|n| if n % 40 == 0 { 1.0 / 32768.0 } else { 0.0 })
            .collect();
        levels.push(&dither);
        assert_eq!(levels.nothing(), vec![false; 50]);
        assert!(levels.levels_db().iter().all(|level| *level < -100.0));
    }
}
