//! The first moment of a slur, from the two notes it joins.
//!
//! At a slur the pitch does not jump: within 2 to 10 ms it glides from one note to the next,
//! and leaves the old note so slowly that a jump fitted to it comes late by half the way. Here
//! the old note's wave is carried on past each moment that might be the onset, its own drift
//! of pitch and level included, and from there on wound forward or back as a glide to the new
//! pitch would do it, quick or slow or not at all. What this does not foretell, the new note's
//! own colour, grows from the onset on. The moment whose story makes the samples most likely
//! is the onset (generalised likelihood ratio: Basseville & Nikiforov, "Detection of Abrupt
//! Changes", 1993, section 2.4).

use super::refine::{Change, interpolated};
use super::sums::product;

/// What a slur is looked for with; places are sample positions.
#[derive(Clone, Copy, Debug)]
pub struct Slur {
    pub old_hz: f64,
    pub new_hz: f64,
    /// Where a jump of the pitch fits best.
    pub jump: f64,
    /// First sample of the old note, or of what is left of it.
    pub old_from: usize,
}

/// Looked at before and after the fitted jump, seconds: it comes late by half a glide, and
/// two notes' waves hold for so long.
const BEFORE_JUMP_S: f64 = 0.007;
const AFTER_JUMP_S: f64 = 0.002;

/// The old note's drift is read off so much of it at least; one period where that is longer.
const OLD_S: f64 = 0.008;

/// Least of the old note that a fit needs, seconds.
const OLD_LEAST_S: f64 = 0.004;

/// The old note's beginning is not yet itself, seconds.
const SETTLING_S: f64 = 0.008;

/// Ways of the glide, seconds (2 to 10 ms: as slurs were measured by Almeida, Chow, Smith &
/// Wolfe, JASA 126 (2009)).
const GLIDES_S: [f64; 4] = [0.002, 0.004, 0.006, 0.010];

/// What is not foretold grows with the square of the time since the onset, reaching this
/// many times the power of the old note's own error after `GROWTH_S`.
const GROWTHS: [f64; 8] = [0.1, 1.0, 10.0, 1e2, 1e3, 1e4, 1e5, 1e6];
const GROWTH_S: f64 = 0.004;

/// Least error of carrying a wave on, share of its amplitude.
const FLOOR_SHARE: f64 = 3e-3;

/// Moments are tried this far apart, seconds.
const STEP_S: f64 = 0.00027;

/// Neighbouring errors are alike over the band width of the sound: one in four counts.
const INDEPENDENT: f64 = 0.25;

/// Where the onset lies before a fitted jump, and its spread, seconds (half a glide of 2 to
/// 10 ms less what both fits have in common). Low notes spread more: the spread grows by a
/// share of what the period is longer than the second, and so does the span looked at.
const LEAD_S: f64 = 0.0015;
const LEAD_SD_S: f64 = 0.0015;
const SHORT_PERIOD_S: f64 = 0.006;
const LEAD_SD_PERIODS: f64 = 0.3;
const BEFORE_JUMP_PERIODS: f64 = 0.8;

/// Standard error of the story itself, seconds: no glide is half a cosine. What hides the
/// glide's beginning adds to it, by the amplitude of the old note's error over its own.
const STORY_SE_S: f64 = 0.0004;
const HIDDEN_SE_S: f64 = 0.010;

/// Ridge of the drift's regression, share of its diagonal: gain, shift and drift of pitch.
const RIDGE: [f64; 3] = [1e-4, 1e-3, 1e-2];

/// The slur's first moment, or `None` where too little of the old note is there.
pub fn first_moment(samples: &[f32], sample_rate_hz: f64, slur: &Slur) -> Option<Change> {
    let rate = sample_rate_hz;
    let in_samples = |s: f64| (s * rate) as usize;
    let period = rate / slur.old_hz;
    let long_s = (1.0 / slur.old_hz - SHORT_PERIOD_S).max(0.0);
    let lead_sd_s = LEAD_SD_S + LEAD_SD_PERIODS * long_s;
    let jump = slur.jump.max(0.0) as usize;
    let old = in_samples(OLD_S).max(period as usize);
    let reach = period as usize + 8;
    let from = jump
        .saturating_sub(in_samples(BEFORE_JUMP_S + BEFORE_JUMP_PERIODS * long_s))
        .max(slur.old_from + in_samples(SETTLING_S))
        .max(reach + in_samples(OLD_LEAST_S));
    let first = from
        .saturating_sub(old)
        .max(slur.old_from + period as usize + 2)
        .min(from - in_samples(OLD_LEAST_S))
        .max(reach);
    let end = (jump + in_samples(AFTER_JUMP_S)).min(samples.len().saturating_sub(4));
    if from + 12 > end || from < first + in_samples(OLD_LEAST_S) {
        return None;
    }
    let carried = Carried::new(samples, first, end, period, rate);
    let power = mean_square(&samples[first..from]);
    let floor = FLOOR_SHARE * FLOOR_SHARE * power + 1e-14;
    let n_after = end - from;
    let hidden = (carried.drift(first, from).1 / (power + 1e-14))
        .min(1.0)
        .sqrt();
    let story_se_s = STORY_SE_S + HIDDEN_SE_S * hidden;
    let growths = Growths::new(n_after, rate);
    let ratio = slur.new_hz / slur.old_hz - 1.0;
    let mut winds = vec![vec![0.0; n_after]];
    winds.extend(GLIDES_S.map(|way_s| wind(ratio, way_s * rate, n_after)));
    let step = ((STEP_S * rate).round() as usize).max(1);
    let mut errors = vec![0.0f32; n_after];
    let moments: Vec<(f64, f64)> = (from..end - 6)
        .step_by(step)
        .map(|onset| {
            let since = onset.saturating_sub(old).max(first);
            let (drift, error) = carried.drift(since, onset);
            let error = error + floor;
            let n = end - onset;
            let mut best = f64::NEG_INFINITY;
            for wind in &winds {
                for (i, (out, wound)) in errors[..n].iter_mut().zip(wind).enumerate() {
                    let foretold = carried.foretold(&drift, onset, onset + i, *wound);
                    let e = f64::from(samples[onset + i]) - foretold;
                    *out = (e * e / error) as f32;
                }
                best = best.max(growths.log_likelihood(&errors[..n]));
            }
            let told = best - 0.5 * (end - first) as f64 * error.ln();
            let old_side = -0.5 * (onset - first) as f64;
            let lead = (onset as f64 - slur.jump) / rate + LEAD_S;
            let prior = -0.5 * (lead / lead_sd_s).powi(2);
            (onset as f64, INDEPENDENT * (told + old_side) + prior)
        })
        .collect();
    let top = moments
        .iter()
        .map(|m| m.1)
        .fold(f64::NEG_INFINITY, f64::max);
    let (mut weight, mut mean, mut square) = (0.0, 0.0, 0.0);
    for (at, log) in &moments {
        let (w, x) = ((log - top).exp(), at - slur.jump);
        weight += w;
        mean += w * x;
        square += w * x * x;
    }
    mean /= weight;
    let variance = (square / weight - mean * mean).max(0.0) + (step * step) as f64 / 12.0;
    Some(Change {
        at_samples: slur.jump + mean,
        se_samples: variance.sqrt().hypot(story_se_s * rate),
        evidence: 0.0,
    })
}

fn mean_square(samples: &[f32]) -> f64 {
    samples.iter().map(|x| f64::from(*x).powi(2)).sum::<f64>() / samples.len().max(1) as f64
}

/// How far the wave is wound on after each sample of a glide `way` samples long, in samples
/// of the old note: the frequency goes over as half a cosine.
fn wind(ratio: f64, way: f64, n: usize) -> Vec<f64> {
    use std::f64::consts::PI;
    (0..n)
        .map(|i| {
            let t = i as f64 + 0.5;
            let u = (t / way).min(1.0);
            ratio * (way * (0.5 * u - (PI * u).sin() / (2.0 * PI)) + (t - way).max(0.0))
        })
        .collect()
}

/// The old note's wave one period later, and what it takes to make it fit.
struct Carried<'a> {
    samples: &'a [f32],
    first: usize,
    period: f64,
    /// Sums up to each sample: products of level, shift and drift with each other (upper
    /// triangle) and with the samples, and the samples' power.
    sums: Vec<[f64; 10]>,
    /// Drift is counted in this many samples.
    unit: f64,
    origin: usize,
}

/// Gain, shift at the onset in samples, and its growth a sample.
struct Drift {
    gain: f64,
    shift: f64,
    growth: f64,
}

impl<'a> Carried<'a> {
    fn new(samples: &'a [f32], first: usize, end: usize, period: f64, rate: f64) -> Carried<'a> {
        let mut carried = Carried {
            samples,
            first,
            period,
            sums: Vec::with_capacity(end - first + 1),
            unit: 0.01 * rate,
            origin: first,
        };
        let mut sum = [0.0; 10];
        carried.sums.push(sum);
        for (n, sample) in samples.iter().enumerate().take(end).skip(first) {
            let at = n as f64 - period;
            let level = interpolated(samples, at);
            let slope = 0.5 * (interpolated(samples, at + 1.0) - interpolated(samples, at - 1.0));
            let terms = [level, slope, slope * (n - first) as f64 / carried.unit];
            let y = f64::from(*sample);
            let mut k = 0;
            for i in 0..3 {
                for j in i..3 {
                    sum[k] += terms[i] * terms[j];
                    k += 1;
                }
                sum[6 + i] += terms[i] * y;
            }
            sum[9] += y * y;
            carried.sums.push(sum);
        }
        carried
    }

    /// What fits best between two samples, and the mean squared error left.
    fn drift(&self, from: usize, to: usize) -> (Drift, f64) {
        let (a, b) = (&self.sums[from - self.first], &self.sums[to - self.first]);
        let s: [f64; 10] = std::array::from_fn(|k| b[k] - a[k]);
        let plain = [[s[0], s[1], s[2]], [s[1], s[3], s[4]], [s[2], s[4], s[5]]];
        let mut ridged = plain;
        for (i, ridge) in RIDGE.iter().enumerate() {
            ridged[i][i] += ridge * plain[i][i] + 1e-15;
        }
        let w = solved(ridged, [s[6], s[7], s[8]]);
        let mut rest = s[9];
        for i in 0..3 {
            rest -= 2.0 * w[i] * s[6 + i];
            for j in 0..3 {
                rest += w[i] * w[j] * plain[i][j];
            }
        }
        // A wave turned round or gone is not carried on by its gain.
        let gain = if w[0].abs() > 0.3 { w[0] } else { 1.0 };
        let growth = w[2] / gain / self.unit;
        let drift = Drift {
            gain,
            shift: w[1] / gain + growth * (to - self.origin) as f64,
            growth,
        };
        (drift, rest.max(0.0) / (to - from) as f64)
    }

    /// Sample `n` foretold from what was before `onset`, wound on by `wound` samples.
    fn foretold(&self, drift: &Drift, onset: usize, n: usize, wound: f64) -> f64 {
        let since = (n - onset) as f64;
        let mut at = n as f64 - self.period + drift.shift + drift.growth * since + wound;
        let last = onset as f64 - 1.0;
        while at > last {
            at -= self.period;
        }
        drift.gain * interpolated(self.samples, at.max(1.0))
    }
}

/// Cramer's rule; zeros where there is nothing to solve.
fn solved(m: [[f64; 3]; 3], y: [f64; 3]) -> [f64; 3] {
    let det = |a: &[[f64; 3]; 3]| {
        a[0][0] * (a[1][1] * a[2][2] - a[1][2] * a[2][1])
            - a[0][1] * (a[1][0] * a[2][2] - a[1][2] * a[2][0])
            + a[0][2] * (a[1][0] * a[2][1] - a[1][1] * a[2][0])
    };
    let whole = det(&m);
    std::array::from_fn(|k| {
        let mut with = m;
        for (row, y) in with.iter_mut().zip(y) {
            row[k] = y;
        }
        let x = det(&with) / whole;
        if x.is_finite() { x } else { 0.0 }
    })
}

/// Variances that grow from 1 with the square of the time, each a way the new note's own
/// colour may come in.
struct Growths {
    inverse: Vec<Vec<f32>>,
    /// Half the sum of the logarithms up to each sample.
    logs: Vec<Vec<f64>>,
}

impl Growths {
    fn new(n: usize, rate: f64) -> Growths {
        let mut growths = Growths {
            inverse: Vec::new(),
            logs: Vec::new(),
        };
        for growth in GROWTHS {
            let (mut inverse, mut logs, mut sum) = (Vec::new(), vec![0.0], 0.0f64);
            for i in 0..n {
                let t = (i as f64 + 0.5) / (GROWTH_S * rate);
                let variance = 1.0 + growth * t * t;
                inverse.push((1.0 / variance) as f32);
                sum += 0.5 * variance.ln();
                logs.push(sum);
            }
            growths.inverse.push(inverse);
            growths.logs.push(logs);
        }
        growths
    }

    /// Of squared errors relative to the old note's, under the growth that suits them best.
    fn log_likelihood(&self, errors: &[f32]) -> f64 {
        self.inverse
            .iter()
            .zip(&self.logs)
            .map(|(inverse, logs)| {
                let sum = product(errors, inverse);
                -0.5 * f64::from(sum) - logs[errors.len()]
            })
            .fold(f64::NEG_INFINITY, f64::max)
    }
}

#[cfg(test)]
pub(super) mod tests {
    use super::*;
    use std::f64::consts::{PI, TAU};

    pub const RATE: f64 = 22_050.0;

    /// Odd harmonics whose frequency goes over from one note to the other as half a cosine:
    /// its phase is known in closed form.
    pub fn glide(old_hz: f64, new_hz: f64, onset_s: f64, way_s: f64) -> Vec<f32> {
        (0..(0.2 * RATE) as usize)
            .map(|n| {
                let t = n as f64 / RATE - onset_s;
                let u = (t / way_s).clamp(0.0, 1.0);
                let wound = way_s * (0.5 * u - (PI * u).sin() / TAU) + (t - way_s).max(0.0);
                let turns = old_hz * (t + onset_s) + (new_hz - old_hz) * wound;
                let harmonic = |k: f64| (TAU * k * turns).sin() / k;
                (0.2 * (harmonic(1.0) + harmonic(3.0) + harmonic(5.0))) as f32
            })
            .collect()
    }

    /// Noise as strong as `share` of full scale, with its own seed.
    pub fn with_noise(mut sound: Vec<f32>, share: f32) -> Vec<f32> {
        let mut state = 9u64;
        for sample in &mut sound {
            state = state
                .wrapping_mul(6364136223846793005)
                .wrapping_add(1442695040888963407);
            *sample += share * ((state >> 40) as f32 / (1u32 << 23) as f32 - 1.0);
        }
        sound
    }

    /// A millisecond is what evenness is told to; a jump fitted to the same slurs is late by
    /// up to half the glide.
    #[test]
    fn a_slur_begins_where_its_glide_does() {
        const ONSET_S: f64 = 0.1;
        for (old_hz, new_hz) in [
            (220.0, 247.0),
            (330.0, 262.0),
            (196.0, 587.0),
            (440.0, 466.0),
        ] {
            for way_s in [0.003, 0.005, 0.009] {
                for noise in [0.0, 0.002] {
                    let sound = with_noise(glide(old_hz, new_hz, ONSET_S, way_s), noise);
                    let slur = Slur {
                        old_hz,
                        new_hz,
                        jump: (ONSET_S + 0.3 * way_s) * RATE,
                        old_from: 100,
                    };
                    let moment = first_moment(&sound, RATE, &slur).expect("there is an old note");
                    let error_ms = 1e3 * (moment.at_samples / RATE - ONSET_S);
                    assert!(
                        error_ms.abs() < 1.0,
                        "{old_hz} to {new_hz} Hz in {way_s} s, noise {noise}: {error_ms:+.2} ms"
                    );
                    assert!(moment.se_samples / RATE >= STORY_SE_S);
                }
            }
        }
    }

    #[test]
    fn without_an_old_note_there_is_no_slur() {
        let sound = glide(220.0, 247.0, 0.1, 0.005);
        for (jump, old_from) in [(0.0, 0), (50.0, 0), (2205.0, 2200), (1e6, 0)] {
            let slur = Slur {
                old_hz: 220.0,
                new_hz: 247.0,
                jump,
                old_from,
            };
            assert_eq!(first_moment(&sound, RATE, &slur), None, "jump at {jump}");
        }
    }
}
