//! What a class as a whole finds hard: bars, and finger changes.

use std::collections::BTreeMap;

use serde::Serialize;
use statrs::distribution::{Binomial, ContinuousCDF, DiscreteCDF, StudentsT};

use super::{Checked, Row};
use crate::judge::stats::{mean, sd, wilson_95};

/// Fewer players than this are no class: one of them alone would carry the mean.
const PLAYERS_MIN: usize = 5;
/// Chance that anything is named of a class that finds nothing harder than the rest: one in
/// twenty lists, shared out over all bars, or all changes, looked at (Bonferroni).
const FALSE_SHARE: f64 = 0.05;

/// How many of the players stumbled in a bar.
#[derive(Clone, Debug, PartialEq, Serialize)]
pub struct HardBar {
    /// Position among the printed bars with notes, and the printed number.
    pub at: usize,
    pub bar: String,
    /// Players with a wrong, missed or added note there, of those who played it.
    pub stumbled: usize,
    pub played: usize,
    /// 95 % Wilson interval of that share.
    pub low: f64,
    pub high: f64,
    /// So many stumble elsewhere only by a rare chance.
    pub stands_out: bool,
}

/// A finger change that takes the class long.
#[derive(Clone, Debug, PartialEq, Serialize)]
pub struct HardChange {
    /// Written pitches, MIDI numbers.
    pub from: i32,
    pub to: i32,
    pub players: usize,
    /// Mean over players of what the change takes beyond the run's own pace, and its error.
    pub excess_ms: f64,
    pub excess_se_ms: f64,
}

/// Bars in the order of the page; empty of too few players. `bars`: printed numbers.
pub fn hard_bars(rows: &[Row], bars: &[String]) -> Vec<HardBar> {
    let checked: Vec<&Checked> = rows.iter().filter_map(Row::checked).collect();
    let mut counts = vec![(0, 0); bars.len()];
    for take in &checked {
        for (count, bar) in counts.iter_mut().zip(&take.figures.bars) {
            if bar.judged() > 0 {
                count.0 += usize::from(bar.faults + bar.added > 0);
                count.1 += 1;
            }
        }
    }
    let (stumbled, played) = counts
        .iter()
        .fold((0, 0), |(s, p), count| (s + count.0, p + count.1));
    let usual = stumbled as f64 / played.max(1) as f64;
    counts
        .into_iter()
        .enumerate()
        .filter_map(|(at, (stumbled, played))| {
            let (low, high) = wilson_95(stumbled, played)?;
            (played >= PLAYERS_MIN).then(|| HardBar {
                at,
                bar: bars[at].clone(),
                stumbled,
                played,
                low,
                high,
                stands_out: stumbled > 0
                    && by_chance(stumbled, played, usual) < FALSE_SHARE / bars.len() as f64,
            })
        })
        .collect()
}

/// Changes that are slow beyond the errors, the slowest first.
pub fn hard_changes(rows: &[Row]) -> Vec<HardChange> {
    let mut by_change: BTreeMap<(i32, i32), Vec<f64>> = BTreeMap::new();
    for take in rows.iter().filter_map(Row::checked) {
        let mut own: BTreeMap<(i32, i32), Vec<f64>> = BTreeMap::new();
        for change in take.figures.bars.iter().flat_map(|b| &b.changes) {
            own.entry((change.from, change.to))
                .or_default()
                .push(change.excess_ms);
        }
        for (change, excess) in own {
            by_change.entry(change).or_default().push(mean(&excess));
        }
    }
    by_change.retain(|_, players| players.len() >= PLAYERS_MIN);
    let share = FALSE_SHARE / by_change.len().max(1) as f64;
    let mut hard: Vec<HardChange> = by_change
        .into_iter()
        .map(|((from, to), players)| HardChange {
            from,
            to,
            players: players.len(),
            excess_ms: mean(&players),
            excess_se_ms: sd(&players) / (players.len() as f64).sqrt(),
        })
        .filter(|c| c.excess_ms > 0.0 && slow_by_chance(c) < share)
        .collect();
    hard.sort_by(|a, b| b.excess_ms.total_cmp(&a.excess_ms));
    hard
}

/// Chance that `stumbled` or more of `played` stumble where the share is `usual`.
fn by_chance(stumbled: usize, played: usize, usual: f64) -> f64 {
    Binomial::new(usual.clamp(0.0, 1.0), played as u64)
        .map_or(1.0, |counts| counts.sf(stumbled as u64 - 1))
}

/// Chance of a mean so far above nothing, by the players' own spread (Student's t).
fn slow_by_chance(change: &HardChange) -> f64 {
    if change.excess_se_ms <= 0.0 {
        return 1.0;
    }
    StudentsT::new(0.0, 1.0, (change.players - 1) as f64)
        .map_or(1.0, |t| t.sf(change.excess_ms / change.excess_se_ms))
}
