//! Places of a line: phrases, runs, and what surrounds a change.

use std::ops::Range;

use crate::line::Line;

/// A rest this long ends a phrase, quarters: an eighth.
const REST_QUARTERS: f64 = 0.5;
/// Lengths are equal within the rounding of tuplets.
const EQUAL_QUARTERS: f64 = 1e-3;
/// Notes of a run that a drill takes on: an octave's worth, and one to arrive on.
const RUN_NOTES_MAX: usize = 9;

/// Whether a phrase ends with this note: breath, fermata, rest, or the line's end.
pub fn ends_phrase(line: &Line, index: usize) -> bool {
    let note = &line.notes[index];
    line.notes.get(index + 1).is_none_or(|next| {
        let end = note.onset_quarters + note.duration_quarters;
        note.breath_after || note.fermata || next.onset_quarters - end >= REST_QUARTERS
    })
}

/// The change `from` → `from + 1` with the note before and the note after, as far as the phrase
/// has them and they are no grace notes.
pub fn in_place(line: &Line, from: usize) -> Range<usize> {
    let first = match from.checked_sub(1) {
        Some(before) if !ends_phrase(line, before) => before,
        _ => from,
    };
    let last = match ends_phrase(line, from + 1) {
        false => from + 2,
        true => from + 1,
    };
    first..last + 1
}

/// Notes of equal length about a note, from the start of its bar on, at most [`RUN_NOTES_MAX`];
/// the note after a run belongs to it, since one arrives there.
pub fn run_about(line: &Line, index: usize) -> Range<usize> {
    let length = line.notes[index].duration_quarters;
    let fits = |i: usize| {
        let note = &line.notes[i];
        !note.grace && (note.duration_quarters - length).abs() < EQUAL_QUARTERS
    };
    let bar = line.notes[index].bar_idx;
    let mut first = index;
    while first > 0
        && index - (first - 1) < RUN_NOTES_MAX - 1
        && line.notes[first - 1].bar_idx == bar
        && fits(first - 1)
        && !ends_phrase(line, first - 1)
    {
        first -= 1;
    }
    let mut end = index + 1;
    while end < line.notes.len()
        && end - first < RUN_NOTES_MAX
        && !line.notes[end].grace
        && !ends_phrase(line, end - 1)
        && fits(end - 1)
    {
        end += 1;
    }
    first..end
}

/// The bar (place in playing order) in which the phrase with a note ends, where another follows.
pub fn seam_after(line: &Line, index: usize) -> Option<usize> {
    let last = (index..line.notes.len()).find(|&i| ends_phrase(line, i))?;
    let bar = line.notes[last].bar_idx;
    let goes_on = last + 1 < line.notes.len() && bar + 1 < line.bars.len();
    goes_on.then_some(bar)
}
