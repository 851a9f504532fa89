//! Takes from recorded sounds: General MIDI soundfonts, and single notes of a real clarinet.
//!
//! Recorded sounds speak some time after their start, so first moments are measured: for
//! a tongued note where the isolated sound rises 40 dB below its steady level, for one
//! that begins while the old one rings on where it comes within 20 dB.

use passagework::sound::voice::{Rng, VoiceNote};
use rustysynth::{SoundFont, Synthesizer, SynthesizerSettings};
use std::collections::HashMap;
use std::path::Path;
use std::sync::{Arc, OnceLock};

pub const TIM_GM: &str = "/usr/share/sounds/sf2/TimGM6mb.sf2";
pub const FLUID_GM: &str = "/usr/share/sounds/sf2/FluidR3_GM.sf2";

/// The sound of a single note, and where it begins.
#[derive(Clone)]
pub struct Single {
    samples: Vec<f32>,
    /// First sample within 40 dB, within 20 dB of the steady level, and in the body of the note.
    leaves_floor: usize,
    speaks: usize,
    body: usize,
}

impl Single {
    fn new(samples: Vec<f32>, rate: f64, floor_share: f32) -> Single {
        let steady = samples
            .iter()
            .take((0.35 * rate) as usize)
            .fold(1e-6f32, |peak, s| peak.max(s.abs()));
        let first_above = |share: f32| {
            samples
                .iter()
                .position(|s| s.abs() > share * steady)
                .unwrap_or(0)
        };
        let speaks = first_above(0.1);
        Single {
            leaves_floor: first_above(floor_share),
            speaks,
            body: (first_above(0.7) + (0.02 * rate) as usize).min(samples.len() / 3),
            samples,
        }
    }

    /// Sample `index`, going on in a loop of the body where the recording ends.
    fn at(&self, index: usize) -> f32 {
        let n = self.samples.len();
        let fade = (n / 10).max(1);
        let loop_start = n / 2;
        let loop_end = n - fade;
        if index < loop_end {
            return self.samples[index];
        }
        let period = loop_end - loop_start;
        let place = (index - loop_end) % period;
        let now = self.samples[loop_start + place];
        if place < fade && index >= loop_end {
            let share = place as f32 / fade as f32;
            return now * share + self.samples[loop_end + place] * (1.0 - share);
        }
        now
    }
}

pub trait Singles {
    /// The note sounding at fractional `midi`; `seconds` long if it can be.
    fn single(&mut self, midi: f64, seconds: f64) -> Option<Single>;
}

/// A soundfont's programme.
pub struct FontSingles {
    font: Arc<SoundFont>,
    programme: u8,
    rate: u32,
}

fn font(path: &'static str) -> Result<Arc<SoundFont>, String> {
    static FONTS: OnceLock<std::sync::Mutex<HashMap<&'static str, Arc<SoundFont>>>> =
        OnceLock::new();
    let mut fonts = FONTS
        .get_or_init(Default::default)
        .lock()
        .map_err(|e| e.to_string())?;
    if let Some(font) = fonts.get(path) {
        return Ok(font.clone());
    }
    let mut file = std::fs::File::open(path).map_err(|e| {
        format!("{path}: {e}; install the Debian package timgm6mb-soundfont or fluid-soundfont-gm")
    })?;
    let loaded = Arc::new(SoundFont::new(&mut file).map_err(|e| format!("{path}: {e}"))?);
    fonts.insert(path, loaded.clone());
    Ok(loaded)
}

impl FontSingles {
    pub fn new(path: &'static str, programme: u8, rate: u32) -> Result<Self, String> {
        Ok(FontSingles {
            font: font(path)?,
            programme,
            rate,
        })
    }

    fn synthesizer(&self, bend_semitones: f64) -> Option<Synthesizer> {
        let mut settings = SynthesizerSettings::new(self.rate as i32);
        settings.block_size = 16;
        settings.enable_reverb_and_chorus = false;
        let mut synthesizer = Synthesizer::new(&self.font, &settings).ok()?;
        synthesizer.process_midi_message(0, 0xC0, self.programme as i32, 0);
        // Pitch bend of two semitones either way, 14 bits about 8192.
        let bend = (8192.0 + bend_semitones / 2.0 * 8192.0)
            .round()
            .clamp(0.0, 16383.0) as i32;
        synthesizer.process_midi_message(0, 0xE0, bend & 0x7F, bend >> 7);
        Some(synthesizer)
    }
}

impl Singles for FontSingles {
    fn single(&mut self, midi: f64, seconds: f64) -> Option<Single> {
        let mut synthesizer = self.synthesizer(midi - midi.round())?;
        synthesizer.note_on(0, midi.round() as i32, 100);
        let n = (seconds * self.rate as f64) as usize;
        let (mut left, mut right) = (vec![0.0; n], vec![0.0; n]);
        synthesizer.render(&mut left, &mut right);
        let mono = left
            .iter()
            .zip(&right)
            .map(|(l, r)| 0.5 * (l + r))
            .collect();
        Some(Single::new(mono, self.rate as f64, 0.01))
    }
}

/// Recorded single notes, one WAV a note named by its sounding pitch (`As4`).
pub struct RealSingles {
    notes: Vec<(f64, Vec<f32>, f64)>,
    rate: f64,
}

impl RealSingles {
    pub fn new(folder: &Path, rate: u32) -> Result<Self, String> {
        let mut notes = Vec::new();
        for entry in std::fs::read_dir(folder).map_err(|e| format!("{}: {e}", folder.display()))? {
            let path = entry.map_err(|e| e.to_string())?.path();
            if path.extension().is_none_or(|x| x != "wav") {
                continue;
            }
            let name = path
                .file_stem()
                .unwrap_or_default()
                .to_string_lossy()
                .into_owned();
            let class = match name.trim_end_matches(|c: char| c.is_ascii_digit()) {
                "C" => 0,
                "Cs" => 1,
                "D" => 2,
                "Ds" => 3,
                "E" => 4,
                "F" => 5,
                "Fs" => 6,
                "G" => 7,
                "Gs" => 8,
                "A" => 9,
                "As" => 10,
                "B" => 11,
                _ => continue,
            };
            let octave: i32 = name
                .chars()
                .last()
                .and_then(|c| c.to_digit(10))
                .unwrap_or(4) as i32;
            let mut reader = hound::WavReader::open(&path).map_err(|e| e.to_string())?;
            let own_rate = reader.spec().sample_rate as f64;
            let samples: Vec<f32> = reader
                .samples::<i16>()
                .filter_map(|s| s.ok())
                .map(|s| s as f32 / 32768.0)
                .collect();
            notes.push(((12 * (octave + 1) + class) as f64, samples, own_rate));
        }
        // The folder's order is the file system's own.
        notes.sort_by(|a, b| a.0.total_cmp(&b.0));
        Ok(RealSingles {
            notes,
            rate: rate as f64,
        })
    }
}

impl Singles for RealSingles {
    fn single(&mut self, midi: f64, _seconds: f64) -> Option<Single> {
        let (root, samples, own_rate) = self
            .notes
            .iter()
            .min_by(|a, b| (a.0 - midi).abs().total_cmp(&(b.0 - midi).abs()))?;
        if (root - midi).abs() > 3.5 {
            return None;
        }
        let step = ((midi - root) / 12.0).exp2() * own_rate / self.rate;
        // Breath sounds long before the tone: a tongued start is cut into the tone's rise.
        Some(Single::new(resample(samples, step), self.rate, 0.4))
    }
}

/// Reads `samples` at `step` input samples per output sample, by Catmull-Rom interpolation.
pub fn resample(samples: &[f32], step: f64) -> Vec<f32> {
    let n = ((samples.len().saturating_sub(3)) as f64 / step) as usize;
    (0..n)
        .map(|i| interpolated(samples, 1.0 + i as f64 * step))
        .collect()
}

/// The sound at a fractional `place` of 1 or more, by Catmull-Rom interpolation.
pub fn interpolated(samples: &[f32], place: f64) -> f32 {
    let k = place as usize;
    let x = (place - k as f64) as f32;
    let at = |j: usize| samples[j.min(samples.len() - 1)];
    let (a, b, c, d) = (at(k - 1), at(k), at(k + 1), at(k + 2));
    b + 0.5 * x * (c - a + x * (2.0 * a - 5.0 * b + 4.0 * c - d + x * (3.0 * (b - c) + d - a)))
}

/// A tongued note rises at least this long, seconds.
const TONGUE_RISE_S: f64 = 0.005;

/// A sound speaks within this share of its note.
const SPEAKS_WITHIN: f64 = 0.15;

/// How notes are joined where the player slurs.
#[derive(Clone, Copy, PartialEq)]
pub enum Joining {
    /// The body of the new sound is faded in over some milliseconds as the old goes.
    Crossfade,
    /// The new sound begins from its own start while the old one dies as a soundfont's release does.
    Overlap,
    /// As a sequencer plays it: every note from its own start, tongued ones too.
    Sequenced,
}

/// Renders `notes` from single sounds; corrects `onsets_s` to where each truly begins.
///
/// `None` where the recorded sounds do not reach a note.
pub fn render(
    notes: &[VoiceNote],
    singles: &mut dyn Singles,
    joining: Joining,
    sample_rate_hz: u32,
    duration_s: f64,
    onsets_s: &mut [f64],
    rng: &mut Rng,
) -> Option<Vec<f32>> {
    let rate = sample_rate_hz as f64;
    let mut out = vec![0.0f32; (duration_s * rate) as usize];
    let mut cache: HashMap<i64, Single> = HashMap::new();
    let longest_s = notes
        .iter()
        .map(|n| n.offset_s - n.onset_s)
        .fold(0.5, f64::max)
        + 0.5;
    let release_s = rng.between(0.004, 0.025);
    for (place, note) in notes.iter().enumerate() {
        // Within five cents one recording serves.
        let key = (note.midi * 20.0).round() as i64;
        let single = match cache.get(&key) {
            Some(single) => single.clone(),
            None => {
                let single = singles.single(key as f64 / 20.0, longest_s)?;
                cache.insert(key, single.clone());
                single
            }
        };
        let slurred_out = notes.get(place + 1).is_some_and(|next| !next.tongued);
        let gain = 10f32.powf(note.level_db as f32 / 20.0);
        let fade_in_s = if note.tongued {
            0.0
        } else {
            rng.between(0.003, 0.012)
        };
        let (start, onset_s) = if joining == Joining::Sequenced {
            (0, note.onset_s + single.speaks as f64 / rate)
        } else if note.tongued {
            (single.leaves_floor, note.onset_s)
        } else if joining == Joining::Crossfade {
            (single.body, note.onset_s)
        } else {
            // A sound too slow for the note is begun further in, as a player would help it speak.
            let length_s = note.offset_s - note.onset_s;
            let patience = (SPEAKS_WITHIN * length_s * rate) as usize;
            let start = single.speaks.saturating_sub(patience);
            (start, note.onset_s + (single.speaks - start) as f64 / rate)
        };
        onsets_s[place] = onset_s;
        let begin = (note.onset_s * rate).ceil() as usize;
        // The old note dies once the new one has come: a crossfade, or a release.
        let (end_s, fall_s) = match (slurred_out, joining) {
            (true, Joining::Crossfade) => (note.offset_s, 0.006),
            (true, Joining::Overlap) | (true, Joining::Sequenced) => {
                (note.offset_s + 0.004, release_s)
            }
            (false, Joining::Sequenced) => (note.offset_s, release_s),
            (false, _) => (note.offset_s, 0.002),
        };
        let end = ((end_s + 7.0 * fall_s) * rate) as usize;
        for at in begin..end.min(out.len()) {
            let t_s = at as f64 / rate;
            // What is cut into the sound begins within some milliseconds all the same.
            let cut_in = (1.0 + (at - begin) as f64) / (TONGUE_RISE_S * rate);
            let mut envelope = if t_s > end_s {
                (-(t_s - end_s) / fall_s).exp()
            } else {
                1.0
            };
            if note.tongued && joining != Joining::Sequenced {
                envelope *= cut_in.min(1.0);
            }
            if joining == Joining::Crossfade && fade_in_s > 0.0 {
                envelope *= ((t_s - note.onset_s) / fade_in_s).min(1.0);
            }
            out[at] += gain * envelope as f32 * single.at(start + at - begin);
        }
    }
    let peak = out.iter().fold(1e-6f32, |peak, s| peak.max(s.abs()));
    let wanted = rng.between(0.1, 0.8) as f32;
    let floor = 10f32.powf(rng.between(-85.0, -65.0) as f32 / 20.0);
    for sample in &mut out {
        *sample = *sample * wanted / peak + floor * rng.bipolar();
    }
    Some(out)
}
