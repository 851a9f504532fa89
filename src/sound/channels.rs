//! Which channel has the player.
//!
//! Short frames spread over the whole take are compared: how clearly each channel holds a
//! steady tone (the normalised square difference function of McLeod and Wyvill, "A smarter
//! way to find pitch", ICMC 2005, §4), and how alike the channels are.

use realfft::{ComplexToReal, RealFftPlanner, RealToComplex};
use std::sync::Arc;

/// More channels than any recorder has; a damaged header can state 65535.
pub(super) const CHANNELS_MAX: usize = 64;

/// Length of a frame and distance between frames: 43 ms holds two periods of 47 Hz.
const FRAME_S: f64 = 0.043;
const HOP_S: f64 = 0.25;
/// Pitches looked for. Mains hum of 50 or 60 Hz lies below.
const F0_MIN_HZ: f64 = 65.0;
const F0_MAX_HZ: f64 = 4400.0;
/// A frame is a tone from this clarity on: white noise in such a frame reaches 0.2 at most.
const CLARITY_MIN: f64 = 0.6;
/// Frames quieter than this (−100 dB) are silence.
const FRAME_RMS_MIN: f64 = 1e-5;
/// Channels within this share of the clearest are equally good: then the loudest is taken.
const EQUAL_CLARITY: f64 = 0.95;
/// Channels are averaged when so alike: independent noise is halved then, and the delay
/// between them stays too short to blur an onset (a correlation of 0.9 is 0.16 ms at 440 Hz).
const ALIKE_MIN: f64 = 0.9;
/// … and when their levels lie within 6 dB: else the louder alone is better.
const ALIKE_LEVEL_MAX: f64 = 4.0;

/// The channels to average, counted from 0, and whether one that is left out is the mirror
/// image of the chosen (their sum would be silence).
#[derive(Clone, Debug, PartialEq)]
pub(super) struct Choice {
    pub(super) members: Vec<usize>,
    pub(super) out_of_phase: bool,
}

/// Looks at frames of an interleaved stream.
pub(super) struct Chooser {
    n_channels: usize,
    frame_samples: usize,
    hop_samples: usize,
    lags: std::ops::Range<usize>,
    /// Index of the next sample within the hop, and the frame so far, one row a channel.
    at: usize,
    frame: Vec<Vec<f32>>,
    forward: Arc<dyn RealToComplex<f32>>,
    inverse: Arc<dyn ComplexToReal<f32>>,
    /// Sum of the clarity over tone frames, a channel.
    clarity: Vec<f64>,
    /// Sum of products of channels, `[a][b]`.
    products: Vec<Vec<f64>>,
}

impl Chooser {
    pub(super) fn new(n_channels: usize, rate_hz: u32) -> Chooser {
        let rate_hz = rate_hz as f64;
        let frame_samples = (FRAME_S * rate_hz) as usize;
        let fft_samples = (2 * frame_samples).next_power_of_two();
        let mut planner = RealFftPlanner::new();
        Chooser {
            n_channels,
            frame_samples,
            hop_samples: (HOP_S * rate_hz) as usize,
            lags: (rate_hz / F0_MAX_HZ) as usize..(rate_hz / F0_MIN_HZ) as usize,
            at: 0,
            frame: vec![Vec::with_capacity(frame_samples); n_channels],
            forward: planner.plan_fft_forward(fft_samples),
            inverse: planner.plan_fft_inverse(fft_samples),
            clarity: vec![0.0; n_channels],
            products: vec![vec![0.0; n_channels]; n_channels],
        }
    }

    /// `frame` holds one sample of every channel.
    pub(super) fn push(&mut self, frame: &[f32]) {
        if self.at < self.frame_samples {
            for (row, sample) in self.frame.iter_mut().zip(frame) {
                row.push(*sample);
            }
            if self.at + 1 == self.frame_samples {
                self.look();
            }
        }
        self.at = (self.at + 1) % self.hop_samples;
    }

    pub(super) fn choose(mut self) -> Choice {
        // A take shorter than one frame is judged by what there is.
        if (0..self.n_channels).all(|c| self.products[c][c] == 0.0) {
            self.look();
        }
        let own = |c: usize| self.products[c][c];
        let clearest = self.clarity.iter().copied().fold(0.0, f64::max);
        let best = (0..self.n_channels)
            .filter(|c| self.clarity[*c] >= EQUAL_CLARITY * clearest)
            .max_by(|a, b| own(*a).total_cmp(&own(*b)).then(b.cmp(a)))
            .unwrap_or(0);
        let alike = |c: usize| {
            let scale = (own(c) * own(best)).sqrt();
            if scale > 0.0 {
                self.products[c][best] / scale
            } else {
                0.0
            }
        };
        let as_loud = |c: usize| {
            own(c) <= ALIKE_LEVEL_MAX * own(best) && own(best) <= ALIKE_LEVEL_MAX * own(c)
        };
        let members = (0..self.n_channels)
            .filter(|c| *c == best || (alike(*c) >= ALIKE_MIN && as_loud(*c)))
            .collect();
        Choice {
            members,
            out_of_phase: (0..self.n_channels).any(|c| alike(c) <= -ALIKE_MIN && as_loud(c)),
        }
    }

    /// Takes the gathered frame into account and empties it.
    fn look(&mut self) {
        let mut frame = std::mem::replace(&mut self.frame, vec![Vec::new(); self.n_channels]);
        for a in 0..self.n_channels {
            let mean = frame[a].iter().sum::<f32>() / frame[a].len().max(1) as f32;
            frame[a].iter_mut().for_each(|sample| *sample -= mean);
            let power = sum(frame[a].iter().map(|x| x * x));
            if power > FRAME_RMS_MIN.powi(2) * frame[a].len() as f64 {
                let clarity = self.clarity_of(&frame[a]);
                if clarity >= CLARITY_MIN {
                    self.clarity[a] += clarity;
                }
            }
            for b in 0..=a {
                let product = sum(frame[a].iter().zip(&frame[b]).map(|(x, y)| x * y));
                self.products[a][b] += product;
                if a != b {
                    self.products[b][a] += product;
                }
            }
        }
        frame.iter_mut().for_each(Vec::clear);
        self.frame = frame;
    }

    /// Highest normalised square difference over the lags of the pitch range, after the
    /// function first falls below zero (before that every smooth signal is like itself).
    fn clarity_of(&self, samples: &[f32]) -> f64 {
        let mut padded = self.forward.make_input_vec();
        padded[..samples.len()].copy_from_slice(samples);
        let mut spectrum = self.forward.make_output_vec();
        let mut correlation = self.inverse.make_output_vec();
        let transformed = self.forward.process(&mut padded, &mut spectrum);
        spectrum
            .iter_mut()
            .for_each(|bin| *bin = bin.norm_sqr().into());
        if transformed.is_err()
            || self
                .inverse
                .process(&mut spectrum, &mut correlation)
                .is_err()
        {
            return 0.0;
        }
        let scale = correlation.len() as f64;
        let mut energy = 2.0 * sum(samples.iter().map(|x| x * x));
        let (mut fell, mut best) = (false, 0.0f64);
        for lag in 1..self.lags.end.min(samples.len() / 2) {
            let (head, tail) = (samples[lag - 1], samples[samples.len() - lag]);
            energy -= (head * head + tail * tail) as f64;
            if energy <= 0.0 {
                break;
            }
            let likeness = 2.0 * correlation[lag] as f64 / scale / energy;
            fell |= likeness < 0.0;
            if fell && lag >= self.lags.start {
                best = best.max(likeness);
            }
        }
        best
    }
}

fn sum(values: impl Iterator<Item = f32>) -> f64 {
    values.map(f64::from).sum()
}
