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

/// Normal equations of a fit; samples go in one at a time.
struct Fit {
    steps: Vec<(f64, f64)>,
    phases: Vec<(f64, f64)>,
    basis: Vec<f32>,
    /// Upper triangle, row by row, and right-hand side.
    gram: Vec<f32>,
    moment: Vec<f32>,
    power: f64,
    n: usize,
}

impl Fit {
    fn new(f0_hz: f64, sample_rate_hz: f64) -> Fit {
        let top = HARMONIC_TOP_HZ.min(0.45 * sample_rate_hz);
        Fit::with_harmonics(
            f0_hz,
            sample_rate_hz,
            ((top / f0_hz) as usize).clamp(1, HARMONICS_MAX),
        )
    }

    fn with_harmonics(f0_hz: f64, sample_rate_hz: f64, harmonics: usize) -> Fit {
        let steps: Vec<(f64, f64)> = (1..=harmonics)
            .map(|k| {
                let w = 2.0 * std::f64::consts::PI * k as f64 * f0_hz / sample_rate_hz;
                (w.cos(), w.sin())
            })
            .collect();
        let m = 2 * harmonics;
        Fit {
            phases: vec![(1.0, 0.0); harmonics],
            steps,
            basis: vec![0.0; m],
            gram: vec![0.0; m * m],
            moment: vec![0.0; m],
            power: 0.0,
            n: 0,
        }
    }

    fn push(&mut self, sample: f32) {
        for (k, (phase, step)) in self.phases.iter_mut().zip(&self.steps).enumerate() {
            self.basis[2 * k] = phase.0 as f32;
            self.basis[2 * k + 1] = phase.1 as f32;
            *phase = (
                phase.0 * step.0 - phase.1 * step.1,
                phase.0 * step.1 + phase.1 * step.0,
            );
        }
        let m = self.basis.len();
        for i in 0..m {
            let b = self.basis[i];
            self.moment[i] += b * sample;
            let row = &mut self.gram[i * m + i..(i + 1) * m];
            for (g, c) in row.iter_mut().zip(&self.basis[i..]) {
                *g += b * c;
            }
        }
        self.power += (sample as f64) * (sample as f64);
        self.n += 1;
    }

    /// Summed squared error of the best fit to all samples so far.
    fn unexplained(&self) -> f64 {
        let (_, z) = self.factors();
        let explained: f64 = z.iter().map(|z| z * z).sum();
        (self.power - explained).max(0.0)
    }

    /// Mean power of each harmonic in the best fit.
    fn powers(&self) -> Vec<f64> {
        let m = self.basis.len();
        let (l, mut x) = self.factors();
        // Back substitution: Lᵀ x = z.
        for i in (0..m).rev() {
            let later: f64 = (i + 1..m).map(|k| l[k * m + i] * x[k]).sum();
            x[i] = (x[i] - later) / l[i * m + i];
        }
        x.chunks(2)
            .map(|c| (c[0] * c[0] + c[1] * c[1]) / 2.0)
            .collect()
    }

    /// Cholesky factor L of the ridged Gram matrix G, and L⁻¹ b: the explained power is its
    /// square.
    fn factors(&self) -> (Vec<f64>, Vec<f64>) {
        let m = self.basis.len();
        let ridge = RIDGE * self.n as f64;
        let mut l = vec![0.0f64; m * m];
        let mut z = vec![0.0f64; m];
        for i in 0..m {
            for j in 0..=i {
                let mut sum = self.gram[j * m + i] as f64 + if i == j { ridge } else { 0.0 };
                for k in 0..j {
                    sum -= l[i * m + k] * l[j * m + k];
                }
                l[i * m + j] = if i == j {
                    sum.max(1e-12).sqrt()
                } else {
                    sum / l[j * m + j]
                };
            }
            let mut sum = self.moment[i] as f64;
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
    let mut fit = up_to(sample_rate_hz, f0_hz, top_hz);
    for s in samples {
        fit.push(*s);
    }
    fit.powers()
}

fn up_to(sample_rate_hz: f64, f0_hz: f64, top_hz: f64) -> Fit {
    let top_hz = top_hz.min(0.45 * sample_rate_hz);
    let harmonics = ((top_hz / f0_hz) as usize).clamp(1, 2 * HARMONICS_MAX);
    Fit::with_harmonics(f0_hz, sample_rate_hz, harmonics)
}

/// Share of the power of `samples` that a harmonic tone of `f0_hz` explains, 0 to 1,
/// and that power itself, mean a sample.
pub fn explained(samples: &[f32], sample_rate_hz: f64, f0_hz: f64) -> (f64, f64) {
    shares(Fit::new(f0_hz, sample_rate_hz), samples)
}

/// As [`explained`], the harmonics up to `top_hz` and no others; the share alone.
pub fn explained_share_up_to(samples: &[f32], sample_rate_hz: f64, f0_hz: f64, top_hz: f64) -> f64 {
    shares(up_to(sample_rate_hz, f0_hz, top_hz), samples).0
}

fn shares(mut fit: Fit, samples: &[f32]) -> (f64, f64) {
    for s in samples {
        fit.push(*s);
    }
    if fit.power <= 0.0 {
        return (0.0, 0.0);
    }
    let explained = fit.power - fit.unexplained();
    (explained / fit.power, explained / samples.len() as f64)
}
