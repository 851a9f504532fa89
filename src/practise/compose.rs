//! Writes a drill as a line: notes and rests into bars of common time.

use crate::line::{Articulation, Key, Line, LineBar, LineNote, Spelling, TempoMark};

/// A bar of every drill that is not an excerpt.
const BAR_QUARTERS: f64 = 4.0;
/// Values a rest or a held note is written with, longest first.
const VALUES: [f64; 8] = [4.0, 3.0, 2.0, 1.5, 1.0, 0.75, 0.5, 0.25];
/// Times are sums of the values above; the shortest note is a 64th.
const EQUAL_QUARTERS: f64 = 1e-6;

/// One note of a drill.
#[derive(Clone, Debug, PartialEq)]
pub struct DrillNote {
    pub written: Spelling,
    /// Its note of the étude; `None` in scales and other notes of our own.
    pub from: Option<usize>,
    pub slurred: bool,
    pub staccato: bool,
}

/// Collects notes in order.
pub struct Composer<'a> {
    etude: &'a Line,
    notes: Vec<LineNote>,
    from: Vec<Option<usize>>,
    at_quarters: f64,
}

/// A drill's line, and for each of its notes that of the étude.
pub struct Composed {
    pub line: Line,
    pub from: Vec<Option<usize>>,
}

impl<'a> Composer<'a> {
    /// `etude` lends key, instrument and transposition.
    pub fn new(etude: &'a Line) -> Composer<'a> {
        Composer {
            etude,
            notes: Vec::new(),
            from: Vec::new(),
            at_quarters: 0.0,
        }
    }

    /// A pitch said again is tongued anew: under a slur nobody hears it.
    pub fn note(&mut self, note: &DrillNote, quarters: f64) {
        let bar_idx = (self.at_quarters / BAR_QUARTERS + EQUAL_QUARTERS) as usize;
        self.notes.push(LineNote {
            bar: (bar_idx + 1).to_string(),
            bar_idx,
            pass: 1,
            beat: 1.0 + self.at_quarters - bar_idx as f64 * BAR_QUARTERS,
            onset_quarters: self.at_quarters,
            duration_quarters: quarters,
            written: note.written,
            sounding_midi: note.written.midi() + self.etude.transpose_semitones,
            grace: false,
            slurred: note.slurred
                && self
                    .notes
                    .last()
                    .is_some_and(|n| n.written.midi() != note.written.midi()),
            articulations: match note.staccato {
                true => vec![Articulation::Staccato],
                false => Vec::new(),
            },
            ornament: None,
            fermata: false,
            breath_after: false,
            dynamic: None,
        });
        self.from.push(note.from);
        self.at_quarters += quarters;
    }

    /// A note held to the end of the stretch of `stretch_quarters` that is under way, or as long
    /// as one value lasts, at least `least_quarters`; the rest of the stretch is a rest.
    pub fn held(&mut self, note: &DrillNote, stretch_quarters: f64, least_quarters: f64) {
        let done = self.at_quarters % stretch_quarters;
        let mut left = stretch_quarters - done;
        if left < least_quarters - EQUAL_QUARTERS {
            left += stretch_quarters;
        }
        let value = VALUES
            .into_iter()
            .find(|v| *v <= left + EQUAL_QUARTERS)
            .unwrap_or(left);
        self.note(note, value);
        self.at_quarters += left - value;
    }

    /// Goes on at the next multiple of `quarters`.
    pub fn rest_until(&mut self, quarters: f64) {
        self.at_quarters = (self.at_quarters / quarters - EQUAL_QUARTERS).ceil() * quarters;
    }

    pub fn finish(self, title: String, key: Key) -> Composed {
        let n_bars = (self.at_quarters / BAR_QUARTERS - EQUAL_QUARTERS)
            .ceil()
            .max(1.0) as usize;
        let bars = (0..n_bars)
            .map(|i| LineBar {
                number: (i + 1).to_string(),
                page_idx: i,
                pass: 1,
                onset_quarters: i as f64 * BAR_QUARTERS,
                length_quarters: BAR_QUARTERS,
                beat_quarters: 1.0,
                first_beat: 1.0,
                full_quarters: Some(BAR_QUARTERS),
                fifths: key.fifths,
                ..LineBar::default()
            })
            .collect();
        Composed {
            line: Line {
                title,
                key,
                bars,
                notes: self.notes,
                ..blank(self.etude)
            },
            from: self.from,
        }
    }
}

/// A line without notes for the étude's player.
fn blank(etude: &Line) -> Line {
    Line {
        title: String::new(),
        part: etude.part.clone(),
        parts: vec![etude.part.clone()],
        instrument: etude.instrument.clone(),
        transpose_semitones: etude.transpose_semitones,
        key: etude.key.clone(),
        tempo: None,
        bars: Vec::new(),
        notes: Vec::new(),
        problems: Vec::new(),
    }
}

/// The étude's own bars `first..=last` (places in playing order), as they are printed.
pub fn excerpt(etude: &Line, first: usize, last: usize, title: String) -> Composed {
    let start = etude.bars[first].onset_quarters;
    let mut bars: Vec<LineBar> = etude.bars[first..=last].to_vec();
    for (i, bar) in bars.iter_mut().enumerate() {
        bar.onset_quarters -= start;
        bar.page_idx = i;
        bar.pass = 1;
        bar.signs = Default::default();
    }
    let end = etude.bars[last].onset_quarters + etude.bars[last].length_quarters;
    let mut notes = Vec::new();
    let mut from = Vec::new();
    for (index, note) in etude.notes.iter().enumerate() {
        if note.bar_idx < first || note.bar_idx > last {
            continue;
        }
        let mut note = note.clone();
        note.bar_idx -= first;
        note.pass = 1;
        // A note tied into the next bar ends with the excerpt.
        note.duration_quarters = note.duration_quarters.min(end - note.onset_quarters);
        note.onset_quarters -= start;
        note.slurred &= !notes.is_empty();
        notes.push(note);
        from.push(Some(index));
    }
    let key = Key {
        fifths: bars[0].fifths,
        ..etude.key.clone()
    };
    Composed {
        line: Line {
            title,
            key,
            bars,
            notes,
            ..blank(etude)
        },
        from,
    }
}

/// A quarter-note tempo mark, as every drill has one.
pub fn quarters_a_minute(bpm: f64) -> TempoMark {
    TempoMark {
        beat_quarters: 1.0,
        bpm,
    }
}
