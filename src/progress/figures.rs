//! What of one check is compared over days: figures a printed bar and a finger change.

use std::collections::BTreeMap;

use serde::{Deserialize, Serialize};

use crate::align::Outcome;
use crate::judge::stats::LineFit;
use crate::judge::{Check, Run};
use crate::keep::identity::printed_bars;
use crate::line::Line;

/// Goes up when the figures are computed in another way; kept ones are then computed anew from
/// the kept checks.
pub const FIGURES_VERSION: u32 = 1;
/// A straight line through fewer notes of a bar says nothing about evenness (as for runs).
const EVENNESS_NOTES: usize = 4;

/// The figures of one take.
#[derive(Clone, Debug, Default, PartialEq, Serialize, Deserialize)]
pub struct TakeFigures {
    /// Mean tempo in beats of `beat_quarters` quarters.
    pub tempo_bpm: Option<f64>,
    pub beat_quarters: f64,
    /// The printed bars that hold notes, in the order of the page.
    pub bars: Vec<BarFigures>,
}

/// One printed bar, all times through it taken together, every note by its last attempt.
#[derive(Clone, Debug, Default, PartialEq, Serialize, Deserialize)]
pub struct BarFigures {
    pub right: usize,
    /// Wrong and missed notes.
    pub faults: usize,
    pub added: usize,
    pub unsure: usize,
    pub not_reached: usize,
    /// Tries, and whether the first was clean; clean ones in a row up to the last.
    pub attempts: usize,
    pub first_try: Option<bool>,
    pub clean_in_a_row: usize,
    pub evenness: Option<Evenness>,
    /// Local tempo of its notes and its error, beats a minute.
    pub tempo_bpm: Option<f64>,
    pub tempo_se: Option<f64>,
    /// Finger changes within runs, by the bar of the note arrived at.
    pub changes: Vec<ChangeFigures>,
}

impl BarFigures {
    /// Notes that were judged right or not.
    pub fn judged(&self) -> usize {
        self.right + self.faults
    }

    /// All of the bar played, no fault and nothing added; `None` where too little can be told.
    /// A note that cannot be told counts for the player, as long as most can.
    pub fn clean(&self) -> Option<bool> {
        if self.faults + self.added > 0 {
            return Some(false);
        }
        (self.not_reached == 0 && self.right > self.unsure).then_some(true)
    }
}

/// Spread of onsets about a straight line; ms².
#[derive(Clone, Copy, Debug, PartialEq, Serialize, Deserialize)]
pub struct Evenness {
    /// Variance s² about the line, and its degrees of freedom.
    pub variance_ms2: f64,
    pub freedom: f64,
    /// The measurement's own share m².
    pub measurement_ms2: f64,
}

impl Evenness {
    /// √max(0, s² − m²), as `deviation_sd_ms` of a check.
    pub fn sd_ms(&self) -> f64 {
        (self.variance_ms2 - self.measurement_ms2).max(0.0).sqrt()
    }

    /// Several pieces of playing as one, weighted by their degrees of freedom.
    pub fn pooled<'a>(pieces: impl IntoIterator<Item = &'a Evenness>) -> Option<Evenness> {
        let (mut variance, mut measurement, mut freedom) = (0.0, 0.0, 0.0);
        for piece in pieces {
            variance += piece.freedom * piece.variance_ms2;
            measurement += piece.freedom * piece.measurement_ms2;
            freedom += piece.freedom;
        }
        (freedom > 0.0).then(|| Evenness {
            variance_ms2: variance / freedom,
            freedom,
            measurement_ms2: measurement / freedom,
        })
    }
}

/// One step from note to note inside a run.
#[derive(Clone, Copy, Debug, PartialEq, Serialize, Deserialize)]
pub struct ChangeFigures {
    /// Written pitches, MIDI numbers.
    pub from: i32,
    pub to: i32,
    /// Interval less what the run's own pace gives it; longer positive.
    pub excess_ms: f64,
}

/// The figures of a check of `line`. `in_rhythm`: the runs were practised in another rhythm, so
/// their evenness does not compare.
pub fn figures(line: &Line, check: &Check, in_rhythm: bool) -> TakeFigures {
    let printed = printed_bars(line);
    let mut position = vec![None; line.bars.len()];
    for (at, (_, times)) in printed.iter().enumerate() {
        for bar_idx in times {
            position[*bar_idx] = Some(at);
        }
    }
    let at = |idx: usize| position.get(line.notes.get(idx)?.bar_idx).copied()?;
    let mut bars = vec![BarFigures::default(); printed.len()];
    for note in &check.notes {
        let Some(bar) = at(note.index).map(|at| &mut bars[at]) else {
            continue;
        };
        match note.outcome {
            Outcome::Right => bar.right += 1,
            Outcome::Wrong | Outcome::Missed => bar.faults += 1,
            Outcome::Unsure => bar.unsure += 1,
            Outcome::NotReached => bar.not_reached += 1,
        }
    }
    for added in &check.added {
        if let Some(at) = at(added.after_index.unwrap_or(0)) {
            bars[at].added += 1;
        }
    }
    tries(&printed, check, &mut bars);
    tempos(check, at, &mut bars);
    if !in_rhythm {
        timing(line, check, at, &mut bars);
    }
    TakeFigures {
        tempo_bpm: check.tempo.mean_bpm,
        beat_quarters: check.tempo.beat_quarters,
        bars,
    }
}

/// The tries of a check stand in the order of playing and by printed number.
fn tries(
    printed: &[(crate::keep::identity::PrintedBar, Vec<usize>)],
    check: &Check,
    bars: &mut [BarFigures],
) {
    let mut order: Vec<usize> = (0..printed.len()).collect();
    order.sort_by_key(|at| printed[*at].1[0]);
    let mut told = check.bars.iter().peekable();
    for at in order {
        if told.peek().is_some_and(|t| t.bar == printed[at].0.number)
            && let Some(tries) = told.next()
        {
            bars[at].attempts = tries.attempts;
            bars[at].first_try = tries.first_try;
            bars[at].clean_in_a_row = tries.clean_in_a_row;
        }
    }
}

/// Mean of the local tempo curve over a bar. The points of one bar share most of their
/// neighbours, so the mean is no surer than one of them.
fn tempos(check: &Check, at: impl Fn(usize) -> Option<usize>, bars: &mut [BarFigures]) {
    let mut sums = vec![(0.0, 0.0, 0usize); bars.len()];
    for point in &check.tempo.curve {
        if let Some(at) = at(point.index) {
            sums[at].0 += point.bpm;
            sums[at].1 += point.se;
            sums[at].2 += 1;
        }
    }
    for (bar, (bpm, se, n)) in bars.iter_mut().zip(sums) {
        if n > 0 {
            bar.tempo_bpm = Some(rounded(bpm / n as f64));
            bar.tempo_se = Some(rounded(se / n as f64));
        }
    }
}

/// Evenness and finger changes from the runs.
fn timing(
    line: &Line,
    check: &Check,
    at: impl Fn(usize) -> Option<usize>,
    bars: &mut [BarFigures],
) {
    let mut pieces: Vec<Vec<Evenness>> = vec![Vec::new(); bars.len()];
    for run in &check.runs {
        let notes: Vec<(usize, f64, f64)> = (run.first_index..=run.last_index)
            .filter_map(|idx| {
                let onset_s = check.notes.get(idx)?.onset_s?;
                Some((idx, line.notes.get(idx)?.onset_quarters, 1e3 * onset_s))
            })
            .collect();
        let mut by_bar: BTreeMap<usize, Vec<(f64, f64)>> = BTreeMap::new();
        for (idx, quarters, ms) in &notes {
            let bar_idx = line.notes[*idx].bar_idx;
            by_bar.entry(bar_idx).or_default().push((*quarters, *ms));
        }
        for (bar_idx, points) in by_bar {
            let first = line.notes.iter().position(|n| n.bar_idx == bar_idx);
            if let Some(at) = first.and_then(&at) {
                pieces[at].extend(evenness(&points, run));
            }
        }
        let (x, y): (Vec<f64>, Vec<f64>) = notes.iter().map(|n| (n.1, n.2)).unzip();
        let Some(fit) = LineFit::least_squares(&x, &y) else {
            continue;
        };
        for pair in notes.windows(2) {
            let ((a, qa, ta), (b, qb, tb)) = (pair[0], pair[1]);
            if let Some(at) = at(b)
                && b == a + 1
            {
                bars[at].changes.push(ChangeFigures {
                    from: line.notes[a].written.midi(),
                    to: line.notes[b].written.midi(),
                    excess_ms: rounded(tb - ta - fit.slope * (qb - qa)),
                });
            }
        }
    }
    for (bar, pieces) in bars.iter_mut().zip(&pieces) {
        bar.evenness = Evenness::pooled(pieces);
    }
}

fn evenness(points: &[(f64, f64)], run: &Run) -> Option<Evenness> {
    if points.len() < EVENNESS_NOTES {
        return None;
    }
    let (x, y): (Vec<f64>, Vec<f64>) = points.iter().copied().unzip();
    let fit = LineFit::least_squares(&x, &y)?;
    let freedom = (points.len() - 2) as f64;
    let sum: f64 = points.iter().map(|(x, y)| (y - fit.at(*x)).powi(2)).sum();
    Some(Evenness {
        variance_ms2: rounded(sum / freedom),
        freedom,
        measurement_ms2: rounded(run.measurement_sd_ms.powi(2)),
    })
}

/// To a thousandth: below every error, and shorter in the library.
fn rounded(value: f64) -> f64 {
    (1e3 * value).round() / 1e3
}
