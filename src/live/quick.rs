//! That a note has begun, from the newest two periods alone.
//!
//! The whole-take hearing needs a third of a second; here the sound of one period is held
//! against the one before it, at every lag of the range:
//! r(τ) = 2 Σ x(n) x(n−τ) / Σ (x(n)² + x(n−τ)²) over the newest samples
//! (McLeod & Wyvill, "A smarter way to find pitch", ICMC 2005, eq. 9; departure: the window
//! grows with the lag, so that a pitch shows after two of its own periods). What is expected
//! next is believed at once where the sound offers it; anything else has to last. What is
//! said here is revised by what the whole-take hearing settles.

use std::collections::VecDeque;

use crate::convert::hz_to_midi;
use crate::hear::HearOptions;
use crate::hear::decimate::Decimator;
use crate::hear::frames::parabola;

/// Distance between looks: seconds, and at least this share of the lowest pitch's period, so
/// that a bass costs no more.
const HOP_S: f64 = 0.0025;
const HOP_PERIODS: f64 = 0.3;

/// What lies above is not listened to, Hz: a click's bursts begin an octave higher, and no
/// fundamental is above.
const TOP_HZ: f64 = 3500.0;

/// An attack that no pitch follows within this time was a knock, seconds.
const KNOCK_S: f64 = 0.15;

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

/// A sound that an attack of its pitch outdoes by so much, dB, so soon, seconds, was a hint of the
/// note to come: air before the tongue lets the reed go, or a string stirred by the bow set on it.
const HINT_DB: f64 = 9.0;
const HINT_S: f64 = 0.25;

/// Fall and rise of the level that make a new attack, dB; less where the same pitch is
/// expected again.
const ATTACK_DB: f64 = 6.0;
const ATTACK_AGAIN_DB: f64 = 3.0;

/// Levels this little above the noise are no playing, dB.
const OVER_NOISE_DB: f64 = 10.0;

/// A pitch that sounds already begins again with this probability, or nothing is said.
const AGAIN: f64 = 0.5;

/// An attack of the pitch that sounds, less likely than that, may still rise so long, seconds.
const AGAIN_WAIT_S: f64 = 0.05;

/// Share of the way to the newest pitch that the sounding note's pitch goes with each look: while
/// it begins, and later, where a slurred semitone is not to be glided after.
const GLIDE_NEW: f64 = 0.1;
const GLIDE: f64 = 0.03;
const GLIDE_NEW_S: f64 = 0.06;

/// Log-odds that it does: constant, a unit of the time since it began (from `SINCE_S`, in units
/// of `SINCE_UNIT_S`, two either way), of the natural log of the fall before it in dB, and a dB
/// below the peak of the note before. A room's tail ripples far below the peak, two notes
/// ringing into each other beat by a few dB, and nobody tongues twenty times a second. Logistic
/// regression on 6,368 attacks of made takes, tonguing exercises and rooms among them.
const AGAIN_LOG_ODDS: [f64; 4] = [-6.0, 1.5, 2.83, -0.252];
const SINCE_S: f64 = 0.05;
const SINCE_UNIT_S: f64 = 0.02;

/// It is said at once where the first look makes it as likely as this; else, and once more, when
/// it has risen for so long, seconds: by then the upper partials of a note are there, and a ripple
/// has none.
const AGAIN_AT_ONCE: f64 = 0.9;
const AGAIN_RISEN_S: f64 = 0.02;

/// Log-odds then: constant, of the natural log of the fall in dB, of that of the upper partials'
/// rise from their lowest in dB, a dB more than `BELOW_DB` under the peak of the note before, and a
/// dB above the noise. Logistic regression on 7,624 attacks of 210 made takes (1,465 of them none):
/// area under the curve 0.85, of the three above 0.73.
const RISEN_LOG_ODDS: [f64; 5] = [-0.6, 0.5, 1.38, -0.095, -0.04];
const BELOW_DB: f64 = 6.0;

/// The lowest is looked for from so long before the floor of the gap, seconds.
const LOWEST_S: f64 = 0.01;

/// Looks kept: longer than any dip is deep, seconds.
const LOOKS_S: f64 = 0.3;

/// The floor of a gap is left this much before the rise makes an attack, dB: the floor's own
/// noise is louder and softer by as much as the rest.
const RISING_DB: f64 = 1.5;

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
    /// Where the pitch is that of the note before: probability that it is a note of its own and
    /// not a ripple or a room's tail.
    pub again: Option<f64>,
    /// The last note once more: that probability known better, or, without one, said at once
    /// because it was expected, and it has lasted since.
    pub weighed_again: bool,
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
    low_pass: [LowPass; 2],
    periodicity: Vec<f32>,
    energy: Vec<f32>,
    note: Option<Sounding>,
    waiting: Option<Waiting>,
    attack: Option<Attack>,
    /// An attack said at once, which is weighed again.
    said: Option<(Attack, Begun)>,
    /// A note said because it was expected: when its pitch came, how long that has to last.
    unproven: Option<(Begun, f64, f64)>,
    /// The newest looks: when, level, that of the upper partials.
    looks: VecDeque<(f64, f64, f64)>,
    /// The level has fallen from its peak, and its lowest since.
    fallen: bool,
    peak_db: f64,
    /// Peak of the note that sounds.
    note_peak_db: f64,
    low_db: f64,
    low_at_s: f64,
    fell_at_s: f64,
}

/// The note that sounds.
#[derive(Clone, Copy)]
struct Sounding {
    midi: f64,
    onset_s: f64,
    begun_s: f64,
    loudest_db: f64,
}

impl Sounding {
    /// Goes after the newest pitch.
    fn glide(&mut self, midi: f64, now_s: f64) {
        let new = now_s - self.begun_s < GLIDE_NEW_S;
        self.midi += if new { GLIDE_NEW } else { GLIDE } * (midi - self.midi);
    }
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
    rose_s: f64,
    silence_s: f64,
    /// How far the level had fallen from the peak of the note before, dB.
    fall_db: f64,
    /// Lowest before the rise and highest since: level and that of the upper partials, dB.
    low_db: (f64, f64),
    high_db: (f64, f64),
}

impl Attack {
    fn rises(&mut self, db: (f64, f64)) {
        self.high_db = (self.high_db.0.max(db.0), self.high_db.1.max(db.1));
    }

    /// Probability that it is a note's, when it has risen for `AGAIN_RISEN_S`.
    fn risen_probability(&self, noise_dbfs: f64) -> f64 {
        let [constant, fall, upper, below, over_noise] = RISEN_LOG_ODDS;
        let log = |db: f64| db.clamp(1.0, 60.0).ln();
        let below_db = self.fall_db - (self.high_db.0 - self.low_db.0) - BELOW_DB;
        probability(
            constant
                + fall * log(self.fall_db)
                + upper * log(self.high_db.1 - self.low_db.1)
                + below * below_db.clamp(0.0, 34.0)
                + over_noise * (self.high_db.0 - noise_dbfs).clamp(0.0, 60.0),
        )
    }
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
            hop: ((HOP_S.max(HOP_PERIODS / low_hz) * rate) as usize).max(1),
            low_pass: LOW_PASS_Q.map(|q| LowPass::new(TOP_HZ.min(0.4 * rate), q, rate)),
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
            said: None,
            unproven: None,
            looks: VecDeque::new(),
            fallen: true,
            peak_db: -120.0,
            note_peak_db: -120.0,
            low_db: f64::INFINITY,
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
            let low = self.low_pass.iter_mut().fold(y, |y, stage| stage.next(y));
            self.sound.push(low);
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
        let upper_db = self.upper_db(end);
        self.looks.push_back((now_s, level_db, upper_db));
        while self
            .looks
            .front()
            .is_some_and(|look| look.0 < now_s - LOOKS_S)
        {
            self.looks.pop_front();
        }
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
        if let Some(attack) = &mut self.attack {
            attack.rises((level_db, upper_db));
        } else if let Some(note) = &mut self.note {
            note.loudest_db = note.loudest_db.max(level_db);
        }
        self.weigh_again(now_s, (level_db, upper_db), noise_dbfs, begun);
        if level_db < noise_dbfs + OVER_NOISE_DB {
            self.waiting = None;
            // A rise inside the noise begins nothing.
            self.fallen |= self.attack.take().is_some();
            return;
        }
        if self
            .attack
            .is_some_and(|attack| now_s - attack.rose_s > KNOCK_S)
        {
            self.attack = None;
        }
        let Some((midi, lag)) = self.pitch(end) else {
            return;
        };
        let same = |other: f64| (other - midi).abs() < NEW_NOTE_SEMITONES;
        if let Some(note) = &mut self.note
            && self.attack.is_none()
            && same(note.midi)
        {
            note.glide(midi, now_s);
            self.waiting = None;
            if let Some((said, since_s, proven_s)) = self.unproven
                && now_s - since_s >= proven_s
            {
                begun.push(Begun {
                    weighed_again: true,
                    revises: false,
                    ..said
                });
                self.unproven = None;
            }
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
        let proven_s = match (self.attack, self.note) {
            (Some(_), _) | (_, None) => LASTS_ATTACK_S,
            (None, Some(note)) if harmonic(midi, note.midi) => LASTS_HARMONIC_S,
            (None, Some(_)) => LASTS_S,
        };
        let lasts_s = if expected { LASTS_EXPECTED_S } else { proven_s };
        if now_s - waiting.since_s < lasts_s {
            return;
        }
        let span_s = (lag + lag.max(self.span_min as f64)) / self.rate;
        let onset_s = match self.attack {
            Some(attack) => attack.at_s,
            None => waiting.since_s - 0.85 * span_s,
        };
        if let (Some(attack), Some(note)) = (self.attack, &mut self.note)
            && same(note.midi)
            && attack.at_s - note.onset_s < YOUNG_S
        {
            // Still the attack of the note that sounds.
            note.glide(midi, now_s);
            self.attack = None;
            return;
        }
        let risen_s = self.risen_s();
        let again = match (self.attack, self.note) {
            (Some(attack), Some(note)) if same(note.midi) => {
                let risen = now_s - attack.rose_s >= risen_s;
                let probability = if risen {
                    attack.risen_probability(noise_dbfs)
                } else {
                    let since_s = attack.at_s - note.onset_s;
                    let below_db = self.note_peak_db - level_db;
                    again_probability(since_s, attack.fall_db, below_db)
                };
                Some((probability, risen))
            }
            _ => None,
        };
        if again.is_some_and(|(probability, risen)| {
            probability < if risen { AGAIN } else { AGAIN_AT_ONCE }
        }) && let (Some(attack), Some(note)) = (self.attack, &mut self.note)
        {
            // It may rise yet; if not, the note goes on.
            note.glide(midi, now_s);
            if now_s - attack.rose_s > AGAIN_WAIT_S.max(risen_s) {
                self.attack = None;
            }
            return;
        }
        let hinted = match (self.attack, self.note, again) {
            (Some(attack), Some(note), Some(_)) => {
                attack.at_s - note.onset_s < HINT_S && level_db - note.loudest_db >= HINT_DB
            }
            _ => false,
        };
        let again = again.filter(|_| !hinted);
        let young = self
            .note
            .is_some_and(|note| now_s - note.begun_s < YOUNG_S && self.attack.is_none());
        let new = Begun {
            onset_s,
            midi,
            silence_s: self.attack.map_or(0.0, |attack| attack.silence_s),
            revises: young || hinted,
            expected,
            again: again.map(|(probability, _)| probability),
            weighed_again: false,
        };
        begun.push(new);
        self.unproven = (expected && again.is_none()).then_some((new, waiting.since_s, proven_s));
        self.said = match (self.attack, again) {
            (Some(attack), Some((_, false))) => Some((attack, new)),
            _ => None,
        };
        let begun_s = match self.note {
            Some(note) if young => note.begun_s,
            _ => now_s,
        };
        self.note = Some(Sounding {
            midi,
            onset_s,
            begun_s,
            loudest_db: level_db,
        });
        self.note_peak_db = level_db;
        self.waiting = None;
        self.attack = None;
    }

    /// How long an attack has to rise before it is weighed anew, seconds: the level is a period's.
    fn risen_s(&self) -> f64 {
        AGAIN_RISEN_S.max(1.5 * self.span() as f64 / self.rate)
    }

    /// Tells how likely the attack said at once is when it has risen.
    fn weigh_again(&mut self, now_s: f64, db: (f64, f64), noise_dbfs: f64, begun: &mut Vec<Begun>) {
        let risen_s = self.risen_s();
        let Some((attack, said)) = &mut self.said else {
            return;
        };
        attack.rises(db);
        if now_s - attack.rose_s >= risen_s {
            begun.push(Begun {
                again: Some(attack.risen_probability(noise_dbfs)),
                weighed_again: true,
                revises: false,
                ..*said
            });
            self.said = None;
        }
    }

    /// Sees the level fall and rise again.
    fn follow_level(&mut self, level_db: f64, now_s: f64, again: bool) {
        let least_db = if again { ATTACK_AGAIN_DB } else { ATTACK_DB };
        let drift_db = SLOW_DB_S * self.hop as f64 / self.rate;
        self.note_peak_db = (self.note_peak_db - drift_db).max(level_db);
        if self.fallen {
            self.low_db += drift_db;
            if level_db <= self.low_db + least_db - RISING_DB {
                self.low_at_s = now_s;
            }
            self.low_db = self.low_db.min(level_db);
            if level_db - self.low_db >= least_db {
                let from_s = self.low_at_s - LOWEST_S;
                let dip = self.looks.iter().filter(|look| look.0 >= from_s);
                let low_db = dip.fold((level_db, f64::INFINITY), |low, look| {
                    (low.0.min(look.1), low.1.min(look.2))
                });
                self.attack = Some(Attack {
                    low_db,
                    high_db: (f64::NEG_INFINITY, f64::NEG_INFINITY),
                    at_s: self.low_at_s,
                    rose_s: now_s,
                    silence_s: (self.low_at_s - self.fell_at_s).max(0.0),
                    fall_db: self.note_peak_db - self.low_db,
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

    /// Samples of the newest period (of the note that sounds).
    fn span(&self) -> usize {
        match self.note {
            Some(note) => {
                let period = self.rate / crate::convert::midi_to_hz(note.midi, 440.0);
                (period.round() as usize).max(self.span_min)
            }
            None => self.span_min.max(self.lag_max / 2),
        }
    }

    /// Mean power of the newest period, dB re full scale.
    fn level_db(&self, end: usize) -> f64 {
        let newest = &self.sound[end - self.span().min(end)..end];
        let power: f32 = newest.iter().map(|x| x * x).sum::<f32>() / newest.len() as f32;
        10.0 * (f64::from(power) + 1e-12).log10()
    }

    /// The same of its second difference, in which the upper partials prevail.
    fn upper_db(&self, end: usize) -> f64 {
        let newest = &self.sound[end - (self.span() + 2).min(end)..end];
        let second = |x: &[f32]| x[2] - 2.0 * x[1] + x[0];
        let power: f32 = newest.windows(3).map(|x| second(x).powi(2)).sum::<f32>();
        10.0 * (f64::from(power / newest.len().max(1) as f32) + 1e-12).log10()
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

/// Quality factors of the two halves of a Butterworth low-pass of fourth order.
const LOW_PASS_Q: [f64; 2] = [0.541_196, 1.306_563];

/// Second-order low-pass (R. Bristow-Johnson, "Cookbook formulae for audio equalizer biquad
/// filter coefficients").
struct LowPass {
    b: f32,
    a1: f32,
    a2: f32,
    x: (f32, f32),
    y: (f32, f32),
}

impl LowPass {
    fn new(cutoff_hz: f64, q: f64, rate: f64) -> LowPass {
        let w = std::f64::consts::TAU * cutoff_hz / rate;
        let alpha = w.sin() / (2.0 * q);
        let a0 = 1.0 + alpha;
        LowPass {
            b: ((1.0 - w.cos()) / 2.0 / a0) as f32,
            a1: (-2.0 * w.cos() / a0) as f32,
            a2: ((1.0 - alpha) / a0) as f32,
            x: (0.0, 0.0),
            y: (0.0, 0.0),
        }
    }

    fn next(&mut self, x: f32) -> f32 {
        let y = self.b * (x + 2.0 * self.x.0 + self.x.1) - self.a1 * self.y.0 - self.a2 * self.y.1;
        self.x = (x, self.x.0);
        self.y = (y, self.y.0);
        y
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

/// Probability that an attack of the pitch that sounds is a new note: `since_s` after the note
/// before, the level having fallen by `fall_db` from that note's peak and risen to `below_db`
/// under it.
fn again_probability(since_s: f64, fall_db: f64, below_db: f64) -> f64 {
    let [constant, since, fall, below] = AGAIN_LOG_ODDS;
    let log_odds = constant
        + since * ((since_s - SINCE_S) / SINCE_UNIT_S).clamp(-2.0, 2.0)
        + fall * fall_db.clamp(1.0, 60.0).ln()
        + below * below_db.clamp(0.0, 40.0);
    probability(log_odds)
}

pub(super) fn probability(log_odds: f64) -> f64 {
    1.0 / (1.0 + (-log_odds).exp())
}

/// True for two pitches of which one lies on a low harmonic of the other.
fn harmonic(a: f64, b: f64) -> bool {
    [12.0, 19.0, 24.0, 28.0]
        .iter()
        .any(|interval| ((a - b).abs() - interval).abs() < 0.7)
}

#[cfg(test)]
mod tests {
    use super::*;
    use std::f64::consts::TAU;

    use crate::sound::click::{Stress, burst_samples};
    use crate::sound::voice::{VoiceNote, VoiceOptions, render};

    const RATE_HZ: u32 = 48_000;

    /// What a B flat clarinet reaches.
    fn options() -> HearOptions {
        HearOptions {
            low_hz: 130.0,
            high_hz: 2000.0,
            raised_hz: 0.0,
        }
    }

    /// Notes begun and when each was said, with these pitches expected throughout.
    fn listen(sound: &[f32], expected: &[f64]) -> Vec<(f64, Begun)> {
        let mut quick = Quick::new(RATE_HZ, &options());
        let mut begun = Vec::new();
        let mut said = Vec::new();
        // Before the first note there is the room's noise.
        let quiet = &sound[..RATE_HZ as usize / 5];
        let power = quiet.iter().map(|x| x * x).sum::<f32>() / quiet.len() as f32;
        let noise_dbfs = 10.0 * (f64::from(power) + 1e-12).log10();
        for (k, block) in sound.chunks(256).enumerate() {
            begun.clear();
            quick.push(block, expected, noise_dbfs, &mut begun);
            let said_s = ((k + 1) * 256) as f64 / f64::from(RATE_HZ);
            said.extend(
                begun
                    .iter()
                    .filter(|b| !(b.weighed_again && b.again.is_none()))
                    .map(|b| (said_s, *b)),
            );
        }
        said
    }

    fn note(onset_s: f64, offset_s: f64, midi: f64, tongued: bool) -> VoiceNote {
        VoiceNote {
            onset_s,
            offset_s,
            midi,
            level_db: -4.0,
            tongued,
            blip: None,
        }
    }

    fn reed(notes: &[VoiceNote]) -> Vec<f32> {
        let seconds = notes.last().map_or(1.0, |n| n.offset_s) + 0.3;
        render(notes, RATE_HZ, seconds, &VoiceOptions::default())
    }

    /// From the lowest note of the clarinet (written E3, sounding D3) up, tongued and slurred:
    /// two periods, and room for the attack and the block.
    #[test]
    fn an_expected_note_is_said_within_forty_milliseconds() {
        let pitches = [50.0, 52.0, 57.0, 69.0, 76.0, 81.0, 74.0, 62.0, 50.0];
        for tongued in [true, false] {
            let notes: Vec<VoiceNote> = (0..pitches.len())
                .map(|k| {
                    let onset_s = 0.5 + 0.25 * k as f64;
                    let gap_s = if tongued { 0.035 } else { 0.0 };
                    note(
                        onset_s,
                        onset_s + 0.25 - gap_s,
                        pitches[k],
                        tongued || k == 0,
                    )
                })
                .collect();
            let said = listen(&reed(&notes), &pitches);
            for n in &notes {
                let found = said
                    .iter()
                    .find(|(s, b)| *s > n.onset_s && (b.midi - n.midi).abs() < 0.5);
                let after_s = found.map_or(f64::INFINITY, |(s, _)| s - n.onset_s);
                assert!(
                    after_s < 0.040,
                    "tongued {tongued}: {} said {:.0} ms after it began",
                    n.midi,
                    1e3 * after_s
                );
            }
        }
    }

    #[test]
    fn what_is_expected_is_not_heard_where_something_else_sounds() {
        let notes = [note(0.5, 0.9, 64.0, true), note(0.9, 1.3, 67.0, false)];
        let said = listen(&reed(&notes), &[65.0, 66.0, 76.0, 79.0]);
        let pitches: Vec<f64> = said.iter().map(|(_, b)| b.midi.round()).collect();
        assert_eq!(pitches, [64.0, 67.0]);
        assert!(said.iter().all(|(_, b)| !b.expected));
    }

    /// A soft sound before the tongue lets go is a hint of the note; as loud, it is one itself.
    #[test]
    fn a_hint_of_a_note_is_no_note() {
        for (level_db, is_hint) in [(-22.0, true), (-6.0, false)] {
            let before = VoiceNote {
                level_db,
                ..note(0.5, 0.6, 64.0, true)
            };
            let said = listen(&reed(&[before, note(0.64, 1.0, 64.0, true)]), &[64.0]);
            let (_, begun) = said
                .iter()
                .find(|(_, b)| b.onset_s > 0.6)
                .expect("the tongued note");
            assert_eq!(begun.revises, is_hint, "{said:?}");
            assert_eq!(begun.again.is_none(), is_hint, "{said:?}");
        }
    }

    /// Said at once because it was expected, it is said to have lasted later; a blip never is.
    #[test]
    fn an_expected_note_proves_itself() {
        let lasted = |length_s: f64| {
            let notes = [
                note(0.5, 0.9, 64.0, true),
                note(0.9, 0.9 + length_s, 67.0, false),
                note(0.9 + length_s, 1.5, 72.0, false),
            ];
            let mut quick = Quick::new(RATE_HZ, &options());
            let mut begun = Vec::new();
            quick.push(&reed(&notes), &[67.0], -80.0, &mut begun);
            let lasted = begun.iter().filter(|b| b.weighed_again);
            lasted.map(|b| b.midi.round()).collect::<Vec<_>>()
        };
        assert_eq!(lasted(0.2), [67.0]);
        assert!(lasted(0.025).is_empty());
    }

    #[test]
    fn a_note_tongued_again_is_a_note() {
        let notes: Vec<VoiceNote> = (0..4)
            .map(|k| {
                let onset_s = 0.5 + 0.2 * f64::from(k);
                note(onset_s, onset_s + 0.165, 60.0, true)
            })
            .collect();
        let said = listen(&reed(&notes), &[60.0]);
        let new: Vec<_> = said.iter().filter(|(_, b)| !b.weighed_again).collect();
        assert_eq!(new.len(), 4, "{said:?}");
        for ((_, begun), n) in new.into_iter().zip(&notes) {
            assert!((begun.onset_s - n.onset_s).abs() < 0.02, "{begun:?}");
        }
    }

    /// A semitone slurred down while the note before rings on, 12 dB softer: the two beat.
    #[test]
    fn a_beat_with_the_note_before_is_no_attack() {
        let mut sound = vec![0.0f32; 2 * RATE_HZ as usize];
        for (k, x) in sound.iter_mut().enumerate() {
            let t_s = k as f64 / f64::from(RATE_HZ);
            let tone = |hz: f64| (TAU * hz * t_s).sin() + 0.5 * (3.0 * TAU * hz * t_s).sin();
            let (old, new) = match t_s {
                0.5..0.8 => (0.2, 0.0),
                0.8..1.4 => (0.2 * 10f64.powf(-0.6 - (t_s - 0.8)), 0.2),
                _ => (0.0, 0.0),
            };
            *x = (old * tone(523.25) + new * tone(493.88)) as f32;
        }
        let said = listen(&sound, &[72.0, 71.0]);
        let pitches: Vec<f64> = said.iter().map(|(_, begun)| begun.midi.round()).collect();
        assert_eq!(pitches, [72.0, 71.0], "{said:?}");
    }

    /// The same dip twice: the upper partials come back with it, or stay down.
    #[test]
    fn an_attack_brings_the_upper_partials_back() {
        let attack = |upper_db: f64| Attack {
            at_s: 1.0,
            rose_s: 1.005,
            silence_s: 0.0,
            fall_db: 8.0,
            low_db: (-30.0, -50.0),
            high_db: (-24.0, -50.0 + upper_db),
        };
        let note = attack(18.0).risen_probability(-70.0);
        let ripple = attack(2.0).risen_probability(-70.0);
        assert!(note > 0.8, "{note}");
        assert!(ripple < AGAIN, "{ripple}");
    }

    #[test]
    fn a_click_is_no_note_and_cuts_none() {
        let mut sound = reed(&[note(0.5, 3.5, 60.0, true)]);
        let burst = burst_samples(RATE_HZ, Stress::Bar);
        for k in 0..6 {
            let at = (0.25 + 0.5 * f64::from(k)) * f64::from(RATE_HZ);
            for (x, b) in sound[at as usize..].iter_mut().zip(&burst) {
                *x += 0.2 * b;
            }
        }
        let said = listen(&sound, &[60.0]);
        assert_eq!(said.len(), 1, "{said:?}");
    }
}
