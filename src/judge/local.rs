//! How far an onset lies from where its neighbours put it.

use super::onsets::{Before, Played, beat_quarters_at};
use super::stats::LineFit;
use crate::line::Line;

/// Neighbours this many beats away still carry the local line (the contract).
pub const WINDOW_BEATS: f64 = 4.0;
/// A rest of this many beats ends a phrase: players take breath, and time, there (common practice).
pub const PHRASE_REST_BEATS: f64 = 1.0;
/// Onsets scattered less than this about a line all count in full; it is about what trained
/// players scatter (median SD of intervals of professional pianists 6 to 12 ms, Jabusch et
/// al. 2004, cited from memory, over √2 and rounded down).
pub const SCATTER_FLOOR_S: f64 = 0.004;
/// A line needs two points; the third makes it more than a guess.
const MIN_NEIGHBOURS: usize = 3;

/// A distance in time and its error, milliseconds.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Deviation {
    pub ms: f64,
    pub se_ms: f64,
}

/// True where time may have stood still between two neighbours of one stretch.
pub fn phrase_begins(line: &Line, befores: &[Before], from_idx: usize, to_idx: usize) -> bool {
    (from_idx + 1..=to_idx).any(|i| {
        befores[i].halt
            || befores[i].rest_quarters >= PHRASE_REST_BEATS * beat_quarters_at(line, i) - 1e-6
    })
}

/// Deviation of `stretch[at]` from a line through its steady neighbours within four beats
/// either side, itself left out. Never looks across a breath mark, a fermata or a pause, and across a
/// longer rest only where there would be too few neighbours. `None` with fewer than three.
pub fn deviation(
    line: &Line,
    befores: &[Before],
    stretch: &[Played],
    at: usize,
) -> Option<Deviation> {
    let mut neighbours = Vec::new();
    for stop_at_rests in [true, false] {
        neighbours = neighbours_of(line, befores, stretch, at, stop_at_rests);
        if neighbours.len() > MIN_NEIGHBOURS {
            break;
        }
    }
    if neighbours.len() < MIN_NEIGHBOURS {
        return None;
    }
    let me = &stretch[at];
    let x: Vec<f64> = neighbours
        .iter()
        .map(|n| n.quarters - me.quarters)
        .collect();
    let y: Vec<f64> = neighbours.iter().map(|n| n.onset_s - me.onset_s).collect();
    let se: Vec<f64> = neighbours.iter().map(|n| n.onset_se_s).collect();
    let fit = LineFit::robust(&x, &y, &se, SCATTER_FLOOR_S)?;
    Some(Deviation {
        ms: -1e3 * fit.at(0.0),
        se_ms: 1e3 * me.onset_se_s.hypot(fit.at_se(0.0, &x, &se)),
    })
}

fn neighbours_of<'a>(
    line: &Line,
    befores: &[Before],
    stretch: &'a [Played],
    at: usize,
    stop_at_rests: bool,
) -> Vec<&'a Played> {
    let reach = WINDOW_BEATS * beat_quarters_at(line, stretch[at].idx) + 1e-6;
    let cut = |from: &Played, to: &Played| {
        if stop_at_rests {
            phrase_begins(line, befores, from.idx, to.idx)
        } else {
            (from.idx + 1..=to.idx).any(|i| befores[i].halt)
        }
    };
    let mut found = Vec::new();
    for i in (0..at).rev() {
        if stretch[at].quarters - stretch[i].quarters > reach || cut(&stretch[i], &stretch[i + 1]) {
            break;
        }
        found.push(&stretch[i]);
    }
    found.reverse();
    for i in at + 1..stretch.len() {
        if stretch[i].quarters - stretch[at].quarters > reach || cut(&stretch[i - 1], &stretch[i]) {
            break;
        }
        found.push(&stretch[i]);
    }
    found.retain(|n| n.steady);
    found
}
