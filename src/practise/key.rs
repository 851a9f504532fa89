//! The étude's key as scale, thirds and arpeggio over the line's own range.

use super::compose::{Composed, Composer, DrillNote};
use super::drills::DrillKind;
use crate::line::{Articulation, Key, Line, Spelling, key_alter};

/// Notes a player takes in one breath at most: longer scales are cut.
const NOTES_MAX: usize = 96;

/// Scale, thirds or arpeggio; `None` where the line's range holds less than an octave of the key.
pub fn drill(etude: &Line, kind: DrillKind, unit: f64, title: String) -> Option<Composed> {
    let range = range_of(etude)?;
    let steps = match kind {
        DrillKind::Scale => scale(&etude.key, range),
        DrillKind::Thirds => thirds(&etude.key, range),
        _ => arpeggio(&etude.key, range),
    };
    if steps.len() < 8 {
        return None;
    }
    let pattern = articulation(etude);
    let mut composer = Composer::new(etude);
    let n = steps.len();
    for (i, written) in steps.into_iter().enumerate() {
        let (slurred, staccato) = pattern[i % pattern.len()];
        let last = i + 1 == n;
        let note = DrillNote {
            written,
            from: None,
            slurred: slurred && i > 0,
            staccato: staccato && !last,
        };
        match last {
            true => composer.held(&note, 4.0, 1.0),
            false => composer.note(&note, unit),
        }
    }
    composer.rest_until(4.0);
    Some(composer.finish(title, etude.key.clone()))
}

/// Lowest and highest written pitch of the line.
fn range_of(etude: &Line) -> Option<(i32, i32)> {
    let midis = || etude.notes.iter().map(|n| n.written.midi());
    Some((midis().min()?, midis().max()?))
}

/// How many places a mode's tonic lies above its signature's major tonic on the line of fifths.
fn mode_fifths(mode: &str) -> i32 {
    match mode {
        "minor" | "aeolian" => 3,
        "dorian" => 2,
        "phrygian" => 4,
        "lydian" => -1,
        "mixolydian" => 1,
        "locrian" => 5,
        _ => 0,
    }
}

/// Letter of the tonic, 0 = C.
fn tonic(key: &Key) -> i32 {
    ((key.fifths + mode_fifths(&key.mode)) * 4).rem_euclid(7)
}

/// Degree `degree` (0 = tonic of octave 0, and upwards) of the key, `raised` degrees counted
/// within the octave.
fn degree(key: &Key, degree: i32, raised: &[i32]) -> Spelling {
    let place = tonic(key) + degree;
    let letter = place.rem_euclid(7) as u8;
    let lift = i32::from(raised.contains(&degree.rem_euclid(7)));
    Spelling {
        letter,
        alter: (key_alter(letter, key.fifths) + lift) as i8,
        octave: place.div_euclid(7) as i8,
    }
}

/// Degrees whose notes, however raised, lie within the range; from the lowest to the highest.
fn degrees_within(key: &Key, (low, high): (i32, i32), raised: &[i32]) -> Vec<i32> {
    (-7..80)
        .filter(|&d| (low..=high).contains(&degree(key, d, raised).midi()))
        .filter(|&d| (low..=high).contains(&degree(key, d, &[]).midi()))
        .collect()
}

/// Up from the lowest tonic to the top, down to the bottom, back to the tonic; minor keys as
/// melodic minor (common practice: sixth and seventh raised upwards only).
fn scale(key: &Key, range: (i32, i32)) -> Vec<Spelling> {
    let melodic: &[i32] = match key.mode.as_str() {
        "minor" => &[5, 6],
        _ => &[],
    };
    let within = degrees_within(key, range, melodic);
    let (Some(&bottom), Some(&top)) = (within.first(), within.last()) else {
        return Vec::new();
    };
    let Some(&home) = within.iter().find(|d| d.rem_euclid(7) == 0) else {
        return Vec::new();
    };
    // The turn at the top belongs to neither way: a raised leading note is kept for the ascent.
    let up = |d: i32| degree(key, d, melodic);
    let down = |d: i32| degree(key, d, &[]);
    let mut notes: Vec<Spelling> = (home..=top).map(up).collect();
    notes.extend((bottom..top).rev().map(down));
    notes.extend((bottom + 1..=home).map(up));
    notes.truncate(NOTES_MAX);
    notes
}

/// Broken thirds up and down; minor keys as harmonic minor.
fn thirds(key: &Key, range: (i32, i32)) -> Vec<Spelling> {
    let raised = harmonic(key);
    let within = degrees_within(key, range, raised);
    let Some(&home) = within.iter().find(|d| d.rem_euclid(7) == 0) else {
        return Vec::new();
    };
    let top = within.last().copied().unwrap_or(home);
    let of = |d: i32| degree(key, d, raised);
    let mut notes: Vec<Spelling> = (home..=top - 2).flat_map(|d| [of(d), of(d + 2)]).collect();
    // The top note turns and is not said twice.
    notes.extend((home + 2..top).rev().flat_map(|d| [of(d), of(d - 2)]));
    notes.truncate(NOTES_MAX - 1);
    if notes.last() != Some(&of(home)) {
        notes.push(of(home));
    }
    notes
}

/// The triad of the tonic through the whole range and back.
fn arpeggio(key: &Key, range: (i32, i32)) -> Vec<Spelling> {
    let chord: Vec<i32> = degrees_within(key, range, &[])
        .into_iter()
        .filter(|d| [0, 2, 4].contains(&d.rem_euclid(7)))
        .collect();
    let Some(home) = chord.iter().position(|d| d.rem_euclid(7) == 0) else {
        return Vec::new();
    };
    let up = chord[home..].iter();
    let down = chord.iter().rev().skip(1);
    let back = chord[..=home].iter().skip(1);
    up.chain(down)
        .chain(back)
        .map(|&d| degree(key, d, &[]))
        .take(NOTES_MAX)
        .collect()
}

fn harmonic(key: &Key) -> &'static [i32] {
    match key.mode.as_str() {
        "minor" => &[6],
        _ => &[],
    }
}

/// The commonest way the étude speaks four notes of a beat: slurred or not, staccato or not.
fn articulation(etude: &Line) -> Vec<(bool, bool)> {
    /// Notes of a group.
    const GROUP: usize = 4;
    let of = |i: usize| {
        let note = &etude.notes[i];
        let staccato = note.articulations.contains(&Articulation::Staccato);
        (note.slurred, staccato)
    };
    let mut counts: Vec<(Vec<(bool, bool)>, usize)> = Vec::new();
    for first in 0..etude.notes.len().saturating_sub(GROUP - 1) {
        let group = &etude.notes[first..first + GROUP];
        let on_beat = group[0].beat.fract().abs() < 1e-3;
        let equal = group
            .iter()
            .all(|n| (n.duration_quarters - group[0].duration_quarters).abs() < 1e-3);
        if !on_beat || !equal || group.iter().any(|n| n.grace) {
            continue;
        }
        let pattern: Vec<(bool, bool)> = (first..first + GROUP).map(of).collect();
        match counts.iter_mut().find(|(known, _)| *known == pattern) {
            Some((_, n)) => *n += 1,
            None => counts.push((pattern, 1)),
        }
    }
    // Of equally common ones the first heard; without any, all under one slur.
    let mut best: Option<(Vec<(bool, bool)>, usize)> = None;
    for candidate in counts {
        if best.as_ref().is_none_or(|(_, n)| candidate.1 > *n) {
            best = Some(candidate);
        }
    }
    best.map_or_else(
        || vec![(false, false), (true, false), (true, false), (true, false)],
        |(pattern, _)| pattern,
    )
}
