//! Beams: which small notes hang together.

use super::values::{Piece, TICKS_PER_QUARTER, Ticks};

/// A beam of one level at one note, as MusicXML names it.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Beam {
    Begin,
    Continue,
    End,
    ForwardHook,
    BackwardHook,
}

impl Beam {
    pub fn name(self) -> &'static str {
        match self {
            Beam::Begin => "begin",
            Beam::Continue => "continue",
            Beam::End => "end",
            Beam::ForwardHook => "forward hook",
            Beam::BackwardHook => "backward hook",
        }
    }
}

/// For every piece its beams from the first level on; none where it has flags or a stem alone.
///
/// `origin` is the place of the bar's start in the full bar, `full` that bar's length.
pub fn beams(pieces: &[Piece], origin: Ticks, beat: Ticks, full: Option<Ticks>) -> Vec<Vec<Beam>> {
    let mut beams = vec![Vec::new(); pieces.len()];
    for group in groups(pieces, origin, window(pieces, beat, full)) {
        let flags: Vec<usize> = group.iter().map(|&i| pieces[i].value.flags()).collect();
        let levels = flags.iter().copied().max().unwrap_or(0);
        for level in 1..=levels {
            let has = |k: usize| flags.get(k).is_some_and(|&f| f >= level);
            for (k, &i) in group.iter().enumerate().filter(|(k, _)| has(*k)) {
                beams[i].push(match (k > 0 && has(k - 1), has(k + 1)) {
                    (false, true) => Beam::Begin,
                    (true, true) => Beam::Continue,
                    (true, false) => Beam::End,
                    (false, false) if k == 0 => Beam::ForwardHook,
                    (false, false) => Beam::BackwardHook,
                });
            }
        }
    }
    beams
}

/// Beams do not reach over multiples of this: the beat, or two beats of eighths (common practice).
fn window(pieces: &[Piece], beat: Ticks, full: Option<Ticks>) -> Ticks {
    let quarter = TICKS_PER_QUARTER;
    let small = pieces
        .iter()
        .any(|p| p.value.flags() > 1 || p.tuplet.is_some());
    match beat {
        // 3/8 as one; longer bars counted in eighths in quarters.
        b if b < quarter => full.filter(|&f| f <= 3 * quarter / 2).unwrap_or(quarter),
        b if b == quarter && !small && full.is_none_or(|f| f % (2 * quarter) == 0) => 2 * quarter,
        b if b >= 2 * quarter && small => quarter,
        b => b,
    }
}

/// Runs of two and more beamed notes without a rest between; grace notes by themselves.
fn groups(pieces: &[Piece], origin: Ticks, window: Ticks) -> Vec<Vec<usize>> {
    let mut groups: Vec<Vec<usize>> = Vec::new();
    for graces in [false, true] {
        let mut last: Option<(usize, Ticks)> = None;
        for (i, piece) in pieces.iter().enumerate() {
            if piece.is_grace != graces {
                // A grace note stands within a beam; a note ends a run of grace notes.
                if graces {
                    last = None;
                }
                continue;
            }
            if piece.index.is_none() || piece.value.flags() == 0 {
                last = None;
                continue;
            }
            let place = (piece.at + origin).div_euclid(window);
            match (last, groups.last_mut()) {
                (Some((_, before)), Some(group)) if before == place => group.push(i),
                _ => groups.push(vec![i]),
            }
            last = Some((i, place));
        }
    }
    groups.retain(|group| group.len() > 1);
    groups
}
