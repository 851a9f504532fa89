//! Hearing: samples in, notes out, without any knowledge of the line.
//!
//! Every change of pitch or level that might begin a note is reported with a
//! probability, doubtful ones too: the alignment weighs them with what is written,
//! `passagework hear` prints those above one half.

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
