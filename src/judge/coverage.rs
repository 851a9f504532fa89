//! Whether the take is the line at all.

use super::Check;
use crate::align::{Alignment, Attempt, Outcome};
use crate::hear::Hearing;

/// How the warning begins that no note of the line was recognised.
pub const NOTHING_HEARD: &str = "no note of the line was recognised";
/// How the warning begins that most of the take is something else.
pub const OTHER_MUSIC: &str = "most of what sounded is not this line";

/// Sounds of at least this confidence count as notes.
const CERTAIN: f64 = 0.5;
/// Fewer notes than this say nothing.
const NOTES_MIN: usize = 12;
/// Least share of the notes heard that are right notes of the line, tries and all; warming up and
/// talk before a take leave more.
const SHARE_LEAST: f64 = 0.5;
/// Below this share, and with less than this of the line right, it is taken for something else:
/// nothing is marked. A first read gets more right than two notes in five (common practice).
const OTHER_SHARE: f64 = 0.4;
const OTHER_RIGHT: f64 = 0.6;
/// Jumps and added notes, of the notes heard, above which a transposed fit was patched together
/// from alike bits.
const BREAKS_MOST: f64 = 0.15;

/// Warns where the take does not seem to be the line, and then marks nothing. Of whole lines: who
/// asks for some bars of a take knows that the others do not fit.
pub fn warn(check: &mut Check, hearing: &Hearing, alignment: &Alignment) {
    let heard = hearing.notes.iter().filter(|n| n.confidence >= CERTAIN);
    let heard = heard.count();
    let tries = alignment
        .notes
        .iter()
        .flat_map(|note| note.earlier.iter().chain([&note.last]));
    let right =
        |attempt: &&Attempt| attempt.outcome == Outcome::Right && attempt.heard_idx.is_some();
    let right = tries.filter(right).count() + alignment.continued.len();
    let summary = &check.summary;
    let reached = summary.right + summary.wrong + summary.missed + summary.unsure;
    if reached == 0 && heard < NOTES_MIN {
        check
            .take
            .warnings
            .push(format!("{NOTHING_HEARD}: is it the right recording?"));
        return;
    }
    let share_of_heard = |n: usize| n as f64 / heard.max(1) as f64;
    let share = share_of_heard(right);
    let transposed = check.tuning.transposed_semitones != 0;
    let breaks = check.restarts.len() + check.skips.len() + check.added.len();
    let patched = transposed && share_of_heard(breaks) > BREAKS_MOST;
    if heard < NOTES_MIN || (share >= SHARE_LEAST && !patched) {
        return;
    }
    let poor = share < OTHER_SHARE || transposed;
    let little = (summary.right as f64) < OTHER_RIGHT * summary.expected as f64;
    let other = poor && little;
    if patched && !other {
        return;
    }
    check.take.warnings.push(format!(
        "{OTHER_MUSIC} ({right} of {heard} notes would fit): is it the right line, part or instrument? {}",
        if other {
            "Nothing is marked."
        } else {
            "What does not fit is left out."
        }
    ));
    if other {
        check.findings.clear();
        check.tuning.transposed_semitones = 0;
    }
}
