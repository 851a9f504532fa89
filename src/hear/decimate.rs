//! Brings the take to the rate the hearing works at: by two or four, linear phase.

/// Rates at or above this are halved: the hearing needs no sound above 10 kHz.
const HALVE_FROM_HZ: f64 = 40_000.0;

/// Half the number of taps either side of the centre (odd offsets only carry weight).
const HALF_TAPS: usize = 23;

/// Halves the rate of a stream as often as needed; delay compensated, so that output
/// sample n stands for input sample n·factor.
pub struct Decimator {
    stages: Vec<HalfBand>,
}

impl Decimator {
    pub fn new(sample_rate_hz: u32) -> Decimator {
        let mut rate_hz = sample_rate_hz as f64;
        let mut stages = Vec::new();
        while rate_hz >= HALVE_FROM_HZ {
            stages.push(HalfBand::new());
            rate_hz /= 2.0;
        }
        Decimator { stages }
    }

    pub fn factor(&self) -> usize {
        1 << self.stages.len()
    }

    /// Appends the decimated samples to `out`; the same whatever the chunk lengths.
    pub fn push(&mut self, samples: &[f32], out: &mut Vec<f32>) {
        let mut current = samples.to_vec();
        for stage in &mut self.stages {
            let mut next = Vec::with_capacity(current.len() / 2 + 1);
            stage.push(&current, &mut next);
            current = next;
        }
        out.append(&mut current);
    }

    /// The samples still inside the filters.
    pub fn finish(&mut self, out: &mut Vec<f32>) {
        for i in 0..self.stages.len() {
            let mut current = vec![0.0; HALF_TAPS];
            for stage in &mut self.stages[i..] {
                let mut next = Vec::new();
                stage.push(&current, &mut next);
                current = next;
            }
            out.append(&mut current);
        }
    }
}

/// A half-band low-pass (Blackman-windowed sinc) followed by dropping every second sample.
struct HalfBand {
    /// Weights at offsets ±1, ±3, …; the centre weighs one half.
    odd: Vec<f32>,
    buffer: Vec<f32>,
    next: usize,
}

impl HalfBand {
    fn new() -> HalfBand {
        use std::f64::consts::PI;
        let odd: Vec<f64> = (1..=HALF_TAPS)
            .step_by(2)
            .map(|k| {
                let x = PI * k as f64 / 2.0;
                let reach = PI * k as f64 / (HALF_TAPS + 1) as f64;
                let window = 0.42 + 0.5 * reach.cos() + 0.08 * (2.0 * reach).cos();
                0.5 * x.sin() / x * window
            })
            .collect();
        // Unit gain at zero frequency.
        let gain = 0.5 / (2.0 * odd.iter().sum::<f64>());
        HalfBand {
            odd: odd.iter().map(|w| (w * gain) as f32).collect(),
            // The first output is centred on the first input.
            buffer: vec![0.0; HALF_TAPS],
            next: HALF_TAPS,
        }
    }

    fn push(&mut self, samples: &[f32], out: &mut Vec<f32>) {
        self.buffer.extend_from_slice(samples);
        while self.next + HALF_TAPS < self.buffer.len() {
            let centre = self.next;
            let mut sum = 0.5 * self.buffer[centre];
            for (i, w) in self.odd.iter().enumerate() {
                let k = 2 * i + 1;
                sum += w * (self.buffer[centre - k] + self.buffer[centre + k]);
            }
            out.push(sum);
            self.next += 2;
        }
        let done = (self.next - HALF_TAPS).min(self.buffer.len());
        self.buffer.drain(..done);
        self.next -= done;
    }
}
