//! Hearing: samples in, notes out, without any knowledge of the line.
//!
//! Every change of pitch or level that might begin a note is reported with a
//! probability, doubtful ones too: the alignment weighs them with what is written,
//! `passagework hear` prints those above one half.

pub mod blips;
mod click_kinds;
mod click_train;
mod clicks;
pub mod confidence;
pub mod decimate;
mod dip;
pub mod envelope;
mod floor;
pub mod frames;
mod handover;
pub mod harmonic;
pub mod hum;
pub mod levels;
mod linger;
pub mod look;
mod metronome;
pub mod notes;
pub mod path;
pub mod pitch;
pub mod recording;
pub mod refine;
pub mod room;
pub mod slices;
mod slur;
pub mod stream;
mod sums;
mod swell;
mod together;
pub mod tuning;
pub mod weights;

use floor::Floor;

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

    /// End of the note and of what goes on at its pitch in `next`, the notes after it in order,
    /// seconds.
    pub fn sounding_until_s<'a>(&self, next: impl IntoIterator<Item = &'a HeardNote>) -> f64 {
        let mut until_s = self.offset_s;
        for next in next {
            if next.onset_s > until_s + GAP_S || (next.midi - self.midi).abs() > 0.5 {
                break;
            }
            until_s = until_s.max(next.offset_s);
        }
        until_s
    }
}

/// Longest gap across which a sound of the same pitch goes on, seconds: the tongue's touch is
/// 35 ms with a standard deviation of 6 (Hofmann et al., ICMPC 2012).
const GAP_S: f64 = 0.06;

/// A pitch touched between two slurred notes; no note.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct HeardBlip {
    /// Where the old note ends, and the new one's onset.
    pub onset_s: f64,
    pub length_s: f64,
    /// Fractional sounding MIDI number at A4 = 440 Hz.
    pub midi: f64,
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
    pub blips: Vec<HeardBlip>,
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
    /// `low_hz` is raised to a little below the lowest pitch of the take itself, but not above
    /// this; no more than `low_hz`: never. The lower the range, the longer are the frames.
    pub raised_hz: f64,
}

impl HearOptions {
    /// No fundamental is looked for outside of these.
    pub const LOWEST_HZ: f64 = 30.0;
    pub const HIGHEST_HZ: f64 = 4200.0;
}

impl Default for HearOptions {
    fn default() -> HearOptions {
        HearOptions {
            low_hz: 55.0,
            high_hz: HearOptions::HIGHEST_HZ,
            raised_hz: HearOptions::HIGHEST_HZ,
        }
    }
}

/// Seconds between frames, before rounding to whole samples.
const HOP_S: f64 = 0.0027;

/// Takes a take in, any number of samples at a time; what is heard does not depend on how it
/// was cut. Keeps the sound at the hearing's own rate only, at most 40 kHz.
pub struct Hearer {
    sample_rate_hz: u32,
    decimator: decimate::Decimator,
    sound: Vec<f32>,
    ticks: clicks::TickListener,
    levels: levels::Levels,
    n_samples: usize,
}

/// The samples of a range, as far as there are.
fn piece_of(samples: &[f32], range: std::ops::Range<usize>) -> &[f32] {
    let end = range.end.min(samples.len());
    &samples[range.start.min(end)..end]
}

impl Hearer {
    /// `sample_rate_hz` of the samples to come.
    pub fn new(sample_rate_hz: u32) -> Hearer {
        let decimator = decimate::Decimator::new(sample_rate_hz);
        let rate = f64::from(sample_rate_hz) / decimator.factor() as f64;
        Hearer {
            sample_rate_hz,
            decimator,
            sound: Vec::new(),
            ticks: clicks::TickListener::new(rate),
            levels: levels::Levels::new(sample_rate_hz),
            n_samples: 0,
        }
    }

    /// The hearing's own rate.
    fn rate_hz(&self) -> f64 {
        f64::from(self.sample_rate_hz) / self.decimator.factor() as f64
    }

    /// The next mono samples, full scale ±1.
    pub fn push(&mut self, samples: &[f32]) {
        self.n_samples += samples.len();
        self.levels.push(samples);
        let heard = self.sound.len();
        self.decimator.push(samples, &mut self.sound);
        self.ticks.push(&self.sound[heard..]);
    }

    /// All that was heard.
    pub fn finish(self, options: &HearOptions) -> Hearing {
        self.finish_keeping_sound(options).0
    }

    /// All that was heard, and the sound itself for a second look.
    pub fn finish_keeping_sound(mut self, options: &HearOptions) -> (Hearing, look::Sound) {
        let (sketches, recording, clicks) = self.listen(options);
        let notes = confidence::weigh(&sketches, recording.noise_dbfs);
        let (a4_hz, a4_hz_se) = tuning::of_notes(&notes);
        let blips = sketches.iter().filter_map(|s| {
            let blip = s.blip?;
            Some(HeardBlip {
                onset_s: s.onset_s,
                length_s: blip.length_s,
                midi: blip.midi,
            })
        });
        let hearing = Hearing {
            notes,
            blips: blips.collect(),
            clicks,
            a4_hz,
            a4_hz_se,
            recording,
        };
        let rate = self.rate_hz();
        (hearing, look::Sound::new(self.sound, rate))
    }

    /// What [`Hearer::finish`] weighs: every note that might be, with its features in the
    /// order of [`confidence::FEATURES`]. For fitting the weights.
    pub fn evidence(
        mut self,
        options: &HearOptions,
    ) -> Vec<(HeardNote, [f64; confidence::N_FEATURES])> {
        let (sketches, recording, _) = self.listen(options);
        confidence::weigh(&sketches, recording.noise_dbfs)
            .into_iter()
            .enumerate()
            .map(|(i, note)| {
                (
                    note,
                    confidence::features(&sketches, i, recording.noise_dbfs),
                )
            })
            .collect()
    }

    fn listen(
        &mut self,
        options: &HearOptions,
    ) -> (Vec<notes::Sketch>, Recording, Vec<HeardClick>) {
        let factor = self.decimator.factor();
        let heard = self.sound.len();
        self.decimator.finish(&mut self.sound);
        self.ticks.push(&self.sound[heard..]);
        self.sound.truncate(self.n_samples.div_ceil(factor));
        let duration_s = self.n_samples as f64 / f64::from(self.sample_rate_hz);
        let rate = self.rate_hz();
        let hum = hum::of_take(&self.sound, rate);
        if let Some(hum) = &hum {
            hum::remove(&mut self.sound, rate, hum);
        }
        let clicks = match metronome::find(&mut self.ticks, &self.sound, rate) {
            Some(metronome) => {
                metronome.remove(&mut self.sound, rate);
                metronome.clicks
            }
            None => Vec::new(),
        };
        // The recording is judged with its room: pauses that were dried look like a gate's.
        let mut warnings = self.warnings(rate, duration_s, hum.is_none() && clicks.is_empty());
        let mut recorded = None;
        if let Some(room) = room::of_take(&self.sound, rate) {
            if room.is_far() {
                say(&mut warnings, recording::FAR_MICROPHONE.to_owned());
            }
            recorded = Some(room::Recorded::new(&self.sound));
            room::dry(&mut self.sound, rate, &room);
        }
        let (mut sketches, mut recording) =
            listen(&self.sound, rate, self.sample_rate_hz, duration_s, options);
        recording.warnings = warnings;
        let all = 0..sketches.len();
        match recorded {
            Some(recorded) => {
                let piece = |range| recorded.piece(range);
                handover::put_sooner(&mut sketches, all, piece, rate);
                room::onsets_as_recorded(&mut sketches, piece, rate);
            }
            None => {
                let piece = |range| piece_of(&self.sound, range).to_vec();
                handover::put_sooner(&mut sketches, all, piece, rate);
            }
        }
        (sketches, recording, clicks)
    }

    /// What the pauses show, hum and clicks taken out; and what they show as they were recorded,
    /// where nothing had to be: that is all that is known while a take goes on.
    fn warnings(&self, rate: f64, duration_s: f64, untouched: bool) -> Vec<String> {
        let nothing = self.levels.nothing();
        let envelope = envelope::Envelope::new(&self.sound, rate);
        let levels_db = recording::levels_db(&envelope, duration_s);
        let mut warnings = recording::warnings(&levels_db, &nothing);
        if untouched {
            for warning in recording::warnings(&self.levels.levels_db(), &nothing) {
                say(&mut warnings, warning);
            }
        }
        warnings
    }
}

/// Once is enough.
fn say(warnings: &mut Vec<String>, warning: String) {
    if !warnings.contains(&warning) {
        warnings.push(warning);
    }
}

/// Hears a whole take at once.
pub fn hear(samples: &[f32], sample_rate_hz: u32, options: &HearOptions) -> Hearing {
    let mut hearer = Hearer::new(sample_rate_hz);
    hearer.push(samples);
    hearer.finish(options)
}

/// From the sound at `rate` to notes in the making, and what was noticed about the recording.
fn listen(
    sound: &[f32],
    rate: f64,
    sample_rate_hz: u32,
    duration_s: f64,
    options: &HearOptions,
) -> (Vec<notes::Sketch>, Recording) {
    let hop_samples = hop_samples(rate);
    let (mut low_hz, high_hz) = range_at(rate, options);
    let raised_hz = options.raised_hz.min(0.5 * high_hz);
    if raised_hz > low_hz
        && let Some(lowest_hz) = lowest_pitch_hz(sound, rate, hop_samples, low_hz, high_hz)
    {
        low_hz = low_hz.max((lowest_hz * NARROW_TO).min(raised_hz));
    }
    let mut framer = frames::Framer::new(rate, hop_samples, low_hz, high_hz);
    let mut found = Vec::new();
    push_all(&mut framer, sound, &mut found);
    let mut levels = Floor::default();
    found.iter().for_each(|frame| levels.push(frame));
    let (floor, loud) = (levels.noise_dbfs(), levels.loud_dbfs());
    let mut finder =
        path::PathFinder::new(hop_samples as f64 / rate, low_hz, quiet_dbfs(floor, loud));
    let mut path = Vec::with_capacity(found.len());
    for frame in &found {
        finder.push(frame, &mut path);
    }
    finder.finish(&mut path);
    let envelope = envelope::Envelope::new(sound, rate);
    let sketches = notes::NoteMaker {
        samples: sound,
        sample_rate_hz: rate,
        hop_samples,
        frame_samples: framer.frame_samples(),
        frames: &found,
        path: &path,
        envelope: &envelope,
        low_hz,
    }
    .sketch();
    let recording = Recording {
        duration_s,
        sample_rate_hz,
        level_dbfs: loud,
        noise_dbfs: floor,
        ..Recording::default()
    };
    (sketches, recording)
}

fn hop_samples(rate: f64) -> usize {
    ((HOP_S * rate).round() as usize).max(1)
}

/// Lowest and highest fundamental looked for in sound at `rate`.
fn range_at(rate: f64, options: &HearOptions) -> (f64, f64) {
    let high_hz = options.high_hz.min(rate / 4.0);
    (
        options.low_hz.clamp(HearOptions::LOWEST_HZ, 0.5 * high_hz),
        high_hz,
    )
}

/// Level below which a frame is silence, from those of the floor and of the playing.
fn quiet_dbfs(floor: f64, loud: f64) -> f64 {
    (floor + QUIET_OVER_FLOOR_DB)
        .min(loud - QUIET_BELOW_LOUD_DB.0)
        .max(loud - QUIET_BELOW_LOUD_DB.1)
}

/// In pieces, so that the framer's own buffer stays short.
fn push_all(framer: &mut frames::Framer, sound: &[f32], found: &mut Vec<frames::Frame>) {
    for piece in sound.chunks(8192) {
        framer.push(piece, found);
    }
    framer.finish(found);
}

/// Frames less than this over the floor are silence, but never so that what lies within
/// the first of the next two below the playing is, and always what lies below the second.
const QUIET_OVER_FLOOR_DB: f64 = 6.0;
const QUIET_BELOW_LOUD_DB: (f64, f64) = (20.0, 45.0);

/// Range below the lowest pitch of a take that stays open: a third.
const NARROW_TO: f64 = 0.79;

/// A pitch counts as the take's lowest where it holds so many of these frames, 43 ms, and moves less
/// than this from one to the next.
const HELD_FRAMES: usize = 4;
const SAME_NOTE_SEMITONES: f32 = 0.7;

/// Lowest pitch a take holds for more than moments, from every fourth frame; `None` where
/// nothing has a pitch.
fn lowest_pitch_hz(
    sound: &[f32],
    rate: f64,
    hop_samples: usize,
    low_hz: f64,
    high_hz: f64,
) -> Option<f64> {
    let hop_samples = 4 * hop_samples;
    let mut frames = Vec::new();
    let mut framer = frames::Framer::new(rate, hop_samples, low_hz, high_hz);
    push_all(&mut framer, sound, &mut frames);
    let loud = frames.iter().map(|f| f.level_dbfs).fold(-120.0, f32::max);
    let mut finder =
        path::PathFinder::new(hop_samples as f64 / rate, low_hz, f64::from(loud) - 30.0);
    let mut points = Vec::new();
    for frame in &frames {
        finder.push(frame, &mut points);
    }
    finder.finish(&mut points);
    let same_note = |a: &path::PathPoint, b: &path::PathPoint| match (a.midi, b.midi) {
        (Some(a), Some(b)) => (a - b).abs() < SAME_NOTE_SEMITONES,
        _ => false,
    };
    let lowest = points
        .chunk_by(same_note)
        .filter_map(|held| {
            let mut sure: Vec<f32> = held
                .iter()
                .filter(|p| p.strength > 0.9)
                .filter_map(|p| p.midi)
                .collect();
            sure.sort_by(f32::total_cmp);
            (sure.len() >= HELD_FRAMES).then(|| sure[sure.len() / 2])
        })
        .min_by(f32::total_cmp)?;
    Some(crate::convert::midi_to_hz(f64::from(lowest), 440.0))
}
