//! A short piece of sound as overlapping slices of its spectrum, and back.
//!
//! Slices under the square root of a Hann window, half a slice apart, taken before and after:
//! their squares sum to one, so that spectra left as they are give the sound again
//! (common practice; Griffin & Lim, IEEE Trans. ASSP 32(2), 1984).

use std::sync::Arc;

use realfft::num_complex::Complex;
use realfft::{ComplexToReal, RealFftPlanner, RealToComplex};

use super::clicks::hann;

/// Length of a slice, seconds: about as long as a click sounds evenly.
const SLICE_S: f64 = 0.0107;

/// Cells either side, in time and in frequency, that are smoothed over.
const SMOOTH_SLICES: usize = 1;
const SMOOTH_BINS: usize = 1;

pub struct Slices {
    /// Number of slices and of bins of each.
    pub n: usize,
    pub bins: usize,
    length: usize,
    hop: usize,
    window: Vec<f32>,
    forward: Arc<dyn RealToComplex<f32>>,
    inverse: Arc<dyn ComplexToReal<f32>>,
}

impl Slices {
    /// For pieces of `length` samples.
    pub fn new(rate: f64, length: usize) -> Slices {
        let exact = (SLICE_S * rate).log2().round() as u32;
        let size = 1usize << exact.clamp(4, 12);
        let hop = size / 2;
        let mut planner = RealFftPlanner::<f32>::new();
        Slices {
            n: length.div_ceil(hop) + 1,
            bins: size / 2 + 1,
            length,
            hop,
            window: (0..size).map(|i| hann(i, size).sqrt() as f32).collect(),
            forward: planner.plan_fft_forward(size),
            inverse: planner.plan_fft_inverse(size),
        }
    }

    /// Spectra of all slices of a piece, one after the other.
    pub fn cells(&self, piece: &[f32]) -> Vec<Complex<f32>> {
        let mut cells = Vec::with_capacity(self.n * self.bins);
        let mut spectrum = self.forward.make_output_vec();
        for slice in 0..self.n {
            // The first slice is centred on the first sample.
            let mut wave: Vec<f32> = (self.window.iter().enumerate())
                .map(|(i, w)| {
                    let at = (slice * self.hop + i).checked_sub(self.hop);
                    w * at.and_then(|at| piece.get(at)).copied().unwrap_or(0.0)
                })
                .collect();
            self.forward
                .process(&mut wave, &mut spectrum)
                .expect("buffers were made for this plan");
            cells.extend_from_slice(&spectrum);
        }
        cells
    }

    /// The piece that these spectra are of.
    pub fn sound(&self, cells: &[Complex<f32>]) -> Vec<f32> {
        let mut piece = vec![0.0; self.length];
        let mut wave = self.inverse.make_output_vec();
        let scale = 1.0 / self.window.len() as f32;
        for (slice, spectrum) in cells.chunks(self.bins).enumerate() {
            let mut spectrum = spectrum.to_vec();
            // The ends of a real wave's spectrum are real.
            spectrum[0].im = 0.0;
            spectrum[self.bins - 1].im = 0.0;
            self.inverse
                .process(&mut spectrum, &mut wave)
                .expect("buffers were made for this plan");
            for (i, (x, w)) in wave.iter().zip(&self.window).enumerate() {
                let at = (slice * self.hop + i).checked_sub(self.hop);
                if let Some(sum) = at.and_then(|at| piece.get_mut(at)) {
                    *sum += x * w * scale;
                }
            }
        }
        piece
    }

    /// Means over the cells about each.
    pub fn smoothed(&self, cells: &[f32]) -> Vec<f32> {
        let about =
            |i: usize, reach: usize, n: usize| i.saturating_sub(reach)..(i + reach + 1).min(n);
        (0..self.n * self.bins)
            .map(|i| {
                let bins = about(i % self.bins, SMOOTH_BINS, self.bins);
                let slices = about(i / self.bins, SMOOTH_SLICES, self.n);
                let count = bins.len() * slices.len();
                let sum: f32 = slices
                    .map(|slice| {
                        let row = slice * self.bins;
                        cells[row + bins.start..row + bins.end].iter().sum::<f32>()
                    })
                    .sum();
                sum / count as f32
            })
            .collect()
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn spectra_left_as_they_are_give_the_sound_again() {
        let piece: Vec<f32> = (0..4513)
            .map(|i| (0.01 * (i * i % 977) as f32).sin())
            .collect();
        let slices = Slices::new(48_000.0, piece.len());
        let again = slices.sound(&slices.cells(&piece));
        for (a, b) in piece.iter().zip(&again) {
            assert!((a - b).abs() < 1e-4, "{a} and {b}");
        }
    }
}
