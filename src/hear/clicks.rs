//! Ticks: short sounds in the take that might be a metronome's clicks, whatever they sound like.
//!
//! A click neither was there before nor stays: in some bands its power stands above that of
//! the moments before and of those a little later. A tongue, a key and a short note do so
//! too; which ticks are a metronome's is settled in [`super::click_train`].

use std::collections::VecDeque;
use std::sync::Arc;

use realfft::num_complex::Complex;
use realfft::{RealFftPlanner, RealToComplex};

/// Slice of sound whose spectrum is taken, seconds: long enough to keep a beep between the
/// harmonics of the notes around it, no longer than most clicks.
const FRAME_S: f64 = 0.023;

/// Step between frames, seconds.
const HOP_S: f64 = 0.004;

/// The longest click, seconds: what sounds longer is a note.
const LONGEST_S: f64 = 0.052;

/// Span before and after a tick that it must stand above, seconds: a period of the lowest notes.
const SPAN_S: f64 = 0.018;

/// Frequencies in which clicks are looked for, Hz: below lies the player's foot, above nothing
/// that a hearing at half the usual rates still has.
const BANDS_HZ: (f64, f64) = (200.0, 8000.0);

/// A band counts where its power is so many times that of both spans (5 dB).
const ABOVE: f32 = 3.0;

/// Most that one band counts, dB: a louder click is no other click.
const BAND_CAP_DB: f32 = 20.0;

/// Least sum over the bands, dB. Noise seldom reaches it.
const TICK_DB: f32 = 14.0;

/// Two ticks nearer than this are one, seconds.
const APART_S: f64 = 0.03;

/// A band belongs to a new note where its power is so many times what it was; a note begins
/// where such bands hold the first share of all that sounds afterwards, and the second of
/// the power at the tick: less is a click's own echo.
const NEW_NOTE_TIMES: f32 = 4.0;
const NEW_NOTE_SHARE: f32 = 0.3;
const NEW_NOTE_OF_TICK: f32 = 0.15;

/// Bands kept of a new note.
const NOTE_BANDS: usize = 4;

/// A short sound that might be a click.
#[derive(Clone, Debug)]
pub struct Tick {
    /// About when it begins, within some milliseconds.
    pub at_s: f64,
    /// By how much each band stands above what was and what comes, dB, the bands in order.
    pub bands_db: Vec<u8>,
    /// Strongest bands of a note that begins about here and stays; empty where none does.
    pub note_bands: Vec<usize>,
}

impl Tick {
    /// How much of two ticks is the same sound, dB summed over the bands that both have.
    pub fn shared_db(&self, other: &Tick) -> u32 {
        let both = self.bands_db.iter().zip(&other.bands_db);
        both.map(|(a, b)| u32::from(*a.min(b))).sum()
    }
}

/// Listens for ticks; `push` takes any number of samples.
pub struct TickListener {
    sample_rate_hz: f64,
    hop_samples: usize,
    frame_samples: usize,
    /// Bins of the spectrum that are bands.
    bins: std::ops::Range<usize>,
    /// Frames from a tick to the nearer and the further end of the span before it and after.
    before: (usize, usize),
    after: (usize, usize),
    window: Vec<f32>,
    forward: Arc<dyn RealToComplex<f32>>,
    slice: Vec<f32>,
    spectrum: Vec<Complex<f32>>,
    scratch: Vec<Complex<f32>>,
    buffer: Vec<f32>,
    /// Powers by band of the latest frames.
    powers: VecDeque<Vec<f32>>,
    /// Number of the frame looked at next, and what the bands of the latest ones sum to, dB.
    next: usize,
    sums_db: VecDeque<f32>,
    /// The best frame since the last tick: number, sum in dB, the tick.
    open: Option<(usize, f32, Tick)>,
    ticks: Vec<Tick>,
}

impl TickListener {
    pub fn new(sample_rate_hz: f64) -> TickListener {
        let exact = (FRAME_S * sample_rate_hz).log2().round() as u32;
        let frame_samples = 1usize << exact.clamp(5, 12);
        let hop_samples = ((HOP_S * sample_rate_hz).round() as usize).max(1);
        let hops = |s: f64| (s * sample_rate_hz / hop_samples as f64).ceil() as usize;
        let frame_s = frame_samples as f64 / sample_rate_hz;
        let (before, after) = (hops(frame_s), hops(LONGEST_S + 0.5 * frame_s));
        let forward = RealFftPlanner::<f32>::new().plan_fft_forward(frame_samples);
        let window = (0..frame_samples)
            .map(|i| hann(i, frame_samples) as f32)
            .collect();
        let bin = |hz: f64| (hz * frame_s) as usize;
        TickListener {
            sample_rate_hz,
            hop_samples,
            frame_samples,
            bins: bin(BANDS_HZ.0)..bin(BANDS_HZ.1).min(frame_samples / 2),
            before: (before, before + hops(SPAN_S)),
            after: (after, after + hops(SPAN_S)),
            window,
            slice: forward.make_input_vec(),
            spectrum: forward.make_output_vec(),
            scratch: forward.make_scratch_vec(),
            forward,
            // The first frame is centred on the first sample.
            buffer: vec![0.0; frame_samples / 2],
            powers: VecDeque::new(),
            next: before + hops(SPAN_S),
            sums_db: VecDeque::new(),
            open: None,
            ticks: Vec::new(),
        }
    }

    /// The next samples of the take.
    pub fn push(&mut self, samples: &[f32]) {
        self.buffer.extend_from_slice(samples);
        let mut start = 0;
        while start + self.frame_samples <= self.buffer.len() {
            self.analyse(start);
            start += self.hop_samples;
        }
        self.buffer.drain(..start.min(self.buffer.len()));
    }

    /// All ticks, in order.
    pub fn finish(&mut self) -> Vec<Tick> {
        let rest = vec![0.0; self.frame_samples + (self.after.1 + 1) * self.hop_samples];
        self.push(&rest);
        self.settle();
        std::mem::take(&mut self.ticks)
    }

    fn analyse(&mut self, start: usize) {
        let samples = &self.buffer[start..start + self.frame_samples];
        for ((out, x), w) in self.slice.iter_mut().zip(samples).zip(&self.window) {
            *out = x * w;
        }
        self.forward
            .process_with_scratch(&mut self.slice, &mut self.spectrum, &mut self.scratch)
            .expect("buffers were made by this plan");
        let spectrum = &self.spectrum[self.bins.clone()];
        // The oldest frame's place is taken by the newest.
        let mut powers = if self.powers.len() > self.before.1 + self.after.1 {
            self.powers.pop_front().unwrap_or_default()
        } else {
            Vec::new()
        };
        powers.clear();
        powers.extend(spectrum.iter().map(|c| c.norm_sqr()));
        self.powers.push_back(powers);
        if self.powers.len() > self.before.1 + self.after.1 {
            self.look();
            self.next += 1;
        }
    }

    /// Looks whether a tick is at the frame that now has both spans.
    fn look(&mut self) {
        let at = self.before.1;
        let mut reference = vec![1e-9f32; self.bins.len()];
        let spans =
            (at - self.before.1..=at - self.before.0).chain(at + self.after.0..=at + self.after.1);
        for frame in spans {
            for (most, power) in reference.iter_mut().zip(&self.powers[frame]) {
                *most = most.max(*power);
            }
        }
        let mut sum_db = 0.0;
        let mut bands_db = vec![0u8; self.bins.len()];
        for ((db, power), most) in bands_db.iter_mut().zip(&self.powers[at]).zip(&reference) {
            if *power > ABOVE * most {
                let above_db = (10.0 * (power / (ABOVE * most)).log10()).min(BAND_CAP_DB);
                sum_db += above_db;
                *db = above_db.round() as u8;
            }
        }
        self.sums_db.push_back(sum_db);
        if self.sums_db.len() > self.before.1 {
            self.sums_db.pop_front();
        }
        let hop_s = self.hop_samples as f64 / self.sample_rate_hz;
        let settled = |open: &(usize, f32, Tick)| (self.next - open.0) as f64 * hop_s >= APART_S;
        if self.open.as_ref().is_some_and(settled) {
            self.settle();
        }
        if sum_db < TICK_DB || self.open.as_ref().is_some_and(|open| open.1 >= sum_db) {
            return;
        }
        // It begins where the sum passes half of what it comes to.
        let half_db = 0.5 * sum_db;
        let last = self.sums_db.len() - 1;
        let below = (0..last).rev().find(|i| self.sums_db[*i] < half_db);
        let ago = below.map_or(last as f64, |i| {
            let (a, b) = (self.sums_db[i], self.sums_db[i + 1]);
            (last - i) as f64 - f64::from((half_db - a) / (b - a).max(1e-6))
        });
        let tick = Tick {
            at_s: (self.next as f64 - ago) * hop_s,
            bands_db,
            note_bands: self.note_bands(),
        };
        self.open = Some((self.next, sum_db, tick));
    }

    /// Strongest bands of what sounds after the frame looked at and did not before it.
    fn note_bands(&self) -> Vec<usize> {
        let at = self.before.1;
        let least = |span: std::ops::RangeInclusive<usize>, band: usize| {
            let powers = span.map(|frame| self.powers[frame][band]);
            powers.fold(f32::INFINITY, f32::min)
        };
        let (mut new, mut all) = (Vec::with_capacity(self.bins.len()), 0.0);
        let (mut gone, mut all_before) = (0.0, 0.0);
        for band in 0..self.bins.len() {
            let before = least(at - self.before.1..=at - self.before.0, band);
            let after = least(at + self.after.0..=at + self.after.1, band);
            all += after;
            all_before += before;
            gone += (before - NEW_NOTE_TIMES * after).max(0.0);
            new.push((band, (after - NEW_NOTE_TIMES * before).max(0.0)));
        }
        let here: f32 = self.powers[at].iter().sum();
        let sum: f32 = new.iter().map(|n| n.1).sum();
        let begins = sum >= NEW_NOTE_SHARE * all && sum >= NEW_NOTE_OF_TICK * here;
        // A slur to a twelfth above adds nothing: partials of the old note go.
        let changes = gone >= NEW_NOTE_SHARE * all_before && gone >= NEW_NOTE_OF_TICK * here;
        if !begins && !changes {
            return Vec::new();
        }
        new.sort_by(|a, b| b.1.total_cmp(&a.1));
        new.truncate(NOTE_BANDS);
        new.into_iter().map(|n| n.0).collect()
    }

    fn settle(&mut self) {
        if let Some((_, _, tick)) = self.open.take() {
            self.ticks.push(tick);
        }
    }

    /// Frequency of a band, Hz.
    pub fn band_hz(&self, band: usize) -> f64 {
        (self.bins.start + band) as f64 * self.sample_rate_hz / self.frame_samples as f64
    }
}

/// Hann window without zeros at its ends.
pub fn hann(i: usize, n: usize) -> f64 {
    0.5 - 0.5 * (std::f64::consts::TAU * (i as f64 + 0.5) / n as f64).cos()
}
