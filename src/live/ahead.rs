//! Ahead or behind: an onset against the click, or else against the tempo of the notes before.

use crate::judge::ClickOptions;
use crate::judge::stats::LineFit;
use crate::line::Line;

/// The tempo is taken from the notes of so many beats before.
const REACH_BEATS: f64 = 4.0;

/// Notes it needs at least.
const NOTES_MIN: usize = 3;

/// Scatter of onsets about a steady tempo, seconds.
const SCATTER_S: f64 = 0.010;

/// An onset further off than this share of a beat is no matter of pushing or dragging: a stop.
const STOP_BEATS: f64 = 0.75;

#[derive(Default)]
pub struct Ahead {
    click: Option<ClickOptions>,
    /// Quarters and seconds of the last onsets of this stretch, and the last note.
    onsets: Vec<(f64, f64)>,
    last_idx: Option<usize>,
}

impl Ahead {
    pub fn new(click: Option<ClickOptions>) -> Ahead {
        Ahead {
            click,
            ..Ahead::default()
        }
    }

    /// Milliseconds that note `idx` came after its time (negative: before it); `None` where
    /// there is no click and no tempo yet.
    pub fn of(&mut self, line: &Line, idx: usize, onset_s: f64) -> Option<f64> {
        let note = &line.notes[idx];
        if note.grace {
            return None;
        }
        let quarters = note.onset_quarters;
        if let Some(click) = self.click
            && let Some(at_s) = click.at_s
        {
            return Some(1e3 * from_click(line, &click, at_s, quarters, onset_s));
        }
        let goes_on = self
            .last_idx
            .is_some_and(|last| last < idx && idx <= last + 4);
        self.last_idx = Some(idx);
        if !goes_on {
            self.onsets.clear();
        }
        let beat_quarters = line
            .bars
            .get(note.bar_idx)
            .map_or(1.0, |bar| bar.beat_quarters);
        self.onsets
            .retain(|(q, _)| quarters - q <= REACH_BEATS * beat_quarters);
        let late_s = self
            .predicted(quarters)
            .map(|predicted_s| onset_s - predicted_s.0);
        let stopped =
            self.predicted(quarters)
                .zip(late_s)
                .is_some_and(|((_, quarter_s), late_s)| {
                    late_s.abs() > STOP_BEATS * beat_quarters * quarter_s
                });
        if stopped {
            self.onsets.clear();
        }
        self.onsets.push((quarters, onset_s));
        late_s.filter(|_| !stopped).map(|s| 1e3 * s)
    }

    /// When a note at `quarters` is due, and the seconds of a quarter.
    fn predicted(&self, quarters: f64) -> Option<(f64, f64)> {
        if self.onsets.len() < NOTES_MIN {
            return None;
        }
        let (x, y): (Vec<f64>, Vec<f64>) = self.onsets.iter().copied().unzip();
        let fit = LineFit::robust(&x, &y, &vec![0.0; x.len()], SCATTER_S)?;
        (fit.slope > 0.0).then(|| (fit.at(quarters), fit.slope))
    }
}

/// Distance from the nearest click that the note could be meant for, seconds.
fn from_click(line: &Line, click: &ClickOptions, at_s: f64, quarters: f64, onset_s: f64) -> f64 {
    let period_s = 60.0 / click.bpm;
    let origin = line
        .bars
        .iter()
        .find(|bar| (bar.first_beat - 1.0).abs() < 1e-6)
        .map_or(0.0, |bar| bar.onset_quarters);
    let late_s = onset_s - at_s - period_s * (quarters - origin) / click.beat_quarters;
    late_s - (late_s / period_s).round() * period_s
}
