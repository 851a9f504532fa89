//! Least-squares fits of harmonic tones to short stretches of sound.
//!
//! A tone of known f0 is a sum of sines and cosines at its multiples; how much of a
//! stretch such a sum leaves unexplained tells where one pitch gives way to another,
//! in noise and in a ringing room too, where the wave alone does not show it.

/// Harmonics of a tone taken into a fit, and the frequency above which none is.
const HARMONICS_MAX: usize = 10;
const HARMONIC_TOP_HZ: f64 = 4500.0;

/// Ridge relative to the number of samples; keeps stretches shorter than a period solvable.
const RIDGE: f64 = 0.02;

/// Running normal equations of a fit: samples go in one at a time, the unexplained
/// power can be read after any of them.
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
        let harmonics = ((top / f0_hz) as usize).clamp(1, HARMONICS_MAX);
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
            *phase = (phase.0 * step.0 - phase.1 * step.1, phase.0 * step.1 + phase.1 * step.0);
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
        if self.n == 0 {
            return 0.0;
        }
        let m = self.basis.len();
        let ridge = RIDGE * self.n as f64;
        // Cholesky of the ridged Gram matrix, then the explained power as |L⁻¹ b|².
        let mut l = vec![0.0f64; m * m];
        let mut z = vec![0.0f64; m];
        let mut explained = 0.0;
        for i in 0..m {
            for j in 0..=i {
                let mut sum = self.gram[j * m + i] as f64 + if i == j { ridge } else { 0.0 };
                for k in 0..j {
                    sum -= l[i * m + k] * l[j * m + k];
                }
                l[i * m + j] = if i == j { sum.max(1e-12).sqrt() } else { sum / l[j * m + j] };
            }
            let mut sum = self.moment[i] as f64;
            for k in 0..i {
                sum -= l[i * m + k] * z[k];
            }
            z[i] = sum / l[i * m + i];
            explained += z[i] * z[i];
        }
        (self.power - explained).max(0.0)
    }
}

/// Share of the power of `samples` that a harmonic tone of `f0_hz` explains, 0 to 1.
pub fn explained_share(samples: &[f32], sample_rate_hz: f64, f0_hz: f64) -> f64 {
    let mut fit = Fit::new(f0_hz, sample_rate_hz);
    for s in samples {
        fit.push(*s);
    }
    if fit.power <= 0.0 {
        return 0.0;
    }
    1.0 - fit.unexplained() / fit.power
}

/// Where one tone gives way to another.
#[derive(Clone, Copy, Debug)]
pub struct Boundary {
    /// The latest and the earliest place that explain the sound about as well as the best, samples.
    pub best: f64,
    pub earliest: f64,
    pub latest: f64,
    /// Unexplained share of the power at the best place.
    pub unexplained: f64,
}

/// The boundary in `samples[from..to]` between a tone of `old_hz` before and `new_hz` after.
/// `step` samples between the places tried.
pub fn boundary(
    samples: &[f32],
    sample_rate_hz: f64,
    (from, to): (usize, usize),
    (old_hz, new_hz): (f64, f64),
    step: usize,
) -> Option<Boundary> {
    let to = to.min(samples.len());
    if from + 4 * step >= to {
        return None;
    }
    let stretch = &samples[from..to];
    let places = stretch.len() / step + 1;
    let mut before = Vec::with_capacity(places);
    let mut fit = Fit::new(old_hz, sample_rate_hz);
    before.push(0.0);
    for chunk in stretch.chunks_exact(step) {
        chunk.iter().for_each(|s| fit.push(*s));
        before.push(fit.unexplained());
    }
    let mut after = vec![0.0; before.len()];
    let mut fit = Fit::new(new_hz, sample_rate_hz);
    let covered = (before.len() - 1) * step;
    stretch[covered..].iter().rev().for_each(|s| fit.push(*s));
    let last = before.len() - 1;
    after[last] = fit.unexplained();
    for (i, chunk) in stretch[..covered].chunks_exact(step).enumerate().rev() {
        chunk.iter().rev().for_each(|s| fit.push(*s));
        after[i] = fit.unexplained();
    }
    let cost: Vec<f64> = before.iter().zip(&after).map(|(a, b)| a + b).collect();
    let best = (0..cost.len()).min_by(|a, b| cost[*a].total_cmp(&cost[*b]))?;
    let total: f64 = stretch.iter().map(|s| (*s as f64) * (*s as f64)).sum::<f64>().max(1e-12);
    let tolerance = cost[best] + 0.01 * total;
    let earliest = (0..best).rev().take_while(|i| cost[*i] < tolerance).last().unwrap_or(best);
    let latest = (best + 1..cost.len()).take_while(|i| cost[*i] < tolerance).last().unwrap_or(best);
    let offset = if best > 0 && best + 1 < cost.len() {
        super::frames::parabola(cost[best - 1] as f32, cost[best] as f32, cost[best + 1] as f32).0 as f64
    } else {
        0.0
    };
    let place = |i: f64| from as f64 + i * step as f64;
    Some(Boundary {
        best: place(best as f64 + offset),
        earliest: place(earliest as f64),
        latest: place(latest as f64),
        unexplained: cost[best] / total,
    })
}
