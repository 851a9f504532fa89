//! What a check says: the contract `passagework.check/1`, field for field.
//!
//! Times are seconds of the take's own clock; `_ms` and `cents` are signed, late and sharp
//! positive; `_se` is a standard error; `None` (JSON `null`) means unknown.

use crate::hear::Recording;
use serde::{Deserialize, Serialize};

use crate::align::Outcome;

/// Name and number of the contract.
pub const CHECK_SCHEMA: &str = "passagework.check/1";

/// One take held against one line.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct Check {
    pub schema: String,
    pub line: LineHead,
    pub take: TakeHead,
    pub tuning: Tuning,
    pub summary: Summary,
    /// One entry a note of the line, in playing order.
    pub notes: Vec<NoteCheck>,
    pub added: Vec<AddedNote>,
    pub transitions: Vec<Transition>,
    pub restarts: Vec<RestartCheck>,
    pub skips: Vec<SkipCheck>,
    /// Where the player stopped and went on, in playing order.
    #[serde(default)]
    pub stops: Vec<StopCheck>,
    pub runs: Vec<Run>,
    /// Passages played several times in this take: the player's habit and the scatter about it.
    pub repeated: Vec<RepeatedRun>,
    pub tempo: Tempo,
    pub articulation: ArticulationCheck,
    pub bars: Vec<BarCheck>,
    /// Worst first; empty for a clean take.
    pub findings: Vec<Finding>,
}

#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct LineHead {
    pub title: String,
    pub part: String,
    pub instrument: String,
    /// Number of notes and of bars, in playing order.
    pub notes: usize,
    pub bars: usize,
}

#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct TakeHead {
    pub duration_s: f64,
    pub sample_rate_hz: u32,
    pub level_dbfs: f64,
    pub noise_dbfs: f64,
    /// Share of samples at the converter's limit, 0 to 1.
    pub clipped_share: f64,
    pub warnings: Vec<String>,
}

impl From<&Recording> for TakeHead {
    fn from(recording: &Recording) -> TakeHead {
        TakeHead {
            duration_s: recording.duration_s,
            sample_rate_hz: recording.sample_rate_hz,
            level_dbfs: recording.level_dbfs,
            noise_dbfs: recording.noise_dbfs,
            clipped_share: recording.clipped_share,
            warnings: recording.warnings.clone(),
        }
    }
}

#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct Tuning {
    pub a4_hz: f64,
    pub a4_hz_se: f64,
    /// Robust standard deviation of the notes' cents; `None` with fewer than two notes.
    pub cents_sd: Option<f64>,
    /// Constant shift of the take against the line, semitones.
    pub transposed_semitones: i32,
    /// Tendency of every written pitch heard, lowest first.
    pub by_note: Vec<NoteTuning>,
}

/// How one written pitch sat on average over the take.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct NoteTuning {
    pub written: String,
    pub written_midi: i32,
    pub n_notes: usize,
    /// Mean distance from the take's own A4 in equal temperament.
    pub cents: f64,
    pub cents_se: f64,
}

#[derive(Clone, Copy, Debug, PartialEq, Serialize, Deserialize)]
pub struct Summary {
    pub expected: usize,
    pub right: usize,
    pub wrong: usize,
    pub missed: usize,
    pub added: usize,
    pub unsure: usize,
    pub not_reached: usize,
    pub restarts: usize,
    /// right / (right + wrong + missed), with its 95 % Wilson score interval.
    pub note_accuracy: Option<f64>,
    pub note_accuracy_low: Option<f64>,
    pub note_accuracy_high: Option<f64>,
}

/// From what a deviation is measured.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
pub enum DeviationFrom {
    /// A line through the onsets within four beats either side, without the note itself.
    Local,
    /// The click.
    Click,
}

#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct NoteCheck {
    pub index: usize,
    pub bar: String,
    pub pass: u32,
    pub beat: f64,
    pub written: String,
    pub outcome: Outcome,
    pub register_slip: bool,
    pub sounding_midi: i32,
    pub heard_midi: Option<i32>,
    pub onset_s: Option<f64>,
    pub offset_s: Option<f64>,
    /// Distance from the nearest equal-tempered pitch at the take's own A4.
    pub cents: Option<f64>,
    pub cents_se: Option<f64>,
    pub deviation_ms: Option<f64>,
    pub deviation_from: DeviationFrom,
    /// Error of `deviation_ms` from the errors of the onsets it is made of.
    pub deviation_se_ms: Option<f64>,
    pub confidence: f64,
    /// Tries before the last, oldest first.
    pub attempts: Vec<AttemptCheck>,
}

#[derive(Clone, Copy, Debug, PartialEq, Serialize, Deserialize)]
pub struct AttemptCheck {
    pub onset_s: Option<f64>,
    pub outcome: Outcome,
    pub heard_midi: Option<i32>,
}

#[derive(Clone, Copy, Debug, PartialEq, Serialize, Deserialize)]
pub struct AddedNote {
    pub onset_s: f64,
    pub offset_s: f64,
    /// Nearest sounding pitch at the take's tuning.
    pub midi: i32,
    pub after_index: Option<usize>,
}

#[derive(Clone, Copy, Debug, PartialEq, Serialize, Deserialize)]
pub struct Transition {
    pub onset_s: f64,
    pub ms: f64,
    pub midi: i32,
    pub after_index: Option<usize>,
}

#[derive(Clone, Copy, Debug, PartialEq, Serialize, Deserialize)]
pub struct RestartCheck {
    pub at_s: f64,
    pub from_index: usize,
    pub to_index: usize,
}

#[derive(Clone, Copy, Debug, PartialEq, Serialize, Deserialize)]
pub struct SkipCheck {
    pub at_s: f64,
    pub from_index: usize,
    pub to_index: usize,
    pub repeat_left_out: bool,
}

/// A wait where nothing written lets time stop, as long again as the note before: on that note for
/// a quarter of a second, or in silence for half a second and a beat (a shorter one is a breath).
#[derive(Clone, Copy, Debug, PartialEq, Serialize, Deserialize)]
pub struct StopCheck {
    /// Onset of the note waited on, seconds of the take.
    pub at_s: f64,
    /// The note waited on, and the one waited for.
    pub from_index: usize,
    pub to_index: usize,
    /// How much longer than due, and its standard error, seconds.
    pub waited_s: f64,
    pub waited_se_s: f64,
}

#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
pub enum Verdict {
    Even,
    Uneven,
    CannotTell,
}

/// Four or more notes of equal written length played in one attempt.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct Run {
    pub first_index: usize,
    pub last_index: usize,
    pub bar_first: String,
    pub bar_last: String,
    /// Written length of each note, in quarters.
    pub note_quarters: f64,
    pub ioi_mean_ms: f64,
    /// Spread of the onsets about a straight line, the measurement's own share taken out.
    pub deviation_sd_ms: f64,
    /// Error of `deviation_sd_ms` from the measurement alone.
    pub deviation_sd_se_ms: f64,
    pub measurement_sd_ms: f64,
    pub threshold_ms: f64,
    pub verdict: Verdict,
    pub slowest: SlowestChange,
    pub pattern: Option<Pattern>,
    /// Notes that are late or early by the rule, in playing order.
    pub late_or_early: Vec<usize>,
}

/// The change between two neighbours of a run that took longest against the run's own pace.
#[derive(Clone, Copy, Debug, PartialEq, Serialize, Deserialize)]
pub struct SlowestChange {
    pub from_index: usize,
    pub to_index: usize,
    pub excess_ms: f64,
    pub se_ms: f64,
}

#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
pub enum PatternKind {
    /// The first of every pair is held too long.
    LongShort,
    /// The second of every pair is held too long.
    ShortLong,
    /// The same place in every group comes late.
    LateNote,
}

#[derive(Clone, Copy, Debug, PartialEq, Serialize, Deserialize)]
pub struct Pattern {
    pub kind: PatternKind,
    /// Limping: mean first over mean second interval of the pairs (1 even, 2 triplet swing,
    /// 3 dotted). A late note: the interval before it over the others.
    pub ratio: f64,
    pub ratio_se: f64,
}

/// The same run in several attempts.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct RepeatedRun {
    pub first_index: usize,
    pub last_index: usize,
    pub attempts: usize,
    /// Spread of the notes' mean deviations: what stays the same from try to try.
    pub habit_sd_ms: f64,
    /// Spread of each note about its own mean: what changes from try to try.
    pub scatter_sd_ms: f64,
}

#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
pub enum SpanKind {
    Pushing,
    Dragging,
}

#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct Tempo {
    /// Quarters of the beat in which every bpm here is given.
    pub beat_quarters: f64,
    pub start_bpm: Option<f64>,
    pub start_bpm_se: Option<f64>,
    pub end_bpm: Option<f64>,
    pub end_bpm_se: Option<f64>,
    pub mean_bpm: Option<f64>,
    pub drift_bpm_per_min: Option<f64>,
    pub drift_se: Option<f64>,
    pub curve: Vec<TempoPoint>,
    pub spans: Vec<TempoSpan>,
    pub click: Option<ClickCheck>,
}

#[derive(Clone, Copy, Debug, PartialEq, Serialize, Deserialize)]
pub struct TempoPoint {
    pub index: usize,
    pub time_s: f64,
    pub bpm: f64,
    pub se: f64,
}

#[derive(Clone, Copy, Debug, PartialEq, Serialize, Deserialize)]
pub struct TempoSpan {
    pub first_index: usize,
    pub last_index: usize,
    pub kind: SpanKind,
    /// Faster positive. Over the whole take: end less start; elsewhere: the span's tempo
    /// less the take's course there.
    pub bpm_change: f64,
    pub se: f64,
}

#[derive(Clone, Copy, Debug, PartialEq, Serialize, Deserialize)]
pub struct ClickCheck {
    pub bpm: f64,
    /// Time of the first click at or after the take's start; `None` where the phase is unknown.
    pub first_s: Option<f64>,
    /// Clicks were heard in the take, but not at this tempo.
    pub clicks_disagree: bool,
    /// Quarters of the line from click to click as it was played: where a whole number of clicks
    /// went to the note value given, or of those to a click, not that value. `None` in old reports.
    #[serde(default)]
    pub beat_quarters: Option<f64>,
    /// The playing keeps neither the click's tempo nor a simple share of it: nothing is measured.
    #[serde(default)]
    pub other_tempo: bool,
    /// Mean distance of the notes from the click.
    pub offset_mean_ms: Option<f64>,
    pub offset_sd_ms: Option<f64>,
    pub trend_ms_per_min: Option<f64>,
}

/// Tongue and slur, length and level.
#[derive(Clone, Debug, Default, PartialEq, Serialize, Deserialize)]
pub struct ArticulationCheck {
    /// Slurred notes that came with a new tongue.
    pub slurred_tongued: Vec<usize>,
    /// Tongued notes that were run together with the note before.
    pub tongued_slurred: Vec<usize>,
    /// Sounding share of the written length of staccato notes, 0 to 1; `None` without any.
    pub staccato_share: Option<f64>,
    pub staccato_share_sd: Option<f64>,
    /// Mean level by octave of the written pitch, lowest first.
    pub levels: Vec<RegisterLevel>,
}

#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct RegisterLevel {
    /// Lowest and highest written pitch heard in this register.
    pub from: String,
    pub to: String,
    pub n_notes: usize,
    /// Level against the mean of the whole take.
    pub level_db: f64,
    pub level_se_db: f64,
}

/// How often a bar was tried, over all times through it.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct BarCheck {
    pub bar: String,
    pub attempts: usize,
    /// Whether the first try was clean; `None` where it was never tried.
    pub first_try: Option<bool>,
    /// Clean tries in a row up to the last one.
    pub clean_in_a_row: usize,
}

/// Kinds of finding, the same as the marks in pictures, and `skip`.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash, Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
pub enum FindingKind {
    Wrong,
    Missed,
    Added,
    Unsure,
    Sharp,
    Flat,
    Uneven,
    Pushing,
    Dragging,
    Restart,
    SlurredTongued,
    TonguedSlurred,
    Transposed,
    Skip,
    Stopped,
}

/// What lies behind a finding, as far as the notes show it.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash, Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
pub enum Cause {
    /// A single slip: nothing else points to a reason.
    Slip,
    /// A sharp or flat of the key signature was read as natural, or one too many put in.
    KeySignature,
    /// An accidental was forgotten later in its bar.
    AccidentalNotCarried,
    /// An accidental was kept beyond its bar.
    AccidentalCarriedTooFar,
    /// The printed accidental itself was not played.
    AccidentalOverlooked,
    /// Right note, wrong octave.
    Octave,
    /// Another register of the same fingering spoke.
    Register,
    /// The same written note went wrong the same way in most places.
    SameNoteAgain,
    /// The same place went wrong in several tries.
    SamePlaceAgain,
    /// Left out every time it was due.
    EveryTime,
    /// Grace notes in several places were left out.
    GraceNotes,
    /// Playing stopped and began again further back.
    WentBack,
    /// Playing jumped ahead.
    JumpedAhead,
    /// Playing stood still and went on.
    Waited,
    /// One finger change takes too long.
    FingerChange,
    /// Long-short or short-long where even notes are written.
    Limping,
    /// The same place in each group is late.
    RecurringLate,
    /// A whole run is scattered, no one change alone.
    Scatter,
    /// The tempo moved over the whole take.
    Drift,
    /// The tempo left its course for some bars.
    Stretch,
    /// Another instrument or another pitch standard.
    Transposition,
    /// This written note sits off the take's own tuning.
    Tendency,
    /// How the note was tongued.
    Tongue,
    /// The sound does not settle it.
    Unclear,
}

/// Where a finding stands: a note, or a span of notes.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize)]
#[serde(untagged)]
pub enum Place {
    Span {
        first_index: usize,
        last_index: usize,
    },
    Note {
        index: usize,
    },
}

impl Place {
    pub fn first(&self) -> usize {
        match *self {
            Place::Span { first_index, .. } => first_index,
            Place::Note { index } => index,
        }
    }

    pub fn last(&self) -> usize {
        match *self {
            Place::Span { last_index, .. } => last_index,
            Place::Note { index } => index,
        }
    }
}

/// One thing the player should know.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct Finding {
    pub kind: FindingKind,
    #[serde(flatten)]
    pub place: Place,
    pub bar: String,
    pub beat: f64,
    /// What was measured, in `unit`; its error.
    pub value: Option<f64>,
    pub unit: Option<String>,
    pub se: Option<f64>,
    pub cause: Cause,
    /// Written pitch expected, and what was heard, spelled for the player.
    pub written: Option<String>,
    pub heard: Option<String>,
    /// Every note of the line that this finding is about, in playing order.
    pub places: Vec<usize>,
    /// In words, for the player; put in by `show::words`.
    pub text: String,
}
