//! The fingering layer: trade letters (L, R, fork, mid, side) over the notes they are for, where
//! nothing else is.

use std::collections::BTreeMap;
use std::fmt::Write;

use super::draw::{self, Pencil};
use super::engraver::engrave;
use super::score::{self, Score, UNITS_PER_MM};
use super::{EngraveError, Options, SvgPage};
use crate::line::Line;
use crate::line::write::{Order, WriteOptions, musicxml};
use crate::show::text_for_xml as escaped;

/// Height of the letters: 2.4 mm, smaller than words of a mark.
const LETTERS: f64 = 240.0;
/// Around the systems, and between one and the next.
const MARGIN: f64 = 400.0;
const GAP: f64 = 420.0;
const TITLE: f64 = 520.0;

/// The étude engraved with letters over its notes, `marks` by the note's index; no take is needed.
pub fn page(
    line: &Line,
    marks: &BTreeMap<usize, String>,
    options: &Options,
) -> Result<SvgPage, EngraveError> {
    let width = options.width_mm * UNITS_PER_MM;
    let staff_width = width - 2.0 * MARGIN;
    let write = WriteOptions {
        order: Order::Page,
        ..WriteOptions::default()
    };
    let written = musicxml(line, &write);
    // One player's part needs no name at its staff.
    let xml = written
        .xml
        .replace("<part-name>", "<part-name print-object=\"no\">");
    let pages = engrave(&xml, (staff_width / 10.0) as u32)?;
    let mut score = score::read(&pages, &written.ids, staff_width)?;
    let letters = layer(marks, &mut score);
    let mut content = draw::words(width / 2.0, MARGIN + TITLE, TITLE, Pencil::Grey, &line.title);
    let mut y = MARGIN + TITLE + GAP;
    for (system, letters) in score.systems.iter().zip(&letters) {
        let (top, bottom) = system.skyline.extent();
        let _ = write!(
            content,
            "<g class=\"system\" transform=\"translate({MARGIN:.0},{:.0})\" color=\"#000000\" font-family=\"{}\">{}{letters}</g>",
            y - top,
            draw::FONT,
            system.drawing
        );
        y += bottom - top + GAP;
    }
    let mut defs = String::from("<defs>");
    for (id, drawing) in &score.glyphs {
        let _ = write!(defs, "<g id=\"{id}\">{drawing}</g>");
    }
    defs.push_str("</defs>");
    let name = escaped(&format!("{}, with fingerings", line.title));
    let (width_mm, height_mm) = (width / UNITS_PER_MM, y / UNITS_PER_MM);
    Ok(SvgPage {
        svg: format!(
            "<svg xmlns=\"http://www.w3.org/2000/svg\" xmlns:xlink=\"http://www.w3.org/1999/xlink\" width=\"{width_mm:.2}mm\" height=\"{height_mm:.2}mm\" viewBox=\"0 0 {width:.0} {y:.0}\" role=\"group\" aria-label=\"{name}\"><title>{name}</title>{defs}{content}</svg>\n"
        ),
        width_mm,
        height_mm,
    })
}

/// The letters of each system, as SVG; their places are taken in its skyline, so that what is
/// drawn afterwards stays clear of them.
pub fn layer(marks: &BTreeMap<usize, String>, score: &mut Score) -> Vec<String> {
    let mut drawn = vec![String::new(); score.systems.len()];
    let mut done: Vec<(usize, f64, &str)> = Vec::new();
    for (&index, mark) in marks {
        let Some(&head) = score.heads.get(index) else {
            continue;
        };
        // Another time through the same bar says the same.
        if done.contains(&(head.system, head.x, mark.as_str())) {
            continue;
        }
        done.push((head.system, head.x, mark));
        let half = draw::width_of(mark, LETTERS) / 2.0;
        let skyline = &mut score.systems[head.system].skyline;
        let top = skyline.place_above(head.x - half, head.x + half, LETTERS);
        let _ = write!(
            drawn[head.system],
            "<g class=\"fingering\" data-index=\"{index}\"><title>fingering: {}</title>{}</g>",
            escaped(mark),
            draw::words(head.x, top + LETTERS, LETTERS, Pencil::Grey, mark)
        );
    }
    drawn
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::finger::{Chart, Wishes, plan};
    use crate::line::read::{Kind, LineOptions, line_of};
    use crate::show::fingers;

    /// The demo étude as Verovio 6.4.1 engraves it (see testdata/engraved/README.md).
    const ENGRAVED: &str = include_str!("../../../testdata/engraved/demo.svg");
    const STAFF_WIDTH: f64 = 17_200.0;

    fn numbers(text: &str) -> Vec<f64> {
        text.split(|c: char| !(c.is_ascii_digit() || c == '.' || c == '-'))
            .filter_map(|t| t.parse().ok())
            .collect()
    }

    /// No letter touches a notehead, a stem, a beam or another letter of the demo étude.
    #[test]
    fn letters_never_overlap_notes_or_each_other() {
        let etude = include_bytes!("../../cli/demo_etude.abc");
        let line = line_of(Kind::Abc, etude, &LineOptions::default()).expect("the demo étude");
        let chart = Chart::built_in("clarinet-bb").expect("a chart");
        let plan = plan(&line, &chart, &Wishes::default()).expect("a plan");
        let marks = fingers::marks(&chart, &plan);
        assert!(marks.len() > 10, "{marks:?}");
        let ids: Vec<String> = (0..line.notes.len()).map(|i| format!("n{i}")).collect();
        let mut score = score::read(&[ENGRAVED.to_string()], &ids, STAFF_WIDTH).expect("a picture");
        // Everything with ink in the engraver's own words: its bounding boxes, system by system.
        let document = roxmltree::Document::parse_with_options(
            ENGRAVED,
            roxmltree::ParsingOptions { allow_dtd: true, ..Default::default() },
        )
        .expect("a picture");
        let class = |n: roxmltree::Node, name: &str| {
            n.attribute("class").is_some_and(|c| c.split(' ').any(|c| c == name))
        };
        let systems: Vec<roxmltree::Node> = document
            .descendants()
            .filter(|n| class(*n, "system") && !class(*n, "bounding-box"))
            .collect();
        let drawn = layer(&marks, &mut score);
        assert_eq!(drawn.len(), systems.len());
        let mut n_letters = 0;
        for (system, drawn) in systems.iter().zip(&drawn) {
            let inked = ["notehead", "stem", "beam", "accid", "artic", "tuplet", "flag"];
            let boxes: Vec<[f64; 4]> = system
                .descendants()
                .filter(|n| class(*n, "bounding-box") && inked.iter().any(|i| class(*n, i)))
                .flat_map(|n| n.children().filter(|c| c.has_tag_name("rect")).collect::<Vec<_>>())
                .map(|r| ["x", "y", "width", "height"].map(|a| r.attribute(a).and_then(|v| v.parse().ok()).unwrap_or(0.0)))
                .map(|[x, y, w, h]: [f64; 4]| [x, y, x + w, y + h])
                .collect();
            assert!(boxes.len() > 10);
            let mut letters: Vec<[f64; 4]> = Vec::new();
            for text in drawn.split("<text").skip(1) {
                let at = |name: &str| {
                    let from = text.find(&format!(" {name}=\"")).expect("a place") + name.len() + 3;
                    numbers(&text[from..])[0]
                };
                let content = text[text.find('>').expect("text") + 1..].split('<').next().expect("text");
                let half = draw::width_of(content, LETTERS) / 2.0;
                let (x, y) = (at("x"), at("y"));
                letters.push([x - half, y - LETTERS, x + half, y]);
            }
            n_letters += letters.len();
            let meet = |a: &[f64; 4], b: &[f64; 4]| a[0] < b[2] && b[0] < a[2] && a[1] < b[3] && b[1] < a[3];
            for (i, letter) in letters.iter().enumerate() {
                assert!(boxes.iter().all(|b| !meet(letter, b)), "letter {i} on ink");
                assert!(letters[..i].iter().all(|other| !meet(letter, other)), "letter {i} on another");
            }
        }
        assert_eq!(n_letters, marks.len());
    }
}
