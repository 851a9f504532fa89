//! How long a click takes from the loudspeaker to the microphone: measured once for a pair of
//! devices, remembered, and taken off the distance of notes from the click.
//!
//! The stamps of the two streams leave out what converters and air add; a click that comes back
//! through the room tells the rest.

use std::collections::BTreeMap;
use std::path::{Path, PathBuf};
use std::time::{Duration, Instant};

use serde::{Deserialize, Serialize};

use super::clock::StreamClock;
use crate::judge::stats::{median, robust_sd};
use crate::sound::capture::Came;
use crate::sound::click::{Beats, ClickPlayer, Stress, burst_samples};
use crate::sound::device::{DeviceError, Loudspeaker, Microphone};

/// Clicks played, and their distance, seconds.
const CLICKS: u64 = 12;
const EVERY_S: f64 = 0.4;

/// The first click comes after this; what a stream does in its first second is not its habit.
const FIRST_S: f64 = 1.5;

/// Longest round trip looked for, and how much before its stamp a click may seem to come
/// (stamps jitter), seconds.
const LONGEST_S: f64 = 0.35;
const EARLY_S: f64 = 0.01;

/// A click has to stand out from the rest of its span by this ratio of correlations.
const STANDS_OUT: f32 = 6.0;

/// Clicks that have to be found.
const FOUND_MIN: usize = 6;

/// Spread beyond which the figure is no figure, seconds.
const SPREAD_MAX_S: f64 = 0.005;

/// What was measured for one pair.
#[derive(Clone, Copy, Debug, PartialEq, Serialize, Deserialize)]
pub struct Latency {
    pub median_ms: f64,
    pub spread_ms: f64,
    pub clicks: usize,
}

#[derive(Debug, thiserror::Error)]
pub enum LatencyError {
    #[error(transparent)]
    Device(#[from] DeviceError),
    #[error(
        "only {found} of {played} clicks came back: take headphones off the jack, bring the microphone nearer to the loudspeaker, turn it up a little, and make no other sound"
    )]
    NotHeard { found: usize, played: u64 },
    #[error(
        "the clicks came back between {low_ms:.0} and {high_ms:.0} ms, too far apart for a figure: close other programs and try again"
    )]
    Scattered { low_ms: f64, high_ms: f64 },
}

struct Even;

impl Beats for Even {
    fn click(&self, number: u64) -> Option<(f64, Stress)> {
        (number < CLICKS).then_some((number as f64 * EVERY_S, Stress::Bar))
    }
}

/// Plays clicks and listens for them; takes about seven seconds.
pub fn measure(
    input: Option<&str>,
    output: Option<&str>,
    gain: f32,
) -> Result<(String, String, Latency), LatencyError> {
    let mut microphone = Microphone::open(input)?;
    let rate = std::cell::Cell::new(0u32);
    let mut speaker = Loudspeaker::open(output, |rate_hz| {
        rate.set(rate_hz);
        let first = (FIRST_S * f64::from(rate_hz)) as u64;
        let mut player = ClickPlayer::new(Even, rate_hz, first, gain);
        Box::new(move |first, mono: &mut [f32]| player.fill(first, mono))
    })?;
    let before_ns = microphone.now_ns() as f64;
    let speaker_ns = speaker.now_ns() as f64;
    let after_ns = microphone.now_ns() as f64;
    let apart_s = 1e-9 * (speaker_ns - 0.5 * (before_ns + after_ns));
    let microphone_hz = microphone.sample_rate_hz();
    let n_channels = microphone.reader().n_channels();
    let mut heard = StreamClock::new(microphone_hz);
    let mut played = StreamClock::new(rate.get());
    let mut due_s = Vec::new();
    let (mut sound, mut piece) = (Vec::new(), Vec::new());
    let begun = Instant::now();
    let long_s = FIRST_S + CLICKS as f64 * EVERY_S + LONGEST_S + 0.5;
    while begun.elapsed().as_secs_f64() < long_s {
        while let Some(stamp) = microphone.reader().stamp() {
            heard.push(stamp);
        }
        while let Some(stamp) = speaker.stamp() {
            played.push(stamp);
        }
        match microphone.reader().next(1024, &mut piece) {
            Came::Sound => sound.extend(
                piece
                    .chunks_exact(n_channels)
                    .map(|frame| frame.iter().sum::<f32>()),
            ),
            Came::Gap(frames) => sound.resize(sound.len() + frames as usize, 0.0),
            Came::Nothing => {
                if let Some(fault) = microphone.fault(0.0).or_else(|| speaker.fault()) {
                    return Err(fault.into());
                }
                std::thread::sleep(Duration::from_millis(5));
            }
        }
        // Each click by the clocks as they stand when it sounds.
        let next = FIRST_S + due_s.len() as f64 * EVERY_S;
        if (due_s.len() as u64) < CLICKS
            && begun.elapsed().as_secs_f64() > next
            && let Some(clock_s) = played.time_of_s(next * f64::from(rate.get()))
            && let Some(frame) = heard.frame_at(clock_s - apart_s)
        {
            due_s.push(frame / f64::from(microphone_hz));
        }
    }
    let latency = from_sound(&sound, microphone_hz, &due_s)?;
    Ok((
        microphone.name().to_string(),
        speaker.name().to_string(),
        latency,
    ))
}

/// Round trip of clicks that were due at these seconds of `sound`.
pub fn from_sound(
    sound: &[f32],
    sample_rate_hz: u32,
    due_s: &[f64],
) -> Result<Latency, LatencyError> {
    let trips_s: Vec<f64> = due_s
        .iter()
        .filter_map(|due_s| trip_s(sound, sample_rate_hz, *due_s))
        .collect();
    if trips_s.len() < FOUND_MIN {
        return Err(LatencyError::NotHeard {
            found: trips_s.len(),
            played: CLICKS,
        });
    }
    let spread_s = robust_sd(&trips_s);
    if spread_s > SPREAD_MAX_S {
        return Err(LatencyError::Scattered {
            low_ms: 1e3 * trips_s.iter().copied().fold(f64::INFINITY, f64::min),
            high_ms: 1e3 * trips_s.iter().copied().fold(f64::NEG_INFINITY, f64::max),
        });
    }
    Ok(Latency {
        median_ms: 1e3 * median(&trips_s).unwrap_or(0.0),
        spread_ms: 1e3 * spread_s,
        clicks: trips_s.len(),
    })
}

/// Where the burst fits best in the span after it was due, by correlation; `None` where nothing
/// stands out.
fn trip_s(sound: &[f32], sample_rate_hz: u32, due_s: f64) -> Option<f64> {
    let rate = f64::from(sample_rate_hz);
    let burst = burst_samples(sample_rate_hz, Stress::Bar);
    let from = ((due_s - EARLY_S) * rate).max(0.0) as usize;
    let to = (((due_s + LONGEST_S) * rate) as usize).min(sound.len().saturating_sub(burst.len()));
    if from >= to {
        return None;
    }
    let fits: Vec<f32> = (from..to)
        .map(|at| {
            let part = &sound[at..at + burst.len()];
            part.iter()
                .zip(&burst)
                .map(|(a, b)| a * b)
                .sum::<f32>()
                .abs()
        })
        .collect();
    let (best, height) = fits
        .iter()
        .copied()
        .enumerate()
        .max_by(|a, b| a.1.total_cmp(&b.1))?;
    let mut sorted = fits.clone();
    sorted.sort_by(f32::total_cmp);
    let usual = sorted[sorted.len() / 2].max(1e-9);
    (height > STANDS_OUT * usual).then(|| (from + best) as f64 / rate - due_s)
}

/// What is remembered of pairs of devices, in the platform's data folder.
#[derive(Debug, Default, Serialize, Deserialize)]
pub struct Remembered {
    #[serde(default)]
    pairs: BTreeMap<String, Latency>,
}

impl Remembered {
    /// What the file holds; nothing where there is none or it cannot be read.
    pub fn load(folder: &Path) -> Remembered {
        std::fs::read_to_string(Self::path(folder))
            .ok()
            .and_then(|text| toml::from_str(&text).ok())
            .unwrap_or_default()
    }

    pub fn of(&self, input: &str, output: &str) -> Option<Latency> {
        self.pairs.get(&pair(input, output)).copied()
    }

    /// Remembers a pair; by way of a file beside it, so that nothing half written is left.
    pub fn keep(
        mut self,
        folder: &Path,
        input: &str,
        output: &str,
        latency: Latency,
    ) -> std::io::Result<()> {
        self.pairs.insert(pair(input, output), latency);
        std::fs::create_dir_all(folder)?;
        let text = toml::to_string(&self).map_err(std::io::Error::other)?;
        let path = Self::path(folder);
        let beside = path.with_extension(format!("toml.{}.part", std::process::id()));
        std::fs::write(&beside, text)?;
        std::fs::rename(&beside, &path)
    }

    fn path(folder: &Path) -> PathBuf {
        folder.join("latency.toml")
    }
}

fn pair(input: &str, output: &str) -> String {
    format!("{input} | {output}")
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::sound::voice::Rng;

    #[test]
    fn a_known_delay_in_noise_is_measured() {
        let mut rng = Rng::new(5);
        let mut sound: Vec<f32> = (0..7 * 48_000)
            .map(|_| 0.002 * rng.normal() as f32)
            .collect();
        let burst = burst_samples(48_000, Stress::Bar);
        let due: Vec<f64> = (0..12).map(|k| 0.5 + 0.4 * f64::from(k)).collect();
        for due_s in &due {
            let at = ((due_s + 0.0234) * 48_000.0).round() as usize;
            for (x, b) in sound[at..].iter_mut().zip(&burst) {
                *x += 0.02 * b;
            }
        }
        let latency = from_sound(&sound, 48_000, &due).expect("clicks");
        assert!((latency.median_ms - 23.4).abs() < 0.1, "{latency:?}");
        assert!(latency.spread_ms < 0.1, "{latency:?}");
        assert_eq!(latency.clicks, 12);
    }

    #[test]
    fn noise_alone_is_no_click() {
        let mut rng = Rng::new(6);
        let sound: Vec<f32> = (0..7 * 48_000).map(|_| 0.1 * rng.normal() as f32).collect();
        let due: Vec<f64> = (0..12).map(|k| 0.5 + 0.4 * f64::from(k)).collect();
        assert!(matches!(
            from_sound(&sound, 48_000, &due),
            Err(LatencyError::NotHeard { .. })
        ));
    }

    #[test]
    fn a_pair_is_remembered() {
        let folder = tempfile::tempdir().expect("a folder");
        let latency = Latency {
            median_ms: 12.5,
            spread_ms: 0.2,
            clicks: 12,
        };
        Remembered::load(folder.path())
            .keep(folder.path(), "in", "out", latency)
            .expect("room on the disk");
        let again = Remembered::load(folder.path());
        assert_eq!(again.of("in", "out"), Some(latency));
        assert_eq!(again.of("in", "elsewhere"), None);
    }
}
