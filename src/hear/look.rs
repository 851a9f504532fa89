//! The sound, for a second look at pitches that are named.

use super::harmonic::Fit;
use crate::convert::midi_to_hz;

/// Most sines of one fit.
const SINES_MAX: usize = 40;
/// Sines nearer than this share of what a stretch resolves are one.
const RESOLVED: f64 = 0.25;

/// The sound as it was heard: hum, clicks and room taken out.
#[derive(Clone, Debug, Default)]
pub struct Sound {
    samples: Vec<f32>,
    rate_hz: f64,
    /// Samples of the take before the first of `samples`.
    n_forgotten: usize,
}

impl Sound {
    /// Mono, full scale ±1.
    pub fn new(samples: Vec<f32>, rate_hz: f64) -> Sound {
        Sound {
            samples,
            rate_hz,
            n_forgotten: 0,
        }
    }

    /// More of it, of which the newest `keep_s` seconds are kept at least.
    pub(super) fn push(&mut self, samples: &[f32], keep_s: f64) {
        self.samples.extend_from_slice(samples);
        let keep = (keep_s * self.rate_hz) as usize;
        if self.samples.len() > 2 * keep {
            let n = self.samples.len() - keep;
            self.samples.drain(..n);
            self.n_forgotten += n;
        }
    }

    /// Time of the take that it begins at, seconds.
    pub fn begins_s(&self) -> f64 {
        self.n_forgotten as f64 / self.rate_hz.max(1.0)
    }

    fn stretch(&self, (from_s, to_s): (f64, f64)) -> &[f32] {
        let at = |t: f64| {
            let n = (t.max(0.0) * self.rate_hz) as usize;
            n.saturating_sub(self.n_forgotten).min(self.samples.len())
        };
        let from = at(from_s);
        &self.samples[from..at(to_s).max(from)]
    }

    /// Mean power a sample between two times, seconds.
    pub fn power(&self, span_s: (f64, f64)) -> f64 {
        let stretch = self.stretch(span_s);
        let sum: f64 = stretch.iter().map(|x| f64::from(*x).powi(2)).sum();
        sum / stretch.len().max(1) as f64
    }

    /// Share of the power between two times that the harmonics up to `top_hz` of these pitches,
    /// fractional MIDI numbers at A4 = 440 Hz, explain together: 0 to 1 (least squares).
    pub fn explained(&self, span_s: (f64, f64), midis: &[f64], top_hz: f64) -> f64 {
        let stretch = self.stretch(span_s);
        if stretch.is_empty() {
            return 0.0;
        }
        let near_hz = RESOLVED * self.rate_hz / stretch.len() as f64;
        let top_hz = top_hz.min(0.45 * self.rate_hz);
        let mut sines_hz: Vec<f64> = Vec::new();
        for midi in midis {
            let f0_hz = midi_to_hz(*midi, 440.0);
            for hz in (1..)
                .map(|k| f64::from(k) * f0_hz)
                .take_while(|hz| *hz < top_hz)
            {
                let known = sines_hz.iter().any(|sine| (sine - hz).abs() < near_hz);
                if !known && sines_hz.len() < SINES_MAX {
                    sines_hz.push(hz);
                }
            }
        }
        let turn = std::f64::consts::TAU / self.rate_hz;
        let steps: Vec<f64> = sines_hz.iter().map(|hz| turn * hz).collect();
        Fit::of_sines(stretch, &steps).share()
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    /// A3 with all its harmonics, and E5 with A5, whose harmonics are some of A3's: by the series
    /// alone, A5 explains no more of A3 than every fourth harmonic.
    #[test]
    fn what_only_the_lower_note_explains_tells_it_from_two_above() {
        const RATE_HZ: f64 = 22_050.0;
        let tone = |f0s_hz: &[f64]| -> Sound {
            let at = |i: usize| -> f64 {
                let t = i as f64 / RATE_HZ;
                let partial = |hz: f64, k: f64| (std::f64::consts::TAU * hz * k * t).sin() / k;
                let wave = |hz: &f64| (1..=4).map(|k| partial(*hz, f64::from(k))).sum::<f64>();
                f0s_hz.iter().map(wave).sum()
            };
            Sound::new((0..4410).map(|i| at(i) as f32).collect(), RATE_HZ)
        };
        let (span_s, top_hz) = ((0.02, 0.12), 4000.0);
        let low = tone(&[220.0]);
        assert!(low.explained(span_s, &[57.0], top_hz) > 0.9);
        assert!(low.explained(span_s, &[81.0], top_hz) < 0.1);
        let both = tone(&[659.26, 880.0]);
        let of_both = both.explained(span_s, &[76.0, 81.0], top_hz);
        assert!(of_both > 0.9 && both.explained(span_s, &[57.0], top_hz) - of_both < 0.02);
        assert_eq!(both.explained((1.0, 2.0), &[57.0], top_hz), 0.0);
    }
}
