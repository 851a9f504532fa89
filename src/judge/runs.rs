//! Evenness: runs of equal notes, how straight they are, and which finger change is slow.

use std::collections::HashMap;

use super::check::{Pattern, PatternKind, RepeatedRun, Run, SlowestChange, Verdict};
use super::local::{Deviation, SCATTER_FLOOR_S};
use super::onsets::{Before, Played, beat_quarters_at, equal_length, stretches};
use super::stats::{LineFit, Z_ONE_SIDED_95, mean, robust_mean, sureness};
use crate::line::Line;

/// One displaced tone is heard from about 6 ms for intervals below 240 ms and from 2.5 % of
/// the interval above (Friberg & Sundberg, JASA 98 (1995) 2524).
const DISPLACED_TONE_MS: f64 = 6.0;
const DISPLACED_TONE_SHARE: f64 = 0.025;
/// Errors by which a deviation must clear the threshold (the contract).
const CLEAR_BY_ERRORS: f64 = 2.0;
/// A run is at least so many notes, and at most so many bars long (the contract).
const RUN_NOTES: usize = 4;
const RUN_BARS: usize = 2;
/// Slurred and tongued onsets are found on different traces of the sound, so one may lie up to
/// 1 ms before the other; spread evenly over ±1 ms that is a standard deviation of 0.58 ms.
const TONGUE_BIAS_SD_MS: f64 = 0.58;
/// A change must occur this often before "most of its occurrences" means anything.
const OCCURRENCES: usize = 3;
/// A pattern needs this many rounds to be one.
const PATTERN_ROUNDS: usize = 3;
/// Share of the spread that a pattern must explain to be named as its reason.
const PATTERN_SHARE: f64 = 0.5;
/// Interval scatter below which intervals count in full when a run's pace is taken.
const PACE_SCATTER_MS: f64 = 2.0;

/// Smallest displacement of one tone that listeners notice, in ms, at an interval of `ioi_ms`.
pub fn threshold_ms(ioi_ms: f64) -> f64 {
    DISPLACED_TONE_MS.max(DISPLACED_TONE_SHARE * ioi_ms)
}

/// Late (+1), early (−1) or within what can be told and heard (0).
pub fn late_or_early(deviation: &Deviation, threshold_ms: f64) -> i32 {
    if deviation.ms.abs() - CLEAR_BY_ERRORS * deviation.se_ms > threshold_ms {
        deviation.ms.signum() as i32
    } else {
        0
    }
}

/// Where runs lie in one stretch: ranges of positions in `stretch`.
pub fn cut_runs(
    line: &Line,
    befores: &[Before],
    stretch: &[Played],
) -> Vec<std::ops::Range<usize>> {
    let mut runs = Vec::new();
    let mut first = 0;
    for at in 0..=stretch.len() {
        let goes_on = at < stretch.len() && at > first && {
            let (a, b) = (&stretch[at - 1], &stretch[at]);
            let (na, nb) = (&line.notes[a.idx], &line.notes[b.idx]);
            b.idx == a.idx + 1
                && a.steady
                && b.steady
                && !nb.fermata
                && !befores[b.idx].halt
                && befores[b.idx].rest_quarters == 0.0
                && equal_length(na.duration_quarters, nb.duration_quarters)
                && nb.bar_idx < line.notes[stretch[first].idx].bar_idx + RUN_BARS
        };
        if !goes_on && at > first {
            if at - first >= RUN_NOTES {
                runs.push(first..at);
            }
            first = at;
        }
    }
    runs
}

/// The runs of the judged attempts, with verdicts. `deviations` by index of the line.
pub fn runs(
    line: &Line,
    befores: &[Before],
    played: &[Played],
    deviations: &[Option<Deviation>],
) -> Vec<Run> {
    let mut measured: Vec<Run> = Vec::new();
    for stretch in stretches(played) {
        // Only notes judged by this attempt; a gap in their indices cuts the run by itself.
        let judged: Vec<Played> = stretch.iter().filter(|p| p.judged).copied().collect();
        for range in cut_runs(line, befores, &judged) {
            measured.extend(measure(line, &judged[range], deviations));
        }
    }
    measured.sort_by_key(|run| run.first_index);
    let often_late = often_late_changes(line, &measured);
    for run in &mut measured {
        run.verdict = verdict(line, run, &often_late);
    }
    measured
}

/// Everything about one run but its verdict; `None` where its onsets do not advance.
fn measure(line: &Line, notes: &[Played], deviations: &[Option<Deviation>]) -> Option<Run> {
    let n = notes.len();
    let (first, last) = (notes.first()?, notes.last()?);
    let x: Vec<f64> = notes.iter().map(|p| p.quarters - first.quarters).collect();
    let y: Vec<f64> = notes
        .iter()
        .map(|p| 1e3 * (p.onset_s - first.onset_s))
        .collect();
    let spread = Spread::of(notes, &x, &y)?;
    let iois: Vec<f64> = y.windows(2).map(|w| w[1] - w[0]).collect();
    let ioi_mean_ms = y[n - 1] / (n - 1) as f64;
    if ioi_mean_ms <= 0.0 {
        return None;
    }
    let threshold = threshold_ms(ioi_mean_ms);
    let late: Vec<usize> = notes
        .iter()
        .map(|p| p.idx)
        .filter(|idx| deviations[*idx].is_some_and(|d| late_or_early(&d, threshold) != 0))
        .collect();
    Some(Run {
        first_index: first.idx,
        last_index: last.idx,
        bar_first: line.notes[first.idx].bar.clone(),
        bar_last: line.notes[last.idx].bar.clone(),
        note_quarters: line.notes[first.idx].duration_quarters,
        ioi_mean_ms,
        deviation_sd_ms: spread.player2.sqrt(),
        deviation_sd_se_ms: spread.player_sd_se(),
        measurement_sd_ms: spread.measurement2.sqrt(),
        threshold_ms: threshold,
        verdict: Verdict::CannotTell,
        slowest: slowest_change(notes, &x, &iois)?,
        pattern: pattern(line, notes, &spread.residuals, ioi_mean_ms, threshold),
        late_or_early: late,
    })
}

/// Spread of a run's onsets about a straight line, taken apart; ms².
///
/// Where all onsets are equally sure this is s² with n − 2 degrees of freedom less m². Where
/// some are not, an onset with a large error of its own counts for less in the line, in s² and
/// in m² alike: weights w, and Σ w (1 − h) for the degrees of freedom, h being the share of an
/// onset in its own fitted value, leave both unbiased.
struct Spread {
    residuals: Vec<f64>,
    /// What is left to the player.
    player2: f64,
    /// What the errors of the onsets alone put about the line.
    measurement2: f64,
    /// Effective degrees of freedom.
    freedom: f64,
}

impl Spread {
    fn of(notes: &[Played], x: &[f64], y: &[f64]) -> Option<Spread> {
        let weights: Vec<f64> = notes
            .iter()
            .map(|p| sureness(p.onset_se_s, SCATTER_FLOOR_S).powi(2))
            .collect();
        let fit = LineFit::weighted(x, y, weights.clone())?;
        let residuals: Vec<f64> = x.iter().zip(y).map(|(x, y)| y - fit.at(*x)).collect();
        let free: Vec<f64> = (0..notes.len())
            .map(|i| weights[i] * (1.0 - fit.leverage(i, x[i])))
            .collect();
        let all_free: f64 = free.iter().sum();
        let all: f64 = weights.iter().sum();
        let (mut s2, mut own, mut tongued) = (0.0, 0.0, 0.0);
        for (i, p) in notes.iter().enumerate() {
            s2 += weights[i] * residuals[i] * residuals[i] / all_free;
            own += free[i] * (1e3 * p.onset_se_s).powi(2) / all_free;
            tongued += if p.tongued { weights[i] / all } else { 0.0 };
        }
        // A mixture of slurred and tongued onsets adds what their traces may differ by.
        let mixed = TONGUE_BIAS_SD_MS.powi(2) * tongued * (1.0 - tongued) * all / all_free;
        let measurement2 = own + mixed;
        Some(Spread {
            residuals,
            player2: (s2 - measurement2).max(0.0),
            measurement2,
            freedom: all_free * all_free / free.iter().map(|f| f * f).sum::<f64>()
                * (notes.len() - 2) as f64
                / notes.len() as f64,
        })
    }

    /// Error of the player's standard deviation from the measurement alone.
    ///
    /// With the true spread d held fixed, s² varies by √((4 d² m² + 2 m⁴)/(n − 2)); near d = 0
    /// the root of that variation bounds what may be read off.
    fn player_sd_se(&self) -> f64 {
        let (d2, m2) = (self.player2, self.measurement2);
        let s2_se = ((4.0 * d2 * m2 + 2.0 * m2 * m2) / self.freedom).sqrt();
        (s2_se / (2.0 * d2.sqrt()).max(1e-9)).min(s2_se.sqrt())
    }
}

/// The interval longest against the run's own pace.
fn slowest_change(notes: &[Played], x: &[f64], iois: &[f64]) -> Option<SlowestChange> {
    let steps: Vec<f64> = x.windows(2).map(|w| w[1] - w[0]).collect();
    let usual_step = mean(&steps);
    let paces: Vec<f64> = iois
        .iter()
        .zip(&steps)
        .map(|(ioi, step)| ioi * usual_step / step)
        .collect();
    let pace = robust_mean(&paces, PACE_SCATTER_MS)?;
    let excess = |i: usize| iois[i] - pace * steps[i] / usual_step;
    let at = (0..iois.len()).max_by(|a, b| excess(*a).total_cmp(&excess(*b)))?;
    let (a, b) = (&notes[at], &notes[at + 1]);
    let mut variance = (1e3 * a.onset_se_s).powi(2) + (1e3 * b.onset_se_s).powi(2);
    if a.tongued != b.tongued {
        variance += TONGUE_BIAS_SD_MS.powi(2);
    }
    // The pace rests on all onsets of the run, mostly its ends.
    let pace_se = 1e3 * a.onset_se_s.hypot(b.onset_se_s) / iois.len() as f64;
    Some(SlowestChange {
        from_index: a.idx,
        to_index: b.idx,
        excess_ms: excess(at),
        se_ms: (variance + pace_se * pace_se).sqrt(),
    })
}

/// Two pitches of the line, written.
type Change = (i32, i32);

fn change_to(line: &Line, idx: usize) -> Option<Change> {
    let before = idx.checked_sub(1)?;
    Some((
        line.notes[before].written.midi(),
        line.notes[idx].written.midi(),
    ))
}

/// Changes that came late in most of at least three occurrences within runs.
fn often_late_changes(line: &Line, runs: &[Run]) -> Vec<Change> {
    let mut counts: HashMap<Change, (usize, usize)> = HashMap::new();
    for run in runs {
        for idx in run.first_index + 1..=run.last_index {
            if let Some(change) = change_to(line, idx) {
                let count = counts.entry(change).or_default();
                count.0 += 1;
                count.1 += usize::from(run.late_or_early.contains(&idx));
            }
        }
    }
    counts
        .into_iter()
        .filter(|(_, (all, late))| *all >= OCCURRENCES && 2 * late > *all)
        .map(|(change, _)| change)
        .collect()
}

/// The rule of the contract.
fn verdict(line: &Line, run: &Run, often_late: &[Change]) -> Verdict {
    let half = run.threshold_ms / 2.0;
    let bound = Z_ONE_SIDED_95 * run.deviation_sd_se_ms;
    let habit = (run.first_index + 1..=run.last_index)
        .filter_map(|idx| change_to(line, idx))
        .any(|change| often_late.contains(&change));
    if !run.late_or_early.is_empty() || (run.deviation_sd_ms - bound > half && habit) {
        Verdict::Uneven
    } else if run.deviation_sd_ms + bound < half {
        Verdict::Even
    } else {
        Verdict::CannotTell
    }
}

/// Limping in pairs, or the same place of every group late.
fn pattern(
    line: &Line,
    notes: &[Played],
    residuals: &[f64],
    ioi_ms: f64,
    threshold: f64,
) -> Option<Pattern> {
    let place = |p: &Played| -> Option<usize> {
        let note = &line.notes[p.idx];
        let bar = line.bars.get(note.bar_idx)?;
        let in_bar = (note.onset_quarters - bar.onset_quarters
            + (bar.first_beat - 1.0) * bar.beat_quarters)
            / note.duration_quarters;
        ((in_bar - in_bar.round()).abs() < 0.01 && in_bar > -0.5).then_some(in_bar.round() as usize)
    };
    let places: Vec<usize> = notes.iter().map(place).collect::<Option<_>>()?;
    let beat = beat_quarters_at(line, notes[0].idx);
    let group = beat / line.notes[notes[0].idx].duration_quarters;
    let group = if (group - group.round()).abs() < 0.01 && (2.0..8.5).contains(&group) {
        group.round() as usize
    } else {
        2
    };
    if group % 2 == 0
        && let Some((late_ms, se)) = class_offset(&places, residuals, 2, 1)
        && late_ms.abs() - CLEAR_BY_ERRORS * se > threshold
    {
        // The second of each pair `late_ms` late: first interval longer, second shorter by it.
        let (long, short) = (ioi_ms + late_ms.abs(), (ioi_ms - late_ms.abs()).max(1.0));
        let kind = if late_ms > 0.0 {
            PatternKind::LongShort
        } else {
            PatternKind::ShortLong
        };
        let ratio = if late_ms > 0.0 {
            long / short
        } else {
            short / long
        };
        return Some(Pattern {
            kind,
            ratio,
            ratio_se: ratio * 2.0 * ioi_ms * se / (long * short),
        });
    }
    if group < 3 {
        return None;
    }
    let (late_ms, se) = (0..group)
        .filter_map(|p| class_offset(&places, residuals, group, p))
        .max_by(|a, b| a.0.total_cmp(&b.0))?;
    (late_ms - CLEAR_BY_ERRORS * se > threshold).then(|| Pattern {
        kind: PatternKind::LateNote,
        ratio: 1.0 + late_ms / ioi_ms,
        ratio_se: se / ioi_ms,
    })
}

/// Mean lateness of the notes at `place` of every `group` against the others, and its error;
/// `None` where they are too few or do not explain most of the spread.
fn class_offset(
    places: &[usize],
    residuals: &[f64],
    group: usize,
    place: usize,
) -> Option<(f64, f64)> {
    let (mut inside, mut outside) = (Vec::new(), Vec::new());
    for (p, r) in places.iter().zip(residuals) {
        if p % group == place {
            inside.push(*r);
        } else {
            outside.push(*r);
        }
    }
    if inside.len() < PATTERN_ROUNDS || outside.len() < PATTERN_ROUNDS {
        return None;
    }
    let offset = mean(&inside) - mean(&outside);
    let n = residuals.len() as f64;
    let explained = offset * offset * inside.len() as f64 * outside.len() as f64 / n;
    let total: f64 = residuals.iter().map(|r| r * r).sum();
    // Pooled, so that three alike by chance do not promise more than they hold.
    let within = (total - explained).max(0.0) / (n - 2.0);
    let se = (within * (1.0 / inside.len() as f64 + 1.0 / outside.len() as f64)).sqrt();
    (explained > PATTERN_SHARE * total).then_some((offset, se))
}

/// Runs that were played in several attempts: steady habit and scatter told apart, as in
/// van Vugt, Jabusch & Altenmüller, Front. Psychol. 3 (2012) 495.
pub fn repeated(played: &[Played], runs: &[Run]) -> Vec<RepeatedRun> {
    runs.iter()
        .filter_map(|run| repeated_run(played, run))
        .collect()
}

fn repeated_run(played: &[Played], run: &Run) -> Option<RepeatedRun> {
    let whole = run.last_index - run.first_index + 1;
    // The longest unbroken piece of the run in each stretch, where it is most of the run.
    let pieces: Vec<&[Played]> = stretches(played)
        .filter_map(|stretch| {
            stretch
                .chunk_by(|a, b| b.idx == a.idx + 1)
                .map(|chunk| {
                    let from = chunk.partition_point(|p| p.idx < run.first_index);
                    let to = chunk.partition_point(|p| p.idx <= run.last_index);
                    &chunk[from..to]
                })
                .max_by_key(|piece| piece.len())
        })
        .filter(|piece| piece.len() >= RUN_NOTES && 2 * piece.len() > whole)
        .collect();
    let first_index = pieces.iter().map(|p| p[0].idx).max()?;
    let last_index = pieces.iter().map(|p| p[p.len() - 1].idx).min()?;
    if pieces.len() < 2 || last_index < first_index + RUN_NOTES - 1 {
        return None;
    }
    let n = last_index - first_index + 1;
    let mut tries: Vec<Vec<f64>> = Vec::new();
    for piece in pieces {
        let from = first_index - piece[0].idx;
        let notes = &piece[from..from + n];
        let x: Vec<f64> = notes.iter().map(|p| p.quarters).collect();
        let y: Vec<f64> = notes
            .iter()
            .map(|p| 1e3 * (p.onset_s - notes[0].onset_s))
            .collect();
        let fit = LineFit::least_squares(&x, &y)?;
        tries.push(x.iter().zip(&y).map(|(x, y)| y - fit.at(*x)).collect());
    }
    let k = tries.len() as f64;
    let freedom = (n - 2) as f64;
    let means: Vec<f64> = (0..n)
        .map(|i| mean(&tries.iter().map(|t| t[i]).collect::<Vec<_>>()))
        .collect();
    let scatter2 = tries
        .iter()
        .flat_map(|t| t.iter().zip(&means).map(|(r, m)| (r - m) * (r - m)))
        .sum::<f64>()
        / ((k - 1.0) * freedom);
    let habit2 = means.iter().map(|m| m * m).sum::<f64>() / freedom - scatter2 / k;
    Some(RepeatedRun {
        first_index,
        last_index,
        attempts: tries.len(),
        habit_sd_ms: habit2.max(0.0).sqrt(),
        scatter_sd_ms: scatter2.sqrt(),
    })
}
