//! The most likely path of a performance through the line.
//!
//! A Viterbi search over (heard note, line position) with two layers: the heard note *is* the
//! line note ("on"), or it is an extra sound after it ("off"). Besides the steps to the next few
//! notes a player may jump. Where one stops is independent of where one starts again, so every
//! jump is a running maximum and the whole costs O(heard notes × line notes)
//! (T. Nakamura, E. Nakamura & Sagayama, IEEE/ACM TASLP 24 (2016) 329). Departures: heard notes
//! instead of audio frames, jumps back to bar starts and by few notes priced by distance, what
//! breaking off costs (a silence, or the note's own time) on the leaving side of the maximum, and
//! time as a second step once the tempo is known.

use super::costs::Costs;
use super::expected::{Expected, NONE};
use super::model;

/// One heard note taken for one line note.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Step {
    pub heard_idx: usize,
    /// Position in [`Expected::notes`].
    pub idx: usize,
    /// How the player came here from the step before.
    pub by: Move,
}

#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Move {
    /// On to the next note, or past up to [`model::MISSED_IN_A_ROW`] notes left out.
    On,
    Back,
    Forward,
    /// Past a repeat that was not taken.
    PastRepeat,
    Start,
}

#[derive(Clone, Debug, Default)]
pub struct Path {
    /// Natural log-likelihood of the whole take, up to a constant of the take.
    pub score: f64,
    pub steps: Vec<Step>,
}

const LOW: f32 = -1e30;

// A back-pointer packs the move, the layer it came from and the position in one word.
const MOVE_SHIFT: u32 = 29;
const FROM_OFF: u32 = 1 << 28;
const POSITION: u32 = FROM_OFF - 1;

fn pack(by: Move, off: bool, position: usize) -> u32 {
    ((by as u32) << MOVE_SHIFT) | if off { FROM_OFF } else { 0 } | (position as u32 & POSITION)
}

fn unpack_move(word: u32) -> Move {
    match word >> MOVE_SHIFT {
        0 => Move::On,
        1 => Move::Back,
        2 => Move::Forward,
        3 => Move::PastRepeat,
        _ => Move::Start,
    }
}

/// A score and where it was reached.
#[derive(Clone, Copy)]
struct Best {
    score: f32,
    at: u32,
}

impl Best {
    const NONE: Best = Best { score: LOW, at: 0 };

    fn or(self, score: f32, at: u32) -> Best {
        if score > self.score {
            Best { score, at }
        } else {
            self
        }
    }

    fn plus(self, cost: f32) -> Best {
        Best {
            score: self.score + cost,
            at: self.at,
        }
    }
}

/// Scores of one row, and what the next row needs from it.
struct Row {
    on: Vec<f32>,
    off: Vec<f32>,
    /// Heard note last matched on the way to an "off" cell.
    off_last: Vec<u32>,
    /// An "on" cell was reached by a jump.
    jumped: Vec<bool>,
    /// Better layer of each position: score, layer.
    best: Vec<f32>,
    best_off: Vec<bool>,
    /// The same with what breaking off there costs.
    leaving: Vec<f32>,
    /// Best jump that lands on each position: back, forward.
    back: Vec<Best>,
    forward: Vec<Best>,
}

/// Finds the most likely path.
pub fn search(costs: &Costs) -> Path {
    let (expected, sounds) = (costs.expected, costs.sounds);
    let n = expected.len();
    let m = sounds.len();
    if n == 0 || m == 0 {
        return Path::default();
    }
    let mut before = Row::new(n);
    let mut row = Row::new(n);
    let mut on_from = vec![0u32; n * m];
    let mut off_from_off = vec![false; n * m];
    // Everything heard so far lies before the playing.
    let mut unstarted = 0.0f64;
    let mut after: Vec<f64> = vec![0.0; m + 1];
    for j in (0..m).rev() {
        after[j] = after[j + 1] + sounds[j].outside as f64;
    }
    let starts: Vec<f32> = (0..n).map(|i| start_cost(expected, i)).collect();
    let ends: Vec<f32> = (0..n).map(|i| end_cost(expected, i)).collect();
    let mut base = 0.0f64;
    let mut end = (f64::NEG_INFINITY, 0usize, 0usize);

    for (j, sound) in sounds.iter().enumerate() {
        if j > 0 {
            before.prepare(costs, j);
        }
        let start_level = (unstarted - base) as f32;
        let mut top = LOW;
        for i in 0..n {
            let mut best = Best::NONE.or(start_level + starts[i], pack(Move::Start, false, i));
            if j > 0 {
                let (back, forward) = (before.back[i], before.forward[i]);
                best = best.or(back.score, back.at);
                best = best.or(forward.score, forward.at);
                best = before.step_to(costs, i, j, best);
            }
            on_from[j * n + i] = best.at;
            row.jumped[i] = matches!(unpack_move(best.at), Move::Back | Move::Forward);
            row.on[i] = best.score + costs.matched(j, i);
            top = top.max(row.on[i]);
            let (extra, again) = costs.extra(j, i);
            let from_on = before.on[i] + extra;
            let from_off = before.off[i] + again;
            if from_off > from_on {
                row.off[i] = from_off;
                row.off_last[i] = before.off_last[i];
                off_from_off[j * n + i] = true;
            } else {
                row.off[i] = from_on;
                row.off_last[i] = if j > 0 { j as u32 - 1 } else { NONE };
            }
            top = top.max(row.off[i]);
        }
        if j > 0 {
            for &(from, to) in &expected.repeat_exits {
                let (score, off) = before.better(from);
                let score = score + model::REPEAT_LEFT_OUT + costs.matched(j, to);
                if score > row.on[to] {
                    row.on[to] = score;
                    on_from[j * n + to] = pack(Move::PastRepeat, off, from);
                    top = top.max(score);
                }
            }
        }
        for (i, end_cost) in ends.iter().enumerate() {
            let total = base + (row.on[i] + end_cost) as f64 + after[j + 1];
            if total > end.0 {
                end = (total, j, i);
            }
        }
        // Scores stay small so that single precision keeps its digits over long takes.
        for score in row.on.iter_mut().chain(row.off.iter_mut()) {
            *score = (*score - top).max(LOW);
        }
        base += top as f64;
        unstarted += sound.outside as f64;
        std::mem::swap(&mut before, &mut row);
    }

    // Nothing of the line need have been played at all.
    if unstarted > end.0 {
        return Path {
            score: unstarted,
            steps: Vec::new(),
        };
    }
    Path {
        score: end.0,
        steps: trace(n, end.1, end.2, &on_from, &off_from_off),
    }
}

/// Walks the back-pointers from the last matched note to the first.
fn trace(
    n: usize,
    last_heard: usize,
    last_idx: usize,
    on_from: &[u32],
    off_from_off: &[bool],
) -> Vec<Step> {
    let mut steps = Vec::new();
    let (mut j, mut i) = (last_heard, last_idx);
    loop {
        let word = on_from[j * n + i];
        let by = unpack_move(word);
        steps.push(Step {
            heard_idx: j,
            idx: i,
            by,
        });
        if by == Move::Start || j == 0 {
            break;
        }
        i = (word & POSITION) as usize;
        j -= 1;
        if word & FROM_OFF != 0 {
            while off_from_off[j * n + i] {
                j -= 1;
            }
            j -= 1;
        }
    }
    steps.reverse();
    steps
}

/// Log-cost of beginning the take at position `i`.
fn start_cost(expected: &Expected, i: usize) -> f32 {
    if let Some(begins_at) = expected.begins_at {
        let elsewhere = model::SKIP + model::SKIP_ANYWHERE + expected.notes[i].landing;
        return if i == begins_at { 0.0 } else { elsewhere };
    }
    let later = model::START_LATER + expected.notes[i].landing;
    if i <= model::EDGE_NOTES_MISSED {
        later.max(expected.missed_sum[i])
    } else {
        later
    }
}

/// Log-cost of ending the take at position `i`.
fn end_cost(expected: &Expected, i: usize) -> f32 {
    let left = expected.len() - 1 - i;
    if left <= model::EDGE_NOTES_MISSED {
        let missed = expected.missed_sum[expected.len()] - expected.missed_sum[i + 1];
        missed.max(model::END_EARLIER)
    } else {
        model::END_EARLIER
    }
}

impl Row {
    fn new(n: usize) -> Row {
        Row {
            on: vec![LOW; n],
            off: vec![LOW; n],
            off_last: vec![NONE; n],
            jumped: vec![false; n],
            best: vec![LOW; n],
            best_off: vec![false; n],
            leaving: vec![LOW; n],
            back: vec![Best::NONE; n],
            forward: vec![Best::NONE; n],
        }
    }

    fn better(&self, i: usize) -> (f32, bool) {
        if self.off[i] > self.on[i] {
            (self.off[i], true)
        } else {
            (self.on[i], false)
        }
    }

    /// Fills the better layer and the running maxima behind every jump to heard note `j`.
    fn prepare(&mut self, costs: &Costs, j: usize) {
        let expected = costs.expected;
        let n = self.on.len();
        for i in 0..n {
            let (score, off) = self.better(i);
            self.best[i] = score;
            self.best_off[i] = off;
            let last = if off { self.off_last[i] } else { j as u32 - 1 };
            self.leaving[i] = score + costs.jump(last, i, j);
            if self.jumped[i] && !off {
                self.leaving[i] += model::ONE_NOTE_TRY;
            }
        }
        // Back: from the end of the line to its start.
        let mut few = Best::NONE;
        let mut near = Best::NONE;
        let mut far = Best::NONE;
        let mut bars = Best::NONE;
        let mut bar = Best::NONE;
        for i in (0..n).rev() {
            let note = &expected.notes[i];
            let same = self.leaving[i] + model::RESTART + model::BACK_SAME_NOTE;
            let mut back = Best::NONE.or(same, pack(Move::Back, self.best_off[i], i));
            let few_here = few.plus(model::RESTART + model::BACK_FEW + model::BACK_NOTE_FIRST);
            back = back.or(few_here.score, few_here.at);
            let anywhere = near.or(far.score + model::FAR, far.at);
            let any_here = anywhere.plus(model::RESTART + model::BACK_ANYWHERE + note.landing);
            back = back.or(any_here.score, any_here.at);
            if note.starts_bar {
                let within = bar.or(bars.score + model::BACK_BAR_MORE, bars.at);
                let bars_here =
                    within.plus(model::RESTART + model::BACK_TO_BAR + model::BACK_BAR_FIRST);
                back = back.or(bars_here.score, bars_here.at);
                bars = within.or(self.leaving[i], pack(Move::Back, self.best_off[i], i));
                bar = Best::NONE;
            }
            self.back[i] = back;
            let here = pack(Move::Back, self.best_off[i], i);
            few = few.plus(model::BACK_NOTE_MORE).or(self.leaving[i], here);
            near = near.plus(model::FARTHER_NOTE).or(self.leaving[i], here);
            far = far.or(self.leaving[i], here);
            bar = bar.or(self.leaving[i], here);
        }
        // Forward: from its start to its end; the next note is no jump.
        let mut near = Best::NONE;
        let mut far = Best::NONE;
        let mut bars = Best::NONE;
        let mut bar = Best::NONE;
        for i in 0..n {
            let note = &expected.notes[i];
            let anywhere = near.or(far.score + model::FAR, far.at);
            let mut forward = anywhere.plus(model::SKIP + model::SKIP_ANYWHERE + note.landing);
            if note.starts_bar {
                let earlier = bars.plus(model::SKIP_BAR_MORE);
                let within = earlier.or(bar.score, bar.at);
                let bars_here =
                    within.plus(model::SKIP + model::SKIP_TO_BAR + model::SKIP_BAR_FIRST);
                forward = forward.or(bars_here.score, bars_here.at);
                bars = if i > 0 {
                    within.or(
                        self.leaving[i - 1],
                        pack(Move::Forward, self.best_off[i - 1], i - 1),
                    )
                } else {
                    Best::NONE
                };
                bar = Best::NONE;
            }
            self.forward[i] = forward;
            // From the note before the next bar's start one simply plays on.
            if i > 0 {
                let before = pack(Move::Forward, self.best_off[i - 1], i - 1);
                near = near
                    .plus(model::FARTHER_NOTE)
                    .or(self.leaving[i - 1], before);
                far = far.or(self.leaving[i - 1], before);
                if !note.starts_bar {
                    bar = bar.or(self.leaving[i - 1], before);
                }
            }
        }
    }

    /// Adds the steps on to position `i` from up to [`model::MISSED_IN_A_ROW`] notes before it.
    fn step_to(&self, costs: &Costs, i: usize, j: usize, mut best: Best) -> Best {
        if i == 0 {
            return best;
        }
        // Time is worth little and costs more, so a step that is behind need not be timed.
        let ahead = best.score - model::ON_TIME;
        let before = j as u32 - 1;
        if self.on[i - 1] > ahead {
            let on = self.on[i - 1] + costs.time(before, i - 1, j, i);
            best = best.or(on, pack(Move::On, false, i - 1));
        }
        if self.off[i - 1] > ahead {
            let off = self.off[i - 1] + costs.time(self.off_last[i - 1], i - 1, j, i);
            best = best.or(off, pack(Move::On, true, i - 1));
        }
        for from in i.saturating_sub(1 + model::MISSED_IN_A_ROW)..i - 1 {
            let score = self.best[from] + costs.expected.missed_between(from, i);
            if score > best.score - model::ON_TIME {
                let off = self.best_off[from];
                let last = if off { self.off_last[from] } else { before };
                let score = score + costs.time(last, from, j, i);
                best = best.or(score, pack(Move::On, off, from));
            }
        }
        best
    }
}
