//! A line as text for the player and as JSON (`passagework.line/1`).

use std::fmt::Write;

use serde::Serialize;

use super::text::{beat_name, wrapped};
use crate::line::{Articulation, Key, Line, LineNote, Problem, TempoMark, instruments};

/// The line by the contract `passagework.line/1`, one JSON object and a line feed.
pub fn json(line: &Line) -> String {
    let written = LineJson {
        schema: "passagework.line/1",
        title: &line.title,
        part: &line.part,
        parts: &line.parts,
        instrument: &line.instrument,
        transpose_semitones: line.transpose_semitones,
        key: &line.key,
        tempo: line.tempo,
        bars: line.bars.len(),
        notes: line.notes.iter().enumerate().map(NoteJson::of).collect(),
        problems: &line.problems,
    };
    let mut text =
        serde_json::to_string_pretty(&written).expect("a line has only text and finite numbers");
    text.push('\n');
    text
}

#[derive(Serialize)]
struct LineJson<'a> {
    schema: &'static str,
    title: &'a str,
    part: &'a str,
    parts: &'a [String],
    instrument: &'a str,
    transpose_semitones: i32,
    key: &'a Key,
    tempo: Option<TempoMark>,
    bars: usize,
    notes: Vec<NoteJson<'a>>,
    problems: &'a [Problem],
}

#[derive(Serialize)]
struct NoteJson<'a> {
    index: usize,
    bar: &'a str,
    pass: u32,
    beat: f64,
    onset_quarters: f64,
    duration_quarters: f64,
    written: String,
    written_midi: i32,
    sounding_midi: i32,
    grace: bool,
    slurred: bool,
    articulations: &'a [Articulation],
    ornament: Option<crate::line::Ornament>,
    fermata: bool,
    breath_after: bool,
    dynamic: Option<&'a str>,
}

impl<'a> NoteJson<'a> {
    fn of((index, note): (usize, &'a LineNote)) -> Self {
        NoteJson {
            index,
            bar: &note.bar,
            pass: note.pass,
            beat: note.beat,
            onset_quarters: note.onset_quarters,
            duration_quarters: note.duration_quarters,
            written: note.written.to_string(),
            written_midi: note.written.midi(),
            sounding_midi: note.sounding_midi,
            grace: note.grace,
            slurred: note.slurred,
            articulations: &note.articulations,
            ornament: note.ornament,
            fermata: note.fermata,
            breath_after: note.breath_after,
            dynamic: note.dynamic.as_deref(),
        }
    }
}

/// Columns of the legend where the width is not known.
const LEGEND_COLUMNS: usize = 80;

/// The line for the player's eye: a heading, the notes bar by bar in written pitch, the problems.
///
/// `width` wraps long bars at that many columns; `None` leaves one line a bar.
/// `styled` sets the heading's labels in bold.
pub fn text(line: &Line, width: Option<usize>, styled: bool) -> String {
    let mut out = heading(line, styled);
    out.push('\n');
    let mut value = None;
    for (bar_idx, bar) in line.bars.iter().enumerate() {
        let pass = if bar.pass > 1 {
            format!(" ({})", bar.pass)
        } else {
            String::new()
        };
        let words = bar_words(line, bar_idx, &mut value);
        push_wrapped(
            &mut out,
            &format!("{:>4}{pass:<4} ", bar.number),
            &words,
            width,
        );
    }
    out.push('\n');
    let legend = "Note values stand before the first note that has them; r is a rest, _ joins slurred notes, . is staccato, { } a grace note, ' a breath.";
    for row in wrapped(legend, width.unwrap_or(LEGEND_COLUMNS)) {
        out.push_str(&row);
        out.push('\n');
    }
    for problem in &line.problems {
        let _ = writeln!(out, "{}: {}", problem.place, problem.text);
    }
    out
}

fn heading(line: &Line, styled: bool) -> String {
    let mut rows: Vec<(&str, String)> = Vec::new();
    let part = if line.parts.len() > 1 {
        let number = line
            .parts
            .iter()
            .position(|p| *p == line.part)
            .map_or(0, |i| i + 1);
        format!("{} ({number} of {})", line.part, line.parts.len())
    } else {
        line.part.clone()
    };
    if !line.title.is_empty() {
        rows.push(("title", line.title.clone()));
    }
    // A part alone that is only a number tells a player nothing.
    if line.parts.len() > 1 || part.chars().any(char::is_alphabetic) {
        rows.push(("part", part));
    }
    rows.push(("instrument", instrument_in_words(line)));
    rows.push(("key", key_name(&line.key)));
    if let Some(metre) = metre(line) {
        rows.push(("metre", metre));
    }
    if let Some(tempo) = line.tempo {
        rows.push((
            "tempo",
            format!(
                "{} = {}",
                beat_name(tempo.beat_quarters),
                trimmed(tempo.bpm)
            ),
        ));
    }
    rows.push(("bars", line.bars.len().to_string()));
    rows.push(("notes", line.notes.len().to_string()));
    let by_pitch = |n: &&LineNote| n.written.midi();
    if let (Some(low), Some(high)) = (
        line.notes.iter().min_by_key(by_pitch),
        line.notes.iter().max_by_key(by_pitch),
    ) {
        rows.push(("range", format!("{} to {}", low.written, high.written)));
    }
    let (bold, plain) = if styled {
        ("\x1b[1m", "\x1b[0m")
    } else {
        ("", "")
    };
    rows.iter()
        .map(|(name, what)| format!("{bold}{name:<11}{plain}{what}\n"))
        .collect()
}

fn instrument_in_words(line: &Line) -> String {
    let sounding = match line.transpose_semitones {
        0 => "sounds as written".to_string(),
        t => format!(
            "sounds {} semitone{} {}",
            t.abs(),
            if t.abs() == 1 { "" } else { "s" },
            if t < 0 { "lower" } else { "higher" }
        ),
    };
    match instruments::find(&line.instrument) {
        Some(i) => format!("{} ({sounding})", i.label),
        None => format!("not said ({sounding}); --instrument sets it"),
    }
}

/// The key by its name: `F# minor`, `D dorian`.
fn key_name(key: &Key) -> String {
    // Steps on the line of fifths from the major tonic of the same signature.
    let steps = match key.mode.as_str() {
        "lydian" => -1,
        "mixolydian" => 1,
        "dorian" => 2,
        "minor" | "aeolian" => 3,
        "phrygian" => 4,
        "locrian" => 5,
        _ => 0,
    };
    let position = key.fifths + steps;
    let letter = b"CDEFGAB"[(position * 4).rem_euclid(7) as usize] as char;
    let alter = (position + 1).div_euclid(7);
    let sign = if alter < 0 { "b" } else { "#" };
    format!(
        "{letter}{} {}",
        sign.repeat(alter.unsigned_abs().min(4) as usize),
        key.mode
    )
}

/// The metre of most bars, told from their length and beat: `3/4`, `6/8`.
fn metre(line: &Line) -> Option<String> {
    let mut counts: Vec<((i64, i64), usize)> = Vec::new();
    for bar in &line.bars {
        let thousandths = |quarters: f64| (quarters * 1000.0).round() as i64;
        let shape = (
            thousandths(bar.length_quarters),
            thousandths(bar.beat_quarters),
        );
        match counts.iter_mut().find(|(s, _)| *s == shape) {
            Some((_, n)) => *n += 1,
            None => counts.push((shape, 1)),
        }
    }
    let ((length, beat), _) = counts.into_iter().max_by_key(|(_, n)| *n)?;
    let unit = if beat == 1500 { 8 } else { 4000 / beat.max(1) };
    let over = length * unit / 4000;
    (unit > 0 && over > 0 && over * 4000 == length * unit).then(|| format!("{over}/{unit}"))
}

/// The words of one bar: note values where they change, rests, notes.
fn bar_words(line: &Line, bar_idx: usize, value: &mut Option<String>) -> Vec<String> {
    let bar = &line.bars[bar_idx];
    let mut words: Vec<String> = Vec::new();
    let mut reached = bar.onset_quarters;
    let first = line.notes.partition_point(|n| n.bar_idx < bar_idx);
    // A note held over from the bar before is no rest here.
    if let Some(before) = first.checked_sub(1).map(|i| &line.notes[i]) {
        reached = reached.max(before.onset_quarters + before.duration_quarters);
    }
    for note in line.notes[first..]
        .iter()
        .take_while(|n| n.bar_idx == bar_idx)
    {
        if note.onset_quarters - reached > REST_QUARTERS_MIN {
            push_valued(
                &mut words,
                value,
                note.onset_quarters - reached,
                "r".into(),
                false,
            );
        }
        reached = reached.max(note.onset_quarters + note.duration_quarters);
        let name = note_word(note);
        if note.grace {
            words.push(name);
        } else {
            push_valued(
                &mut words,
                value,
                note.duration_quarters,
                name,
                note.slurred,
            );
        }
    }
    let end = bar.onset_quarters + bar.length_quarters;
    if end - reached > REST_QUARTERS_MIN {
        push_valued(&mut words, value, end - reached, "r".into(), false);
    }
    words
}

/// A gap shorter than this is rounding, not a rest.
const REST_QUARTERS_MIN: f64 = 1e-3;

fn push_valued(
    words: &mut Vec<String>,
    value: &mut Option<String>,
    quarters: f64,
    name: String,
    slurred: bool,
) {
    let here = value_name(quarters);
    let changed = value.as_ref() != Some(&here);
    match words.last_mut() {
        Some(last) if slurred && !changed => {
            last.push('_');
            last.push_str(&name);
        }
        _ => {
            if changed {
                words.push(format!("{here}:"));
                *value = Some(here);
            }
            words.push(if slurred { format!("_{name}") } else { name });
        }
    }
}

fn note_word(note: &LineNote) -> String {
    let mut word = note.written.to_string();
    if note.articulations.contains(&Articulation::Staccato) {
        word.push('.');
    }
    if note.ornament.is_some() {
        word.push_str("(tr)");
    }
    if note.fermata {
        word.push_str("(fermata)");
    }
    if note.breath_after {
        word.push('\'');
    }
    if note.grace {
        format!("{{{word}}}")
    } else {
        word
    }
}

/// A length as a share of a whole note: `1/8`, `3/16`, `1/12`; decimals where no small fraction fits.
fn value_name(quarters: f64) -> String {
    let whole = quarters / 4.0;
    const DENOMINATORS: [u32; 20] = [
        1, 2, 4, 8, 16, 32, 64, 3, 6, 12, 24, 48, 96, 5, 10, 20, 40, 80, 28, 56,
    ];
    for denominator in DENOMINATORS {
        let over = whole * denominator as f64;
        if over >= 0.5 && (over - over.round()).abs() < 1e-4 {
            return match denominator {
                1 => format!("{}", over.round()),
                _ => format!("{}/{denominator}", over.round()),
            };
        }
    }
    trimmed(whole)
}

/// At most three decimals, none that say nothing.
fn trimmed(number: f64) -> String {
    let text = format!("{number:.3}");
    text.trim_end_matches('0').trim_end_matches('.').to_string()
}

fn push_wrapped(out: &mut String, label: &str, words: &[String], width: Option<usize>) {
    let indent = " ".repeat(label.chars().count());
    let mut row = label.to_string();
    let mut empty = true;
    for word in words {
        let too_long = width.is_some_and(|w| row.chars().count() + 1 + word.chars().count() > w);
        if too_long && !empty {
            let _ = writeln!(out, "{}", row.trim_end());
            row = indent.clone();
            empty = true;
        }
        if !empty {
            row.push(' ');
        }
        row.push_str(word);
        empty = false;
    }
    let _ = writeln!(out, "{}", row.trim_end());
}
