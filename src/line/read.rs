//! The one door: a file of any kind becomes a [`Line`].

use std::path::Path;

use super::instruments::{self, Instrument};
use super::musicxml::edition::{self, Edition};
use super::score::{Part, Score};
use super::spell::written_fifths;
use super::{Line, Problem, abc, musicxml, order, smf, xml_source};

/// What to read out of a file that holds more than one line.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct LineOptions {
    /// Number from 1, or name (a piece of it will do where only one part has it).
    pub part: Option<String>,
    /// Voice within a part, as the file numbers it; the voice with most notes otherwise.
    pub voice: Option<String>,
    /// The `X:` number of a tune in an ABC file; the first otherwise.
    pub tune: Option<u32>,
    /// Name in the instrument table; wins over what the file says.
    pub instrument: Option<String>,
    /// Bar order of the page, repeats not played out.
    pub as_written: bool,
}

/// Why no line could be read.
#[derive(Debug, thiserror::Error)]
pub enum LineError {
    #[error("cannot open {path}: {source}")]
    Io {
        path: String,
        source: std::io::Error,
    },
    #[error("{path} holds {bytes} bytes; a score has at most {max}", max = FILE_BYTES_MAX)]
    TooLarge { path: String, bytes: u64 },
    #[error(
        "{path} is neither MusicXML (.musicxml, .xml, .mxl) nor a Standard MIDI File (.mid) nor ABC text (.abc)"
    )]
    UnknownKind { path: String },
    #[error("no instrument is called \"{wanted}\"; the nearest are {}", nearest.join(", "))]
    NoSuchInstrument {
        wanted: String,
        nearest: Vec<&'static str>,
    },
    #[error("no part is called \"{wanted}\"; the file has {}", numbered(names))]
    NoSuchPart { wanted: String, names: Vec<String> },
    #[error("there is no tune {wanted}; the file has {}", listed(numbers))]
    NoSuchTune { wanted: u32, numbers: Vec<u32> },
    #[error("there are no notes in it{}", first_problem(problems))]
    NoNotes { problems: Vec<Problem> },
    #[error("{place}: {text}")]
    Unreadable { place: String, text: String },
}

/// Larger than any score of one étude by a factor of some hundred; keeps memory bounded.
const FILE_BYTES_MAX: u64 = 64 << 20;

/// Reads a line from a MusicXML, MIDI or ABC file; the kind is told by content, then by extension.
///
/// Faults of the file that leave a line are in [`Line::problems`].
pub fn read_line(path: &Path, options: &LineOptions) -> Result<Line, LineError> {
    let name = path.display().to_string();
    let io = |source| LineError::Io {
        path: name.clone(),
        source,
    };
    let bytes = std::fs::metadata(path).map_err(io)?.len();
    if bytes > FILE_BYTES_MAX {
        return Err(LineError::TooLarge { path: name, bytes });
    }
    let content = std::fs::read(path).map_err(io)?;
    let extension = path.extension().unwrap_or_default().to_string_lossy();
    match kind_of(&content, &extension) {
        Some(kind) => line_of(kind, &content, options),
        None => Err(LineError::UnknownKind { path: name }),
    }
}

/// The kinds of file a line is read from.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Kind {
    MusicXml,
    Smf,
    Abc,
}

/// The kind by its first bytes, by a tune's reference field, or at last by the file's extension.
pub fn kind_of(content: &[u8], extension: &str) -> Option<Kind> {
    let text = content.strip_prefix(b"\xEF\xBB\xBF").unwrap_or(content);
    let opening: Vec<u8> = text
        .iter()
        .copied()
        .filter(|b| !b.is_ascii_whitespace() && *b != 0)
        .take(4)
        .collect();
    if smf::is_smf(content) {
        return Some(Kind::Smf);
    }
    if content.starts_with(b"PK\x03\x04")
        || opening.starts_with(b"<")
        || opening.starts_with(b"\xFF\xFE<")
        || opening.starts_with(b"\xFE\xFF<")
    {
        return Some(Kind::MusicXml);
    }
    if abc::is_abc(text) {
        return Some(Kind::Abc);
    }
    match extension.to_ascii_lowercase().as_str() {
        "musicxml" | "xml" | "mxl" => Some(Kind::MusicXml),
        "mid" | "midi" | "smf" | "kar" => Some(Kind::Smf),
        "abc" => Some(Kind::Abc),
        _ => None,
    }
}

/// The line in `content`, a file of the given kind.
pub fn line_of(kind: Kind, content: &[u8], options: &LineOptions) -> Result<Line, LineError> {
    let player = options
        .instrument
        .as_deref()
        .map(find_instrument)
        .transpose()?;
    let mut section_order = Vec::new();
    let mut score = match kind {
        Kind::MusicXml => musicxml::read(content, options.voice.as_deref())?,
        Kind::Smf => smf::read(content, player)?,
        Kind::Abc => {
            let tune = abc::read(content, options.tune)?;
            section_order = tune.section_order;
            tune.score
        }
    };
    let part_idx = choose_part(&score, options)?;
    settle_instrument(&mut score.parts[part_idx], player);
    let mut line = if section_order.is_empty() || options.as_written {
        order::play_out(&score, part_idx, options.as_written)
    } else {
        abc::sections::play_out(&score, part_idx, &section_order)
    };
    if line.notes.is_empty() {
        return Err(LineError::NoNotes {
            problems: line.problems,
        });
    }
    line.problems.truncate(PROBLEMS_MAX);
    Ok(line)
}

/// The file itself as an engraver takes it, for the `line` that was read from it with the same
/// options: MusicXML that says all that is to be seen. `None` otherwise: the line must then be
/// written out.
pub fn edition_of(
    kind: Kind,
    content: &[u8],
    options: &LineOptions,
    line: &Line,
) -> Option<Edition> {
    if kind != Kind::MusicXml {
        return None;
    }
    let source = xml_source::load(content).ok()?;
    // What had to be mended is not for an engraver.
    if !source.problems.is_empty() {
        return None;
    }
    let document = xml_source::parse(&source.text).ok()?;
    let score = musicxml::read_document(&document, Vec::new(), options.voice.as_deref()).ok()?;
    let part_idx = choose_part(&score, options).ok()?;
    let same = order::play_out(&score, part_idx, options.as_written);
    let alike = same.notes.len() == line.notes.len()
        && same.notes.iter().zip(&line.notes).all(|(a, b)| {
            (a.written, a.bar_idx, a.onset_quarters) == (b.written, b.bar_idx, b.onset_quarters)
        });
    let whole =
        alike && !order::steered_by_others(&score, part_idx) && !score.parts[part_idx].has_faults();
    if !whole {
        return None;
    }
    let sources: Option<Vec<usize>> = order::sources(&score, part_idx, options.as_written)
        .into_iter()
        .collect();
    edition::of(&document, &sources?, line)
}

/// [`edition_of`] for a file that [`read_line`] read.
pub fn edition_of_file(path: &Path, options: &LineOptions, line: &Line) -> Option<Edition> {
    let content = std::fs::read(path).ok()?;
    let extension = path.extension().unwrap_or_default().to_string_lossy();
    edition_of(kind_of(&content, &extension)?, &content, options, line)
}

/// Beyond this many problems the file is plainly not what it claims, and more do not help.
const PROBLEMS_MAX: usize = 200;

fn find_instrument(wanted: &str) -> Result<&'static Instrument, LineError> {
    instruments::find(wanted).ok_or_else(|| LineError::NoSuchInstrument {
        wanted: wanted.to_string(),
        nearest: instruments::nearest(wanted),
    })
}

/// The part asked for, or the first that has notes.
fn choose_part(score: &Score, options: &LineOptions) -> Result<usize, LineError> {
    let has_notes = |p: &Part| p.measures.iter().any(|m| !m.notes.is_empty());
    let Some(wanted) = &options.part else {
        return score
            .parts
            .iter()
            .position(has_notes)
            .ok_or_else(|| LineError::NoNotes {
                problems: score.problems.clone(),
            });
    };
    part_named(&score.parts, wanted).ok_or_else(|| LineError::NoSuchPart {
        wanted: wanted.clone(),
        names: score.parts.iter().map(|p| p.name.clone()).collect(),
    })
}

/// By number from 1, by name, or by a piece of the name that only one part has.
fn part_named(parts: &[Part], wanted: &str) -> Option<usize> {
    let wanted = wanted.trim().to_lowercase();
    if let Ok(number) = wanted.parse::<usize>()
        && (1..=parts.len()).contains(&number)
    {
        return Some(number - 1);
    }
    let names: Vec<String> = parts.iter().map(|p| p.name.to_lowercase()).collect();
    let exact = names.iter().position(|n| *n == wanted);
    let mut holding =
        (0..names.len()).filter(|&i| !wanted.is_empty() && names[i].contains(&wanted));
    exact.or_else(|| match (holding.next(), holding.next()) {
        (Some(only), None) => Some(only),
        _ => None,
    })
}

/// The player's instrument wins over the file; else the file's own transposition holds, and
/// names and sound ids only say which instrument has it.
fn settle_instrument(part: &mut Part, player: Option<&'static Instrument>) {
    if let Some(player) = player {
        part.instrument = Some(player.name.to_string());
        part.transpose_semitones = Some(player.transpose_semitones);
        for note in part.measures.iter_mut().flat_map(|m| &mut m.notes) {
            note.transpose_semitones = None;
        }
        if part.concert_pitch {
            write_for(part, player.transpose_semitones);
        }
        return;
    }
    if part.instrument.is_some() {
        return;
    }
    let transpose = part.transpose_semitones.unwrap_or(0);
    let hints = part.instrument_hints.iter().map(String::as_str);
    let Some(found) = instruments::from_hints(hints, Some(transpose)) else {
        return;
    };
    part.instrument = Some(found.name.to_string());
    // A clarinet without further words is usually one in B flat, and a player's own copy often
    // leaves the transposition out; but MusicXML says that without one the notes sound as written.
    let hints = part.instrument_hints.iter().map(String::as_str);
    let meant = instruments::usual_of_hints(hints).unwrap_or(found);
    if part.transpose_semitones.is_none() && meant.transpose_semitones != 0 {
        part.problems.push(Problem {
            place: format!("part {}", part.name),
            text: format!(
                "no transposition is given: the notes are taken to sound as written; if they are written for a {}, add --instrument {}",
                meant.label, meant.name
            ),
        });
    }
}

/// Writes a part of sounding pitches for an instrument that sounds `transpose_semitones` away.
fn write_for(part: &mut Part, transpose_semitones: i32) {
    let sounding = part.key.fifths;
    part.key.fifths = written_fifths(sounding, transpose_semitones);
    let fifths = part.key.fifths - sounding;
    for measure in &mut part.measures {
        measure.fifths = written_fifths(measure.fifths, transpose_semitones);
    }
    for note in part.measures.iter_mut().flat_map(|m| &mut m.notes) {
        note.pitch = note.pitch.transposed(-transpose_semitones, fifths);
    }
}

fn numbered(names: &[String]) -> String {
    let numbered: Vec<String> = names
        .iter()
        .enumerate()
        .map(|(i, name)| format!("{} \"{name}\"", i + 1))
        .collect();
    numbered.join(", ")
}

/// More tune numbers than fit a message are cut.
fn listed(numbers: &[u32]) -> String {
    const N_SHOWN: usize = 12;
    let shown: Vec<String> = numbers.iter().take(N_SHOWN).map(u32::to_string).collect();
    let more = if numbers.len() > N_SHOWN {
        format!(" and {} more", numbers.len() - N_SHOWN)
    } else {
        String::new()
    };
    format!("{}{more}", shown.join(", "))
}

fn first_problem(problems: &[Problem]) -> String {
    match problems.first() {
        Some(p) => format!(" ({}: {})", p.place, p.text),
        None => String::new(),
    }
}
