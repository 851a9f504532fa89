//! What the samples of one channel are worth: its offset, its peak, and how much of it is clipped.

/// Samples beyond this are no sound but damage; float files with whole-number scale stay below.
const SAMPLE_MAX: f32 = 1e6;

/// A sample fit for arithmetic: what is not a number, infinite or absurd becomes 0.
pub(super) fn clean(sample: f32) -> f32 {
    // The comparison is false for NaN too.
    if sample.abs() <= SAMPLE_MAX {
        sample
    } else {
        0.0
    }
}

/// Samples measured together, and one in how many such blocks is called quiet.
const BLOCK_SAMPLES: u32 = 2048;
const QUIETEST: usize = 8;

/// Offsets further apart than this share of the peak are not the same.
const OFFSETS_DIFFER: f32 = 0.01;

#[derive(Default)]
struct Block {
    n: u32,
    sum: f64,
    squares: f64,
}

impl Block {
    fn push(&mut self, sample: f32) {
        self.n += 1;
        self.sum += f64::from(sample);
        self.squares += f64::from(sample) * f64::from(sample);
    }

    /// `None` of nothing and of digital silence.
    fn variance_and_mean(&self) -> Option<(f32, f32)> {
        if self.squares == 0.0 {
            return None;
        }
        let n = f64::from(self.n);
        let mean = self.sum / n;
        Some(((self.squares / n - mean * mean) as f32, mean as f32))
    }
}

/// Running measurements of one channel.
pub(super) struct Condition {
    n_samples: u64,
    sum: f64,
    block: Block,
    /// Variance and mean of the blocks that are not digital silence.
    blocks: Vec<(f32, f32)>,
    peak: f32,
    /// Samples that [`clean`] had to replace, and the first one's index.
    pub(super) n_bad: u64,
    pub(super) first_bad: u64,
    /// Samples beyond full scale.
    over: u64,
    lossy: bool,
    above: FlatTops,
    below: FlatTops,
}

impl Condition {
    /// `quantum` is the step between neighbouring sample values (0: unknown); `lossy` says
    /// that the coding bends what was flat.
    pub(super) fn new(quantum: f32, lossy: bool) -> Condition {
        Condition {
            n_samples: 0,
            sum: 0.0,
            block: Block::default(),
            blocks: Vec::new(),
            peak: 0.0,
            n_bad: 0,
            first_bad: 0,
            over: 0,
            lossy,
            above: FlatTops::new(quantum),
            below: FlatTops::new(quantum),
        }
    }

    pub(super) fn push(&mut self, sample: f32) {
        let cleaned = clean(sample);
        if cleaned != sample {
            if self.n_bad == 0 {
                self.first_bad = self.n_samples;
            }
            self.n_bad += 1;
        }
        self.n_samples += 1;
        self.sum += f64::from(cleaned);
        self.block.push(cleaned);
        if self.block.n == BLOCK_SAMPLES {
            self.blocks.extend(self.block.variance_and_mean());
            self.block = Block::default();
        }
        self.peak = self.peak.max(cleaned.abs());
        self.over += (cleaned.abs() > 1.0) as u64;
        self.above.push(cleaned);
        self.below.push(-cleaned);
    }

    /// The channel's constant offset: its mean, or that of its quietest moments where they
    /// differ. A note may have an offset of its own, which is no converter's.
    pub(super) fn offset(&self) -> f32 {
        let mean = (self.sum / self.n_samples.max(1) as f64) as f32;
        match self.offset_of_quiet() {
            Some(quiet) if (quiet - mean).abs() > OFFSETS_DIFFER * self.peak => quiet,
            _ => mean,
        }
    }

    fn offset_of_quiet(&self) -> Option<f32> {
        let mut blocks = self.blocks.clone();
        blocks.sort_by(|a, b| a.0.total_cmp(&b.0));
        blocks.truncate(blocks.len().div_ceil(QUIETEST));
        let sum: f64 = blocks.iter().map(|b| f64::from(b.1)).sum();
        (!blocks.is_empty()).then(|| (sum / blocks.len() as f64) as f32)
    }

    /// Largest distance from zero.
    pub(super) fn peak(&self) -> f32 {
        self.peak
    }

    /// Share of samples that lie on flat tops, 0 to 1. A lossy coding rounds flat tops so
    /// that they overshoot full scale: there every sample beyond full scale counts.
    pub(super) fn clipped_share(&self) -> f64 {
        let over = if self.lossy { self.over } else { 0 };
        let clipped = self.above.n_clipped() + self.below.n_clipped();
        clipped.max(over) as f64 / self.n_samples.max(1) as f64
    }
}

/// Counts samples on flat tops at the highest level reached, whatever that level is: a
/// preamplifier or a later turn of the gain clips below full scale too.
///
/// A flat top is a run of at least three samples within a hair of the extreme that begins
/// or ends with a corner; a sine's own crest, flat as it may look at a high rate, has none.
struct FlatTops {
    quantum: f32,
    extreme: f32,
    run: u64,
    /// The rise in one sample with which the run began.
    rise: f32,
    last: f32,
    n_flat: u64,
}

/// Fewest samples of a flat top: two alike happen by chance.
const FLAT_RUN_MIN: u64 = 3;
/// Half the width of "flat", relative to the extreme: below the noise of a converter's limit.
const FLAT_WIDTH: f32 = 2e-4;
/// A corner falls by this many widths in one sample. A parabola that stays within one width
/// for three samples falls by less than three in the next.
const CORNER_WIDTHS: f32 = 8.0;
/// Quieter extremes (−26 dB) are not searched: steps of 16 bits would look flat.
const FLAT_EXTREME_MIN: f32 = 0.05;

impl FlatTops {
    fn new(quantum: f32) -> FlatTops {
        FlatTops {
            quantum,
            extreme: 0.0,
            run: 0,
            rise: 0.0,
            last: 0.0,
            n_flat: 0,
        }
    }

    fn width(&self) -> f32 {
        (self.extreme * FLAT_WIDTH).max(0.75 * self.quantum)
    }

    fn push(&mut self, sample: f32) {
        if sample >= self.extreme - self.width() {
            if sample > self.extreme + self.width() {
                self.n_flat = 0;
                self.run = 0;
            }
            if self.run == 0 {
                self.rise = sample - self.last;
            }
            self.run += 1;
            self.extreme = self.extreme.max(sample);
        } else if self.run > 0 {
            let corner = self.rise.max(self.last - sample);
            if self.run >= FLAT_RUN_MIN && corner > CORNER_WIDTHS * self.width() {
                self.n_flat += self.run;
            }
            self.run = 0;
        }
        self.last = sample;
    }

    fn n_clipped(&self) -> u64 {
        if self.extreme >= FLAT_EXTREME_MIN {
            self.n_flat
        } else {
            0
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use std::f64::consts::TAU;

    /// A sine of `f0_hz` at 48 kHz for one second, cut at ±`limit`, in steps of `quantum`.
    fn share(f0_hz: f64, amplitude: f64, limit: f64, quantum: f64) -> f64 {
        let mut condition = Condition::new(quantum as f32, false);
        for idx in 0..48_000 {
            let x = amplitude * (TAU * f0_hz * idx as f64 / 48_000.0).sin();
            let x = x.clamp(-limit, limit);
            let x = if quantum > 0.0 {
                (x / quantum).round() * quantum
            } else {
                x
            };
            condition.push(x as f32);
        }
        condition.clipped_share()
    }

    /// A converter's offset is there in silence too; a note's own is not.
    #[test]
    fn the_offset_is_that_of_the_quiet() {
        for (constant, of_notes) in [(0.02, 0.0), (0.0, 0.04), (-0.01, 0.04)] {
            let mut condition = Condition::new(0.0, false);
            for idx in 0..48_000 {
                let sounding = idx % 24_000 < 16_000;
                let wave = 0.3 * (TAU * 440.0 * f64::from(idx) / 48_000.0).sin() + of_notes;
                // Digital silence is no moment of a recording.
                let noise = 0.0005 * f64::from(idx % 7 - 3);
                condition.push((constant + noise + if sounding { wave } else { 0.0 }) as f32);
            }
            let off = f64::from(condition.offset()) - constant;
            assert!(off.abs() < 1e-3, "{constant} {of_notes}: {off}");
        }
    }

    /// Share of a sine of amplitude `a` beyond ±`limit`: (2/π) · acos(limit/a).
    fn beyond(a: f64, limit: f64) -> f64 {
        (limit / a).acos() * 2.0 / std::f64::consts::PI
    }

    #[test]
    fn clipped_share_of_a_sine_is_the_arc_beyond_the_limit() {
        for quantum in [0.0, 1.0 / 8_388_608.0, 1.0 / 32_768.0] {
            for f0_hz in [146.8, 440.0, 987.8] {
                for (a, limit) in [(1.2, 1.0), (2.0, 1.0), (0.5, 0.4), (0.9, 0.5)] {
                    let (got, want) = (share(f0_hz, a, limit, quantum), beyond(a, limit));
                    // Each of the 2·f0 tops a second is a whole number of samples long.
                    let tolerance = 2.0 * f0_hz / 48_000.0;
                    assert!(
                        (got - want).abs() <= tolerance,
                        "{f0_hz} Hz {a} cut at {limit}, step {quantum}: {got} not {want} ± {tolerance}"
                    );
                }
            }
        }
    }

    #[test]
    fn a_whole_sine_is_not_clipped_at_any_depth() {
        for bits in [8, 16, 24] {
            let quantum = (2f64).powi(1 - bits);
            for f0_hz in [31.0, 58.27, 146.8, 440.0, 2093.0] {
                for amplitude in [0.06, 0.5, 0.99] {
                    let got = share(f0_hz, amplitude, 1.0, quantum);
                    assert_eq!(got, 0.0, "{f0_hz} Hz {amplitude} at {bits} bits");
                }
            }
        }
    }
}
