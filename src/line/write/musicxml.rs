//! The MusicXML document.

use std::collections::HashMap;
use std::fmt::Write;

use super::beams::{Beam, beams};
use super::page::{WrittenBar, bars, ticks};
use super::values::{Piece, TICKS_PER_QUARTER, Ticks, Tuplet};
use super::{Order, WriteOptions, Written};
use crate::line::{
    Articulation, Line, LineNote, Ornament, Signs, Spelling, TempoMark, instruments, key_alter,
};

pub fn write(line: &Line, options: &WriteOptions) -> Written {
    let (bars, ids) = bars(line, options.order);
    let slurs = slurs(line, &bars);
    let mut page = Page {
        xml: head(line),
        line,
        options,
        divisor: common_divisor(&bars),
        slurs,
        told: Told::default(),
    };
    for (i, bar) in bars.iter().enumerate() {
        page.bar(i, bar, bars.get(i + 1));
    }
    page.xml.push_str("  </part>\n</score-partwise>\n");
    Written { xml: page.xml, ids }
}

fn head(line: &Line) -> String {
    let mut xml = String::from(
        "<?xml version=\"1.0\" encoding=\"UTF-8\" standalone=\"no\"?>\n<!DOCTYPE score-partwise PUBLIC \"-//Recordare//DTD MusicXML 4.0 Partwise//EN\" \"http://www.musicxml.org/dtds/partwise.dtd\">\n<score-partwise version=\"4.0\">\n",
    );
    if !line.title.is_empty() {
        let _ = writeln!(
            xml,
            "  <movement-title>{}</movement-title>",
            escaped(&line.title)
        );
    }
    let _ = writeln!(
        xml,
        "  <part-list>\n    <score-part id=\"P1\">\n      <part-name>{}</part-name>",
        escaped(&line.part)
    );
    if let Some(instrument) = instruments::find(&line.instrument) {
        let _ = writeln!(
            xml,
            "      <score-instrument id=\"P1-I1\">\n        <instrument-name>{}</instrument-name>\n        <instrument-sound>{}</instrument-sound>\n      </score-instrument>",
            escaped(instrument.label),
            instrument.sound_id
        );
    }
    xml.push_str("    </score-part>\n  </part-list>\n  <part id=\"P1\">\n");
    xml
}

/// The largest unit of time that all lengths are multiples of.
fn common_divisor(bars: &[WrittenBar]) -> Ticks {
    let lengths = bars
        .iter()
        .flat_map(|b| b.pieces.iter().map(|p| p.length).chain([b.length]));
    lengths.fold(TICKS_PER_QUARTER, |a, b| {
        let (mut a, mut b) = (a, b);
        while b > 0 {
            (a, b) = (b, a % b);
        }
        a
    })
}

/// Slurs that begin and end at each note, by its index.
type Slurs = HashMap<usize, (bool, bool)>;

/// A slur is drawn over every stretch of slurred notes and the note before it.
fn slurs(line: &Line, bars: &[WrittenBar]) -> Slurs {
    let mut slurs = Slurs::new();
    let mut before: Option<usize> = None;
    let mut open = false;
    for bar in bars {
        // No slur leads from one ending into the next.
        let cut = bar.bar.signs.ending_start.is_some();
        let firsts = bar.pieces.iter().filter(|p| p.note_first);
        for (i, index) in firsts.filter_map(|p| p.index).enumerate() {
            let slurred = line.notes[index].slurred && !(cut && i == 0);
            if let Some(before) = before {
                match (slurred, open) {
                    (true, false) => slurs.entry(before).or_default().0 = true,
                    (false, true) => slurs.entry(before).or_default().1 = true,
                    _ => {}
                }
            }
            open = slurred && before.is_some();
            before = Some(index);
        }
    }
    if let (true, Some(last)) = (open, before) {
        slurs.entry(last).or_default().1 = true;
    }
    slurs
}

/// What has been said before and holds until it is said anew.
#[derive(Default)]
struct Told {
    fifths: Option<i32>,
    metre: Option<(Option<Ticks>, f64)>,
    transpose: Option<i32>,
    /// An ending begun and not yet stopped.
    ending: Option<String>,
}

struct Page<'a> {
    xml: String,
    line: &'a Line,
    options: &'a WriteOptions,
    divisor: Ticks,
    slurs: Slurs,
    told: Told,
}

impl Page<'_> {
    fn bar(&mut self, place: usize, bar: &WrittenBar, next: Option<&WrittenBar>) {
        let of_page = self.options.order == Order::Page;
        let implicit = if bar.bar.first_beat > 1.0 {
            " implicit=\"yes\""
        } else {
            ""
        };
        let _ = writeln!(
            self.xml,
            "    <measure number=\"{}\"{implicit}>",
            escaped(&bar.bar.number)
        );
        self.attributes(place, bar);
        let signs = &bar.bar.signs;
        if of_page {
            self.left_barline(signs);
            if signs.segno {
                self.direction("<segno/>", "segno=\"1\"");
            }
            if signs.coda {
                self.direction("<coda/>", "coda=\"1\"");
            }
        }
        if let Some(tempo) = self.line.tempo.filter(|_| place == 0) {
            self.tempo(tempo);
        }
        let origin = ticks((bar.bar.first_beat - 1.0) * bar.bar.beat_quarters);
        let beat = ticks(bar.bar.beat_quarters).max(1);
        let beams = beams(&bar.pieces, origin, beat, bar.full);
        let mut altered: HashMap<(u8, i8), i8> = HashMap::new();
        for (piece, beams) in bar.pieces.iter().zip(&beams) {
            self.piece(piece, beams, bar, &mut altered);
        }
        if of_page {
            self.jumps(signs);
        }
        self.right_barline(signs, next.map(|n| &n.bar.signs), of_page);
        self.xml.push_str("    </measure>\n");
    }

    fn attributes(&mut self, place: usize, bar: &WrittenBar) {
        let mut inner = String::new();
        if place == 0 {
            let divisions = TICKS_PER_QUARTER / self.divisor;
            let _ = writeln!(inner, "        <divisions>{divisions}</divisions>");
        }
        if self.told.fifths.replace(bar.bar.fifths) != Some(bar.bar.fifths) {
            let mode = if bar.bar.fifths == self.line.key.fifths {
                format!("<mode>{}</mode>", escaped(&self.line.key.mode))
            } else {
                String::new()
            };
            let _ = writeln!(
                inner,
                "        <key><fifths>{}</fifths>{mode}</key>",
                bar.bar.fifths
            );
        }
        let metre = (bar.full, bar.bar.beat_quarters);
        if self.told.metre.replace(metre) != Some(metre) {
            let _ = writeln!(inner, "        <time>{}</time>", time(bar));
        }
        if place == 0 {
            let (sign, on_line) = clef(self.line);
            let _ = writeln!(
                inner,
                "        <clef><sign>{sign}</sign><line>{on_line}</line></clef>"
            );
        }
        let first = bar.pieces.iter().find_map(|p| p.index);
        let transpose = match first.map(|index| &self.line.notes[index]) {
            Some(note) => note.sounding_midi - note.written.midi(),
            None => self.told.transpose.unwrap_or(self.line.transpose_semitones),
        };
        if self.told.transpose.replace(transpose).unwrap_or(0) != transpose {
            inner.push_str(&transposition(transpose));
        }
        if !inner.is_empty() {
            let _ = write!(self.xml, "      <attributes>\n{inner}      </attributes>\n");
        }
    }

    fn left_barline(&mut self, signs: &Signs) {
        let mut inner = String::new();
        if let Some(numbers) = &signs.ending_start {
            let number = if numbers.is_empty() {
                "1".to_string()
            } else {
                let numbers: Vec<String> = numbers.iter().map(u32::to_string).collect();
                numbers.join(",")
            };
            let _ = write!(inner, "<ending number=\"{number}\" type=\"start\"/>");
            self.told.ending = Some(number);
        }
        if signs.forward {
            inner.push_str("<repeat direction=\"forward\"/>");
        }
        if !inner.is_empty() {
            let style = if signs.forward {
                "<bar-style>heavy-light</bar-style>"
            } else {
                ""
            };
            let _ = writeln!(
                self.xml,
                "      <barline location=\"left\">{style}{inner}</barline>"
            );
        }
    }

    fn right_barline(&mut self, signs: &Signs, next: Option<&Signs>, of_page: bool) {
        let mut inner = String::new();
        let backward = signs.backward.filter(|_| of_page);
        if backward.is_some() || next.is_none() {
            inner.push_str("<bar-style>light-heavy</bar-style>");
        }
        let ends = signs.ending_stop
            || backward.is_some()
            || next.is_none_or(|n| n.ending_start.is_some() || n.forward);
        if let Some(number) = self.told.ending.take_if(|_| ends) {
            let kind = if backward.is_some() {
                "stop"
            } else {
                "discontinue"
            };
            let _ = write!(inner, "<ending number=\"{number}\" type=\"{kind}\"/>");
        }
        if let Some((times, after_jump)) = backward {
            let times = match times {
                2 => String::new(),
                times => format!(" times=\"{times}\""),
            };
            let after = if after_jump {
                " after-jump=\"yes\""
            } else {
                ""
            };
            let _ = write!(inner, "<repeat direction=\"backward\"{times}{after}/>");
        }
        if !inner.is_empty() {
            let _ = writeln!(
                self.xml,
                "      <barline location=\"right\">{inner}</barline>"
            );
        }
    }

    /// Signs that act at the bar's end.
    fn jumps(&mut self, signs: &Signs) {
        let words = |words: &str| format!("<words>{words}</words>");
        for (times, text, sound) in [
            (&signs.to_coda, "To Coda", "tocoda=\"1\""),
            (&signs.fine, "Fine", "fine=\"yes\""),
            (&signs.da_capo, "D.C.", "dacapo=\"yes\""),
            (&signs.dal_segno, "D.S.", "dalsegno=\"1\""),
        ] {
            let Some(times) = times else { continue };
            let only: Vec<String> = times.iter().map(u32::to_string).collect();
            let only = match only.is_empty() {
                true => String::new(),
                false => format!(" time-only=\"{}\"", only.join(",")),
            };
            self.direction(&words(text), &format!("{sound}{only}"));
        }
    }

    fn direction(&mut self, kind: &str, sound: &str) {
        let _ = writeln!(
            self.xml,
            "      <direction placement=\"above\"><direction-type>{kind}</direction-type><sound {sound}/></direction>"
        );
    }

    fn tempo(&mut self, tempo: TempoMark) {
        let Some((unit, dots)) = beat_unit(tempo.beat_quarters) else {
            let _ = writeln!(
                self.xml,
                "      <sound tempo=\"{}\"/>",
                tempo.bpm * tempo.beat_quarters
            );
            return;
        };
        let dot = "<beat-unit-dot/>".repeat(dots);
        let kind = format!(
            "<metronome><beat-unit>{unit}</beat-unit>{dot}<per-minute>{}</per-minute></metronome>",
            tempo.bpm
        );
        let sound = format!("tempo=\"{}\"", tempo.bpm * tempo.beat_quarters);
        self.direction(&kind, &sound);
    }

    fn piece(
        &mut self,
        piece: &Piece,
        beams: &[Beam],
        bar: &WrittenBar,
        altered: &mut HashMap<(u8, i8), i8>,
    ) {
        let duration = piece.length / self.divisor;
        let note = piece.index.map(|index| &self.line.notes[index]);
        let words = piece
            .index
            .filter(|_| piece.note_first)
            .and_then(|i| self.options.words.get(&i));
        if let Some(words) = words {
            let _ = writeln!(
                self.xml,
                "      <direction placement=\"above\"><direction-type><words>{}</words></direction-type></direction>",
                escaped(words)
            );
        }
        let dynamic = note
            .filter(|_| piece.note_first)
            .and_then(|n| n.dynamic.as_deref());
        if let Some(dynamic) = dynamic {
            let sign = match DYNAMICS.contains(&dynamic) {
                true => format!("<{dynamic}/>"),
                false => format!("<other-dynamics>{}</other-dynamics>", escaped(dynamic)),
            };
            let _ = writeln!(
                self.xml,
                "      <direction placement=\"below\"><direction-type><dynamics>{sign}</dynamics></direction-type></direction>"
            );
        }
        let id = if piece.index.is_some() {
            format!(" id=\"{}\"", piece.id)
        } else {
            String::new()
        };
        let _ = writeln!(self.xml, "      <note{id}>");
        if piece.is_grace {
            // One alone is crushed in, several are a run (common practice).
            let alone = bar
                .pieces
                .iter()
                .filter(|p| p.is_grace && p.at == piece.at)
                .count()
                == 1;
            let slash = if alone { " slash=\"yes\"" } else { "" };
            let _ = writeln!(self.xml, "        <grace{slash}/>");
        }
        match note {
            Some(note) => {
                let alter = match note.written.alter {
                    0 => String::new(),
                    alter => format!("<alter>{alter}</alter>"),
                };
                let _ = writeln!(
                    self.xml,
                    "        <pitch><step>{}</step>{alter}<octave>{}</octave></pitch>",
                    letter(note.written),
                    note.written.octave
                );
            }
            None if bar.pieces.len() == 1 => self.xml.push_str("        <rest measure=\"yes\"/>\n"),
            None => self.xml.push_str("        <rest/>\n"),
        }
        if !piece.is_grace {
            let _ = writeln!(self.xml, "        <duration>{duration}</duration>");
        }
        let tied_from = note.is_some() && !piece.note_first;
        if tied_from {
            self.xml.push_str("        <tie type=\"stop\"/>\n");
        }
        if piece.tied_on {
            self.xml.push_str("        <tie type=\"start\"/>\n");
        }
        self.xml.push_str("        <voice>1</voice>\n");
        let whole_bar = note.is_none() && bar.pieces.len() == 1;
        if !whole_bar {
            let dots = "<dot/>".repeat(piece.value.dots);
            let _ = writeln!(
                self.xml,
                "        <type>{}</type>{dots}",
                piece.value.name()
            );
        }
        if let Some(note) = note.filter(|_| !tied_from) {
            let written = note.written;
            let state = altered
                .entry((written.letter, written.octave))
                .or_insert(key_alter(written.letter, bar.bar.fifths) as i8);
            if *state != written.alter {
                *state = written.alter;
                let _ = writeln!(
                    self.xml,
                    "        <accidental>{}</accidental>",
                    accidental(written.alter)
                );
            }
        }
        if let Some(tuplet) = piece.tuplet {
            let dots = "<normal-dot/>".repeat(tuplet.value.dots);
            let _ = writeln!(
                self.xml,
                "        <time-modification><actual-notes>{}</actual-notes><normal-notes>{}</normal-notes><normal-type>{}</normal-type>{dots}</time-modification>",
                tuplet.actual,
                tuplet.normal,
                tuplet.value.name()
            );
        }
        for (level, beam) in beams.iter().enumerate() {
            let _ = writeln!(
                self.xml,
                "        <beam number=\"{}\">{}</beam>",
                level + 1,
                beam.name()
            );
        }
        let notations = self.notations(piece, note, tied_from);
        if !notations.is_empty() {
            let _ = writeln!(self.xml, "        <notations>{notations}</notations>");
        }
        self.xml.push_str("      </note>\n");
    }

    fn notations(&self, piece: &Piece, note: Option<&LineNote>, tied_from: bool) -> String {
        let mut inner = String::new();
        if tied_from {
            inner.push_str("<tied type=\"stop\"/>");
        }
        if piece.tied_on {
            inner.push_str("<tied type=\"start\"/>");
        }
        if let (Some(note), Some(index)) = (note, piece.index) {
            let (starts, stops) = self.slurs.get(&index).copied().unwrap_or_default();
            if stops && !piece.tied_on {
                inner.push_str("<slur number=\"1\" type=\"stop\"/>");
            }
            if starts && !tied_from {
                inner.push_str("<slur number=\"1\" type=\"start\"/>");
            }
            inner.push_str(&tuplet_sign(piece.tuplet));
            inner.push_str(&self.signs(index, note, piece, tied_from));
        } else {
            inner.push_str(&tuplet_sign(piece.tuplet));
        }
        inner
    }

    /// Ornament, fingering, articulations, fermata and breath: at the note's start, the last two
    /// at its end.
    fn signs(&self, index: usize, note: &LineNote, piece: &Piece, tied_from: bool) -> String {
        let mut inner = String::new();
        if let Some(ornament) = note.ornament.filter(|_| !tied_from) {
            let _ = write!(inner, "<ornaments>{}</ornaments>", ornament_sign(ornament));
        }
        if let Some(fingering) = self.options.fingerings.get(&index).filter(|_| !tied_from) {
            let _ = write!(
                inner,
                "<technical><fingering placement=\"above\">{}</fingering></technical>",
                escaped(fingering)
            );
        }
        let mut articulations = String::new();
        if !tied_from {
            articulations.extend(note.articulations.iter().map(|a| articulation_sign(*a)));
        }
        if note.breath_after && !piece.tied_on {
            articulations.push_str("<breath-mark/>");
        }
        if !articulations.is_empty() {
            let _ = write!(inner, "<articulations>{articulations}</articulations>");
        }
        if note.fermata && !piece.tied_on {
            inner.push_str("<fermata/>");
        }
        inner
    }
}

fn tuplet_sign(tuplet: Option<Tuplet>) -> String {
    let Some(tuplet) = tuplet else {
        return String::new();
    };
    let mut sign = String::new();
    if tuplet.starts {
        sign.push_str("<tuplet type=\"start\"/>");
    }
    if tuplet.stops {
        sign.push_str("<tuplet type=\"stop\"/>");
    }
    sign
}

fn articulation_sign(articulation: Articulation) -> &'static str {
    match articulation {
        Articulation::Staccato => "<staccato/>",
        Articulation::Staccatissimo => "<staccatissimo/>",
        Articulation::Tenuto => "<tenuto/>",
        Articulation::Accent => "<accent/>",
        Articulation::StrongAccent => "<strong-accent/>",
        Articulation::DetachedLegato => "<detached-legato/>",
    }
}

fn ornament_sign(ornament: Ornament) -> &'static str {
    match ornament {
        Ornament::Trill => "<trill-mark/>",
        Ornament::Mordent => "<mordent/>",
        Ornament::InvertedMordent => "<inverted-mordent/>",
        Ornament::Turn => "<turn/>",
        Ornament::InvertedTurn => "<inverted-turn/>",
        Ornament::Tremolo => "<tremolo type=\"single\">3</tremolo>",
    }
}

/// MusicXML 4.0, `dynamics`: the marks that are elements of their own.
const DYNAMICS: [&str; 26] = [
    "p", "pp", "ppp", "pppp", "ppppp", "pppppp", "f", "ff", "fff", "ffff", "fffff", "ffffff", "mp",
    "mf", "sf", "sfp", "sfpp", "fp", "rf", "rfz", "sfz", "sffz", "fz", "n", "pf", "sfzp",
];

/// MusicXML 4.0, `accidental-value`.
pub fn accidental(alter: i8) -> &'static str {
    match alter {
        ..=-3 => "triple-flat",
        -2 => "flat-flat",
        -1 => "flat",
        0 => "natural",
        1 => "sharp",
        2 => "double-sharp",
        3.. => "triple-sharp",
    }
}

fn letter(spelling: Spelling) -> char {
    b"CDEFGAB"[spelling.letter as usize % 7] as char
}

/// The time signature, from the full bar and its beat.
fn time(bar: &WrittenBar) -> String {
    let Some(full) = bar.bar.full_quarters else {
        return "<senza-misura/>".into();
    };
    let beat = bar.bar.beat_quarters;
    let pair = |beats: String, unit: f64| {
        format!(
            "<beats>{beats}</beats><beat-type>{}</beat-type>",
            (4.0 / unit).round()
        )
    };
    let whole = |x: f64| (x - x.round()).abs() < 1e-6 && x.round() >= 1.0;
    let unit_of_dotted = beat / 3.0;
    if beat == 1.5 && [3.0, 4.5, 6.0].contains(&full) {
        pair(format!("{}", full / 0.5), 0.5)
    } else if whole(4.0 / beat) && whole(full / beat) {
        pair(format!("{}", (full / beat).round()), beat)
    } else if whole(4.0 / unit_of_dotted) && whole(full / beat) {
        pair(
            vec!["3"; (full / beat).round() as usize].join("+"),
            unit_of_dotted,
        )
    } else {
        // No beat fits the bar: counted in its smallest parts.
        let unit = [0.5, 0.25, 0.125, 0.0625]
            .into_iter()
            .find(|u| whole(full / u))
            .unwrap_or(0.0625);
        pair(format!("{}", (full / unit).round().max(1.0)), unit)
    }
}

/// Sign and line of the clef: by the instrument, else by where the line lies.
pub fn clef(line: &Line) -> (char, u32) {
    /// Instruments read in the bass clef (common practice).
    const BASS: [&str; 7] = [
        "bassoon",
        "contrabassoon",
        "trombone",
        "euphonium",
        "tuba",
        "cello",
        "double-bass",
    ];
    let (treble, bass) = (('G', 2), ('F', 4));
    let any_range = line.instrument == "voice";
    if !any_range && instruments::find(&line.instrument).is_some() {
        return match line.instrument.as_str() {
            "viola" => ('C', 3),
            name if BASS.contains(&name) => bass,
            _ => treble,
        };
    }
    let sum: i32 = line.notes.iter().map(|n| n.written.midi()).sum();
    // Below middle C on the whole.
    if sum < 60 * line.notes.len() as i32 {
        bass
    } else {
        treble
    }
}

/// The `transpose` element; the steps follow from the semitones for every interval in use.
fn transposition(semitones: i32) -> String {
    let octaves = semitones / 12;
    let chromatic = semitones % 12;
    let diatonic = (f64::from(chromatic) * 7.0 / 12.0).round();
    let change = match octaves {
        0 => String::new(),
        octaves => format!("<octave-change>{octaves}</octave-change>"),
    };
    format!(
        "        <transpose><diatonic>{diatonic}</diatonic><chromatic>{chromatic}</chromatic>{change}</transpose>\n"
    )
}

/// Name and dots of a metronome mark's beat.
fn beat_unit(quarters: f64) -> Option<(&'static str, usize)> {
    [
        (4.0, "whole"),
        (2.0, "half"),
        (1.0, "quarter"),
        (0.5, "eighth"),
        (0.25, "16th"),
        (0.125, "32nd"),
    ]
    .into_iter()
    .find_map(|(plain, name)| {
        let dots = [1.0, 1.5, 1.75]
            .iter()
            .position(|f| plain * f == quarters)?;
        Some((name, dots))
    })
}

/// Text and attribute values for XML; characters that XML 1.0 does not allow are left out.
fn escaped(text: &str) -> String {
    let mut out = String::with_capacity(text.len());
    for c in text.chars() {
        match c {
            '&' => out.push_str("&amp;"),
            '<' => out.push_str("&lt;"),
            '>' => out.push_str("&gt;"),
            '"' => out.push_str("&quot;"),
            '\t' | '\n' | '\r' => out.push(' '),
            c if c < ' ' || matches!(c, '\u{FFFE}' | '\u{FFFF}') => {}
            c => out.push(c),
        }
    }
    out
}
