//! Halves and doubles of the sample rate, for takes outside the range the hearing works in.
//!
//! The filter is linear-phase and its delay is taken out: sample `k` of the result lies
//! exactly at sample `2k` (halved) or `k/2` (doubled) of what came in.

/// Rates that can be read at all: a telephone's, and eight times 96 kHz.
pub(super) const RATE_MIN_HZ: u32 = 8_000;
pub(super) const RATE_MAX_HZ: u32 = 768_000;
/// Rates that the hearing takes as they are. Above, only ultrasound would be gained; below,
/// a 4 kHz pitch would have fewer than four samples a period.
const NATIVE_MIN_HZ: u32 = 16_000;
const NATIVE_MAX_HZ: u32 = 96_000;

/// Brings a stream of any readable rate to a rate between 16 and 96 kHz.
pub(super) struct Resampler {
    pub(super) rate_hz: u32,
    stages: Vec<Stage>,
    between: Vec<f32>,
}

impl Resampler {
    /// `rate_hz` lies between [`RATE_MIN_HZ`] and [`RATE_MAX_HZ`].
    pub(super) fn new(rate_hz: u32) -> Resampler {
        let mut resampler = Resampler {
            rate_hz,
            stages: Vec::new(),
            between: Vec::new(),
        };
        // An odd rate has no half in whole hertz; none is in use above 96 kHz.
        while resampler.rate_hz > NATIVE_MAX_HZ && resampler.rate_hz.is_multiple_of(2) {
            resampler.rate_hz /= 2;
            resampler.stages.push(Stage::new(false));
        }
        while resampler.rate_hz < NATIVE_MIN_HZ {
            resampler.rate_hz *= 2;
            resampler.stages.push(Stage::new(true));
        }
        resampler
    }

    /// Replaces `block` by what it gives at the new rate; at the `end` the filter is emptied.
    pub(super) fn process(&mut self, block: &mut Vec<f32>, end: bool) {
        for stage in &mut self.stages {
            self.between.clear();
            stage.process(block, end, &mut self.between);
            std::mem::swap(block, &mut self.between);
        }
    }
}

/// Taps on each side of the centre. With the window below, flat to 0.001 dB up to 0.47 of
/// the lower rate and 96 dB down from 0.53 on: content within the pitch range is untouched.
const SIDE_TAPS: usize = 127;
/// Kaiser window for 96 dB (Oppenheim and Schafer, Discrete-Time Signal Processing, §7.5.3:
/// β = 0.1102 · (A − 8.7)).
const KAISER_BETA: f64 = 9.62;

struct Stage {
    doubles: bool,
    /// Half-band filter, gain 1; every second tap beside the centre is 0.
    side: Vec<f32>,
    /// Input with `SIDE_TAPS` samples of the past in front.
    history: Vec<f32>,
    /// Position in `history` of the next sample to filter around.
    at: usize,
}

impl Stage {
    fn new(doubles: bool) -> Stage {
        Stage {
            doubles,
            side: half_band(),
            history: vec![0.0; SIDE_TAPS],
            at: SIDE_TAPS,
        }
    }

    fn process(&mut self, input: &[f32], end: bool, out: &mut Vec<f32>) {
        self.history.extend_from_slice(input);
        let last = self.history.len();
        if end {
            self.history.resize(last + SIDE_TAPS, 0.0);
        }
        while self.at < last && self.at + SIDE_TAPS < self.history.len() {
            let (past, future) = self.history.split_at(self.at);
            if self.doubles {
                out.push(future[0]);
                // Halfway to the next sample; the filter's even taps fall on the gaps.
                let halfway = self.side.iter().enumerate().map(|(k, tap)| {
                    let before = if k == 0 {
                        future[0]
                    } else {
                        past[past.len() - k]
                    };
                    tap * (before + future[k + 1])
                });
                out.push(2.0 * halfway.sum::<f32>());
                self.at += 1;
            } else {
                let sides: f32 = self
                    .side
                    .iter()
                    .enumerate()
                    .map(|(k, tap)| {
                        let distance = 2 * k + 1;
                        tap * (past[past.len() - distance] + future[distance])
                    })
                    .sum();
                out.push(0.5 * future[0] + sides);
                self.at += 2;
            }
        }
        let done = self.at.saturating_sub(SIDE_TAPS).min(self.history.len());
        self.history.drain(..done);
        self.at -= done;
    }
}

/// The taps at distances 1, 3, 5 … of a half-band low-pass: the windowed sinc at half the
/// Nyquist frequency, scaled to a gain of exactly 1 at 0 Hz (the centre tap is ½).
fn half_band() -> Vec<f32> {
    use std::f64::consts::PI;
    let taps: Vec<f64> = (1..=SIDE_TAPS)
        .step_by(2)
        .map(|distance| {
            let x = distance as f64;
            let edge = x / (SIDE_TAPS + 1) as f64;
            let window =
                bessel_i0(KAISER_BETA * (1.0 - edge * edge).sqrt()) / bessel_i0(KAISER_BETA);
            (PI * x / 2.0).sin() / (PI * x) * window
        })
        .collect();
    let gain = 0.25 / taps.iter().sum::<f64>();
    taps.iter().map(|tap| (tap * gain) as f32).collect()
}

/// Modified Bessel function of the first kind and order 0, by its series.
fn bessel_i0(x: f64) -> f64 {
    let (mut sum, mut term) = (1.0, 1.0);
    for k in 1..60 {
        term *= (x / 2.0 / k as f64).powi(2);
        sum += term;
    }
    sum
}
