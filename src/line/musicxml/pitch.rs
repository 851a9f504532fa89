//! Pitches, transpositions and what a concert score becomes for the player.

use roxmltree::Node;

use super::xml::{child_text, number, whole};
use crate::line::Spelling;

/// Written to sounding: `transpose` and `part-transpose` of MusicXML 4.0.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub struct Transposition {
    /// Steps of the staff and semitones, octaves included.
    pub diatonic: i32,
    pub chromatic: i32,
}

impl Transposition {
    /// `None` where the element has no readable `chromatic`.
    pub fn read(node: Node) -> Option<Transposition> {
        let chromatic = number(&child_text(node, "chromatic")?)?;
        let octaves = child_text(node, "octave-change")
            .and_then(|t| whole(&t))
            .unwrap_or(0);
        if chromatic.abs() > 120.0 || octaves.abs() > 10 {
            return None;
        }
        let chromatic = chromatic.round() as i32;
        let diatonic = child_text(node, "diatonic")
            .and_then(|t| whole(&t))
            .filter(|d| d.abs() <= 70)
            // Seven steps to twelve semitones: right for every interval instruments use.
            .unwrap_or((f64::from(chromatic) * 7.0 / 12.0).round() as i32);
        Some(Transposition {
            diatonic: diatonic + 7 * octaves,
            chromatic: chromatic + 12 * octaves,
        })
    }

    /// What the player reads so that `sounding` comes out.
    pub fn written(self, sounding: Spelling) -> Spelling {
        let step = i32::from(sounding.letter) + 7 * i32::from(sounding.octave) - self.diatonic;
        let mut written = Spelling {
            letter: step.rem_euclid(7) as u8,
            alter: 0,
            octave: step.div_euclid(7).clamp(-1, 20) as i8,
        };
        let alter = sounding.midi() - self.chromatic - written.midi();
        written.alter = alter.clamp(-20, 20) as i8;
        written
    }

    /// Sharps that the written key has more than the sounding one.
    ///
    /// A fifth up is 4 steps and 7 semitones and adds one sharp: 7·chromatic − 12·diatonic.
    pub fn written_fifths(self, sounding_fifths: i32) -> i32 {
        sounding_fifths - (7 * self.chromatic - 12 * self.diatonic)
    }
}

/// The pitch of a `pitch` element, and its exact alteration where that is a microtone.
///
/// MusicXML octaves are 0 to 9; one more either side is read, since transposed exports have them.
pub fn read_pitch(node: Node) -> Option<(Spelling, f64)> {
    let step = child_text(node, "step")?;
    let letter = "CDEFGAB".find(&step.to_ascii_uppercase())? as u8;
    if step.len() != 1 {
        return None;
    }
    let alter = match child_text(node, "alter") {
        Some(text) => number(&text).filter(|a| a.abs() <= 12.0)?,
        None => 0.0,
    };
    let octave = whole(&child_text(node, "octave")?).filter(|o| (-1..=10).contains(o))? as i8;
    // Half a semitone goes up, so that a quarter tone has one reading wherever it stands.
    let rounded = (alter + 0.5).floor();
    let spelling = Spelling {
        letter,
        alter: rounded as i8,
        octave,
    };
    Some((spelling, alter - rounded))
}

#[cfg(test)]
mod tests {
    use super::*;

    fn spelling(text: &str, alter: i8, octave: i8) -> Spelling {
        Spelling {
            letter: "CDEFGAB".find(text).unwrap() as u8,
            alter,
            octave,
        }
    }

    fn transposition(xml: &str) -> Option<Transposition> {
        let document = roxmltree::Document::parse(xml).unwrap();
        Transposition::read(document.root_element())
    }

    /// MusicXML 4.0, `transpose`: the bass clarinet's is diatonic −1, chromatic −2, octave −1.
    #[test]
    fn bass_clarinet_reads_a_ninth_higher() {
        let bass = transposition(
            "<transpose><diatonic>-1</diatonic><chromatic>-2</chromatic><octave-change>-1</octave-change></transpose>",
        )
        .unwrap();
        assert_eq!(bass.chromatic, -14);
        assert_eq!(bass.written(spelling("B", -1, 2)), spelling("C", 0, 4));
        assert_eq!(bass.written(spelling("F", 1, 3)), spelling("G", 1, 4));
        // Concert B flat major is written C major.
        assert_eq!(bass.written_fifths(-2), 0);
    }

    /// MusicXML 4.0, `transpose`: the horn in F is diatonic −4, chromatic −7.
    #[test]
    fn horn_reads_a_fifth_higher_with_or_without_steps() {
        let horn = transposition(
            "<transpose><diatonic>-4</diatonic><chromatic>-7</chromatic></transpose>",
        )
        .unwrap();
        let short = transposition("<transpose><chromatic>-7</chromatic></transpose>").unwrap();
        assert_eq!(horn, short);
        assert_eq!(horn.written(spelling("E", 0, 4)), spelling("B", 0, 4));
        assert_eq!(horn.written_fifths(-1), 0);
    }

    #[test]
    fn pitches_that_cannot_be_are_refused() {
        for xml in [
            "<pitch><step>H</step><octave>4</octave></pitch>",
            "<pitch><step>CD</step><octave>4</octave></pitch>",
            "<pitch><step>C</step></pitch>",
            "<pitch><step>C</step><octave>400</octave></pitch>",
            "<pitch><step>C</step><alter>nan</alter><octave>4</octave></pitch>",
        ] {
            let document = roxmltree::Document::parse(xml).unwrap();
            assert_eq!(read_pitch(document.root_element()), None, "{xml}");
        }
    }
}
