//! The engraver's picture, read: its systems one by one, and where notes and ink are in them.

use std::collections::{BTreeMap, HashMap};
use std::fmt::Write;

use roxmltree::Node;

use super::skyline::{Rect, Skyline};
use super::{EngraveError, draw, engraver};
use crate::show::text_for_xml as escaped;

/// Units of the picture to a millimetre of paper.
pub const UNITS_PER_MM: f64 = 100.0;
/// Distance of two staff lines.
pub const SPACE: f64 = 180.0;

/// A notehead.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Head {
    /// Its centre.
    pub x: f64,
    pub y: f64,
    pub half_width: f64,
    /// Index of its system.
    pub system: usize,
}

/// One system, at the place where the engraver put it.
#[derive(Clone, Debug)]
pub struct System {
    /// Its drawing, to be put into a picture that has [`Score::glyphs`].
    pub drawing: String,
    pub staff_top: f64,
    pub left: f64,
    pub right: f64,
    pub skyline: Skyline,
}

/// The whole picture.
#[derive(Clone, Debug)]
pub struct Score {
    /// Glyph outlines by their id.
    pub glyphs: BTreeMap<String, String>,
    pub systems: Vec<System>,
    /// Of every note of the line.
    pub heads: Vec<Head>,
    /// Width of the systems.
    pub width: f64,
}

/// Reads the pages of an engraving. `ids` are those of the line's notes, several of which may
/// share one; every note must have its place.
pub fn read(pages: &[String], ids: &[String], width: f64) -> Result<Score, EngraveError> {
    let mut indices: HashMap<&str, Vec<usize>> = HashMap::new();
    for (index, id) in ids.iter().enumerate() {
        indices.entry(id).or_default().push(index);
    }
    let mut reader = Reader {
        indices,
        heads: vec![None; ids.len()],
        score: Score {
            glyphs: BTreeMap::new(),
            systems: Vec::new(),
            heads: Vec::new(),
            width,
        },
    };
    for page in pages {
        let options = roxmltree::ParsingOptions {
            allow_dtd: true,
            ..roxmltree::ParsingOptions::default()
        };
        let document = roxmltree::Document::parse_with_options(page, options)
            .map_err(|e| EngraveError::Picture(e.to_string()))?;
        reader.page(document.root_element())?;
    }
    let Reader {
        heads, mut score, ..
    } = reader;
    for (index, head) in heads.into_iter().enumerate() {
        let head =
            head.ok_or_else(|| EngraveError::Picture(format!("note {index} has no place in it")))?;
        score.heads.push(head);
    }
    Ok(score)
}

struct Reader<'i> {
    indices: HashMap<&'i str, Vec<usize>>,
    heads: Vec<Option<Head>>,
    score: Score,
}

impl Reader<'_> {
    fn page(&mut self, root: Node) -> Result<(), EngraveError> {
        for glyph in root
            .descendants()
            .filter(|n| in_defs(*n) && n.has_tag_name("g"))
        {
            let Some(path) = glyph.first_element_child() else {
                continue;
            };
            if let Some(id) = glyph.attribute("id") {
                let drawing = format!(
                    "<path transform=\"scale(1,-1)\" d=\"{}\"/>",
                    path.attribute("d").unwrap_or_default()
                );
                self.score
                    .glyphs
                    .insert(glyph_name(id).to_string(), drawing);
            }
        }
        for system in root.descendants().filter(|n| has_class(*n, "system")) {
            // Its own bounding box is not one.
            if !has_class(system, "bounding-box") {
                self.system(system)?;
            }
        }
        Ok(())
    }

    fn system(&mut self, node: Node) -> Result<(), EngraveError> {
        let staff = || {
            node.descendants()
                .filter(|n| has_class(*n, "staff") && !has_class(*n, "bounding-box"))
        };
        let mut lines: Vec<[f64; 4]> = Vec::new();
        for path in staff().flat_map(|s| s.children()) {
            if let Some([x1, y1, x2, y2]) = path.attribute("d").map(numbers).as_deref() {
                lines.push([*x1, *y1, *x2, *y2]);
            }
        }
        let low = |i: usize| lines.iter().map(|l| l[i]).fold(f64::INFINITY, f64::min);
        let high = |i: usize| lines.iter().map(|l| l[i]).fold(f64::NEG_INFINITY, f64::max);
        if lines.is_empty() {
            return Err(EngraveError::Picture("a system without a staff".into()));
        }
        let (left, right, staff_top, staff_bottom) = (low(0), high(2), low(1), high(1));
        let mut system = System {
            drawing: String::new(),
            staff_top,
            left,
            right,
            skyline: Skyline::new(self.score.width, staff_top, staff_bottom),
        };
        ink(node, &mut system);
        let place = self.score.systems.len();
        self.heads(node, place);
        for child in node.children() {
            self.draw(child, &mut system.drawing);
        }
        self.score.systems.push(system);
        Ok(())
    }

    fn heads(&mut self, node: Node, system: usize) {
        for note in node.descendants() {
            let Some(indices) = note.attribute("id").and_then(|id| self.indices.get(id)) else {
                continue;
            };
            let Some(head) = note
                .descendants()
                .filter(|n| n.has_tag_name("use"))
                .find(|n| n.ancestors().any(|a| has_class(a, "notehead")))
                .and_then(|n| head_of(n, system))
            else {
                continue;
            };
            for &index in indices {
                self.heads[index] = Some(head);
            }
        }
    }

    /// Writes a node and what is in it, without bounding boxes and the engraver's own ids.
    fn draw(&mut self, node: Node, out: &mut String) {
        if node.is_text() {
            out.push_str(&escaped(node.text().unwrap_or_default()));
            return;
        }
        let hidden = ["bounding-box", "placeholder", "systemMilestoneEnd"];
        if !node.is_element() || hidden.iter().any(|class| has_class(node, class)) {
            return;
        }
        let name = node.tag_name().name();
        let indices = node
            .attribute("id")
            .and_then(|id| self.indices.get(id))
            .cloned()
            .unwrap_or_default();
        if node.has_tag_name("text") && node.descendants().any(in_music_font) {
            self.mixed_text(node, out);
            return;
        }
        // A notehead that is played several times is in one group a time.
        for index in indices.iter().skip(1).rev() {
            let _ = write!(out, "<g data-index=\"{index}\">");
        }
        let _ = write!(out, "<{name}");
        if let Some(first) = indices.first() {
            let _ = write!(out, " data-index=\"{first}\"");
        }
        for attribute in node.attributes() {
            match attribute.name() {
                "id" => {}
                "class" => {
                    let _ = write!(out, " class=\"{}\"", escaped(attribute.value()));
                }
                "href" => {
                    let glyph = glyph_name(attribute.value().trim_start_matches('#'));
                    let _ = write!(out, " xlink:href=\"#{glyph}\"");
                }
                other => {
                    let _ = write!(out, " {other}=\"{}\"", escaped(attribute.value()));
                }
            }
        }
        if matches!(name, "path" | "polygon" | "polyline" | "ellipse" | "rect")
            && node.attribute("stroke").is_none()
        {
            out.push_str(" stroke=\"currentColor\"");
        }
        let italic = ["mNum", "dir", "dynam"].iter().any(|c| has_class(node, c));
        if italic {
            out.push_str(" font-style=\"italic\"");
        }
        out.push('>');
        for child in node.children() {
            // Line feeds between elements are the engraver's, and show in text.
            if child.is_text()
                && child
                    .text()
                    .is_some_and(|t| t.trim().is_empty() && t.contains('\n'))
            {
                continue;
            }
            self.draw(child, out);
        }
        let _ = write!(out, "</{name}>");
        for _ in indices.iter().skip(1) {
            out.push_str("</g>");
        }
    }

    /// Words among which signs of the music font stand, such as a metronome mark: the signs are
    /// drawn as outlines, since no viewer has that font.
    fn mixed_text(&mut self, text: Node, out: &mut String) {
        let of = |name| text.attribute(name).and_then(|a| a.parse::<f64>().ok());
        let (mut x, y) = (of("x").unwrap_or(0.0), of("y").unwrap_or(0.0));
        /// The engraver reckons with a narrower font than ours.
        const NARROWER: f64 = 0.9;
        let mut drawing = String::new();
        let start = x;
        for run in text.descendants().filter(|n| n.is_text()) {
            let Some(span) = run.parent() else { continue };
            let size = span.attribute("font-size");
            let size = size.map_or(0.0, |s| s.trim_end_matches("px").parse().unwrap_or(0.0));
            // Runs of no size are the engraver's own line feeds.
            if size == 0.0 {
                continue;
            }
            let said = run.text().unwrap_or_default();
            if !in_music_font(span) {
                let size = NARROWER * size;
                drawing += &draw::aligned(x, y, size, "start", "currentColor", said);
                x += draw::width_of(said, size);
                continue;
            }
            if x > start && !drawing.ends_with(" </text>") {
                x += 0.12 * size;
            }
            for sign in said.chars() {
                let Some(glyph) = engraver::glyph(sign) else {
                    x += 0.3 * size;
                    continue;
                };
                let (id, scale) = (format!("{:04X}", u32::from(sign)), size / 1000.0);
                let _ = write!(
                    drawing,
                    "<use xlink:href=\"#{id}\" transform=\"translate({x:.0}, {y:.0}) scale({scale}, {scale})\"/>"
                );
                x += glyph.advance * scale;
                self.score.glyphs.insert(id, glyph.drawing);
            }
        }
        let shift = match text.attribute("text-anchor") {
            Some("middle") => (start - x) / 2.0,
            Some("end") => start - x,
            _ => 0.0,
        };
        let _ = write!(
            out,
            "<g class=\"words\" transform=\"translate({shift:.0},0)\">{drawing}</g>"
        );
    }
}

/// Takes the ink of everything but the staff lines into the skyline.
fn ink(node: Node, system: &mut System) {
    /// As wide as the system, or lines that are told another way.
    const NOT_INK: [&str; 9] = [
        "system", "measure", "staff", "layer", "slur", "tie", "section", "score", "mdiv",
    ];
    for n in node.descendants() {
        if has_class(n, "bounding-box") && !NOT_INK.iter().any(|class| has_class(n, class)) {
            for rect in n.children().filter(|c| c.has_tag_name("rect")) {
                if let Some(ink) = rect_of(rect) {
                    system.skyline.add(ink);
                }
            }
        }
        let curve = (has_class(n, "slur") || has_class(n, "tie")) && !has_class(n, "bounding-box");
        if curve {
            for path in n.children().filter(|c| c.has_tag_name("path")) {
                add_curve(&numbers(path.attribute("d").unwrap_or_default()), system);
            }
        }
    }
}

/// A curve of one or two cubic arcs: start, then three points an arc.
fn add_curve(points: &[f64], system: &mut System) {
    const STEPS: usize = 16;
    let point = |i: usize| Some((*points.get(2 * i)?, *points.get(2 * i + 1)?));
    let mut at = 0;
    while let (Some(a), Some(b), Some(c), Some(d)) =
        (point(at), point(at + 1), point(at + 2), point(at + 3))
    {
        let on = |t: f64| {
            let u = 1.0 - t;
            let mix = |a: f64, b: f64, c: f64, d: f64| {
                u * u * u * a + 3.0 * u * u * t * b + 3.0 * u * t * t * c + t * t * t * d
            };
            (mix(a.0, b.0, c.0, d.0), mix(a.1, b.1, c.1, d.1))
        };
        for step in 0..STEPS {
            let (from, to) = (
                on(step as f64 / STEPS as f64),
                on((step + 1) as f64 / STEPS as f64),
            );
            system.skyline.add(Rect {
                left: from.0.min(to.0),
                top: from.1.min(to.1),
                right: from.0.max(to.0),
                bottom: from.1.max(to.1),
            });
        }
        at += 3;
    }
}

fn rect_of(rect: Node) -> Option<Rect> {
    let of = |name| rect.attribute(name)?.parse::<f64>().ok();
    let (x, y, width, height) = (of("x")?, of("y")?, of("width")?, of("height")?);
    (width > 0.0 && height > 0.0).then_some(Rect {
        left: x,
        top: y,
        right: x + width,
        bottom: y + height,
    })
}

/// Where a `use` puts its glyph.
fn head_of(glyph: Node, system: usize) -> Option<Head> {
    // `translate(x, y) scale(sx, sy)`
    let transform = numbers(glyph.attribute("transform")?);
    let [x, y, scale, ..] = transform[..] else {
        return None;
    };
    let name = glyph.attributes().find(|a| a.name() == "href")?.value();
    let width = match glyph_name(name.trim_start_matches('#')) {
        // SMuFL 1.4: noteheadDoubleWhole, noteheadWhole; widths of the font in 1/1000 em.
        "E0A0" => 600.0,
        "E0A2" => 430.0,
        _ => 314.0,
    };
    let half_width = width * scale / 2.0;
    Some(Head {
        x: x + half_width,
        y,
        half_width,
        system,
    })
}

/// `E0A4` of `E0A4-h20p98w`: without the engraver's own suffix.
fn glyph_name(id: &str) -> &str {
    id.split('-').next().unwrap_or(id)
}

fn in_music_font(node: Node) -> bool {
    node.attribute("font-family") == Some(engraver::FONT)
}

fn in_defs(node: Node) -> bool {
    node.parent().is_some_and(|p| p.has_tag_name("defs"))
}

fn has_class(node: Node, class: &str) -> bool {
    node.attribute("class")
        .is_some_and(|classes| classes.split_ascii_whitespace().any(|c| c == class))
}

/// Every number in a path or transform.
fn numbers(text: &str) -> Vec<f64> {
    text.split(|c: char| !(c.is_ascii_digit() || matches!(c, '.' | '-' | '+')))
        .filter_map(|n| n.parse().ok())
        .collect()
}
