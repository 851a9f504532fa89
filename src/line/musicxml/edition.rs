//! The player's own edition for the engraver: the chosen part of the file as it stands there, its
//! notes named so that they are found again in the picture.

use std::collections::HashSet;

use roxmltree::{Document, Node};

use super::complete;
use super::xml::{below, child, child_text};
use crate::line::Line;
use crate::line::write::clef;

/// A part by itself as MusicXML.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Edition {
    pub xml: String,
    /// The `id` of the `note` element of every note of the line; a note that is played several
    /// times has the same one each time.
    pub ids: Vec<String>,
}

/// The part with the notes at `sources`, which are bytes of the document's text.
///
/// `None` where the part as it stands is not what the player reads or what a single staff shows:
/// timewise files, scores in concert pitch, parts on several staves.
pub fn of(document: &Document, sources: &[usize], line: &Line) -> Option<Edition> {
    let root = document.root_element();
    let in_concert_pitch =
        child(root, "defaults").is_some_and(|defaults| child(defaults, "concert-score").is_some());
    if !root.has_tag_name("score-partwise") || in_concert_pitch {
        return None;
    }
    let wanted: HashSet<usize> = sources.iter().copied().collect();
    let named: Vec<Node> = document
        .descendants()
        .filter(|n| n.has_tag_name("note") && wanted.contains(&n.range().start))
        .collect();
    let part = named.first()?.parent()?.parent()?;
    let one_part = named
        .iter()
        .all(|n| n.parent().and_then(|m| m.parent()) == Some(part));
    if named.len() != wanted.len() || !one_part || !part.has_tag_name("part") || has_staves(part) {
        return None;
    }
    let mut changes: Vec<(std::ops::Range<usize>, String)> = Vec::new();
    for element in named.iter().chain([&part]) {
        let start = element.range().start;
        if let Some(id) = element.attribute_node("id") {
            changes.push((id.range(), String::new()));
        }
        let id = if *element == part {
            PART.into()
        } else {
            id_at(start)
        };
        let after_name = start + 1 + element.tag_name().name().len();
        changes.push((after_name..after_name, format!(" id=\"{id}\"")));
    }
    let text = document.input_text();
    for (note, element) in complete::accidentals(part)
        .into_iter()
        .chain(complete::beams(part))
        .chain(complete::clef(part, clef(line))?)
    {
        let range = note.range();
        let end = range.start + text[range].rfind("</")?;
        changes.push((end..end, element));
    }
    changes.sort_by_key(|(range, _)| range.start);
    let mut xml = format!(
        "<score-partwise version=\"4.0\" xmlns:xlink=\"http://www.w3.org/1999/xlink\"><part-list><score-part id=\"{PART}\"><part-name print-object=\"no\"/></score-part></part-list>"
    );
    let mut at = part.range().start;
    for (range, new) in changes {
        xml.push_str(&text[at..range.start]);
        xml.push_str(&new);
        at = range.end;
    }
    xml.push_str(&text[at..part.range().end]);
    xml.push_str("</score-partwise>");
    Some(Edition {
        xml,
        ids: sources.iter().map(|&source| id_at(source)).collect(),
    })
}

/// The only part's id.
const PART: &str = "P1";

/// No file has such ids of its own.
fn id_at(source: usize) -> String {
    format!("passagework-{source}")
}

/// Whether the part has more than one staff.
fn has_staves(part: Node) -> bool {
    let on_another = |n: Node| child_text(n, "staff").is_some_and(|staff| staff != "1");
    below(part, "staves").is_some_and(|n| n.text().is_some_and(|t| t.trim() != "1"))
        || part
            .descendants()
            .any(|n| n.has_tag_name("note") && on_another(n))
}
