//! The built-in reed voice: notes with exact times in, a mono sound out.
//!
//! Made for the demo and for measuring: the first moment of every note is known to
//! the sample. Harmonics are added up; pitch and level follow the laws below.
//! - Slurred: at `onset_s` the pitch leaves the old note, reaches the new one within
//!   2 to 10 ms without a break of phase, and the old resonance rings on briefly.
//!   A change of several fingers may touch a pitch in between (`blip`) for 10 to 30 ms
//!   (Almeida, Chow, Smith and Wolfe, JASA 126, 2009).
//! - Tongued: the tongue stops the old note before (the caller sets its `offset_s`;
//!   34.5 ms on average, Hofmann et al., ICMPC 2012), and at `onset_s` the level leaves
//!   the floor, rising within 5 to 40 ms, low notes and soft notes slower.
//! - A wandering of the pitch by some cents, breath noise with the level, key noise.

mod rng;
mod timbre;

pub use rng::Rng;
pub use timbre::Timbre;

use crate::convert::midi_to_hz;

/// One note to be sounded. A slurred note begins where the note before it ends.
#[derive(Clone, Debug, PartialEq)]
pub struct VoiceNote {
    pub onset_s: f64,
    /// Where the tone is stopped by the tongue or the breath; for a note slurred into the next, its onset.
    pub offset_s: f64,
    /// Fractional sounding MIDI number at A4 = 440 Hz.
    pub midi: f64,
    /// Relative to the voice's full level, dB; 0 or below.
    pub level_db: f64,
    /// False only where the sound goes on from the note before.
    pub tongued: bool,
    /// A pitch touched on the way from the note before; slurred notes only.
    pub blip: Option<Blip>,
}

/// A pitch touched between two slurred notes because the fingers do not move as one.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Blip {
    pub midi: f64,
    pub duration_s: f64,
}

/// How the voice sounds; `seed` fixes every random part.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct VoiceOptions {
    pub timbre: Timbre,
    pub seed: u64,
    /// Amplitude of the sine as strong as a note at 0 dB, share of full scale; peaks reach some 2.5 times it.
    pub amplitude: f32,
    /// Standard deviation of the pitch's wandering, cents.
    pub jitter_cents: f64,
    /// Breath noise below the tone, dB.
    pub breath_db: f64,
    /// Noise of the keys below full level, dB.
    pub keys_db: f64,
    /// Noise that is always there below full scale, dB.
    pub floor_dbfs: f64,
    /// Shortest and longest way from one slurred pitch to the next, seconds.
    pub glide_s: (f64, f64),
}

impl Default for VoiceOptions {
    fn default() -> Self {
        VoiceOptions {
            timbre: Timbre::Clarinet,
            seed: 1,
            amplitude: 0.3,
            jitter_cents: 2.0,
            breath_db: -44.0,
            keys_db: -48.0,
            floor_dbfs: -72.0,
            glide_s: (0.002, 0.010),
        }
    }
}

/// Pitch, level and spectrum are steered once in so many samples and run straight in between.
const CONTROL_SAMPLES: usize = 16;
const N_HARMONICS_MAX: usize = 40;
/// How fast a stopped reed dies away, seconds to 1/e; about 5 ms to be gone.
const STOP_TAU_S: f64 = 0.0018;
/// A tone ended by the breath fades slower, seconds to 1/e.
const RELEASE_TAU_S: f64 = 0.012;
/// Notes nearer to each other than this are parted by the tongue, seconds.
const TONGUE_GAP_MAX_S: f64 = 0.08;
/// Share of the old note that rings on at a slurred change, and its decay to 1/e, seconds.
const RING_SHARE: (f64, f64) = (0.1, 0.35);
const RING_TAU_S: (f64, f64) = (0.003, 0.008);
/// Wider slurred steps than this go through another register and dip on the way, semitones.
const DIP_FROM_SEMITONES: f64 = 6.5;

/// Renders `notes` (in order of onset) into `duration_s` seconds of mono sound.
///
/// Nothing but noise before the first onset. Allocates the result only.
pub fn render(
    notes: &[VoiceNote],
    sample_rate_hz: u32,
    duration_s: f64,
    options: &VoiceOptions,
) -> Vec<f32> {
    let rate = sample_rate_hz as f64;
    let n_samples = (duration_s.max(0.0) * rate) as usize;
    let mut out = vec![0.0f32; n_samples];
    let mut rng = Rng::new(options.seed ^ 0x5EED_0F4E_ED00);

    // A breath is a chain of slurred notes; each begins with a tongued one.
    let mut first = 0;
    while first < notes.len() {
        let mut end = first + 1;
        while end < notes.len() && !notes[end].tongued {
            end += 1;
        }
        let stopped_by_tongue = notes
            .get(end)
            .is_some_and(|next| next.onset_s - notes[end - 1].offset_s < TONGUE_GAP_MAX_S);
        Breath::new(
            &notes[first..end],
            rate,
            stopped_by_tongue,
            options,
            &mut rng,
        )
        .add_to(&mut out, &mut rng);
        first = end;
    }
    add_floor(&mut out, options, &mut rng);
    out
}

/// A straight or curved way of the pitch: from `from_midi` at `start_s` to `to_midi` at `end_s`.
#[derive(Clone, Copy, Debug)]
struct Leg {
    start_s: f64,
    end_s: f64,
    from_midi: f64,
    to_midi: f64,
    /// How far the level dips half way, 0 to 1.
    dip: f64,
}

/// The old pitch ringing on after a slurred change.
#[derive(Clone, Copy, Debug)]
struct Ring {
    start_s: f64,
    midi: f64,
    share: f64,
    tau_s: f64,
}

struct Breath<'a> {
    notes: &'a [VoiceNote],
    rate: f64,
    legs: Vec<Leg>,
    rings: Vec<Ring>,
    attack_s: f64,
    attack_shape: f64,
    stop_tau_s: f64,
    options: &'a VoiceOptions,
}

impl<'a> Breath<'a> {
    fn new(
        notes: &'a [VoiceNote],
        rate: f64,
        stopped_by_tongue: bool,
        options: &'a VoiceOptions,
        rng: &mut Rng,
    ) -> Self {
        let first = &notes[0];
        // Low and soft notes speak slower: 5 ms high and loud, up to 40 ms low and soft.
        let lowness = ((70.0 - first.midi) / 20.0).clamp(0.0, 1.0);
        let softness = (-first.level_db / 20.0).clamp(0.0, 1.0);
        let attack_s = 0.005 + 0.035 * (0.5 * lowness + 0.3 * softness + 0.2 * rng.unit());
        let length_s = notes[notes.len() - 1].offset_s - first.onset_s;
        let mut legs = Vec::new();
        let mut rings = Vec::new();
        for pair in notes.windows(2) {
            let (old, new) = (&pair[0], &pair[1]);
            let mut from_midi = old.midi;
            let mut start_s = new.onset_s;
            let mut stops = Vec::new();
            if let Some(blip) = new.blip {
                stops.push((blip.midi, blip.duration_s));
            }
            stops.push((new.midi, new.offset_s - new.onset_s));
            for (to_midi, stay_s) in stops {
                let way_s = rng
                    .between(options.glide_s.0, options.glide_s.1)
                    .min(0.35 * stay_s);
                let wide = (to_midi - from_midi).abs() > DIP_FROM_SEMITONES;
                let dip = if wide {
                    rng.between(0.1, 0.6)
                } else {
                    rng.between(0.0, 0.12)
                };
                legs.push(Leg {
                    start_s,
                    end_s: start_s + way_s,
                    from_midi,
                    to_midi,
                    dip,
                });
                rings.push(Ring {
                    start_s,
                    midi: from_midi,
                    share: rng.between(RING_SHARE.0, RING_SHARE.1),
                    tau_s: rng.between(RING_TAU_S.0, RING_TAU_S.1),
                });
                from_midi = to_midi;
                start_s += stay_s;
            }
        }
        Breath {
            notes,
            rate,
            legs,
            rings,
            attack_s: attack_s.min(0.4 * length_s),
            attack_shape: rng.between(1.0, 2.0),
            stop_tau_s: if stopped_by_tongue {
                STOP_TAU_S
            } else {
                RELEASE_TAU_S
            },
            options,
        }
    }

    /// Pitch and dip factor at `t_s`.
    fn pitch_at(&self, t_s: f64, leg_idx: &mut usize) -> (f64, f64) {
        while *leg_idx < self.legs.len() && t_s >= self.legs[*leg_idx].end_s {
            *leg_idx += 1;
        }
        match self.legs.get(*leg_idx) {
            Some(leg) if t_s >= leg.start_s => {
                let x = (t_s - leg.start_s) / (leg.end_s - leg.start_s);
                let way = 0.5 - 0.5 * (std::f64::consts::PI * x).cos();
                let dip = 1.0 - leg.dip * (std::f64::consts::PI * x).sin();
                (leg.from_midi + (leg.to_midi - leg.from_midi) * way, dip)
            }
            Some(leg) => (leg.from_midi, 1.0),
            None => (self.notes[self.notes.len() - 1].midi, 1.0),
        }
    }

    /// Level in dB at `t_s`: each note's own, moving over within some 15 ms of a change.
    fn level_at(&self, t_s: f64, note_idx: &mut usize) -> f64 {
        while *note_idx + 1 < self.notes.len() && t_s >= self.notes[*note_idx + 1].onset_s {
            *note_idx += 1;
        }
        let note = &self.notes[*note_idx];
        if *note_idx == 0 {
            return note.level_db;
        }
        let share = ((t_s - note.onset_s) / 0.015).clamp(0.0, 1.0);
        let old_db = self.notes[*note_idx - 1].level_db;
        old_db + (note.level_db - old_db) * share
    }

    fn envelope_at(&self, t_s: f64, onset_s: f64, offset_s: f64) -> f64 {
        let since_s = t_s - onset_s;
        if since_s < 0.0 {
            return 0.0;
        }
        let rise = if since_s < self.attack_s {
            let x = since_s / self.attack_s;
            (0.5 - 0.5 * (std::f64::consts::PI * x).cos()).powf(0.5 * self.attack_shape)
        } else {
            1.0
        };
        let fall = if t_s > offset_s {
            (-(t_s - offset_s) / self.stop_tau_s).exp()
        } else {
            1.0
        };
        rise * fall
    }

    fn add_to(&self, out: &mut [f32], rng: &mut Rng) {
        let rate = self.rate;
        let onset_s = self.notes[0].onset_s;
        let offset_s = self.notes[self.notes.len() - 1].offset_s;
        let begin = ((onset_s * rate).ceil().max(0.0) as usize).min(out.len());
        let end = (((offset_s + 7.0 * self.stop_tau_s) * rate) as usize).min(out.len());
        if begin >= end {
            return;
        }

        let full = self.options.amplitude as f64;
        let breath_gain = 3.0 * 10f64.powf(self.options.breath_db / 20.0);
        let mut breath = Bandpass::new(1200.0, rate);
        let mut wander = Wander::default();
        let mut tone = Oscillator::new(rng.unit());
        let mut ringing: Vec<(Ring, Oscillator)> = Vec::new();
        let (mut leg_idx, mut note_idx, mut ring_idx) = (0, 0, 0);
        let mut midi = self.notes[0].midi;
        let mut knocks = vec![begin];

        let mut at = begin;
        while at < end {
            let block_end = (at + CONTROL_SAMPLES).min(end);
            let (t_s, block_end_s) = (at as f64 / rate, block_end as f64 / rate);
            let wander_semitones = wander.step(self.options.jitter_cents, rng) / 100.0;
            let level_db = self.level_at(t_s, &mut note_idx);
            let rise = self.envelope_at(t_s, onset_s, f64::MAX);
            // Upper harmonics come in after the fundamental.
            let brightness = (1.0 + level_db / 30.0).clamp(0.0, 1.0) * (0.3 + 0.7 * rise);
            tone.steer(self.options.timbre, midi, brightness, rate);
            // A ring has the tone's own phase and pitch until its moment comes, so that
            // splitting it off at the block's start changes nothing before that.
            while ring_idx < self.rings.len() && self.rings[ring_idx].start_s < block_end_s {
                ringing.push((self.rings[ring_idx], tone.settled()));
                knocks.push(at);
                ring_idx += 1;
            }
            ringing.retain(|(ring, _)| t_s - ring.start_s < 6.0 * ring.tau_s);
            let gain = full * 10f64.powf(level_db / 20.0);
            for (index, sample) in out[at..block_end].iter_mut().enumerate() {
                let t_s = (at + index) as f64 / rate;
                let (pitch, dip) = self.pitch_at(t_s, &mut leg_idx);
                midi = pitch;
                let own = tone.next(midi_to_hz(midi + wander_semitones, 440.0) / rate) * dip;
                let mut value = own;
                for (ring, oscillator) in &mut ringing {
                    let since_s = (t_s - ring.start_s).max(0.0);
                    let share = ring.share * (-since_s / ring.tau_s).exp();
                    let hz = midi_to_hz(ring.midi + wander_semitones, 440.0);
                    value += share * (oscillator.next(hz / rate) - own);
                }
                value += breath_gain * breath.next(rng.bipolar() as f64);
                *sample += (gain * self.envelope_at(t_s, onset_s, offset_s) * value) as f32;
            }
            at = block_end;
        }
        for knock in knocks {
            self.add_key_noise(out, knock, rng);
        }
    }

    /// A short knock of pads and rings.
    fn add_key_noise(&self, out: &mut [f32], at: usize, rng: &mut Rng) {
        let level_db = self.options.keys_db + 4.0 * rng.normal();
        let gain = 3.0 * self.options.amplitude as f64 * 10f64.powf(level_db / 20.0);
        let mut body = Bandpass::new(rng.between(500.0, 2500.0), self.rate);
        let length = (0.008 * self.rate) as usize;
        for (index, sample) in out.iter_mut().skip(at).take(length).enumerate() {
            let decay = (-(index as f64) / (0.0015 * self.rate)).exp();
            *sample += (gain * decay * body.next(rng.bipolar() as f64)) as f32;
        }
    }
}

/// Room and microphone noise, falling towards the treble.
fn add_floor(out: &mut [f32], options: &VoiceOptions, rng: &mut Rng) {
    let gain = 10f32.powf(options.floor_dbfs as f32 / 20.0) * 3.0;
    let mut low = 0.0f32;
    for sample in out {
        low += 0.2 * (rng.bipolar() - low);
        *sample += gain * low;
    }
}

/// Harmonics of one phase, summed by sin((k+1)x) = 2 cos x sin kx − sin((k−1)x).
#[derive(Clone, Debug)]
struct Oscillator {
    phase_cycles: f64,
    amplitudes: [f64; N_HARMONICS_MAX],
    steps: [f64; N_HARMONICS_MAX],
    steps_left: usize,
    n_harmonics: usize,
    steered: Option<(f64, f64)>,
}

impl Oscillator {
    fn new(phase_cycles: f64) -> Self {
        Oscillator {
            phase_cycles,
            amplitudes: [0.0; N_HARMONICS_MAX],
            steps: [0.0; N_HARMONICS_MAX],
            steps_left: 0,
            n_harmonics: 0,
            steered: None,
        }
    }

    /// Moves the spectrum towards that of `midi` within four control blocks.
    fn steer(&mut self, timbre: Timbre, midi: f64, brightness: f64, rate: f64) {
        const RAMP_SAMPLES: usize = 4 * CONTROL_SAMPLES;
        const HARMONICS_END_HZ: f64 = 9000.0;
        if let Some((old_midi, old_brightness)) = self.steered
            && (midi - old_midi).abs() < 0.05
            && (brightness - old_brightness).abs() < 0.02
        {
            return;
        }
        let f0_hz = midi_to_hz(midi, 440.0);
        let top_hz = HARMONICS_END_HZ.min(0.45 * rate);
        let n_wanted = ((top_hz / f0_hz) as usize).clamp(1, N_HARMONICS_MAX);
        let mut wanted = [0.0; N_HARMONICS_MAX];
        for (index, amplitude) in wanted[..n_wanted].iter_mut().enumerate() {
            *amplitude = timbre.harmonic(index + 1, f0_hz, midi, brightness);
        }
        let power: f64 = wanted.iter().map(|a| a * a).sum();
        let first_time = self.steered.is_none();
        for (index, amplitude) in wanted.iter().enumerate() {
            let amplitude = amplitude / power.sqrt().max(1e-9);
            if first_time {
                self.amplitudes[index] = amplitude;
            }
            self.steps[index] = (amplitude - self.amplitudes[index]) / RAMP_SAMPLES as f64;
        }
        self.n_harmonics = if first_time {
            n_wanted
        } else {
            self.n_harmonics.max(n_wanted)
        };
        self.steps_left = RAMP_SAMPLES;
        self.steered = Some((midi, brightness));
    }

    /// The same oscillator with its spectrum held as it is.
    fn settled(&self) -> Self {
        Oscillator {
            steps_left: 0,
            ..self.clone()
        }
    }

    fn next(&mut self, cycles_per_sample: f64) -> f64 {
        self.phase_cycles = (self.phase_cycles + cycles_per_sample).fract();
        let (sin, cos) = (std::f64::consts::TAU * self.phase_cycles).sin_cos();
        let (mut before, mut now) = (0.0, sin);
        let mut sum = 0.0;
        for amplitude in &self.amplitudes[..self.n_harmonics] {
            sum += amplitude * now;
            (before, now) = (now, 2.0 * cos * now - before);
        }
        if self.steps_left > 0 {
            self.steps_left -= 1;
            for (amplitude, step) in self.amplitudes.iter_mut().zip(&self.steps) {
                *amplitude += step;
            }
        }
        sum
    }
}

/// A slow random walk pulled back to zero: how a held pitch wanders.
#[derive(Clone, Debug, Default)]
struct Wander(f64);

impl Wander {
    /// One control block on; the standard deviation settles at `sd`.
    fn step(&mut self, sd: f64, rng: &mut Rng) -> f64 {
        const KEPT: f64 = 0.99;
        self.0 = KEPT * self.0 + (1.0 - KEPT * KEPT).sqrt() * sd * rng.normal();
        self.0
    }
}

/// A resonance one octave wide (Chamberlin's state-variable filter).
#[derive(Clone, Debug)]
struct Bandpass {
    tuning: f64,
    low: f64,
    band: f64,
}

impl Bandpass {
    fn new(centre_hz: f64, rate: f64) -> Self {
        Bandpass {
            tuning: 2.0 * (std::f64::consts::PI * (centre_hz / rate).min(0.16)).sin(),
            low: 0.0,
            band: 0.0,
        }
    }

    fn next(&mut self, sample: f64) -> f64 {
        self.low += self.tuning * self.band;
        let high = sample - self.low - self.band;
        self.band += self.tuning * high;
        self.band
    }
}
