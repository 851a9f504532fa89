//! What was truly played, as `truth.json` tells it.

use serde::Deserialize;

#[derive(Clone, Debug, Deserialize)]
pub struct Truth {
    pub notes: Vec<TrueNote>,
    #[serde(default)]
    pub added: Vec<TrueAdded>,
    #[serde(default)]
    pub restarts: Vec<TrueJump>,
    #[serde(default)]
    pub skips: Vec<TrueJump>,
    #[serde(default)]
    pub stops: Vec<TrueStop>,
    #[serde(default = "concert_a4_hz")]
    pub a4: f64,
    #[serde(default)]
    pub transposed_semitones: i32,
    pub beat_quarters: Option<f64>,
    pub start_bpm: Option<f64>,
    pub end_bpm: Option<f64>,
    /// Every sound in order, attempts before the last included.
    #[serde(default)]
    pub sounded: Vec<Sounded>,
    #[serde(default)]
    pub blips: Vec<Blip>,
    /// A change of pitch that comes late in most of its occurrences.
    pub late_change: Option<LateChange>,
    /// A metronome that sounds in the take.
    pub click: Option<Click>,
    /// What the recorder did: gain, suppression, far, plain.
    pub recorder: Option<String>,
    pub voice: Option<String>,
    pub room: Option<String>,
    pub instrument: Option<String>,
}

#[derive(Clone, Debug, Deserialize)]
pub struct TrueNote {
    pub outcome: String,
    pub onset: Option<f64>,
    pub offset: Option<f64>,
    pub midi: Option<i32>,
    pub cents: Option<f64>,
    #[serde(default)]
    pub slur_in: bool,
}

#[derive(Clone, Debug, Deserialize)]
pub struct TrueAdded {
    pub onset: f64,
    pub midi: i32,
    pub duration: Option<f64>,
}

#[derive(Clone, Copy, Debug, Deserialize)]
pub struct TrueJump {
    pub at_s: f64,
    pub from_index: usize,
    pub to_index: usize,
}

/// A wait before a note that goes on from the one before.
#[derive(Clone, Copy, Debug, Deserialize)]
pub struct TrueStop {
    pub to_index: usize,
    pub waited_s: f64,
}

#[derive(Clone, Debug, Deserialize)]
pub struct Sounded {
    pub onset: f64,
    pub offset: f64,
    pub midi: i32,
    pub cents: Option<f64>,
    pub tongued: bool,
}

#[derive(Clone, Debug, Deserialize)]
pub struct Click {
    pub level_db: f64,
    pub beats_s: Vec<f64>,
    /// Tempo and beat of it, and how far behind it the player meant to be.
    pub bpm: Option<f64>,
    pub beat_quarters: Option<f64>,
    pub offset_ms: Option<f64>,
}

#[derive(Clone, Debug, Deserialize)]
pub struct Blip {
    pub onset: f64,
    pub midi: f64,
    pub duration: f64,
}

#[derive(Clone, Copy, Debug, Deserialize)]
pub struct LateChange {
    pub from_midi: i32,
    pub to_midi: i32,
    pub late_ms: f64,
}

fn concert_a4_hz() -> f64 {
    440.0
}

/// A sound to be heard: fractional MIDI number at A4 = 440 Hz.
pub struct Reference {
    pub onset_s: f64,
    /// `None` where the truth does not say.
    pub offset_s: Option<f64>,
    pub midi: f64,
    pub tongued: bool,
    pub blip: bool,
}

impl Truth {
    /// All sounds of the take, in order of onset.
    pub fn references(&self) -> Vec<Reference> {
        let tuning = 12.0 * (self.a4 / 440.0).log2();
        let pitch =
            |midi: i32, cents: Option<f64>| midi as f64 + cents.unwrap_or(0.0) / 100.0 + tuning;
        let blip = |onset: f64| self.blips.iter().any(|b| (b.onset - onset).abs() < 1e-6);
        if !self.sounded.is_empty() {
            let sounds = self.sounded.iter().map(|s| Reference {
                onset_s: s.onset,
                offset_s: Some(s.offset),
                midi: pitch(s.midi, s.cents),
                tongued: s.tongued,
                blip: blip(s.onset),
            });
            return sounds.collect();
        }
        let notes = self.notes.iter().filter_map(|n| {
            Some(Reference {
                onset_s: n.onset?,
                offset_s: n.offset,
                midi: pitch(n.midi?, n.cents),
                tongued: !n.slur_in,
                blip: false,
            })
        });
        let added = self.added.iter().map(|a| Reference {
            onset_s: a.onset,
            offset_s: a.duration.map(|d| a.onset + d),
            midi: pitch(a.midi, None),
            tongued: false,
            blip: false,
        });
        let mut all: Vec<Reference> = notes.chain(added).collect();
        all.sort_by(|a, b| a.onset_s.total_cmp(&b.onset_s));
        all
    }
}
