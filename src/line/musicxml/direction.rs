//! Directions and sounds: tempo marks, and the signs that make the player jump.

use roxmltree::Node;

use super::note::{read_dynamic, value_quarters};
use super::xml::{below, child, children, number, numbers_from_one, text};
use crate::line::TempoMark;
use crate::line::score::Times;

/// A jump or its target, with what said so: a `sound` attribute is for playing, a sign or
/// words only for reading.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Jump {
    Segno,
    Coda,
    ToCoda,
    Fine,
    DaCapo,
    DalSegno,
}

#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Told {
    Sound,
    Sign,
    Words,
}

/// What one `direction` or `sound` element says.
#[derive(Debug, Default)]
pub struct Direction {
    pub tempo: Option<TempoMark>,
    pub jumps: Vec<(Jump, Told)>,
    /// The times through on which the jumps count, by `time-only`.
    pub times: Times,
    pub forward_repeat: bool,
    pub dynamic: Option<String>,
    /// Divisions after its place in the file at which it is printed.
    pub offset_divisions: f64,
    /// Whether it is heard there too.
    pub offset_sounds: bool,
}

pub fn read_direction<'a>(direction: Node<'a, 'a>) -> Direction {
    let mut read = match child(direction, "sound") {
        Some(sound) => read_sound(sound),
        None => Direction::default(),
    };
    read_offset(direction, &mut read);
    let mut words = String::new();
    for kind in children(direction, "direction-type") {
        for sign in kind.children().filter(Node::is_element) {
            match sign.tag_name().name() {
                "segno" => read.jumps.push((Jump::Segno, Told::Sign)),
                "coda" => read.jumps.push((Jump::Coda, Told::Sign)),
                "words" => {
                    words.push(' ');
                    words.push_str(&text(sign));
                }
                "dynamics" => read.dynamic = read_dynamic(sign).or(read.dynamic),
                // The metronome names the beat; `sound` always counts quarters.
                "metronome" => read.tempo = read_metronome(sign).or(read.tempo),
                _ => {}
            }
        }
    }
    let said = jumps_in_words(&words);
    if said.contains(&Jump::ToCoda) {
        // The sign beside "To Coda" is where to leave, not where to go.
        read.jumps.retain(|j| *j != (Jump::Coda, Told::Sign));
    }
    read.jumps
        .extend(said.into_iter().map(|jump| (jump, Told::Words)));
    read
}

pub fn read_sound(sound: Node) -> Direction {
    // MusicXML 4.0, `sound`: tempo is in quarters a minute, whatever the metre.
    let tempo = sound.attribute("tempo").and_then(number);
    let mut read = Direction {
        tempo: tempo.filter(|bpm| is_tempo(*bpm)).map(|bpm| TempoMark {
            beat_quarters: 1.0,
            bpm,
        }),
        times: sound
            .attribute("time-only")
            .map_or_else(Times::new, numbers_from_one),
        forward_repeat: sound.attribute("forward-repeat") == Some("yes"),
        ..Direction::default()
    };
    read_offset(sound, &mut read);
    for (name, jump) in [
        ("segno", Jump::Segno),
        ("coda", Jump::Coda),
        ("tocoda", Jump::ToCoda),
        ("fine", Jump::Fine),
        ("dacapo", Jump::DaCapo),
        ("dalsegno", Jump::DalSegno),
    ] {
        if sound.attribute(name).is_some_and(|value| value != "no") {
            read.jumps.push((jump, Told::Sound));
        }
    }
    read
}

/// MusicXML 4.0, `offset`: only for the eye, unless `sound` says it is for the ear too; the
/// `sound` element's own goes before its direction's.
fn read_offset<'a>(node: Node<'a, 'a>, read: &mut Direction) {
    let Some(offset) = child(node, "offset").filter(|_| !read.offset_sounds) else {
        return;
    };
    let of_sound = node.has_tag_name("sound");
    read.offset_divisions = number(&text(offset)).unwrap_or(0.0);
    read.offset_sounds = of_sound || offset.attribute("sound") == Some("yes");
}

/// The jumps that words ask for, as they are commonly abbreviated.
fn jumps_in_words(words: &str) -> Vec<Jump> {
    let words = words
        .to_lowercase()
        .replace("d. c", "d.c")
        .replace("d. s", "d.s");
    let tokens: Vec<&str> = words
        .split(|c: char| !c.is_alphanumeric() && c != '.')
        .map(|t| t.trim_end_matches('.'))
        .filter(|t| !t.is_empty())
        .collect();
    // Whether the tokens begin with these words at `i`.
    let at = |i: usize, wanted: &[&str]| tokens[i..].starts_with(wanted);
    let mut jumps = Vec::new();
    for i in 0..tokens.len() {
        // Without its dots an abbreviation counts only where it leads: it may be a syllable.
        if at(i, &["d.c"]) || i == 0 && at(i, &["dc"]) || at(i, &["da", "capo"]) {
            jumps.push(Jump::DaCapo);
        } else if at(i, &["d.s"]) || i == 0 && at(i, &["ds"]) || at(i, &["dal", "segno"]) {
            jumps.push(Jump::DalSegno);
        } else if at(i, &["to", "coda"]) {
            jumps.push(Jump::ToCoda);
        }
    }
    match tokens[..] {
        ["fine"] => jumps.push(Jump::Fine),
        ["coda"] => jumps.push(Jump::Coda),
        ["segno"] => jumps.push(Jump::Segno),
        _ => {}
    }
    jumps
}

/// Slower or faster is a slip of the keyboard, not a tempo.
fn is_tempo(bpm: f64) -> bool {
    bpm > 1.0 && bpm < 2000.0
}

/// The tempo a `metronome` element gives.
///
/// The per-minute value is text: of "c. 120" the number is taken, of "100-110" the middle.
fn read_metronome<'a>(metronome: Node<'a, 'a>) -> Option<TempoMark> {
    let units: Vec<Node> = children(metronome, "beat-unit").collect();
    let [unit] = units[..] else {
        // Two units state a relation of tempi, not a tempo.
        return None;
    };
    let dots = children(metronome, "beat-unit-dot").count();
    let beat_quarters = value_quarters(&text(unit), dots)?;
    let per_minute = text(below(metronome, "per-minute")?);
    let numbers: Vec<f64> = per_minute
        .replace(',', ".")
        .split(|c: char| !c.is_ascii_digit() && c != '.')
        .filter_map(number)
        .take(2)
        .collect();
    let bpm = numbers.iter().sum::<f64>() / numbers.len() as f64;
    is_tempo(bpm).then_some(TempoMark { beat_quarters, bpm })
}

#[cfg(test)]
mod tests {
    use super::*;

    fn tempo(xml: &str) -> Option<(f64, f64)> {
        let document = roxmltree::Document::parse(xml).unwrap();
        read_direction(document.root_element())
            .tempo
            .map(|t| (t.beat_quarters, t.bpm))
    }

    /// MusicXML 4.0: `per-minute` is text, `sound` counts quarters, dots lengthen the beat.
    #[test]
    fn metronome_marks_are_read_from_text() {
        let mark = |unit: &str, per_minute: &str| {
            tempo(&format!(
                "<direction><direction-type><metronome>{unit}<per-minute>{per_minute}</per-minute></metronome></direction-type><sound tempo='90'/></direction>"
            ))
        };
        let dotted = "<beat-unit>quarter</beat-unit><beat-unit-dot/>";
        assert_eq!(mark(dotted, "60"), Some((1.5, 60.0)));
        assert_eq!(mark(dotted, "c. 120"), Some((1.5, 120.0)));
        assert_eq!(mark(dotted, "ca. 100-110"), Some((1.5, 105.0)));
        assert_eq!(mark(dotted, "66,5"), Some((1.5, 66.5)));
        assert_eq!(mark(dotted, "fast"), Some((1.0, 90.0)));
        assert_eq!(
            mark("<beat-unit>minim</beat-unit>", "60"),
            Some((1.0, 90.0))
        );
    }

    /// Abbreviations: common practice.
    #[test]
    fn jumps_are_found_in_words() {
        use Jump::*;
        for (words, jumps) in [
            ("D.C. al Fine", &[DaCapo][..]),
            ("D. S. al Coda", &[DalSegno]),
            ("D.S. al Coda", &[DalSegno]),
            ("Dal Segno", &[DalSegno]),
            ("To Coda", &[ToCoda]),
            ("Fine", &[Fine]),
            ("al fine", &[]),
            ("gli DC", &[]),
            ("dolce", &[]),
        ] {
            assert_eq!(jumps_in_words(words), jumps, "{words}");
        }
    }
}
