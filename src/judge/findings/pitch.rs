//! Wrong notes, grouped by what a reader would have misread.

use std::collections::{BTreeMap, BTreeSet};

use super::super::check::{Cause, FindingKind, Place};
use super::{Evidence, Weighed};
use crate::align::Outcome;
use crate::line::key_alter;

/// A reading error shows in at least so many notes, and in more than half of those it could.
const SEVERAL: usize = 2;
/// So many notes in a row off by one and the same octave or register are one passage misread or
/// one register that spoke, with at most this many notes between two of them that were not.
const PASSAGE: usize = 3;
const PASSAGE_BETWEEN: usize = 1;
/// A twelfth, in semitones: where a clarinet overblows.
const TWELFTH: i32 = 19;

/// A note whose last attempt came out wrong.
#[derive(Clone, Copy)]
struct WrongNote {
    idx: usize,
    heard_midi: i32,
    /// Heard less written, semitones.
    by: i32,
}

pub fn wrong(evidence: &Evidence) -> Vec<Weighed> {
    let wrongs: Vec<WrongNote> = evidence
        .check
        .notes
        .iter()
        .filter(|n| n.outcome == Outcome::Wrong)
        .filter_map(|n| {
            let heard_midi = n.heard_midi?;
            let written = evidence.line.notes[n.index].written.midi();
            Some(WrongNote {
                idx: n.index,
                heard_midi,
                by: evidence.heard_written(n.index, heard_midi) - written,
            })
        })
        .collect();
    let mut told = BTreeSet::new();
    let mut weighed = Vec::new();
    for members in passages(evidence, &wrongs) {
        told.extend(members.iter().map(|w| w.idx));
        weighed.push(tell_passage(evidence, &members));
    }
    let groups = [
        by_letter(evidence, &wrongs),
        by_written_pitch(evidence, &wrongs),
    ];
    for (cause, members) in groups.into_iter().flatten() {
        let fresh: Vec<WrongNote> = members
            .into_iter()
            .filter(|w| !told.contains(&w.idx))
            .collect();
        if fresh.len() >= SEVERAL {
            told.extend(fresh.iter().map(|w| w.idx));
            weighed.push(tell(evidence, cause, &fresh));
        }
    }
    for w in wrongs.iter().filter(|w| !told.contains(&w.idx)) {
        weighed.push(tell(evidence, single_cause(evidence, w), &[*w]));
    }
    // A note whose pitch is unknown but is called wrong is still told.
    for n in &evidence.check.notes {
        if n.outcome == Outcome::Wrong && n.heard_midi.is_none() {
            let mut finding = evidence.at_notes(FindingKind::Wrong, Cause::Slip, vec![n.index]);
            finding.written = Some(n.written.clone());
            weighed.push(Weighed {
                weight: 150.0,
                finding,
            });
        }
    }
    weighed
}

fn tell(evidence: &Evidence, cause: Cause, members: &[WrongNote]) -> Weighed {
    let first = members[0];
    let places: Vec<usize> = members.iter().map(|w| w.idx).collect();
    let weight = match (cause, places.len()) {
        (Cause::KeySignature | Cause::SameNoteAgain, n) => 500.0 + 10.0 * n as f64,
        (Cause::SamePlaceAgain, _) => 180.0,
        (Cause::Register | Cause::Octave, _) => 140.0,
        _ => 150.0,
    };
    let mut finding = evidence.at_notes(FindingKind::Wrong, cause, places);
    finding.value = Some(f64::from(first.by));
    finding.unit = Some("semitones".into());
    finding.written = Some(evidence.line.notes[first.idx].written.to_string());
    finding.heard = Some(
        evidence
            .heard_spelling(first.idx, first.heard_midi)
            .to_string(),
    );
    Weighed { weight, finding }
}

/// Passages that came out in another octave or register as a whole.
fn passages(evidence: &Evidence, wrongs: &[WrongNote]) -> Vec<Vec<WrongNote>> {
    let far: Vec<WrongNote> = wrongs
        .iter()
        .filter(|w| matches!(single_cause(evidence, w), Cause::Octave | Cause::Register))
        .copied()
        .collect();
    far.chunk_by(|a, b| a.by == b.by && b.idx - a.idx <= PASSAGE_BETWEEN + 1)
        .filter(|members| members.len() >= PASSAGE)
        .map(<[_]>::to_vec)
        .collect()
}

fn tell_passage(evidence: &Evidence, members: &[WrongNote]) -> Weighed {
    let (first, last) = (members[0], members[members.len() - 1]);
    let mut weighed = tell(evidence, single_cause(evidence, &first), members);
    weighed.finding.place = Place::Span {
        first_index: first.idx,
        last_index: last.idx,
    };
    weighed.weight += 10.0 * members.len() as f64;
    weighed
}

/// Letters that the key signature, misread, turns into what was heard in most places.
fn by_letter(evidence: &Evidence, wrongs: &[WrongNote]) -> Vec<(Cause, Vec<WrongNote>)> {
    let fifths = evidence.line.key.fifths;
    let mut groups: BTreeMap<(u8, i32), Vec<WrongNote>> = BTreeMap::new();
    for w in wrongs {
        let written = evidence.line.notes[w.idx].written;
        let alter = i32::from(written.alter);
        // Signs of the signature left out, or one too many or too few read.
        let misread = alter == key_alter(written.letter, fifths)
            && [-1, 1, -2, 2]
                .iter()
                .any(|step| key_alter(written.letter, fifths + step) == alter + w.by)
            || alter == key_alter(written.letter, fifths) && alter != 0 && w.by == -alter;
        if misread {
            groups.entry((written.letter, w.by)).or_default().push(*w);
        }
    }
    groups
        .into_iter()
        .filter(|((letter, _), members)| {
            let played = played_notes(evidence, |idx| {
                let written = evidence.line.notes[idx].written;
                written.letter == *letter && i32::from(written.alter) == key_alter(*letter, fifths)
            });
            members.len() >= SEVERAL && 2 * members.len() > played
        })
        .map(|(_, members)| (Cause::KeySignature, members))
        .collect()
}

/// Written pitches that came out wrong by the same interval in most places.
fn by_written_pitch(evidence: &Evidence, wrongs: &[WrongNote]) -> Vec<(Cause, Vec<WrongNote>)> {
    let mut groups: BTreeMap<(i32, i32), Vec<WrongNote>> = BTreeMap::new();
    for w in wrongs {
        let midi = evidence.line.notes[w.idx].written.midi();
        groups.entry((midi, w.by)).or_default().push(*w);
    }
    groups
        .into_iter()
        .filter(|((midi, _), members)| {
            let played = played_notes(evidence, |idx| {
                evidence.line.notes[idx].written.midi() == *midi
            });
            members.len() >= SEVERAL && 2 * members.len() > played
        })
        .map(|(_, members)| (Cause::SameNoteAgain, members))
        .collect()
}

fn played_notes(evidence: &Evidence, which: impl Fn(usize) -> bool) -> usize {
    evidence
        .check
        .notes
        .iter()
        .filter(|n| n.heard_midi.is_some() && which(n.index))
        .count()
}

/// What a single wrong note looks like, from the notes written about it.
fn single_cause(evidence: &Evidence, w: &WrongNote) -> Cause {
    let note = &evidence.check.notes[w.idx];
    if note.register_slip {
        return if w.by % 12 == 0 && w.by.abs() != TWELFTH {
            Cause::Octave
        } else {
            Cause::Register
        };
    }
    if w.by != 0 && w.by % 12 == 0 {
        return Cause::Octave;
    }
    if let Some(cause) = accidental_cause(evidence, w) {
        return cause;
    }
    let before = note
        .attempts
        .iter()
        .filter(|a| a.outcome == Outcome::Wrong)
        .count();
    if before > 0 {
        Cause::SamePlaceAgain
    } else {
        Cause::Slip
    }
}

/// An accidental overlooked, not carried through its bar, or carried beyond it.
fn accidental_cause(evidence: &Evidence, w: &WrongNote) -> Option<Cause> {
    let notes = &evidence.line.notes;
    let written = notes[w.idx].written;
    let (alter, key) = (
        i32::from(written.alter),
        key_alter(written.letter, evidence.line.key.fifths),
    );
    let played_alter = alter + w.by;
    let bar = notes[w.idx].bar_idx;
    // The nearest note before on the same line or space, in this bar or the one before.
    let earlier = |in_bar: usize| {
        notes[..w.idx]
            .iter()
            .rev()
            .take_while(|n| n.bar_idx + 1 >= bar)
            .find(|n| {
                n.bar_idx == in_bar
                    && n.written.letter == written.letter
                    && n.written.octave == written.octave
            })
            .map(|n| i32::from(n.written.alter))
    };
    match earlier(bar) {
        Some(same) if same == alter && alter != key && played_alter == key => {
            Some(Cause::AccidentalNotCarried)
        }
        Some(other) if other != alter && played_alter == other => Some(Cause::AccidentalOverlooked),
        None if alter != key && played_alter == key => Some(Cause::AccidentalOverlooked),
        None if alter == key && bar > 0 => earlier(bar - 1)
            .filter(|other| *other != key && *other == played_alter)
            .map(|_| Cause::AccidentalCarriedTooFar),
        _ => None,
    }
}
