//! An étude as MusicXML 4.0.

use crate::etude::{DIVISIONS, Etude, Symbol};
use std::fmt::Write;

pub fn to_musicxml(etude: &Etude) -> String {
    let instrument = etude.instrument;
    let mut xml = format!(
        "<?xml version=\"1.0\" encoding=\"UTF-8\"?>\n<score-partwise version=\"4.0\">\n\
         <work><work-title>{}</work-title></work>\n<part-list><score-part id=\"P1\">\
         <part-name>{}</part-name><score-instrument id=\"P1-I1\"><instrument-name>{}</instrument-name>\
         <instrument-sound>{}</instrument-sound></score-instrument></score-part></part-list>\n<part id=\"P1\">\n",
        etude.title, instrument.part, instrument.part, instrument.sound
    );
    // The slurs must close: a note inside a slur is followed by its stop unless the next goes on.
    let flat: Vec<&Symbol> = etude.bars.iter().flatten().collect();
    let mut place = 0;
    for (bar_idx, bar) in etude.bars.iter().enumerate() {
        let _ = writeln!(xml, "<measure number=\"{}\">", bar_idx + 1);
        if bar_idx == 0 {
            let _ = write!(
                xml,
                "<attributes><divisions>{DIVISIONS}</divisions><key><fifths>{}</fifths></key>\
                 <time><beats>{}</beats><beat-type>{}</beat-type></time>",
                etude.fifths, etude.beats, etude.beat_type
            );
            let octaves = instrument.transpose / 12;
            let chromatic = instrument.transpose % 12;
            if instrument.transpose != 0 {
                let _ = write!(xml, "<transpose><chromatic>{chromatic}</chromatic>");
                if octaves != 0 {
                    let _ = write!(xml, "<octave-change>{octaves}</octave-change>");
                }
                xml.push_str("</transpose>");
            }
            xml.push_str("</attributes>\n");
        }
        if etude.repeat.is_some_and(|(from, _)| from == bar_idx) {
            xml.push_str("<barline location=\"left\"><repeat direction=\"forward\"/></barline>\n");
        }
        for symbol in bar {
            let next_slurred = flat.get(place + 1).is_some_and(|next| next.slur_in);
            write_symbol(&mut xml, symbol, next_slurred);
            place += 1;
        }
        if etude.repeat.is_some_and(|(_, to)| to == bar_idx) {
            xml.push_str(
                "<barline location=\"right\"><repeat direction=\"backward\"/></barline>\n",
            );
        }
        xml.push_str("</measure>\n");
    }
    xml.push_str("</part>\n</score-partwise>\n");
    xml
}

fn write_symbol(xml: &mut String, symbol: &Symbol, next_slurred: bool) {
    let Some(pitch) = symbol.pitch else {
        let _ = writeln!(
            xml,
            "<note><rest/><duration>{}</duration></note>",
            symbol.duration
        );
        return;
    };
    let step = b"CDEFGAB"[pitch.letter as usize] as char;
    let _ = write!(xml, "<note><pitch><step>{step}</step>");
    if pitch.alter != 0 {
        let _ = write!(xml, "<alter>{}</alter>", pitch.alter);
    }
    let _ = write!(
        xml,
        "<octave>{}</octave></pitch><duration>{}</duration>",
        pitch.octave, symbol.duration
    );
    let (kind, dot, tuplet) = match symbol.duration {
        4 => ("16th", false, Some((6, 4))),
        6 => ("16th", false, None),
        8 => ("eighth", false, Some((3, 2))),
        12 => ("eighth", false, None),
        18 => ("eighth", true, None),
        24 => ("quarter", false, None),
        36 => ("quarter", true, None),
        _ => ("half", false, None),
    };
    let _ = write!(
        xml,
        "<type>{kind}</type>{}",
        if dot { "<dot/>" } else { "" }
    );
    if let Some((actual, normal)) = tuplet {
        let _ = write!(
            xml,
            "<time-modification><actual-notes>{actual}</actual-notes><normal-notes>{normal}</normal-notes></time-modification>"
        );
    }
    let mut notations = String::new();
    match (symbol.slur_in, next_slurred) {
        (true, false) => notations.push_str("<slur number=\"1\" type=\"stop\"/>"),
        (false, true) => notations.push_str("<slur number=\"1\" type=\"start\"/>"),
        _ => {}
    }
    if symbol.staccato {
        notations.push_str("<articulations><staccato/></articulations>");
    }
    if symbol.fermata {
        notations.push_str("<fermata/>");
    }
    if !notations.is_empty() {
        let _ = write!(xml, "<notations>{notations}</notations>");
    }
    xml.push_str("</note>\n");
}
