//! The level of the sound at a fine, fixed step.

/// Step of the envelope, seconds: a tongue's gap of 20 ms holds twenty values.
pub const STEP_S: f64 = 0.001;

/// Mean power over short spans, read in dB; built once a take from cumulative sums.
pub struct Envelope {
    /// Power summed up to each block of `block` samples.
    cumulative: Vec<f64>,
    block: usize,
    sample_rate_hz: f64,
}

impl Envelope {
    pub fn new(samples: &[f32], sample_rate_hz: f64) -> Envelope {
        let block = ((STEP_S * sample_rate_hz / 4.0).round() as usize).max(1);
        let mut cumulative = Vec::with_capacity(samples.len() / block + 2);
        let mut sum = 0.0f64;
        cumulative.push(0.0);
        for chunk in samples.chunks(block) {
            sum += chunk.iter().map(|x| (*x as f64) * (*x as f64)).sum::<f64>();
            cumulative.push(sum);
        }
        Envelope {
            cumulative,
            block,
            sample_rate_hz,
        }
    }

    /// Mean power between two times in dB re full scale; −120 for silence.
    pub fn between_db(&self, from_s: f64, to_s: f64) -> f64 {
        let last = self.cumulative.len() - 1;
        let at = |t: f64| {
            ((t.max(0.0) * self.sample_rate_hz / self.block as f64).round() as usize).min(last)
        };
        let (a, b) = (at(from_s), at(to_s));
        if b <= a {
            return -120.0;
        }
        let power =
            (self.cumulative[b] - self.cumulative[a]).max(0.0) / ((b - a) * self.block) as f64;
        10.0 * (power + 1e-12).log10()
    }

    /// Level about `centre_s` in a span of `width_s`.
    pub fn at_db(&self, centre_s: f64, width_s: f64) -> f64 {
        self.between_db(centre_s - 0.5 * width_s, centre_s + 0.5 * width_s)
    }

    /// Levels at every step from `from_s` up to `to_s`.
    pub fn curve_db(&self, from_s: f64, to_s: f64, width_s: f64) -> Vec<f64> {
        let n = ((to_s - from_s) / STEP_S).max(0.0) as usize;
        (0..n)
            .map(|i| self.at_db(from_s + i as f64 * STEP_S, width_s))
            .collect()
    }
}
