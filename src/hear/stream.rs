//! Notes while they are played: the same frames, path and notes as for a whole take, from a
//! window that ends now.
//!
//! Frames and path are made once, as the sound comes. The note stage runs over the frames
//! from the last settled notes on, and hands out every note that ended long enough ago.
//! What the whole take would say of its levels is here what the take so far says.

use super::confidence;
use super::decimate::Decimator;
use super::envelope::{Envelope, STEP_S};
use super::frames::{Frame, Framer};
use super::notes::{NoteMaker, Sketch};
use super::path::{PathFinder, PathPoint};
use super::{HearOptions, HeardNote};

/// A note is settled when it ended this long before the newest path point, seconds: its
/// shoulders, the ringing after it and its neighbour are known by then.
const SETTLE_S: f64 = 0.30;

/// The note stage runs this often, seconds: each run looks at some notes again.
const RUN_EVERY_S: f64 = 0.2;

/// Settled sketches kept: what the weighing of a new one looks back at.
const SKETCHES_KEPT: usize = 10;

/// Settled notes that a window begins before: a note is cut from the sound of the one before.
const NOTES_BEFORE: usize = 2;

/// Silence kept before the newest sound, seconds: how long it lasts is asked.
const MARGIN_S: f64 = 1.0;

/// Sound kept before the first note of a window, seconds: its beginning is looked at again.
const BEFORE_S: f64 = 0.15;

/// Longest window, seconds: a note held longer is settled in parts no one looks at.
const WINDOW_MAX_S: f64 = 20.0;

/// Takes sound in, any number of samples at a time; gives notes in order of onset.
pub struct NoteStream {
    sample_rate_hz: u32,
    rate: f64,
    low_hz: f64,
    hop_samples: usize,
    /// A window begins at a multiple of this many frames, where hops and the envelope's
    /// blocks fall together, so that it is cut as the whole take is.
    frames_a_step: usize,
    decimator: Decimator,
    framer: Framer,
    finder: PathFinder,
    levels: Levels,
    n_samples: usize,
    /// First frame of the window, counted from the take's start.
    first_frame: usize,
    sound: Vec<f32>,
    frames: Vec<Frame>,
    path: Vec<PathPoint>,
    found: Vec<Frame>,
    newest: Vec<f32>,
    /// The last settled sketches, times of the take.
    settled: Vec<Sketch>,
    run_at_frame: usize,
}

impl NoteStream {
    /// `sample_rate_hz` of the samples to come; `options` as for a whole take, never narrowed.
    pub fn new(sample_rate_hz: u32, options: &HearOptions) -> NoteStream {
        let decimator = Decimator::new(sample_rate_hz);
        let rate = f64::from(sample_rate_hz) / decimator.factor() as f64;
        let (low_hz, high_hz) = super::range_at(rate, options);
        let hop_samples = super::hop_samples(rate);
        let framer = Framer::new(rate, hop_samples, low_hz, high_hz);
        let block = ((STEP_S * rate / 4.0).round() as usize).max(1);
        NoteStream {
            sample_rate_hz,
            rate,
            low_hz,
            hop_samples,
            frames_a_step: block / greatest_common_divisor(block, hop_samples),
            finder: PathFinder::new(hop_samples as f64 / rate, low_hz, -120.0),
            decimator,
            framer,
            levels: Levels::default(),
            n_samples: 0,
            first_frame: 0,
            sound: Vec::new(),
            frames: Vec::new(),
            path: Vec::new(),
            found: Vec::new(),
            newest: Vec::new(),
            settled: Vec::new(),
            run_at_frame: 0,
        }
    }

    /// Seconds heard so far.
    pub fn heard_s(&self) -> f64 {
        self.n_samples as f64 / f64::from(self.sample_rate_hz)
    }

    /// Seconds since the last pitched sound.
    pub fn silent_s(&self) -> f64 {
        let silent = self.path.iter().rev().take_while(|p| p.midi.is_none());
        (silent.count() * self.hop_samples) as f64 / self.rate
    }

    /// Level of the noise between the notes so far, dB re full scale.
    pub fn noise_dbfs(&self) -> f64 {
        self.levels.quantile(super::FLOOR_SHARE)
    }

    /// The next mono samples; notes settled by them are appended to `notes`.
    pub fn push(&mut self, samples: &[f32], notes: &mut Vec<HeardNote>) {
        self.n_samples += samples.len();
        self.newest.clear();
        self.decimator.push(samples, &mut self.newest);
        self.take_newest();
        let run_frames = (RUN_EVERY_S * self.rate / self.hop_samples as f64) as usize;
        if self.first_frame + self.path.len() >= self.run_at_frame + run_frames {
            self.run_at_frame = self.first_frame + self.path.len();
            self.settle(SETTLE_S, notes);
        }
    }

    /// The last notes.
    pub fn finish(&mut self, notes: &mut Vec<HeardNote>) {
        self.newest.clear();
        self.decimator.finish(&mut self.newest);
        self.take_newest();
        self.found.clear();
        self.framer.finish(&mut self.found);
        self.follow_path();
        self.finder.finish(&mut self.path);
        self.settle(f64::NEG_INFINITY, notes);
    }

    fn take_newest(&mut self) {
        self.sound.extend_from_slice(&self.newest);
        self.found.clear();
        self.framer.push(&self.newest, &mut self.found);
        self.follow_path();
    }

    fn follow_path(&mut self) {
        for frame in &self.found {
            self.levels.push(frame.level_dbfs);
            self.frames.push(*frame);
            self.finder
                .set_quiet_dbfs(super::quiet_dbfs(self.noise_dbfs(), self.loud_dbfs()));
            self.finder.push(frame, &mut self.path);
        }
    }

    fn loud_dbfs(&self) -> f64 {
        self.levels.quantile(super::LOUD_SHARE)
    }

    /// Runs the note stage and hands out what ended more than `settle_s` ago.
    fn settle(&mut self, settle_s: f64, notes: &mut Vec<HeardNote>) {
        let base_s = (self.first_frame * self.hop_samples) as f64 / self.rate;
        let newest_s = base_s + (self.path.len() * self.hop_samples) as f64 / self.rate;
        let last_onset_s = self
            .settled
            .last()
            .map_or(f64::NEG_INFINITY, |s| s.onset_s + 0.004);
        if self.path.iter().any(|point| point.midi.is_some()) {
            let envelope = Envelope::new(&self.sound, self.rate);
            let sketches = NoteMaker {
                samples: &self.sound,
                sample_rate_hz: self.rate,
                hop_samples: self.hop_samples,
                frame_samples: self.framer.frame_samples(),
                frames: &self.frames,
                path: &self.path,
                envelope: &envelope,
                low_hz: self.low_hz,
            }
            .sketch();
            let fresh: Vec<Sketch> = sketches
                .into_iter()
                .map(|s| shifted(s, base_s, self.first_frame))
                .filter(|s| s.onset_s > last_onset_s)
                .collect();
            let n_before = self.settled.len();
            let n_settled = fresh
                .iter()
                .take_while(|s| s.offset_s < newest_s - settle_s)
                .count();
            let mut all = std::mem::take(&mut self.settled);
            all.extend(fresh);
            let weighed = confidence::weigh(&all, self.noise_dbfs());
            notes.extend_from_slice(&weighed[n_before..n_before + n_settled]);
            all.truncate(n_before + n_settled);
            all.drain(..all.len().saturating_sub(SKETCHES_KEPT));
            self.settled = all;
        }
        self.forget(newest_s);
    }

    /// Drops what lies before the notes that the next window has to begin with.
    fn forget(&mut self, newest_s: f64) {
        let sounding = self.path.iter().rposition(|point| point.midi.is_some());
        let from = match (self.settled.len().checked_sub(NOTES_BEFORE), sounding) {
            (Some(k), Some(_)) => self.settled[k].first,
            _ => self.first_frame,
        };
        let frame_at = |t_s: f64| (t_s * self.rate / self.hop_samples as f64).max(0.0) as usize;
        let silent = match sounding {
            // Silence behind and no note begun: nothing of it is needed.
            None => frame_at(newest_s - MARGIN_S),
            Some(_) => 0,
        };
        let first = from
            .saturating_sub(frame_at(BEFORE_S))
            .max(silent)
            .max(frame_at(newest_s - WINDOW_MAX_S));
        let drop = first.saturating_sub(self.first_frame) / self.frames_a_step * self.frames_a_step;
        let drop = drop.min(self.path.len());
        if drop > 0 {
            self.frames.drain(..drop);
            self.path.drain(..drop);
            self.sound
                .drain(..(drop * self.hop_samples).min(self.sound.len()));
            self.first_frame += drop;
        }
    }
}

/// A sketch of a window as one of the take.
fn shifted(mut sketch: Sketch, base_s: f64, first_frame: usize) -> Sketch {
    sketch.onset_s += base_s;
    sketch.offset_s += base_s;
    sketch.first += first_frame;
    sketch.end += first_frame;
    sketch
}

fn greatest_common_divisor(a: usize, b: usize) -> usize {
    if b == 0 {
        a
    } else {
        greatest_common_divisor(b, a % b)
    }
}

/// How often each level came, in steps of a quarter of a decibel from −120 up.
struct Levels {
    counts: Vec<u32>,
    n: u32,
}

impl Default for Levels {
    fn default() -> Levels {
        Levels {
            counts: vec![0; 4 * 130],
            n: 0,
        }
    }
}

impl Levels {
    fn push(&mut self, dbfs: f32) {
        let step = (4.0 * (dbfs + 120.0)).max(0.0) as usize;
        let last = self.counts.len() - 1;
        self.counts[step.min(last)] += 1;
        self.n += 1;
    }

    /// Level below which this share of the frames lies; −120 before any.
    fn quantile(&self, share: f64) -> f64 {
        let rank = (share * f64::from(self.n)) as u32;
        let mut below = 0;
        for (step, count) in self.counts.iter().enumerate() {
            below += count;
            if below > rank {
                return step as f64 / 4.0 - 120.0;
            }
        }
        -120.0
    }
}
