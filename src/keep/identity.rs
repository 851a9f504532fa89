//! Which étude a line is: told by its notes, never by file name, title or layout.
//!
//! Every printed bar has a fingerprint of what is to be played in it: written pitch, place in
//! the bar, length, slur, grace, ornament. The line's fingerprint is that of its bars in
//! playing order. When an étude is edited, [`match_bars`] lines the old bars up with the new,
//! so that the unchanged ones keep their history.

use std::collections::BTreeMap;

use serde::{Deserialize, Serialize};
use sha2::{Digest, Sha256};

use crate::line::{Line, LineNote};

/// Parts of a quarter in which places and lengths are compared: divisible by 2⁵, 3², 5 and 7,
/// so every usual tuplet falls on a whole number and rounding in files does not matter.
const TICKS_PER_QUARTER: f64 = 10_080.0;
/// Hex digits of a bar's fingerprint: 64 bits, among some thousand bars a library holds.
const BAR_DIGITS: usize = 16;
/// Two lines are versions of one étude from this share of the shorter one's bars on …
const SAME_ETUDE_SHARE: f64 = 0.5;
/// … and from this many notes in them: a few whole notes alike are no étude.
const SAME_ETUDE_NOTES: usize = 12;

/// One printed bar of a line.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize)]
pub struct PrintedBar {
    /// Printed number.
    pub number: String,
    /// Fingerprint of what is to be played in it.
    pub print: String,
    /// Number of notes, one time through.
    pub notes: usize,
}

/// The printed bars that hold notes, in the order of the page; each with the positions in
/// [`Line::bars`] of all times through it.
pub fn printed_bars(line: &Line) -> Vec<(PrintedBar, Vec<usize>)> {
    let mut pages: BTreeMap<usize, Vec<usize>> = BTreeMap::new();
    for (bar_idx, bar) in line.bars.iter().enumerate() {
        pages.entry(bar.page_idx).or_default().push(bar_idx);
    }
    let mut notes_of: Vec<Vec<&LineNote>> = vec![Vec::new(); line.bars.len()];
    for note in &line.notes {
        if let Some(notes) = notes_of.get_mut(note.bar_idx) {
            notes.push(note);
        }
    }
    pages
        .into_values()
        .filter(|times| times.iter().any(|bar| !notes_of[*bar].is_empty()))
        .map(|times| {
            let notes = &notes_of[times[0]];
            let bar = PrintedBar {
                number: line.bars[times[0]].number.clone(),
                print: bar_print(line, times[0], notes),
                notes: notes.len(),
            };
            (bar, times)
        })
        .collect()
}

/// Fingerprint of the line: its bars in playing order.
pub fn line_print(line: &Line) -> String {
    let mut notes_of: Vec<Vec<&LineNote>> = vec![Vec::new(); line.bars.len()];
    for note in &line.notes {
        if let Some(notes) = notes_of.get_mut(note.bar_idx) {
            notes.push(note);
        }
    }
    let mut hash = Sha256::new();
    for (bar_idx, notes) in notes_of.iter().enumerate() {
        hash.update(bar_print(line, bar_idx, notes));
    }
    hex(&hash.finalize())
}

/// For every bar of `old` the position of the same bar in `new`, order kept; `None` where it
/// was changed or taken out. The longest common subsequence (Wagner & Fischer, J. ACM 21
/// (1974) 168, with insertions and deletions alone), bars weighted by their notes.
pub fn match_bars(old: &[PrintedBar], new: &[PrintedBar]) -> Vec<Option<usize>> {
    let same = |i: usize, j: usize| old[i].print == new[j].print;
    // best[i][j]: notes in common of old[i..] and new[j..].
    let mut best = vec![vec![0usize; new.len() + 1]; old.len() + 1];
    for i in (0..old.len()).rev() {
        for j in (0..new.len()).rev() {
            let skip = best[i + 1][j].max(best[i][j + 1]);
            best[i][j] = if same(i, j) {
                skip.max(best[i + 1][j + 1] + old[i].notes)
            } else {
                skip
            };
        }
    }
    let mut matched = vec![None; old.len()];
    let (mut i, mut j) = (0, 0);
    while i < old.len() && j < new.len() {
        if same(i, j) && best[i][j] == best[i + 1][j + 1] + old[i].notes {
            matched[i] = Some(j);
            (i, j) = (i + 1, j + 1);
        } else if best[i][j] == best[i + 1][j] {
            i += 1;
        } else {
            j += 1;
        }
    }
    matched
}

/// Notes that two versions share, when they are versions of one étude; `None` when they are not.
pub fn shared_notes(old: &[PrintedBar], new: &[PrintedBar]) -> Option<usize> {
    let matched = match_bars(old, new);
    let shared = || {
        old.iter()
            .zip(&matched)
            .filter(|(_, m)| m.is_some())
            .map(|(bar, _)| bar)
    };
    let notes = shared().map(|bar| bar.notes).sum();
    let share = shared().count() as f64 / old.len().min(new.len()).max(1) as f64;
    (notes >= SAME_ETUDE_NOTES && share >= SAME_ETUDE_SHARE).then_some(notes)
}

/// Lower-case hexadecimal digits of `bytes`.
pub fn hex(bytes: &[u8]) -> String {
    bytes.iter().map(|byte| format!("{byte:02x}")).collect()
}

fn bar_print(line: &Line, bar_idx: usize, notes: &[&LineNote]) -> String {
    let ticks = |quarters: f64| ((quarters * TICKS_PER_QUARTER).round() as i64).to_le_bytes();
    let bar = &line.bars[bar_idx];
    let mut hash = Sha256::new();
    hash.update(ticks(bar.length_quarters));
    for note in notes {
        hash.update(ticks(note.onset_quarters - bar.onset_quarters));
        hash.update(ticks(note.duration_quarters));
        // The number, not the spelling: F## and G are one fingering.
        hash.update(note.written.midi().to_le_bytes());
        hash.update([u8::from(note.grace), u8::from(note.slurred)]);
        hash.update(note.ornament.map_or(0, |o| 1 + o as u8).to_le_bytes());
    }
    hex(&hash.finalize())[..BAR_DIGITS].into()
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::line::read::{Kind, LineOptions, line_of};

    fn line(tune: &str) -> Line {
        let text = format!("X:1\nT:t\nM:4/4\nL:1/8\nK:C\n{tune}\n");
        line_of(Kind::Abc, text.as_bytes(), &LineOptions::default()).unwrap()
    }

    fn bars(line: &Line) -> Vec<PrintedBar> {
        printed_bars(line).into_iter().map(|(bar, _)| bar).collect()
    }

    #[test]
    fn title_and_enharmonic_spelling_do_not_make_another_line() {
        let a = line("CDEF GABc|cBAG F^EDC|");
        let mut b = line("CDEF GABc|cBAG F=FDC|");
        b.title = "another name".into();
        assert_eq!(line_print(&a), line_print(&b));
        assert_ne!(line_print(&a), line_print(&line("CDEF GABc|cBAG FEDC|")));
        assert_ne!(line_print(&a), line_print(&line("(CDEF GABc)|cBAG F^EDC|")));
    }

    #[test]
    fn an_edited_line_keeps_its_unchanged_bars() {
        let old = bars(&line("CDEF GABc|cBAG FEDC|c4 C4|EFGA Bcde|"));
        let new = bars(&line("CDEF GABc|G8|cBAG FEDC|c4 D4|EFGA Bcde|"));
        assert_eq!(match_bars(&old, &new), [Some(0), Some(2), None, Some(4)]);
        assert_eq!(shared_notes(&old, &new), Some(24));
        let other = bars(&line("ABcd efga|a8|cBAG FEDC|"));
        assert_eq!(shared_notes(&old, &other), None);
    }

    #[test]
    fn repeats_are_one_printed_bar() {
        let repeated = line("|:CDEF GABc:|c4 C4|");
        let printed = printed_bars(&repeated);
        assert_eq!(printed.len(), 2);
        assert_eq!(printed[0].1, [0, 1]);
    }
}
