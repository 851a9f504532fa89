//! Onsets finer than the hop: the change point that explains the samples around it best.
//!
//! Before a change the wave is predicted by its own past, one period back. The squared
//! prediction error is small up to the change and large after it; the change is put where
//! two variances, one either side, explain the errors best (likelihood ratio for a change
//! of variance, Gaussian errors). One method serves slurs (the old pitch stops predicting)
//! and tongued notes (silence, or the dying old note, stops predicting).

/// Span before the candidate change whose errors are taken as the old state, in seconds.
const BEFORE_S: f64 = 0.007;

/// Longest span after it. No longer than the old period: an octave or a twelfth above
/// is predicted by the old period too, once one period of it has passed.
const AFTER_S: f64 = 0.004;

/// A fitted change: its place in samples (fractional) and standard error in samples.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Change {
    pub at_samples: f64,
    pub se_samples: f64,
    /// Likelihood ratio a sample, natural logarithm: below about 0.3 the change is not seen.
    pub evidence: f64,
}

/// The change in `samples` between `from` and `to` (sample positions), given the old
/// period in samples, or `None` where silence comes before.
pub fn change_point(
    samples: &[f32],
    sample_rate_hz: f64,
    from: usize,
    to: usize,
    old_period: Option<f64>,
) -> Option<Change> {
    let before = (BEFORE_S * sample_rate_hz) as usize;
    let after = ((AFTER_S * sample_rate_hz) as usize)
        .min(old_period.map_or(usize::MAX, |p| p.ceil() as usize))
        .max(8);
    let lead = before + old_period.map_or(0.0, |p| p.ceil() + 2.0) as usize;
    let first = from.max(lead);
    let end = to.min(samples.len().saturating_sub(after + 1));
    if first + 4 >= end {
        return None;
    }
    let base = first - before;
    let errors = prediction_errors(samples, base, end + after, old_period);
    let mut cumulative = Vec::with_capacity(errors.len() + 1);
    cumulative.push(0.0f64);
    for e in &errors {
        cumulative.push(cumulative.last().copied().unwrap_or(0.0) + e);
    }
    let floor = 1e-12 + 1e-7 * cumulative.last().copied().unwrap_or(0.0) / errors.len() as f64;
    let ratio = |c: usize| -> f64 {
        let i = c - base;
        let s0 = (cumulative[i] - cumulative[i - before]) / before as f64 + floor;
        let s1 = (cumulative[i + after] - cumulative[i]) / after as f64 + floor;
        if s1 <= s0 {
            return 0.0;
        }
        let (n0, n1) = (before as f64, after as f64);
        let pooled = (n0 * s0 + n1 * s1) / (n0 + n1);
        0.5 * ((n0 + n1) * pooled.ln() - n0 * s0.ln() - n1 * s1.ln())
    };
    let ratios: Vec<f64> = (first..end).map(ratio).collect();
    let (best, top) = ratios
        .iter()
        .copied()
        .enumerate()
        .max_by(|a, b| a.1.total_cmp(&b.1))
        .filter(|(_, r)| *r > 0.0)?;
    // The spread of the likelihood about its top is the standard error. Neighbouring errors
    // are correlated over the band width of the sound, so the log-likelihood is halved twice.
    let (mut weight, mut mean, mut square) = (0.0, 0.0, 0.0);
    for (i, r) in ratios.iter().enumerate() {
        let w = ((r - top) / 4.0).exp();
        weight += w;
        mean += w * i as f64;
        square += w * (i * i) as f64;
    }
    mean /= weight;
    let variance = (square / weight - mean * mean).max(0.0);
    let se = (variance + (mean - best as f64).powi(2)).sqrt().max(0.5);
    Some(Change {
        at_samples: (first + best) as f64,
        se_samples: se,
        evidence: top / (before + after) as f64,
    })
}

/// Squared errors of predicting each sample in `base..end` from one period earlier,
/// with the gain that fits best over the span before (the old note may be dying).
fn prediction_errors(
    samples: &[f32],
    base: usize,
    end: usize,
    old_period: Option<f64>,
) -> Vec<f64> {
    let end = end.min(samples.len());
    let Some(period) = old_period else {
        return samples[base..end]
            .iter()
            .map(|x| (*x as f64) * (*x as f64))
            .collect();
    };
    (base..end)
        .map(|n| {
            let predicted = interpolated(samples, (n as f64 - period).max(1.0));
            let e = samples[n] as f64 - predicted;
            e * e
        })
        .collect()
}

/// How alike `length` samples about `centre` are to those one `period` before, −1 to 1; 0 where
/// there is no sound to compare.
pub fn likeness(samples: &[f32], centre: f64, period: f64, length: f64) -> f64 {
    let from = (centre - 0.5 * length).floor();
    if !period.is_finite() || from - period < 1.0 {
        return 0.0;
    }
    let from = from as usize;
    let to = (from + length as usize).min(samples.len());
    let (mut product, mut now, mut then) = (0.0, 1e-15, 1e-15);
    for (n, sample) in samples.iter().enumerate().take(to).skip(from) {
        let (a, b) = (f64::from(*sample), interpolated(samples, n as f64 - period));
        product += a * b;
        now += a * a;
        then += b * b;
    }
    product / (now * then).sqrt()
}

/// The wave between its samples, by four-point Hermite interpolation; `position` not negative.
pub fn interpolated(samples: &[f32], position: f64) -> f64 {
    let i = position.floor() as usize;
    let t = position - i as f64;
    let [a, b, c, d] = match samples.get(i.wrapping_sub(1)..i.wrapping_add(3)) {
        Some(around) => std::array::from_fn(|k| f64::from(around[k])),
        None => std::array::from_fn(|k| {
            let k = (i + k).saturating_sub(1);
            f64::from(samples[k.min(samples.len() - 1)])
        }),
    };
    let c1 = 0.5 * (c - a);
    let c2 = a - 2.5 * b + 2.0 * c - 0.5 * d;
    let c3 = 0.5 * (d - a) + 1.5 * (b - c);
    ((c3 * t + c2) * t + c1) * t + b
}
