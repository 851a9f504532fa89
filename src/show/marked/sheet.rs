//! Systems on sheets: each with its marks above and below and its strip, as many as fit a page.

use std::collections::BTreeMap;
use std::fmt::Write;

use super::draw::{self, Pencil};
use super::engraver::{Breaks, engrave, engrave_apart};
use super::score::{self, Score, UNITS_PER_MM};
use super::{EngraveError, Options, Part, SvgPage};
use super::{letters, marks, strip};
use crate::judge::Check;
use crate::line::write::{Order, WriteOptions, musicxml};
use crate::line::{Line, instruments};
use crate::show::text_for_xml as escaped;

/// Left of the staves: hooks, "late" and "early". Right of them: the strip's scale.
const LEFT_MARGIN: f64 = 620.0;
const RIGHT_MARGIN: f64 = 380.0;
/// Between one system with all that belongs to it and the next.
const GAP: f64 = 420.0;
/// Narrower than this no bar fits; wider than the engraver takes is no paper.
const WIDTH_MM: std::ops::RangeInclusive<f64> = 60.0..=2000.0;

/// One system with its marks and strip.
pub struct Block {
    pub svg: String,
    /// Its height, from its top at 0.
    pub height: f64,
    /// First and last bar on it, as printed.
    pub bars: (String, String),
}

/// A whole part, ready to be put on pages.
pub struct Sheet {
    pub(super) blocks: Vec<Block>,
    /// Glyph outlines by their id, for every picture that has a block.
    pub(super) glyphs: BTreeMap<String, String>,
    /// Width of every picture, in units.
    pub(super) width: f64,
    title: String,
    /// What the pictures are of, for those who do not see them.
    pub(super) with: &'static str,
    heading: String,
    heading_height: f64,
}

/// Engraves the page, marks it, and cuts it into systems.
pub fn sheet(part: &Part, options: &Options) -> Result<Sheet, EngraveError> {
    let line = part.line;
    let width_mm = options.width_mm.clamp(*WIDTH_MM.start(), *WIDTH_MM.end());
    let width = width_mm * UNITS_PER_MM;
    let staff_width = width - LEFT_MARGIN - RIGHT_MARGIN;
    let mut score = engraved(part, staff_width)?;
    let drawings = match part.check {
        Some(check) => marks::draw(line, check, &part.fingerings, &mut score),
        None => {
            let mut drawings = vec![Vec::new(); score.systems.len()];
            letters::draw(line, &part.fingerings, &mut score, &mut drawings);
            drawings
        }
    };
    let timed = part
        .check
        .filter(|c| c.notes.iter().any(|n| n.deviation_ms.is_some()));
    let blocks = (0..score.systems.len())
        .map(|i| block(line, timed, &score, i, &drawings[i]))
        .collect();
    let (heading, heading_height) = heading(part, width);
    Ok(Sheet {
        blocks,
        glyphs: score.glyphs,
        width,
        title: title_of(line),
        with: match part.check {
            Some(_) => "marked",
            None if part.fingerings.is_empty() => "without marks",
            None => "with fingerings",
        },
        heading,
        heading_height,
    })
}

/// The player's own edition, where the engraver gives every note of the line a place in it; else
/// the line written out.
fn engraved(part: &Part, staff_width: f64) -> Result<Score, EngraveError> {
    let width = (staff_width / 10.0) as u32;
    if let Some(edition) = part.edition
        && edition.ids.len() == part.line.notes.len()
        && let Ok(pages) = engrave_apart(&edition.xml, width)
        && let Ok(score) = score::read(&pages, &edition.ids, staff_width)
    {
        return Ok(score);
    }
    let write = WriteOptions {
        order: Order::Page,
        ..WriteOptions::default()
    };
    let written = musicxml(part.line, &write);
    // One player's part needs no name at its staff.
    let xml = written
        .xml
        .replace("<part-name>", "<part-name print-object=\"no\">");
    let pages = engrave(&xml, width, Breaks::Paper)?;
    score::read(&pages, &written.ids, staff_width)
}

/// `defs` with these glyphs.
pub fn defs(glyphs: &BTreeMap<String, String>) -> String {
    let mut defs = String::from("<defs>");
    for (id, drawing) in glyphs {
        let _ = write!(defs, "<g id=\"{id}\">{drawing}</g>");
    }
    defs.push_str("</defs>");
    defs
}

fn block(
    line: &Line,
    timed: Option<&Check>,
    score: &Score,
    place: usize,
    drawings: &[String],
) -> Block {
    let system = &score.systems[place];
    let (top, bottom) = system.skyline.extent();
    // Hooks in the margin go lower than the staff.
    let n_hooks = drawings
        .iter()
        .filter(|d| d.contains("class=\"again grey hook\""))
        .count();
    let bottom = bottom.max(system.staff_top + 420.0 * n_hooks as f64);
    let mut svg = format!(
        "<g class=\"system\" transform=\"translate({LEFT_MARGIN:.0},{:.0})\" color=\"#000000\" font-family=\"{}\">{}",
        -top,
        draw::FONT,
        system.drawing
    );
    svg.extend(drawings.iter().map(String::as_str));
    let mut height = bottom - top;
    if let Some(check) = timed {
        let scale_ms = strip::scale_ms(check);
        svg += &strip::draw(check, score, place, bottom + 100.0, scale_ms);
        height += 100.0 + strip::HEIGHT;
    }
    svg.push_str("</g>");
    Block {
        svg,
        height,
        bars: bars_of(line, score, place),
    }
}

/// The printed numbers of the first and the last bar with a note on the system.
fn bars_of(line: &Line, score: &Score, place: usize) -> (String, String) {
    let mut on: Vec<(f64, &str)> = score
        .heads
        .iter()
        .zip(&line.notes)
        .filter(|(head, _)| head.system == place)
        .map(|(head, note)| (head.x, note.bar.as_str()))
        .collect();
    on.sort_by(|a, b| a.0.total_cmp(&b.0));
    let number = |entry: Option<&(f64, &str)>| entry.map_or(String::new(), |e| e.1.to_string());
    (number(on.first()), number(on.last()))
}

impl Sheet {
    /// The pages, the first with the title.
    pub fn pages(&self, options: &Options) -> Vec<SvgPage> {
        let page_height = options.height_mm.max(60.0) * UNITS_PER_MM;
        let mut pages: Vec<(String, f64)> = Vec::new();
        let mut page = self.heading.clone();
        let mut y = self.heading_height;
        let mut is_empty = true;
        for block in &self.blocks {
            if !is_empty && y + block.height > page_height {
                pages.push((std::mem::take(&mut page), page_height));
                y = 0.0;
            }
            let _ = write!(
                page,
                "<g transform=\"translate(0,{y:.0})\">{}</g>",
                block.svg
            );
            y += block.height + GAP;
            is_empty = false;
        }
        pages.push((page, page_height.max(y - GAP)));
        let n = pages.len();
        pages
            .into_iter()
            .enumerate()
            .map(|(i, (mut content, height))| {
                if n > 1 {
                    let number = format!("{} of {n}", i + 1);
                    content +=
                        &draw::aligned(self.width, height - 20.0, 240.0, "end", "#4a4a4a", &number);
                }
                self.document(&content, height)
            })
            .collect()
    }

    /// Everything on one sheet as high as it must be.
    pub fn whole(&self) -> SvgPage {
        let (mut content, mut y) = (self.heading.clone(), self.heading_height);
        for block in &self.blocks {
            let _ = write!(
                content,
                "<g transform=\"translate(0,{y:.0})\">{}</g>",
                block.svg
            );
            y += block.height + GAP;
        }
        self.document(&content, y)
    }

    fn document(&self, content: &str, height: f64) -> SvgPage {
        let (width_mm, height_mm) = (self.width / UNITS_PER_MM, height / UNITS_PER_MM);
        let name = format!("{}, {}", self.title, self.with);
        SvgPage {
            svg: format!(
                "<svg xmlns=\"http://www.w3.org/2000/svg\" xmlns:xlink=\"http://www.w3.org/1999/xlink\" width=\"{width_mm:.2}mm\" height=\"{height_mm:.2}mm\" viewBox=\"0 0 {:.0} {height:.0}\" role=\"group\" aria-label=\"{name}\"><title>{name}</title>{}{content}</svg>\n",
                self.width,
                defs(&self.glyphs),
                name = escaped(&name),
            ),
            width_mm,
            height_mm,
        }
    }
}

pub fn title_of(line: &Line) -> String {
    if line.title.is_empty() {
        "Untitled line".into()
    } else {
        line.title.clone()
    }
}

/// Title, instrument, the counts of the take, and paragraphs; returns its height too.
fn heading(part: &Part, width: f64) -> (String, f64) {
    const TITLE: f64 = 520.0;
    const SIZE: f64 = 280.0;
    const LINE: f64 = 380.0;
    let black = "#000000";
    let mut y = TITLE;
    let title = title_of(part.line);
    let mut out = draw::aligned(width / 2.0, y, TITLE, "middle", black, &title);
    y += 460.0;
    let label = instruments::find(&part.line.instrument).map_or("", |i| i.label);
    out += &draw::aligned(LEFT_MARGIN, y, SIZE, "start", black, label);
    if let Some(check) = part.check {
        let right = width - RIGHT_MARGIN;
        let grey = Pencil::Grey.colour();
        out += &draw::aligned(right, y, SIZE, "end", grey, &counts(check));
    }
    let room = width - LEFT_MARGIN - RIGHT_MARGIN;
    for line in part.under_title.iter().flat_map(|p| wrapped(p, room, SIZE)) {
        y += LINE;
        out += &draw::aligned(LEFT_MARGIN, y, SIZE, "start", black, &line);
    }
    (out, y + 370.0)
}

/// A paragraph in lines no wider than `room`, as far as its words allow.
fn wrapped(paragraph: &str, room: f64, size: f64) -> Vec<String> {
    let mut lines: Vec<String> = Vec::new();
    for word in paragraph.split_whitespace() {
        match lines.last_mut() {
            Some(line) if draw::width_of(&format!("{line} {word}"), size) <= room => {
                line.push(' ');
                line.push_str(word);
            }
            _ => lines.push(word.into()),
        }
    }
    lines
}

/// `44 notes: 40 right, 2 wrong, 1 missed, 1 could not be told; 1 added`.
pub fn counts(check: &Check) -> String {
    let s = &check.summary;
    let mut parts = vec![format!("{} right", s.right)];
    for (n, what) in [
        (s.wrong, "wrong"),
        (s.missed, "missed"),
        (s.unsure, "could not be told"),
        (s.not_reached, "not reached"),
    ] {
        if n > 0 {
            parts.push(format!("{n} {what}"));
        }
    }
    let added = if s.added > 0 {
        format!("; {} added", s.added)
    } else {
        String::new()
    };
    format!("{} notes: {}{added}", s.expected, parts.join(", "))
}
