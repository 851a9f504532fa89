//! Is it a change? Tests over all bars and measures of a report at once.
//!
//! Where there are takes enough, labels "then" and "now" are exchanged among the takes, and a
//! change counts when it is larger than the largest of all bars and measures under all but a
//! few exchanges: the step-down max-T procedure of Westfall & Young (Resampling-Based Multiple
//! Testing, 1993), which needs no assumption on how figures scatter or hang together, only that takes
//! may change places if nothing changed. Where there are few takes, each measure has its own
//! test (Fisher's exact test, the F test of variances, Welch's t), and Holm's steps (Scand. J.
//! Stat. 6 (1979) 65) hold the report's chance of a false change.

use rayon::prelude::*;
use statrs::distribution::{
    ContinuousCDF, DiscreteCDF, FisherSnedecor, Hypergeometric, Normal, StudentsT,
};

use super::estimate::{Estimate, Said, notes, pooled};
use crate::judge::stats::{mean, sd};
use crate::sound::voice::Rng;

/// All exchanges are looked at up to this many; beyond, so many are drawn.
const EXCHANGES_MAX: usize = 2000;
/// Drawn exchanges are the same on every run.
const EXCHANGE_SEED: u64 = 1993;

/// One bar and measure, or one finger change: what every take of both groups says to it.
pub struct Question {
    /// Takes of "then" first; `None` where a take says nothing.
    pub said: Vec<Option<Said>>,
    pub n_then: usize,
}

impl Question {
    pub fn group(&self, now: bool) -> Vec<&Said> {
        let range = if now {
            self.n_then..self.said.len()
        } else {
            0..self.n_then
        };
        self.said[range].iter().flatten().collect()
    }
}

/// Chance of so large a change in any of `questions` if nothing changed, for each of them:
/// adjusted p-values. `alpha`: what they will be held against.
pub fn adjusted(questions: &[Question], alpha: f64) -> Vec<f64> {
    let Some(first) = questions.first() else {
        return Vec::new();
    };
    let (n, n_then) = (first.said.len(), first.n_then);
    // The change itself and its mirror image are the rarest there can be.
    if n_then > 1 && n - n_then > 1 && 2.0 / choose(n, n_then) <= alpha {
        by_exchange(questions, n, n_then)
    } else {
        holm(&questions.iter().map(parametric).collect::<Vec<_>>())
    }
}

fn choose(n: usize, k: usize) -> f64 {
    (0..k).map(|i| (n - i) as f64 / (k - i) as f64).product()
}

/// Values of one question with the spread over all its takes, which no exchange changes.
struct Spread {
    values: Vec<Option<f64>>,
    sd: f64,
}

impl Spread {
    fn of(question: &Question) -> Spread {
        let values: Vec<Option<f64>> = question
            .said
            .iter()
            .map(|said| said.as_ref().map(Said::score))
            .collect();
        let known: Vec<f64> = values.iter().flatten().copied().collect();
        Spread {
            sd: sd(&known),
            values,
        }
    }

    /// |now − then| in units of its spread when `now` says which takes are of today.
    fn distance(&self, now: &[bool]) -> f64 {
        let mut sums = [(0.0, 0.0); 2];
        for (value, now) in self.values.iter().zip(now) {
            if let Some(value) = value {
                sums[usize::from(*now)].0 += value;
                sums[usize::from(*now)].1 += 1.0;
            }
        }
        let [(then, a), (today, b)] = sums;
        if a < 2.0 || b < 2.0 || self.sd <= 0.0 {
            return 0.0;
        }
        (today / b - then / a).abs() / (self.sd * (1.0 / a + 1.0 / b).sqrt())
    }
}

fn by_exchange(questions: &[Question], n: usize, n_then: usize) -> Vec<f64> {
    let spreads: Vec<Spread> = questions.iter().map(Spread::of).collect();
    let observed: Vec<bool> = (0..n).map(|i| i >= n_then).collect();
    let distances: Vec<f64> = spreads.iter().map(|s| s.distance(&observed)).collect();
    let exchanges = exchanges(n, n_then);
    // Sums come in another order under another label: equal ones may differ in the last digit.
    const SAME: f64 = 1.0 - 1e-9;
    // Step down: each is held against those that are not larger, so that one great change does
    // not hide a smaller one.
    let mut order: Vec<usize> = (0..questions.len()).collect();
    order.sort_by(|a, b| distances[*b].total_cmp(&distances[*a]));
    let reaches = |now: &Vec<bool>| {
        let mut largest: f64 = 0.0;
        let mut reaches = vec![false; order.len()];
        for (rank, i) in order.iter().enumerate().rev() {
            largest = largest.max(spreads[*i].distance(now));
            reaches[rank] = largest >= distances[*i] * SAME;
        }
        reaches
    };
    let mut larger = vec![0usize; order.len()];
    for reaches in exchanges.par_iter().map(reaches).collect::<Vec<_>>() {
        for (larger, reaches) in larger.iter_mut().zip(reaches) {
            *larger += usize::from(reaches);
        }
    }
    let drawn = choose(n, n_then) > EXCHANGES_MAX as f64;
    let mut adjusted = vec![1.0; questions.len()];
    let mut least: f64 = 0.0;
    for (i, larger) in order.into_iter().zip(larger) {
        let share = if drawn {
            // The observed labels are one of the exchanges.
            (larger + 1) as f64 / (exchanges.len() + 1) as f64
        } else {
            larger as f64 / exchanges.len() as f64
        };
        least = least.max(share);
        adjusted[i] = least;
    }
    adjusted
}

/// All ways to call `n − n_then` of `n` takes today's, or many of them.
fn exchanges(n: usize, n_then: usize) -> Vec<Vec<bool>> {
    if choose(n, n_then) <= EXCHANGES_MAX as f64 {
        let mut all = Vec::new();
        let mut labels = vec![false; n];
        combine(&mut labels, 0, n - n_then, &mut all);
        return all;
    }
    let mut rng = Rng::new(EXCHANGE_SEED);
    let mut labels: Vec<bool> = (0..n).map(|i| i >= n_then).collect();
    (0..EXCHANGES_MAX)
        .map(|_| {
            for i in (1..n).rev() {
                let j = ((i + 1) as f64 * rng.unit()) as usize;
                labels.swap(i, j.min(i));
            }
            labels.clone()
        })
        .collect()
}

fn combine(labels: &mut [bool], from: usize, left: usize, all: &mut Vec<Vec<bool>>) {
    if left == 0 {
        return all.push(labels.to_vec());
    }
    for i in from..=labels.len() - left {
        labels[i] = true;
        combine(labels, i + 1, left - 1, all);
        labels[i] = false;
    }
}

/// Holm's adjusted p-values.
fn holm(p: &[f64]) -> Vec<f64> {
    // A question that cannot be asked is none of the many.
    let asked = p.iter().filter(|p| **p < 1.0).count();
    let mut order: Vec<usize> = (0..p.len()).collect();
    order.sort_by(|a, b| p[*a].total_cmp(&p[*b]));
    let mut adjusted = vec![1.0; p.len()];
    let mut least: f64 = 0.0;
    for (rank, i) in order.into_iter().enumerate() {
        least = least.max((asked.saturating_sub(rank).max(1)) as f64 * p[i]);
        adjusted[i] = least.min(1.0);
    }
    adjusted
}

fn parametric(question: &Question) -> f64 {
    let (then, now) = (question.group(false), question.group(true));
    let p = match (then.first(), now.first()) {
        (Some(Said::Notes { .. }), Some(_)) => fisher(notes(&then), notes(&now)),
        (Some(Said::Evenness(_)), Some(_)) => variance_ratio(&then, &now),
        (Some(Said::Tempo { .. }), Some(_)) => tempo(&then, &now),
        (Some(Said::Change(_)), Some(_)) => welch(&occurrences(&then), &occurrences(&now)),
        _ => None,
    };
    p.filter(|p| p.is_finite()).unwrap_or(1.0).clamp(0.0, 1.0)
}

/// Fisher's exact test, two-sided by doubling. Slips come in clumps, which makes counts scatter
/// more than the test believes: pairs of notes are counted as one.
fn fisher((right_a, of_a): (usize, usize), (right_b, of_b): (usize, usize)) -> Option<f64> {
    let halved = |wrong: usize, of: usize| (wrong.div_ceil(2) as u64, of.div_ceil(2) as u64);
    let (wrong_a, of_a) = halved(of_a - right_a, of_a);
    let (wrong_b, of_b) = halved(of_b - right_b, of_b);
    if of_a == 0 || of_b == 0 || wrong_a + wrong_b == 0 {
        return None;
    }
    let counts = Hypergeometric::new(of_a + of_b, wrong_a + wrong_b, of_b).ok()?;
    let below = counts.cdf(wrong_b);
    let above = if wrong_b == 0 {
        1.0
    } else {
        counts.sf(wrong_b - 1)
    };
    Some(2.0 * below.min(above))
}

/// The F test of two variances, brought to the same measurement first: the better measured
/// take gets the other's share of noise added.
fn variance_ratio(then: &[&Said], now: &[&Said]) -> Option<f64> {
    let (a, b) = (pooled(then)?, pooled(now)?);
    let noise = a.measurement_ms2.max(b.measurement_ms2);
    let (va, vb) = (
        a.variance_ms2 + noise - a.measurement_ms2,
        b.variance_ms2 + noise - b.measurement_ms2,
    );
    if va <= 0.0 || vb <= 0.0 {
        return None;
    }
    let f = FisherSnedecor::new(a.freedom, b.freedom).ok()?;
    let below = f.cdf(va / vb);
    Some(2.0 * below.min(1.0 - below))
}

fn tempo(then: &[&Said], now: &[&Said]) -> Option<f64> {
    let (a, b) = (
        super::estimate::estimate(then)?,
        super::estimate::estimate(now)?,
    );
    difference(&a, &b)
}

/// Two-sided normal chance of a difference of estimates.
fn difference(a: &Estimate, b: &Estimate) -> Option<f64> {
    let se = a.se.hypot(b.se);
    let normal = Normal::new(0.0, 1.0).ok()?;
    (se > 0.0).then(|| 2.0 * normal.sf((b.value - a.value).abs() / se))
}

/// Occurrences of a finger change as they came, all takes of a group.
fn occurrences(group: &[&Said]) -> Vec<f64> {
    group
        .iter()
        .flat_map(|said| match said {
            Said::Change(excess) => excess.clone(),
            _ => Vec::new(),
        })
        .collect()
}

/// Welch's t test (Biometrika 34 (1947) 28), two-sided.
fn welch(a: &[f64], b: &[f64]) -> Option<f64> {
    if a.len() < 2 || b.len() < 2 {
        return None;
    }
    let share = |v: &[f64]| sd(v).powi(2) / v.len() as f64;
    let (va, vb) = (share(a), share(b));
    if va + vb <= 0.0 {
        return None;
    }
    let freedom =
        (va + vb).powi(2) / (va * va / (a.len() - 1) as f64 + vb * vb / (b.len() - 1) as f64);
    let t = StudentsT::new(0.0, 1.0, freedom).ok()?;
    Some(2.0 * t.sf((mean(a) - mean(b)).abs() / (va + vb).sqrt()))
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Fisher's own example, the lady tasting tea (The Design of Experiments, 1935, §7): of 70
    /// ways to choose four cups of eight, one has all right.
    #[test]
    fn all_ways_to_choose_four_cups_of_eight() {
        assert_eq!(choose(8, 4), 70.0);
        let all = exchanges(8, 4);
        assert_eq!(all.len(), 70);
        let mut different = all.clone();
        different.sort();
        different.dedup();
        assert_eq!(different.len(), 70);
    }

    /// Holm (1979), worked through by hand: 0.01, 0.04, 0.03 of three.
    #[test]
    fn holm_steps() {
        let adjusted = holm(&[0.01, 0.04, 0.03]);
        for (got, wanted) in adjusted.iter().zip([0.03, 0.06, 0.06]) {
            assert!((got - wanted).abs() < 1e-12, "{adjusted:?}");
        }
    }

    /// The upper 5 % point of F with 4 and 4 degrees of freedom is 6.39 (printed tables of the
    /// F distribution), so 6.39 either way is one in ten.
    #[test]
    fn ratio_of_variances_by_the_table() {
        let said = |variance_ms2| {
            Said::Evenness(super::super::figures::Evenness {
                variance_ms2,
                freedom: 4.0,
                measurement_ms2: 0.0,
            })
        };
        let p = variance_ratio(&[&said(6.39)], &[&said(1.0)]).unwrap();
        assert!((p - 0.10).abs() < 2e-3, "{p}");
    }
}
