//! One part's measures, walked in the order of the file with a time cursor.

use roxmltree::Node;

use super::direction::{Direction, Jump, Told, read_direction, read_sound};
use super::metre::Metre;
use super::note::{
    Counts, DURATION_QUARTERS_MAX, RawNote, duration_quarters, read_note, type_quarters,
};
use super::pitch::Transposition;
use super::xml::{Problems, child, child_text, children, number, numbers_from_one, text, whole};
use crate::line::score::Times;
use crate::line::{Key, TempoMark};

/// A measure of one part: where number and `implicit` stand, and where the music stands.
/// Both are the same element in partwise files.
#[derive(Clone, Copy)]
pub struct MeasureSource<'a> {
    pub head: Node<'a, 'a>,
    pub music: Node<'a, 'a>,
}

/// A part with all its voices.
#[derive(Debug, Default)]
pub struct RawPart {
    /// Names of voices in order of appearance.
    pub voices: Vec<String>,
    pub measures: Vec<RawMeasure>,
    pub key: Option<Key>,
    /// First tempo mark: measure index, quarters into it.
    pub tempo: Option<(usize, f64, TempoMark)>,
    /// Any `transpose` at all.
    pub transposes: bool,
    /// `part-transpose` of a concert score.
    pub for_part: Option<Transposition>,
    pub counts: Counts,
}

#[derive(Debug, Default)]
pub struct RawMeasure {
    pub number: String,
    pub implicit: bool,
    /// Where the music of the longest voice ends.
    pub reach_quarters: f64,
    pub metre: Metre,
    /// Of the key signature in force at the bar's start.
    pub fifths: i32,
    pub notes: Vec<RawNote>,
    pub jumps: Vec<JumpMark>,
    /// Dynamic marks with their place in the bar, in quarters.
    pub dynamics: Vec<(f64, String)>,
    /// Barlines within the bar.
    pub middle: Vec<MiddleBarline>,
    pub repeat_forward: bool,
    /// Times of the backward repeat, and whether it counts after a jump.
    pub repeat_backward: Option<(u32, bool)>,
    pub ending_start: Option<Vec<u32>>,
    pub ending_stop: bool,
    /// A double or final barline on the right.
    pub section_end: bool,
}

/// A jump or its target at its place in a bar.
#[derive(Clone, Debug)]
pub struct JumpMark {
    pub jump: Jump,
    pub told: Told,
    /// From the start of the bar, in quarters.
    pub at: f64,
    /// The times through on which it counts; empty: on its usual one.
    pub times: Times,
}

/// A barline with `location="middle"`, which may repeat or end something there.
#[derive(Clone, Debug, Default)]
pub struct MiddleBarline {
    /// From the start of the bar, in quarters.
    pub at: f64,
    pub repeat_forward: bool,
    pub repeat_backward: Option<(u32, bool)>,
    pub ending_start: Option<Vec<u32>>,
    pub ending_stop: bool,
}

/// Reads the measures of one part.
pub fn read_part<'a>(measures: &[MeasureSource<'a>], problems: &mut Problems) -> RawPart {
    let mut walk = Walk {
        part: RawPart::default(),
        divisions: first_divisions(measures),
        metre: Metre::default(),
        fifths: 0,
        transposition: 0,
        forward_next: false,
        backward_before: None,
    };
    for (i, source) in measures.iter().enumerate() {
        walk.measure(i, *source, problems);
    }
    walk.part
}

/// What lasts from bar to bar.
struct Walk {
    part: RawPart,
    /// Of a quarter; `None` where the file never says.
    divisions: Option<f64>,
    metre: Metre,
    fifths: i32,
    transposition: i32,
    /// A forward repeat on the right barline begins the next bar.
    forward_next: bool,
    backward_before: Option<(u32, bool)>,
}

impl Walk {
    fn measure<'a>(&mut self, index: usize, source: MeasureSource<'a>, problems: &mut Problems) {
        let stated = source.head.attribute("number").map(str::trim);
        let mut bar = RawMeasure {
            number: match stated {
                Some(number) if !number.is_empty() => number.to_string(),
                _ => (index + 1).to_string(),
            },
            implicit: source.head.attribute("implicit") == Some("yes"),
            fifths: self.fifths,
            repeat_forward: std::mem::take(&mut self.forward_next),
            ..RawMeasure::default()
        };
        let mut cursor = 0.0;
        // Start and voice of the note that a chord member joins.
        let mut chord_on: Option<(f64, usize)> = None;
        let mut next_metre = None;
        for node in source.music.children().filter(Node::is_element) {
            match node.tag_name().name() {
                "attributes" => {
                    let metre = self.attributes(node, problems);
                    if cursor == 0.0 {
                        bar.fifths = self.fifths;
                    }
                    if let Some(metre) = metre {
                        // A change inside the bar is the next bar's.
                        if cursor == 0.0 {
                            self.metre = metre;
                        } else {
                            next_metre = Some(metre);
                        }
                    }
                }
                "note" => self.note(node, &mut bar, &mut cursor, &mut chord_on, problems),
                "backup" => {
                    let back = duration_quarters(node, self.divisions, problems);
                    if back > cursor + 1e-6 {
                        problems.at(
                            node,
                            "a backup reaches before the bar; it goes to its start",
                        );
                    }
                    cursor = f64::max(cursor - back, 0.0);
                    chord_on = None;
                }
                "forward" => {
                    cursor += duration_quarters(node, self.divisions, problems);
                    chord_on = None;
                }
                "direction" => {
                    self.direction(index, cursor, read_direction(node), &mut bar);
                }
                "sound" => self.direction(index, cursor, read_sound(node), &mut bar),
                "barline" => self.barline(node, cursor, &mut bar, problems),
                _ => {}
            }
            bar.reach_quarters = bar.reach_quarters.max(cursor);
        }
        bar.metre = self.metre;
        if let Some(metre) = next_metre {
            self.metre = metre;
        }
        if let (Some(backward), Some(before)) =
            (self.backward_before.take(), self.part.measures.last_mut())
        {
            before.repeat_backward.get_or_insert(backward);
        }
        self.part.measures.push(bar);
    }

    /// Takes in an `attributes` element; returns its time signature.
    fn attributes<'a>(&mut self, node: Node<'a, 'a>, problems: &mut Problems) -> Option<Metre> {
        let mut metre = None;
        if let Some(divisions) = child(node, "divisions") {
            match number(&text(divisions)).filter(|d| *d > 0.0) {
                Some(d) => self.divisions = Some(d),
                None => problems.at(divisions, "the divisions are no number above zero; ignored"),
            }
        }
        if let Some(key) = children(node, "key").find(for_first_staff) {
            match read_key(key) {
                Some(read) => {
                    self.fifths = read.fifths;
                    self.part.key.get_or_insert(read);
                }
                None => problems.at(key, "the key signature cannot be read; ignored"),
            }
        }
        if let Some(time) = children(node, "time").find(for_first_staff) {
            metre = Metre::read(time);
            if metre.is_none() {
                problems.at(time, "the time signature cannot be read; ignored");
            }
        }
        if let Some(transpose) = children(node, "transpose").find(for_first_staff) {
            match Transposition::read(transpose) {
                Some(read) => {
                    self.transposition = read.chromatic;
                    self.part.transposes = true;
                }
                None => problems.at(transpose, "the transposition cannot be read; ignored"),
            }
        }
        if self.part.for_part.is_none() {
            self.part.for_part = children(node, "for-part")
                .find(for_first_staff)
                .and_then(|n| child(n, "part-transpose"))
                .and_then(Transposition::read);
        }
        metre
    }

    fn note<'a>(
        &mut self,
        node: Node<'a, 'a>,
        bar: &mut RawMeasure,
        cursor: &mut f64,
        chord_on: &mut Option<(f64, usize)>,
        problems: &mut Problems,
    ) {
        let grace = child(node, "grace").is_some();
        let duration = if grace {
            0.0
        } else {
            duration_quarters(node, self.divisions, problems)
        };
        let mut note = read_note(node, duration, &mut self.part.counts, problems);
        let named = child_text(node, "voice");
        note.transpose_semitones = self.transposition;
        match *chord_on {
            Some((at, voice)) if note.chord => {
                note.at = at;
                note.voice = voice;
            }
            _ => {
                note.chord = false;
                note.at = *cursor;
                note.voice = self.voice(named.as_deref().unwrap_or("1"));
                *cursor += duration;
                *chord_on = Some((note.at, note.voice));
            }
        }
        bar.notes.push(note);
    }

    fn voice(&mut self, name: &str) -> usize {
        /// Four voices to a staff and three staves are many; damaged files may have any number.
        const VOICES_MAX: usize = 32;
        let voices = &mut self.part.voices;
        if voices.len() == VOICES_MAX && !voices.iter().any(|v| v == name) {
            return VOICES_MAX - 1;
        }
        voices.iter().position(|v| v == name).unwrap_or_else(|| {
            voices.push(name.to_string());
            voices.len() - 1
        })
    }

    fn direction(&mut self, index: usize, cursor: f64, said: Direction, bar: &mut RawMeasure) {
        let offset = said.offset_divisions / self.divisions.unwrap_or(1.0);
        let printed_at = if offset.abs() < DURATION_QUARTERS_MAX {
            (cursor + offset).max(0.0)
        } else {
            cursor
        };
        let heard_at = if said.offset_sounds {
            printed_at
        } else {
            cursor
        };
        if let Some(tempo) = said.tempo {
            self.part.tempo.get_or_insert((index, heard_at, tempo));
        }
        bar.repeat_forward |= said.forward_repeat;
        bar.dynamics
            .extend(said.dynamic.map(|mark| (printed_at, mark)));
        let jumps = said.jumps.into_iter();
        bar.jumps.extend(jumps.map(|(jump, told)| JumpMark {
            jump,
            told,
            at: if told == Told::Sound {
                heard_at
            } else {
                printed_at
            },
            times: said.times.clone(),
        }));
    }

    fn barline<'a>(
        &mut self,
        node: Node<'a, 'a>,
        cursor: f64,
        bar: &mut RawMeasure,
        problems: &mut Problems,
    ) {
        let mut read = MiddleBarline {
            at: cursor,
            ..MiddleBarline::default()
        };
        if let Some(ending) = child(node, "ending") {
            match ending.attribute("type") {
                Some("start") => {
                    // Blank stands for "the next one".
                    let numbers = ending.attribute("number").unwrap_or_default();
                    read.ending_start = Some(numbers_from_one(numbers));
                }
                Some("stop" | "discontinue") => read.ending_stop = true,
                _ => problems.at(ending, "an ending that neither starts nor stops; ignored"),
            }
        }
        if let Some(repeat) = child(node, "repeat") {
            match repeat.attribute("direction") {
                Some("forward") => read.repeat_forward = true,
                Some("backward") => read.repeat_backward = Some(backward(repeat, problems)),
                _ => problems.at(repeat, "a repeat without a direction; ignored"),
            }
        }
        let location = node.attribute("location");
        if location == Some("middle") {
            bar.middle.push(read);
            return;
        }
        let left = location == Some("left");
        let style = child_text(node, "bar-style");
        bar.section_end |= !left && matches!(style.as_deref(), Some("light-light" | "light-heavy"));
        if read.ending_start.is_some() {
            bar.ending_start = read.ending_start;
        }
        bar.ending_stop |= read.ending_stop;
        if read.repeat_forward && location == Some("right") {
            self.forward_next = true;
        } else {
            bar.repeat_forward |= read.repeat_forward;
        }
        if left {
            self.backward_before = read.repeat_backward.or(self.backward_before);
        } else {
            bar.repeat_backward = read.repeat_backward.or(bar.repeat_backward);
        }
    }
}

/// Times of a backward repeat, and whether it counts after a jump.
fn backward(repeat: Node, problems: &mut Problems) -> (u32, bool) {
    let times = match repeat.attribute("times") {
        None => 2,
        Some(times) => match number(times).filter(|t| *t >= 1.0) {
            // Any larger number meets the bound on played notes first.
            Some(times) => times.min(1e9) as u32,
            None => {
                problems.at(repeat, format!("\"{times}\" times is read as twice"));
                2
            }
        },
    };
    (times, repeat.attribute("after-jump") == Some("yes"))
}

/// The first staff's: time, key and transposition may be given for each staff.
fn for_first_staff(node: &Node) -> bool {
    node.attribute("number").is_none_or(|n| n.trim() == "1")
}

/// Divisions stated late hold from the start; where none are stated, a note's value tells them.
fn first_divisions<'a>(measures: &[MeasureSource<'a>]) -> Option<f64> {
    let notes = || {
        measures
            .iter()
            .flat_map(|m| m.music.children())
            .filter(Node::is_element)
    };
    let stated = notes()
        .filter(|n| n.has_tag_name("attributes"))
        .filter_map(|n| number(&child_text(n, "divisions")?))
        .find(|d| *d > 0.0);
    stated.or_else(|| {
        notes().filter(|n| n.has_tag_name("note")).find_map(|n| {
            let duration = number(&child_text(n, "duration")?).filter(|d| *d > 0.0)?;
            Some(duration / type_quarters(n)?)
        })
    })
}

/// Fifths and mode, or a list of altered steps, whose alterations sum to the fifths.
fn read_key(key: Node) -> Option<Key> {
    let mode = child_text(key, "mode").filter(|m| m != "none");
    let fifths = match child_text(key, "fifths") {
        Some(fifths) => whole(&fifths).filter(|f| f.abs() <= 14)?,
        None => {
            let altered: f64 = key
                .children()
                .filter(|n| n.has_tag_name("key-alter"))
                .filter_map(|n| number(&text(n)))
                .sum();
            altered.clamp(-14.0, 14.0).round() as i32
        }
    };
    Some(Key {
        fifths,
        mode: mode.unwrap_or_else(|| "major".into()).to_lowercase(),
    })
}
