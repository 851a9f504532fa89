//! The drills themselves: each takes a place of the étude apart in one way.

use serde::{Deserialize, Serialize};

use super::compose::{Composed, Composer, DrillNote, excerpt};
use crate::line::{Articulation, Key, Line};

/// In which way a drill takes the place apart.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash, PartialOrd, Ord, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum DrillKind {
    /// The two-note change alone, slow to quick, in both directions.
    Change,
    /// The change with the note before and the note after.
    ChangeInPlace,
    /// The run in long-short rhythm.
    LongShort,
    /// The run in short-long rhythm.
    ShortLong,
    /// Groups growing by a note from the run's start.
    FromStart,
    /// Groups growing by a note from the run's end.
    FromEnd,
    /// Last bar of a phrase with the first of the next.
    Seam,
    /// The étude's key over the line's own range.
    Scale,
    Thirds,
    Arpeggio,
    /// The lower register slurred into the upper with the same fingers.
    RegisterSlur,
}

/// A drill, ready to be printed, heard and checked.
#[derive(Clone, Debug, PartialEq)]
pub struct Drill {
    pub kind: DrillKind,
    pub line: Line,
    /// For every note of the drill that of the étude; `None` for notes of our own.
    pub from: Vec<Option<usize>>,
    /// First and last note of the étude that it works on; `None` for the key's drills.
    pub source: Option<(usize, usize)>,
    /// Tempo steps in quarters a minute, from the start to the goal.
    pub steps_qpm: Vec<f64>,
    /// Clean passes in a row before the next step.
    pub clean_passes: u32,
    pub start_from: StartFrom,
}

/// Where the starting tempo comes from.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum StartFrom {
    /// The fastest tempo at which the run was even in a take.
    EvenTake,
    /// A take in which it was not even yet.
    UnevenTake,
    /// The planner's cost of the hardest change in it.
    Plan,
}

/// The values of the two-note change: four, two and one times the étude's own.
const SLOW_TO_QUICK: [f64; 3] = [4.0, 2.0, 1.0];
/// How long a drill's last note is held at least, quarters: so that it can be heard.
const HELD_QUARTERS: f64 = 1.0;

/// The value the drills of a place are built on: the étude's own, as a plain value from a 32nd to
/// an eighth.
pub fn unit_quarters(etude: &Line, index: usize) -> f64 {
    let own = etude.notes[index].duration_quarters;
    [0.125, 0.25]
        .into_iter()
        .find(|value| own <= value * 1.26)
        .unwrap_or(0.5)
}

/// Notes of the étude as a drill plays them.
pub fn taken(etude: &Line, indices: impl IntoIterator<Item = usize>) -> Vec<DrillNote> {
    indices
        .into_iter()
        .map(|index| {
            let note = &etude.notes[index];
            DrillNote {
                written: note.written,
                from: Some(index),
                slurred: note.slurred,
                staccato: note.articulations.contains(&Articulation::Staccato),
            }
        })
        .collect()
}

fn tongued(note: &DrillNote) -> DrillNote {
    DrillNote {
        slurred: false,
        ..note.clone()
    }
}

fn plain(note: &DrillNote, slurred: bool) -> DrillNote {
    DrillNote {
        slurred,
        staccato: false,
        ..note.clone()
    }
}

/// The two notes in turn, slow to quick; then from the other one.
pub fn change(etude: &Line, from: usize, unit: f64, title: String) -> Composed {
    let pair = taken(etude, [from, from + 1]);
    let slurred = pair[1].slurred;
    let mut composer = Composer::new(etude);
    for first in 0..2 {
        for times in SLOW_TO_QUICK {
            // One bar of each, tongued anew at its start.
            let n = (4.0 / (unit * times)).round() as usize;
            for i in 0..n {
                let note = plain(&pair[(first + i) % 2], slurred && i > 0);
                composer.note(&note, unit * times);
            }
        }
        composer.note(&tongued(&plain(&pair[first], false)), 2.0);
        composer.rest_until(4.0);
    }
    composer.finish(title, key_at(etude, from))
}

/// The change with its neighbours: twice as slow, then in the étude's own value, then held.
pub fn change_in_place(
    etude: &Line,
    indices: std::ops::Range<usize>,
    unit: f64,
    title: String,
) -> Composed {
    let notes = taken(etude, indices.clone());
    let mut composer = Composer::new(etude);
    for times in [2.0, 1.0] {
        for _ in 0..2 {
            for (i, note) in notes.iter().enumerate() {
                let note = if i == 0 { tongued(note) } else { note.clone() };
                if i + 1 < notes.len() {
                    composer.note(&plain(&note, note.slurred), unit * times);
                } else {
                    composer.held(&plain(&note, note.slurred), 2.0, HELD_QUARTERS);
                }
            }
        }
        composer.rest_until(4.0);
    }
    composer.finish(title, key_at(etude, indices.start))
}

/// The run in pairs, the first (or the second) three times as long as the other.
pub fn rhythm(
    etude: &Line,
    run: std::ops::Range<usize>,
    unit: f64,
    long_first: bool,
    title: String,
) -> Composed {
    let notes = taken(etude, run.clone());
    let mut composer = Composer::new(etude);
    // Pairs take twice the time they have in the étude, so that the short note is its own speed.
    let pair = 4.0 * unit;
    let (first, second) = match long_first {
        true => (0.75 * pair, 0.25 * pair),
        false => (0.25 * pair, 0.75 * pair),
    };
    for (i, note) in notes.iter().enumerate() {
        let note = plain(note, note.slurred && i > 0);
        if i + 1 == notes.len() {
            composer.held(&note, pair.max(1.0), pair);
        } else {
            composer.note(&note, if i % 2 == 0 { first } else { second });
        }
    }
    composer.rest_until(4.0);
    composer.finish(title, key_at(etude, run.start))
}

/// Groups of two, three and more notes, each held on its last.
pub fn growing(
    etude: &Line,
    run: std::ops::Range<usize>,
    unit: f64,
    from_start: bool,
    title: String,
) -> Composed {
    let notes = taken(etude, run.clone());
    let mut composer = Composer::new(etude);
    for n in 2..=notes.len() {
        let group = match from_start {
            true => &notes[..n],
            false => &notes[notes.len() - n..],
        };
        for (i, note) in group.iter().enumerate() {
            let note = plain(note, note.slurred && i > 0);
            if i + 1 < n {
                composer.note(&note, unit);
            } else {
                composer.held(&note, 2.0, HELD_QUARTERS);
            }
        }
    }
    composer.rest_until(4.0);
    composer.finish(title, key_at(etude, run.start))
}

/// The bars on both sides of a phrase's end, as they are printed.
pub fn seam(etude: &Line, last_bar: usize, title: String) -> Composed {
    excerpt(etude, last_bar, last_bar + 1, title)
}

/// Low note, the same fingers one register up, and back, in halves; one pair a bar.
///
/// `semitones` and `fifths` lead from the upper note to the lower: a twelfth on the clarinet.
pub fn register_slur(
    etude: &Line,
    upper: &[usize],
    (semitones, fifths): (i32, i32),
    title: String,
) -> Composed {
    let mut composer = Composer::new(etude);
    for &index in upper {
        let high = plain(&taken(etude, [index])[0], true);
        let low = DrillNote {
            written: high.written.transposed(semitones, fifths),
            from: None,
            slurred: false,
            staccato: false,
        };
        composer.note(&low, 1.0);
        composer.note(&high, 1.0);
        composer.note(&plain(&low, true), 1.0);
        composer.note(&high, 1.0);
        composer.note(&tongued(&low), 1.0);
        composer.note(&high, 2.0);
        composer.rest_until(4.0);
    }
    let first = upper.first().copied().unwrap_or(0);
    composer.finish(title, key_at(etude, first))
}

/// The key in force at a note.
pub fn key_at(etude: &Line, index: usize) -> Key {
    let fifths = etude.bars[etude.notes[index].bar_idx].fifths;
    Key {
        fifths,
        mode: etude.key.mode.clone(),
    }
}
