//! The cheapest way through the whole line, what each choice hangs on, and what stays hard.

use super::change::{Change, Hold};
use super::chart::{Chart, KeySet};
use super::search::{Layers, Solution};
use super::states::{Between, Ways, between, ways};
use super::wishes::{WishError, Wishes};
use crate::line::Line;

/// A change is lost in its note when it takes more than this share of it. Common practice put
/// into a number: the model's figure, not a measured one.
const HAND_SHARE: f64 = 0.5;
/// No hand repeats a change faster than this, however easy: a quick trill, some fourteen notes a
/// second (common practice).
const FASTEST_MS: f64 = 70.0;
/// A change this easy is not among the hard ones: two fingers moving together.
const EASY_MS: f64 = 23.0;
/// Hard changes told, so that they can be worked on.
const N_HARD: usize = 12;

/// Fingerings for the whole line.
#[derive(Clone, Debug, PartialEq)]
pub struct Plan {
    /// One entry a note of the line.
    pub notes: Vec<NotePlan>,
    /// Change from each note to the next; `None` where a side has no fingering.
    pub changes: Vec<Option<Weighed>>,
    /// Hardest first; of the same change twice only the harder place.
    pub hard: Vec<HardChange>,
    /// Slides and flips that no other fingering avoids, in playing order.
    pub forced: Vec<ForcedChange>,
    /// What the whole way costs.
    pub cost_ms: f64,
}

#[derive(Clone, Debug, PartialEq)]
pub struct NotePlan {
    /// `None` where the chart has nothing for the pitch.
    pub hold: Option<Hold>,
    /// Whether the chart offers more than one fingering.
    pub choice: bool,
    pub reason: Reason,
    pub second: Option<Second>,
    /// Where the note is trilled: the fingering of the note above.
    pub trill: Option<usize>,
}

/// The next best fingering of one note, the rest of the line following suit.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Second {
    pub fingering: usize,
    pub extra_cost_ms: f64,
}

/// What a choice hangs on. `beside` is the note before or after.
#[derive(Clone, Debug, PartialEq)]
pub enum Reason {
    /// The chart has no fingering for the pitch.
    OutOfChart,
    /// There is one way only.
    Only,
    /// The player's own pin, or habit.
    Pinned,
    Habit,
    /// The second best would slide or flip into or out of the note beside.
    Avoids {
        beside: usize,
        flip: bool,
    },
    /// Either way a finger slides or flips here.
    NoEscape {
        beside: usize,
    },
    /// The second best would come off a side key as the break is crossed.
    SideBeforeBreak {
        beside: usize,
    },
    /// Fewer fingers move to or from the note beside; these do (indices of [`Chart::fingers`]).
    FewerMove {
        beside: usize,
        fingers: Vec<usize>,
    },
    /// Further along the line something depends on it.
    FurtherOn,
    /// Nothing near it decides; the ordinary choice.
    Ordinary,
}

/// A change with its place in time.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Weighed {
    pub change: Change,
    pub between: Between,
    /// As the search counts it.
    pub cost: f64,
}

#[derive(Clone, Copy, Debug, PartialEq)]
pub struct HardChange {
    pub from: usize,
    pub weighed: Weighed,
    /// Beats a minute, in the line's beat, up to which the change has its share of the note;
    /// `None` for grace notes.
    pub tempo_limit_bpm: Option<f64>,
}

#[derive(Clone, Copy, Debug, PartialEq)]
pub struct ForcedChange {
    pub from: usize,
    pub change: Change,
}

/// Plans the line by dynamic programming over its phrases: rests and breaths free the hands.
pub fn plan(line: &Line, chart: &Chart, wishes: &Wishes) -> Result<Plan, WishError> {
    let ways = ways(line, chart, wishes)?;
    let between = between(line);
    let mut planner = Planner {
        chart,
        ways: &ways,
        between: &between,
        notes: Vec::with_capacity(ways.len()),
        forced: Vec::new(),
        cost_ms: 0.0,
    };
    for phrase in phrases(&ways, &between) {
        planner.phrase(phrase);
    }
    let Planner {
        notes,
        forced,
        cost_ms,
        ..
    } = planner;
    let changes = weigh(chart, &notes, &between);
    Ok(Plan {
        hard: hardest(line, &notes, &changes),
        notes,
        changes,
        forced,
        cost_ms,
    })
}

/// Stretches without a breath or rest in which every note has a fingering, and single notes without.
fn phrases(ways: &[Ways], between: &[Between]) -> Vec<std::ops::Range<usize>> {
    let mut phrases = Vec::new();
    let mut first = 0;
    for i in 1..=ways.len() {
        let ends = i == ways.len()
            || between[i - 1].weight == 0.0
            || ways[i].holds.is_empty()
            || ways[i - 1].holds.is_empty();
        if ends {
            phrases.push(first..i);
            first = i;
        }
    }
    phrases
}

struct Planner<'a> {
    chart: &'a Chart,
    ways: &'a [Ways],
    between: &'a [Between],
    notes: Vec<NotePlan>,
    forced: Vec<ForcedChange>,
    cost_ms: f64,
}

impl Planner<'_> {
    fn phrase(&mut self, range: std::ops::Range<usize>) {
        let ways = &self.ways[range.clone()];
        if ways[0].holds.is_empty() {
            self.notes.push(NotePlan {
                hold: None,
                choice: false,
                reason: Reason::OutOfChart,
                second: None,
                trill: None,
            });
            return;
        }
        let first = range.start;
        let costs: Vec<Vec<f64>> = ways.iter().map(|w| w.costs.clone()).collect();
        let step = |i: usize, a: usize, b: usize| {
            let change = Change::between(self.chart, ways[i].holds[a], ways[i + 1].holds[b]);
            self.between[first + i].cost(&change)
        };
        let solution = Layers {
            states: &costs,
            step: &step,
        }
        .solve();
        self.cost_ms += solution.cost;
        let path: Vec<Hold> = (0..ways.len())
            .map(|i| ways[i].holds[solution.path[i]])
            .collect();
        self.forced.extend(self.unavoidable(first, ways, &path));
        for i in 0..ways.len() {
            let note = self.note(first, i, ways, &path, &solution);
            self.notes.push(note);
        }
    }

    /// The path's slides and flips, where no path through the phrase has fewer.
    fn unavoidable(&self, first: usize, ways: &[Ways], path: &[Hold]) -> Vec<ForcedChange> {
        let awkward: Vec<ForcedChange> = path
            .windows(2)
            .enumerate()
            .map(|(i, pair)| ForcedChange {
                from: first + i,
                change: Change::between(self.chart, pair[0], pair[1]),
            })
            .filter(|forced| forced.change.awkward() > 0)
            .collect();
        if awkward.is_empty() {
            return awkward;
        }
        let free: Vec<Vec<f64>> = ways.iter().map(|w| vec![0.0; w.holds.len()]).collect();
        let step = |i: usize, a: usize, b: usize| {
            let change = Change::between(self.chart, ways[i].holds[a], ways[i + 1].holds[b]);
            f64::from(change.awkward())
        };
        let fewest = Layers {
            states: &free,
            step: &step,
        }
        .solve()
        .cost;
        let has: u32 = awkward.iter().map(|f| f.change.awkward()).sum();
        match f64::from(has) > fewest + 0.5 {
            true => Vec::new(),
            false => awkward,
        }
    }

    fn note(
        &self,
        first: usize,
        i: usize,
        ways: &[Ways],
        path: &[Hold],
        solution: &Solution,
    ) -> NotePlan {
        let own = &ways[i];
        let chosen = path[i].fingering;
        let other = (0..own.holds.len())
            .filter(|&s| own.holds[s].fingering != chosen)
            .min_by(|&a, &b| solution.through[i][a].total_cmp(&solution.through[i][b]));
        let second = other.map(|s| Second {
            fingering: own.holds[s].fingering,
            extra_cost_ms: (solution.through[i][s] - solution.cost).max(0.0),
        });
        let reason = match (&second, own.pinned) {
            (_, Some(_)) => Reason::Pinned,
            (None, _) => Reason::Only,
            (Some(second), None) => self.reason(first, i, own, path, second),
        };
        NotePlan {
            hold: Some(path[i]),
            choice: own.n_fingerings > 1,
            reason,
            second,
            trill: own.trills.get(solution.path[i]).copied(),
        }
    }

    /// What would be worse beside this note, were it alone fingered the second best way.
    fn reason(&self, first: usize, i: usize, own: &Ways, path: &[Hold], second: &Second) -> Reason {
        let sides = [
            (i > 0).then(|| i - 1),
            (i + 1 < path.len()).then_some(i + 1),
        ];
        let toward = |hold: Hold, beside: usize| {
            let (a, b, gap) = match beside < i {
                true => (path[beside], hold, beside),
                false => (hold, path[beside], i),
            };
            let change = Change::between(self.chart, a, b);
            (change, self.between[first + gap].cost(&change))
        };
        // The way of holding the second best that suits the neighbours best.
        let total = |hold: Hold| -> f64 {
            sides
                .iter()
                .flatten()
                .map(|&beside| toward(hold, beside).1)
                .sum()
        };
        let Some(instead) = own
            .holds
            .iter()
            .filter(|h| h.fingering == second.fingering)
            .min_by(|a, b| total(**a).total_cmp(&total(**b)))
        else {
            return Reason::Only;
        };
        let worse = sides
            .iter()
            .flatten()
            .map(|&beside| {
                let (now, now_cost) = toward(path[i], beside);
                let (then, then_cost) = toward(*instead, beside);
                (then_cost - now_cost, beside, now, then)
            })
            .max_by(|a, b| {
                // A neighbour that has one way only explains more than one that follows suit.
                let settled = |side: usize, now: &Change, then: &Change| {
                    then.awkward() > now.awkward() && self.ways[first + side].n_fingerings == 1
                };
                settled(a.1, &a.2, &a.3)
                    .cmp(&settled(b.1, &b.2, &b.3))
                    .then(a.0.total_cmp(&b.0))
            });
        let ordinary = self.chart.fingerings[path[i].fingering].rank == 1;
        let Some((excess, side, now, then)) = worse else {
            return Reason::Ordinary;
        };
        let beside = first + side;
        if own.habit && excess <= 0.0 {
            return Reason::Habit;
        }
        if excess <= 0.0 {
            return match ordinary {
                true => Reason::Ordinary,
                false => Reason::FurtherOn,
            };
        }
        if then.awkward() > now.awkward() {
            return match now.awkward() {
                0 => Reason::Avoids {
                    beside,
                    flip: then.flips > now.flips,
                },
                _ => Reason::NoEscape { beside },
            };
        }
        if then.side_before_break && !now.side_before_break {
            return Reason::SideBeforeBreak { beside };
        }
        let moved = path[i].down(self.chart) ^ path[side].down(self.chart);
        Reason::FewerMove {
            beside,
            fingers: fingers_of(self.chart, moved),
        }
    }
}

fn fingers_of(chart: &Chart, keys: KeySet) -> Vec<usize> {
    (0..chart.fingers.len())
        .filter(|&f| chart.fingers[f].keys & keys != 0)
        .collect()
}

fn weigh(chart: &Chart, notes: &[NotePlan], between: &[Between]) -> Vec<Option<Weighed>> {
    notes
        .windows(2)
        .zip(between)
        .map(|(pair, between)| {
            let change = Change::between(chart, pair[0].hold?, pair[1].hold?);
            Some(Weighed {
                change,
                between: *between,
                cost: between.cost(&change),
            })
        })
        .collect()
}

/// The hardest changes, each pair of fingerings once, at the place where it costs most.
fn hardest(line: &Line, notes: &[NotePlan], changes: &[Option<Weighed>]) -> Vec<HardChange> {
    let mut ranked: Vec<(usize, Weighed)> = changes
        .iter()
        .enumerate()
        .filter_map(|(from, weighed)| Some((from, (*weighed)?)))
        .filter(|(_, w)| w.cost > 0.0 && w.change.ms() > EASY_MS)
        .collect();
    ranked.sort_by(|a, b| b.1.cost.total_cmp(&a.1.cost).then(a.0.cmp(&b.0)));
    let mut seen: Vec<[Option<Hold>; 2]> = Vec::new();
    let mut hard = Vec::new();
    for (from, weighed) in ranked {
        let pair = [notes[from].hold, notes[from + 1].hold];
        if hard.len() < N_HARD && !seen.contains(&pair) {
            seen.push(pair);
            hard.push(HardChange {
                from,
                weighed,
                tempo_limit_bpm: tempo_limit_bpm(line, from, &weighed.change),
            });
        }
    }
    hard
}

/// Beats a minute at which the change still has its share of the note it leaves.
pub fn tempo_limit_bpm(line: &Line, from: usize, change: &Change) -> Option<f64> {
    let (note, next) = (&line.notes[from], line.notes.get(from + 1)?);
    let quarters = next.onset_quarters - note.onset_quarters;
    if note.grace || quarters <= 0.0 {
        return None;
    }
    let shortest_ms = (change.ms() / HAND_SHARE).max(FASTEST_MS);
    let beat_quarters = line
        .tempo
        .map(|t| t.beat_quarters)
        .or_else(|| line.bars.get(note.bar_idx).map(|b| b.beat_quarters))
        .unwrap_or(1.0);
    Some(60_000.0 / shortest_ms * quarters / beat_quarters)
}
