//! The fingering layer: trade letters (L, R, fork, mid, side) over the notes they are for, where
//! nothing else is.

use std::collections::BTreeMap;

use super::draw::{self, Pencil};
use super::marks::Drawings;
use super::score::Score;
use crate::line::Line;
use crate::show::text_for_xml as escaped;
use crate::show::words::pass_name;

/// Height of the letters: 2.6 mm, smaller than the words of a mark.
const LETTERS: f64 = 260.0;

/// A fingering as it stands over its note.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Letters {
    /// What a teacher pencils in: `L`, `fork`.
    pub mark: String,
    /// The same in words, with the reason.
    pub words: String,
}

/// Draws the fingerings; their places are taken in the systems' outlines, so that what is drawn
/// afterwards stays clear of them.
pub fn draw(
    line: &Line,
    fingerings: &BTreeMap<usize, Letters>,
    score: &mut Score,
    drawings: &mut Drawings,
) {
    let mut done: Vec<(usize, f64, &str)> = Vec::new();
    for (&index, fingering) in fingerings {
        let Some(&head) = score.heads.get(index) else {
            continue;
        };
        // Another time through the same bar is told where it differs.
        let at_head = |d: &(usize, f64, &str)| d.0 == head.system && d.1 == head.x;
        if done.iter().any(|d| at_head(d) && d.2 == fingering.mark) {
            continue;
        }
        let text = match pass_name(line.notes[index].pass) {
            Some(pass) if done.iter().any(at_head) => format!("{} ({pass})", fingering.mark),
            _ => fingering.mark.clone(),
        };
        done.push((head.system, head.x, &fingering.mark));
        let half = draw::width_of(&text, LETTERS) / 2.0;
        let skyline = &mut score.systems[head.system].skyline;
        let top = skyline.place_above(head.x - half, head.x + half, LETTERS);
        let words = escaped(&fingering.words);
        // The base line leaves room for what hangs below it.
        let drawn = draw::words(head.x, top + 0.8 * LETTERS, LETTERS, Pencil::Grey, &text);
        drawings[head.system].push(format!(
            "<g class=\"fingering\" data-note=\"{index}\" role=\"img\" aria-label=\"{words}\"><title>{words}</title>{drawn}</g>"
        ));
    }
}
