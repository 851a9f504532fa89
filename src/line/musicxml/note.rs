//! One `note` element.

use roxmltree::Node;

use super::pitch::read_pitch;
use super::xml::{Problems, child, child_text, children, number, numbers_from_one, text, whole};
use crate::line::score::Times;
use crate::line::{Articulation, Ornament, Spelling};

/// Longest duration taken, in quarters: over a hundred bars of 4/4.
pub const DURATION_QUARTERS_MAX: f64 = 500.0;

/// A note, rest or cue as it stands in its bar.
#[derive(Clone, Debug)]
pub struct RawNote {
    /// From the start of the bar, in quarters.
    pub at: f64,
    /// 0 for grace notes.
    pub duration: f64,
    /// Index in the part's table of voices.
    pub voice: usize,
    pub staff: u32,
    /// Sounds together with the note before it.
    pub chord: bool,
    pub sound: Sound,
    pub grace: bool,
    pub tie_start: bool,
    pub tie_stop: bool,
    /// Numbers of slurs that stop and start here.
    pub slur_stops: Vec<u32>,
    pub slur_starts: Vec<u32>,
    pub articulations: Vec<Articulation>,
    pub ornament: Option<Ornament>,
    pub fermata: bool,
    pub breath_after: bool,
    /// The dynamic mark at the note.
    pub dynamic: Option<String>,
    /// The times through the bar on which it is played; empty: on all.
    pub time_only: Times,
    /// Byte of the text at which the element begins.
    pub source: usize,
    /// Written to sounding in force, semitones.
    pub transpose_semitones: i32,
}

#[derive(Clone, Copy, Debug, PartialEq)]
pub enum Sound {
    /// The rounded pitch, and what rounding took away, in semitones.
    Pitch(Spelling, f64),
    Rest,
    /// Cue notes and unpitched strokes take time and are not part of the line.
    Silent,
}

impl RawNote {
    /// Whether the player plays it.
    pub fn plays(&self) -> bool {
        matches!(self.sound, Sound::Pitch(..))
    }

    /// Exact written pitch; rests lie below everything.
    pub fn height(&self) -> f64 {
        match self.sound {
            Sound::Pitch(spelling, rest) => f64::from(spelling.midi()) + rest,
            _ => f64::NEG_INFINITY,
        }
    }
}

/// What the part has counted while reading notes.
#[derive(Clone, Copy, Debug, Default)]
pub struct Counts {
    pub unpitched: usize,
}

/// The duration in quarters: `duration` over `divisions`, else the note value's.
pub fn duration_quarters(node: Node, divisions: Option<f64>, problems: &mut Problems) -> f64 {
    let stated = child_text(node, "duration");
    let by_type = || type_quarters(node);
    let said = stated.as_deref().map(number);
    match (said, divisions) {
        (Some(Some(duration)), Some(divisions))
            if duration > 0.0 && duration / divisions <= DURATION_QUARTERS_MAX =>
        {
            duration / divisions
        }
        (Some(Some(0.0)), _) => by_type().unwrap_or(0.0),
        _ => {
            let wrong = match (&stated, divisions) {
                (None, _) => "the note has no duration".to_string(),
                (Some(_), None) => "no divisions are given for the duration".to_string(),
                (Some(stated), _) => format!("\"{stated}\" cannot be a duration"),
            };
            let quarters = by_type();
            let taken = match quarters {
                Some(_) => "its note value is taken",
                None => "it takes no time",
            };
            problems.at(node, format!("{wrong}; {taken}"));
            quarters.unwrap_or(0.0)
        }
    }
}

/// The duration that note value, dots and tuplet give.
pub fn type_quarters(node: Node) -> Option<f64> {
    let name = child_text(node, "type")?;
    let dots = node.children().filter(|n| n.has_tag_name("dot")).count();
    let dotted = value_quarters(&name, dots)?;
    let tuplet = node
        .children()
        .find(|n| n.has_tag_name("time-modification"))
        .and_then(|m| {
            let actual =
                whole(&child_text(m, "actual-notes")?).filter(|n| (1..1000).contains(n))?;
            let normal =
                whole(&child_text(m, "normal-notes")?).filter(|n| (1..1000).contains(n))?;
            Some(f64::from(normal) / f64::from(actual))
        });
    Some(dotted * tuplet.unwrap_or(1.0))
}

/// Quarters of a note value by its name in MusicXML.
pub fn value_quarters(name: &str, dots: usize) -> Option<f64> {
    /// MusicXML 4.0, `note-type-value`, longest first; a maxima is eight wholes.
    const VALUES: [&str; 14] = [
        "maxima", "long", "breve", "whole", "half", "quarter", "eighth", "16th", "32nd", "64th",
        "128th", "256th", "512th", "1024th",
    ];
    let place = VALUES.iter().position(|v| *v == name)?;
    let plain = 32.0 * 0.5f64.powi(place as i32);
    Some(plain * (2.0 - 0.5f64.powi(dots.min(16) as i32)))
}

/// Reads all of a note but its place: `at`, `voice`, `transpose_semitones` are the caller's.
///
/// What has neither a readable pitch nor is a rest takes its time silently.
pub fn read_note<'a>(
    node: Node<'a, 'a>,
    duration: f64,
    counts: &mut Counts,
    problems: &mut Problems,
) -> RawNote {
    let mut note = RawNote {
        at: 0.0,
        duration,
        voice: 0,
        staff: child_text(node, "staff")
            .and_then(|t| whole(&t))
            .map_or(1, |s| s.clamp(1, 16) as u32),
        chord: child(node, "chord").is_some(),
        sound: Sound::Silent,
        grace: child(node, "grace").is_some(),
        tie_start: false,
        tie_stop: false,
        slur_stops: Vec::new(),
        slur_starts: Vec::new(),
        articulations: Vec::new(),
        ornament: None,
        fermata: false,
        breath_after: false,
        dynamic: None,
        time_only: node
            .attribute("time-only")
            .map_or_else(Times::new, numbers_from_one),
        source: node.range().start,
        transpose_semitones: 0,
    };
    if child(node, "cue").is_some() {
        // Printed for orientation, played by someone else.
    } else if child(node, "rest").is_some() {
        note.sound = Sound::Rest;
    } else if child(node, "unpitched").is_some() {
        counts.unpitched += 1;
    } else if let Some(pitch) = child(node, "pitch") {
        match read_pitch(pitch) {
            Some((spelling, rest)) => note.sound = Sound::Pitch(spelling, rest),
            None => problems.at(pitch, "the pitch cannot be read; the note is left out"),
        }
    } else {
        problems.at(node, "a note without a pitch is left out");
    }
    let ties: Vec<Node> = children(node, "tie").collect();
    read_ties(&mut note, &ties);
    for notations in children(node, "notations") {
        if ties.is_empty() {
            // `tied` is only the sign, but some programs write nothing else.
            let tied: Vec<Node> = children(notations, "tied").collect();
            read_ties(&mut note, &tied);
        }
        read_notations(&mut note, notations);
    }
    note
}

fn read_ties(note: &mut RawNote, ties: &[Node]) {
    for tie in ties {
        match tie.attribute("type") {
            Some("start") => note.tie_start = true,
            Some("stop") => note.tie_stop = true,
            Some("continue") => (note.tie_start, note.tie_stop) = (true, true),
            _ => {}
        }
    }
}

fn read_notations<'a>(note: &mut RawNote, notations: Node<'a, 'a>) {
    for sign in notations.children().filter(Node::is_element) {
        match sign.tag_name().name() {
            "slur" => {
                // MusicXML 4.0, `number-level`: 1 to 16 tell overlapping slurs apart, 1 where none is given.
                let number = sign
                    .attribute("number")
                    .and_then(whole)
                    .map_or(1, |n| n.clamp(1, 16) as u32);
                match sign.attribute("type") {
                    Some("start") => note.slur_starts.push(number),
                    Some("stop") => note.slur_stops.push(number),
                    _ => {}
                }
            }
            "articulations" => read_articulations(note, sign),
            "ornaments" => note.ornament = note.ornament.or_else(|| read_ornament(sign)),
            "fermata" => note.fermata = true,
            "dynamics" => note.dynamic = read_dynamic(sign).or(note.dynamic.take()),
            _ => {}
        }
    }
}

fn read_articulations(note: &mut RawNote, articulations: Node) {
    for sign in articulations.children().filter(Node::is_element) {
        let articulation = match sign.tag_name().name() {
            "staccato" => Articulation::Staccato,
            "staccatissimo" => Articulation::Staccatissimo,
            "tenuto" => Articulation::Tenuto,
            "accent" => Articulation::Accent,
            "strong-accent" => Articulation::StrongAccent,
            "detached-legato" => Articulation::DetachedLegato,
            "breath-mark" | "caesura" => {
                note.breath_after = true;
                continue;
            }
            _ => continue,
        };
        if !note.articulations.contains(&articulation) {
            note.articulations.push(articulation);
        }
    }
}

/// The mark of a `dynamics` element: the name of its first sign, or the text of another one.
pub fn read_dynamic(dynamics: Node) -> Option<String> {
    let sign = dynamics.children().find(Node::is_element)?;
    match sign.tag_name().name() {
        "other-dynamics" => Some(text(sign)).filter(|t| !t.is_empty()),
        name => Some(name.to_string()),
    }
}

fn read_ornament<'a>(ornaments: Node<'a, 'a>) -> Option<Ornament> {
    ornaments.children().find_map(|sign| {
        Some(match sign.tag_name().name() {
            "trill-mark" => Ornament::Trill,
            "mordent" => Ornament::Mordent,
            "inverted-mordent" => Ornament::InvertedMordent,
            "turn" | "delayed-turn" | "vertical-turn" => Ornament::Turn,
            "inverted-turn" | "delayed-inverted-turn" | "inverted-vertical-turn" => {
                Ornament::InvertedTurn
            }
            // Fingered tremolo between two notes is written out as two notes.
            "tremolo" if sign.attribute("type").is_none_or(|t| t == "single") => Ornament::Tremolo,
            "wavy-line" if sign.attribute("type") == Some("start") => Ornament::Trill,
            _ => return None,
        })
    })
}
