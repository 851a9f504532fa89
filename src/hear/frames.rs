//! Frames: short slices of the sound and the pitches each of them offers.
//!
//! The pitch candidates are the peaks of the autocorrelation of a Hann-windowed slice
//! divided by the window's own autocorrelation (Boersma, "Accurate short-term analysis of
//! the fundamental frequency", IFA Proceedings 17 (1993) 97-110, eq. 9), computed by FFT.
//! A frame's time is its centre.

use std::sync::Arc;

use realfft::num_complex::Complex;
use realfft::{ComplexToReal, RealFftPlanner, RealToComplex};

use super::sums::sum_of;

/// Pitches kept a frame; a single line with its octave, twelfth and a ringing
/// predecessor needs no more.
pub const CANDIDATES_MAX: usize = 6;

/// Periods of the lowest pitch inside a frame: three are the least a Hann window needs
/// (Boersma 1993, section 4).
const PERIODS_A_FRAME: f64 = 3.0;

/// Peaks of the autocorrelation weaker than this are noise in every register.
const STRENGTH_MIN: f32 = 0.30;

/// The share of a frame that does not repeat is known no better than this.
const APERIODIC_MIN: f32 = 1e-4;

/// A pitch a frame offers.
#[derive(Clone, Copy, Debug, Default, PartialEq)]
pub struct FramePitch {
    pub f0_hz: f32,
    /// Height of the normalised autocorrelation, 0 to 1: the periodic share of the power.
    pub strength: f32,
}

/// One analysis slice.
#[derive(Clone, Copy, Debug, Default, PartialEq)]
pub struct Frame {
    pub pitches: [FramePitch; CANDIDATES_MAX],
    pub n_pitches: u8,
    /// Power of the windowed slice, dB re full scale.
    pub level_dbfs: f32,
}

impl Frame {
    pub fn pitches(&self) -> &[FramePitch] {
        &self.pitches[..self.n_pitches as usize]
    }

    /// Level of what does not repeat with the strongest of its pitches, dB re full scale
    /// (Boersma 1993, eq. 4: harmonics to noise are r to 1 − r).
    pub fn aperiodic_dbfs(&self) -> f32 {
        let periodic = self.pitches().iter().fold(0.0f32, |r, p| r.max(p.strength));
        self.level_dbfs + 10.0 * (1.0 - periodic).max(APERIODIC_MIN).log10()
    }
}

/// Cuts a stream of samples into frames; `push` takes any number of samples and the
/// frames do not depend on how the stream was cut.
pub struct Framer {
    sample_rate_hz: f64,
    hop_samples: usize,
    frame_samples: usize,
    lag_min: usize,
    lag_max: usize,
    window: Vec<f32>,
    /// Reciprocal of the window's autocorrelation, by lag.
    window_acf_inverse: Vec<f32>,
    window_power: f64,
    forward: Arc<dyn RealToComplex<f32>>,
    inverse: Arc<dyn ComplexToReal<f32>>,
    buffer: Vec<f32>,
    slice: Vec<f32>,
    spectrum: Vec<Complex<f32>>,
    acf: Vec<f32>,
    scratch: Vec<Complex<f32>>,
}

impl Framer {
    /// `low_hz` sets the frame length, `high_hz` the shortest lag looked at; both bounded
    /// by the caller to 30 Hz … a quarter of the sample rate.
    pub fn new(sample_rate_hz: f64, hop_samples: usize, low_hz: f64, high_hz: f64) -> Framer {
        let frame_samples =
            ((PERIODS_A_FRAME * sample_rate_hz / low_hz).ceil() as usize).max(16) | 1;
        let lag_max = (sample_rate_hz / low_hz).ceil() as usize + 2;
        let lag_min = ((sample_rate_hz / high_hz).floor() as usize).max(2);
        let fft_len = quick_length(frame_samples + lag_max + 2);
        let mut planner = RealFftPlanner::<f32>::new();
        let forward = planner.plan_fft_forward(fft_len);
        let inverse = planner.plan_fft_inverse(fft_len);
        let window: Vec<f32> = (0..frame_samples)
            .map(|i| {
                let phase = 2.0 * std::f64::consts::PI * (i as f64 + 0.5) / frame_samples as f64;
                (0.5 - 0.5 * phase.cos()) as f32
            })
            .collect();
        let window_acf = |lag: usize| -> f64 {
            (0..frame_samples - lag)
                .map(|i| window[i] as f64 * window[i + lag] as f64)
                .sum()
        };
        let window_power = window_acf(0);
        let window_acf_inverse = (0..=lag_max + 1)
            .map(|lag| (window_power / window_acf(lag)) as f32)
            .collect();
        Framer {
            sample_rate_hz,
            hop_samples,
            frame_samples,
            lag_min,
            lag_max,
            window_acf_inverse,
            window_power,
            slice: forward.make_input_vec(),
            spectrum: forward.make_output_vec(),
            acf: inverse.make_output_vec(),
            scratch: forward.make_scratch_vec(),
            forward,
            inverse,
            // The first frame is centred on the first sample.
            buffer: vec![0.0; frame_samples / 2],
            window,
        }
    }

    pub fn frame_samples(&self) -> usize {
        self.frame_samples
    }

    /// Frames completed by these samples are appended to `frames`.
    pub fn push(&mut self, samples: &[f32], frames: &mut Vec<Frame>) {
        self.buffer.extend_from_slice(samples);
        let mut start = 0;
        while start + self.frame_samples <= self.buffer.len() {
            frames.push(self.analyse(start));
            start += self.hop_samples;
        }
        // A hop longer than what is left keeps its remainder by not draining past the end.
        self.buffer.drain(..start.min(self.buffer.len()));
    }

    /// The last frames, centred up to the last sample.
    pub fn finish(&mut self, frames: &mut Vec<Frame>) {
        let silence = vec![0.0; self.frame_samples / 2];
        self.push(&silence, frames);
    }

    fn analyse(&mut self, start: usize) -> Frame {
        let samples = &self.buffer[start..start + self.frame_samples];
        let mean = sum_of(samples, |x| x) / self.frame_samples as f32;
        for ((out, x), w) in self.slice.iter_mut().zip(samples).zip(&self.window) {
            *out = (x - mean) * w;
        }
        self.slice[self.frame_samples..].fill(0.0);
        let squares = sum_of(&self.slice[..self.frame_samples], |x| x * x);
        let power = f64::from(squares) / self.window_power;
        let mut frame = Frame {
            level_dbfs: (10.0 * (power + 1e-12).log10()) as f32,
            ..Frame::default()
        };
        if power < 1e-11 {
            return frame;
        }
        self.forward
            .process_with_scratch(&mut self.slice, &mut self.spectrum, &mut self.scratch)
            .expect("buffers were made by this plan");
        for bin in &mut self.spectrum {
            *bin = Complex::new(bin.norm_sqr(), 0.0);
        }
        self.inverse
            .process_with_scratch(&mut self.spectrum, &mut self.acf, &mut self.scratch)
            .expect("buffers were made by this plan");
        self.pick(&mut frame);
        frame
    }

    /// The strongest peaks of the normalised autocorrelation, shortest lag first.
    fn pick(&mut self, frame: &mut Frame) {
        let scale = 1.0 / self.acf[0];
        let last = self.lag_max + 1;
        for (acf, inverse) in self.acf[..=last].iter_mut().zip(&self.window_acf_inverse) {
            *acf *= scale * inverse;
        }
        let acf = &self.acf;
        let mut n = 0;
        for lag in self.lag_min.max(2)..=self.lag_max {
            let (a, b, c) = (acf[lag - 1], acf[lag], acf[lag + 1]);
            if b < STRENGTH_MIN || b <= a || b < c {
                continue;
            }
            let (delta, height) = parabola(a, b, c);
            let strength = if height > 1.0 { 1.0 / height } else { height };
            let pitch = FramePitch {
                f0_hz: (self.sample_rate_hz / (lag as f64 + delta as f64)) as f32,
                strength,
            };
            if n < CANDIDATES_MAX {
                frame.pitches[n] = pitch;
                n += 1;
            } else {
                // Full: the weakest gives way, short lags being preferred among equals.
                let (weakest, _) = frame
                    .pitches
                    .iter()
                    .enumerate()
                    .min_by(|x, y| score(x.1).total_cmp(&score(y.1)))
                    .expect("the array is full");
                if score(&pitch) > score(&frame.pitches[weakest]) {
                    frame.pitches[weakest..].rotate_left(1);
                    frame.pitches[CANDIDATES_MAX - 1] = pitch;
                }
            }
        }
        frame.n_pitches = n as u8;
        for i in 0..n {
            frame.pitches[i].f0_hz = self.sharpen(frame.pitches[i].f0_hz);
        }
    }

    /// The same pitch read off its longest multiple lag inside the range, where an error
    /// of the peak's place weighs least.
    fn sharpen(&self, f0_hz: f32) -> f32 {
        let mut lag = self.sample_rate_hz / f0_hz as f64;
        let height_at_one = self.acf[lag.round() as usize];
        let mut multiple = 1usize;
        while lag * (2 * multiple) as f64 + 1.0 < self.lag_max as f64 {
            let at = (lag * (2 * multiple) as f64).round() as usize;
            let best = (at - 1..=at + 1)
                .max_by(|a, b| self.acf[*a].total_cmp(&self.acf[*b]))
                .unwrap_or(at);
            let (a, b, c) = (self.acf[best - 1], self.acf[best], self.acf[best + 1]);
            if b <= a || b < c || b < 0.8 * height_at_one {
                break;
            }
            multiple *= 2;
            lag = (best as f64 + parabola(a, b, c).0 as f64) / multiple as f64;
        }
        (self.sample_rate_hz / lag) as f32
    }
}

/// The shortest length of a transform that is not below `n` and quick: even, its half a power of
/// two or that and an eighth, a quarter, or a half more.
fn quick_length(n: usize) -> usize {
    let whole = n.next_power_of_two().max(32);
    let part = |eighths: usize| whole / 16 * eighths;
    ([9, 10, 12].map(part).into_iter())
        .find(|length| *length >= n)
        .unwrap_or(whole)
}

/// Rank of a peak among the peaks of its frame: strength, with a little for the shorter lag.
fn score(pitch: &FramePitch) -> f32 {
    pitch.strength + 0.03 * pitch.f0_hz.log2()
}

/// Vertex of the parabola through three equidistant points: offset from the middle
/// one (−0.5 to 0.5) and height.
pub fn parabola(a: f32, b: f32, c: f32) -> (f32, f32) {
    let curvature = a - 2.0 * b + c;
    if curvature.abs() < 1e-12 {
        return (0.0, b);
    }
    let delta = (0.5 * (a - c) / curvature).clamp(-0.5, 0.5);
    (delta, b - 0.25 * (a - c) * delta)
}
