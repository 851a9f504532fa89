//! Uneven runs and tempo that moved.

use std::collections::BTreeMap;

use super::super::check::{Cause, FindingKind, PatternKind, Run, SpanKind, Verdict};
use super::super::local::phrase_begins;
use super::super::onsets::Played;
use super::{Evidence, Weighed};

/// Notes either side through which a smooth bending of the tempo is drawn.
const BEND_NOTES: usize = 4;
/// Errors by which a note must leave that bending before anyone is told.
const CLEAR_BY_ERRORS: f64 = 2.0;

/// One uneven run and what is to blame.
struct Fault<'a> {
    run: &'a Run,
    cause: Cause,
    value_ms: f64,
    se_ms: f64,
    /// The change to practise: (from, to) in the line.
    change: (usize, usize),
}

/// Uneven runs, the same change or the same limp told once.
pub fn uneven(evidence: &Evidence) -> Vec<Weighed> {
    let mut groups: BTreeMap<(u8, i32, i32), Vec<Fault>> = BTreeMap::new();
    for run in &evidence.check.runs {
        if run.verdict != Verdict::Uneven {
            continue;
        }
        let Some(fault) = fault(evidence, run) else {
            continue;
        };
        let written = |idx: usize| evidence.line.notes[idx].written.midi();
        let key = match fault.cause {
            Cause::Limping => (0, i32::from(fault.value_ms < 0.0), 0),
            _ => (1, written(fault.change.0), written(fault.change.1)),
        };
        groups.entry(key).or_default().push(fault);
    }
    groups.into_values().map(|g| tell(evidence, &g)).collect()
}

fn tell(evidence: &Evidence, faults: &[Fault]) -> Weighed {
    let n = faults.len() as f64;
    let worst = faults
        .iter()
        .max_by(|a, b| a.value_ms.abs().total_cmp(&b.value_ms.abs()))
        .unwrap_or(&faults[0]);
    let first = &faults[0];
    let mut finding = evidence.at_span(
        FindingKind::Uneven,
        first.cause,
        first.run.first_index,
        first.run.last_index,
    );
    finding.value = Some(faults.iter().map(|f| f.value_ms).sum::<f64>() / n);
    finding.unit = Some("ms".into());
    finding.se = Some(faults.iter().map(|f| f.se_ms * f.se_ms).sum::<f64>().sqrt() / n);
    finding.places = match first.cause {
        Cause::Limping => faults.iter().map(|f| f.run.first_index).collect(),
        _ => faults.iter().map(|f| f.change.1).collect(),
    };
    finding.written = Some(evidence.line.notes[first.change.1].written.to_string());
    Weighed {
        weight: 60.0 + (5.0 * worst.value_ms.abs() / worst.run.threshold_ms).min(60.0) + n,
        finding,
    }
}

/// What is to blame in an uneven run; `None` where its late notes only follow a smooth
/// bending of the tempo or close a phrase.
fn fault<'a>(evidence: &Evidence, run: &'a Run) -> Option<Fault<'a>> {
    let guilty: Vec<usize> = run
        .late_or_early
        .iter()
        .copied()
        .filter(|idx| !at_phrase_edge(evidence, *idx) && leaves_bend(evidence, run, *idx))
        .collect();
    if guilty.is_empty() && !run.late_or_early.is_empty() {
        return None;
    }
    let slowest = &run.slowest;
    let slow_change = (slowest.from_index, slowest.to_index);
    if let Some(pattern) = run.pattern {
        // Half the difference of the pair's intervals: how late the second note comes.
        let late = run.ioi_mean_ms * (pattern.ratio - 1.0) / (pattern.ratio + 1.0);
        let late_se = 2.0 * run.ioi_mean_ms * pattern.ratio_se / (pattern.ratio + 1.0).powi(2);
        return Some(match pattern.kind {
            PatternKind::LateNote => Fault {
                run,
                cause: Cause::RecurringLate,
                value_ms: (pattern.ratio - 1.0) * run.ioi_mean_ms,
                se_ms: pattern.ratio_se * run.ioi_mean_ms,
                change: slow_change,
            },
            PatternKind::LongShort | PatternKind::ShortLong => Fault {
                run,
                cause: Cause::Limping,
                value_ms: late,
                se_ms: late_se,
                change: slow_change,
            },
        });
    }
    if slowest.excess_ms - CLEAR_BY_ERRORS * slowest.se_ms > run.threshold_ms
        && !at_phrase_edge(evidence, slowest.to_index)
    {
        return Some(Fault {
            run,
            cause: Cause::FingerChange,
            value_ms: slowest.excess_ms,
            se_ms: slowest.se_ms,
            change: slow_change,
        });
    }
    let worst = guilty
        .into_iter()
        .filter_map(|idx| Some((idx, evidence.deviations[idx]?)))
        .max_by(|a, b| a.1.ms.abs().total_cmp(&b.1.ms.abs()));
    let (idx, deviation) = worst?;
    Some(Fault {
        run,
        cause: Cause::FingerChange,
        value_ms: deviation.ms,
        se_ms: deviation.se_ms,
        change: (idx.saturating_sub(1), idx),
    })
}

/// The first note of a phrase has no beat before it; its last two, and all from where the
/// intervals only grow, belong to its end.
fn at_phrase_edge(evidence: &Evidence, idx: usize) -> bool {
    let begins = |from: usize, to: usize| {
        to >= evidence.line.notes.len() || phrase_begins(evidence.line, evidence.befores, from, to)
    };
    idx == 0
        || begins(idx - 1, idx)
        || begins(idx, idx + 1)
        || begins(idx, idx + 2)
        || idx >= broadening_from(evidence, idx)
}

/// Index from which the intervals only grow up to the end of the phrase that holds `idx`;
/// past the phrase where they do not.
fn broadening_from(evidence: &Evidence, idx: usize) -> usize {
    let Some(at) = evidence
        .played
        .iter()
        .position(|p| p.judged && p.idx == idx)
    else {
        return usize::MAX;
    };
    let played = evidence.played;
    let same_phrase = |a: &Played, b: &Played| {
        a.stretch == b.stretch && !phrase_begins(evidence.line, evidence.befores, a.idx, b.idx)
    };
    let mut last = at;
    while last + 1 < played.len() && same_phrase(&played[last], &played[last + 1]) {
        last += 1;
    }
    let pace = |i: usize| {
        (played[i].onset_s - played[i - 1].onset_s)
            / (played[i].quarters - played[i - 1].quarters).max(1e-6)
    };
    let mut from = last;
    while from >= 2
        && same_phrase(&played[from - 1], &played[from])
        && same_phrase(&played[from - 2], &played[from - 1])
        && pace(from) > pace(from - 1)
    {
        from -= 1;
    }
    played[from].idx
}

/// Whether a note stands off the smooth curve (a parabola in time over beats) through its
/// neighbours by the run's threshold, so that a ritardando or a swell of tempo accuses no one.
fn leaves_bend(evidence: &Evidence, run: &Run, idx: usize) -> bool {
    let Some(at) = evidence
        .played
        .iter()
        .position(|p| p.judged && p.idx == idx)
    else {
        return false;
    };
    let me = &evidence.played[at];
    let broadening = broadening_from(evidence, idx);
    let near: Vec<&Played> = evidence.played[at.saturating_sub(BEND_NOTES)..]
        .iter()
        .take(2 * BEND_NOTES + 1)
        .filter(|p| {
            let (low, high) = (p.idx.min(idx), p.idx.max(idx));
            p.stretch == me.stretch
                && p.steady
                && p.idx != idx
                && p.idx < broadening
                && high - low <= BEND_NOTES
                && !phrase_begins(evidence.line, evidence.befores, low, high)
        })
        .collect();
    let Some((ms, se_ms)) = off_parabola(me, &near) else {
        return false;
    };
    ms.abs() - CLEAR_BY_ERRORS * se_ms > run.threshold_ms
}

/// Distance of an onset from the parabola through others, and its measurement error, ms.
fn off_parabola(me: &Played, near: &[&Played]) -> Option<(f64, f64)> {
    if near.len() < 4 {
        return None;
    }
    // Normal equations of y = a + b x + c x² about the note itself: a is the prediction.
    let mut m = [[0.0; 4]; 3];
    let rows: Vec<([f64; 3], f64, f64)> = near
        .iter()
        .map(|p| {
            let x = p.quarters - me.quarters;
            (
                [1.0, x, x * x],
                1e3 * (p.onset_s - me.onset_s),
                1e3 * p.onset_se_s,
            )
        })
        .collect();
    for (row, y, _) in &rows {
        for i in 0..3 {
            for j in 0..3 {
                m[i][j] += row[i] * row[j];
            }
            m[i][3] += row[i] * y;
        }
    }
    let a = solve(m)?[0];
    let mut variance = (1e3 * me.onset_se_s).powi(2);
    for (row, _, se) in &rows {
        let mut unit = m;
        for i in 0..3 {
            unit[i][3] = row[i];
        }
        variance += (solve(unit)?[0] * se).powi(2);
    }
    Some((-a, variance.sqrt()))
}

/// Solves a 3 × 3 system by elimination; the last column is the right side.
fn solve(mut m: [[f64; 4]; 3]) -> Option<[f64; 3]> {
    for i in 0..3 {
        let pivot = (i..3).max_by(|a, b| m[*a][i].abs().total_cmp(&m[*b][i].abs()))?;
        m.swap(i, pivot);
        if m[i][i].abs() < 1e-12 {
            return None;
        }
        for row in 0..3 {
            if row != i {
                let factor = m[row][i] / m[i][i];
                let pivot_row = m[i];
                for (value, above) in m[row].iter_mut().zip(pivot_row) {
                    *value -= factor * above;
                }
            }
        }
    }
    Some([m[0][3] / m[0][0], m[1][3] / m[1][1], m[2][3] / m[2][2]])
}

/// Spans of the tempo that left its course.
pub fn tempo(evidence: &Evidence) -> Vec<Weighed> {
    let tempo = &evidence.check.tempo;
    let Some(mean_bpm) = tempo.mean_bpm else {
        return Vec::new();
    };
    let whole =
        evidence.played.iter().map(|p| p.idx).min()..=evidence.played.iter().map(|p| p.idx).max();
    tempo
        .spans
        .iter()
        .map(|span| {
            let kind = match span.kind {
                SpanKind::Pushing => FindingKind::Pushing,
                SpanKind::Dragging => FindingKind::Dragging,
            };
            let cause = if Some(span.first_index) == *whole.start()
                && Some(span.last_index) == *whole.end()
            {
                Cause::Drift
            } else {
                Cause::Stretch
            };
            let mut finding = evidence.at_span(kind, cause, span.first_index, span.last_index);
            finding.value = Some(span.bpm_change);
            finding.unit = Some("bpm".into());
            finding.se = Some(span.se);
            Weighed {
                weight: 50.0 + 200.0 * span.bpm_change.abs() / mean_bpm,
                finding,
            }
        })
        .collect()
}
