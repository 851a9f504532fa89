//! Tempo: its course over the take, its local curve, and the spans where it left its course.

use super::check::{SpanKind, Tempo, TempoPoint, TempoSpan};
use super::local::{SCATTER_FLOOR_S, phrase_begins};
use super::onsets::{Before, Played, beat_quarters_at, stretches};
use super::stats::{LineFit, huber_weight, mean, robust_sd, sd, sureness};
use crate::line::Line;

/// A change of tempo over six intervals is noticed from 3 % (Drake & Botte, Percept.
/// Psychophys. 54 (1993) 277): what moves less over a whole take is steady.
pub const DRIFT_JND_SHARE: f64 = 0.03;
/// The same authors' figure for two intervals: shorter spans must clear more.
pub const SPAN_JND_SHARE: f64 = 0.04;
/// Errors that a change must clear.
const CLEAR_BY_ERRORS: f64 = 2.0;
/// A span that is called pushing or dragging is at least this long: two bars of four; what is
/// shorter is phrasing.
const SPAN_BEATS: f64 = 8.0;
/// Tempo over fewer beats than this, four bars of four, is one phrase's, not a drift.
const DRIFT_BEATS: f64 = 16.0;
/// A player who bends the tempo everywhere is bending it on purpose: a span must stand out
/// from the spread of the curve by this many of its robust standard deviations.
const SPAN_SPREADS: f64 = 2.0;
/// The last beat before a phrase end belongs to the phrase end (common practice).
const PHRASE_END_BEATS: f64 = 1.0;
/// Beats either side that carry the local curve.
const CURVE_BEATS: f64 = 4.0;
/// Onsets that scatter independently about the course have successive differences of twice
/// their variance (von Neumann, Ann. Math. Stat. 12 (1941) 367); under half of that they
/// wander, and blocks of [`BLOCK_BEATS`] with their own origin are fitted instead.
const WANDERING_RATIO: f64 = 1.0;
const BLOCK_BEATS: f64 = 8.0;
/// Fewer onsets than this give no tempo.
const MIN_ONSETS: usize = 4;
const FIT_ROUNDS: usize = 30;

/// One onset in the order of playing.
#[derive(Clone, Copy, Debug)]
struct Point {
    idx: usize,
    /// Beats played so far: goes on over restarts and skips.
    beat: f64,
    time_s: f64,
    se_s: f64,
    stretch: usize,
    /// Between two places where the beat may stand still: restart, breath mark, fermata.
    section: usize,
    /// Between two such places or longer rests.
    phrase: usize,
    /// Part of a phrase end, and so of no fit.
    phrase_end: bool,
}

/// The take's tempo in beats of the tempo mark or, without one, of the first bar.
pub fn tempo(line: &Line, befores: &[Before], played: &[Played]) -> Tempo {
    let beat_quarters = tempo_beat_quarters(line);
    let points = points(line, befores, played, beat_quarters);
    let mut tempo = Tempo {
        beat_quarters,
        start_bpm: None,
        start_bpm_se: None,
        end_bpm: None,
        end_bpm_se: None,
        mean_bpm: None,
        drift_bpm_per_min: None,
        drift_se: None,
        curve: curve(&points),
        spans: Vec::new(),
        click: None,
    };
    let Some(course) = fit_course(&points) else {
        return tempo;
    };
    let seconds = course.seconds_at(course.beats);
    let drift = course.end_bpm - course.start_bpm;
    tempo.start_bpm = Some(course.start_bpm);
    tempo.start_bpm_se = Some(course.start_se);
    tempo.end_bpm = Some(course.end_bpm);
    tempo.end_bpm_se = Some(course.end_se);
    tempo.mean_bpm = Some(60.0 * course.beats / seconds);
    tempo.drift_bpm_per_min = Some(drift * 60.0 / seconds);
    tempo.drift_se = Some(course.drift_se * 60.0 / seconds);
    tempo.spans = spans(&points, &course, &tempo.curve);
    tempo
}

/// Quarters of the beat in which tempo is given.
pub fn tempo_beat_quarters(line: &Line) -> f64 {
    line.tempo
        .map(|t| t.beat_quarters)
        .or_else(|| line.bars.first().map(|b| b.beat_quarters))
        .filter(|b| *b > 0.0)
        .unwrap_or(1.0)
}

fn points(line: &Line, befores: &[Before], played: &[Played], beat_quarters: f64) -> Vec<Point> {
    let mut points: Vec<Point> = Vec::new();
    let (mut origin_beats, mut section, mut phrase) = (0.0, 0, 0);
    for stretch in stretches(played) {
        let steady: Vec<&Played> = stretch.iter().filter(|p| p.steady).collect();
        let Some(first) = steady.first() else {
            continue;
        };
        let start = points.len();
        for (i, p) in steady.iter().enumerate() {
            if i == 0 || phrase_begins(line, befores, steady[i - 1].idx, p.idx) {
                phrase += 1;
            }
            if i == 0 || (steady[i - 1].idx + 1..=p.idx).any(|idx| befores[idx].halt) {
                section += 1;
            }
            points.push(Point {
                idx: p.idx,
                beat: origin_beats + (p.quarters - first.quarters) / beat_quarters,
                time_s: p.onset_s,
                se_s: p.onset_se_s,
                stretch: p.stretch,
                section,
                phrase,
                phrase_end: false,
            });
        }
        let last = steady[steady.len() - 1];
        origin_beats = points[points.len() - 1].beat
            + (line.notes[last.idx].duration_quarters / beat_quarters).max(0.25);
        mark_phrase_ends(line, &mut points[start..]);
    }
    points
}

/// Sets aside the last beat before a breath, fermata, longer rest or the end of the line,
/// where the phrase is long enough to spare it.
fn mark_phrase_ends(line: &Line, points: &mut [Point]) {
    for phrase in points.chunk_by_mut(|a, b| a.phrase == b.phrase) {
        let last = phrase[phrase.len() - 1];
        let from = last.beat - PHRASE_END_BEATS;
        let spare = phrase.iter().filter(|p| p.beat < from).count();
        if closes_phrase(line, last.idx) && spare >= MIN_ONSETS {
            for p in phrase.iter_mut().filter(|p| p.beat >= from) {
                p.phrase_end = true;
            }
        }
    }
}

/// A breath mark or fermata on the note, a longer rest after it, or the end of the line.
fn closes_phrase(line: &Line, idx: usize) -> bool {
    let note = &line.notes[idx];
    let rest = line.notes.get(idx + 1).map_or(f64::INFINITY, |next| {
        next.onset_quarters - note.onset_quarters - note.duration_quarters
    });
    note.fermata
        || note.breath_after
        || rest >= super::local::PHRASE_REST_BEATS * beat_quarters_at(line, idx) - 1e-6
}

/// Tempo linear in beats, from the first onset (beat 0) to the last (`beats`).
#[derive(Clone, Copy, Debug)]
struct Course {
    beats: f64,
    start_bpm: f64,
    end_bpm: f64,
    start_se: f64,
    end_se: f64,
    drift_se: f64,
}

impl Course {
    fn bpm_at(&self, beat: f64) -> f64 {
        self.start_bpm + (self.end_bpm - self.start_bpm) * beat / self.beats
    }

    /// Seconds from beat 0: ∫ 60 / v(b) db = 60 b / v0 · ln(1 + z) / z, z = v(b) / v0 − 1.
    fn seconds_at(&self, beat: f64) -> f64 {
        let z = self.bpm_at(beat) / self.start_bpm - 1.0;
        let log_over_z = if z.abs() < 1e-5 {
            1.0 - z / 2.0
        } else {
            z.ln_1p() / z
        };
        60.0 * beat / self.start_bpm * log_over_z
    }
}

/// The course through all onsets but those of phrase ends.
///
/// Onsets that share a time origin hold the tempo best, so the widest pieces in which they do
/// not wander are taken: sections, else phrases, else blocks of beats.
fn fit_course(points: &[Point]) -> Option<Course> {
    let beats = points.last()?.beat;
    let kept: Vec<Point> = points.iter().filter(|p| !p.phrase_end).copied().collect();
    if kept.len() < MIN_ONSETS || beats <= 0.0 {
        return None;
    }
    let block = |p: &Point| p.phrase * 10_000 + (p.beat / BLOCK_BEATS) as usize;
    let pieces: [Vec<usize>; 3] = [
        kept.iter().map(|p| p.section).collect(),
        kept.iter().map(|p| p.phrase).collect(),
        kept.iter().map(block).collect(),
    ];
    let mut course = None;
    for groups in &pieces {
        // Pieces of hardly more than one onset hold no tempo.
        let n_pieces = groups.chunk_by(|a, b| a == b).count();
        if course.is_some() && 3 * n_pieces > kept.len() {
            break;
        }
        let Some((fitted, residuals)) = fit_with_origins(&kept, groups, beats) else {
            continue;
        };
        course = Some(fitted);
        if successive_ratio(&residuals, groups) >= WANDERING_RATIO {
            break;
        }
    }
    course
}

/// Mean square successive difference over the variance: 2 when independent, less when wandering.
fn successive_ratio(residuals: &[f64], groups: &[usize]) -> f64 {
    let (mut differences, mut n) = (0.0, 0.0);
    for i in 1..residuals.len() {
        if groups[i] == groups[i - 1] {
            differences += (residuals[i] - residuals[i - 1]).powi(2);
            n += 1.0;
        }
    }
    let variance = residuals.iter().map(|r| r * r).sum::<f64>() / residuals.len() as f64;
    if n == 0.0 || variance < SCATTER_FLOOR_S * SCATTER_FLOOR_S / 16.0 {
        2.0
    } else {
        differences / n / variance
    }
}

/// Gauss–Newton with Huber weights; onsets of equal `groups` share a free time origin.
/// Also returns the residuals in seconds.
fn fit_with_origins(points: &[Point], groups: &[usize], beats: f64) -> Option<(Course, Vec<f64>)> {
    let guess = first_guess(points, groups)?;
    let mut course = Course {
        beats,
        start_bpm: guess,
        end_bpm: guess,
        start_se: 0.0,
        end_se: 0.0,
        drift_se: 0.0,
    };
    let sure: Vec<f64> = points
        .iter()
        .map(|p| sureness(p.se_s, SCATTER_FLOOR_S))
        .collect();
    let mut weights = sure.clone();
    let mut residuals = vec![0.0; points.len()];
    let mut normal = Normal::default();
    for round in 0..FIT_ROUNDS {
        residuals = points
            .iter()
            .map(|p| p.time_s - course.seconds_at(p.beat))
            .collect();
        centre(&mut residuals, groups, &weights);
        let scale = robust_sd(&residuals).max(SCATTER_FLOOR_S);
        if round > 0 {
            for ((w, r), sure) in weights.iter_mut().zip(&residuals).zip(&sure) {
                *w = sure * huber_weight(*r, scale);
            }
            centre(&mut residuals, groups, &weights);
        }
        normal = Normal::of(&course, points, groups, &weights, &residuals);
        let (d_start, d_end) = normal.solve()?;
        course.start_bpm = (course.start_bpm + d_start).clamp(guess / 4.0, guess * 4.0);
        course.end_bpm = (course.end_bpm + d_end).clamp(guess / 4.0, guess * 4.0);
        if round > 3 && d_start.abs() + d_end.abs() < 1e-9 * guess {
            break;
        }
    }
    let [start_se, end_se, drift_se] =
        normal.errors(points, groups, &weights, &sure, &residuals)?;
    (course.start_se, course.end_se, course.drift_se) = (start_se, end_se, drift_se);
    Some((course, residuals))
}

/// Median tempo between neighbours that share an origin.
fn first_guess(points: &[Point], groups: &[usize]) -> Option<f64> {
    let tempos: Vec<f64> = (1..points.len())
        .filter(|i| groups[*i] == groups[i - 1])
        .filter_map(|i| {
            let beats = points[i].beat - points[i - 1].beat;
            let seconds = points[i].time_s - points[i - 1].time_s;
            (beats > 1e-6 && seconds > 1e-3).then(|| 60.0 * beats / seconds)
        })
        .collect();
    super::stats::median(&tempos)
}

/// Takes the weighted mean of each group out of `values`.
fn centre(values: &mut [f64], groups: &[usize], weights: &[f64]) {
    let mut start = 0;
    for chunk in groups.chunk_by(|a, b| a == b) {
        let range = start..start + chunk.len();
        let weight: f64 = weights[range.clone()].iter().sum();
        let sum: f64 = range.clone().map(|i| values[i] * weights[i]).sum();
        for value in &mut values[range.clone()] {
            *value -= sum / weight;
        }
        start = range.end;
    }
}

/// Normal equations of the two tempos.
#[derive(Clone, Debug, Default)]
struct Normal {
    by_start: Vec<f64>,
    by_end: Vec<f64>,
    matrix: [[f64; 2]; 2],
    right: [f64; 2],
}

impl Normal {
    fn of(
        course: &Course,
        points: &[Point],
        groups: &[usize],
        weights: &[f64],
        residuals: &[f64],
    ) -> Normal {
        let step = 1e-4 * course.start_bpm;
        let moved = |start: f64, end: f64| Course {
            start_bpm: course.start_bpm + start,
            end_bpm: course.end_bpm + end,
            ..*course
        };
        let slope = |up: Course, down: Course| -> Vec<f64> {
            let mut column: Vec<f64> = points
                .iter()
                .map(|p| (up.seconds_at(p.beat) - down.seconds_at(p.beat)) / (2.0 * step))
                .collect();
            centre(&mut column, groups, weights);
            column
        };
        let by_start = slope(moved(step, 0.0), moved(-step, 0.0));
        let by_end = slope(moved(0.0, step), moved(0.0, -step));
        let (mut matrix, mut right) = ([[0.0; 2]; 2], [0.0; 2]);
        for i in 0..points.len() {
            let row = [by_start[i], by_end[i]];
            for a in 0..2 {
                right[a] += weights[i] * row[a] * residuals[i];
                for b in 0..2 {
                    matrix[a][b] += weights[i] * row[a] * row[b];
                }
            }
        }
        Normal {
            by_start,
            by_end,
            matrix,
            right,
        }
    }

    fn inverse(&self) -> Option<[[f64; 2]; 2]> {
        let m = &self.matrix;
        let determinant = m[0][0] * m[1][1] - m[0][1] * m[1][0];
        (determinant.abs() > 1e-9 * m[0][0] * m[1][1] && determinant.is_finite()).then(|| {
            [
                [m[1][1] / determinant, -m[0][1] / determinant],
                [-m[1][0] / determinant, m[0][0] / determinant],
            ]
        })
    }

    fn solve(&self) -> Option<(f64, f64)> {
        let v = self.inverse()?;
        Some((
            v[0][0] * self.right[0] + v[0][1] * self.right[1],
            v[1][0] * self.right[0] + v[1][1] * self.right[1],
        ))
    }

    /// Standard errors of start, end and their difference: neighbouring onsets may lean the
    /// same way, so whole blocks of beats are taken as the independent pieces; never less
    /// than independent onsets give.
    fn errors(
        &self,
        points: &[Point],
        groups: &[usize],
        weights: &[f64],
        sure: &[f64],
        residuals: &[f64],
    ) -> Option<[f64; 3]> {
        let inverse = self.inverse()?;
        let (mut meat, mut plain) = ([[0.0; 2]; 2], [[0.0; 2]; 2]);
        let (mut score, mut blocks, mut block) = ([0.0; 2], 0.0, None);
        let mut close = |score: &mut [f64; 2], blocks: &mut f64| {
            for a in 0..2 {
                for b in 0..2 {
                    meat[a][b] += score[a] * score[b];
                }
            }
            *score = [0.0; 2];
            *blocks += 1.0;
        };
        let groups_n = groups.chunk_by(|a, b| a == b).count();
        let freedom = (points.len() as f64 - 2.0 - groups_n as f64).max(1.0);
        let spread = points.len() as f64 / freedom;
        for i in 0..points.len() {
            let here = (groups[i], (points[i].beat / CURVE_BEATS) as usize);
            if block.is_some_and(|b| b != here) {
                close(&mut score, &mut blocks);
            }
            block = Some(here);
            let row = [self.by_start[i], self.by_end[i]];
            let own = (residuals[i] * residuals[i] * spread).max(points[i].se_s.powi(2));
            for a in 0..2 {
                score[a] += weights[i] * row[a] * residuals[i];
                for b in 0..2 {
                    plain[a][b] += weights[i] * weights[i] * row[a] * row[b] * own;
                }
            }
        }
        close(&mut score, &mut blocks);
        let small_sample = if blocks > 3.0 {
            blocks / (blocks - 2.0)
        } else {
            3.0
        };
        let sandwich = |middle: [[f64; 2]; 2]| -> [[f64; 2]; 2] {
            let mut out = [[0.0; 2]; 2];
            for a in 0..2 {
                for b in 0..2 {
                    for c in 0..2 {
                        for d in 0..2 {
                            out[a][b] += inverse[a][c] * middle[c][d] * inverse[d][b];
                        }
                    }
                }
            }
            out
        };
        let blocked = sandwich(meat.map(|row| row.map(|v| v * small_sample)));
        let independent = sandwich(plain);
        let variances =
            |m: [[f64; 2]; 2]| [m[0][0], m[1][1], m[0][0] + m[1][1] - m[0][1] - m[1][0]];
        let (blocked, independent) = (variances(blocked), variances(independent));
        // Huber's estimator is only moved by the onsets it counts in full (Huber 1981, ch. 6).
        let counted: f64 = weights
            .iter()
            .zip(sure)
            .filter(|(w, s)| w == s)
            .map(|(_, s)| s)
            .sum();
        let bread = weights.iter().sum::<f64>() / counted.max(f64::MIN_POSITIVE);
        Some([0, 1, 2].map(|i| bread * blocked[i].max(independent[i]).max(0.0).sqrt()))
    }
}

/// Local tempo at about one onset a beat.
fn curve(points: &[Point]) -> Vec<TempoPoint> {
    let mut curve: Vec<TempoPoint> = Vec::new();
    for phrase in points.chunk_by(|a, b| a.phrase == b.phrase) {
        let mut next_beat = f64::NEG_INFINITY;
        for (i, p) in phrase.iter().enumerate() {
            if p.beat < next_beat - 1e-6 || p.phrase_end {
                continue;
            }
            if let Some((bpm, se)) = local_tempo(phrase, i) {
                next_beat = p.beat + 1.0;
                curve.push(TempoPoint {
                    index: p.idx,
                    time_s: p.time_s,
                    bpm,
                    se,
                });
            }
        }
    }
    curve
}

fn local_tempo(phrase: &[Point], at: usize) -> Option<(f64, f64)> {
    let near: Vec<&Point> = phrase
        .iter()
        .filter(|p| !p.phrase_end && (p.beat - phrase[at].beat).abs() <= CURVE_BEATS + 1e-6)
        .collect();
    (near.len() >= MIN_ONSETS).then_some(())?;
    slope_tempo(&near)
}

/// Tempo through some onsets, and its error from their scatter and their own errors.
fn slope_tempo(near: &[&Point]) -> Option<(f64, f64)> {
    let x: Vec<f64> = near.iter().map(|p| p.beat - near[0].beat).collect();
    let y: Vec<f64> = near.iter().map(|p| p.time_s - near[0].time_s).collect();
    let own: Vec<f64> = near.iter().map(|p| p.se_s).collect();
    let fit = LineFit::robust(&x, &y, &own, SCATTER_FLOOR_S)?;
    let residuals: Vec<f64> = x.iter().zip(&y).map(|(x, y)| y - fit.at(*x)).collect();
    let n = near.len() as f64;
    let scatter = sd(&residuals) * ((n - 1.0) / (n - 2.0)).sqrt();
    let se: Vec<f64> = near.iter().map(|p| p.se_s.max(scatter)).collect();
    (fit.slope > 0.0).then(|| {
        let bpm = 60.0 / fit.slope;
        (bpm, bpm * fit.slope_se(&x, &se) / fit.slope)
    })
}

/// The whole take when its course moves, and the stretches of bars that leave the course.
fn spans(points: &[Point], course: &Course, curve: &[TempoPoint]) -> Vec<TempoSpan> {
    let mut spans = Vec::new();
    let drift = course.end_bpm - course.start_bpm;
    let middle = (course.start_bpm + course.end_bpm) / 2.0;
    if course.beats >= DRIFT_BEATS && clears(drift, course.drift_se, DRIFT_JND_SHARE * middle) {
        spans.push(TempoSpan {
            first_index: points.iter().map(|p| p.idx).min().unwrap_or(0),
            last_index: points.iter().map(|p| p.idx).max().unwrap_or(0),
            kind: kind_of(drift),
            bpm_change: drift,
            se: course.drift_se,
        });
    }
    let at = |c: &TempoPoint| points.iter().position(|p| p.time_s == c.time_s);
    let placed: Vec<(usize, f64, &TempoPoint)> = curve
        .iter()
        .filter_map(|c| {
            let i = at(c)?;
            Some((i, c.bpm / course.bpm_at(points[i].beat) - 1.0, c))
        })
        .collect();
    let shares: Vec<f64> = placed.iter().map(|(_, share, _)| *share).collect();
    let limit = SPAN_JND_SHARE.max(SPAN_SPREADS * robust_sd(&shares));
    let sign = |&(_, share, c): &(usize, f64, &TempoPoint)| {
        if clears(share, c.se / c.bpm, limit) {
            share.signum() as i32
        } else {
            0
        }
    };
    for chunk in
        placed.chunk_by(|a, b| sign(a) == sign(b) && points[a.0].stretch == points[b.0].stretch)
    {
        let (first, last) = (&points[chunk[0].0], &points[chunk[chunk.len() - 1].0]);
        if sign(&chunk[0]) == 0 || last.beat - first.beat < SPAN_BEATS - 1.0 {
            continue;
        }
        let inside: Vec<&TempoPoint> = chunk.iter().map(|(_, _, c)| *c).collect();
        let change = mean(
            &chunk
                .iter()
                .map(|(i, _, c)| c.bpm - course.bpm_at(points[*i].beat))
                .collect::<Vec<_>>(),
        );
        // Neighbouring points of the curve share onsets: the mean is as sure as one of them.
        let se = mean(&inside.iter().map(|c| c.se).collect::<Vec<_>>());
        spans.push(TempoSpan {
            first_index: first.idx,
            last_index: last.idx,
            kind: kind_of(change),
            bpm_change: change,
            se,
        });
    }
    spans
}

fn clears(change: f64, se: f64, limit: f64) -> bool {
    change.abs() - CLEAR_BY_ERRORS * se > limit
}

fn kind_of(change: f64) -> SpanKind {
    if change > 0.0 {
        SpanKind::Pushing
    } else {
        SpanKind::Dragging
    }
}
