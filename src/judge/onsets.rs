//! The take as a sequence of onsets: what evenness, tempo and click are measured on.

use crate::align::{Alignment, Attempt, Outcome};
use crate::hear::Hearing;
use crate::line::Line;

use super::stats::median;

/// Least standard error of any onset, seconds.
///
/// A tone's beginning is itself blurred over part of a period: a tenth of the 3.4 ms
/// period of the middle of a wind instrument's range (about 290 Hz) is 0.3 ms, and a
/// fit that promises better promises what the sound does not hold.
pub const ONSET_SE_FLOOR_S: f64 = 0.0003;
/// Two written lengths count as equal within this share (files made from playing round them).
const EQUAL_LENGTH_SHARE: f64 = 0.02;
/// A silence shorter than this share of the note before it is its articulation, not a rest.
const REST_SHARE: f64 = 0.2;

/// What stands before a note of the line, as far as it lets time stop.
#[derive(Clone, Copy, Debug, Default, PartialEq)]
pub struct Before {
    /// A breath mark or fermata on the note before: the beat may stand still here.
    pub halt: bool,
    /// Rest before the note, in quarters.
    pub rest_quarters: f64,
    /// The note is ornamented or follows grace notes: its onset is not one clear moment.
    pub unsteady: bool,
}

/// [`Before`] of every note of the line.
pub fn before_each(line: &Line) -> Vec<Before> {
    let mut befores = Vec::with_capacity(line.notes.len());
    let mut previous: Option<usize> = None;
    for (idx, note) in line.notes.iter().enumerate() {
        let mut before = Before {
            unsteady: note.grace || note.ornament.is_some(),
            ..Before::default()
        };
        if let Some(p) = previous {
            let p = &line.notes[p];
            before.halt = p.fermata || p.breath_after;
            let rest = note.onset_quarters - p.onset_quarters - p.duration_quarters;
            if rest > REST_SHARE * p.duration_quarters {
                before.rest_quarters = rest;
            }
        }
        if idx > 0 && line.notes[idx - 1].grace {
            before.unsteady = true;
            before.halt |= line.notes[idx - 1].breath_after;
        }
        if !note.grace {
            previous = Some(idx);
        }
        befores.push(before);
    }
    befores
}

/// True where two notes have the same written length.
pub fn equal_length(a_quarters: f64, b_quarters: f64) -> bool {
    (a_quarters - b_quarters).abs() <= EQUAL_LENGTH_SHARE * a_quarters.max(b_quarters)
}

/// Quarters of a beat where the note stands.
pub fn beat_quarters_at(line: &Line, idx: usize) -> f64 {
    line.bars
        .get(line.notes[idx].bar_idx)
        .map(|bar| bar.beat_quarters)
        .filter(|b| *b > 0.0)
        .unwrap_or(1.0)
}

/// One onset of the take that belongs to a note of the line.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Played {
    pub idx: usize,
    pub heard_idx: usize,
    pub stretch: usize,
    pub onset_s: f64,
    pub onset_se_s: f64,
    /// Its place in the line.
    pub quarters: f64,
    /// This is the attempt the note is judged by.
    pub judged: bool,
    /// One clear moment: may carry a fit.
    pub steady: bool,
    pub tongued: bool,
    pub outcome: Outcome,
}

/// Every onset heard for a note of the line, stretch after stretch, each in order of the line.
/// `quarters` are the places of the notes as they were to be played.
pub fn played(
    line: &Line,
    quarters: &[f64],
    hearing: &Hearing,
    alignment: &Alignment,
) -> Vec<Played> {
    let befores = before_each(line);
    let mut list = Vec::new();
    for (idx, matched) in alignment.notes.iter().enumerate().take(line.notes.len()) {
        let mut take = |attempt: &Attempt, judged: bool| {
            let heard = attempt
                .heard_idx
                .and_then(|h| Some((h, hearing.notes.get(h)?)));
            if let Some((heard_idx, heard)) = heard {
                list.push(Played {
                    idx,
                    heard_idx,
                    stretch: attempt.stretch,
                    onset_s: heard.onset_s,
                    onset_se_s: heard.onset_se_s.max(ONSET_SE_FLOOR_S),
                    quarters: quarters[idx],
                    judged,
                    steady: !befores[idx].unsteady,
                    tongued: heard.tongued,
                    outcome: attempt.outcome,
                });
            }
        };
        for attempt in &matched.earlier {
            take(attempt, false);
        }
        take(&matched.last, true);
    }
    list.sort_by_key(|p| (p.stretch, p.idx));
    list
}

/// A note late by less than this, seconds, or by less than this many times what its neighbours
/// are off, was no pause.
const PAUSE_S: f64 = 0.08;
const PAUSE_SCATTERS: f64 = 4.0;
/// A pause is silent for at least this share of it …
const PAUSE_SILENT_SHARE: f64 = 0.6;
/// … or so long that the player stopped on a note, seconds and beats.
const STOP_S: f64 = 0.5;
const STOP_BEATS: f64 = 1.0;
/// … or, without a breath, on a note twice as long as due, for at least so long, seconds.
const HELD_S: f64 = 0.25;
/// Intervals either side that say what time was due.
const PAUSE_NEIGHBOURS: usize = 8;
const PAUSE_NEIGHBOURS_MIN: usize = 4;
/// Where half of the intervals are off by more than this share of what is due, the player stops so
/// often that the middle one is a stop itself; then a shorter one says what is due, of this rank.
const STOPPING_SHARE: f64 = 0.2;
const STOPPING_RANK: f64 = 0.25;
/// Notes after it within which a late note's time may be made up, and the share of it that
/// makes it a late note and no pause.
const MADE_UP_NOTES: usize = 3;
const MADE_UP_SHARE: f64 = 0.5;

/// The player stopped: waited so much longer than due before note `idx`, where nothing written
/// lets time stop.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Stop {
    pub idx: usize,
    /// Onset of the note before it, and of itself.
    pub from_s: f64,
    pub to_s: f64,
    pub waited_s: f64,
    /// From the onsets and from what the neighbours scatter.
    pub waited_se_s: f64,
}

/// `befores` with the pauses that were played: the player breathed or stopped, the time was not
/// made up, and no note on the other side says when this one was due; and those of them that are
/// stops. `ends` as from [`ends`].
pub fn with_pauses(
    line: &Line,
    mut befores: Vec<Before>,
    played: &[Played],
    ends: &[f64],
) -> (Vec<Before>, Vec<Stop>) {
    let mut stops = Vec::new();
    for stretch in stretches(played) {
        let gaps: Vec<(f64, f64)> = stretch
            .windows(2)
            .map(|pair| {
                (
                    pair[1].onset_s - pair[0].onset_s,
                    pair[1].quarters - pair[0].quarters,
                )
            })
            .collect();
        for at in 1..stretch.len() {
            let (before, here) = (&stretch[at - 1], &stretch[at]);
            if !here.judged || here.idx != before.idx + 1 {
                continue;
            }
            let late_s = late_in(&gaps, at - 1);
            let Some((late_s, scatter_s, quarter_s)) = late_s else {
                continue;
            };
            let silent_s = here.onset_s - ends.get(before.heard_idx).copied().unwrap_or(0.0);
            let beat_s = quarter_s * beat_quarters_at(line, here.idx);
            let breathed = silent_s >= PAUSE_SILENT_SHARE * late_s;
            let stood_still = late_s >= STOP_S.max(STOP_BEATS * beat_s);
            let doubled = late_s >= gaps[at - 1].1 * quarter_s;
            let held = doubled && !breathed && late_s >= HELD_S;
            if late_s < PAUSE_S.max(PAUSE_SCATTERS * scatter_s)
                || !(breathed || stood_still || held)
            {
                continue;
            }
            let after = &gaps[at..(at + MADE_UP_NOTES).min(gaps.len())];
            let (took_s, quarters) = after
                .iter()
                .fold((0.0, 0.0), |sum, gap| (sum.0 + gap.0, sum.1 + gap.1));
            if quarters * quarter_s - took_s >= MADE_UP_SHARE * late_s {
                continue;
            }
            let written = befores[here.idx];
            // A note tongued again that was not heard looks like a wait.
            let midi = |idx: usize| line.notes[idx].sounding_midi;
            let again = before.idx > 0 && midi(before.idx) == midi(before.idx - 1);
            let stopped = (held || stood_still && doubled) && (breathed || !again);
            if stopped && !written.halt && written.rest_quarters == 0.0 {
                let onsets2 = before.onset_se_s.powi(2) + here.onset_se_s.powi(2);
                stops.push(Stop {
                    idx: here.idx,
                    from_s: before.onset_s,
                    to_s: here.onset_s,
                    waited_s: late_s,
                    waited_se_s: (onsets2 + scatter_s * scatter_s).sqrt(),
                });
            }
            befores[here.idx].halt = true;
        }
    }
    stops.sort_by_key(|stop| stop.idx);
    (befores, stops)
}

/// How much longer than due gap `at` (seconds, quarters) took, the median of what its neighbours
/// are off, and the length of a quarter, in seconds; `None` with too few neighbours.
fn late_in(gaps: &[(f64, f64)], at: usize) -> Option<(f64, f64, f64)> {
    let near = at.saturating_sub(PAUSE_NEIGHBOURS)..(at + PAUSE_NEIGHBOURS + 1).min(gaps.len());
    let near: Vec<(f64, f64)> = near
        .filter(|k| *k != at && gaps[*k].1 > 1e-6)
        .map(|k| gaps[k])
        .collect();
    if near.len() < PAUSE_NEIGHBOURS_MIN || gaps[at].1 <= 1e-6 {
        return None;
    }
    let mut lengths: Vec<f64> = near.iter().map(|gap| gap.0 / gap.1).collect();
    let off_by = |quarter_s: f64| -> Vec<f64> {
        let off = near.iter().map(|gap| (gap.0 - gap.1 * quarter_s).abs());
        off.collect()
    };
    let mut quarter_s = median(&lengths)?;
    let mut scatter_s = median(&off_by(quarter_s))?;
    let due_s = median(&near.iter().map(|gap| gap.1).collect::<Vec<_>>())? * quarter_s;
    if scatter_s > STOPPING_SHARE * due_s {
        let rank = |n: usize| ((n - 1) as f64 * STOPPING_RANK).round() as usize;
        lengths.sort_by(f64::total_cmp);
        quarter_s = lengths[rank(lengths.len())];
        let mut off = off_by(quarter_s);
        off.sort_by(f64::total_cmp);
        scatter_s = off[rank(off.len())];
    }
    let late_s = gaps[at].0 - gaps[at].1 * quarter_s;
    Some((late_s, scatter_s, quarter_s))
}

/// The stretches of `played`, each a slice of it.
pub fn stretches(played: &[Played]) -> impl Iterator<Item = &[Played]> {
    played.chunk_by(|a, b| a.stretch == b.stretch)
}

/// End of every heard note, its own sound going on included.
pub fn ends(hearing: &Hearing, alignment: &Alignment) -> Vec<f64> {
    let mut ends: Vec<f64> = hearing.notes.iter().map(|n| n.offset_s).collect();
    for (heard_idx, idx) in &alignment.continued {
        let Some(matched) = alignment.notes.get(*idx) else {
            continue;
        };
        // The attempt that the going on belongs to is the nearest before it.
        let owner = matched
            .earlier
            .iter()
            .chain([&matched.last])
            .filter_map(|a| a.heard_idx)
            .filter(|h| h < heard_idx)
            .max();
        if let (Some(owner), Some(note)) = (owner, hearing.notes.get(*heard_idx)) {
            ends[owner] = ends[owner].max(note.offset_s);
        }
    }
    ends
}
