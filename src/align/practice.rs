//! Habits of practice that the search explains by dearer ones: a note stuttered, and what was
//! played before the line to warm up.

use super::expected::Expected;
use super::path::{Move, Step};
use super::pitch;
use super::sound::Sound;

/// Sounds of one pitch lie within this of each other, semitones.
const SAME_PITCH_SEMITONES: f64 = 0.5;

/// Confidence from which a sound between two steps counts as played.
const PLAYED: f64 = 0.5;

/// Share of what was played before going back to the beginning that has to be the line's for it
/// to be a false start; a scale shares two notes in three with a line of its key.
const FALSE_START_SHARE: f64 = 0.75;

/// Sounds that can be told from the line so.
const WARM_UP_SOUNDS: usize = 4;

/// Puts right what the search made of stutters and of the warming up.
pub fn tidy(steps: &mut Vec<Step>, sounds: &[Sound], expected: &Expected) {
    stutters(steps, sounds, expected);
    if let Some(n) = warm_up(steps, sounds, expected) {
        steps.drain(..n);
        steps[0].by = Move::Start;
    }
}

fn is_right(step: Step, sounds: &[Sound], expected: &Expected) -> bool {
    let (sound, note) = (&sounds[step.heard_idx], &expected.notes[step.idx]);
    let fit = pitch::fit(&sound.offers, sound.pitch_se_semitones, note.midi);
    fit.right >= fit.wrong
}

/// One note played several times is that note each time, and not once the one before it, wrong.
fn stutters(steps: &mut [Step], sounds: &[Sound], expected: &Expected) {
    let pitch = |step: &Step| sounds[step.heard_idx].offers[0].semitones;
    let mut from = 0;
    while from < steps.len() {
        let goes_on = |k: &usize| {
            steps[*k].heard_idx == steps[*k - 1].heard_idx + 1
                && (pitch(&steps[*k]) - pitch(&steps[from])).abs() < SAME_PITCH_SEMITONES
        };
        let to = (from + 1..steps.len()).take_while(goes_on).count() + from + 1;
        let group = &steps[from..to];
        let went_back = group[1..].iter().any(|step| step.by == Move::Back);
        let (right, wrong): (Vec<Step>, Vec<Step>) =
            (group.iter()).partition(|step| is_right(**step, sounds, expected));
        let skipped = (group.windows(2)).any(|pair| pair[1].idx > pair[0].idx + 1);
        let meant = right.last().map(|step| step.idx);
        // Told apart from a jump by what comes before and after: both lead through the one note.
        let leads_on = |idx: usize| {
            (from == 0 || steps[from - 1].idx < idx)
                && steps
                    .get(to)
                    .is_none_or(|next| next.by != Move::On || next.idx > idx)
        };
        // Notes of that pitch one after the other are repeated notes, and no stutter.
        let one = right.windows(2).all(|pair| pair[1].idx != pair[0].idx + 1);
        if let Some(idx) = meant.filter(|idx| went_back && one && leads_on(*idx))
            && (!wrong.is_empty() || skipped)
        {
            for (k, step) in steps[from..to].iter_mut().enumerate() {
                step.idx = idx;
                if k > 0 {
                    step.by = Move::Back;
                }
            }
        }
        from = to;
    }
}

/// Steps at the beginning that were no part of the line, if there are any: left by going back to
/// where the line begins.
fn warm_up(steps: &[Step], sounds: &[Sound], expected: &Expected) -> Option<usize> {
    if expected.begins_at.is_some() {
        return None;
    }
    let n = (1..steps.len()).find(|k| steps[*k].by != Move::On)?;
    let first = steps.iter().map(|step| step.idx).min()?;
    if steps[n].by != Move::Back || steps[n].idx != first {
        return None;
    }
    let right = (steps[..n].iter()).filter(|step| is_right(**step, sounds, expected));
    let right = right.count();
    let heard = steps[0].heard_idx..steps[n].heard_idx;
    let played = sounds[heard].iter().filter(|s| s.confidence >= PLAYED);
    let left_out: usize = (steps[..n].windows(2))
        .map(|pair| pair[1].idx.saturating_sub(pair[0].idx + 1))
        .sum();
    let all = played.count() + left_out;
    (all >= WARM_UP_SOUNDS && (right as f64) < FALSE_START_SHARE * all as f64).then_some(n)
}
