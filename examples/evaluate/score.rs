//! Counts of one take or of many; they add up.

use crate::truth::Truth;
use passagework::align::Outcome;
use passagework::hear::{Hearing, recording};
use passagework::judge::{Check, Verdict, stats};

/// Heard notes below this probability are not counted as said.
const SAID_CONFIDENCE: f64 = 0.5;
/// Pitch tolerance of the note metrics (mir_eval `transcription`), cents; `<=` by default.
const NOTE_CENTS: f64 = 50.0;
/// An added note of ours is the true one within this time, seconds.
const ADDED_WITHIN_S: f64 = 0.06;
/// A true added note shorter than this may be called either way (a transition up to 40 ms).
const ADDED_SHORTEST_S: f64 = 0.040;
/// A transition told is the true one within this time, seconds.
const BLIP_WITHIN_S: f64 = 0.015;
/// Our `restarts[].at_s` is the true one within this time, seconds.
const BREAK_WITHIN_S: f64 = 0.5;
/// Bins of confidence for notes called right.
pub const CONFIDENCE_BINS: [f64; 8] = [0.0, 0.5, 0.8, 0.9, 0.95, 0.98, 0.99, 0.999];

/// A sound this far from a note that was not heard is no longer told of beside it, seconds.
const NEAREST_WITHIN_S: f64 = 0.1;

/// Onsets further off are named one by one, ms.
const ONSET_FAR_MS: f64 = 8.0;

#[derive(Clone, Debug, Default)]
pub struct Score {
    pub n_takes: usize,
    pub audio_s: f64,
    pub hear_cpu_s: f64,
    pub rest_cpu_s: f64,
    pub hear: HearScore,
    pub click: ClickScore,
    /// Takes by what their recorder did, and by what was warned of, in the order of [`WARNINGS`].
    pub recorders: [[usize; 4]; 4],
    pub check: CheckScore,
}

/// The metronome in the take.
#[derive(Clone, Debug, Default)]
pub struct ClickScore {
    pub takes_with: usize,
    pub takes_without: usize,
    /// Takes with a click in which most clicks were heard; takes without in which some were.
    pub takes_found: usize,
    pub takes_invented: usize,
    pub n_clicks: usize,
    pub heard: usize,
    pub invented: usize,
    /// Phase: a take's clicks heard less true, median, ms; and each click about that.
    pub phase_ms: Vec<f64>,
    pub scatter_ms: Vec<f64>,
    /// Mean offset of the player from the click: said less meant, ms.
    pub offset_ms: Vec<f64>,
}

#[derive(Clone, Debug, Default)]
pub struct HearScore {
    pub n_reference: usize,
    pub n_estimated: usize,
    pub matched_50: usize,
    pub matched_25: usize,
    /// Frames of 10 ms inside true notes; right, an octave off, a twelfth off.
    pub frames: usize,
    pub frames_right: usize,
    pub frames_octave: usize,
    pub frames_twelfth: usize,
    /// Onset errors in ms: tongued, slurred, slurred with a touched pitch.
    pub tongued_ms: Vec<f64>,
    pub slurred_ms: Vec<f64>,
    pub blipped_ms: Vec<f64>,
    /// Tongued and slurred told apart.
    pub articulation: (usize, usize),
    /// Distance of the pitch of matched notes from the truth, cents.
    pub cents: Vec<f64>,
}

#[derive(Clone, Debug, Default)]
pub struct CheckScore {
    pub n_notes: usize,
    pub true_right: usize,
    pub false_accusations: usize,
    pub false_not_reached: usize,
    /// Right notes with an onset more than 60 ms off.
    pub misplaced: usize,
    pub unsure: usize,
    pub true_wrong: usize,
    pub wrong_found: usize,
    pub wrong_named: usize,
    pub wrong_pitch_right: usize,
    pub true_missed: usize,
    pub missed_found: usize,
    pub missed_named: usize,
    pub true_not_reached: usize,
    pub not_reached_found: usize,
    pub true_added: usize,
    pub added_found: usize,
    pub invented: usize,
    pub true_restarts: usize,
    pub restarts_found: usize,
    pub restarts_invented: usize,
    pub true_skips: usize,
    pub skips_found: usize,
    pub skips_invented: usize,
    /// Waits of any length and kind; those told as stops, and stops told where nobody waited; what
    /// was waited, told less true, ms.
    pub true_stops: usize,
    pub stops_found: usize,
    pub stops_invented: usize,
    pub stop_ms: Vec<f64>,
    /// Pitches touched at slurred changes, and transitions told elsewhere; length of those
    /// found less true, ms, and distance of their pitch, semitones.
    pub true_blips: usize,
    pub blips_found: usize,
    pub blips_invented: usize,
    pub blip_ms: Vec<f64>,
    pub blip_semitones: Vec<f64>,
    /// Tempo errors, in the truth's beats a minute.
    pub start_bpm: Vec<f64>,
    pub end_bpm: Vec<f64>,
    /// Run deviation less that of the true onsets, ms, absolute.
    pub run_ms: Vec<f64>,
    /// Runs by verdict: even, uneven, cannot tell.
    pub verdicts: [usize; 3],
    /// Called even though the true deviation is above half the threshold; called uneven though
    /// it is below half of half the threshold.
    pub even_wrongly: usize,
    pub uneven_wrongly: usize,
    /// Takes with a change that comes late: in them, whether a run with it was called uneven.
    pub late_changes: usize,
    pub late_changes_found: usize,
    /// Errors of A4 in cents.
    pub a4_cents: Vec<f64>,
    pub transposition_wrong: usize,
    /// Per bin of confidence, notes called right: how many, how many truly so.
    pub calibration: [(usize, usize); CONFIDENCE_BINS.len()],
}

impl Score {
    pub fn add(&mut self, other: &Score) {
        self.n_takes += other.n_takes;
        self.audio_s += other.audio_s;
        self.hear_cpu_s += other.hear_cpu_s;
        self.rest_cpu_s += other.rest_cpu_s;
        self.hear.add(&other.hear);
        self.click.add(&other.click);
        let more = other.recorders.iter().flatten();
        for (to, from) in self.recorders.iter_mut().flatten().zip(more) {
            *to += from;
        }
        self.check.add(&other.check);
    }
}

/// Adds counts up and appends lists.
macro_rules! add_fields {
    ($to:expr, $from:expr; counts $($count:ident),*; lists $($list:ident),*) => {
        $($to.$count += $from.$count;)*
        $($to.$list.extend(&$from.$list);)*
    };
}

impl HearScore {
    fn add(&mut self, other: &HearScore) {
        add_fields!(self, other;
            counts n_reference, n_estimated, matched_50, matched_25, frames, frames_right, frames_octave, frames_twelfth;
            lists tongued_ms, slurred_ms, blipped_ms, cents);
        self.articulation.0 += other.articulation.0;
        self.articulation.1 += other.articulation.1;
    }
}

impl ClickScore {
    fn add(&mut self, other: &ClickScore) {
        add_fields!(self, other;
            counts takes_with, takes_without, takes_found, takes_invented, n_clicks, heard, invented;
            lists phase_ms, scatter_ms, offset_ms);
    }
}

/// What a recorder may do, and the sentence that tells it; the first stands for nothing.
pub const WARNINGS: [(&str, &str); 4] = [
    ("plain", ""),
    ("gain", recording::AUTOMATIC_GAIN),
    ("suppression", recording::NOISE_SUPPRESSION),
    ("far", recording::FAR_MICROPHONE),
];

/// One take in the table of recorders: row what it did, column what was warned of; the first
/// column counts the takes. Takes whose truth says nothing count as plain.
pub fn score_recorder(truth: &Truth, hearing: &Hearing) -> [[usize; 4]; 4] {
    let mut table = [[0; 4]; 4];
    let did = truth.recorder.as_deref().unwrap_or("plain");
    let row = WARNINGS.iter().position(|w| w.0 == did).unwrap_or(0);
    table[row][0] = 1;
    for (column, (_, sentence)) in WARNINGS.iter().enumerate().skip(1) {
        let said = hearing.recording.warnings.iter().any(|w| w == sentence);
        table[row][column] = usize::from(said);
    }
    table
}

/// A click heard this near a true one is that one, seconds.
const CLICK_WITHIN_S: f64 = 0.008;

/// The clicks heard against those that sounded.
pub fn score_clicks(truth: &Truth, hearing: &Hearing, log: &mut Vec<String>) -> ClickScore {
    let mut score = ClickScore::default();
    let Some(click) = &truth.click else {
        score.takes_without = 1;
        score.takes_invented = usize::from(!hearing.clicks.is_empty());
        score.invented = hearing.clicks.len();
        if score.invented > 0 {
            log.push(format!(
                "{} clicks invented, the first at {:.3} s, the next at {:.3} s",
                score.invented,
                hearing.clicks[0].at_s,
                hearing.clicks.get(1).map_or(0.0, |c| c.at_s)
            ));
        }
        return score;
    };
    score.takes_with = 1;
    score.n_clicks = click.beats_s.len();
    let mut errors_ms = Vec::new();
    for heard in &hearing.clicks {
        let error_s = click
            .beats_s
            .iter()
            .map(|b| heard.at_s - b)
            .min_by(|a, b| a.abs().total_cmp(&b.abs()))
            .unwrap_or(f64::INFINITY);
        if error_s.abs() <= CLICK_WITHIN_S {
            errors_ms.push(1e3 * error_s);
        } else {
            score.invented += 1;
        }
    }
    score.heard = errors_ms.len();
    score.takes_found = usize::from(2 * score.heard > score.n_clicks);
    if let Some(phase_ms) = stats::median(&errors_ms) {
        score.phase_ms.push(phase_ms);
        score.scatter_ms = errors_ms.iter().map(|e| e - phase_ms).collect();
    }
    if score.takes_found == 0 || score.invented > 0 {
        log.push(format!(
            "clicks: {} of {} heard, {} elsewhere, {} dB",
            score.heard, score.n_clicks, score.invented, click.level_db
        ));
    }
    score
}

impl CheckScore {
    fn add(&mut self, other: &CheckScore) {
        add_fields!(self, other;
            counts n_notes, true_right, false_accusations, false_not_reached, misplaced, unsure, true_wrong,
                wrong_found, wrong_named, wrong_pitch_right, true_missed, missed_found, missed_named,
                true_not_reached, not_reached_found, true_added, added_found, invented, true_restarts,
                restarts_found, restarts_invented, true_skips, skips_found, skips_invented, true_stops, stops_found, stops_invented, even_wrongly,
                uneven_wrongly, late_changes, late_changes_found, transposition_wrong, true_blips, blips_found, blips_invented;
            lists stop_ms, blip_ms, blip_semitones, start_bpm, end_bpm, run_ms, a4_cents);
        for (to, from) in self.verdicts.iter_mut().zip(other.verdicts) {
            *to += from;
        }
        for (to, from) in self.calibration.iter_mut().zip(other.calibration) {
            to.0 += from.0;
            to.1 += from.1;
        }
    }
}

/// What was heard against what sounded.
///
/// Note F as in mir_eval's `transcription`: onset within the tolerance and pitch within 50
/// cents, both `<=`, the largest one-to-one matching, times rounded to four decimals.
pub fn score_hearing(truth: &Truth, hearing: &Hearing, log: &mut Vec<String>) -> HearScore {
    let references = truth.references();
    let said: Vec<_> = hearing
        .notes
        .iter()
        .filter(|n| n.confidence >= SAID_CONFIDENCE)
        .collect();
    let round = |s: f64| (s * 1e4).round() / 1e4;
    let matched = |within_s: f64| {
        let allowed: Vec<Vec<usize>> = references
            .iter()
            .map(|r| {
                let mut near: Vec<usize> = (0..said.len())
                    .filter(|&e| {
                        round((said[e].onset_s - r.onset_s).abs()) <= within_s
                            && 100.0 * (said[e].midi - r.midi).abs() <= NOTE_CENTS
                    })
                    .collect();
                near.sort_by(|a, b| {
                    let far = |e: &usize| (said[*e].onset_s - r.onset_s).abs();
                    far(a).total_cmp(&far(b))
                });
                near
            })
            .collect();
        crate::matching::maximum(said.len(), &allowed)
    };
    let pairs = matched(0.05);
    let mut score = HearScore {
        n_reference: references.len(),
        n_estimated: said.len(),
        matched_50: pairs.len(),
        matched_25: matched(0.025).len(),
        ..HearScore::default()
    };
    for &(r, e) in &pairs {
        let (reference, estimate) = (&references[r], said[e]);
        let error_ms = 1000.0 * (estimate.onset_s - reference.onset_s);
        if error_ms.abs() > ONSET_FAR_MS {
            log.push(format!(
                "onset {error_ms:+.1} ms off: {:.3} s, midi {:.2}, {}{}, after {:.3} s",
                reference.onset_s,
                reference.midi,
                if reference.tongued {
                    "tongued"
                } else {
                    "slurred"
                },
                if reference.blip { " past a blip" } else { "" },
                reference.onset_s
                    - if r > 0 {
                        references[r - 1].onset_s
                    } else {
                        0.0
                    }
            ));
        }
        match (reference.tongued, reference.blip) {
            (true, _) => score.tongued_ms.push(error_ms),
            (false, false) => score.slurred_ms.push(error_ms),
            (false, true) => score.blipped_ms.push(error_ms),
        }
        score.articulation.1 += 1;
        score.articulation.0 += (reference.tongued == estimate.tongued) as usize;
        score.cents.push(100.0 * (estimate.midi - reference.midi));
    }
    for (r, reference) in references.iter().enumerate() {
        if !pairs.iter().any(|p| p.0 == r) {
            // The sound nearest in time and pitch, doubtful ones too: was it weighed or never seen?
            let nearest = hearing
                .notes
                .iter()
                .filter(|n| (n.onset_s - reference.onset_s).abs() < NEAREST_WITHIN_S)
                .min_by(|a, b| {
                    let far = |n: &passagework::hear::HeardNote| {
                        (n.onset_s - reference.onset_s).abs() + (n.midi - reference.midi).abs()
                    };
                    far(a).total_cmp(&far(b))
                });
            log.push(format!(
                "not heard: {:.3} s, midi {:.2}, {}; nearest {}",
                reference.onset_s,
                reference.midi,
                if reference.tongued {
                    "tongued"
                } else {
                    "slurred"
                },
                nearest.map_or("nothing".to_owned(), |n| format!(
                    "{:.3}–{:.3} s, midi {:.2}, confidence {:.2}",
                    n.onset_s, n.offset_s, n.midi, n.confidence
                ))
            ));
        }
    }
    for (e, estimate) in said.iter().enumerate() {
        if !pairs.iter().any(|p| p.1 == e) {
            log.push(format!(
                "heard beyond: {:.3}–{:.3} s, midi {:.2}, {}, confidence {:.2}",
                estimate.onset_s,
                estimate.offset_s,
                estimate.midi,
                if estimate.tongued {
                    "tongued"
                } else {
                    "slurred"
                },
                estimate.confidence
            ));
        }
    }
    count_frames(&references, &said, &mut score);
    score
}

/// Raw pitch accuracy: frames of 10 ms inside true notes, error strictly below 50 cents.
fn count_frames(
    references: &[crate::truth::Reference],
    said: &[&passagework::hear::HeardNote],
    score: &mut HearScore,
) {
    const FRAME_S: f64 = 0.010;
    for reference in references {
        let Some(offset_s) = reference.offset_s else {
            continue;
        };
        let first = (reference.onset_s / FRAME_S).ceil() as usize;
        let last = (offset_s / FRAME_S).floor() as usize;
        for frame in first..=last {
            let t_s = frame as f64 * FRAME_S;
            score.frames += 1;
            // Where two notes overlap the later one counts.
            let Some(note) = said
                .iter()
                .rev()
                .find(|n| n.onset_s <= t_s && t_s < n.offset_s)
            else {
                continue;
            };
            let semitones = (note.midi - reference.midi).abs();
            let near = |wanted: f64| 100.0 * (semitones - wanted).abs() < NOTE_CENTS;
            score.frames_right += near(0.0) as usize;
            score.frames_octave += near(12.0) as usize;
            score.frames_twelfth += near(19.0) as usize;
        }
    }
}

/// What was said against what happened.
pub fn score_check(truth: &Truth, check: &Check, log: &mut Vec<String>) -> CheckScore {
    let mut score = CheckScore {
        n_notes: truth.notes.len(),
        ..CheckScore::default()
    };
    if truth.notes.len() != check.notes.len() {
        log.push(format!(
            "the line has {} notes, the truth {}",
            check.notes.len(),
            truth.notes.len()
        ));
    }
    for (true_note, said) in truth.notes.iter().zip(&check.notes) {
        let accused = matches!(said.outcome, Outcome::Wrong | Outcome::Missed);
        let mut fault = false;
        match true_note.outcome.as_str() {
            "right" => {
                score.true_right += 1;
                score.false_accusations += accused as usize;
                score.false_not_reached += (said.outcome == Outcome::NotReached) as usize;
                let far = true_note
                    .onset
                    .zip(said.onset_s)
                    .is_some_and(|(t, s)| (t - s).abs() > ADDED_WITHIN_S);
                score.misplaced += (far && said.outcome == Outcome::Right) as usize;
                fault = said.outcome != Outcome::Right || far;
            }
            "wrong" => {
                score.true_wrong += 1;
                score.wrong_found += accused as usize;
                score.wrong_named += (said.outcome == Outcome::Wrong) as usize;
                let pitch = said.outcome == Outcome::Wrong && said.heard_midi == true_note.midi;
                score.wrong_pitch_right += pitch as usize;
                fault = !pitch;
            }
            "missed" => {
                score.true_missed += 1;
                score.missed_found += accused as usize;
                score.missed_named += (said.outcome == Outcome::Missed) as usize;
                fault = said.outcome != Outcome::Missed;
            }
            _ => {
                score.true_not_reached += 1;
                score.not_reached_found += (said.outcome == Outcome::NotReached) as usize;
                fault |= said.outcome != Outcome::NotReached;
            }
        }
        score.unsure += (said.outcome == Outcome::Unsure) as usize;
        if said.outcome == Outcome::Right {
            let bin = CONFIDENCE_BINS
                .iter()
                .rposition(|low| said.confidence >= *low)
                .unwrap_or(0);
            score.calibration[bin].0 += 1;
            score.calibration[bin].1 += (true_note.outcome == "right") as usize;
        }
        if fault {
            log.push(format!(
                "note {} (bar {}, beat {:.2}, {}): truly {} {:?} at {:?} s, said {:?} {:?} at {:?} s, confidence {:.2}",
                said.index, said.bar, said.beat, said.written, true_note.outcome, true_note.midi, true_note.onset,
                said.outcome, said.heard_midi, said.onset_s, said.confidence
            ));
        }
    }
    score_added(truth, check, &mut score, log);
    score_blips(truth, check, &mut score);
    let restarts: Vec<_> = check
        .restarts
        .iter()
        .map(|r| (r.at_s, r.from_index, r.to_index))
        .collect();
    let skips: Vec<_> = check
        .skips
        .iter()
        .map(|r| (r.at_s, r.from_index, r.to_index))
        .collect();
    (
        score.true_restarts,
        score.restarts_found,
        score.restarts_invented,
    ) = score_jumps("restart", &truth.restarts, &restarts, log);
    (score.true_skips, score.skips_found, score.skips_invented) =
        score_jumps("skip", &truth.skips, &skips, log);
    score_stops(truth, check, &mut score, log);
    score_tempo(truth, check, &mut score, log);
    score_runs(truth, check, &mut score, log);
    let cents = 1200.0 * (check.tuning.a4_hz / truth.a4).log2();
    // A take nearer to the next semitone may be told as transposed and tuned back.
    let shift = check.tuning.transposed_semitones - truth.transposed_semitones;
    score.a4_cents.push(cents + 100.0 * shift as f64);
    score.transposition_wrong += (shift != 0 && cents.abs() < 50.0) as usize;
    score
}

fn score_added(truth: &Truth, check: &Check, score: &mut CheckScore, log: &mut Vec<String>) {
    let allowed: Vec<Vec<usize>> = truth
        .added
        .iter()
        .map(|a| {
            (0..check.added.len())
                .filter(|&e| {
                    let said = &check.added[e];
                    (said.onset_s - a.onset).abs() <= ADDED_WITHIN_S && said.midi == a.midi
                })
                .collect()
        })
        .collect();
    let pairs = crate::matching::maximum(check.added.len(), &allowed);
    for (index, added) in truth.added.iter().enumerate() {
        let found = pairs.iter().any(|p| p.0 == index);
        if added.duration.is_some_and(|d| d < ADDED_SHORTEST_S) && !found {
            continue;
        }
        score.true_added += 1;
        score.added_found += found as usize;
        if !found {
            log.push(format!(
                "added note not found: {:.3} s, midi {}, {:?} s long",
                added.onset, added.midi, added.duration
            ));
        }
    }
    for (index, said) in check.added.iter().enumerate() {
        if !pairs.iter().any(|p| p.1 == index) {
            score.invented += 1;
            log.push(format!(
                "invented: {:.3}–{:.3} s, midi {}, after note {:?}",
                said.onset_s, said.offset_s, said.midi, said.after_index
            ));
        }
    }
}

/// Transitions told against the pitches truly touched, matched by time alone.
fn score_blips(truth: &Truth, check: &Check, score: &mut CheckScore) {
    let allowed: Vec<Vec<usize>> = truth
        .blips
        .iter()
        .map(|blip| {
            let near = |e: &usize| (check.transitions[*e].onset_s - blip.onset).abs();
            let mut near_ones: Vec<usize> = (0..check.transitions.len())
                .filter(|e| near(e) <= BLIP_WITHIN_S)
                .collect();
            near_ones.sort_by(|a, b| near(a).total_cmp(&near(b)));
            near_ones
        })
        .collect();
    let pairs = crate::matching::maximum(check.transitions.len(), &allowed);
    score.true_blips = truth.blips.len();
    score.blips_found = pairs.len();
    score.blips_invented = check.transitions.len() - pairs.len();
    for (blip, said) in &pairs {
        let (blip, said) = (&truth.blips[*blip], &check.transitions[*said]);
        score.blip_ms.push(said.ms - 1e3 * blip.duration);
        let tuning = 12.0 * (check.tuning.a4_hz / 440.0).log2();
        score
            .blip_semitones
            .push(f64::from(said.midi) + tuning - blip.midi);
    }
}

/// (true, found, invented).
fn score_jumps(
    what: &str,
    truths: &[crate::truth::TrueJump],
    said: &[(f64, usize, usize)],
    log: &mut Vec<String>,
) -> (usize, usize, usize) {
    let allowed: Vec<Vec<usize>> = truths
        .iter()
        .map(|t| {
            (0..said.len())
                .filter(|&e| {
                    said[e].2 == t.to_index && (said[e].0 - t.at_s).abs() <= BREAK_WITHIN_S
                })
                .collect()
        })
        .collect();
    let pairs = crate::matching::maximum(said.len(), &allowed);
    for (index, t) in truths.iter().enumerate() {
        if !pairs.iter().any(|p| p.0 == index) {
            log.push(format!(
                "{what} not found: at {:.2} s from {} to {}",
                t.at_s, t.from_index, t.to_index
            ));
        }
    }
    for (index, s) in said.iter().enumerate() {
        if !pairs.iter().any(|p| p.1 == index) {
            log.push(format!(
                "{what} invented: at {:.2} s from {} to {}",
                s.0, s.1, s.2
            ));
        }
    }
    (truths.len(), pairs.len(), said.len() - pairs.len())
}

fn score_stops(truth: &Truth, check: &Check, score: &mut CheckScore, log: &mut Vec<String>) {
    score.true_stops += truth.stops.len();
    for said in &check.stops {
        let wait = truth.stops.iter().find(|s| s.to_index == said.to_index);
        let Some(wait) = wait else {
            score.stops_invented += 1;
            log.push(format!(
                "stop invented: {:.2} s before note {}",
                said.waited_s, said.to_index
            ));
            continue;
        };
        score.stops_found += 1;
        score.stop_ms.push(1e3 * (said.waited_s - wait.waited_s));
    }
}

fn score_tempo(truth: &Truth, check: &Check, score: &mut CheckScore, log: &mut Vec<String>) {
    let Some(beat_quarters) = truth.beat_quarters else {
        return;
    };
    let scale = check.tempo.beat_quarters / beat_quarters;
    let error =
        |said: Option<f64>, wanted: Option<f64>| said.zip(wanted).map(|(s, w)| s * scale - w);
    let start = error(check.tempo.start_bpm, truth.start_bpm);
    let end = error(check.tempo.end_bpm, truth.end_bpm);
    score.start_bpm.extend(start);
    score.end_bpm.extend(end);
    if [start, end].iter().flatten().any(|e| e.abs() > 0.6) {
        log.push(format!(
            "tempo: said {:?} to {:?}, truly {:?} to {:?}",
            check.tempo.start_bpm, check.tempo.end_bpm, truth.start_bpm, truth.end_bpm
        ));
    }
}

fn score_runs(truth: &Truth, check: &Check, score: &mut CheckScore, log: &mut Vec<String>) {
    for run in &check.runs {
        let onsets_ms: Option<Vec<f64>> = truth
            .notes
            .get(run.first_index..=run.last_index)
            .and_then(|notes| notes.iter().map(|n| n.onset.map(|s| 1000.0 * s)).collect());
        match run.verdict {
            Verdict::Even => score.verdicts[0] += 1,
            Verdict::Uneven => score.verdicts[1] += 1,
            Verdict::CannotTell => score.verdicts[2] += 1,
        }
        let Some(onsets_ms) = onsets_ms.filter(|o| o.len() >= 4) else {
            continue;
        };
        let true_sd_ms = deviation_sd(&onsets_ms);
        let error_ms = (run.deviation_sd_ms - true_sd_ms).abs();
        score.run_ms.push(error_ms);
        let half_ms = 0.5 * run.threshold_ms;
        let even_wrongly = run.verdict == Verdict::Even && true_sd_ms > half_ms;
        let uneven_wrongly = run.verdict == Verdict::Uneven && true_sd_ms < 0.5 * half_ms;
        score.even_wrongly += even_wrongly as usize;
        score.uneven_wrongly += uneven_wrongly as usize;
        if error_ms > 1.0 || even_wrongly || uneven_wrongly {
            log.push(format!(
                "run {} to {} (bar {}): said {:.2} ms {:?}, truly {:.2} ms, threshold {:.1} ms",
                run.first_index,
                run.last_index,
                run.bar_first,
                run.deviation_sd_ms,
                run.verdict,
                true_sd_ms,
                run.threshold_ms
            ));
        }
    }
    if let Some(late) = truth.late_change {
        score.late_changes += 1;
        let found = check.runs.iter().any(|run| {
            let pair = (run.slowest.from_index, run.slowest.to_index);
            let midi = |index: usize| truth.notes.get(index).and_then(|n| n.midi);
            run.verdict == Verdict::Uneven
                && midi(pair.0) == Some(late.from_midi)
                && midi(pair.1) == Some(late.to_midi)
        });
        score.late_changes_found += found as usize;
        if !found {
            log.push(format!(
                "late change {} to {} by {:.0} ms not found",
                late.from_midi, late.to_midi, late.late_ms
            ));
        }
    }
}

/// Standard deviation of onsets about their fitted straight line, two degrees of freedom taken.
fn deviation_sd(onsets_ms: &[f64]) -> f64 {
    let x: Vec<f64> = (0..onsets_ms.len()).map(|i| i as f64).collect();
    let (mean_x, mean_y) = (stats::mean(&x), stats::mean(onsets_ms));
    let sxx: f64 = x.iter().map(|v| (v - mean_x).powi(2)).sum();
    let sxy: f64 = x
        .iter()
        .zip(onsets_ms)
        .map(|(a, b)| (a - mean_x) * (b - mean_y))
        .sum();
    let slope = sxy / sxx;
    let squares: f64 = x
        .iter()
        .zip(onsets_ms)
        .map(|(a, b)| (b - mean_y - slope * (a - mean_x)).powi(2))
        .sum();
    (squares / (x.len() as f64 - 2.0)).sqrt()
}
