//! Playing order of labelled sections: `P:AABA` of a tune's header (3.1.9).

use std::ops::Range;

use super::super::score::{Measure, Part, Score};
use super::super::{Line, order};

/// Plays out the sections in `section_order`, each with its own repeats.
///
/// Bars and passes of the result count on the page of `score`, not on the order.
pub fn play_out(score: &Score, part_idx: usize, section_order: &[Range<usize>]) -> Line {
    let chosen = &score.parts[part_idx];
    let mut page_idxs = Vec::new();
    let mut measures: Vec<Measure> = Vec::new();
    let mut n_notes = 0;
    for range in section_order {
        let range = range.start.min(chosen.measures.len())..range.end.min(chosen.measures.len());
        let section = &chosen.measures[range.clone()];
        n_notes += section.iter().map(|m| m.notes.len() + 1).sum::<usize>();
        if n_notes > UNFOLDED_MAX {
            break;
        }
        page_idxs.extend(range);
        measures.extend_from_slice(section);
    }
    let part = Part {
        measures,
        ..chosen.clone()
    };
    let unfolded = Score {
        title: score.title.clone(),
        parts: vec![part],
        problems: score.problems.clone(),
    };
    let mut line = order::play_out(&unfolded, 0, false);
    line.parts = score.parts.iter().map(|p| p.name.clone()).collect();
    let mut passes = vec![0u32; chosen.measures.len()];
    for bar in &mut line.bars {
        bar.page_idx = page_idxs[bar.page_idx];
        passes[bar.page_idx] += 1;
        bar.pass = passes[bar.page_idx];
    }
    for note in &mut line.notes {
        note.pass = line.bars[note.bar_idx].pass;
    }
    line
}

/// Notes and bars of all sections together; an order that gives more is cut, since `(A9)9` is
/// short to write and long to play.
const UNFOLDED_MAX: usize = 100_000;
