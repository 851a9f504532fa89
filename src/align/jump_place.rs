//! How sure the place of a jump forward is.
//!
//! Where the music after the jump begins as the music left out does, the playing may have gone
//! on for some notes before it jumped, or jumped some notes before: the same sounds, other notes
//! left out. Only tongue, time and the places that players start at speak for one of them.

use super::costs::Costs;
use super::path::{Move, Step};

/// Notes by which a jump may have come earlier or later: repeated lines are up to so long.
const REACH: usize = 64;

/// Probability of each note between `steps[k - 1]` and `steps[k]`, a jump forward, that it was
/// passed over.
pub fn passed_over(costs: &Costs, steps: &[Step], k: usize) -> Vec<f64> {
    let joined = |i: &usize| steps[*i].by == Move::On && steps[*i].idx == steps[*i - 1].idx + 1;
    let before = (1..k).rev().take_while(joined).take(REACH).count();
    let after = (k + 1..steps.len()).take_while(joined).take(REACH).count();
    let (from, to) = (steps[k - 1].idx, steps[k].idx);
    // With the jump before step `jump`, the steps before it follow `from`, those from it on `to`.
    let score = |jump: usize| -> f64 {
        let idx = |i: usize| {
            if i < jump {
                from + i + 1 - k
            } else {
                to + i - k
            }
        };
        (k - before..=k + after)
            .map(|i| {
                let (last, heard) = (steps[i - 1].heard_idx as u32, steps[i].heard_idx);
                let how = if i == jump {
                    costs.jump(last, idx(i - 1), heard) + costs.expected.notes[idx(i)].landing
                } else {
                    costs.time(last, idx(i - 1), heard, idx(i))
                };
                f64::from(how + costs.matched(heard, idx(i)))
            })
            .sum()
    };
    let scores: Vec<(usize, f64)> = (k - before..=k + after).map(|at| (at, score(at))).collect();
    let best = scores.iter().map(|s| s.1).fold(f64::MIN, f64::max);
    let total: f64 = scores.iter().map(|s| (s.1 - best).exp()).sum();
    (from + 1..to)
        .map(|note| {
            let over = scores
                .iter()
                .filter(|(at, _)| note + k > from + at && note + k < to + at);
            over.map(|s| (s.1 - best).exp()).sum::<f64>() / total
        })
        .collect()
}
