//! Judging: what the alignment means, in numbers with their errors.
//!
//! Takes the line, what was heard and who is who; returns the [`Check`]. Knows no words,
//! colours or files: [`Finding::text`] is left empty for `show` to fill.

mod accuracy;
mod articulation;
pub mod check;
mod click;
pub mod coverage;
mod findings;
mod local;
mod onsets;
mod runs;
pub mod stats;
mod tempo;
mod tuning;

pub use check::*;
pub use click::{ClickError, ClickOptions};

pub use findings::heard_as;
pub use runs::threshold_ms;

use crate::align::{Alignment, Rhythm};
use crate::hear::Hearing;
use crate::line::Line;
use local::Deviation;

/// What the player may say beyond line and take.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct JudgeOptions {
    pub click: Option<ClickOptions>,
    /// The rhythm a run was practised in: onsets are held against that.
    pub rhythm: Option<Rhythm>,
}

/// Judges a take. Every note of the line is judged by its last attempt.
pub fn judge(
    line: &Line,
    hearing: &Hearing,
    alignment: &Alignment,
    options: &JudgeOptions,
) -> Check {
    let befores = onsets::before_each(line);
    let quarters = match &options.rhythm {
        Some(rhythm) => rhythm.onsets_quarters(line),
        None => line.notes.iter().map(|n| n.onset_quarters).collect(),
    };
    let played = onsets::played(line, &quarters, hearing, alignment);
    let ends = onsets::ends(hearing, alignment);
    let (befores, stops) = onsets::with_pauses(line, befores, &played, &ends);
    let deviations = deviations(line, &befores, &played);
    let runs = runs::runs(line, &befores, &played, &deviations);
    let repeated = runs::repeated(&played, &runs);
    let mut tempo = tempo::tempo(line, &befores, &played);
    let (tuning, cents) = tuning::tuning(line, hearing, alignment);
    let articulation = articulation::articulation(line, &befores, hearing, &ends, &played);

    let mut from_click = vec![None; line.notes.len()];
    if let Some(options) = &options.click {
        let mut grid = click::grid(options, &hearing.clicks);
        if let Some(mean_bpm) = tempo.mean_bpm {
            grid = grid.counted_as_played(mean_bpm * tempo.beat_quarters);
        }
        let offsets = click::offsets(line, &befores, &played, &grid);
        for (p, offset) in played.iter().zip(&offsets).filter(|(p, _)| p.judged) {
            from_click[p.idx] = Some(*offset);
        }
        tempo.click = Some(click::summary(&played, &grid, &offsets));
    }

    let notes = accuracy::notes(
        line,
        hearing,
        alignment,
        &accuracy::Measured {
            ends: &ends,
            local: &deviations,
            from_click: &from_click,
            cents: &cents,
        },
    );
    let added = accuracy::added(hearing, alignment, tuning.a4_hz);
    let mut check = Check {
        schema: CHECK_SCHEMA.into(),
        line: LineHead {
            title: line.title.clone(),
            part: line.part.clone(),
            instrument: line.instrument.clone(),
            notes: line.notes.len(),
            bars: line.bars.len(),
        },
        take: TakeHead::from(&hearing.recording),
        summary: accuracy::summary(&notes, added.len(), alignment.restarts.len()),
        transitions: accuracy::transitions(hearing, alignment, tuning.a4_hz),
        restarts: alignment
            .restarts
            .iter()
            .map(|r| RestartCheck {
                at_s: r.at_s,
                from_index: r.from_idx,
                to_index: r.to_idx,
            })
            .collect(),
        skips: alignment
            .skips
            .iter()
            .map(|s| SkipCheck {
                at_s: s.at_s,
                from_index: s.from_idx,
                to_index: s.to_idx,
                repeat_left_out: s.repeat_left_out,
            })
            .collect(),
        stops: stops.iter().map(stop_check).collect(),
        bars: accuracy::bars(line, alignment),
        tuning,
        notes,
        added,
        runs,
        repeated,
        tempo,
        articulation,
        findings: Vec::new(),
    };
    check.findings = findings::findings(line, &befores, &played, alignment, &deviations, &check);
    check
}

fn stop_check(stop: &onsets::Stop) -> StopCheck {
    StopCheck {
        at_s: stop.from_s,
        from_index: stop.idx - 1,
        to_index: stop.idx,
        waited_s: stop.waited_s,
        waited_se_s: stop.waited_se_s,
    }
}

/// Local deviation of every judged onset, by index of the line.
fn deviations(
    line: &Line,
    befores: &[onsets::Before],
    played: &[onsets::Played],
) -> Vec<Option<Deviation>> {
    let mut deviations = vec![None; line.notes.len()];
    for stretch in onsets::stretches(played) {
        for (at, p) in stretch.iter().enumerate() {
            if p.judged && !line.notes[p.idx].grace {
                deviations[p.idx] = local::deviation(line, befores, stretch, at);
            }
        }
    }
    deviations
}
