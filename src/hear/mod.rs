//! Hearing: samples in, notes out, without any knowledge of the line.
//!
//! Every change of pitch or level that might begin a note is reported with a
//! probability, doubtful ones too: the alignment weighs them with what is written,
//! `passagework hear` prints those above one half.

pub mod confidence;
pub mod decimate;
pub mod envelope;
pub mod frames;
pub mod harmonic;
pub mod notes;
pub mod path;
pub mod pitch;
pub mod refine;
pub mod weights;

/// A pitch the sound of a note offers, ranked by how well the sound supports it.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct PitchCandidate {
    /// Fractional sounding MIDI number at A4 = 440 Hz.
    pub midi: f64,
    /// Share of the evidence, 0 to 1; the candidates of a note sum to at most 1.
    pub probability: f64,
}

/// One note as heard. Sounding pitch, seconds of the take's own clock (sample index over rate).
#[derive(Clone, Debug, PartialEq)]
pub struct HeardNote {
    /// The new sound's first moment: slurred, where the pitch leaves the old note;
    /// tongued, where the level leaves the floor.
    pub onset_s: f64,
    /// Standard error of `onset_s` as the change-point fit gives it.
    pub onset_se_s: f64,
    pub offset_s: f64,
    /// Median pitch, fractional sounding MIDI number at A4 = 440 Hz.
    pub midi: f64,
    /// Spread of the pitch within the note, in cents (robust standard deviation).
    pub cents_sd: f64,
    /// Standard error of the median pitch, in cents.
    pub cents_se: f64,
    /// Mean level of the note's body, dB re full scale.
    pub level_dbfs: f64,
    /// True when the note begins with a new tongue (a dip or silence before it).
    pub tongued: bool,
    /// Probability that this is a note of its own, played on purpose or not, and not a
    /// blip, tail, bleed or a ripple of the note before.
    pub confidence: f64,
    /// What the sound offers, best first; the first is the note's own `midi`.
    pub candidates: Vec<PitchCandidate>,
}

impl HeardNote {
    pub fn duration_s(&self) -> f64 {
        self.offset_s - self.onset_s
    }
}

/// A click of a metronome heard in the take.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct HeardClick {
    pub at_s: f64,
    pub level_dbfs: f64,
}

/// What was noticed about the recording itself.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct Recording {
    pub duration_s: f64,
    pub sample_rate_hz: u32,
    /// Level of the playing and of the noise between, dB re full scale.
    pub level_dbfs: f64,
    pub noise_dbfs: f64,
    /// Share of samples at the converter's limit, 0 to 1.
    pub clipped_share: f64,
    /// Sentences for the player: automatic gain, noise suppression, clipping, far microphone, damaged file.
    pub warnings: Vec<String>,
}

/// All that was heard in a take.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct Hearing {
    /// In order of onset; doubtful ones included (see [`HeardNote::confidence`]).
    pub notes: Vec<HeardNote>,
    pub clicks: Vec<HeardClick>,
    /// Tuning of the take within 50 cents of 440 Hz, and its standard error.
    pub a4_hz: f64,
    pub a4_hz_se: f64,
    pub recording: Recording,
}

/// What the hearing is told: the range of the instrument, nothing of the line.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct HearOptions {
    /// Lowest and highest sounding fundamental looked for, 30 to 4,200 Hz.
    pub low_hz: f64,
    pub high_hz: f64,
}

impl Default for HearOptions {
    fn default() -> HearOptions {
        HearOptions {
            low_hz: 55.0,
            high_hz: 4200.0,
        }
    }
}

/// Seconds between frames, before rounding to whole samples.
const HOP_S: f64 = 0.0027;

/// Hears a whole take.
pub fn hear(samples: &[f32], sample_rate_hz: u32, options: &HearOptions) -> Hearing {
    let mut decimator = decimate::Decimator::new(sample_rate_hz);
    let mut sound = Vec::with_capacity(samples.len() / decimator.factor() + 64);
    decimator.push(samples, &mut sound);
    decimator.finish(&mut sound);
    sound.truncate(samples.len().div_ceil(decimator.factor()));
    let rate = sample_rate_hz as f64 / decimator.factor() as f64;
    let hop_samples = (HOP_S * rate).round() as usize;
    let high_hz = options.high_hz.min(rate / 4.0);
    let mut framer = frames::Framer::new(rate, hop_samples, options.low_hz, high_hz);
    let mut found = Vec::new();
    framer.push(&sound, &mut found);
    framer.finish(&mut found);
    let mut levels: Vec<f32> = found.iter().map(|f| f.level_dbfs).collect();
    levels.sort_by(f32::total_cmp);
    let quantile = |q: f64| {
        levels
            .get((q * levels.len() as f64) as usize)
            .copied()
            .unwrap_or(-120.0) as f64
    };
    let (floor, loud) = (quantile(0.02), quantile(0.95));
    let quiet_dbfs = (floor + 6.0).min(loud - 20.0).max(loud - 45.0);
    let mut finder = path::PathFinder::new(hop_samples as f64 / rate, options.low_hz, quiet_dbfs);
    let mut path = Vec::with_capacity(found.len());
    for frame in &found {
        finder.push(frame, &mut path);
    }
    finder.finish(&mut path);
    let envelope = envelope::Envelope::new(&sound, rate);
    let maker = notes::NoteMaker {
        samples: &sound,
        sample_rate_hz: rate,
        hop_samples,
        frame_samples: framer.frame_samples(),
        frames: &found,
        path: &path,
        envelope: &envelope,
        low_hz: options.low_hz,
    };
    let (sketches, _blips) = maker.sketch();
    if std::env::var("DUMP").is_ok() {
        for (i, k) in sketches.iter().enumerate() {
            let f = confidence::features(&sketches, i, floor);
            println!(
                "DUMP {:.4} {:.4} {:.3} {} | {:?}",
                k.onset_s, k.offset_s, k.midi, k.tongued as u8, f
            );
        }
    }
    let notes = confidence::weigh(&sketches, floor);
    Hearing {
        notes,
        clicks: Vec::new(),
        a4_hz: 440.0,
        a4_hz_se: 5.0,
        recording: Recording {
            duration_s: samples.len() as f64 / sample_rate_hz as f64,
            sample_rate_hz,
            level_dbfs: loud,
            noise_dbfs: floor,
            ..Recording::default()
        },
    }
}
