//! The metronome in a take: settled by the exact times of its clicks, and taken out of the
//! sound.
//!
//! A metronome plays the same click (or two or three kinds of it) at exact times. The mean
//! of the places where one kind sounds, the quiet ones weighing most, is the click without
//! the music; subtracted, it leaves the music without the click.

use std::collections::BTreeMap;

use realfft::num_complex::Complex;

use super::HeardClick;
use super::click_kinds::{self, Heard};
use super::click_train::{CLICKS_MIN, Grid, Train, likely_trains};
use super::clicks::{Tick, TickListener, hann};
use super::slices::Slices;

/// Window, step and reach of the fine search for a first moment, seconds.
const FINE_S: f64 = 0.006;
const FINE_STEP_S: f64 = 0.00025;
const FINE_REACH_S: (f64, f64) = (0.016, 0.012);

/// Window of that search in a click freed of the music.
const FREED_S: f64 = 0.003;

/// A click is freed well enough for that where no more than this share is left of the music.
const FREED_LEFT: f64 = 0.02;

/// Bands in which a click is listened for.
const CLICK_BANDS: usize = 6;

/// A band belongs to a click where it stands out by this, dB.
const BAND_DB: u8 = 3;

/// A click lies on its grid within this, seconds: a metronome keeps time to a fraction of a
/// millisecond.
const ON_GRID_S: f64 = 0.001;

/// Kinds of click differ in when they seem to begin by no more than this, seconds.
const KIND_LATE_S: f64 = 0.003;

/// Least share of a train's ticks that do.
const ON_GRID_SHARE: f64 = 0.6;

/// Greatest standard deviation of clicks about their grid, seconds, for few clicks and many:
/// players scatter by several milliseconds.
const SCATTER_FEW_S: f64 = 0.0004;
const SCATTER_S: f64 = 0.0008;
const FEW: usize = 8;

/// Least share of the take over which the clicks go.
const TAKE_SHARE: f64 = 0.5;

/// Least share of clicks at which no note begins. Where notes begin with more of them the
/// clicks may be the player's own attacks, unless one stands alone and the notes scatter
/// about the others by more than the second figure, seconds.
const FREE_SHARE: f64 = 0.2;
const PLAYER_SCATTER_S: f64 = 0.0015;

/// Span of a click's sound before and after its place, seconds.
const SOUND_S: (f64, f64) = (0.004, 0.090);

/// Span before it in which the music without the click is measured, seconds.
const MUSIC_S: (f64, f64) = (0.030, 0.005);

/// Music softer than this share of a click's power does it no harm: no single click in a pause
/// stands for all.
const MUSIC_LEAST: f64 = 0.01;

/// A click has no more than this share of its energy in the last part of its span, seconds.
const GONE_S: f64 = 0.045;
const GONE_SHARE: f32 = 0.25;

/// Pieces of which the loudest is a click's level, seconds.
const PIECE_S: f64 = 0.004;

/// Times the error of the mean that are taken off a freed click's power; while the clicks do
/// not lie on each other yet, they differ too.
const LEFT_TIMES: f32 = 2.0;
const LEFT_TIMES_ALIGNING: f32 = 0.3;

/// Most kinds of click, and the fewest of a kind that are taken out.
const KINDS: usize = 3;
const KIND_MIN: usize = 3;

/// How clicks are laid on each other: rounds, length looked at, reach and step of the search,
/// and how far one may lie from the grid and still be counted; seconds.
const ALIGN_ROUNDS: usize = 2;
const ALIGN_S: f64 = 0.025;
const ALIGN_REACH_S: f64 = 0.0004;
const ALIGN_STEP_S: f64 = 0.00005;
const ALIGN_WITHIN_S: f64 = 0.0002;

/// By how much a click's amplitude varies, standard deviation as a share.
const GAIN_SD: f64 = 0.1;

/// A place where no tick was found holds a click where the kind fits within this gain.
const GAIN_RANGE: std::ops::RangeInclusive<f64> = 0.5..=1.6;

/// Fewest places without a tick that tell whether beats are left out, the mean gain at which they
/// have no click, and the error it must be known to.
const SKIPPED_MIN: usize = 3;
const SKIPPED_GAIN: f64 = 0.4;
const SKIPPED_SE: f64 = 0.2;

/// A metronome heard in a take.
pub struct Metronome {
    pub clicks: Vec<HeardClick>,
    grid: Grid,
    /// Where clicks were heard: first and last place, and the kind of each place that has one.
    span: (i64, i64),
    kind_at: BTreeMap<i64, usize>,
    kinds: Vec<Kind>,
}

/// One kind of click, freed of the music; its first sample lies [`SOUND_S`] before its place.
struct Kind {
    sound: Vec<f32>,
}

/// The metronome in `sound`, whose ticks `listener` has collected.
pub fn find(listener: &mut TickListener, sound: &[f32], rate: f64) -> Option<Metronome> {
    let ticks = listener.finish();
    let duration_s = sound.len() as f64 / rate;
    likely_trains(&ticks, duration_s)
        .into_iter()
        .find_map(|train| settle(&train, &ticks, listener, sound, rate))
}

/// A train heard closely; `None` where it is no metronome's.
fn settle(
    train: &Train,
    ticks: &[Tick],
    listener: &TickListener,
    sound: &[f32],
    rate: f64,
) -> Option<Metronome> {
    let kinds = kinds(train, ticks);
    let hz = |bands: &[usize]| -> Vec<f64> { bands.iter().map(|b| listener.band_hz(*b)).collect() };
    let mut places = Vec::new();
    let mut times_s = Vec::new();
    let mut which = Vec::new();
    for (kind, members) in kinds.iter().enumerate() {
        let bands = strongest_bands(members.iter().map(|m| &ticks[m.1]));
        for (place, i) in members {
            let heard: Vec<usize> = bands
                .iter()
                .filter(|b| ticks[*i].bands_db[**b] >= BAND_DB)
                .copied()
                .collect();
            if !heard.is_empty() {
                let centre_s = train.grid.at_s(*place);
                times_s.push(first_moment(sound, rate, &hz(&heard), centre_s, FINE_S));
                places.push(*place);
                which.push((kind, *i));
            }
        }
    }
    // Each kind has its own way of beginning: what is common to it is no scatter.
    let mut grid = train.grid;
    let mut even_s = times_s.clone();
    for within_s in [8.0, 3.0, 2.0] {
        grid = Grid::fit(&places, &even_s, within_s * ON_GRID_S)?;
        for kind in 0..kinds.len() {
            let own: Vec<usize> = (0..places.len()).filter(|i| which[*i].0 == kind).collect();
            let late_s = median(
                own.iter()
                    .map(|i| times_s[*i] - grid.at_s(places[*i]))
                    .collect(),
            );
            let late_s = late_s.clamp(-KIND_LATE_S, KIND_LATE_S);
            own.iter().for_each(|i| even_s[*i] = times_s[*i] - late_s);
        }
    }
    let off_s: Vec<f64> = places
        .iter()
        .zip(&even_s)
        .map(|(k, t)| t - grid.at_s(*k))
        .collect();
    let on: Vec<usize> = (0..places.len())
        .filter(|i| off_s[*i].abs() <= ON_GRID_S)
        .collect();
    let most = if on.len() < FEW {
        SCATTER_FEW_S
    } else {
        SCATTER_S
    };
    let first = on.iter().map(|i| places[*i]).min()?;
    let last = on.iter().map(|i| places[*i]).max()?;
    let span_s = (last - first + 1) as f64 * grid.period_s;
    if on.len() < CLICKS_MIN
        || (on.len() as f64) < ON_GRID_SHARE * places.len() as f64
        || spread(&off_s) > most
        || span_s < TAKE_SHARE * sound.len() as f64 / rate
    {
        return None;
    }
    // The player's own attacks?
    let begins_s: Vec<f64> = on
        .iter()
        .filter(|i| !ticks[which[**i].1].note_bands.is_empty())
        .map(|i| {
            let bands = hz(&ticks[which[*i].1].note_bands);
            first_moment(sound, rate, &bands, times_s[*i], FINE_S) - times_s[*i]
        })
        .collect();
    let free = on.len() - begins_s.len();
    let players = free == 0 || spread(&begins_s) < PLAYER_SCATTER_S;
    if (free as f64) < FREE_SHARE * on.len() as f64 && players {
        return None;
    }
    let kind_at: BTreeMap<i64, usize> = on.iter().map(|i| (places[*i], which[*i].0)).collect();
    let mut split_at = kind_at.clone();
    let n_split = split(sound, rate, &grid, &mut split_at, kinds.len());
    let placed = Placed {
        grid,
        span: (first, last),
        tick_at: on
            .iter()
            .map(|i| (places[*i], &ticks[which[*i].1]))
            .collect(),
    };
    let free = |kind_at, n_kinds| freed(&placed, kind_at, n_kinds, listener, sound, rate);
    let apart = (n_split > kinds.len()).then(|| free(split_at, n_split));
    free(kind_at, kinds.len())
        .into_iter()
        .chain(apart.flatten())
        .filter(|(metronome, _)| !metronome.skips_beats(train, sound, rate))
        .min_by(|a, b| a.1.total_cmp(&b.1))
        .map(|(metronome, _)| metronome)
}

/// Clicks on their grid: first and last place, and the tick of each place that has one.
struct Placed<'a> {
    grid: Grid,
    span: (i64, i64),
    tick_at: BTreeMap<i64, &'a Tick>,
}

/// A metronome with its clicks freed of the music, by kind, and how much of their power is left of
/// it; `None` where they are the player's notes.
fn freed(
    placed: &Placed,
    kind_at: BTreeMap<i64, usize>,
    n_kinds: usize,
    listener: &TickListener,
    sound: &[f32],
    rate: f64,
) -> Option<(Metronome, f64)> {
    let grid = aligned(sound, rate, placed.grid, &kind_at, n_kinds);
    let (mut clicks, mut kinds) = (Vec::new(), Vec::new());
    let (mut going_on, mut all_left) = (0, 0.0);
    for kind in 0..n_kinds {
        let at = places_of(kind, &kind_at);
        let (freed, level_dbfs, left) = freed_click(sound, rate, &grid, &at, LEFT_TIMES);
        if goes_on(&freed, rate) {
            going_on += at.len();
        }
        // One alone is taken for all click.
        let of_music = if at.len() < KIND_MIN { 1.0 } else { left };
        all_left += of_music * at.len() as f64;
        let bands = strongest_bands(at.iter().map(|place| placed.tick_at[place]));
        let bands_hz: Vec<f64> = bands.iter().map(|b| listener.band_hz(*b)).collect();
        // Where in the freed sound the click begins, against its place on the grid.
        let late_s = if at.is_empty() || left > FREED_LEFT {
            0.0
        } else {
            first_moment(&freed, rate, &bands_hz, SOUND_S.0, FREED_S) - SOUND_S.0
        };
        clicks.extend(at.iter().map(|place| HeardClick {
            at_s: grid.at_s(*place) + late_s,
            level_dbfs,
        }));
        kinds.push(Kind { sound: freed });
    }
    if 2 * going_on > clicks.len() {
        return None;
    }
    let left = all_left / clicks.len().max(1) as f64;
    clicks.sort_by(|a, b| a.at_s.total_cmp(&b.at_s));
    let metronome = Metronome {
        clicks,
        grid,
        span: placed.span,
        kind_at,
        kinds,
    };
    Some((metronome, left))
}

/// True where a freed click goes on to the end of its span: notes of one pitch begin so, of a player
/// as even as a machine.
fn goes_on(freed: &[f32], rate: f64) -> bool {
    let energy = |part: &[f32]| part.iter().map(|x| x * x).sum::<f32>();
    let last = (freed.len() as f64 - GONE_S * rate).max(0.0) as usize;
    energy(&freed[last..]) > GONE_SHARE * energy(freed)
}

fn places_of(kind: usize, kind_at: &BTreeMap<i64, usize>) -> Vec<i64> {
    let of_kind = kind_at.iter().filter(|(_, k)| **k == kind);
    of_kind.map(|(place, _)| *place).collect()
}

/// The grid brought to where the clicks of each kind lie on each other best: a tenth of a
/// millisecond off, a click of 2 kHz would hardly be taken out at all.
fn aligned(
    sound: &[f32],
    rate: f64,
    mut grid: Grid,
    kind_at: &BTreeMap<i64, usize>,
    n_kinds: usize,
) -> Grid {
    for _ in 0..ALIGN_ROUNDS {
        let (mut places, mut times_s) = (Vec::new(), Vec::new());
        for kind in 0..n_kinds {
            let at = places_of(kind, kind_at);
            if at.len() < KIND_MIN {
                continue;
            }
            let mut freed = freed_click(sound, rate, &grid, &at, LEFT_TIMES_ALIGNING).0;
            freed.truncate((ALIGN_S * rate) as usize);
            let lags_s: Vec<f64> = at
                .iter()
                .map(|place| lag_s(sound, rate, grid.at_s(*place), &freed))
                .collect();
            // What is common to a kind is in its freed click already.
            let common_s = median(lags_s.clone());
            for (place, lag_s) in at.iter().zip(&lags_s) {
                places.push(*place);
                times_s.push(grid.at_s(*place) + lag_s - common_s);
            }
        }
        grid = Grid::fit(&places, &times_s, ALIGN_WITHIN_S).unwrap_or(grid);
    }
    grid
}

/// How much later than `at_s` a click lies, by correlation.
fn lag_s(sound: &[f32], rate: f64, at_s: f64, click: &[f32]) -> f64 {
    let steps = (ALIGN_REACH_S / ALIGN_STEP_S).round() as i32;
    let fits: Vec<f32> = (-steps..=steps)
        .map(|step| {
            let begin_s = at_s + f64::from(step) * ALIGN_STEP_S - SOUND_S.0;
            let here = resampled(sound, begin_s * rate, click.len());
            here.iter().zip(click).map(|(a, b)| a * b).sum()
        })
        .collect();
    let best = (1..fits.len() - 1)
        .max_by(|a, b| fits[*a].total_cmp(&fits[*b]))
        .unwrap_or(steps as usize);
    let (delta, _) = super::frames::parabola(fits[best - 1], fits[best], fits[best + 1]);
    (best as f64 - f64::from(steps) + f64::from(delta)) * ALIGN_STEP_S
}

/// The ticks of a train by kind: each with those that share most with it.
fn kinds(train: &Train, ticks: &[Tick]) -> Vec<Vec<(i64, usize)>> {
    let mut left = train.ticks.clone();
    let mut kinds = Vec::new();
    while !left.is_empty() && kinds.len() < KINDS {
        // The tick that shares with most others stands for its kind.
        let like = |a: &(i64, usize), b: &(i64, usize)| -> bool {
            let (a, b) = (&ticks[a.1], &ticks[b.1]);
            let own = a.shared_db(a).min(b.shared_db(b));
            2 * a.shared_db(b) >= own
        };
        let Some(best) = (0..left.len()).max_by_key(|i| {
            let near = i.saturating_sub(20)..(i + 21).min(left.len());
            near.filter(|j| like(&left[*i], &left[*j])).count()
        }) else {
            break;
        };
        let stands = left[best];
        let (kind, rest) = left.into_iter().partition(|t| like(t, &stands));
        kinds.push(kind);
        left = rest;
    }
    kinds
}

/// Tells kinds apart that are one as ticks; how many there are then.
fn split(
    sound: &[f32],
    rate: f64,
    grid: &Grid,
    kind_at: &mut BTreeMap<i64, usize>,
    n_kinds: usize,
) -> usize {
    let mut n = n_kinds;
    let slices = Slices::new(rate, sound_samples(rate));
    for kind in 0..n_kinds {
        if n == KINDS {
            break;
        }
        let heard: Vec<Heard> = (places_of(kind, kind_at).into_iter())
            .map(|place| {
                let (weight, cells) = heard_at(sound, rate, grid.at_s(place), &slices);
                Heard {
                    place,
                    weight,
                    cells: cells.iter().map(|c| c.norm()).collect(),
                }
            })
            .collect();
        if let Some(others) = click_kinds::others(&heard, KIND_MIN) {
            let others = heard.iter().zip(others).filter(|(_, other)| *other);
            kind_at.extend(others.map(|(h, _)| (h.place, n)));
            n += 1;
        }
    }
    n
}

/// Samples of a click's sound.
fn sound_samples(rate: f64) -> usize {
    ((SOUND_S.0 + SOUND_S.1) * rate) as usize
}

/// What sounds at a click, and one over the power of the music about it.
fn heard_at(sound: &[f32], rate: f64, at_s: f64, slices: &Slices) -> (f64, Vec<Complex<f32>>) {
    let piece = resampled(sound, (at_s - SOUND_S.0) * rate, sound_samples(rate));
    let before = power(sound, rate, at_s - MUSIC_S.0, at_s - MUSIC_S.1);
    let after = power(sound, rate, at_s + 0.7 * SOUND_S.1, at_s + SOUND_S.1);
    let all = power(sound, rate, at_s - SOUND_S.0, at_s + SOUND_S.1);
    let music = before.max(after).max(MUSIC_LEAST * all) + 1e-12;
    (1.0 / music, slices.cells(&piece))
}

/// Bands in which ticks of one kind stand out most, on the whole.
fn strongest_bands<'a>(ticks: impl Iterator<Item = &'a Tick>) -> Vec<usize> {
    let mut sums: Vec<u32> = Vec::new();
    for tick in ticks {
        sums.resize(tick.bands_db.len(), 0);
        sums.iter_mut()
            .zip(&tick.bands_db)
            .for_each(|(sum, db)| *sum += u32::from(*db));
    }
    let mut order: Vec<usize> = (0..sums.len()).filter(|b| sums[*b] > 0).collect();
    order.sort_by_key(|b| std::cmp::Reverse(sums[*b]));
    order.truncate(CLICK_BANDS);
    order
}

/// When the sound at the frequencies `hz` begins near `centre_s`: where a short window about
/// the moment holds half the amplitude of what follows. A beginning at once is met exactly.
fn first_moment(sound: &[f32], rate: f64, hz: &[f64], centre_s: f64, window_s: f64) -> f64 {
    let width = (window_s * rate) as usize | 1;
    let window: Vec<f64> = (0..width).map(|i| hann(i, width)).collect();
    let waves: Vec<Vec<(f64, f64)>> = hz
        .iter()
        .map(|hz| {
            (0..width)
                .map(|i| {
                    let (sin, cos) = (std::f64::consts::TAU * hz * i as f64 / rate).sin_cos();
                    (cos * window[i], sin * window[i])
                })
                .collect()
        })
        .collect();
    let first_s = centre_s - FINE_REACH_S.0;
    let n = ((FINE_REACH_S.0 + FINE_REACH_S.1) / FINE_STEP_S) as usize;
    let power: Vec<f64> = (0..n)
        .map(|step| {
            let centre = ((first_s + step as f64 * FINE_STEP_S) * rate).round() as isize;
            let start = centre - (width / 2) as isize;
            waves
                .iter()
                .map(|wave| {
                    let (mut re, mut im) = (0.0, 0.0);
                    for (i, (cos, sin)) in wave.iter().enumerate() {
                        let at = usize::try_from(start + i as isize).ok();
                        let x = f64::from(at.and_then(|at| sound.get(at)).copied().unwrap_or(0.0));
                        re += x * cos;
                        im += x * sin;
                    }
                    re * re + im * im
                })
                .sum()
        })
        .collect();
    let ground = power[..n / 4].iter().sum::<f64>() / (n / 4) as f64;
    let (top, most) = power
        .iter()
        .copied()
        .enumerate()
        .max_by(|a, b| a.1.total_cmp(&b.1))
        .unwrap_or((n - 1, 0.0));
    let level = ground + 0.25 * (most - ground).max(0.0);
    let below = (0..top).rev().find(|i| power[*i] < level).unwrap_or(0);
    let (a, b) = (power[below], power[(below + 1).min(n - 1)]);
    let share = if b > a {
        ((level - a) / (b - a)).clamp(0.0, 1.0)
    } else {
        0.0
    };
    // Steps stand on whole samples.
    let at_s = |step: usize| ((first_s + step as f64 * FINE_STEP_S) * rate).round() / rate;
    at_s(below) + share * (at_s((below + 1).min(n - 1)) - at_s(below))
}

/// The click common to the places of one kind, its level in dB re full scale, and how much of
/// its power is left of the music: the mean of what sounds there, the quiet ones weighing
/// most. What is not the same from place to place is music, and is taken down: it varies as
/// much as it sounds, so that each band and moment tells how much of its mean it is.
fn freed_click(
    sound: &[f32],
    rate: f64,
    grid: &Grid,
    places: &[i64],
    left_times: f32,
) -> (Vec<f32>, f64, f64) {
    let slices = Slices::new(rate, sound_samples(rate));
    let at_s = places.iter().map(|place| grid.at_s(*place));
    let cells: Vec<(f64, Vec<Complex<f32>>)> = at_s
        .map(|at_s| heard_at(sound, rate, at_s, &slices))
        .collect();
    let weights: f64 = cells.iter().map(|c| c.0).sum();
    let n_cells = slices.n * slices.bins;
    let mut mean = vec![Complex::new(0.0f32, 0.0); n_cells];
    for (weight, cell) in &cells {
        let share = (weight / weights.max(1e-12)) as f32;
        mean.iter_mut().zip(cell).for_each(|(m, c)| *m += c * share);
    }
    // Squared error of the weighted mean, from how far each place lies from the mean of the
    // others: one that outweighs them all says nothing of itself (HC3 of MacKinnon & White,
    // Journal of Econometrics 29, 1985).
    let mut errors = vec![0.0f32; n_cells];
    for (weight, cell) in &cells {
        let share = (weight / weights.max(1e-12)) as f32;
        let own = (share / (1.0 - share).max(1e-3)).powi(2);
        let off = cell.iter().zip(&mean).map(|(c, m)| (c - m).norm_sqr());
        errors
            .iter_mut()
            .zip(off)
            .for_each(|(e, off)| *e += own * off);
    }
    let powers: Vec<f32> = mean.iter().map(|m| m.norm_sqr()).collect();
    let (errors, powers) = (slices.smoothed(&errors), slices.smoothed(&powers));
    let (mut loudest, mut left) = (0.0f32, 0.0f32);
    for slice in 0..slices.n {
        let bins = slice * slices.bins..(slice + 1) * slices.bins;
        let (mut power, mut error) = (0.0, 0.0);
        for i in bins {
            let kept = (1.0 - left_times * errors[i] / powers[i].max(1e-18)).max(0.0);
            mean[i] *= kept;
            power += mean[i].norm_sqr();
            error += kept * kept * errors[i];
        }
        if power > loudest {
            (loudest, left) = (power, error / power);
        }
    }
    let freed = slices.sound(&mean);
    let step = ((PIECE_S * rate) as usize).max(1);
    let level = freed
        .chunks(step)
        .map(|piece| piece.iter().map(|x| f64::from(x * x)).sum::<f64>() / piece.len() as f64)
        .fold(0.0, f64::max);
    let left = if loudest > 0.0 { left } else { 1.0 };
    (freed, 10.0 * (level + 1e-12).log10(), f64::from(left))
}

impl Kind {
    fn energy(&self) -> f64 {
        self.sound.iter().map(|x| f64::from(x * x)).sum()
    }

    /// Gain at which the click fits the sound from sample `begin` on, and its variance.
    fn fitted(&self, sound: &[f32], begin: f64) -> (f64, f64) {
        let (length, energy) = (self.sound.len(), self.energy());
        let here = resampled(sound, begin, length);
        let both = self.sound.iter().zip(&here);
        let moment: f64 = both.map(|(a, b)| f64::from(a * b)).sum();
        let rest: f64 = here.iter().map(|x| f64::from(x * x)).sum();
        let gain = moment / energy;
        // Error of the gain from the music about, which is no white noise: its square is twice
        // what white noise would give.
        let left = (rest - gain * moment).max(0.0) / length as f64;
        (gain, 2.0 * left / energy)
    }
}

impl Metronome {
    fn is_usable(&self, kind: usize) -> bool {
        let count = self.kind_at.values().filter(|k| **k == kind).count();
        count >= KIND_MIN && self.kinds[kind].energy() > 1e-9
    }

    /// Whether the places where no tick was found have no click either, as far as the music
    /// lets it be told: a metronome leaves out no beat, a player's attacks do.
    fn skips_beats(&self, train: &Train, sound: &[f32], rate: f64) -> bool {
        let (mut weights, mut gains, mut places) = (0.0, 0.0, 0);
        for place in self.span.0..=self.span.1 {
            if train.ticks.iter().any(|tick| tick.0 == place) {
                continue;
            }
            let begin = (self.grid.at_s(place) - SOUND_S.0) * rate;
            let fits = (0..self.kinds.len()).filter(|kind| self.is_usable(*kind));
            let best = fits
                .map(|kind| self.kinds[kind].fitted(sound, begin))
                .max_by(|a, b| a.0.total_cmp(&b.0));
            if let Some((gain, variance)) = best {
                let weight = 1.0 / (GAIN_SD * GAIN_SD + variance);
                weights += weight;
                gains += weight * gain;
                places += 1;
            }
        }
        places >= SKIPPED_MIN
            && gains / weights < SKIPPED_GAIN
            && 1.0 / f64::sqrt(weights) < SKIPPED_SE
    }

    /// Takes the clicks out of the sound they were heard in.
    pub fn remove(&self, sound: &mut [f32], rate: f64) {
        let energies: Vec<f64> = self.kinds.iter().map(Kind::energy).collect();
        for place in self.span.0..=self.span.1 {
            let begin = (self.grid.at_s(place) - SOUND_S.0) * rate;
            let usable = |kind: &usize| self.is_usable(*kind);
            let fitted = |kind: usize| self.kinds[kind].fitted(sound, begin);
            let (kind, (gain, variance)) = match self.kind_at.get(&place).filter(|k| usable(k)) {
                Some(kind) => (*kind, fitted(*kind)),
                None => {
                    let best = (0..self.kinds.len())
                        .filter(usable)
                        .map(|kind| (kind, fitted(kind)))
                        .filter(|(_, fit)| GAIN_RANGE.contains(&fit.0))
                        .max_by(|a, b| {
                            let explained = |f: &(usize, (f64, f64))| f.1.0 * f.1.0 * energies[f.0];
                            explained(a).total_cmp(&explained(b))
                        });
                    match best {
                        Some(best) => best,
                        None => continue,
                    }
                }
            };
            let own = GAIN_SD * GAIN_SD;
            let gain = 1.0 + (gain - 1.0) * own / (own + variance);
            subtract(sound, begin, &self.kinds[kind].sound, gain as f32);
        }
    }
}

/// Half the length of the sinc that shifts sound by parts of a sample.
const SINC_HALF: isize = 12;

/// Weights of the samples about a point `fraction` past one of them.
fn sinc(fraction: f64) -> [f32; 2 * SINC_HALF as usize] {
    std::array::from_fn(|i| {
        let x = i as f64 - (SINC_HALF - 1) as f64 - fraction;
        let window = (0.5 * std::f64::consts::PI * x / SINC_HALF as f64).cos();
        let turn = std::f64::consts::PI * x;
        let value = if turn.abs() < 1e-9 {
            1.0
        } else {
            turn.sin() / turn
        };
        (value * window * window) as f32
    })
}

/// `length` samples of the sound from a fractional position on; silence outside it.
fn resampled(sound: &[f32], begin: f64, length: usize) -> Vec<f32> {
    let whole = begin.floor();
    let weights = sinc(begin - whole);
    (0..length as isize)
        .map(|i| {
            let first = whole as isize + i - (SINC_HALF - 1);
            weights
                .iter()
                .enumerate()
                .map(|(k, w)| {
                    let at = usize::try_from(first + k as isize).ok();
                    w * at.and_then(|at| sound.get(at)).copied().unwrap_or(0.0)
                })
                .sum()
        })
        .collect()
}

/// Takes `gain` times `click` off the sound from a fractional position on.
fn subtract(sound: &mut [f32], begin: f64, click: &[f32], gain: f32) {
    let whole = begin.ceil();
    // The click as it lies on the samples of the sound.
    let shifted = resampled(click, whole - begin, click.len());
    for (i, x) in shifted.iter().enumerate() {
        let at = usize::try_from(whole as isize + i as isize).ok();
        if let Some(sample) = at.and_then(|at| sound.get_mut(at)) {
            *sample -= gain * x;
        }
    }
}

fn power(sound: &[f32], rate: f64, from_s: f64, to_s: f64) -> f64 {
    let at = |s: f64| ((s * rate).max(0.0) as usize).min(sound.len());
    let part = &sound[at(from_s)..at(to_s).max(at(from_s))];
    part.iter().map(|x| f64::from(x * x)).sum::<f64>() / part.len().max(1) as f64
}

/// Robust standard deviation about the median.
fn spread(values: &[f64]) -> f64 {
    let centre = median(values.to_vec());
    1.4826 * median(values.iter().map(|v| (v - centre).abs()).collect())
}

fn median(mut values: Vec<f64>) -> f64 {
    values.sort_by(f64::total_cmp);
    values.get(values.len() / 2).copied().unwrap_or(0.0)
}
