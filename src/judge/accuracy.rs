//! Right, wrong, missed, added: the notes and their counts.

use std::collections::BTreeMap;

use super::check::{
    AddedNote, AttemptCheck, BarCheck, DeviationFrom, NoteCheck, Summary, Transition,
};
use super::local::Deviation;
use super::stats::wilson_95;
use crate::align::{Alignment, Extra, Outcome};
use crate::hear::Hearing;
use crate::line::Line;

/// What each warning about the recording leaves of a note's confidence. The hearing has
/// already weighed the sound of each note; this is for what it cannot see of itself.
const CONFIDENCE_PER_WARNING: f64 = 0.98;

/// Measurements by index of the line, and the ends of the heard notes by theirs.
pub struct Measured<'a> {
    pub ends: &'a [f64],
    pub local: &'a [Option<Deviation>],
    pub from_click: &'a [Option<Deviation>],
    pub cents: &'a [Option<(f64, f64)>],
}

/// One entry a note of the line.
pub fn notes(
    line: &Line,
    hearing: &Hearing,
    alignment: &Alignment,
    measured: &Measured,
) -> Vec<NoteCheck> {
    let trust = CONFIDENCE_PER_WARNING.powi(hearing.recording.warnings.len() as i32);
    let onset = |heard_idx: Option<usize>| Some(hearing.notes.get(heard_idx?)?.onset_s);
    line.notes
        .iter()
        .zip(&alignment.notes)
        .enumerate()
        .map(|(index, (note, matched))| {
            let last = &matched.last;
            let cents = measured.cents.get(index).copied().flatten();
            let (deviation, deviation_from) = match measured.from_click[index] {
                Some(d) => (Some(d), DeviationFrom::Click),
                None => (measured.local[index], DeviationFrom::Local),
            };
            NoteCheck {
                index,
                bar: note.bar.clone(),
                pass: note.pass,
                beat: note.beat,
                written: note.written.to_string(),
                outcome: last.outcome,
                register_slip: last.register_slip,
                sounding_midi: note.sounding_midi,
                heard_midi: last.heard_midi,
                onset_s: onset(last.heard_idx),
                offset_s: last.heard_idx.and_then(|h| measured.ends.get(h).copied()),
                cents: cents.map(|c| c.0),
                cents_se: cents.map(|c| c.1),
                deviation_ms: deviation.map(|d| d.ms),
                deviation_from,
                deviation_se_ms: deviation.map(|d| d.se_ms),
                confidence: (last.confidence * trust).clamp(0.0, 1.0),
                attempts: matched
                    .earlier
                    .iter()
                    .map(|a| AttemptCheck {
                        onset_s: onset(a.heard_idx),
                        outcome: a.outcome,
                        heard_midi: a.heard_midi,
                    })
                    .collect(),
            }
        })
        .collect()
}

/// Counts, and the share of right notes with its interval.
pub fn summary(notes: &[NoteCheck], added: usize, restarts: usize) -> Summary {
    let count = |outcome| notes.iter().filter(|n| n.outcome == outcome).count();
    let (right, wrong, missed) = (
        count(Outcome::Right),
        count(Outcome::Wrong),
        count(Outcome::Missed),
    );
    let judged = right + wrong + missed;
    let interval = wilson_95(right, judged);
    Summary {
        expected: notes.len(),
        right,
        wrong,
        missed,
        added,
        unsure: count(Outcome::Unsure),
        not_reached: count(Outcome::NotReached),
        restarts,
        note_accuracy: (judged > 0).then(|| right as f64 / judged as f64),
        note_accuracy_low: interval.map(|i| i.0),
        note_accuracy_high: interval.map(|i| i.1),
    }
}

pub fn added(hearing: &Hearing, alignment: &Alignment, a4_hz: f64) -> Vec<AddedNote> {
    extras(hearing, &alignment.added)
        .map(|(extra, heard)| AddedNote {
            onset_s: heard.onset_s,
            offset_s: heard.offset_s,
            midi: nearest_midi(heard.midi, a4_hz),
            after_index: extra.after_idx,
        })
        .collect()
}

/// Sounds between two notes that are none, in order: those too short for a note, and the
/// pitches touched at a finger change of the line.
pub fn transitions(hearing: &Hearing, alignment: &Alignment, a4_hz: f64) -> Vec<Transition> {
    let mut transitions: Vec<Transition> = extras(hearing, &alignment.transitions)
        .map(|(extra, heard)| Transition {
            onset_s: heard.onset_s,
            ms: 1e3 * heard.duration_s(),
            midi: nearest_midi(heard.midi, a4_hz),
            after_index: extra.after_idx,
        })
        .collect();
    let mut begun: Vec<(f64, usize)> = Vec::new();
    for (index, matched) in alignment.notes.iter().enumerate() {
        for attempt in matched.earlier.iter().chain([&matched.last]) {
            let heard = attempt.heard_idx.and_then(|idx| hearing.notes.get(idx));
            begun.extend(heard.map(|note| (note.onset_s, index)));
        }
    }
    begun.sort_by(|a, b| a.0.total_cmp(&b.0));
    transitions.extend(hearing.blips.iter().filter_map(|blip| {
        let before = begun.partition_point(|(onset_s, _)| *onset_s < blip.onset_s);
        // Noodling before the first note and after the last is no finger change of the line.
        begun.get(before)?;
        Some(Transition {
            onset_s: blip.onset_s,
            ms: 1e3 * blip.length_s,
            midi: nearest_midi(blip.midi, a4_hz),
            after_index: Some(begun[before.checked_sub(1)?].1),
        })
    }));
    transitions.sort_by(|a, b| a.onset_s.total_cmp(&b.onset_s));
    transitions
}

fn extras<'a>(
    hearing: &'a Hearing,
    extras: &'a [Extra],
) -> impl Iterator<Item = (&'a Extra, &'a crate::hear::HeardNote)> {
    extras
        .iter()
        .filter_map(|e| Some((e, hearing.notes.get(e.heard_idx)?)))
}

/// Nearest MIDI number at the take's tuning of a pitch given at A4 = 440 Hz.
fn nearest_midi(midi: f64, a4_hz: f64) -> i32 {
    (midi - 12.0 * (a4_hz / 440.0).log2()).round() as i32
}

/// One try at one bar.
#[derive(Default)]
struct Try {
    heard: usize,
    right: usize,
    notes: usize,
    added: usize,
}

impl Try {
    /// Begun at its first note or not, a clean try holds the whole bar, all right, nothing more.
    fn clean(&self, bar_notes: usize) -> bool {
        self.right == self.notes && self.notes == bar_notes && self.added == 0
    }
}

/// Tries at each printed bar, over all times through it, in order of first appearance.
///
/// A note that cannot be told counts for the player here.
pub fn bars(line: &Line, alignment: &Alignment) -> Vec<BarCheck> {
    // (page bar) → (stretch, bar in playing order) → try: a restart or another time through
    // begins the next.
    let mut pages: BTreeMap<usize, BTreeMap<(usize, usize), Try>> = BTreeMap::new();
    let mut stretch_of_heard: BTreeMap<usize, usize> = BTreeMap::new();
    for (note, matched) in line.notes.iter().zip(&alignment.notes) {
        let Some(bar) = line.bars.get(note.bar_idx) else {
            continue;
        };
        let page = pages.entry(bar.page_idx).or_default();
        for attempt in matched.earlier.iter().chain([&matched.last]) {
            if attempt.outcome == Outcome::NotReached {
                continue;
            }
            let this = page.entry((attempt.stretch, note.bar_idx)).or_default();
            this.notes += 1;
            this.heard += usize::from(attempt.heard_idx.is_some());
            this.right += usize::from(matches!(attempt.outcome, Outcome::Right | Outcome::Unsure));
            if let Some(heard) = attempt.heard_idx {
                stretch_of_heard.insert(heard, attempt.stretch);
            }
        }
    }
    for extra in &alignment.added {
        let Some(note) = extra.after_idx.and_then(|idx| line.notes.get(idx)) else {
            continue;
        };
        let stretch = stretch_of_heard
            .range(..extra.heard_idx)
            .next_back()
            .map_or(0, |(_, stretch)| *stretch);
        if let Some(this) = line
            .bars
            .get(note.bar_idx)
            .and_then(|bar| pages.get_mut(&bar.page_idx))
            .and_then(|page| page.get_mut(&(stretch, note.bar_idx)))
        {
            this.added += 1;
        }
    }
    let mut written: BTreeMap<usize, usize> = BTreeMap::new();
    for note in &line.notes {
        *written.entry(note.bar_idx).or_default() += 1;
    }
    let mut told = Vec::new();
    let mut seen = std::collections::BTreeSet::new();
    for bar in &line.bars {
        let Some(page) = pages
            .get(&bar.page_idx)
            .filter(|_| seen.insert(bar.page_idx))
        else {
            continue;
        };
        let clean: Vec<bool> = page
            .iter()
            .filter(|(_, t)| t.heard > 0)
            .map(|((_, bar_idx), t)| t.clean(written[bar_idx]))
            .collect();
        told.push(BarCheck {
            bar: bar.number.clone(),
            attempts: clean.len(),
            first_try: clean.first().copied(),
            clean_in_a_row: clean.iter().rev().take_while(|c| **c).count(),
        });
    }
    told
}
