//! The strip under a system: how early or late each note came, at the note's own place.

use std::fmt::Write;

use super::draw::{self, Pencil};
use super::score::Score;
use crate::align::Outcome;
use crate::judge::{Check, DeviationFrom, NoteCheck, threshold_ms};

/// From the middle line to the edge: 3 mm.
const HALF: f64 = 300.0;
/// Room the strip takes: its edges and the words beside them.
pub const HEIGHT: f64 = 2.0 * HALF + 120.0;
/// Deviations that the strip can show to its edge, in ms; the first that holds most is taken.
const SCALES_MS: [f64; 6] = [20.0, 30.0, 40.0, 60.0, 80.0, 100.0];
/// Share of the notes that the scale must hold; the others are cut at the edge.
const HELD: f64 = 0.98;
/// Errors by which a deviation must clear what is noticed.
const CLEAR_BY_ERRORS: f64 = 2.0;
/// Words at the edges: 2 mm.
const WORDS: f64 = 210.0;

/// How far the strip reaches, the same for the whole take.
pub fn scale_ms(check: &Check) -> f64 {
    let deviations: Vec<f64> = check.notes.iter().filter_map(|n| n.deviation_ms).collect();
    let held = |scale: f64| deviations.iter().filter(|d| d.abs() <= scale).count() as f64;
    SCALES_MS
        .into_iter()
        .find(|&scale| held(scale) >= HELD * deviations.len() as f64)
        .unwrap_or(SCALES_MS[SCALES_MS.len() - 1])
}

/// The strip of one system, its top at `top`.
pub fn draw(check: &Check, score: &Score, system: usize, top: f64, scale_ms: f64) -> String {
    let shape = &score.systems[system];
    let middle = top + HALF + 60.0;
    let mut notes: Vec<(f64, &NoteCheck)> = check
        .notes
        .iter()
        .filter(|n| score.heads.get(n.index).is_some_and(|h| h.system == system))
        .map(|n| (score.heads[n.index].x, n))
        .collect();
    notes.sort_by(|a, b| a.0.total_cmp(&b.0));
    let y = |ms: f64| middle - HALF * (ms / scale_ms).clamp(-1.0, 1.0);
    let from = if check
        .notes
        .iter()
        .any(|n| n.deviation_from == DeviationFrom::Click)
    {
        "against the click"
    } else {
        "against the notes around"
    };
    let mut out = format!(
        "<g class=\"strip\" role=\"img\" aria-label=\"Early and late, {from}, to plus and minus {scale_ms:.0} milliseconds\"><title>Early and late {from}; shaded: too small to notice</title>"
    );
    // What nobody notices, as wide as each note's own stretch.
    for (i, &(x, note)) in notes.iter().enumerate() {
        let left = if i == 0 {
            x - 150.0
        } else {
            (notes[i - 1].0 + x) / 2.0
        };
        let right = notes
            .get(i + 1)
            .map_or(x + 150.0, |next| (next.0 + x) / 2.0);
        if let Some(threshold) = noticed_ms(check, note) {
            let _ = write!(
                out,
                "<rect x=\"{left:.0}\" y=\"{:.0}\" width=\"{:.0}\" height=\"{:.0}\" fill=\"#000000\" fill-opacity=\"0.1\"/>",
                y(threshold),
                (right - left).max(0.0),
                y(-threshold) - y(threshold)
            );
        }
    }
    let rule = |y: f64, width: f64, dash: &str| {
        format!(
            "<path d=\"M{:.0},{y:.0} L{:.0},{y:.0}\" stroke=\"#7a7a7a\" stroke-width=\"{width}\"{dash}/>",
            shape.left, shape.right
        )
    };
    out += &rule(middle, 12.0, "");
    for edge in [middle - HALF, middle + HALF] {
        out += &rule(edge, 6.0, " stroke-dasharray=\"20 60\"");
    }
    for &(x, note) in &notes {
        let Some(ms) = note.deviation_ms else {
            continue;
        };
        // A later time through stands a little to the right.
        let x = x + 34.0 * f64::from(note.pass.saturating_sub(1));
        let noticed = noticed_ms(check, note).is_some_and(|threshold| {
            ms.abs() - CLEAR_BY_ERRORS * note.deviation_se_ms.unwrap_or(0.0) > threshold
        });
        let (width, colour) = if noticed {
            (52.0, Pencil::Blue.colour())
        } else {
            (20.0, "#5a5a5a")
        };
        let _ = write!(
            out,
            "<path class=\"tick\" data-ms=\"{ms:.1}\" d=\"M{x:.0},{middle:.0} L{x:.0},{:.0}\" stroke=\"{colour}\" stroke-width=\"{width}\"/>",
            y(ms)
        );
        if ms.abs() > scale_ms {
            // Beyond the edge: a bar across the end says so.
            let _ = write!(
                out,
                "<path d=\"M{:.0},{2:.0} L{:.0},{2:.0}\" stroke=\"{colour}\" stroke-width=\"24\"/>",
                x - 60.0,
                x + 60.0,
                y(ms)
            );
        }
    }
    let label =
        |y: f64, text: &str| draw::aligned(shape.left - 60.0, y, WORDS, "end", "#4a4a4a", text);
    out += &label(middle - HALF + 0.7 * WORDS, "late");
    out += &label(middle + HALF, "early");
    out += &draw::aligned(
        shape.right + 40.0,
        middle - HALF + 0.7 * WORDS,
        WORDS,
        "start",
        "#4a4a4a",
        &format!("{scale_ms:.0}"),
    );
    out += &draw::aligned(
        shape.right + 40.0,
        middle + 0.4 * WORDS,
        WORDS,
        "start",
        "#4a4a4a",
        "ms",
    );
    out.push_str("</g>");
    out
}

/// The smallest displacement that listeners notice at this note, from the intervals to its
/// neighbours in the take.
fn noticed_ms(check: &Check, note: &NoteCheck) -> Option<f64> {
    if note.outcome == Outcome::NotReached {
        return None;
    }
    let onset = note.onset_s?;
    let run = check
        .runs
        .iter()
        .find(|r| (r.first_index..=r.last_index).contains(&note.index));
    if let Some(run) = run {
        return Some(run.threshold_ms);
    }
    let neighbour = |index: Option<usize>| {
        let other = check.notes.get(index?)?.onset_s?;
        Some(1e3 * (other - onset).abs()).filter(|ms| *ms > 1.0)
    };
    let before = neighbour(note.index.checked_sub(1));
    let after = neighbour(Some(note.index + 1));
    let ioi_ms = match (before, after) {
        (Some(a), Some(b)) => a.min(b),
        (a, b) => a.or(b)?,
    };
    Some(threshold_ms(ioi_ms))
}
