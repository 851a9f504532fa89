//! What a file leaves to the reader: programs that write music out of data often leave out
//! accidentals, beams and the clef, and an engraver draws only what is written.

use std::collections::HashMap;

use roxmltree::Node;

use super::xml::{child, child_text, children, number, whole};
use crate::line::key_alter;
use crate::line::write::accidental;

/// Elements to be put at the end of others, by those.
pub type Added<'a> = Vec<(Node<'a, 'a>, String)>;

/// Accidentals for a part that has not a single one: by key signature and bar, each octave for
/// itself (common practice).
pub fn accidentals<'a>(part: Node<'a, 'a>) -> Added<'a> {
    let mut added = Added::new();
    if has(part, "accidental") {
        return added;
    }
    let mut fifths = 0;
    for measure in children(part, "measure") {
        // Alterations that hold in this bar, by letter and octave.
        let mut holds: HashMap<(usize, String), i8> = HashMap::new();
        for node in measure.children().filter(Node::is_element) {
            if let Some(key) = child(node, "key")
                .and_then(|key| child_text(key, "fifths"))
                .and_then(|f| whole(&f))
            {
                fifths = key.clamp(-7, 7);
            }
            let Some(pitch) = child(node, "pitch") else {
                continue;
            };
            let letter = child_text(pitch, "step").and_then(|s| "CDEFGAB".find(s.as_str()));
            let Some(letter) = letter else { continue };
            let octave = child_text(pitch, "octave").unwrap_or_default();
            let alter = child_text(pitch, "alter").and_then(|a| number(&a));
            let alter = alter.unwrap_or(0.0).round().clamp(-3.0, 3.0) as i8;
            let held = holds
                .get(&(letter, octave.clone()))
                .copied()
                .unwrap_or(key_alter(letter as u8, fifths) as i8);
            let tied_on = children(node, "tie").any(|t| t.attribute("type") == Some("stop"));
            if alter != held && !tied_on {
                let name = accidental(alter);
                added.push((node, format!("<accidental>{name}</accidental>")));
                holds.insert((letter, octave), alter);
            }
        }
    }
    added
}

/// The clef for a part that has none, in its first attributes; `None` where there are none.
pub fn clef<'a>(part: Node<'a, 'a>, (sign, line): (char, u32)) -> Option<Added<'a>> {
    if has(part, "clef") {
        return Some(Added::new());
    }
    let attributes = child(child(part, "measure")?, "attributes")?;
    attributes.first_element_child()?;
    let clef = format!("<clef><sign>{sign}</sign><line>{line}</line></clef>");
    Some(vec![(attributes, clef)])
}

/// Beams for a part that has not a single one: over each beat (common practice).
pub fn beams<'a>(part: Node<'a, 'a>) -> Added<'a> {
    let mut added = Added::new();
    if has(part, "beam") {
        return added;
    }
    let (mut divisions, mut beat_quarters) = (1.0, 1.0);
    for measure in children(part, "measure") {
        let mut at = 0.0;
        let mut group: Vec<Node> = Vec::new();
        let mut window = 0.0;
        for node in measure.children().filter(Node::is_element) {
            if let Some(said) = child_text(node, "divisions").and_then(|d| number(&d)) {
                divisions = f64::max(said, 1.0);
            }
            if let Some(beat) = child(node, "time").and_then(beat_of) {
                beat_quarters = beat;
            }
            let duration = child_text(node, "duration").and_then(|d| number(&d));
            let length = duration.unwrap_or(0.0) / divisions;
            match node.tag_name().name() {
                "backup" | "forward" => {
                    close(&mut group, &mut added);
                    at += if node.has_tag_name("backup") {
                        -length
                    } else {
                        length
                    };
                }
                "note" if child(node, "chord").is_none() && child(node, "grace").is_none() => {
                    let here = (at / beat_quarters + 1e-6).floor();
                    let apart = group.last().is_some_and(|last| {
                        child_text(*last, "voice") != child_text(node, "voice")
                    });
                    if here != window || apart || !is_small(node) {
                        close(&mut group, &mut added);
                    }
                    window = here;
                    if is_small(node) {
                        group.push(node);
                    }
                    at += length;
                }
                _ => {}
            }
        }
        close(&mut group, &mut added);
    }
    added
}

/// Ends a group of notes under one beam. The engraver finds the smaller values' beams itself.
fn close<'a>(group: &mut Vec<Node<'a, 'a>>, added: &mut Added<'a>) {
    let last = group.len().saturating_sub(1);
    for (i, node) in std::mem::take(group).into_iter().enumerate() {
        let sign = match i {
            _ if last == 0 => continue,
            0 => "begin",
            i if i == last => "end",
            _ => "continue",
        };
        added.push((node, format!("<beam number=\"1\">{sign}</beam>")));
    }
}

/// A note with flags.
fn is_small<'a>(note: Node<'a, 'a>) -> bool {
    const SMALL: [&str; 5] = ["eighth", "16th", "32nd", "64th", "128th"];
    child(note, "rest").is_none()
        && child_text(note, "type").is_some_and(|t| SMALL.contains(&t.as_str()))
}

/// Quarters that one beam may be over.
fn beat_of<'a>(time: Node<'a, 'a>) -> Option<f64> {
    let beats = child_text(time, "beats").and_then(|b| whole(&b))?;
    let unit = child_text(time, "beat-type").and_then(|b| whole(&b))?;
    Some(match (beats, unit) {
        (beats, 8) if beats % 3 == 0 => 1.5,
        (_, 2) => 2.0,
        _ => 1.0,
    })
}

fn has<'a>(part: Node<'a, 'a>, name: &str) -> bool {
    part.descendants().any(|n| n.has_tag_name(name))
}
