//! That a note has begun, from the newest two periods alone.
//!
//! The whole-take hearing needs a third of a second; here the sound of one period is held
//! against the one before it, at every lag of the range:
//! r(τ) = 2 Σ x(n) x(n−τ) / Σ (x(n)² + x(n−τ)²) over the newest samples
//! (McLeod & Wyvill, "A smarter way to find pitch", ICMC 2005, eq. 9; departure: the window
//! grows with the lag, so that a pitch shows after two of its own periods). What is expected
//! next is believed at once where the sound offers it; anything else has to last. What is
//! said here is revised by what the whole-take hearing settles.

use crate::convert::hz_to_midi;
use crate::hear::HearOptions;
use crate::hear::decimate::Decimator;
use crate::hear::frames::parabola;

/// Distance between looks, seconds.
const HOP_S: f64 = 0.0025;

/// Least span compared, seconds: shorter lags take several periods, against noise.
const SPAN_MIN_S: f64 = 0.0035;

/// The shortest lag whose r reaches this share of the best is the period (McLeod & Wyvill
/// name 0.8 to 1.0).
const SHORTEST_SHARE: f32 = 0.92;

/// Periodicity below which there is no pitch.
const CLEAR: f32 = 0.80;

/// Pitches further apart than this, in semitones, are two notes'.
const NEW_NOTE_SEMITONES: f64 = 0.65;

/// An expected pitch lies within this distance, semitones.
const EXPECTED_SEMITONES: f64 = 0.5;

/// How long a pitch has to last before it is a note, seconds: expected, or not. A sound of
/// 25 ms between two notes is a finger change (contract bound), and the span lies before it.
const LASTS_EXPECTED_S: f64 = 0.0025;
const LASTS_S: f64 = 0.030;

/// The same after a new attack: only the attack's own noise has to pass.
const LASTS_ATTACK_S: f64 = 0.015;

/// The same for a pitch in an octave, twelfth or like relation to the one that sounds, which
/// a change of colour can feign.
const LASTS_HARMONIC_S: f64 = 0.060;

/// A note this young whose pitch turns out to be another was misheard, seconds.
const YOUNG_S: f64 = 0.040;

/// Fall and rise of the level that make a new attack, dB; less where the same pitch is
/// expected again.
const ATTACK_DB: f64 = 6.0;
const ATTACK_AGAIN_DB: f64 = 3.0;

/// Levels this little above the noise are no playing, dB.
const OVER_NOISE_DB: f64 = 10.0;

/// The floor of a gap is left when the level is this much above its lowest, dB.
const FLOOR_DB: f64 = 2.0;

/// Changes of the level slower than this are the player's swelling, dB a second: a tongue's
/// gap of 35 ms falls and rises tens of times as fast.
const SLOW_DB_S: f64 = 30.0;

/// Pole of the filter that takes a constant offset away.
const OFFSET_POLE: f32 = 0.995;

/// A note that has begun.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Begun {
    pub onset_s: f64,
    /// Fractional sounding MIDI number at A4 = 440 Hz.
    pub midi: f64,
    /// Silence or near-silence before it, seconds.
    pub silence_s: f64,
    /// Takes the place of the note said before, which was misheard.
    pub revises: bool,
    pub expected: bool,
}

pub struct Quick {
    decimator: Decimator,
    factor: usize,
    sample_rate_hz: f64,
    rate: f64,
    hop: usize,
    lag_min: usize,
    lag_max: usize,
    span_min: usize,
    /// The newest sound, offset taken away; `n_seen` samples came before its end.
    sound: Vec<f32>,
    n_seen: usize,
    next_look: usize,
    newest: Vec<f32>,
    offset: (f32, f32),
    periodicity: Vec<f32>,
    energy: Vec<f32>,
    note: Option<Sounding>,
    waiting: Option<Waiting>,
    attack: Option<Attack>,
    /// The level has fallen from its peak, and its lowest since.
    fallen: bool,
    peak_db: f64,
    low_db: f64,
    low_at_s: f64,
    fell_at_s: f64,
}

/// The note that sounds.
#[derive(Clone, Copy)]
struct Sounding {
    midi: f64,
    begun_s: f64,
}

/// A pitch that may become a note.
#[derive(Clone, Copy)]
struct Waiting {
    midi: f64,
    since_s: f64,
}

/// A rise of the level that may begin a note.
#[derive(Clone, Copy)]
struct Attack {
    at_s: f64,
    silence_s: f64,
}

impl Quick {
    pub fn new(sample_rate_hz: u32, options: &HearOptions) -> Quick {
        let decimator = Decimator::new(sample_rate_hz);
        let factor = decimator.factor();
        let rate = f64::from(sample_rate_hz) / factor as f64;
        let high_hz = options.high_hz.min(rate / 6.0);
        let low_hz = options.low_hz.clamp(30.0, 0.5 * high_hz);
        let lag_max = (rate / low_hz).ceil() as usize + 1;
        Quick {
            decimator,
            factor,
            sample_rate_hz: f64::from(sample_rate_hz),
            rate,
            hop: ((HOP_S * rate) as usize).max(1),
            lag_min: ((rate / high_hz).floor() as usize).max(3),
            lag_max,
            span_min: (SPAN_MIN_S * rate) as usize,
            sound: Vec::new(),
            n_seen: 0,
            next_look: 0,
            newest: Vec::new(),
            offset: (0.0, 0.0),
            periodicity: vec![0.0; lag_max + 2],
            energy: Vec::new(),
            note: None,
            waiting: None,
            attack: None,
            fallen: true,
            peak_db: -120.0,
            low_db: -120.0,
            low_at_s: 0.0,
            fell_at_s: 0.0,
        }
    }

    /// The next mono samples. `expected` are the pitches that the line has next (fractional
    /// MIDI at A4 = 440 Hz), `noise_dbfs` the level between the notes.
    pub fn push(
        &mut self,
        samples: &[f32],
        expected: &[f64],
        noise_dbfs: f64,
        begun: &mut Vec<Begun>,
    ) {
        self.newest.clear();
        self.decimator.push(samples, &mut self.newest);
        for x in &self.newest {
            let y = x - self.offset.0 + OFFSET_POLE * self.offset.1;
            self.offset = (*x, y);
            self.sound.push(y);
        }
        let first = self.n_seen + self.newest.len() - self.sound.len();
        self.n_seen += self.newest.len();
        while self.next_look <= self.n_seen {
            let end = self.next_look - first;
            if end > 2 * self.lag_max.max(self.span_min) + 2 {
                self.look(end, expected, noise_dbfs, begun);
            }
            self.next_look += self.hop;
        }
        let kept = 3 * self.lag_max + self.hop + 64;
        let old = self.sound.len().saturating_sub(kept);
        self.sound.drain(..old);
    }

    fn look(&mut self, end: usize, expected: &[f64], noise_dbfs: f64, begun: &mut Vec<Begun>) {
        let now_s = (self.next_look * self.factor) as f64 / self.sample_rate_hz;
        let level_db = self.level_db(end);
        let is_expected = |midi: f64| {
            expected
                .iter()
                .any(|e| (e - midi).abs() < EXPECTED_SEMITONES)
        };
        self.follow_level(
            level_db,
            now_s,
            self.note.is_some_and(|n| is_expected(n.midi)),
        );
        if level_db < noise_dbfs + OVER_NOISE_DB {
            self.waiting = None;
            return;
        }
        let Some((midi, lag)) = self.pitch(end) else {
            return;
        };
        let same = |other: f64| (other - midi).abs() < NEW_NOTE_SEMITONES;
        if let Some(note) = &mut self.note
            && self.attack.is_none()
            && same(note.midi)
        {
            note.midi += 0.1 * (midi - note.midi);
            self.waiting = None;
            return;
        }
        let waiting = match self.waiting {
            Some(waiting) if same(waiting.midi) => waiting,
            _ => Waiting {
                midi,
                since_s: now_s,
            },
        };
        self.waiting = Some(waiting);
        let expected = is_expected(midi);
        let lasts_s = match (self.attack, self.note) {
            _ if expected => LASTS_EXPECTED_S,
            (Some(_), _) | (_, None) => LASTS_ATTACK_S,
            (None, Some(note)) if harmonic(midi, note.midi) => LASTS_HARMONIC_S,
            (None, Some(_)) => LASTS_S,
        };
        if now_s - waiting.since_s < lasts_s {
            return;
        }
        let span_s = (lag + lag.max(self.span_min as f64)) / self.rate;
        let onset_s = match self.attack {
            Some(attack) => attack.at_s,
            None => waiting.since_s - 0.85 * span_s,
        };
        let young = self
            .note
            .is_some_and(|note| now_s - note.begun_s < YOUNG_S && self.attack.is_none());
        begun.push(Begun {
            onset_s,
            midi,
            silence_s: self.attack.map_or(0.0, |attack| attack.silence_s),
            revises: young,
            expected,
        });
        let begun_s = match self.note {
            Some(note) if young => note.begun_s,
            _ => now_s,
        };
        self.note = Some(Sounding { midi, begun_s });
        self.waiting = None;
        self.attack = None;
    }

    /// Sees the level fall and rise again.
    fn follow_level(&mut self, level_db: f64, now_s: f64, again: bool) {
        let least_db = if again { ATTACK_AGAIN_DB } else { ATTACK_DB };
        let drift_db = SLOW_DB_S * self.hop as f64 / self.rate;
        if self.fallen {
            self.low_db += drift_db;
            if level_db <= self.low_db + FLOOR_DB {
                self.low_at_s = now_s;
            }
            self.low_db = self.low_db.min(level_db);
            if level_db - self.low_db >= least_db {
                self.attack = Some(Attack {
                    at_s: self.low_at_s,
                    silence_s: (self.low_at_s - self.fell_at_s).max(0.0),
                });
                self.waiting = None;
                self.fallen = false;
                self.peak_db = level_db;
            }
        } else {
            self.peak_db = (self.peak_db - drift_db).max(level_db);
            if level_db <= self.peak_db - least_db {
                self.fallen = true;
                self.fell_at_s = now_s;
                (self.low_db, self.low_at_s) = (level_db, now_s);
            }
        }
    }

    /// Mean power of the newest period (of the note that sounds), dB re full scale.
    fn level_db(&self, end: usize) -> f64 {
        let span = match self.note {
            Some(note) => {
                let period = self.rate / crate::convert::midi_to_hz(note.midi, 440.0);
                (period.round() as usize).max(self.span_min)
            }
            None => self.span_min.max(self.lag_max / 2),
        };
        let newest = &self.sound[end - span.min(end)..end];
        let power: f32 = newest.iter().map(|x| x * x).sum::<f32>() / newest.len() as f32;
        10.0 * (f64::from(power) + 1e-12).log10()
    }

    /// Pitch of the newest sound, as fractional MIDI number and as lag in samples.
    fn pitch(&mut self, end: usize) -> Option<(f64, f64)> {
        let sound = &self.sound[..end];
        self.energy.clear();
        self.energy.push(0.0);
        let reach = (2 * self.lag_max + 2)
            .max(self.lag_max + self.span_min + 2)
            .min(end);
        let mut sum = 0.0;
        for x in sound[end - reach..].iter().rev() {
            sum += x * x;
            self.energy.push(sum);
        }
        let mut best = 0.0f32;
        for lag in self.lag_min - 1..=self.lag_max + 1 {
            let span = lag.max(self.span_min).min(reach - lag);
            let new = &sound[end - span..];
            let old = &sound[end - span - lag..end - lag];
            let product = product(new, old);
            let energy = self.energy[span] + self.energy[span + lag] - self.energy[lag];
            let r = 2.0 * product / (energy + 1e-9);
            self.periodicity[lag] = r;
            if (self.lag_min..=self.lag_max).contains(&lag) {
                best = best.max(r);
            }
        }
        if best < CLEAR {
            return None;
        }
        let r = &self.periodicity;
        let lag = (self.lag_min..=self.lag_max).find(|&lag| {
            r[lag] >= SHORTEST_SHARE * best && r[lag] >= r[lag - 1] && r[lag] >= r[lag + 1]
        })?;
        let (delta, _) = parabola(r[lag - 1], r[lag], r[lag + 1]);
        let lag = lag as f64 + f64::from(delta);
        Some((hz_to_midi(self.rate / lag, 440.0), lag))
    }
}

/// Sum of products, in eight sums that the processor forms at once.
fn product(a: &[f32], b: &[f32]) -> f32 {
    let mut sums = [0.0f32; 8];
    let (a, b) = (a.chunks_exact(8), b.chunks_exact(8));
    let rest: f32 = a
        .remainder()
        .iter()
        .zip(b.remainder())
        .map(|(x, y)| x * y)
        .sum();
    for (x, y) in a.zip(b) {
        for k in 0..8 {
            sums[k] += x[k] * y[k];
        }
    }
    sums.iter().sum::<f32>() + rest
}

/// True for two pitches of which one lies on a low harmonic of the other.
fn harmonic(a: f64, b: f64) -> bool {
    [12.0, 19.0, 24.0, 28.0]
        .iter()
        .any(|interval| ((a - b).abs() - interval).abs() < 0.7)
}
