//! One measure of one bar, or of one finger change, over the takes of a group: value and error.

use serde::Serialize;

use super::figures::{BarFigures, Evenness};
use crate::judge::stats::{mean, sd};

/// From so many takes on their own scatter is an error one can use.
const TAKES_FOR_SCATTER: usize = 3;
/// How far a player's tempo moves from take to take without any change of mind, as a share:
/// the difference of tempo that listeners just notice is of this size (3 % over six intervals,
/// Drake & Botte, Percept. Psychophys. 54 (1993) 277). Used where takes are too few to show it.
const TEMPO_HABIT_SHARE: f64 = 0.03;

/// A value, its standard error, and how many takes it rests on.
#[derive(Clone, Copy, Debug, PartialEq, Serialize)]
pub struct Estimate {
    pub value: f64,
    pub se: f64,
    pub takes: usize,
}

/// What one take says to a measure: a value that can be averaged, with what the parametric
/// tests need beside it.
#[derive(Clone, Debug, PartialEq)]
pub enum Said {
    /// Notes right, and notes judged or added.
    Notes {
        right: usize,
        of: usize,
    },
    Evenness(Evenness),
    /// Beats a minute of a clean take, and the error of the reading.
    Tempo {
        bpm: f64,
        se: f64,
    },
    /// Excess of every occurrence of a finger change, ms.
    Change(Vec<f64>),
}

impl Said {
    pub fn accuracy(bar: &BarFigures) -> Option<Said> {
        let of = bar.judged() + bar.added;
        (bar.judged() > 0).then_some(Said::Notes {
            right: bar.right,
            of,
        })
    }

    pub fn evenness(bar: &BarFigures) -> Option<Said> {
        bar.evenness.map(Said::Evenness)
    }

    pub fn clean_tempo(bar: &BarFigures) -> Option<Said> {
        if bar.clean() != Some(true) {
            return None;
        }
        Some(Said::Tempo {
            bpm: bar.tempo_bpm?,
            se: bar.tempo_se?,
        })
    }

    /// The one number of this take.
    pub fn value(&self) -> f64 {
        match self {
            Said::Notes { right, of } => *right as f64 / (*of).max(1) as f64,
            Said::Evenness(evenness) => evenness.sd_ms(),
            Said::Tempo { bpm, .. } => *bpm,
            Said::Change(excess) => mean(excess),
        }
    }

    /// The same for the tests of change: spreads are compared by their ratio, as logarithms,
    /// because a large spread scatters more than a small one.
    pub fn score(&self) -> f64 {
        /// Below a millisecond no player's spread is told from another's.
        const FLOOR_MS2: f64 = 1.0;
        match self {
            Said::Evenness(e) => 0.5 * (e.variance_ms2 + FLOOR_MS2).ln(),
            other => other.value(),
        }
    }
}

/// All takes of a group together; `None` of none, or where no error can be given.
pub fn estimate(said: &[&Said]) -> Option<Estimate> {
    let values: Vec<f64> = said.iter().map(|s| s.value()).collect();
    let k = values.len();
    // Scatter from take to take; what one take alone shows of its error is the floor.
    let scatter = if k >= TAKES_FOR_SCATTER {
        sd(&values) / (k as f64).sqrt()
    } else {
        0.0
    };
    let (value, own) = match said.first()? {
        Said::Notes { .. } => accuracy(said),
        Said::Evenness(_) => evenness(said)?,
        Said::Tempo { .. } => tempo(said, &values),
        Said::Change(_) => change(said)?,
    };
    Some(Estimate {
        value,
        se: own.max(scatter),
        takes: k,
    })
}

fn accuracy(said: &[&Said]) -> (f64, f64) {
    let (right, of) = notes(said);
    // Half a note either way, so that none wrong in eight is not known for sure
    // (Jeffreys' prior).
    let p = (right as f64 + 0.5) / (of as f64 + 1.0);
    let value = right as f64 / of.max(1) as f64;
    (value, (p * (1.0 - p) / (of as f64 + 1.0)).sqrt())
}

/// Notes right and notes in all.
pub fn notes(said: &[&Said]) -> (usize, usize) {
    said.iter().fold((0, 0), |(r, n), s| match s {
        Said::Notes { right, of } => (r + right, n + of),
        _ => (r, n),
    })
}

/// Pooled evenness of a group.
pub fn pooled(said: &[&Said]) -> Option<Evenness> {
    Evenness::pooled(said.iter().filter_map(|s| match s {
        Said::Evenness(evenness) => Some(evenness),
        _ => None,
    }))
}

/// The player's standard deviation; its error from the measurement and, as takes are compared,
/// from how few notes there are: s/√(2ν).
fn evenness(said: &[&Said]) -> Option<(f64, f64)> {
    let all = pooled(said)?;
    let (d2, m2, nu) = (
        all.sd_ms().powi(2),
        all.measurement_ms2,
        all.freedom.max(1.0),
    );
    let s2_se = ((4.0 * d2 * m2 + 2.0 * m2 * m2) / nu).sqrt();
    let measurement = (s2_se / (2.0 * d2.sqrt()).max(1e-9)).min(s2_se.sqrt());
    let sampling = (all.variance_ms2 / (2.0 * nu)).sqrt();
    Some((all.sd_ms(), measurement.hypot(sampling)))
}

fn tempo(said: &[&Said], values: &[f64]) -> (f64, f64) {
    let k = values.len() as f64;
    let reading = said
        .iter()
        .map(|s| match s {
            Said::Tempo { se, .. } => se * se,
            _ => 0.0,
        })
        .sum::<f64>()
        .sqrt()
        / k;
    let habit = if values.len() >= TAKES_FOR_SCATTER {
        0.0
    } else {
        TEMPO_HABIT_SHARE * mean(values) / k.sqrt()
    };
    (mean(values), reading.hypot(habit))
}

/// Mean over takes; the error from the scatter of the occurrences within them.
fn change(said: &[&Said]) -> Option<(f64, f64)> {
    let all: Vec<f64> = said
        .iter()
        .flat_map(|s| match s {
            Said::Change(excess) => excess.as_slice(),
            _ => &[],
        })
        .copied()
        .collect();
    (all.len() >= 2).then(|| (mean(&all), sd(&all) / (all.len() as f64).sqrt()))
}
