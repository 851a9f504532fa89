//! What stands between player and recording: rooms, noise, a click, a bad recorder.

use passagework::sound::voice::Rng;
use rustfft::{FftPlanner, num_complex::Complex};
use std::path::Path;

/// Root mean square of the loudest half of the take, in 20 ms pieces: the player's level.
pub fn player_rms(samples: &[f32], rate: u32) -> f32 {
    let mut levels: Vec<f32> = samples
        .chunks((rate / 50) as usize)
        .map(|c| (c.iter().map(|s| s * s).sum::<f32>() / c.len() as f32).sqrt())
        .collect();
    levels.sort_by(|a, b| b.total_cmp(a));
    let half = (levels.len() / 2).max(1);
    levels[..half].iter().sum::<f32>() / half as f32
}

#[derive(Clone, Copy, Debug)]
pub enum Noise {
    White,
    Pink,
    Hum,
}

/// Adds noise `snr_db` below the player's level.
pub fn add_noise(samples: &mut [f32], rate: u32, noise: Noise, snr_db: f64, rng: &mut Rng) {
    let made: Vec<f32> = match noise {
        Noise::White => samples.iter().map(|_| rng.bipolar()).collect(),
        Noise::Pink => {
            // Voss and McCartney: sixteen generators, each held twice as long as the one before.
            let mut held = [0.0f32; 16];
            (0..samples.len())
                .map(|i| {
                    let which = (i as u32 + 1).trailing_zeros().min(15) as usize;
                    held[which] = rng.bipolar();
                    held.iter().sum::<f32>() + rng.bipolar()
                })
                .collect()
        }
        Noise::Hum => {
            let mains_hz = if rng.chance(0.5) { 50.0 } else { 60.0 };
            let gains: Vec<f32> = (1..12).map(|h| rng.unit() as f32 / h as f32).collect();
            (0..samples.len())
                .map(|i| {
                    let turn = std::f32::consts::TAU
                        * ((i as f64 * mains_hz / rate as f64).fract()) as f32;
                    gains
                        .iter()
                        .enumerate()
                        .map(|(h, g)| g * (turn * (h + 1) as f32).sin())
                        .sum::<f32>()
                        + 0.1 * rng.bipolar()
                })
                .collect()
        }
    };
    let rms =
        (made.iter().map(|s| (s * s) as f64).sum::<f64>() / made.len().max(1) as f64).sqrt() as f32;
    let gain = player_rms(samples, rate) * 10f32.powf(-snr_db as f32 / 20.0) / rms.max(1e-9);
    for (sample, noise) in samples.iter_mut().zip(&made) {
        *sample += gain * noise;
    }
}

/// A made room: direct sound, some early reflections, exponential decay of `rt60_s`. `wet_db` is the
/// power of a tone's ringing over the direct one, low down where partials lie; treble rings less.
pub fn made_room(rate: u32, rt60_s: f64, wet_db: f64, rng: &mut Rng) -> Vec<f32> {
    let n = (rt60_s * rate as f64) as usize;
    let mut response = vec![0.0f32; n.max(1)];
    let predelay = (rng.between(0.002, 0.015) * rate as f64) as usize;
    let (mut low, mut power) = (0.0f32, 0.0f32);
    for (i, tap) in response.iter_mut().enumerate().skip(predelay) {
        // 60 dB in rt60: e^(-6.91 t / rt60).
        let decay = (-6.91 * i as f64 / n as f64).exp() as f32;
        let white = rng.bipolar();
        // Unity gain for low tones, whose share of the power is that of the white noise.
        low += 0.5 * (white - low);
        power += (decay * white).powi(2);
        *tap = decay * low;
    }
    let gain = 10f32.powf(wet_db as f32 / 20.0) / power.sqrt().max(1e-9);
    response.iter_mut().for_each(|s| *s *= gain);
    for _ in 0..4 {
        let at = (rng.between(0.003, 0.03) * rate as f64) as usize;
        if let Some(tap) = response.get_mut(at) {
            *tap += rng.between(-0.3, 0.3) as f32;
        }
    }
    response[0] = 1.0;
    response
}

/// A measured room (first channel), begun at its direct sound so that times hold.
pub fn measured_room(path: &Path, rate: u32) -> Result<Vec<f32>, String> {
    let mut reader =
        hound::WavReader::open(path).map_err(|e| format!("{}: {e}", path.display()))?;
    let spec = reader.spec();
    let channels = spec.channels as usize;
    let scale = (1i64 << (spec.bits_per_sample - 1)) as f32;
    let first: Vec<f32> = reader
        .samples::<i32>()
        .step_by(channels)
        .filter_map(|s| s.ok())
        .map(|s| s as f32 / scale)
        .collect();
    let response = crate::sampled::resample(&first, spec.sample_rate as f64 / rate as f64);
    let peak = response.iter().fold(1e-9f32, |p, s| p.max(s.abs()));
    let start = response
        .iter()
        .position(|s| s.abs() > 0.5 * peak)
        .unwrap_or(0);
    Ok(response[start..]
        .iter()
        .take(2 * rate as usize)
        .map(|s| s / peak)
        .collect())
}

/// `samples` in a room, by FFT over the whole take; same length, level kept.
pub fn convolve(samples: &[f32], response: &[f32]) -> Vec<f32> {
    let n = (samples.len() + response.len()).next_power_of_two();
    let mut planner = FftPlanner::<f32>::new();
    let (forward, inverse) = (planner.plan_fft_forward(n), planner.plan_fft_inverse(n));
    let spectrum = |values: &[f32]| {
        let mut buffer: Vec<Complex<f32>> = values.iter().map(|v| Complex::new(*v, 0.0)).collect();
        buffer.resize(n, Complex::default());
        forward.process(&mut buffer);
        buffer
    };
    let mut product: Vec<Complex<f32>> = spectrum(samples)
        .into_iter()
        .zip(spectrum(response))
        .map(|(a, b)| a * b)
        .collect();
    inverse.process(&mut product);
    let wet: Vec<f32> = product[..samples.len()]
        .iter()
        .map(|c| c.re / n as f32)
        .collect();
    let peak = wet.iter().fold(1e-9f32, |p, s| p.max(s.abs()));
    let dry_peak = samples.iter().fold(1e-9f32, |p, s| p.max(s.abs()));
    wet.iter().map(|s| s * dry_peak / peak).collect()
}

/// The sound of a click.
#[derive(Clone, Copy, Debug)]
pub enum Tick {
    /// A short sine burst.
    Beep { hz: f64, length_s: f64 },
    /// A knock as of wood: a fast dying resonance with noise.
    Wood { hz: f64 },
    /// A burst of noise.
    Burst { length_s: f64 },
}

impl Tick {
    pub fn any(rng: &mut Rng) -> Tick {
        let hz = rng.between(800.0, 4000.0);
        if rng.chance(0.5) {
            Tick::Beep {
                hz,
                length_s: rng.between(0.008, 0.05),
            }
        } else {
            Tick::Wood { hz }
        }
    }
}

impl Tick {
    /// The same with low and very short ones, as mechanical metronomes and phones make.
    pub fn any_at_all(rng: &mut Rng) -> Tick {
        match rng.below(4) {
            0 => Tick::Beep {
                hz: rng.between(350.0, 1000.0),
                length_s: rng.between(0.012, 0.05),
            },
            1 => Tick::Burst {
                length_s: rng.between(0.001, 0.006),
            },
            _ => Tick::any(rng),
        }
    }
}

/// Adds a tick at each of `beats_s`, `level_db` relative to the player's level; the first of a bar higher.
pub fn add_click(
    samples: &mut [f32],
    rate: u32,
    beats_s: &[f64],
    beats_in_bar: usize,
    tick: Tick,
    level_db: f64,
    rng: &mut Rng,
) {
    // Peak of a sine at the player's level.
    let gain = 1.414 * player_rms(samples, rate) * 10f32.powf(level_db as f32 / 20.0);
    for (beat, at_s) in beats_s.iter().enumerate() {
        let accent = if beat % beats_in_bar.max(1) == 0 {
            1.5
        } else {
            1.0
        };
        let begin = (at_s * rate as f64).max(0.0) as usize;
        let length = (0.08 * rate as f64) as usize;
        for (i, sample) in samples.iter_mut().skip(begin).take(length).enumerate() {
            let t_s = i as f64 / rate as f64;
            let value = match tick {
                Tick::Beep { hz, length_s } => {
                    if t_s > length_s {
                        break;
                    }
                    let edge = (t_s / 0.001).min((length_s - t_s) / 0.001).min(1.0);
                    edge * (std::f64::consts::TAU * hz * accent * t_s).sin()
                }
                Tick::Wood { hz } => {
                    let decay = (-t_s / 0.006).exp();
                    decay * (std::f64::consts::TAU * hz * accent * t_s).sin()
                        + 0.3 * (-t_s / 0.002).exp() * rng.bipolar() as f64
                }
                Tick::Burst { length_s } => {
                    if t_s > length_s {
                        break;
                    }
                    // The same noise each time, as a metronome plays one recording.
                    let mut same = Rng::new(7 + (i as u64) * (1 + u64::from(accent > 1.0)));
                    accent * same.bipolar() as f64
                }
            };
            *sample += gain * value as f32;
        }
    }
}

/// Steep lowpass as of a lossy codec: four one-pole pairs.
pub fn lowpass(samples: &mut [f32], rate: u32, cutoff_hz: f64) {
    let pole = (-std::f64::consts::TAU * cutoff_hz / rate as f64).exp() as f32;
    for _ in 0..4 {
        let mut state = 0.0f32;
        for sample in samples.iter_mut() {
            state += (1.0 - pole) * (*sample - state);
            *sample = state;
        }
    }
}

/// Automatic gain: pulls the level towards one value within half a second up, 20 ms down.
pub fn automatic_gain(samples: &mut [f32], rate: u32) {
    let target = 0.1f32;
    let mut level = target;
    let (down, up) = (1.0 / (0.02 * rate as f32), 1.0 / (0.5 * rate as f32));
    for sample in samples {
        let size = sample.abs() * 1.5;
        level += (size - level) * if size > level { down } else { up };
        *sample = (*sample * (target / level.max(0.004)).powf(0.7)).clamp(-1.0, 1.0);
    }
}

/// Noise suppression: what lies `below_db` under the player's level for longer than `hold_s`
/// is taken down by `depth_db`.
pub fn suppress_noise(samples: &mut [f32], rate: u32, below_db: f64, hold_s: f64, depth_db: f64) {
    let threshold = player_rms(samples, rate) * 10f32.powf(-below_db as f32 / 20.0);
    let shut = 10f32.powf(-depth_db as f32 / 20.0);
    let (hold, follow) = ((hold_s * rate as f64) as usize, 1.0 / (0.005 * rate as f32));
    let (mut power, mut since, mut gain) = (0.0f32, hold, shut);
    for sample in samples {
        power += (*sample * *sample - power) * follow;
        since = if power.sqrt() > threshold {
            0
        } else {
            since + 1
        };
        gain += (if since < hold { 1.0 } else { shut } - gain) * follow;
        *sample *= gain;
    }
}

/// Speech-like noise: bursts of filtered noise and gliding buzz at syllable pace.
pub fn add_talk(samples: &mut [f32], rate: u32, from_s: f64, to_s: f64, level: f32, rng: &mut Rng) {
    let mut t_s = from_s;
    while t_s < to_s {
        let length_s = rng.between(0.06, 0.22);
        let voiced = rng.chance(0.65);
        let (start_hz, end_hz) = (rng.between(95.0, 240.0), rng.between(85.0, 260.0));
        let formant_hz = rng.between(350.0, 2200.0);
        let mut state = (0.0f32, 0.0f32);
        let tuning = (2.0 * (std::f64::consts::PI * formant_hz / rate as f64).sin()) as f32;
        let mut phase = 0.0f64;
        let begin = (t_s * rate as f64) as usize;
        let n = (length_s * rate as f64) as usize;
        for (i, sample) in samples.iter_mut().skip(begin).take(n).enumerate() {
            let x = i as f64 / n as f64;
            phase += (start_hz + (end_hz - start_hz) * x) / rate as f64;
            let source = if voiced {
                1.0 - 2.0 * phase.fract() as f32
            } else {
                0.7 * rng.bipolar()
            };
            state.0 += tuning * state.1;
            let high = source - state.0 - 0.5 * state.1;
            state.1 += tuning * high;
            let edge = (std::f64::consts::PI * x).sin() as f32;
            *sample += level * edge * (state.1 + 0.2 * source);
        }
        t_s += length_s + rng.between(0.01, 0.12);
    }
}
