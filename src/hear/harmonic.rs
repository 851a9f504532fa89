//! Least-squares fits of harmonic tones to short stretches of sound.
//!
//! A tone of known f0 is a sum of sines and cosines at its multiples; how much of a
//! stretch such a sum explains tells whether that pitch sounds in it, in noise and in a
//! ringing room too, where the wave alone does not show it.

/// Harmonics of a tone taken into a fit, and the frequency above which none is.
const HARMONICS_MAX: usize = 10;
const HARMONIC_TOP_HZ: f64 = 4500.0;

/// Ridge relative to the number of samples; keeps stretches shorter than a period solvable.
const RIDGE: f64 = 0.02;

/// Sums of cos(step·i) and sin(step·i) over samples 0 to n − 1, in closed form (Dirichlet's
/// kernel).
fn wave_sums(step: f64, n: usize) -> (f64, f64) {
    let (half, n) = (0.5 * step, n as f64);
    let below = half.sin();
    let kernel = if below.abs() < 1e-9 {
        n
    } else {
        (n * half).sin() / below
    };
    let (sin, cos) = ((n - 1.0) * half).sin_cos();
    (kernel * cos, kernel * sin)
}

/// Upper triangle of the sums over `n` samples of the products of each two of the cosines and
/// sines, which are half the sums of those at the sum and at the difference of two steps.
/// `sums(a, b)` gives both for sines number a and b ≥ a: at step b + step a, at step b − step a.
fn gram(sines: usize, sums: impl Fn(usize, usize) -> [(f64, f64); 2]) -> Vec<f64> {
    let m = 2 * sines;
    let mut gram = vec![0.0; m * m];
    for a in 0..sines {
        for b in a..sines {
            let [sum, difference] = sums(a, b);
            let at = |i: usize, j: usize| (2 * a + i) * m + 2 * b + j;
            gram[at(0, 0)] = 0.5 * (difference.0 + sum.0);
            gram[at(1, 1)] = 0.5 * (difference.0 - sum.0);
            gram[at(0, 1)] = 0.5 * (sum.1 + difference.1);
            gram[at(1, 0)] = 0.5 * (sum.1 - difference.1);
        }
    }
    gram
}

/// Sines that run through the samples together.
const ABREAST: usize = 10;

/// Sums of the samples times cos and times sin of each step, in turn: by the recursion of
/// Goertzel, "An algorithm for the evaluation of finite trigonometric series", American
/// Mathematical Monthly 65 (1958) 34-35.
fn moments(samples: &[f32], steps: &[f64]) -> Vec<f64> {
    let mut moments = Vec::with_capacity(2 * steps.len());
    for steps in steps.chunks(ABREAST) {
        let mut turns = [0.0; ABREAST];
        for (turn, step) in turns.iter_mut().zip(steps) {
            *turn = 2.0 * step.cos();
        }
        let (mut last, mut before) = ([0.0f64; ABREAST], [0.0f64; ABREAST]);
        for sample in samples.iter().rev() {
            let x = f64::from(*sample);
            for i in 0..ABREAST {
                let next = (x - before[i]) + turns[i] * last[i];
                (before[i], last[i]) = (last[i], next);
            }
        }
        for (i, step) in steps.iter().enumerate() {
            let (sin, cos) = step.sin_cos();
            moments.push(last[i] - before[i] * cos);
            moments.push(before[i] * sin);
        }
    }
    moments
}

fn power(samples: &[f32]) -> f64 {
    samples.iter().map(|x| f64::from(*x).powi(2)).sum()
}

/// Normal equations of a fit.
pub(super) struct Fit {
    /// Upper triangle, row by row, and right-hand side; cosine and sine of each harmonic.
    gram: Vec<f64>,
    moment: Vec<f64>,
    power: f64,
    n: usize,
}

impl Fit {
    fn new(samples: &[f32], sample_rate_hz: f64, f0_hz: f64, harmonics: usize) -> Fit {
        let step = 2.0 * std::f64::consts::PI * f0_hz / sample_rate_hz;
        let steps: Vec<f64> = (1..=harmonics).map(|k| step * k as f64).collect();
        // Sums and differences of harmonics are multiples too.
        let multiples: Vec<(f64, f64)> = (0..=2 * harmonics)
            .map(|k| wave_sums(step * k as f64, samples.len()))
            .collect();
        Fit {
            gram: gram(harmonics, |a, b| [multiples[a + b + 2], multiples[b - a]]),
            moment: moments(samples, &steps),
            power: power(samples),
            n: samples.len(),
        }
    }

    /// Of sines of any frequencies, radians a sample.
    pub(super) fn of_sines(samples: &[f32], steps: &[f64]) -> Fit {
        let n = samples.len();
        let sums = |a: usize, b: usize| {
            [steps[b] + steps[a], steps[b] - steps[a]].map(|step| wave_sums(step, n))
        };
        Fit {
            gram: gram(steps.len(), sums),
            moment: moments(samples, steps),
            power: power(samples),
            n,
        }
    }

    /// Share of the power that the best fit explains, 0 to 1.
    pub(super) fn share(&self) -> f64 {
        shares(self).0
    }

    /// Summed squared error of the best fit to all samples so far.
    fn unexplained(&self) -> f64 {
        let (_, z) = self.factors();
        let explained: f64 = z.iter().map(|z| z * z).sum();
        (self.power - explained).max(0.0)
    }

    /// Mean power of each harmonic in the best fit.
    fn powers(&self) -> Vec<f64> {
        let halves = |c: &[f64]| (c[0] * c[0] + c[1] * c[1]) / 2.0;
        self.coefficients().chunks(2).map(halves).collect()
    }

    /// Cosine and sine of each harmonic in the best fit.
    fn coefficients(&self) -> Vec<f64> {
        let m = self.moment.len();
        let (l, mut x) = self.factors();
        // Back substitution: Lᵀ x = z.
        for i in (0..m).rev() {
            let later: f64 = (i + 1..m).map(|k| l[k * m + i] * x[k]).sum();
            x[i] = (x[i] - later) / l[i * m + i];
        }
        x
    }

    /// Cholesky factor L of the ridged Gram matrix G, and L⁻¹ b: the explained power is its
    /// square.
    fn factors(&self) -> (Vec<f64>, Vec<f64>) {
        let m = self.moment.len();
        let ridge = RIDGE * self.n as f64;
        let mut l = vec![0.0f64; m * m];
        let mut z = vec![0.0f64; m];
        for i in 0..m {
            for j in 0..=i {
                let mut sum = self.gram[j * m + i] + if i == j { ridge } else { 0.0 };
                for k in 0..j {
                    sum -= l[i * m + k] * l[j * m + k];
                }
                l[i * m + j] = if i == j {
                    sum.max(1e-12).sqrt()
                } else {
                    sum / l[j * m + j]
                };
            }
            let mut sum = self.moment[i];
            for k in 0..i {
                sum -= l[i * m + k] * z[k];
            }
            z[i] = sum / l[i * m + i];
        }
        (l, z)
    }
}

/// Mean power of each harmonic of `f0_hz` up to `top_hz` in `samples`.
pub fn powers_up_to(samples: &[f32], sample_rate_hz: f64, f0_hz: f64, top_hz: f64) -> Vec<f64> {
    up_to(samples, sample_rate_hz, f0_hz, top_hz).powers()
}

/// A harmonic tone as a fit has it, going on for ever.
pub struct Tone {
    /// Radians a sample.
    step: f64,
    coefficients: Vec<f64>,
}

impl Tone {
    /// The fit to `samples` with the smallest error, the pitch tried at `f0_hz` and so many
    /// times `spread_cents` either side; harmonics up to `top_hz`.
    pub fn fit(
        samples: &[f32],
        sample_rate_hz: f64,
        f0_hz: f64,
        (spread_cents, tries): (f64, i32),
        top_hz: f64,
    ) -> Tone {
        let fits = (-tries..=tries).map(|k| {
            let hz = f0_hz * (f64::from(k) * spread_cents / 1200.0).exp2();
            (hz, up_to(samples, sample_rate_hz, hz, top_hz))
        });
        let unexplained = fits.map(|(hz, fit)| (fit.unexplained(), hz, fit));
        let best = unexplained.min_by(|a, b| a.0.total_cmp(&b.0));
        let (_, hz, fit) = best.expect("one try at least");
        Tone {
            step: 2.0 * std::f64::consts::PI * hz / sample_rate_hz,
            coefficients: fit.coefficients(),
        }
    }

    /// `n` samples of it from `first` on, counted from the first that it was fitted to.
    pub fn wave(&self, first: isize, n: usize) -> Vec<f64> {
        let mut wave = vec![0.0; n];
        for (k, c) in (1..).zip(self.coefficients.chunks(2)) {
            add_sine(&mut wave, self.step * f64::from(k), first, c);
        }
        wave
    }
}

/// A harmonic tone and what rings on of another, going on for ever.
pub struct Pair {
    /// Radians a sample of each sine.
    steps: Vec<f64>,
    coefficients: Vec<f64>,
}

impl Pair {
    /// The fit to `samples` with the smallest error, the pitch of the one tried at `f0_hz` and so
    /// many times `spread_cents` either side, that of `other` as it is; harmonics up to `top_hz`.
    pub fn fit(
        samples: &[f32],
        sample_rate_hz: f64,
        f0_hz: f64,
        other: &Tone,
        (spread_cents, tries): (f64, i32),
        top_hz: f64,
    ) -> Pair {
        let of_other =
            (1..=(other.coefficients.len() / 2).min(HARMONICS_MAX)).map(|k| other.step * k as f64);
        let of_other: Vec<f64> = of_other.collect();
        let fits = (-tries..=tries).map(|k| {
            let hz = f0_hz * (f64::from(k) * spread_cents / 1200.0).exp2();
            let step = 2.0 * std::f64::consts::PI * hz / sample_rate_hz;
            let harmonics = harmonics_up_to(sample_rate_hz, hz, top_hz).min(HARMONICS_MAX);
            let mut steps: Vec<f64> = (1..=harmonics).map(|k| step * k as f64).collect();
            steps.extend(&of_other);
            let fit = Fit::of_sines(samples, &steps);
            (fit.unexplained(), steps, fit)
        });
        let best = fits.min_by(|a, b| a.0.total_cmp(&b.0));
        let (_, steps, fit) = best.expect("one try at least");
        Pair {
            coefficients: fit.coefficients(),
            steps,
        }
    }

    /// `n` samples of both from `first` on, counted from the first that they were fitted to.
    pub fn wave(&self, first: isize, n: usize) -> Vec<f64> {
        let mut wave = vec![0.0; n];
        for (step, c) in self.steps.iter().zip(self.coefficients.chunks(2)) {
            add_sine(&mut wave, *step, first, c);
        }
        wave
    }
}

/// Adds a sine of `step` radians a sample, cosine and sine at sample 0 given, from sample `first`.
fn add_sine(wave: &mut [f64], step: f64, first: isize, coefficients: &[f64]) {
    let (turn_sin, turn_cos) = step.sin_cos();
    let (mut sin, mut cos) = (step * first as f64).sin_cos();
    for x in wave {
        *x += coefficients[0] * cos + coefficients[1] * sin;
        (sin, cos) = (
            sin * turn_cos + cos * turn_sin,
            cos * turn_cos - sin * turn_sin,
        );
    }
}

fn harmonics_up_to(sample_rate_hz: f64, f0_hz: f64, top_hz: f64) -> usize {
    let top_hz = top_hz.min(0.45 * sample_rate_hz);
    ((top_hz / f0_hz) as usize).clamp(1, 2 * HARMONICS_MAX)
}

fn up_to(samples: &[f32], sample_rate_hz: f64, f0_hz: f64, top_hz: f64) -> Fit {
    let harmonics = harmonics_up_to(sample_rate_hz, f0_hz, top_hz);
    Fit::new(samples, sample_rate_hz, f0_hz, harmonics)
}

/// Share of the power of `samples` that a harmonic tone of `f0_hz` explains, 0 to 1,
/// and that power itself, mean a sample.
pub fn explained(samples: &[f32], sample_rate_hz: f64, f0_hz: f64) -> (f64, f64) {
    let top_hz = HARMONIC_TOP_HZ.min(0.45 * sample_rate_hz);
    let harmonics = ((top_hz / f0_hz) as usize).clamp(1, HARMONICS_MAX);
    shares(&Fit::new(samples, sample_rate_hz, f0_hz, harmonics))
}

/// As [`explained`], the harmonics up to `top_hz` and no others; the share alone.
pub fn explained_share_up_to(samples: &[f32], sample_rate_hz: f64, f0_hz: f64, top_hz: f64) -> f64 {
    shares(&up_to(samples, sample_rate_hz, f0_hz, top_hz)).0
}

fn shares(fit: &Fit) -> (f64, f64) {
    if fit.power <= 0.0 {
        return (0.0, 0.0);
    }
    let explained = fit.power - fit.unexplained();
    (explained / fit.power, explained / fit.n as f64)
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Three partials of known amplitude: all of it is explained, each has the power a²/2 of a
    /// sine, and of another pitch only the partials that it shares.
    #[test]
    fn a_sum_of_sines_is_its_own_explanation() {
        const RATE_HZ: f64 = 22_050.0;
        let amplitudes = [0.5, 0.0, 0.3, 0.2];
        let tone = |f0_hz: f64, n: usize| -> Vec<f32> {
            let at = |i: usize, k: usize| {
                let phase = 2.0 * std::f64::consts::PI * k as f64 * f0_hz * i as f64 / RATE_HZ;
                (phase + k as f64).sin()
            };
            let partials = |i: usize| (1..=4).map(|k| amplitudes[k - 1] * at(i, k)).sum::<f64>();
            (0..n).map(|i| partials(i) as f32).collect()
        };
        for f0_hz in [61.7, 220.0, 987.8] {
            let samples = tone(f0_hz, 4410);
            let (share, power) = explained(&samples, RATE_HZ, f0_hz);
            // The ridge keeps 2 % of the samples back.
            assert!((0.94..=1.0).contains(&share), "{f0_hz}: {share}");
            assert!((power / 0.19 - 1.0).abs() < 0.07, "{f0_hz}: {power}");
            let powers = powers_up_to(&samples, RATE_HZ, f0_hz, 4.5 * f0_hz);
            assert_eq!(powers.len(), 4);
            for (power, a) in powers.iter().zip(amplitudes) {
                assert!((power - a * a / 2.0).abs() < 0.012, "{f0_hz}: {powers:?}");
            }
            let octave = explained_share_up_to(&samples, RATE_HZ, 2.0 * f0_hz, 4.5 * f0_hz);
            assert!((octave - 0.02 / 0.19).abs() < 0.03, "{f0_hz}: {octave}");
        }
    }
}
