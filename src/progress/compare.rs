//! Two groups of takes held against each other, bar by bar and finger change by finger change.

use std::collections::BTreeMap;

use serde::Serialize;

pub use super::estimate::Estimate;
use super::estimate::{Said, estimate};
use super::figures::BarFigures;
use super::review::TakePoint;
use super::tests_of_change::{Question, adjusted};

/// What is compared.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash, PartialOrd, Ord, Serialize)]
#[serde(rename_all = "snake_case")]
pub enum Measure {
    /// Share of notes right; added ones count against. More is better.
    Accuracy,
    /// Spread of onsets about an even line, ms. Less is better.
    Evenness,
    /// Tempo of takes that were clean there, beats a minute. More is better.
    CleanTempo,
    /// What a finger change takes beyond the run's pace, ms. Less is better.
    FingerChange,
}

/// What can be said of a difference.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize)]
#[serde(rename_all = "snake_case")]
pub enum Verdict {
    Better,
    Worse,
    /// Within what comes by chance.
    CannotTell,
}

/// One measure at one place, then and now.
#[derive(Clone, Debug, PartialEq, Serialize)]
pub struct Difference {
    pub measure: Measure,
    pub then: Option<Estimate>,
    pub now: Option<Estimate>,
    /// Now less then, and its error.
    pub change: Option<f64>,
    pub change_se: Option<f64>,
    /// Chance that anything of this report would differ so much if nothing had changed.
    pub p: f64,
    pub verdict: Verdict,
    /// The tempi then and now lie further apart than [`OTHER_TEMPO`]: spread in ms does not
    /// compare well, and no verdict is given.
    pub other_tempo: bool,
}

#[derive(Clone, Debug, PartialEq, Serialize)]
pub struct BarComparison {
    /// Position among the printed bars with notes.
    pub at: usize,
    pub bar: String,
    pub accuracy: Difference,
    pub evenness: Difference,
    pub clean_tempo: Difference,
}

impl BarComparison {
    pub fn differences(&self) -> [&Difference; 3] {
        [&self.accuracy, &self.evenness, &self.clean_tempo]
    }
}

#[derive(Clone, Debug, PartialEq, Serialize)]
pub struct ChangeComparison {
    /// Written pitches, MIDI numbers.
    pub from: i32,
    pub to: i32,
    pub excess_ms: Difference,
}

/// Two groups of takes and everything that differs.
#[derive(Clone, Debug, PartialEq, Serialize)]
pub struct Comparison {
    pub then: Group,
    pub now: Group,
    pub bars: Vec<BarComparison>,
    pub finger_changes: Vec<ChangeComparison>,
}

/// Which takes.
#[derive(Clone, Debug, PartialEq, Serialize)]
pub struct Group {
    pub first_day: String,
    pub last_day: String,
    pub takes: Vec<i64>,
}

/// Spread grows with the interval (Repp, Percept. Psychophys. 59 (1997) 530): beyond this ratio
/// of tempi it is not held against another tempo's.
pub const OTHER_TEMPO: f64 = 1.25;
/// A finger change is looked at where it came up at least so often in both groups.
const OCCURRENCES: usize = 3;

/// Compares; a verdict is false in at most `alpha` of such comparisons of an unchanged player.
/// `bars`: printed numbers.
pub fn compare(bars: &[String], then: &[&TakePoint], now: &[&TakePoint], alpha: f64) -> Comparison {
    let takes: Vec<&TakePoint> = then.iter().chain(now).copied().collect();
    let question = |said: Vec<Option<Said>>| Question {
        said,
        n_then: then.len(),
    };
    let of_bar = |at: usize, say: fn(&BarFigures) -> Option<Said>| {
        question(takes.iter().map(|t| t.bar(at).and_then(say)).collect())
    };
    let mut questions = Vec::new();
    for at in 0..bars.len() {
        questions.push(of_bar(at, Said::accuracy));
        questions.push(of_bar(at, Said::evenness));
        questions.push(of_bar(at, Said::clean_tempo));
    }
    let other_tempo: Vec<bool> = (0..bars.len())
        .map(|at| plays_other_tempo(then, now, Some(at)))
        .collect();
    let whole_other_tempo = plays_other_tempo(then, now, None);
    let changes = finger_changes(bars.len(), &takes, then.len());
    let n_bar_questions = questions.len();
    questions.extend(changes.values().map(|said| question(said.clone())));
    // What will get no verdict anyway is not asked, so that it costs the others nothing.
    for (i, q) in questions.iter_mut().enumerate() {
        let unfit = if i < n_bar_questions {
            i % 3 == 1 && other_tempo[i / 3]
        } else {
            whole_other_tempo
        };
        if unfit {
            q.said = vec![None; takes.len()];
        }
    }
    let p = adjusted(&questions, alpha);
    // Values are shown all the same.
    let differ = |i: usize, measure, q: &Question, other_tempo| {
        difference(measure, q, p[i], alpha, other_tempo)
    };
    let bars = bars
        .iter()
        .enumerate()
        .map(|(at, bar)| BarComparison {
            at,
            bar: bar.clone(),
            accuracy: differ(3 * at, Measure::Accuracy, &questions[3 * at], false),
            evenness: differ(
                3 * at + 1,
                Measure::Evenness,
                &of_bar(at, Said::evenness),
                other_tempo[at],
            ),
            clean_tempo: differ(
                3 * at + 2,
                Measure::CleanTempo,
                &questions[3 * at + 2],
                false,
            ),
        })
        .collect();
    let finger_changes = changes
        .into_iter()
        .enumerate()
        .map(|(i, ((from, to), said))| ChangeComparison {
            from,
            to,
            excess_ms: differ(
                n_bar_questions + i,
                Measure::FingerChange,
                &question(said),
                whole_other_tempo,
            ),
        })
        .collect();
    Comparison {
        then: group(then),
        now: group(now),
        bars,
        finger_changes,
    }
}

fn group(takes: &[&TakePoint]) -> Group {
    let day = |take: Option<&&TakePoint>| take.map_or(String::new(), |t| t.day().into());
    Group {
        first_day: day(takes.first()),
        last_day: day(takes.last()),
        takes: takes.iter().map(|t| t.id).collect(),
    }
}

fn difference(
    measure: Measure,
    question: &Question,
    p: f64,
    alpha: f64,
    other_tempo: bool,
) -> Difference {
    let then = estimate(&question.group(false));
    let now = estimate(&question.group(true));
    let both = then.zip(now);
    let change = both.map(|(then, now)| now.value - then.value);
    let change_se = both.map(|(then, now)| then.se.hypot(now.se));
    let verdict = match change {
        Some(change) if p <= alpha && change != 0.0 => {
            let more_is_better = matches!(measure, Measure::Accuracy | Measure::CleanTempo);
            if (change > 0.0) == more_is_better {
                Verdict::Better
            } else {
                Verdict::Worse
            }
        }
        _ => Verdict::CannotTell,
    };
    Difference {
        measure,
        then,
        now,
        change,
        change_se,
        p,
        verdict,
        other_tempo,
    }
}

/// Whether mean tempi lie too far apart, in a bar or over the whole take.
fn plays_other_tempo(then: &[&TakePoint], now: &[&TakePoint], at: Option<usize>) -> bool {
    let tempo = |takes: &[&TakePoint]| {
        let all: Vec<f64> = takes
            .iter()
            .filter_map(|t| match at {
                Some(at) => t.bar(at)?.tempo_bpm,
                None => t.figures.tempo_bpm,
            })
            .collect();
        (!all.is_empty()).then(|| crate::judge::stats::mean(&all))
    };
    match (tempo(then), tempo(now)) {
        (Some(a), Some(b)) if a > 0.0 && b > 0.0 => (a / b).max(b / a) > OTHER_TEMPO,
        _ => false,
    }
}

type Changes = BTreeMap<(i32, i32), Vec<Option<Said>>>;

/// What every take says to every finger change that came up often enough.
fn finger_changes(n_bars: usize, takes: &[&TakePoint], n_then: usize) -> Changes {
    let mut changes: BTreeMap<(i32, i32), Vec<Vec<f64>>> = BTreeMap::new();
    for (n, take) in takes.iter().enumerate() {
        for change in (0..n_bars)
            .filter_map(|at| take.bar(at))
            .flat_map(|b| &b.changes)
        {
            let said = changes
                .entry((change.from, change.to))
                .or_insert_with(|| vec![Vec::new(); takes.len()]);
            said[n].push(change.excess_ms);
        }
    }
    let count = |said: &[Vec<f64>]| said.iter().map(Vec::len).sum::<usize>();
    changes
        .into_iter()
        .filter(|(_, said)| {
            count(&said[..n_then]) >= OCCURRENCES && count(&said[n_then..]) >= OCCURRENCES
        })
        .map(|(change, said)| {
            let said = said
                .into_iter()
                .map(|excess| (!excess.is_empty()).then_some(Said::Change(excess)))
                .collect();
            (change, said)
        })
        .collect()
}
