//! The take as a sequence of onsets: what evenness, tempo and click are measured on.

use crate::align::{Alignment, Attempt, Outcome};
use crate::hear::Hearing;
use crate::line::Line;

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
