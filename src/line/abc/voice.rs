//! One voice being read: its tokens become bars and notes.

use super::super::score::{Measure, Part, ScoreNote};
use super::super::{Articulation, Ornament, Spelling, TempoMark};
use super::fields::{Metre, VoiceProperties};
use super::key::Signature;
use super::problems::{Place, Problems};
use super::token::{BarSigns, NoteToken, Token};

/// How far an accidental reaches (`I:propagate-accidentals`, 11.3).
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub enum Propagation {
    /// The note alone.
    Not,
    /// The same letter in the same octave up to the bar line.
    Octave,
    /// The same letter in all octaves: the standard's default.
    #[default]
    Pitch,
}

/// More notes or bars than any étude has; the voice is cut there, since memory is not endless.
const NOTES_MAX: usize = 50_000;
const BARS_MAX: usize = 20_000;
/// Lengths nearer than this are equal: far below a 1/1024 note, above rounding.
const EQUAL_QUARTERS: f64 = 1e-4;
/// Positions are rounded to this share of a quarter, so that tuplets sum exactly:
/// 2^10 · 9 · 5 · 7 · 11 · 13.
const GRID: f64 = 46_126_080.0;

fn on_grid(quarters: f64) -> f64 {
    (quarters * GRID).round() / GRID
}

/// A bar of the page with what numbering needs to know of it.
#[derive(Debug, Default)]
struct Bar {
    measure: Measure,
    /// Its first note in [`Voice::notes`]; it ends where the next bar begins.
    first_note: usize,
    /// A repeat, double bar or ending stands at its start; at its end.
    opens_section: bool,
    closes_section: bool,
}

/// Where a repeat goes back to.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
enum Origin {
    /// No `|:` seen: the last double bar or repeat end (4.8), which is this bar.
    Implied(usize),
    /// The bar whose start has the sign, written or added.
    Marked,
}

/// The note, chord or rest that a broken-rhythm sign lengthens or shortens.
#[derive(Clone, Copy, Debug)]
struct Timed {
    note: Option<usize>,
    start_quarters: f64,
    quarters: f64,
}

/// Signs read before the note they belong to.
#[derive(Debug, Default)]
struct Marks {
    articulations: Vec<Articulation>,
    ornament: Option<Ornament>,
    fermata: bool,
    breath: bool,
    dynamic: Option<String>,
    /// `segno`, `coda`, `fine`, …, with the letter `!` names; they belong to a bar.
    signs: Vec<BarSign>,
}

#[derive(Clone, Copy, Debug, PartialEq, Eq)]
enum BarSign {
    Segno,
    Coda,
    ToCoda,
    Fine,
    DaCapo,
    DalSegno,
}

pub struct Voice {
    pub id: String,
    pub properties: VoiceProperties,
    pub signature: Signature,
    pub metre: Metre,
    pub unit_quarters: f64,
    pub tempo: Option<TempoMark>,
    /// Labels of `P:` fields with the bar they stand before.
    pub sections: Vec<(char, usize)>,
    pub problems: Problems,
    /// Key and transposition at the first note.
    at_first_note: Option<(Signature, i32)>,

    notes: Vec<ScoreNote>,
    bars: Vec<Bar>,
    current: Bar,
    at_quarters: f64,
    full: bool,

    /// Accidentals since the bar line, by letter and octave (octave 0 for all).
    accidentals: Vec<((u8, i8), i8)>,
    /// Pitches of the note or chord before, where a tie follows it.
    tied: Vec<Spelling>,
    marks: Marks,
    in_grace: bool,
    /// Grace notes that wait for their main note.
    graces: Vec<ScoreNote>,
    /// The tuplet's factor and how many notes it still has.
    tuplet: Option<(f64, u32)>,
    last: Option<Timed>,
    /// Factor that a broken-rhythm sign left for the next note.
    broken: Option<f64>,
    /// Notes at which slurs were opened, with their places; and those closed.
    slurs_open: Vec<(usize, Place)>,
    slurs: Vec<(usize, usize)>,
    /// In `&`, a second voice on the same staff: not read. With `(&` it goes on over bar lines.
    overlay: bool,
    overlay_spans_bars: bool,

    origin: Origin,
    /// Times asked for by the colons of `|::`.
    forward_times: u32,
    in_ending: bool,
    /// A repeat or double bar has just closed a group; music without an ending begins a new one.
    group_closed: bool,
    /// The first chord's place and the number of chords.
    chords: Option<(Place, usize)>,
    /// Codas seen: bar, and whether the sign stands at its start.
    codas: Vec<(usize, bool)>,
}

impl Voice {
    pub fn new(
        id: &str,
        properties: VoiceProperties,
        signature: Signature,
        metre: Metre,
        unit_quarters: f64,
    ) -> Voice {
        Voice {
            id: id.to_string(),
            properties,
            signature,
            metre,
            unit_quarters,
            tempo: None,
            sections: Vec::new(),
            problems: Problems::default(),
            at_first_note: None,
            notes: Vec::new(),
            bars: Vec::new(),
            current: Bar {
                opens_section: true,
                ..Bar::default()
            },
            at_quarters: 0.0,
            full: false,
            accidentals: Vec::new(),
            tied: Vec::new(),
            marks: Marks::default(),
            in_grace: false,
            graces: Vec::new(),
            tuplet: None,
            last: None,
            broken: None,
            slurs_open: Vec::new(),
            slurs: Vec::new(),
            overlay: false,
            overlay_spans_bars: false,
            origin: Origin::Implied(0),
            forward_times: 0,
            in_ending: false,
            group_closed: false,
            chords: None,
            codas: Vec::new(),
        }
    }

    /// No more is taken: the voice has reached its bound.
    pub fn is_full(&self) -> bool {
        self.full
    }

    pub fn n_notes(&self) -> usize {
        self.notes.len()
    }

    /// Takes one token of music; fields are the tune's business.
    pub fn take(&mut self, token: Token, place: Place, propagation: Propagation) {
        if self.full {
            return;
        }
        if self.overlay {
            let ends = match token {
                Token::Bar(_) | Token::Ending(_) => !self.overlay_spans_bars,
                Token::OverlayClose => {
                    self.overlay_spans_bars = false;
                    true
                }
                _ => false,
            };
            if !ends {
                return;
            }
            self.overlay = false;
        }
        match token {
            Token::Note(note) => self.note(&[(note, false)], place, propagation),
            Token::Chord(notes) => {
                if notes.len() > 1 {
                    self.chords.get_or_insert((place, 0)).1 += 1;
                }
                self.note(&notes, place, propagation);
            }
            Token::Rest(length) => self.rest(length),
            Token::BarRests(n) => self.bar_rests(n, place),
            Token::GraceOpen => self.in_grace = true,
            Token::GraceClose => self.in_grace = false,
            Token::Tuplet { p, q, r } => self.open_tuplet(p, q, r, place),
            Token::Broken(count) => self.break_rhythm(count, place),
            Token::Tie => self.tie(place),
            Token::SlurOpen => self.slurs_open.push((self.n_sounding(), place)),
            Token::SlurClose => match self.slurs_open.pop() {
                Some((first, _)) => self.slurs.push((first, self.n_sounding())),
                None => self.problems.say(place, "this slur ends but never began"),
            },
            Token::Decoration(name) => self.decorate(&name),
            Token::Sign(_) => {}
            Token::Bar(signs) => self.bar_line(signs, place),
            Token::Ending(numbers) => self.ending(numbers, place),
            Token::Overlay => {
                self.problems.once(
                    place,
                    "voices joined by & share the staff: the first is taken",
                );
                self.overlay = true;
            }
            Token::OverlayOpen => {
                self.problems.once(
                    place,
                    "voices joined by & share the staff: the first is taken",
                );
                self.overlay_spans_bars = true;
            }
            Token::OverlayClose => self.overlay_spans_bars = false,
            Token::Field(..) => {}
            Token::NotUnderstood(text) => self.problems.say(
                place,
                format!("\"{text}\" has no meaning here and is left out"),
            ),
            Token::BadLength => self
                .problems
                .say(place, "this length cannot be; the note or rest is left out"),
        }
        let n_slurs = self.slurs_open.len() + self.slurs.len();
        if !self.full
            && (self.n_sounding() > NOTES_MAX || self.bars.len() > BARS_MAX || n_slurs > NOTES_MAX)
        {
            self.problems.say(
                place,
                format!("more than {NOTES_MAX} notes or {BARS_MAX} bars; the voice ends here"),
            );
            self.full = true;
        }
    }

    /// Notes so far, grace notes that wait included: the index the next one will have.
    fn n_sounding(&self) -> usize {
        self.notes.len() + self.graces.len()
    }

    /// A note or a chord, whose top note is taken and whose first note gives the length (4.17).
    fn note(&mut self, chord: &[(NoteToken, bool)], place: Place, propagation: Propagation) {
        let mut pitches: Vec<(Spelling, bool)> = Vec::new();
        for (token, tied) in chord {
            let pitch = self.pitch(token, propagation);
            if (0..=127).contains(&pitch.midi()) {
                pitches.push((pitch, *tied));
            } else {
                self.problems.say(
                    place,
                    "no instrument reaches this octave; the note is left out",
                );
            }
        }
        let Some(&(pitch, tie_start)) = pitches.iter().max_by_key(|(p, _)| p.midi()) else {
            return;
        };
        let transpose = self.transpose_semitones();
        let (_, first_transpose) = self
            .at_first_note
            .get_or_insert_with(|| (self.signature.clone(), transpose));
        let mut note = ScoreNote {
            at_quarters: self.at_quarters,
            duration_quarters: 0.0,
            pitch,
            transpose_semitones: (transpose != *first_transpose).then_some(transpose),
            grace: self.in_grace,
            tie_start,
            tie_stop: false,
            slurred: false,
            articulations: Vec::new(),
            ornament: None,
            fermata: false,
            breath_after: false,
            dynamic: None,
            time_only: Vec::new(),
            source: None,
        };
        if self.in_grace {
            self.graces.push(note);
            return;
        }
        self.begin_music();
        note.tie_stop = self.tied.contains(&pitch);
        if !self.tied.is_empty() && !note.tie_stop {
            self.problems.say(
                place,
                format!("a tie leads to {pitch}, another pitch: it is left out"),
            );
        }
        self.tied = pitches
            .iter()
            .filter(|(_, tied)| *tied)
            .map(|(p, _)| *p)
            .collect();
        self.flush_graces();
        let quarters = self.timed(chord[0].0.length);
        note.at_quarters = self.at_quarters;
        note.duration_quarters = quarters;
        self.put_signs();
        let marks = std::mem::take(&mut self.marks);
        note.articulations = marks.articulations;
        note.ornament = marks.ornament;
        note.fermata = marks.fermata;
        note.breath_after = marks.breath;
        note.dynamic = marks.dynamic;
        self.notes.push(note);
        self.advance(Some(self.notes.len() - 1), quarters);
    }

    /// The written pitch: explicit accidental, else a tie's, else the bar's, else the key's.
    fn pitch(&mut self, token: &NoteToken, propagation: Propagation) -> Spelling {
        let octave = token
            .octave
            .saturating_add(self.properties.octave.unwrap_or(0) as i8);
        let reach = match propagation {
            Propagation::Octave => octave,
            _ => 0,
        };
        let place = (token.letter, reach);
        let known = self.accidentals.iter().position(|(p, _)| *p == place);
        let by_tie = self
            .tied
            .iter()
            .find(|t| t.letter == token.letter && t.octave == octave);
        let alter = match (token.accidental, by_tie, known) {
            (Some(explicit), _, known) => {
                match known {
                    Some(at) => self.accidentals[at].1 = explicit,
                    None if propagation != Propagation::Not => {
                        self.accidentals.push((place, explicit))
                    }
                    None => {}
                }
                explicit
            }
            // Common practice: the accidental of a tied note holds over the bar line.
            (None, Some(tied), _) => tied.alter,
            (None, None, Some(at)) => self.accidentals[at].1,
            (None, None, None) => self.signature.alters[token.letter as usize],
        };
        Spelling {
            letter: token.letter,
            alter,
            octave,
        }
    }

    pub fn transpose_semitones(&self) -> i32 {
        self.properties.transpose_semitones.unwrap_or(0)
            + 12 * self.properties.clef_octave.unwrap_or(0)
    }

    /// Length of a note or rest of `length` default lengths here, with tuplet and broken rhythm.
    fn timed(&mut self, length: f64) -> f64 {
        let mut quarters = length * self.unit_quarters;
        if let Some((factor, left)) = self.tuplet {
            quarters *= factor;
            self.tuplet = (left > 1).then_some((factor, left - 1));
        }
        quarters * self.broken.take().unwrap_or(1.0)
    }

    fn advance(&mut self, note: Option<usize>, quarters: f64) {
        self.last = Some(Timed {
            note,
            start_quarters: self.at_quarters,
            quarters,
        });
        self.at_quarters = on_grid(self.at_quarters + quarters);
    }

    fn rest(&mut self, length: f64) {
        if self.in_grace {
            return;
        }
        self.begin_music();
        self.flush_graces();
        self.put_signs();
        self.marks = Marks::default();
        self.tied.clear();
        let quarters = self.timed(length);
        self.advance(None, quarters);
    }

    /// `Z4`: bars of rest; a whole note each in free metre. Within a bar only `z` can be meant.
    fn bar_rests(&mut self, n: f64, place: Place) {
        if self.at_quarters > 0.0 {
            self.problems
                .say(place, "a rest of whole bars within a bar: it is taken as z");
            return self.rest(n);
        }
        let quarters = self.metre.bar_quarters.unwrap_or(4.0);
        for i in 0..n as usize {
            if i > 0 {
                self.close_bar();
            }
            if self.bars.len() > BARS_MAX {
                break;
            }
            self.begin_music();
            self.put_signs();
            self.at_quarters = quarters;
        }
        self.marks = Marks::default();
        self.tied.clear();
        self.last = None;
    }

    /// p notes in the time of q for the next r notes (4.13).
    fn open_tuplet(&mut self, p: u32, q: Option<u32>, r: Option<u32>, place: Place) {
        let in_metre = if self.metre.compound { 3 } else { 2 };
        let q = q.unwrap_or(match p {
            2 | 4 | 8 => 3,
            3 | 6 => 2,
            _ => in_metre,
        });
        let r = r.unwrap_or(p);
        let fits = |n| (1..=TUPLET_MAX).contains(&n);
        if !fits(p) || !fits(q) || !fits(r) {
            self.problems.say(
                place,
                format!("a tuplet of {p}:{q}:{r} cannot be; its notes keep their length"),
            );
            return;
        }
        self.tuplet = Some((q as f64 / p as f64, r));
    }

    /// `a>b`: a is dotted, b halved; `>>` and `>>>` dot twice and thrice (4.4).
    fn break_rhythm(&mut self, count: i32, place: Place) {
        let Some(last) = self.last.take().filter(|_| !self.in_grace) else {
            self.problems
                .say(place, "a broken rhythm needs a note before it");
            return;
        };
        let short = 0.5f64.powi(count.abs().min(BROKEN_MAX));
        let (before, after) = if count > 0 {
            (2.0 - short, short)
        } else {
            (short, 2.0 - short)
        };
        let quarters = last.quarters * before;
        if let Some(note) = last.note {
            self.notes[note].duration_quarters = quarters;
        }
        self.at_quarters = on_grid(last.start_quarters + quarters);
        self.broken = Some(after);
    }

    fn tie(&mut self, place: Place) {
        if self.in_grace {
            return;
        }
        let last = self
            .last
            .and_then(|l| l.note)
            .or_else(|| self.notes.len().checked_sub(1));
        let Some(note) = last.and_then(|i| self.notes.get_mut(i)) else {
            self.problems.say(place, "a tie needs a note before it");
            return;
        };
        note.tie_start = true;
        if !self.tied.contains(&note.pitch) {
            self.tied.push(note.pitch);
        }
    }

    /// Grace notes stand before the main note, at its place.
    fn flush_graces(&mut self) {
        for mut grace in self.graces.drain(..) {
            grace.at_quarters = self.at_quarters;
            self.notes.push(grace);
        }
    }

    /// The decorations of 4.14 that change what is heard, judged or played next.
    ///
    /// The standard has one case for each name; files have any.
    pub fn decorate(&mut self, name: &str) {
        let name = name.to_ascii_lowercase();
        let marks = &mut self.marks;
        let articulation = match name.as_str() {
            "." | "staccato" => Some(Articulation::Staccato),
            "wedge" => Some(Articulation::Staccatissimo),
            "tenuto" => Some(Articulation::Tenuto),
            ">" | "accent" | "emphasis" => Some(Articulation::Accent),
            "^" | "marcato" => Some(Articulation::StrongAccent),
            _ => None,
        };
        if let Some(articulation) = articulation {
            if !marks.articulations.contains(&articulation) {
                marks.articulations.push(articulation);
            }
            return;
        }
        match name.as_str() {
            "trill" | "trill(" => marks.ornament = Some(Ornament::Trill),
            // With the stroke through it, and without: a mordent downwards and upwards.
            "lowermordent" | "mordent" => marks.ornament = Some(Ornament::Mordent),
            "uppermordent" | "pralltriller" => marks.ornament = Some(Ornament::InvertedMordent),
            // An Irish roll is played as a turn from the note itself.
            "turn" | "turnx" | "roll" => marks.ornament = Some(Ornament::Turn),
            "invertedturn" | "invertedturnx" => marks.ornament = Some(Ornament::InvertedTurn),
            "/" | "//" | "///" | "tremolo" => marks.ornament = Some(Ornament::Tremolo),
            "p" | "pp" | "ppp" | "pppp" | "f" | "ff" | "fff" | "ffff" | "mp" | "mf" | "sfz" => {
                marks.dynamic = Some(name)
            }
            "fermata" | "invertedfermata" => marks.fermata = true,
            "breath" => marks.breath = true,
            "segno" => marks.signs.push(BarSign::Segno),
            "coda" => marks.signs.push(BarSign::Coda),
            "dacoda" | "tocoda" => marks.signs.push(BarSign::ToCoda),
            "fine" => marks.signs.push(BarSign::Fine),
            "d.c." | "dacapo" | "d.c.alfine" | "d.c.alcoda" => marks.signs.push(BarSign::DaCapo),
            "d.s." | "dalsegno" | "d.s.alfine" | "d.s.alcoda" => {
                marks.signs.push(BarSign::DalSegno)
            }
            _ => {}
        }
    }

    /// Signs before a note belong to its bar.
    fn put_signs(&mut self) {
        let at_start = self.at_quarters == 0.0;
        for sign in std::mem::take(&mut self.marks.signs) {
            if sign == BarSign::Coda {
                self.codas.push((self.bars.len(), at_start));
            }
            put_sign(&mut self.current.measure, sign);
        }
    }

    /// Signs before a bar line: jumps act there; segno and coda are for the bar that begins.
    fn put_signs_at_bar_line(&mut self) {
        if self.marks.breath
            && let Some(note) = self.notes.last_mut()
        {
            note.breath_after = true;
        }
        // A fermata or the like on a bar line is no note's.
        let signs = std::mem::take(&mut self.marks).signs;
        let (later, now): (Vec<BarSign>, Vec<BarSign>) = signs
            .into_iter()
            .partition(|s| matches!(s, BarSign::Segno | BarSign::Coda));
        self.marks.signs = later;
        if let Some(bar) = self.bars.last_mut() {
            for sign in now {
                put_sign(&mut bar.measure, sign);
            }
        }
    }

    fn bar_line(&mut self, signs: BarSigns, place: Place) {
        self.accidentals.clear();
        self.last = None;
        self.close_bar();
        self.put_signs_at_bar_line();
        if signs.colons_before > 0 {
            self.repeat_back(signs.colons_before + 1, place);
        }
        let next = self.bars.len();
        if signs.double || signs.colons_before > 0 || signs.colons_after > 0 {
            self.current.opens_section = true;
            if let Some(bar) = self.bars.last_mut() {
                bar.closes_section = true;
            }
            self.end_ending();
        }
        // A double bar inside a marked repeat does not take its beginning away.
        if signs.double && !matches!(self.origin, Origin::Marked) {
            self.origin = Origin::Implied(next);
        }
        if signs.colons_after > 0 {
            self.current.measure.repeat_forward = true;
            self.origin = Origin::Marked;
            self.forward_times = signs.colons_after + 1;
            self.group_closed = false;
        }
    }

    /// Ends the bar, if there is one: two bar lines in a row have none between.
    pub fn close_bar(&mut self) {
        if self.at_quarters <= 0.0 && self.notes.len() == self.current.first_note {
            return;
        }
        let mut bar = std::mem::take(&mut self.current);
        bar.measure.length_quarters = self.at_quarters;
        bar.measure.beat_quarters = self.metre.beat_quarters;
        bar.measure.full_quarters = self.metre.bar_quarters;
        bar.measure.fifths = self.signature.key.fifths;
        self.bars.push(bar);
        self.current.first_note = self.notes.len();
        self.at_quarters = 0.0;
        self.last = None;
    }

    /// A backward repeat at the end of the last bar.
    fn repeat_back(&mut self, times: u32, place: Place) {
        if let Origin::Implied(bar) = self.origin
            && let Some(bar) = self.bars.get_mut(bar)
        {
            bar.measure.repeat_forward = true;
            self.origin = Origin::Marked;
        }
        let times = times.max(self.forward_times);
        match self.bars.last_mut() {
            Some(bar) => bar.measure.repeat_backward = Some(times.min(REPEATS_MAX)),
            None => self
                .problems
                .say(place, "a repeat ends here before any music"),
        }
        self.group_closed = true;
    }

    fn ending(&mut self, numbers: Vec<u32>, place: Place) {
        if numbers.is_empty() {
            self.problems
                .say(place, "an ending without a number is left out");
            return;
        }
        self.close_bar();
        self.end_ending();
        self.group_closed = false;
        self.in_ending = true;
        self.current.opens_section = true;
        self.current.measure.ending_start = Some(numbers);
    }

    /// An ending goes up to the next repeat, double bar or ending (4.9).
    fn end_ending(&mut self) {
        if self.in_ending
            && self.current.measure.ending_start.is_none()
            && let Some(bar) = self.bars.last_mut()
        {
            bar.measure.ending_stop = true;
            self.in_ending = false;
            self.group_closed = true;
        }
    }

    /// Music without an ending number after a closed repeat begins a new section.
    fn begin_music(&mut self) {
        if self.group_closed {
            self.group_closed = false;
            self.forward_times = 0;
            self.origin = Origin::Implied(self.bars.len());
        }
    }

    /// A `P:` label: a section begins at the next bar (3.1.9).
    pub fn begin_section(&mut self, label: Option<char>) {
        self.close_bar();
        self.end_ending();
        self.group_closed = false;
        self.forward_times = 0;
        self.origin = Origin::Implied(self.bars.len());
        self.current.opens_section = true;
        if let Some(label) = label {
            self.sections.push((label, self.bars.len()));
        }
    }

    /// The part, when all has been read.
    pub fn finish(mut self) -> (Part, Vec<(char, usize)>) {
        self.flush_graces();
        self.close_bar();
        self.put_signs_at_bar_line();
        for (_, place) in &self.slurs_open {
            self.problems
                .say(*place, "this slur has no end and is left out");
        }
        if let Some((place, n)) = self.chords {
            self.problems.say(
                place,
                format!("from here on there are chords, {n} in all: the top note is taken"),
            );
        }
        self.mark_slurs();
        self.mark_jump_to_coda();
        self.number_bars();
        let (signature, transpose) = match self.at_first_note {
            Some(at_first_note) => at_first_note,
            None => (self.signature, 0),
        };
        let says_transpose = self.properties.transpose_semitones.is_some() || transpose != 0;
        let name = self.properties.name.unwrap_or_else(|| self.id.clone());
        let n_notes = self.notes.len();
        let mut notes = self.notes.into_iter();
        let ends: Vec<usize> = self
            .bars
            .iter()
            .skip(1)
            .map(|b| b.first_note)
            .chain([n_notes])
            .collect();
        let measures = self
            .bars
            .into_iter()
            .zip(ends)
            .map(|(bar, end)| Measure {
                notes: notes.by_ref().take(end - bar.first_note).collect(),
                ..bar.measure
            })
            .collect();
        let part = Part {
            instrument_hints: vec![name.clone()],
            name,
            transpose_semitones: says_transpose.then_some(transpose),
            key: signature.key,
            tempo: self.tempo,
            measures,
            problems: self.problems.into_vec(),
            ..Part::default()
        };
        (part, self.sections)
    }

    fn mark_slurs(&mut self) {
        // +1 after the first note of each slur, −1 after its last: the running sum is the depth.
        let mut steps = vec![0i32; self.notes.len() + 2];
        for &(first, end) in &self.slurs {
            if end > first + 1 {
                steps[first + 1] += 1;
                steps[end] -= 1;
            }
        }
        let mut depth = 0;
        for (note, step) in self.notes.iter_mut().zip(steps) {
            depth += step;
            note.slurred = depth > 0;
        }
    }

    /// Of two coda signs the first says where to leave from, unless a "da coda" does.
    fn mark_jump_to_coda(&mut self) {
        let jumps = self
            .bars
            .iter()
            .any(|b| b.measure.da_capo.is_some() || b.measure.dal_segno.is_some());
        let told = self.bars.iter().any(|b| b.measure.to_coda.is_some());
        if let [(from, at_start), _, ..] = self.codas[..]
            && jumps
            && !told
        {
            self.bars[from].measure.coda = false;
            let leaves = if at_start {
                from.saturating_sub(1)
            } else {
                from
            };
            self.bars[leaves].measure.to_coda = Some(Vec::new());
        }
    }

    /// Numbers bars from 1: a pickup is bar 0 and counts its beats to the bar's end, and the
    /// second half of a bar that a repeat or double bar cuts goes on with number and beat.
    fn number_bars(&mut self) {
        let mut number = 0;
        let n_bars = self.bars.len();
        for i in 0..n_bars {
            let (before, from_here) = self.bars.split_at_mut(i);
            let bar = &mut from_here[0];
            let length = bar.measure.length_quarters;
            let beat = bar.measure.beat_quarters;
            bar.measure.first_beat = 1.0;
            let short_by = bar.measure.full_quarters.map_or(0.0, |full| full - length);
            let is_short = short_by > EQUAL_QUARTERS;
            let half_before = before.last().filter(|b| {
                let done = (b.measure.first_beat - 1.0) * b.measure.beat_quarters
                    + b.measure.length_quarters;
                (b.closes_section || bar.opens_section)
                    && b.measure
                        .full_quarters
                        .is_some_and(|full| done < full - EQUAL_QUARTERS)
                    && b.measure.full_quarters == bar.measure.full_quarters
                    && (done - short_by).abs() < EQUAL_QUARTERS
            });
            let plain_end = !bar.closes_section && n_bars > i + 1;
            if is_short && i == 0 && n_bars > 1 {
                bar.measure.first_beat = 1.0 + short_by / beat;
            } else if let (true, Some(half)) = (is_short, half_before) {
                bar.measure.first_beat =
                    half.measure.first_beat + half.measure.length_quarters / beat;
            } else {
                number += 1;
                if is_short && bar.opens_section && plain_end {
                    bar.measure.first_beat = 1.0 + short_by / beat;
                }
            }
            bar.measure.number = number.to_string();
        }
    }
}

/// A tuplet of more notes than this is a slip of the pen.
const TUPLET_MAX: u32 = 128;
/// More signs than this in a row shorten a note to nothing.
const BROKEN_MAX: i32 = 6;
/// More times than this nobody repeats.
const REPEATS_MAX: u32 = 99;

fn put_sign(measure: &mut Measure, sign: BarSign) {
    match sign {
        BarSign::Segno => measure.segno = true,
        BarSign::Coda => measure.coda = true,
        BarSign::ToCoda => measure.to_coda = Some(Vec::new()),
        BarSign::Fine => measure.fine = Some(Vec::new()),
        BarSign::DaCapo => measure.da_capo = Some(Vec::new()),
        BarSign::DalSegno => measure.dal_segno = Some(Vec::new()),
    }
}
