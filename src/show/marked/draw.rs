//! The pencil: strokes a little uneven, as by hand, and words beside them.

use std::fmt::Write;

use crate::show::text_for_xml as escaped;

/// The grey pencil is for notes, the blue one for time; both are dark enough for a copier.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Pencil {
    Grey,
    Blue,
}

impl Pencil {
    pub fn colour(self) -> &'static str {
        match self {
            Pencil::Grey => "#3f3f3f",
            Pencil::Blue => "#1d4f91",
        }
    }

    pub fn class(self) -> &'static str {
        match self {
            Pencil::Grey => "grey",
            Pencil::Blue => "blue",
        }
    }
}

/// Width of a stroke: 0.28 mm, a soft pencil.
const STROKE: f64 = 28.0;
/// Height of words beside marks: 3 mm, 8.5 points.
pub const WORDS: f64 = 300.0;
/// Fonts of the marks; the PDF has the first of them within it.
pub const FONT: &str = "Liberation Sans, Arial, Helvetica, sans-serif";

/// Liberation Sans 2: metrics of the fonts most viewers and printers have. `fonts/README.md`.
#[cfg(feature = "engrave")]
pub const FONT_FILE: &[u8] = include_bytes!("fonts/LiberationSans-Regular.ttf");

/// How wide words are in the font of the marks.
#[cfg(feature = "engrave")]
pub fn width_of(words: &str, size: f64) -> f64 {
    use std::sync::LazyLock;
    static FACE: LazyLock<ttf_parser::Face> =
        LazyLock::new(|| ttf_parser::Face::parse(FONT_FILE, 0).expect("the font is ours"));
    let advance = |c: char| FACE.glyph_hor_advance(FACE.glyph_index(c)?);
    // What the font lacks is as wide as a capital, about.
    let em = f64::from(FACE.units_per_em());
    let width = |c: char| advance(c).map_or(0.7, |a| f64::from(a) / em);
    words.chars().map(width).sum::<f64>() * size
}

/// Nothing is drawn without the engraver.
#[cfg(not(feature = "engrave"))]
pub fn width_of(words: &str, size: f64) -> f64 {
    0.56 * size * words.chars().count() as f64
}

/// Words on the base line `y`, centred on `x`.
pub fn words(x: f64, y: f64, size: f64, pencil: Pencil, text: &str) -> String {
    aligned(x, y, size, "middle", pencil.colour(), text)
}

/// Words that begin (`start`), end (`end`) or have their middle (`middle`) at `x`.
pub fn aligned(x: f64, y: f64, size: f64, anchor: &str, colour: &str, text: &str) -> String {
    format!(
        "<text x=\"{x:.0}\" y=\"{y:.0}\" font-family=\"{FONT}\" font-size=\"{size:.0}\" text-anchor=\"{anchor}\" fill=\"{colour}\">{}</text>",
        escaped(text)
    )
}

fn stroke(d: &str, pencil: Pencil, more: &str) -> String {
    format!(
        "<path d=\"{}\" fill=\"none\" stroke=\"{}\" stroke-width=\"{STROKE}\" stroke-linecap=\"round\" stroke-linejoin=\"round\"{more}/>",
        d.trim(),
        pencil.colour()
    )
}

/// A ring round a notehead; `seed` makes each a little different. `dotted` for one that is not there.
pub fn ring(
    x: f64,
    y: f64,
    (rx, ry): (f64, f64),
    seed: usize,
    dotted: bool,
    pencil: Pencil,
) -> String {
    /// Past the full turn, as a quick hand goes.
    const TURN: f64 = 1.08 * std::f64::consts::TAU;
    const STEPS: usize = 28;
    let phase = seed as f64 * 2.4;
    let mut d = String::new();
    for step in 0..=STEPS {
        let part = step as f64 / STEPS as f64;
        let angle = -1.2 + TURN * part;
        let wobble = 1.0 + 0.045 * (2.0 * angle + phase).sin() + 0.07 * (part - 0.5);
        let command = if step == 0 { 'M' } else { 'L' };
        let _ = write!(
            d,
            "{command}{:.0},{:.0} ",
            x + rx * wobble * angle.cos(),
            y + ry * wobble * angle.sin()
        );
    }
    let more = if dotted {
        " stroke-dasharray=\"6 66\""
    } else {
        ""
    };
    let pencilled = stroke(&d, pencil, more);
    if dotted {
        // Dots need a thicker point to be seen.
        pencilled.replace(&format!("stroke-width=\"{STROKE}\""), "stroke-width=\"44\"")
    } else {
        pencilled
    }
}

/// A caret with its point at the top.
pub fn caret(x: f64, top: f64, height: f64, pencil: Pencil) -> String {
    let half = 0.55 * height;
    let bottom = top + height;
    stroke(
        &format!(
            "M{:.0},{bottom:.0} L{x:.0},{top:.0} L{:.0},{:.0}",
            x - half,
            x + half,
            bottom - 10.0
        ),
        pencil,
        "",
    )
}

/// A straight arrow; the head is at the second point.
pub fn arrow(from: (f64, f64), to: (f64, f64), head: f64, pencil: Pencil) -> String {
    let (dx, dy) = (to.0 - from.0, to.1 - from.1);
    let length = dx.hypot(dy).max(1.0);
    let (ux, uy) = (dx / length, dy / length);
    let barb = |side: f64| {
        (
            to.0 - head * ux + side * 0.55 * head * uy,
            to.1 - head * uy - side * 0.55 * head * ux,
        )
    };
    let (a, b) = (barb(1.0), barb(-1.0));
    stroke(
        &format!(
            "M{:.0},{:.0} L{:.0},{:.0} M{:.0},{:.0} L{:.0},{:.0} L{:.0},{:.0}",
            from.0, from.1, to.0, to.1, a.0, a.1, to.0, to.1, b.0, b.1
        ),
        pencil,
        "",
    )
}

/// A line through these points.
pub fn line(points: &[(f64, f64)], dashed: bool, pencil: Pencil) -> String {
    let mut d = String::new();
    for (i, (x, y)) in points.iter().enumerate() {
        let command = if i == 0 { 'M' } else { 'L' };
        let _ = write!(d, "{command}{x:.0},{y:.0} ");
    }
    let more = if dashed {
        " stroke-dasharray=\"90 80\""
    } else {
        ""
    };
    stroke(&d, pencil, more)
}

/// A wavy line from `left` to `right` about the height `y`.
pub fn wave(left: f64, right: f64, y: f64, height: f64, pencil: Pencil) -> String {
    const LENGTH: f64 = 150.0;
    let n = (((right - left) / LENGTH).round() as usize).max(2);
    let step = (right - left) / n as f64;
    let mut d = format!("M{left:.0},{y:.0} ");
    for i in 0..n {
        let side = if i % 2 == 0 { -1.0 } else { 1.0 };
        let x = left + step * i as f64;
        let _ = write!(
            d,
            "Q{:.0},{:.0} {:.0},{y:.0} ",
            x + step / 2.0,
            y + side * height,
            x + step
        );
    }
    stroke(&d, pencil, "")
}

/// A slur-like arc from `left` to `right` that rises by `height` above `y`.
pub fn arc(left: f64, right: f64, y: f64, height: f64, pencil: Pencil) -> String {
    stroke(
        &format!(
            "M{left:.0},{y:.0} Q{:.0},{:.0} {right:.0},{y:.0}",
            (left + right) / 2.0,
            y - 2.0 * height
        ),
        pencil,
        "",
    )
}
