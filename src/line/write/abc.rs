//! A line as ABC 2.1, in playing order.

use std::collections::HashMap;
use std::fmt::Write;

use super::Order;
use super::page::{WrittenBar, bars};
use super::values::{Piece, TICKS_PER_QUARTER, Ticks};
use crate::line::{Articulation, Line, LineBar, LineNote, Ornament, Spelling, key_alter};

/// The unit length `L:` that every note is a multiple or a fraction of.
const UNIT_NAME: &str = "1/16";
const UNIT: Ticks = TICKS_PER_QUARTER / 4;

pub fn write(line: &Line) -> String {
    let (bars, _) = bars(line, Order::Played);
    let mut tune = Tune {
        text: head(line),
        line,
        slur_open: false,
        alters: HashMap::new(),
    };
    let mut before: Option<&LineBar> = None;
    for (i, bar) in bars.iter().enumerate() {
        tune.changes(before, bar.bar);
        tune.bar(bar);
        let end = if i + 1 == bars.len() { "|]\n" } else { "|\n" };
        tune.text.push_str(end);
        before = Some(bar.bar);
    }
    tune.text
}

fn head(line: &Line) -> String {
    let mut text = String::from("%abc-2.1\nX:1\n");
    // A line feed would end the field, and a percent sign begins a comment.
    let plain = |s: &str| s.replace(['\r', '\n'], " ").replace('%', "\\%");
    let _ = writeln!(text, "T:{}", plain(&line.title));
    let _ = writeln!(text, "M:{}", line.bars.first().map_or("none".into(), metre));
    let _ = writeln!(text, "L:{UNIT_NAME}");
    if let Some(tempo) = line.tempo {
        let (over, under) = fraction((tempo.beat_quarters * 64.0).round() as i64, 256);
        let _ = writeln!(text, "Q:{over}/{under}={}", tempo.bpm.round());
    }
    let fifths = line.bars.first().map_or(line.key.fifths, |b| b.fifths);
    let _ = write!(text, "K:{}", key(fifths, &line.key.mode));
    if line.transpose_semitones != 0 {
        let _ = write!(text, " transpose={}", line.transpose_semitones);
    }
    text.push('\n');
    text
}

/// `6/8` for a full bar of three quarters beaten in dotted quarters.
fn metre(bar: &LineBar) -> String {
    let Some(full) = bar.full_quarters else {
        return "none".into();
    };
    let dotted = |beat: f64| (beat.log2() - 1.5f64.log2()).fract().abs() < 1e-9;
    let unit = if dotted(bar.beat_quarters) {
        bar.beat_quarters / 3.0
    } else {
        bar.beat_quarters
    };
    let (beats, value) = (full / unit, 4.0 / unit);
    match beats.fract().abs() < 1e-6 && value.fract().abs() < 1e-6 {
        true => format!("{}/{}", beats.round(), value.round()),
        false => "none".into(),
    }
}

/// The key's name; modes other than major are named after their own tonic.
fn key(fifths: i32, mode: &str) -> String {
    let (above, suffix) = match mode {
        "minor" | "aeolian" => (3, "m"),
        "dorian" => (2, "dor"),
        "phrygian" => (4, "phr"),
        "lydian" => (-1, "lyd"),
        "mixolydian" => (1, "mix"),
        "locrian" => (5, "loc"),
        _ => (0, ""),
    };
    let place = fifths + above;
    let tonic = Spelling {
        letter: (place * 4).rem_euclid(7) as u8,
        alter: (place + 1).div_euclid(7) as i8,
        octave: 4,
    };
    format!("{}{suffix}", tonic.name())
}

fn fraction(over: i64, under: i64) -> (i64, i64) {
    let (mut a, mut b) = (over, under);
    while b != 0 {
        (a, b) = (b, a % b);
    }
    (over / a.max(1), under / a.max(1))
}

struct Tune<'a> {
    text: String,
    line: &'a Line,
    slur_open: bool,
    /// Alterations written in this bar, by letter and octave.
    alters: HashMap<(u8, i8), i8>,
}

impl Tune<'_> {
    /// Metre and key where they change.
    fn changes(&mut self, before: Option<&LineBar>, bar: &LineBar) {
        let Some(before) = before else { return };
        if metre(before) != metre(bar) {
            let _ = write!(self.text, "[M:{}] ", metre(bar));
        }
        if before.fifths != bar.fifths {
            let _ = write!(self.text, "[K:{}] ", key(bar.fifths, &self.line.key.mode));
        }
    }

    fn bar(&mut self, bar: &WrittenBar) {
        self.alters.clear();
        let beat = (bar.bar.beat_quarters * TICKS_PER_QUARTER as f64).round() as Ticks;
        let mut in_graces = false;
        for (i, piece) in bar.pieces.iter().enumerate() {
            // Notes of one beat stand together, which beams them.
            if i > 0 && !piece.is_grace && !in_graces && piece.at % beat.max(1) == 0 {
                self.text.push(' ');
            }
            if piece.is_grace != in_graces {
                self.text.push(if piece.is_grace { '{' } else { '}' });
                in_graces = piece.is_grace;
            }
            self.piece(piece, &bar.pieces[i..], bar.bar.fifths);
        }
        if in_graces {
            self.text.push('}');
        }
    }

    fn piece(&mut self, piece: &Piece, from_here: &[Piece], fifths: i32) {
        if let Some(tuplet) = piece.tuplet.filter(|t| t.starts) {
            let n = 1 + from_here
                .iter()
                .filter(|p| !p.is_grace)
                .position(|p| p.tuplet.is_some_and(|t| t.stops))
                .unwrap_or(0);
            let _ = write!(self.text, "({}:{}:{n}", tuplet.actual, tuplet.normal);
        }
        let Some(index) = piece.index else {
            self.text.push('z');
            self.length(piece);
            return;
        };
        let note = &self.line.notes[index];
        let slurs_on = self.line.notes.get(index + 1).is_some_and(|n| n.slurred);
        if piece.note_first {
            if slurs_on && !self.slur_open {
                self.text.push('(');
                self.slur_open = true;
            }
            self.marks(note);
        }
        self.pitch(note.written, fifths, !piece.note_first);
        self.length(piece);
        if piece.tied_on {
            self.text.push('-');
        } else {
            if self.slur_open && !slurs_on {
                self.text.push(')');
                self.slur_open = false;
            }
            if note.breath_after {
                self.text.push_str("!breath!");
            }
        }
    }

    fn marks(&mut self, note: &LineNote) {
        for articulation in &note.articulations {
            self.text.push_str(match articulation {
                Articulation::Staccato => ".",
                Articulation::Staccatissimo => "!wedge!",
                Articulation::Tenuto => "!tenuto!",
                Articulation::Accent => "!>!",
                Articulation::StrongAccent => "!^!",
                Articulation::DetachedLegato => ".!tenuto!",
            });
        }
        match note.ornament {
            Some(Ornament::Trill) => self.text.push_str("!trill!"),
            Some(Ornament::Mordent) => self.text.push_str("!mordent!"),
            Some(Ornament::Turn) => self.text.push_str("!turn!"),
            _ => {}
        }
        if note.fermata {
            self.text.push_str("!fermata!");
        }
    }

    /// The accidental is written wherever the key and the bar so far leave any doubt: readers
    /// differ in whether one holds in other octaves.
    fn pitch(&mut self, written: Spelling, fifths: i32, tied: bool) {
        let Spelling {
            letter,
            alter,
            octave,
        } = written;
        let by_key = key_alter(letter, fifths) as i8;
        let here = self
            .alters
            .get(&(letter, octave))
            .copied()
            .unwrap_or(by_key);
        let mut elsewhere = self.alters.iter().filter(|((l, _), _)| *l == letter);
        let doubtful = elsewhere.any(|(_, a)| *a != alter);
        if !tied && (here != alter || doubtful) {
            self.text.push_str(match alter {
                ..=-2 => "__",
                -1 => "_",
                0 => "=",
                1 => "^",
                2.. => "^^",
            });
            self.alters.insert((letter, octave), alter);
        }
        let name = b"CDEFGAB"[letter as usize % 7] as char;
        if octave >= 5 {
            self.text.push(name.to_ascii_lowercase());
            self.text.push_str(&"'".repeat((octave - 5) as usize));
        } else {
            self.text.push(name);
            self.text.push_str(&",".repeat((4 - octave) as usize));
        }
    }

    fn length(&mut self, piece: &Piece) {
        // A value with n dots is 2 − 2⁻ⁿ times as long.
        let dots = piece.value.dots as u32;
        let ticks = piece.value.ticks * ((2 << dots) - 1) / (1 << dots);
        let (over, under) = fraction(ticks, UNIT);
        if over != 1 {
            let _ = write!(self.text, "{over}");
        }
        if under != 1 {
            let _ = write!(self.text, "/{under}");
        }
    }
}
