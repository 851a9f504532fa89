//! The take against a click: where the click lay, and how far the notes lay from it.

use super::check::ClickCheck;
use super::local::{Deviation, phrase_begins};
use super::onsets::{Before, Played, stretches};
use super::stats::{LineFit, mean, robust_mean, sd};
use crate::hear::HeardClick;
use crate::line::Line;

/// A click as the player sets it.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct ClickOptions {
    pub beat_quarters: f64,
    pub bpm: f64,
    /// Time of one of its clicks in the take, where known.
    pub at_s: Option<f64>,
}

impl ClickOptions {
    /// Reads `q.=92`: a note value (`w h q e s`, `1 2 4 8 16` or `1/4`, with dots), then beats
    /// a minute from 10 to 600. The error says what to write instead.
    pub fn parse(text: &str) -> Result<ClickOptions, ClickError> {
        let wrong = || ClickError(text.into());
        let (value, bpm) = text.split_once('=').ok_or_else(wrong)?;
        let bpm: f64 = bpm.trim().parse().map_err(|_| wrong())?;
        let beat_quarters = note_value_quarters(value.trim()).ok_or_else(wrong)?;
        if !(10.0..=600.0).contains(&bpm) {
            return Err(wrong());
        }
        Ok(ClickOptions {
            beat_quarters,
            bpm,
            at_s: None,
        })
    }
}

/// Quarters of a note value: `q.` is 1.5, `8` is 0.5, `3/8` is 1.5.
fn note_value_quarters(text: &str) -> Option<f64> {
    let name = text.trim_end_matches('.');
    let dots = (text.len() - name.len()) as i32;
    let plain = match name.to_ascii_lowercase().as_str() {
        "w" => 4.0,
        "h" => 2.0,
        "q" => 1.0,
        "e" => 0.5,
        "s" => 0.25,
        name => match name.split_once('/') {
            Some((over, under)) => {
                let (over, under): (u32, u32) = (over.parse().ok()?, under.parse().ok()?);
                4.0 * f64::from(over) / f64::from(under)
            }
            None => {
                let under: u32 = name.parse().ok()?;
                [1, 2, 4, 8, 16, 32]
                    .contains(&under)
                    .then(|| 4.0 / f64::from(under))?
            }
        },
    };
    // Each dot adds half of what stood before it: 2 − 2⁻ⁿ in all.
    let dotted = plain * (2.0 - 0.5f64.powi(dots));
    (dots <= 2 && dotted > 0.0 && dotted <= 8.0).then_some(dotted)
}

/// A click that cannot be read.
#[derive(Clone, Debug, PartialEq, Eq, thiserror::Error)]
#[error(
    "cannot read the click \"{0}\": write a note value, = and 10 to 600 beats a minute, \
     such as q=112, q.=92, e=160, 1/4=112"
)]
pub struct ClickError(String);

/// The click as it lay in the take.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct ClickGrid {
    pub beat_quarters: f64,
    pub period_s: f64,
    /// First click at or after the take's start; `None` where the phase is unknown.
    pub first_s: Option<f64>,
    pub first_se_s: f64,
    /// Clicks were heard but do not fit the tempo given.
    pub heard_otherwise: bool,
    /// The playing keeps another tempo.
    pub other_tempo: bool,
}

/// A player's tempo lies within this share of the click's; further off it is another tempo. No
/// pass against a click drifts so far (common practice).
const SAME_TEMPO: f64 = 1.25;
/// A player's tempo over or under the click's by one of these, within that share, goes with it: a
/// metronome set to eighths or to half bars.
const CLICKS_A_BEAT: [f64; 3] = [2.0, 3.0, 4.0];
const MULTIPLE_WITHIN: f64 = 1.08;

impl ClickGrid {
    /// Counts the clicks as the player did, whose tempo is `played_qpm` quarters a minute.
    pub fn counted_as_played(mut self, played_qpm: f64) -> ClickGrid {
        let over = 60.0 * self.beat_quarters / (self.period_s * played_qpm);
        let within = |ratio: f64, most: f64| ratio.max(1.0 / ratio) <= most;
        let shares = CLICKS_A_BEAT.iter().flat_map(|n| [*n, 1.0 / n]);
        if within(over, SAME_TEMPO) {
            return self;
        }
        match shares
            .into_iter()
            .find(|n| within(over / n, MULTIPLE_WITHIN))
        {
            Some(n) => self.beat_quarters /= n,
            None => {
                self.other_tempo = true;
                self.first_s = None;
            }
        }
        self
    }
}

/// Fewer clicks heard than this fix no phase.
const MIN_CLICKS: usize = 4;
/// Mean resultant length of the clicks' phases (1: all alike; 0: spread evenly) from which
/// they count as one click; equally spread noise of 20 clicks stays under 0.4 (Rayleigh test,
/// p = 0.05: √(3/n)).
const PHASE_AGREEMENT: f64 = 0.8;
/// A real metronome runs within this share of its marking; more is another tempo.
const PERIOD_SHARE: f64 = 0.005;
/// Scatter of heard clicks below which all count in full, seconds.
const CLICK_SCATTER_S: f64 = 0.001;

/// Lays the click over the take: the time given, or else the phase of the clicks heard.
pub fn grid(options: &ClickOptions, heard: &[HeardClick]) -> ClickGrid {
    let period_s = 60.0 / options.bpm;
    let mut grid = ClickGrid {
        beat_quarters: options.beat_quarters,
        period_s,
        first_s: options.at_s.map(|s| s.rem_euclid(period_s)),
        first_se_s: 0.0,
        heard_otherwise: false,
        other_tempo: false,
    };
    if grid.first_s.is_some() || heard.len() < MIN_CLICKS {
        return grid;
    }
    let times: Vec<f64> = heard.iter().map(|c| c.at_s).collect();
    match fit_phase(&times, period_s) {
        Some((period_s, first_s, first_se_s)) => {
            grid.period_s = period_s;
            grid.first_s = Some(first_s);
            grid.first_se_s = first_se_s;
        }
        None => grid.heard_otherwise = true,
    }
    grid
}

/// Period, time of the first click and its error, when the times agree with `period_s`.
fn fit_phase(times: &[f64], period_s: f64) -> Option<(f64, f64, f64)> {
    let (centre, agreement) = circular_mean(times, period_s);
    if agreement < PHASE_AGREEMENT {
        return None;
    }
    let counts: Vec<f64> = times
        .iter()
        .map(|t| ((t - centre) / period_s).round())
        .collect();
    let near: Vec<usize> = (0..times.len())
        .filter(|i| (times[*i] - centre - counts[*i] * period_s).abs() < period_s / 4.0)
        .collect();
    let x: Vec<f64> = near.iter().map(|i| counts[*i]).collect();
    let y: Vec<f64> = near.iter().map(|i| times[*i]).collect();
    let fit = LineFit::robust(&x, &y, &vec![0.0; x.len()], CLICK_SCATTER_S)?;
    if (fit.slope / period_s - 1.0).abs() > PERIOD_SHARE {
        return None;
    }
    let residuals: Vec<f64> = x.iter().zip(&y).map(|(x, y)| y - fit.at(*x)).collect();
    let se = sd(&residuals).max(CLICK_SCATTER_S / 4.0) / (x.len() as f64).sqrt();
    Some((fit.slope, fit.at_zero.rem_euclid(fit.slope), se))
}

/// Mean of times on a circle of `period_s`, and how well they agree (0 to 1).
fn circular_mean(times: &[f64], period_s: f64) -> (f64, f64) {
    let turn = std::f64::consts::TAU / period_s;
    let (mut sin, mut cos) = (0.0, 0.0);
    for t in times {
        sin += (t * turn).sin();
        cos += (t * turn).cos();
    }
    let n = times.len().max(1) as f64;
    (sin.atan2(cos) / turn, sin.hypot(cos) / n)
}

/// Notes that tell on which beat a stretch comes in.
const COMES_IN_NOTES: usize = 8;

/// Distance of every onset of `played` from the click, in the same order; empty where the
/// phase is unknown. A phrase that came in whole beats early or late is on the click.
pub fn offsets(
    line: &Line,
    befores: &[Before],
    played: &[Played],
    grid: &ClickGrid,
) -> Vec<Deviation> {
    let Some(first_s) = grid.first_s else {
        return Vec::new();
    };
    let origin = first_full_bar_quarters(line);
    let raw: Vec<f64> = played
        .iter()
        .map(|p| p.onset_s - first_s - grid.period_s * (p.quarters - origin) / grid.beat_quarters)
        .collect();
    let mut offsets = Vec::with_capacity(played.len());
    for stretch in stretches(played) {
        let start = offsets.len();
        let values = &raw[start..start + stretch.len()];
        // Where the stretch comes in, the nearest beat is meant; from there on time runs through:
        // who runs ahead for long is far ahead, and no beat behind.
        let same_phrase = |a: &Played, b: &Played| !phrase_begins(line, befores, a.idx, b.idx);
        let first = stretch.chunk_by(same_phrase).next().map_or(0, <[_]>::len);
        let first = &values[..first.min(COMES_IN_NOTES)];
        let (centre, _) = circular_mean(first, grid.period_s);
        let whole = |s: f64| (s / grid.period_s).round() * grid.period_s;
        let mut shift_s = first.first().map_or(0.0, |value| whole(value - centre));
        let mut before: Option<f64> = None;
        for (p, value) in stretch.iter().zip(values) {
            // A beat and more at once was waited or left out.
            shift_s += before.map_or(0.0, |before| whole(value - before));
            before = Some(*value);
            offsets.push(Deviation {
                ms: 1e3 * (value - shift_s),
                se_ms: 1e3 * p.onset_se_s.hypot(grid.first_se_s),
            });
        }
    }
    offsets
}

/// Where beat 1 of the first whole bar stands: beats are counted from there.
fn first_full_bar_quarters(line: &Line) -> f64 {
    line.bars
        .iter()
        .find(|bar| (bar.first_beat - 1.0).abs() < 1e-6)
        .map_or(0.0, |bar| bar.onset_quarters)
}

/// Mean, scatter and trend against the click; without a phase the mean stays unknown.
pub fn summary(played: &[Played], grid: &ClickGrid, offsets: &[Deviation]) -> ClickCheck {
    let steady: Vec<usize> = (0..played.len()).filter(|i| played[*i].steady).collect();
    let times: Vec<f64> = steady.iter().map(|i| played[*i].onset_s).collect();
    let values: Vec<f64> = if grid.other_tempo {
        Vec::new()
    } else if offsets.is_empty() {
        free_phase(played, grid, &steady)
    } else {
        steady.iter().map(|i| offsets[*i].ms).collect()
    };
    let enough = values.len() >= MIN_CLICKS;
    ClickCheck {
        bpm: 60.0 / grid.period_s,
        first_s: grid.first_s,
        clicks_disagree: grid.heard_otherwise,
        beat_quarters: (!grid.other_tempo).then_some(grid.beat_quarters),
        other_tempo: grid.other_tempo,
        offset_mean_ms: (enough && !offsets.is_empty())
            .then(|| robust_mean(&values, 4.0))
            .flatten(),
        offset_sd_ms: enough.then(|| sd(&values)),
        trend_ms_per_min: enough
            .then(|| LineFit::robust_sparse(&times, &values, 4.0))
            .flatten()
            .map(|fit| 60.0 * fit.slope),
    }
}

/// Distance from a click whose phase each stretch sets by its own mean, ms.
fn free_phase(played: &[Played], grid: &ClickGrid, steady: &[usize]) -> Vec<f64> {
    let mut values = Vec::with_capacity(steady.len());
    for stretch in steady.chunk_by(|a, b| played[*a].stretch == played[*b].stretch) {
        let raw: Vec<f64> = stretch
            .iter()
            .map(|i| {
                let p = &played[*i];
                1e3 * (p.onset_s - grid.period_s * p.quarters / grid.beat_quarters)
            })
            .collect();
        let centre = mean(&raw);
        values.extend(raw.iter().map(|v| v - centre));
    }
    values
}
