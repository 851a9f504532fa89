//! The line as the search needs it: pitches, times, places to land on after a jump.

use std::ops::Range;

use super::costs::log_of;
use super::model;
use super::rhythm::Rhythm;
use crate::line::{Line, Ornament};

/// Index that means "no note".
pub const NONE: u32 = u32::MAX;

/// The part of a line that is to be played; indices here count from its first note.
pub struct Expected {
    /// Index in the line of the first note here.
    pub first: usize,
    pub notes: Vec<Note>,
    /// The distinct sounding pitches, ascending; [`Note::pitch`] points here.
    pub pitches: Vec<i32>,
    pub has_ornaments: bool,
    /// Ways past a repeat, `(last note before, first note after)`.
    pub repeat_exits: Vec<(usize, usize)>,
    /// The note the playing is known to begin with.
    pub begins_at: Option<usize>,
    /// Sum of the costs of leaving out the notes before this one (natural log, negative).
    pub missed_sum: Vec<f32>,
    /// The same of how much less it costs to leave a note out that runs into an equal one.
    merged_sum: Vec<f32>,
}

/// One note that is expected.
pub struct Note {
    pub midi: i32,
    /// Position in [`Expected::pitches`].
    pub pitch: usize,
    pub onset_quarters: f64,
    /// Natural log of the quarters to each of the notes that can follow it without a jump.
    pub log_to_later: [f32; 1 + model::MISSED_IN_A_ROW],
    /// Natural log of the written length in quarters.
    pub log_quarters: f32,
    pub grace: bool,
    pub ornament: Option<Ornament>,
    pub starts_bar: bool,
    /// Log-probability of landing here after a jump that goes anywhere.
    pub landing: f32,
}

impl Expected {
    pub fn new(line: &Line, range: Range<usize>, rhythm: Option<&Rhythm>) -> Expected {
        let onsets: Vec<f64> = match rhythm {
            Some(rhythm) => rhythm.onsets_quarters(line),
            None => line.notes.iter().map(|n| n.onset_quarters).collect(),
        };
        let mut pitches: Vec<i32> = line.notes[range.clone()]
            .iter()
            .map(|n| n.sounding_midi)
            .collect();
        pitches.sort_unstable();
        pitches.dedup();
        let mut notes: Vec<Note> = Vec::with_capacity(range.len());
        for idx in range.clone() {
            let note = &line.notes[idx];
            let starts_bar = idx == range.start || line.notes[idx - 1].bar_idx != note.bar_idx;
            notes.push(Note {
                midi: note.sounding_midi,
                pitch: pitches.binary_search(&note.sounding_midi).unwrap_or(0),
                onset_quarters: onsets[idx],
                log_to_later: std::array::from_fn(|k| {
                    let later = onsets.get(idx + 1 + k).unwrap_or(&onsets[idx]);
                    log_of(later - onsets[idx])
                }),
                log_quarters: log_of(note.duration_quarters),
                grace: note.grace,
                ornament: note.ornament,
                starts_bar,
                landing: landing_weight(line, idx, starts_bar) as f32,
            });
        }
        let total: f32 = notes.iter().map(|n| n.landing).sum();
        for note in &mut notes {
            note.landing = (note.landing / total).ln();
        }
        let (mut missed_sum, mut merged_sum) = (vec![0.0f32], vec![0.0f32]);
        for i in 0..notes.len() {
            let same_as_before = i > 0 && notes[i - 1].midi == notes[i].midi;
            let (cost, merged) = if notes[i].grace {
                (model::GRACE_LEFT_OUT, 0.0)
            } else if same_as_before {
                let merged = model::MISSED - model::REPEATED_MERGED;
                (model::REPEATED_MERGED, merged)
            } else {
                (model::MISSED, 0.0)
            };
            missed_sum.push(missed_sum[i] + cost);
            merged_sum.push(merged_sum[i] + merged);
        }
        let repeat_exits = repeat_exits(line, &range);
        Expected {
            first: range.start,
            has_ornaments: notes.iter().any(|n| n.ornament.is_some()),
            notes,
            pitches,
            repeat_exits,
            begins_at: None,
            missed_sum,
            merged_sum,
        }
    }

    /// Says at which note of the line the playing begins, where that is known and expected.
    pub fn begin_at(&mut self, idx: Option<usize>) {
        self.begins_at = idx
            .and_then(|idx| idx.checked_sub(self.first))
            .filter(|idx| *idx < self.len());
    }

    pub fn len(&self) -> usize {
        self.notes.len()
    }

    /// Log-cost of leaving out the notes strictly between `from` and `to`.
    pub fn missed_between(&self, from: usize, to: usize) -> f32 {
        self.missed_sum[to] - self.missed_sum[from + 1]
    }

    /// … and what is to be added where none of them can have run into the note before it.
    pub fn merged_between(&self, from: usize, to: usize) -> f32 {
        self.merged_sum[to] - self.merged_sum[from + 1]
    }

    /// True when `midi` (line's sounding pitch) can be an extra note of the ornament on `idx`.
    pub fn in_ornament(&self, idx: usize, midi: i32) -> bool {
        let Some(note) = self.notes.get(idx) else {
            return false;
        };
        let reach = match note.ornament {
            None => return false,
            Some(Ornament::Tremolo) => model::TREMOLO_REACH_SEMITONES,
            Some(_) => model::ORNAMENT_REACH_SEMITONES,
        };
        (midi - note.midi).abs() <= reach
    }
}

/// The notes between the bars numbered `from` and `to`, both included: the first unbroken
/// stretch of playing order. `None` where a number is not in the line or holds no note.
pub fn passage(line: &Line, from: &str, to: &str) -> Option<Range<usize>> {
    let pages = |number: &str| -> Vec<usize> {
        let numbered = line.bars.iter().filter(|b| b.number == number.trim());
        numbered.map(|b| b.page_idx).collect()
    };
    let first_page = pages(from).into_iter().min()?;
    let last_page = pages(to).into_iter().max()?;
    let (first_page, last_page) = (first_page.min(last_page), first_page.max(last_page));
    let inside = |bar: usize| (first_page..=last_page).contains(&line.bars[bar].page_idx);
    let first_bar = (0..line.bars.len()).find(|&bar| inside(bar))?;
    let end_bar = (first_bar..line.bars.len())
        .find(|&bar| !inside(bar))
        .unwrap_or(line.bars.len());
    let start = line.notes.partition_point(|n| n.bar_idx < first_bar);
    let end = line.notes.partition_point(|n| n.bar_idx < end_bar);
    (start < end).then_some(start..end)
}

/// How readily a player starts again at a note, relative to a note in mid-beat.
fn landing_weight(line: &Line, idx: usize, starts_bar: bool) -> f64 {
    let note = &line.notes[idx];
    let after_break = idx > 0 && {
        let before = &line.notes[idx - 1];
        before.breath_after
            || before.fermata
            || note.onset_quarters > before.onset_quarters + before.duration_quarters + 1e-3
    };
    if idx == 0 {
        model::LAND_ON_START
    } else if starts_bar {
        model::LAND_ON_BAR
    } else if after_break {
        model::LAND_AFTER_BREAK
    } else if (note.beat - note.beat.round()).abs() < 1e-3 {
        model::LAND_ON_BEAT
    } else {
        1.0
    }
}

/// Where the order of the page goes on differently after two passes through the same bar: a
/// player who leaves a repeat out goes from the earlier pass straight to what follows the later.
fn repeat_exits(line: &Line, range: &Range<usize>) -> Vec<(usize, usize)> {
    let mut exits = Vec::new();
    let n_bars = line.bars.len();
    let last_note_up_to = |bar: usize| {
        line.notes
            .partition_point(|n| n.bar_idx <= bar)
            .checked_sub(1)
    };
    for early in 0..n_bars {
        let page = line.bars[early].page_idx;
        let next_page = |bar: usize| line.bars.get(bar + 1).map(|b| b.page_idx);
        let later = (early + 1..n_bars).filter(|&bar| line.bars[bar].page_idx == page);
        for late in later.take(model::REPEAT_EXITS_MAX) {
            if next_page(late).is_none() || next_page(early) == next_page(late) {
                continue;
            }
            let Some(from) = last_note_up_to(early) else {
                continue;
            };
            let to = line.notes.partition_point(|n| n.bar_idx <= late);
            if from >= range.start && to < range.end && to > from + 1 {
                exits.push((from - range.start, to - range.start));
            }
        }
    }
    exits.sort_by_key(|&(_, to)| to);
    exits.dedup();
    exits
}
