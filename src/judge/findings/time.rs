//! Uneven runs and tempo that moved.

use std::collections::BTreeMap;

use super::super::check::{Cause, FindingKind, PatternKind, Run, SpanKind, StopCheck, Verdict};
use super::super::local::phrase_begins;
use super::super::onsets::Played;
use super::super::stats::{mean, median, robust_sd};
use super::{Evidence, Weighed};
use crate::align::Outcome;

/// Notes either side through which a smooth bending of the tempo is drawn.
const BEND_NOTES: usize = 4;
/// Errors by which a late note must clear the threshold before anyone is told. The verdict
/// takes two; but where an onset is hard to place its fit errs further than its error says.
const CLEAR_BY_ERRORS: f64 = 4.0;
/// Standard deviations of the player's own scatter that one late note must stand out by: among
/// a hundred notes of ordinary scatter one lies so far out in one take of twenty.
const STAND_OUT_SDS: f64 = 3.5;
/// Scatter from which a run is told as a whole, in thresholds: professionals' intervals scatter
/// by 6 to 12 ms at 190 ms (Jabusch et al. 2004, from memory), their onsets then by 4 to 9 ms.
const SCATTER_THRESHOLDS: f64 = 2.0;
/// Share of a note's deviation that the interval before it must hold for the note to have moved.
const MOVED_SHARE: f64 = 0.5;
/// A change that occurs this often is a habit when it is late in most of its occurrences.
const OCCURRENCES: usize = 3;

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
    let scatter_ms = ordinary_scatter_ms(evidence);
    for run in &evidence.check.runs {
        if run.verdict != Verdict::Uneven {
            continue;
        }
        let Some(fault) = fault(evidence, scatter_ms, run) else {
            continue;
        };
        let written = |idx: usize| evidence.line.notes[idx].written.midi();
        let key = match fault.cause {
            Cause::Limping => (0, i32::from(fault.value_ms < 0.0), 0),
            Cause::Scatter => (2, 0, 0),
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
        Cause::Limping | Cause::Scatter => faults.iter().map(|f| f.run.first_index).collect(),
        _ => faults.iter().map(|f| f.change.1).collect(),
    };
    let changed = &evidence.line.notes[first.change.1];
    finding.written = Some(changed.written.to_string());
    if first.cause == Cause::FingerChange {
        finding.bar = changed.bar.clone();
        finding.beat = changed.beat;
    }
    Weighed {
        weight: 60.0 + (5.0 * worst.value_ms.abs() / worst.run.threshold_ms).min(60.0) + n,
        finding,
    }
}

/// What is to blame in an uneven run; `None` where nothing stands out from the player's own
/// scatter, as some unevenness is every player's (van Vugt, Jabusch & Altenmüller, Front.
/// Psychol. 4 (2013) 134), or where the late notes only follow a smooth bending of the tempo.
fn fault<'a>(evidence: &Evidence, scatter_ms: f64, run: &'a Run) -> Option<Fault<'a>> {
    let slowest = &run.slowest;
    let whole = |cause, value_ms, se_ms| Fault {
        run,
        cause,
        value_ms,
        se_ms,
        change: (slowest.from_index, slowest.to_index),
    };
    if !sure_notes(evidence, run) {
        return None;
    }
    if let Some(pattern) = run
        .pattern
        .filter(|p| (p.ratio - 1.0).abs() > STAND_OUT_SDS * p.ratio_se)
    {
        // Half the difference of the pair's intervals: how late the second note comes.
        let late = run.ioi_mean_ms * (pattern.ratio - 1.0) / (pattern.ratio + 1.0);
        let late_se = 2.0 * run.ioi_mean_ms * pattern.ratio_se / (pattern.ratio + 1.0).powi(2);
        return Some(match pattern.kind {
            PatternKind::LateNote => whole(
                Cause::RecurringLate,
                (pattern.ratio - 1.0) * run.ioi_mean_ms,
                pattern.ratio_se * run.ioi_mean_ms,
            ),
            PatternKind::LongShort | PatternKind::ShortLong => whole(Cause::Limping, late, late_se),
        });
    }
    let stands_out = |ms: f64, se_ms: f64| {
        ms - CLEAR_BY_ERRORS * se_ms > run.threshold_ms.max(STAND_OUT_SDS * scatter_ms)
    };
    let (from, to) = (slowest.from_index, slowest.to_index);
    // An interval has the scatter of two onsets: take out what is more than one onset's.
    let usual = STAND_OUT_SDS * scatter_ms * (std::f64::consts::SQRT_2 - 1.0);
    if stands_out(slowest.excess_ms - usual, slowest.se_ms)
        && !at_phrase_edge(evidence, to)
        && (leaves_bend(evidence, run, to) || leaves_bend(evidence, run, from))
        && !rushed_into(evidence, from, to)
    {
        return Some(whole(Cause::FingerChange, slowest.excess_ms, slowest.se_ms));
    }
    let worst = run
        .late_or_early
        .iter()
        .filter(|idx| !at_phrase_edge(evidence, **idx) && leaves_bend(evidence, run, **idx))
        .filter_map(|idx| Some((*idx, evidence.deviations[*idx]?)))
        .filter(|(idx, d)| moved_itself(evidence, run, *idx, d.ms))
        .filter(|(idx, d)| {
            stands_out(d.ms.abs(), d.se_ms)
                || d.ms > 0.0 && is_habit(evidence, scatter_ms, run, *idx)
        })
        .max_by(|a, b| a.1.ms.abs().total_cmp(&b.1.ms.abs()));
    if let Some((idx, deviation)) = worst {
        return Some(Fault {
            run,
            cause: Cause::FingerChange,
            value_ms: deviation.ms,
            se_ms: deviation.se_ms,
            change: (idx.saturating_sub(1), idx),
        });
    }
    let scattered = run
        .late_or_early
        .iter()
        .any(|idx| leaves_bend(evidence, run, *idx));
    let ms = run.deviation_sd_ms.min(quick_scatter_ms(evidence, run)?);
    let se_ms = run.deviation_sd_se_ms;
    (scattered && ms - CLEAR_BY_ERRORS * se_ms > SCATTER_THRESHOLDS * run.threshold_ms)
        .then(|| whole(Cause::Scatter, ms, se_ms))
}

/// Whether the note came late or early itself, by the interval before it: time that was lost
/// elsewhere and not made up moves all notes near it.
fn moved_itself(evidence: &Evidence, run: &Run, idx: usize, ms: f64) -> bool {
    if idx <= run.first_index {
        return true;
    }
    let onset_s = |idx: usize| evidence.check.notes[idx].onset_s;
    let interval_ms = |to: usize| Some(1e3 * (onset_s(to)? - onset_s(to - 1)?));
    let all: Vec<f64> = (run.first_index + 1..=run.last_index)
        .filter_map(interval_ms)
        .collect();
    let (Some(own_ms), Some(usual_ms)) = (interval_ms(idx), median(&all)) else {
        return true;
    };
    (own_ms - usual_ms) * ms.signum() >= MOVED_SHARE * ms.abs()
}

/// Whether an interval is long because the note it begins with came too soon, and not because the
/// next one came late.
fn rushed_into(evidence: &Evidence, from: usize, to: usize) -> bool {
    let ms = |idx: usize| evidence.deviations[idx].map_or(0.0, |d| d.ms);
    -ms(from) > ms(to).abs()
}

/// Scatter from note to note, ms, in which a tempo that bends slowly has no part: the second
/// differences of independent onsets have √6 of their standard deviation.
fn quick_scatter_ms(evidence: &Evidence, run: &Run) -> Option<f64> {
    let onsets: Vec<f64> = evidence.check.notes[run.first_index..=run.last_index]
        .iter()
        .map(|n| n.onset_s)
        .collect::<Option<_>>()?;
    let squares: Vec<f64> = onsets
        .windows(3)
        .map(|w| (1e3 * (w[2] - 2.0 * w[1] + w[0])).powi(2))
        .collect();
    Some((mean(&squares) / 6.0).sqrt())
}

/// The player's ordinary scatter, ms: robust over the deviations of all notes in runs.
fn ordinary_scatter_ms(evidence: &Evidence) -> f64 {
    let deviations: Vec<f64> = evidence
        .check
        .runs
        .iter()
        .flat_map(|run| run.first_index..=run.last_index)
        .filter_map(|idx| Some(evidence.deviations[idx]?.ms))
        .collect();
    robust_sd(&deviations)
}

/// Whether every note of the run and its neighbours are surely what they were taken for: a
/// note missed, added or unclear beside a run may have shifted who is who.
fn sure_notes(evidence: &Evidence, run: &Run) -> bool {
    let near = |idx: usize| idx + 1 >= run.first_index && idx <= run.last_index + 1;
    let settled = evidence
        .check
        .notes
        .iter()
        .filter(|n| near(n.index))
        .all(|n| !matches!(n.outcome, Outcome::Missed | Outcome::Unsure));
    settled
        && !evidence
            .check
            .added
            .iter()
            .any(|a| a.after_index.is_some_and(near))
}

/// Whether the change to note `idx` comes late in most of three or more occurrences in runs,
/// and on average by more than the threshold and than chance would have it.
fn is_habit(evidence: &Evidence, scatter_ms: f64, run: &Run, idx: usize) -> bool {
    let written = |idx: usize| evidence.line.notes[idx].written.midi();
    let Some(before) = idx.checked_sub(1) else {
        return false;
    };
    let (mut occurrences, mut late) = (Vec::new(), 0);
    for run in &evidence.check.runs {
        for to in run.first_index + 1..=run.last_index {
            if (written(to - 1), written(to)) == (written(before), written(idx))
                && let Some(deviation) = evidence.deviations[to]
            {
                occurrences.push(deviation.ms);
                late += usize::from(deviation.ms > 0.0 && run.late_or_early.contains(&to));
            }
        }
    }
    let n = occurrences.len();
    let usual = mean(&occurrences);
    n >= OCCURRENCES
        && 2 * late > n
        && usual
            > run
                .threshold_ms
                .max(STAND_OUT_SDS * scatter_ms / (n as f64).sqrt())
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

/// Stops in so many places are told one by one; more are one finding.
const STOPS_TOLD: usize = 3;

/// Where the player stopped, the same finger change once.
pub fn stopped(evidence: &Evidence) -> Vec<Weighed> {
    let written = |idx: usize| evidence.line.notes[idx].written.midi();
    let mut groups: BTreeMap<(i32, i32), Vec<StopCheck>> = BTreeMap::new();
    for stop in &evidence.check.stops {
        let change = (written(stop.from_index), written(stop.to_index));
        groups.entry(change).or_default().push(*stop);
    }
    let mut groups: Vec<Vec<StopCheck>> = groups.into_values().collect();
    if groups.len() > STOPS_TOLD {
        groups = vec![evidence.check.stops.clone()];
    }
    groups
        .iter()
        .map(|stops| {
            let places: Vec<usize> = stops.iter().map(|stop| stop.to_index).collect();
            let mut finding = evidence.at_notes(FindingKind::Stopped, Cause::Waited, places);
            let longest = (stops.iter())
                .max_by(|a, b| a.waited_s.total_cmp(&b.waited_s))
                .unwrap_or(&stops[0]);
            finding.value = Some(longest.waited_s);
            finding.unit = Some("s".into());
            finding.se = Some(longest.waited_se_s);
            let waited_for = &evidence.line.notes[longest.to_index];
            finding.written = Some(waited_for.written.to_string());
            Weighed {
                weight: 70.0 + (10.0 * longest.waited_s).min(40.0) + stops.len() as f64,
                finding,
            }
        })
        .collect()
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
