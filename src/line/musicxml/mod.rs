//! MusicXML 4.0: partwise and timewise scores, plain and compressed.
//!
//! Element and attribute names are those of the MusicXML 4.0 reference (W3C Music Notation
//! Community Group). What sounds is read, what only shows is not: `tie`, not `tied`;
//! `duration`, not the tuplet's bracket; octave shifts, measure repeats and multiple rests are
//! signs over music that is written out.

mod complete;
mod cuts;
mod direction;
pub mod edition;
mod jumps;
mod metre;
mod note;
mod part;
mod pitch;
mod voices;
mod xml;

use roxmltree::{Document, Node};

use self::cuts::Cut;
use self::jumps::ToldBy;
use self::part::{MeasureSource, RawMeasure, RawPart, read_part};
use self::pitch::Transposition;
use self::xml::{Problems, below, child, child_text, children, text};
use super::read::LineError;
use super::score::{Measure, Part, Score};
use super::{Problem, TempoMark, xml_source};

/// Bars closer to full than this are full: exports round tuplets to their divisions.
const FULL_BAR_QUARTERS: f64 = 1.0 / 64.0;
/// Bars longer than full by less than a 32nd are full: nobody writes such a bar, but sums of
/// rounded tuplets and rests give it.
const OVERFULL_BAR_QUARTERS: f64 = 1.0 / 8.0 - 1e-6;

/// Reads a MusicXML file, plain or compressed; `voice` as the file names it, else in each part
/// the voice with most notes.
///
/// Fails only where there is no score at all; a score may still be without notes.
pub fn read(bytes: &[u8], voice: Option<&str>) -> Result<Score, LineError> {
    let source = xml_source::load(bytes)?;
    let document = xml_source::parse(&source.text).map_err(|error| LineError::Unreadable {
        place: "the file".into(),
        text: error.to_string(),
    })?;
    read_document(&document, source.problems, voice)
}

/// Reads the tree of a text; `found` are the faults of the text itself.
pub fn read_document(
    document: &Document,
    found: Vec<Problem>,
    voice: Option<&str>,
) -> Result<Score, LineError> {
    let root = document.root_element();
    let mut problems = Problems::new(document);
    let sources = match root.tag_name().name() {
        "score-partwise" => partwise(root),
        "score-timewise" => timewise(root),
        other => {
            return Err(LineError::Unreadable {
                place: "the first element".into(),
                text: format!("<{other}> is no MusicXML score"),
            });
        }
    };
    let sources = in_list_order(root, sources);
    if sources.iter().all(|p| p.measures.is_empty()) {
        return Err(LineError::Unreadable {
            place: "the file".into(),
            text: "the score has no bars".into(),
        });
    }
    let concert = child(root, "defaults").is_some_and(|d| child(d, "concert-score").is_some());
    let mut score = Score {
        title: title(root),
        parts: Vec::new(),
        problems: found,
    };
    let raw: Vec<(RawPart, Vec<Problem>)> = sources
        .iter()
        .map(|source| {
            let part = read_part(&source.measures, &mut problems);
            (part, problems.take())
        })
        .collect();
    let told = ToldBy::of(raw.iter().map(|(part, _)| part));
    // The tempo stands at the top of the page, in the first part.
    let tempo = raw.iter().find_map(|(part, _)| opening_tempo(part));
    let mut cuts = Vec::with_capacity(raw.len());
    for (source, (part, found)) in sources.iter().zip(&raw) {
        let name = source.name(root);
        let (mut read, cuts_here) = assemble(part, &name, voice, concert, told, &mut problems);
        read.instrument_hints = source.instrument_hints(root);
        read.name = name;
        read.tempo = opening_tempo(part).or(tempo);
        read.problems = found.clone();
        read.problems.extend(problems.take());
        score.parts.push(read);
        cuts.push(cuts_here);
    }
    level_bars(&mut score.parts, &raw);
    cuts::cut_bars(&mut score.parts, cuts);
    Ok(score)
}

/// More parts than any orchestra; looking up each in the part list costs its length.
const PARTS_MAX: usize = 500;

struct PartSource<'a> {
    id: String,
    measures: Vec<MeasureSource<'a>>,
}

impl<'a> PartSource<'a> {
    fn listed(&self, root: Node<'a, 'a>) -> Option<Node<'a, 'a>> {
        let list = child(root, "part-list")?;
        children(list, "score-part").find(|p| p.attribute("id") == Some(&self.id))
    }

    fn name(&self, root: Node<'a, 'a>) -> String {
        let named = self.listed(root).and_then(|p| {
            child_text(p, "part-name").or_else(|| {
                let display = below(child(p, "part-name-display")?, "display-text")?;
                Some(text(display)).filter(|t| !t.is_empty())
            })
        });
        named.unwrap_or_else(|| self.id.clone())
    }

    /// Part name, instrument names, sound ids.
    fn instrument_hints(&self, root: Node<'a, 'a>) -> Vec<String> {
        let Some(part) = self.listed(root) else {
            return Vec::new();
        };
        let mut hints: Vec<String> = child_text(part, "part-name").into_iter().collect();
        for instrument in children(part, "score-instrument") {
            hints.extend(child_text(instrument, "instrument-name"));
            hints.extend(child_text(instrument, "instrument-sound"));
        }
        hints.dedup();
        hints
    }
}

/// Whatever holds measures is a part: of a damaged file its tag may be lost or misspelt.
fn partwise<'a>(root: Node<'a, 'a>) -> Vec<PartSource<'a>> {
    root.descendants()
        .filter(|n| child(*n, "measure").is_some())
        .take(PARTS_MAX)
        .map(|part| PartSource {
            id: part.attribute("id").unwrap_or_default().to_string(),
            measures: children(part, "measure")
                .map(|m| MeasureSource { head: m, music: m })
                .collect(),
        })
        .collect()
}

fn timewise<'a>(root: Node<'a, 'a>) -> Vec<PartSource<'a>> {
    let mut parts: Vec<PartSource> = Vec::new();
    for measure in children(root, "measure") {
        for music in children(measure, "part") {
            let id = music.attribute("id").unwrap_or_default();
            let source = MeasureSource {
                head: measure,
                music,
            };
            match parts.iter().position(|p| p.id == id) {
                Some(i) => parts[i].measures.push(source),
                None if parts.len() < PARTS_MAX => parts.push(PartSource {
                    id: id.to_string(),
                    measures: vec![source],
                }),
                None => {}
            }
        }
    }
    parts
}

/// Parts in the order of the part list; those it does not name follow.
fn in_list_order<'a>(root: Node<'a, 'a>, mut parts: Vec<PartSource<'a>>) -> Vec<PartSource<'a>> {
    let listed: Vec<&str> = child(root, "part-list")
        .into_iter()
        .flat_map(|list| children(list, "score-part"))
        .filter_map(|p| p.attribute("id"))
        .collect();
    parts.sort_by_key(|p| {
        listed
            .iter()
            .position(|id| *id == p.id)
            .unwrap_or(listed.len())
    });
    parts
}

fn title<'a>(root: Node<'a, 'a>) -> String {
    child_text(root, "movement-title")
        .or_else(|| child_text(child(root, "work")?, "work-title"))
        .unwrap_or_default()
}

/// A tempo mark counts for the line where it stands before or at the first note, or in its bar.
fn opening_tempo(part: &RawPart) -> Option<TempoMark> {
    let (bar_idx, _, tempo) = part.tempo?;
    let first = part
        .measures
        .iter()
        .position(|m| m.notes.iter().any(|n| n.plays()))
        .unwrap_or(0);
    (bar_idx <= first).then_some(tempo)
}

/// One part of the page out of its raw measures, and what acts within its bars.
fn assemble(
    raw: &RawPart,
    name: &str,
    voice: Option<&str>,
    concert: bool,
    told: ToldBy,
    problems: &mut Problems,
) -> (Part, Vec<Vec<Cut>>) {
    let lines = voices::choose_line(raw, name, voice, problems);
    let mut measures: Vec<Measure> = raw
        .measures
        .iter()
        .zip(lines)
        .map(|(bar, notes)| Measure {
            number: bar.number.clone(),
            length_quarters: bar.reach_quarters,
            beat_quarters: bar.metre.beat_quarters,
            first_beat: 1.0,
            full_quarters: bar.metre.bar_quarters,
            fifths: bar.fifths,
            notes,
            repeat_forward: bar.repeat_forward,
            repeat_backward: bar.repeat_backward.map(|(times, _)| times),
            repeat_after_jump: bar.repeat_backward.is_some_and(|(_, after)| after),
            ending_start: bar.ending_start.clone(),
            ending_stop: bar.ending_stop,
            ..Measure::default()
        })
        .collect();
    let cuts = jumps::place(raw, told, &mut measures);
    let mut part = Part {
        key: raw.key.clone().unwrap_or_default(),
        measures,
        ..Part::default()
    };
    settle_transposition(raw, concert, &mut part, name, problems);
    (part, cuts)
}

/// What the part's notes are to the player and to the air.
///
/// In a concert score the stored pitches sound, but for whole octaves; `for-part` says how the
/// player's part is written (MusicXML 4.0, `concert-score`, `for-part`).
fn settle_transposition(
    raw: &RawPart,
    concert: bool,
    part: &mut Part,
    name: &str,
    problems: &mut Problems,
) {
    let notes = || part.measures.iter().flat_map(|m| &m.notes);
    let at_first_note = notes().find_map(|n| n.transpose_semitones);
    part.transpose_semitones = raw.transposes.then(|| at_first_note.unwrap_or(0));
    if raw.for_part.is_some() && !concert {
        problems.place(
            format!("part {name}"),
            "for-part is only for concert scores, which this is not; ignored",
        );
    }
    if !concert {
        for note in part.measures.iter_mut().flat_map(|m| &mut m.notes) {
            if note.transpose_semitones == part.transpose_semitones || !raw.transposes {
                note.transpose_semitones = None;
            }
        }
        return;
    }
    let to_part = raw.for_part.unwrap_or_default();
    for note in part.measures.iter_mut().flat_map(|m| &mut m.notes) {
        let octaves = note.transpose_semitones.take().unwrap_or(0);
        let stored = Transposition {
            diatonic: 7 * (octaves / 12),
            chromatic: octaves,
        };
        let down = Transposition {
            diatonic: to_part.diatonic - stored.diatonic,
            chromatic: to_part.chromatic - stored.chromatic,
        };
        note.pitch = down.written(note.pitch);
    }
    part.key.fifths = to_part.written_fifths(part.key.fifths);
    for measure in &mut part.measures {
        measure.fifths = to_part.written_fifths(measure.fifths);
    }
    part.transpose_semitones = Some(to_part.chromatic);
    part.concert_pitch = raw.for_part.is_none();
}

/// Settles how long each bar lasts and on which beat it begins.
fn level_bars(parts: &mut [Part], raw: &[(RawPart, Vec<Problem>)]) {
    // How far any part reaches in each bar, where all count the same bars.
    let n_bars = parts.first().map_or(0, |p| p.measures.len());
    let together = parts.iter().all(|p| p.measures.len() == n_bars);
    let reach: Vec<f64> = (0..if together { n_bars } else { 0 })
        .map(|i| {
            raw.iter()
                .map(|(part, _)| part.measures[i].reach_quarters)
                .fold(0.0, f64::max)
        })
        .collect();
    for (part, (raw, _)) in parts.iter_mut().zip(raw) {
        for (i, (measure, bar)) in part.measures.iter_mut().zip(&raw.measures).enumerate() {
            let others = reach.get(i).copied().unwrap_or(0.0);
            measure.length_quarters = bar_length(bar, others);
        }
        number_beats(&mut part.measures, &raw.measures);
    }
}

/// The bar's length: as far as its music reaches; an empty bar lasts as long as in the other
/// parts, and one empty in all parts is a full one.
fn bar_length(bar: &RawMeasure, others: f64) -> f64 {
    let reach = if bar.reach_quarters > 0.0 {
        bar.reach_quarters
    } else {
        others
    };
    let Some(full) = bar.metre.bar_quarters else {
        return reach;
    };
    if reach == 0.0 {
        return full;
    }
    if (full - FULL_BAR_QUARTERS..full + OVERFULL_BAR_QUARTERS).contains(&reach) {
        full
    } else {
        reach
    }
}

/// Counts beats from the end of the full bar in a pickup, and on through a bar split in two.
fn number_beats(measures: &mut [Measure], raw: &[RawMeasure]) {
    // Quarters of the full bar that short bars just before have used.
    let mut used = 0.0;
    let n_bars = measures.len();
    for (i, (measure, bar)) in measures.iter_mut().zip(raw).enumerate() {
        let Some(full) = bar.metre.bar_quarters else {
            used = 0.0;
            continue;
        };
        let length = measure.length_quarters;
        let short = length < full - FULL_BAR_QUARTERS;
        let completes = used > 0.0 && (used + length - full).abs() < FULL_BAR_QUARTERS;
        let start = if !short {
            0.0
        } else if completes || (used > 0.0 && bar.implicit && used + length < full) {
            used
        } else if bar.implicit || bar.number == "0" || (i == 0 && n_bars > 1) {
            full - length
        } else {
            0.0
        };
        measure.first_beat = 1.0 + start / measure.beat_quarters;
        let filled = start + length;
        used = if filled < full - FULL_BAR_QUARTERS {
            filled
        } else {
            0.0
        };
    }
}
