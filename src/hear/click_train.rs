//! Which ticks are a metronome's: the train of them that is alike and periodic over the take.
//!
//! Found in three steps: intervals met again and again between like ticks; the longest chain
//! of ticks at each such interval, and a straight grid through it; the share of the grid's
//! places that hold a tick like others there, held against the same grid moved aside. A
//! player's own attacks come at even beats too, but at the beats between as well, and never
//! so exactly.

use super::clicks::Tick;

/// Shortest and longest time from click to click, seconds: 300 and 24 beats a minute.
const PERIOD_S: (f64, f64) = (0.2, 2.5);

/// Least that two clicks share, dB over their bands; music covers much of them.
const SHARED_DB: u32 = 10;

/// A pair of ticks votes for an interval with what it shares, up to this.
const VOTE_DB: u32 = 60;

/// Clicks that may go unheard between two that are heard, in a chain.
const UNHEARD_MAX: usize = 5;

/// A tick's time, read off frames, is good to this, seconds.
const COARSE_S: f64 = 0.006;

/// Periods that differ by less than this share are one.
const PERIOD_SHARE: f64 = 0.004;

/// Fewest clicks that are a train.
pub const CLICKS_MIN: usize = 6;

/// Least share of a grid's places that hold a click, and by how much it must exceed that of
/// the grid moved aside.
const HELD_SHARE: f64 = 0.30;
const HELD_OVER: f64 = 1.25;

/// A click ends, and ticks once more, no later than this after it began, seconds.
const END_S: f64 = 0.075;

/// Neighbours either side among the grid's ticks that a tick is compared with: an accent
/// comes again after four or fewer.
const NEIGHBOURS: usize = 6;

/// So many of them must be like it.
const LIKE_MIN: usize = 2;

/// Periods tried.
const TRIED: usize = 6;

/// Place `k` of a train is at `first_s + k * period_s`.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Grid {
    pub first_s: f64,
    pub period_s: f64,
}

impl Grid {
    /// The place nearest to a time, and how long after it that is.
    pub fn place(&self, at_s: f64) -> (i64, f64) {
        let place = ((at_s - self.first_s) / self.period_s).round();
        (place as i64, at_s - self.at_s(place as i64))
    }

    pub fn at_s(&self, place: i64) -> f64 {
        self.first_s + place as f64 * self.period_s
    }

    /// Places within a take of `duration_s`.
    pub fn places(&self, duration_s: f64) -> std::ops::RangeInclusive<i64> {
        let first = (-self.first_s / self.period_s).ceil() as i64;
        let last = ((duration_s - self.first_s) / self.period_s).floor() as i64;
        first..=last.max(first)
    }

    /// Least-squares grid through times at their places; those further than `within_s` from
    /// the grid of the round before are left out.
    pub fn fit(places: &[i64], times_s: &[f64], within_s: f64) -> Option<Grid> {
        let mut grid: Option<Grid> = None;
        for _ in 0..4 {
            let kept: Vec<(f64, f64)> = places
                .iter()
                .zip(times_s)
                .filter(|(k, t)| grid.is_none_or(|g| (**t - g.at_s(**k)).abs() < within_s))
                .map(|(k, t)| (*k as f64, *t))
                .collect();
            let n = kept.len() as f64;
            let x = kept.iter().map(|p| p.0).sum::<f64>() / n;
            let y = kept.iter().map(|p| p.1).sum::<f64>() / n;
            let spread: f64 = kept.iter().map(|p| (p.0 - x).powi(2)).sum();
            if kept.len() < 3 || spread < 1e-9 {
                return None;
            }
            let slope = kept.iter().map(|p| (p.0 - x) * (p.1 - y)).sum::<f64>() / spread;
            grid = Some(Grid {
                first_s: y - slope * x,
                period_s: slope,
            });
        }
        grid
    }
}

/// A train that may be a metronome's: its grid, and place and number of its ticks.
#[derive(Clone, Debug)]
pub struct Train {
    pub grid: Grid,
    pub ticks: Vec<(i64, usize)>,
}

/// The trains worth a closer look, the likeliest first.
pub fn likely_trains(ticks: &[Tick], duration_s: f64) -> Vec<Train> {
    let mut found: Vec<(f64, Train)> = Vec::new();
    for period_s in likely_periods(ticks) {
        let Some(chain) = longest_chain(ticks, period_s) else {
            continue;
        };
        let grid = beginnings(ticks, fitted(ticks, chain));
        let train = Train {
            grid,
            ticks: members(ticks, &grid),
        };
        let places = grid.places(duration_s).count() as f64;
        let held = train.ticks.len() as f64 / places;
        if (grid.period_s / period_s - 1.0).abs() > 0.02
            || train.ticks.len() < CLICKS_MIN
            || held < HELD_SHARE
        {
            continue;
        }
        let aside = held_aside(ticks, &grid) / places;
        if held > HELD_OVER * aside {
            found.push(((held - aside) * places.sqrt(), train));
        }
    }
    found.sort_by(|a, b| b.0.total_cmp(&a.0));
    found.into_iter().map(|f| f.1).collect()
}

/// Intervals met often between like ticks, and what they are small multiples of.
fn likely_periods(ticks: &[Tick]) -> Vec<f64> {
    let n_bins = ((PERIOD_S.1 / PERIOD_S.0).ln() / PERIOD_SHARE) as usize + 3;
    let mut votes = vec![0.0f64; n_bins];
    for (i, a) in ticks.iter().enumerate() {
        for b in &ticks[i + 1..] {
            let interval_s = b.at_s - a.at_s;
            if interval_s >= PERIOD_S.1 {
                break;
            }
            let shared_db = a.shared_db(b);
            if interval_s >= PERIOD_S.0 && shared_db >= SHARED_DB {
                let bin = ((interval_s / PERIOD_S.0).ln() / PERIOD_SHARE) as usize;
                votes[bin] += f64::from(shared_db.min(VOTE_DB));
            }
        }
    }
    let centre_s = |bin: usize| PERIOD_S.0 * ((bin as f64 + 0.5) * PERIOD_SHARE).exp();
    let mut ranked: Vec<(f64, f64)> = (0..n_bins)
        .map(|bin| {
            let reach = ((COARSE_S / (centre_s(bin) * PERIOD_SHARE)).ceil() as usize).max(1);
            let near = bin.saturating_sub(reach)..(bin + reach + 1).min(n_bins);
            (votes[near].iter().sum(), centre_s(bin))
        })
        .filter(|(votes, _)| *votes > 0.0)
        .collect();
    ranked.sort_by(|a, b| b.0.total_cmp(&a.0).then(a.1.total_cmp(&b.1)));
    let mut peaks: Vec<f64> = Vec::new();
    for (_, period_s) in ranked {
        if peaks.iter().all(|p| (p - period_s).abs() > 2.0 * COARSE_S) {
            peaks.push(period_s);
            if peaks.len() == TRIED {
                break;
            }
        }
    }
    let mut periods: Vec<f64> = Vec::new();
    for peak in peaks {
        for parts in 1..=4 {
            let period_s = peak / f64::from(parts);
            let known = |p: &f64| (p - period_s).abs() < PERIOD_SHARE * period_s;
            if period_s >= PERIOD_S.0 && !periods.iter().any(known) {
                periods.push(period_s);
            }
        }
    }
    periods
}

/// A grid through the longest chain of like ticks about `period_s` apart.
fn longest_chain(ticks: &[Tick], period_s: f64) -> Option<Grid> {
    /// What a click unheard takes off.
    const UNHEARD: f64 = 0.4;
    let n = ticks.len();
    let mut score = vec![1.0f64; n];
    let mut from: Vec<Option<usize>> = vec![None; n];
    let longest_s = (1 + UNHEARD_MAX) as f64 * period_s + COARSE_S;
    for j in 0..n {
        for i in (0..j).rev() {
            let interval_s = ticks[j].at_s - ticks[i].at_s;
            if interval_s > longest_s {
                break;
            }
            let steps = (interval_s / period_s).round().max(1.0);
            let room_s = COARSE_S + 0.75 * PERIOD_SHARE * interval_s;
            let reached = score[i] + 1.0 - UNHEARD * (steps - 1.0);
            if (interval_s - steps * period_s).abs() < room_s
                && reached > score[j]
                && ticks[i].shared_db(&ticks[j]) >= SHARED_DB
            {
                score[j] = reached;
                from[j] = Some(i);
            }
        }
    }
    let mut at = (0..n).max_by(|a, b| score[*a].total_cmp(&score[*b]))?;
    let mut chain = vec![at];
    while let Some(before) = from[at] {
        chain.push(before);
        at = before;
    }
    chain.reverse();
    let mut places = vec![0i64];
    for pair in chain.windows(2) {
        let steps = (ticks[pair[1]].at_s - ticks[pair[0]].at_s) / period_s;
        places.push(places[places.len() - 1] + steps.round() as i64);
    }
    let times: Vec<f64> = chain.iter().map(|i| ticks[*i].at_s).collect();
    Grid::fit(&places, &times, COARSE_S)
}

/// Place and number of the ticks on a grid, one a place, each like some of those about it.
fn members(ticks: &[Tick], grid: &Grid) -> Vec<(i64, usize)> {
    let mut near: Vec<(i64, usize, f64)> = Vec::new();
    for (i, tick) in ticks.iter().enumerate() {
        let (place, off_s) = grid.place(tick.at_s);
        let off_s = off_s.abs();
        if off_s > COARSE_S {
            continue;
        }
        match near.last_mut() {
            Some(last) if last.0 == place => {
                if off_s < last.2 {
                    *last = (place, i, off_s);
                }
            }
            _ => near.push((place, i, off_s)),
        }
    }
    let like = |a: usize| {
        let about = a.saturating_sub(NEIGHBOURS)..(a + NEIGHBOURS + 1).min(near.len());
        about
            .filter(|b| *b != a && ticks[near[a].1].shared_db(&ticks[near[*b].1]) >= SHARED_DB)
            .count()
    };
    (0..near.len())
        .filter(|a| like(*a) >= LIKE_MIN)
        .map(|a| (near[a].0, near[a].1))
        .collect()
}

/// A grid through the ticks about it.
fn fitted(ticks: &[Tick], mut grid: Grid) -> Grid {
    for _ in 0..2 {
        let members = members(ticks, &grid);
        let places: Vec<i64> = members.iter().map(|m| m.0).collect();
        let times: Vec<f64> = members.iter().map(|m| ticks[m.1].at_s).collect();
        grid = Grid::fit(&places, &times, COARSE_S).unwrap_or(grid);
    }
    grid
}

/// The grid, or the one a click's length before it where that holds nearly as many: these are
/// the ends of the clicks.
fn beginnings(ticks: &[Tick], grid: Grid) -> Grid {
    let held = |grid: &Grid| members(ticks, grid).len();
    let sooner = (2..)
        .map(|k| f64::from(k) * COARSE_S)
        .take_while(|s| *s < END_S)
        .map(|s| Grid {
            first_s: grid.first_s - s,
            ..grid
        });
    match sooner.max_by_key(held) {
        Some(sooner) if 10 * held(&sooner) >= 9 * held(&grid) => fitted(ticks, sooner),
        _ => grid,
    }
}

/// Most ticks that the grid holds when moved aside.
fn held_aside(ticks: &[Tick], grid: &Grid) -> f64 {
    let mut most = 0;
    let mut aside_s = END_S;
    while aside_s < grid.period_s - END_S + 0.2 * COARSE_S {
        let moved = Grid {
            first_s: grid.first_s + aside_s,
            ..*grid
        };
        most = most.max(members(ticks, &moved).len());
        aside_s += COARSE_S;
    }
    most as f64
}
