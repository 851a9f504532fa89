//! Missed, added, gone back, jumped, shifted, unclear: what became of places in the line.

use super::super::check::{Cause, FindingKind, Place};
use super::{Evidence, Weighed};
use crate::align::Outcome;

pub fn all(evidence: &Evidence) -> Vec<Weighed> {
    let mut weighed = transposed(evidence);
    weighed.extend(skips(evidence));
    weighed.extend(missed(evidence));
    weighed.extend(added(evidence));
    weighed.extend(restarts(evidence));
    weighed.extend(unsure(evidence));
    weighed
}

fn transposed(evidence: &Evidence) -> Vec<Weighed> {
    let semitones = evidence.alignment.transposed_semitones;
    if semitones == 0 || evidence.line.notes.is_empty() {
        return Vec::new();
    }
    let last = evidence.line.notes.len() - 1;
    let mut finding = evidence.at_span(FindingKind::Transposed, Cause::Transposition, 0, last);
    finding.value = Some(f64::from(semitones));
    finding.unit = Some("semitones".into());
    vec![Weighed {
        weight: 1000.0,
        finding,
    }]
}

/// Jumps ahead; leaving out a repeat is the player's choice and no finding.
fn skips(evidence: &Evidence) -> Vec<Weighed> {
    evidence
        .alignment
        .skips
        .iter()
        .filter(|s| !s.repeat_left_out && s.to_idx < evidence.line.notes.len())
        .map(|s| {
            let first = (s.from_idx + 1).min(s.to_idx);
            let last = s.to_idx.saturating_sub(1).max(first);
            let mut finding = evidence.at_span(FindingKind::Skip, Cause::JumpedAhead, first, last);
            finding.value = Some((last + 1 - first) as f64);
            finding.unit = Some("notes".into());
            Weighed {
                weight: 300.0 + (last - first) as f64,
                finding,
            }
        })
        .collect()
}

/// Notes that did not sound, neighbours together; those passed over by a jump are told there.
fn missed(evidence: &Evidence) -> Vec<Weighed> {
    let jumped = |idx: usize| {
        evidence
            .alignment
            .skips
            .iter()
            .any(|s| !s.repeat_left_out && s.from_idx < idx && idx < s.to_idx)
    };
    let missed: Vec<usize> = evidence
        .check
        .notes
        .iter()
        .filter(|n| n.outcome == Outcome::Missed && !jumped(n.index))
        .map(|n| n.index)
        .collect();
    let (graces, groups): (Vec<&[usize]>, Vec<&[usize]>) = missed
        .chunk_by(|a, b| a + 1 == *b)
        .partition(|group| group.iter().all(|idx| evidence.line.notes[*idx].grace));
    let (graces, alone) = match graces.len() {
        0 | 1 => (Vec::new(), graces),
        _ => (graces.concat(), Vec::new()),
    };
    let groups = groups.into_iter().chain(alone);
    let mut weighed: Vec<Weighed> = groups
        .map(|group| missed_together(evidence, group))
        .collect();
    if !graces.is_empty() {
        weighed.push(graces_left_out(evidence, graces));
    }
    weighed
}

fn missed_together(evidence: &Evidence, group: &[usize]) -> Weighed {
    let every_time = group.iter().all(|idx| {
        let tries = &evidence.check.notes[*idx].attempts;
        !tries.is_empty() && tries.iter().all(|a| a.outcome == Outcome::Missed)
    });
    let cause = if every_time {
        Cause::EveryTime
    } else {
        Cause::Slip
    };
    let (first, last) = (group[0], group[group.len() - 1]);
    let mut finding = if first == last {
        evidence.at_notes(FindingKind::Missed, cause, vec![first])
    } else {
        evidence.at_span(FindingKind::Missed, cause, first, last)
    };
    finding.value = Some(group.len() as f64);
    finding.unit = Some("notes".into());
    finding.written = Some(evidence.line.notes[first].written.to_string());
    Weighed {
        weight: 200.0 + 10.0 * group.len() as f64,
        finding,
    }
}

/// Grace notes left out in several places are one finding, and no more than a note left out: on
/// the first day they are left out on purpose (common practice).
fn graces_left_out(evidence: &Evidence, places: Vec<usize>) -> Weighed {
    let n_graces = places.len() as f64;
    let mut finding = evidence.at_notes(FindingKind::Missed, Cause::GraceNotes, places);
    finding.value = Some(n_graces);
    finding.unit = Some("notes".into());
    Weighed {
        weight: 200.0,
        finding,
    }
}

/// Extra notes, those at one place together.
fn added(evidence: &Evidence) -> Vec<Weighed> {
    if evidence.line.notes.is_empty() {
        return Vec::new();
    }
    evidence
        .check
        .added
        .chunk_by(|a, b| a.after_index == b.after_index)
        .map(|group| {
            let idx = group[0]
                .after_index
                .unwrap_or(0)
                .min(evidence.line.notes.len() - 1);
            let mut finding = evidence.at_notes(FindingKind::Added, Cause::Slip, vec![idx]);
            finding.value = Some(group.len() as f64);
            finding.unit = Some("notes".into());
            finding.written = group[0]
                .after_index
                .map(|_| evidence.line.notes[idx].written.to_string());
            finding.heard = Some(evidence.heard_spelling(idx, group[0].midi).to_string());
            Weighed {
                weight: 100.0 + 5.0 * group.len() as f64,
                finding,
            }
        })
        .collect()
}

/// Goings back, those into the same bar together.
fn restarts(evidence: &Evidence) -> Vec<Weighed> {
    let notes = &evidence.line.notes;
    let mut by_bar: Vec<(usize, Vec<(usize, usize)>)> = Vec::new();
    for r in &evidence.alignment.restarts {
        let Some(to) = notes.get(r.to_idx) else {
            continue;
        };
        match by_bar.iter_mut().find(|(bar, _)| *bar == to.bar_idx) {
            Some((_, list)) => list.push((r.from_idx, r.to_idx)),
            None => by_bar.push((to.bar_idx, vec![(r.from_idx, r.to_idx)])),
        }
    }
    by_bar
        .into_iter()
        .map(|(_, list)| {
            let first = list.iter().map(|r| r.1).min().unwrap_or(0);
            let last = list
                .iter()
                .map(|r| r.0)
                .max()
                .unwrap_or(first)
                .clamp(first, notes.len() - 1);
            let mut finding = evidence.at_span(FindingKind::Restart, Cause::WentBack, first, last);
            finding.value = Some(list.len() as f64);
            finding.unit = Some("times".into());
            Weighed {
                weight: 90.0 + 5.0 * list.len() as f64,
                finding,
            }
        })
        .collect()
}

/// Notes that the sound does not settle, those of one bar together.
fn unsure(evidence: &Evidence) -> Vec<Weighed> {
    let unsure: Vec<usize> = evidence
        .check
        .notes
        .iter()
        .filter(|n| n.outcome == Outcome::Unsure)
        .map(|n| n.index)
        .collect();
    let bar = |idx: usize| evidence.line.notes[idx].bar_idx;
    // The note was heard, and only its octave is open.
    let octave_open = |idx: usize| {
        let heard_midi = evidence.check.notes[idx].heard_midi;
        heard_midi.is_some_and(|midi| {
            let by = midi
                - evidence.alignment.transposed_semitones
                - evidence.line.notes[idx].sounding_midi;
            by != 0 && by % 12 == 0
        })
    };
    let alike = |a: &usize, b: &usize| bar(*a) == bar(*b) && octave_open(*a) == octave_open(*b);
    unsure
        .chunk_by(alike)
        .map(|group| {
            let cause = if octave_open(group[0]) {
                Cause::Octave
            } else {
                Cause::Unclear
            };
            let mut finding = evidence.at(
                FindingKind::Unsure,
                cause,
                Place::Note { index: group[0] },
                group.to_vec(),
            );
            finding.value = Some(group.len() as f64);
            finding.unit = Some("notes".into());
            finding.written = Some(evidence.line.notes[group[0]].written.to_string());
            Weighed {
                weight: 1.0 + 0.01 * group.len() as f64,
                finding,
            }
        })
        .collect()
}
