//! Takes over days: which are held against which, the days' own figures, the goal.

use serde::Serialize;

use super::compare::{Comparison, compare};
use super::figures::{BarFigures, Evenness, TakeFigures};
use crate::judge::stats::{mean, wilson_95};
use crate::line::TempoMark;

/// At most one report in twenty of an unchanged player may call anything a change.
pub const FALSE_REPORTS: f64 = 0.05;
/// What the tests are held to, so that this holds: players have better and worse days, which
/// the tests of single takes know nothing of. Simulated in `tests/keep/review.rs`: at 0.04
/// up to 8.7 % of the reports named a change.
pub const ALPHA: f64 = 0.02;
/// A group is filled up with the days before until it has so many takes: with five on either
/// side, exchanging labels can show one change in 252 (see `tests_of_change`).
const GROUP_TAKES: usize = 5;
/// More takes than this on one side change no verdict and cost time.
const GROUP_TAKES_MAX: usize = 20;

/// One take as the review sees it.
#[derive(Clone, Debug, PartialEq)]
pub struct TakePoint {
    pub id: i64,
    /// `2026-11-25T18:30:00`
    pub played_local: String,
    pub figures: TakeFigures,
    /// For every bar of the newest version of the line its position in this take's version;
    /// `None` where it was another bar then.
    pub bar_of: Vec<Option<usize>>,
}

impl TakePoint {
    pub fn day(&self) -> &str {
        self.played_local.split('T').next().unwrap_or_default()
    }

    /// Figures of a bar of the newest version.
    pub fn bar(&self, at: usize) -> Option<&BarFigures> {
        self.figures.bars.get((*self.bar_of.get(at)?)?)
    }

    /// All bars clean; `None` where not all were played.
    fn clean(&self) -> Option<bool> {
        let bars: Option<Vec<bool>> = (0..self.bar_of.len())
            .map(|at| self.bar(at)?.clean())
            .collect();
        bars.map(|bars| bars.into_iter().all(|clean| clean))
    }
}

/// One day of practice.
#[derive(Clone, Debug, PartialEq, Serialize)]
pub struct Day {
    pub day: String,
    pub takes: usize,
    /// Share of notes right over all bars, with its 95 % interval.
    pub accuracy: Option<f64>,
    pub accuracy_low: Option<f64>,
    pub accuracy_high: Option<f64>,
    /// Spread of onsets, all bars pooled, and its error.
    pub evenness_ms: Option<f64>,
    pub evenness_se_ms: Option<f64>,
    pub tempo_bpm: Option<f64>,
}

/// How far the tempo has come.
#[derive(Clone, Debug, PartialEq, Serialize)]
pub struct Reached {
    pub goal: Option<TempoMark>,
    pub beat_quarters: f64,
    /// The fastest take that was clean from beginning to end.
    pub whole_line_bpm: Option<f64>,
    /// For every bar the fastest tempo at which it was clean.
    pub bars_bpm: Vec<Option<f64>>,
}

/// What of which a review is made.
#[derive(Clone, Debug, PartialEq, Serialize)]
pub struct Review {
    pub schema: &'static str,
    pub title: String,
    pub takes: usize,
    /// Printed numbers of the bars of the newest version.
    pub bars: Vec<String>,
    pub days: Vec<Day>,
    pub reached: Reached,
    /// The last day against the one before; `None` where there is but one group of takes.
    pub recent: Option<Comparison>,
    /// The last days against the first; `None` where that is the same.
    pub since_the_start: Option<Comparison>,
    /// Bars that got better, by either comparison, and the one that still has most to gain.
    pub improved: Vec<String>,
    pub not_improved: Option<String>,
}

/// Reviews takes in the order they were played. `bars`: printed numbers of the newest version.
pub fn review(
    title: &str,
    bars: Vec<String>,
    takes: &[TakePoint],
    goal: Option<TempoMark>,
) -> Review {
    let groups = groups(takes);
    let alpha = ALPHA / groups.iter().flatten().count().max(1) as f64;
    let [recent, since_the_start] = groups.map(|group| {
        group.map(|(then, now)| {
            let then: Vec<&TakePoint> = takes[then].iter().collect();
            let now: Vec<&TakePoint> = takes[now].iter().collect();
            compare(&bars, &then, &now, alpha)
        })
    });
    let mut improved: Vec<usize> = [&recent, &since_the_start]
        .into_iter()
        .flatten()
        .flat_map(|c| &c.bars)
        .filter(|bar| {
            let verdicts = bar.differences().map(|d| d.verdict);
            verdicts.contains(&super::Verdict::Better)
        })
        .map(|bar| bar.at)
        .collect();
    improved.sort_unstable();
    improved.dedup();
    Review {
        schema: "passagework.review/1",
        title: title.into(),
        takes: takes.len(),
        days: days(takes, bars.len()),
        reached: reached(takes, bars.len(), goal),
        not_improved: since_the_start
            .as_ref()
            .or(recent.as_ref())
            .and_then(|c| most_to_gain(c, &improved))
            .map(|at| bars[at].clone()),
        improved: improved.into_iter().map(|at| bars[at].clone()).collect(),
        recent,
        since_the_start,
        bars,
    }
}

type Groups = (std::ops::Range<usize>, std::ops::Range<usize>);

/// Then and now: the last day against what came before it, and the last days against the first.
fn groups(takes: &[TakePoint]) -> [Option<Groups>; 2] {
    let n = takes.len();
    if n < 2 {
        return [None, None];
    }
    let day_start = |end: usize| {
        let day = takes[end - 1].day();
        takes[..end]
            .iter()
            .rposition(|t| t.day() != day)
            .map_or(0, |i| i + 1)
    };
    // Whole days backwards from `end` until there are takes enough.
    let filled = |end: usize| {
        let mut start = day_start(end);
        while start > 0 && end - start < GROUP_TAKES {
            start = day_start(start);
        }
        start.max(end.saturating_sub(GROUP_TAKES_MAX))
    };
    let today = day_start(n);
    if today == 0 {
        // One day only: its later half against its earlier.
        let half = n / 2;
        let now = n - half..n;
        return [Some((0..half, now)), None];
    }
    let today = today.max(n.saturating_sub(GROUP_TAKES_MAX));
    let recent = (filled(today)..today, today..n);
    let now = filled(n);
    // Whole days forwards from the first, short of `now`.
    let mut first_end = 0;
    while first_end < now && first_end < GROUP_TAKES {
        let day = takes[first_end].day();
        first_end += takes[first_end..now]
            .iter()
            .take_while(|t| t.day() == day)
            .count();
    }
    let first_end = first_end.min(GROUP_TAKES_MAX);
    let start = (first_end > 0).then_some((0..first_end, now..n));
    let start = start.filter(|groups| *groups != recent);
    [Some(recent), start]
}

/// The bar with most faults now, of those that did not get better; the least even where none
/// has any.
fn most_to_gain(comparison: &Comparison, improved: &[usize]) -> Option<usize> {
    let faults =
        |bar: &super::compare::BarComparison| 1.0 - bar.accuracy.now.map_or(1.0, |now| now.value);
    let spread = |bar: &super::compare::BarComparison| bar.evenness.now.map_or(0.0, |n| n.value);
    comparison
        .bars
        .iter()
        .filter(|bar| !improved.contains(&bar.at))
        .filter(|bar| faults(bar) > 0.0 || spread(bar) > crate::judge::threshold_ms(0.0))
        .max_by(|a, b| {
            faults(a)
                .total_cmp(&faults(b))
                .then(spread(a).total_cmp(&spread(b)))
        })
        .map(|bar| bar.at)
}

fn days(takes: &[TakePoint], n_bars: usize) -> Vec<Day> {
    takes
        .chunk_by(|a, b| a.day() == b.day())
        .map(|takes| {
            let bars = || {
                takes
                    .iter()
                    .flat_map(|take| (0..n_bars).filter_map(|at| take.bar(at)))
            };
            let right = bars().map(|b| b.right).sum();
            let of = bars().map(|b| b.judged() + b.added).sum();
            let interval = wilson_95(right, of);
            let evenness = Evenness::pooled(bars().filter_map(|b| b.evenness.as_ref()));
            let tempi: Vec<f64> = takes.iter().filter_map(|t| t.figures.tempo_bpm).collect();
            Day {
                day: takes[0].day().into(),
                takes: takes.len(),
                accuracy: interval.map(|_| right as f64 / of as f64),
                accuracy_low: interval.map(|i| i.0),
                accuracy_high: interval.map(|i| i.1),
                evenness_ms: evenness.map(|e| e.sd_ms()),
                evenness_se_ms: evenness.map(|e| (e.variance_ms2 / (2.0 * e.freedom)).sqrt()),
                tempo_bpm: (!tempi.is_empty()).then(|| mean(&tempi)),
            }
        })
        .collect()
}

fn reached(takes: &[TakePoint], n_bars: usize, goal: Option<TempoMark>) -> Reached {
    let fastest = |bpm: &mut dyn Iterator<Item = f64>| bpm.max_by(f64::total_cmp);
    Reached {
        goal,
        beat_quarters: takes.last().map_or(1.0, |t| t.figures.beat_quarters),
        whole_line_bpm: fastest(
            &mut takes
                .iter()
                .filter(|t| t.clean() == Some(true))
                .filter_map(|t| t.figures.tempo_bpm),
        ),
        bars_bpm: (0..n_bars)
            .map(|at| {
                fastest(
                    &mut takes
                        .iter()
                        .filter_map(|t| t.bar(at))
                        .filter(|bar| bar.clean() == Some(true))
                        .filter_map(|bar| bar.tempo_bpm),
                )
            })
            .collect(),
    }
}
