//! How sure the alignment is: forward and backward sums over all performances near the path.
//!
//! Within one stretch of playing (no jump) every line note may be taken for any heard note whose
//! place on the path is near; the sums give, for every line note, the probability that it was
//! played right, played wrong, or not at all. Jumps and the ends of stretches are taken as settled.

use super::costs::Costs;
use super::model;
use super::path::{Move, Step};
use super::pitch;

/// Line positions on either side of the path that count as near.
const REACH: usize = 4;
/// Heard notes in a row that may be left out between two matched ones, unless the path leaves out more.
const LEFT_OUT: usize = 4;

/// Probabilities of what became of a line note in one stretch.
#[derive(Clone, Copy, Debug, Default)]
pub struct Belief {
    pub right: f64,
    pub wrong: f64,
}

impl Belief {
    pub fn missed(self) -> f64 {
        (1.0 - self.right - self.wrong).clamp(0.0, 1.0)
    }
}

/// Beliefs along one stretch.
pub struct Stretch {
    /// First line position; one belief a position up to the last.
    pub first_idx: usize,
    pub notes: Vec<Belief>,
    first_heard: usize,
    /// For each heard note of the stretch: probability that it is no line note.
    extra: Vec<f64>,
}

impl Stretch {
    /// Belief in the line note at position `idx`; nothing is believed outside the stretch.
    pub fn of(&self, idx: usize) -> Belief {
        let at = idx.checked_sub(self.first_idx);
        at.and_then(|at| self.notes.get(at))
            .copied()
            .unwrap_or_default()
    }

    /// Probability that heard note `j` is no line note; 1 outside the stretch.
    pub fn extra_at(&self, j: usize) -> f64 {
        let at = j.checked_sub(self.first_heard);
        at.and_then(|at| self.extra.get(at))
            .map_or(1.0, |p| p.clamp(0.0, 1.0))
    }
}

/// Splits the path at its jumps and weighs each stretch; one result for each.
pub fn weigh(costs: &Costs, steps: &[Step]) -> Vec<Stretch> {
    let mut stretches = Vec::new();
    let mut first = 0;
    for k in 1..=steps.len() {
        if k == steps.len() || steps[k].by != Move::On {
            stretches.push(weigh_stretch(costs, &steps[first..k]));
            first = k;
        }
    }
    stretches
}

/// The cells near the path of one stretch, and their log-sums.
struct Grid<'a> {
    costs: &'a Costs<'a>,
    first_heard: usize,
    /// Line position of the path at each heard note: of the step at or before it.
    centre: Vec<usize>,
    low: usize,
    high: usize,
    left_out: usize,
}

const WIDTH: usize = 2 * REACH + 1;
const LOW: f64 = -1e30;
/// A cell this much less likely than the best of its row is given up, natural log.
const HOPELESS: f64 = 25.0;

fn weigh_stretch(costs: &Costs, steps: &[Step]) -> Stretch {
    let (head, tail) = (steps[0], steps[steps.len() - 1]);
    let mut centre = Vec::with_capacity(tail.heard_idx + 1 - head.heard_idx);
    let mut left_out = LEFT_OUT;
    for pair in steps.windows(2) {
        let gap = pair[1].heard_idx - pair[0].heard_idx;
        left_out = left_out.max(gap);
        centre.extend(std::iter::repeat_n(pair[0].idx, gap));
    }
    centre.push(tail.idx);
    let grid = Grid {
        costs,
        first_heard: head.heard_idx,
        centre,
        low: head.idx,
        high: tail.idx,
        left_out,
    };
    let n_heard = grid.centre.len();
    let mut forward = vec![[LOW; WIDTH]; n_heard];
    let mut backward = vec![[LOW; WIDTH]; n_heard];
    forward[0][REACH] = grid.emission(0, REACH);
    backward[n_heard - 1][REACH] = 0.0;
    for j in 1..n_heard {
        for slot in 0..WIDTH {
            let mut sum = LogSum::default();
            grid.each_before(&forward, j, slot, |before, from, cost| {
                sum.add(forward[before][from] + cost)
            });
            forward[j][slot] = sum.log() + grid.emission(j, slot);
        }
        let best = forward[j].iter().copied().fold(LOW, f64::max);
        for cell in &mut forward[j] {
            if *cell < best - HOPELESS {
                *cell = LOW;
            }
        }
    }
    for j in (1..n_heard).rev() {
        for slot in 0..WIDTH {
            if forward[j][slot] <= LOW || backward[j][slot] <= LOW {
                continue;
            }
            let here = backward[j][slot] + grid.emission(j, slot);
            grid.each_before(&forward, j, slot, |before, from, cost| {
                let cell = &mut backward[before][from];
                *cell = log_add(*cell, here + cost);
            });
        }
    }
    let total = forward[n_heard - 1][REACH];
    let mut notes = vec![Belief::default(); tail.idx + 1 - head.idx];
    let mut extra = vec![1.0; n_heard];
    for j in 0..n_heard {
        for slot in 0..WIDTH {
            let Some(idx) = grid.idx(j, slot) else {
                continue;
            };
            let share = (forward[j][slot] + backward[j][slot] - total).exp();
            if !share.is_finite() || share < 1e-9 {
                continue;
            }
            let sound = &costs.sounds[grid.first_heard + j];
            let right = pitch::share_right(
                &sound.offers,
                sound.pitch_se_semitones,
                costs.expected.notes[idx].midi,
            );
            notes[idx - head.idx].right += share * right;
            notes[idx - head.idx].wrong += share * (1.0 - right);
            extra[j] -= share;
        }
    }
    // The shares of one note sum to 1 but for rounding.
    for belief in &mut notes {
        belief.right = belief.right.min(1.0);
        belief.wrong = belief.wrong.min(1.0 - belief.right);
    }
    Stretch {
        first_idx: head.idx,
        notes,
        first_heard: head.heard_idx,
        extra,
    }
}

impl Grid<'_> {
    /// Line position of a cell, where it lies in the stretch.
    fn idx(&self, j: usize, slot: usize) -> Option<usize> {
        let idx = (self.centre[j] + slot).checked_sub(REACH)?;
        (self.low..=self.high).contains(&idx).then_some(idx)
    }

    fn emission(&self, j: usize, slot: usize) -> f64 {
        match self.idx(j, slot) {
            Some(idx) => self.costs.matched(self.first_heard + j, idx) as f64,
            None => LOW,
        }
    }

    /// Calls `visit(heard, slot, log-cost)` for every cell from which one may come to (`j`, `slot`)
    /// and that `forward` has not given up.
    fn each_before(
        &self,
        forward: &[[f64; WIDTH]],
        j: usize,
        slot: usize,
        mut visit: impl FnMut(usize, usize, f64),
    ) {
        let Some(idx) = self.idx(j, slot) else { return };
        let heard = self.first_heard + j;
        for from in (self.low..idx).rev().take(1 + model::MISSED_IN_A_ROW) {
            let missed = self.costs.expected.missed_between(from, idx) as f64;
            // Sounds between two matched ones belong to no note; the first of them pays most.
            let (mut extras, mut later) = (0.0, 0.0);
            for before in (j.saturating_sub(1 + self.left_out)..j).rev() {
                if before + 1 < j {
                    let (first, again) = self.costs.extra(self.first_heard + before + 1, from);
                    extras = later + first as f64;
                    later += again as f64;
                }
                let slot = (from + REACH).checked_sub(self.centre[before]);
                let Some(slot) = slot.filter(|&s| s < WIDTH && forward[before][s] > LOW) else {
                    continue;
                };
                let last = (self.first_heard + before) as u32;
                let time = self.costs.time(last, from, heard, idx) as f64;
                visit(before, slot, missed + extras + time);
            }
        }
    }
}

/// Sum of exponentials, kept as a logarithm.
#[derive(Default)]
struct LogSum(Option<f64>);

impl LogSum {
    fn add(&mut self, log: f64) {
        self.0 = Some(self.0.map_or(log, |sum| log_add(sum, log)));
    }

    fn log(&self) -> f64 {
        self.0.unwrap_or(LOW).max(LOW)
    }
}

fn log_add(a: f64, b: f64) -> f64 {
    let (high, low) = if a > b { (a, b) } else { (b, a) };
    if low < high - 40.0 {
        high
    } else {
        high + (low - high).exp().ln_1p()
    }
}
