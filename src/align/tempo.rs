//! The local tempo of a take, from the notes a first search has placed.

use super::expected::Expected;
use super::path::{Move, Path};
use super::sound::Sound;

/// Slowest and fastest tempo that is believed, quarters a minute, with room beyond 20 to 400.
const SLOWEST: f64 = 12.0;
const FASTEST: f64 = 600.0;
/// Note pairs on either side that vote on the tempo at a note.
const REACH_PAIRS: usize = 10;

/// Tempo around every heard note.
pub struct Tempo {
    /// Natural log of seconds a quarter.
    pub log_seconds_per_quarter: Vec<f32>,
    /// Median share of its written length that a note sounds, natural log: legato near 0.
    pub log_sounding_share: f32,
}

/// Running median of the tempo of neighbouring placed notes. `None` with fewer than two pairs.
pub fn local(expected: &Expected, sounds: &[Sound], path: &Path) -> Option<Tempo> {
    let mut votes: Vec<(f64, f64)> = Vec::new();
    for pair in path.steps.windows(2) {
        let (a, b) = (pair[0], pair[1]);
        let (from, to) = (&expected.notes[a.idx], &expected.notes[b.idx]);
        if b.by != Move::On || from.grace || to.grace {
            continue;
        }
        let quarters = to.onset_quarters - from.onset_quarters;
        let seconds = sounds[b.heard_idx].onset_s - sounds[a.heard_idx].onset_s;
        if quarters <= 0.0 || seconds <= 0.0 {
            continue;
        }
        let per_quarter = seconds / quarters;
        if (60.0 / FASTEST..=60.0 / SLOWEST).contains(&per_quarter) {
            votes.push((
                0.5 * (sounds[a.heard_idx].onset_s + sounds[b.heard_idx].onset_s),
                per_quarter.ln(),
            ));
        }
    }
    if votes.len() < 2 {
        return None;
    }
    votes.sort_by(|a, b| a.0.total_cmp(&b.0));
    let mut scratch = Vec::with_capacity(2 * REACH_PAIRS);
    let log_seconds_per_quarter: Vec<f32> = sounds
        .iter()
        .map(|sound| {
            let centre = votes.partition_point(|v| v.0 < sound.onset_s);
            let first = centre.saturating_sub(REACH_PAIRS);
            let last = (centre + REACH_PAIRS).min(votes.len());
            scratch.clear();
            scratch.extend(votes[first..last].iter().map(|v| v.1));
            let middle = scratch.len() / 2;
            *scratch.select_nth_unstable_by(middle, f64::total_cmp).1 as f32
        })
        .collect();
    let mut shares: Vec<f32> = path
        .steps
        .iter()
        .map(|step| {
            (
                &sounds[step.heard_idx],
                &expected.notes[step.idx],
                step.heard_idx,
            )
        })
        .filter(|(_, note, _)| !note.grace)
        .map(|(sound, note, j)| sound.log_duration - note.log_quarters - log_seconds_per_quarter[j])
        .collect();
    let middle = shares.len() / 2;
    let log_sounding_share = *shares.select_nth_unstable_by(middle, f32::total_cmp).1;
    Some(Tempo {
        log_seconds_per_quarter,
        log_sounding_share,
    })
}
