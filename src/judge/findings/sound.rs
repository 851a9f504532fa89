//! Tuning tendencies and the tongue.

use super::super::check::{Cause, FindingKind, NoteTuning};
use super::{Evidence, Weighed};
use crate::align::Outcome;

/// A tendency is told from here: listeners notice about 10 cents (Hill & Summers, JASA 121
/// (2007) 2376), and good players stray 8 cents SD from any scale (Kopiez, Music Perception
/// 20 (2003) 383); together, rounded up, no careful listener would dispute it.
const TENDENCY_CENTS: f64 = 20.0;
/// The clarinet's throat notes (written G4 to B flat 4) bend easily and run sharp on good
/// instruments too (UNSW clarinet acoustics, G4): more is needed to blame the player.
const THROAT_CENTS: f64 = 25.0;
const THROAT_WRITTEN_MIDI: std::ops::RangeInclusive<i32> = 67..=70;
/// Seldom notes show no tendency.
const OFTEN: usize = 3;
const CLEAR_BY_ERRORS: f64 = 2.0;

pub fn all(evidence: &Evidence) -> Vec<Weighed> {
    let mut weighed: Vec<Weighed> = evidence
        .check
        .tuning
        .by_note
        .iter()
        .filter_map(|note| tendency(evidence, note))
        .collect();
    let articulation = &evidence.check.articulation;
    for (kind, places) in [
        (FindingKind::SlurredTongued, &articulation.slurred_tongued),
        (FindingKind::TonguedSlurred, &articulation.tongued_slurred),
    ] {
        if places.is_empty() {
            continue;
        }
        let mut finding = evidence.at_notes(kind, Cause::Tongue, places.clone());
        finding.value = Some(places.len() as f64);
        finding.unit = Some("notes".into());
        finding.written = Some(evidence.line.notes[places[0]].written.to_string());
        weighed.push(Weighed {
            weight: 40.0 + places.len() as f64,
            finding,
        });
    }
    weighed
}

fn tendency(evidence: &Evidence, note: &NoteTuning) -> Option<Weighed> {
    let clarinet = evidence.line.instrument.contains("clarinet");
    let limit = if clarinet && THROAT_WRITTEN_MIDI.contains(&note.written_midi) {
        THROAT_CENTS
    } else {
        TENDENCY_CENTS
    };
    if note.n_notes < OFTEN || note.cents.abs() - CLEAR_BY_ERRORS * note.cents_se <= limit {
        return None;
    }
    let kind = if note.cents > 0.0 {
        FindingKind::Sharp
    } else {
        FindingKind::Flat
    };
    let places: Vec<usize> = evidence
        .check
        .notes
        .iter()
        .filter(|n| {
            n.outcome == Outcome::Right
                && n.cents.is_some()
                && evidence.line.notes[n.index].written.midi() == note.written_midi
        })
        .map(|n| n.index)
        .collect();
    if places.is_empty() {
        return None;
    }
    let mut finding = evidence.at_notes(kind, Cause::Tendency, places);
    finding.value = Some(note.cents);
    finding.unit = Some("cents".into());
    finding.se = Some(note.cents_se);
    finding.written = Some(note.written.clone());
    Some(Weighed {
        weight: 20.0 + note.cents.abs() / 10.0,
        finding,
    })
}
