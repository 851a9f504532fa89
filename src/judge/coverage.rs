//! Whether the take is the line at all.

use super::Check;
use crate::align::{Alignment, Attempt, Outcome};
use crate::hear::Hearing;
use crate::line::{Line, LineNote};

/// How the warning begins that no note of the line was recognised.
pub const NOTHING_HEARD: &str = "no note of the line was recognised";
/// How the warning begins that most of the take is something else.
pub const OTHER_MUSIC: &str = "most of what sounded is not this line";

/// Sounds of at least this confidence count as notes.
const CERTAIN: f64 = 0.5;
/// Fewer notes than this say nothing.
const NOTES_MIN: usize = 12;
/// Least share of the notes heard that are right notes of the line, tries and all, less one note
/// a jump and a note added; warming up and talk before a take leave more.
const SHARE_LEAST: f64 = 0.5;
/// Below this share, and with less than this of the line right, it is taken for something else:
/// nothing is told. A first read gets more right than two notes in five (common practice).
const OTHER_SHARE: f64 = 0.4;
const OTHER_RIGHT: f64 = 0.6;

/// What is to be said of a take that does not seem to be the line.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Warning {
    pub text: String,
    /// Nothing of it is to be told of the line: only chance fits.
    pub other_music: bool,
}

/// Of whole lines only: who asks for some bars of a take knows that the others do not fit.
pub fn warning(check: &Check, hearing: &Hearing, alignment: &Alignment) -> Option<Warning> {
    let certain = |j: usize| {
        let note = hearing.notes.get(j);
        note.is_some_and(|n| n.confidence >= CERTAIN)
    };
    // A shake is as many notes as its player likes: they speak for no line and against none.
    let shaken = alignment.ornamental.iter().filter(|(j, _)| certain(*j));
    let heard = (0..hearing.notes.len()).filter(|j| certain(*j)).count() - shaken.count();
    let tries = alignment
        .notes
        .iter()
        .flat_map(|note| note.earlier.iter().chain([&note.last]));
    let right =
        |attempt: &&Attempt| attempt.outcome == Outcome::Right && attempt.heard_idx.is_some();
    // Doubtful ripples lie on any line.
    let continued = alignment.continued.iter().filter(|(j, _)| certain(*j));
    let right = tries.filter(right).count() + continued.count();
    let summary = &check.summary;
    let reached = summary.right + summary.wrong + summary.missed + summary.unsure;
    if reached == 0 && heard < NOTES_MIN {
        return Some(Warning {
            text: format!("{NOTHING_HEARD}: is it the right recording?"),
            other_music: false,
        });
    }
    // Any line can be patched together from alike bits of another: every jump is one more that
    // was free to be chosen.
    let breaks = check.restarts.len() + check.skips.len() + check.added.len();
    let share = (right as f64 - breaks as f64) / heard.max(1) as f64;
    if heard < NOTES_MIN || share >= SHARE_LEAST {
        return None;
    }
    // Thirty shifts to choose from fit more by chance than one.
    let poor = share < OTHER_SHARE || check.tuning.transposed_semitones != 0;
    let little = (summary.right as f64) < OTHER_RIGHT * summary.expected as f64;
    let other_music = poor && little;
    let pieces = check.restarts.len() + check.skips.len() + 1;
    let in_pieces = match pieces {
        1 => String::new(),
        n => format!(", in {n} pieces"),
    };
    let rest = if other_music {
        "Nothing is marked."
    } else {
        "What does not fit is left out."
    };
    Some(Warning {
        text: format!(
            "{OTHER_MUSIC} ({right} of {heard} notes would fit{in_pieces}): is it the right line, part or instrument? {rest}"
        ),
        other_music,
    })
}

/// Right notes from which a passage can be said to stand elsewhere.
const ALIKE_NOTES_MIN: usize = 4;
/// Onsets this near to each other are one, quarters.
const SAME_QUARTERS: f64 = 1e-3;

/// Says that what was played stands elsewhere in the line as well, where it does: a few bars from
/// the middle of a line are the first of those that fit, which the player may not have meant.
/// Nothing is said of a take that begins with the line, nor of one that goes back or skips; places
/// within one bar, and two passes through it, are one.
pub fn stands_elsewhere(check: &Check, line: &Line) -> Option<String> {
    let right: Vec<&LineNote> = check
        .notes
        .iter()
        .filter(|note| note.outcome == Outcome::Right)
        .map(|note| &line.notes[note.index])
        .collect();
    let reached = |o: Outcome| o != Outcome::NotReached;
    let first = check.notes.iter().position(|note| reached(note.outcome))?;
    if first == 0
        || right.len() < ALIKE_NOTES_MIN
        || !check.restarts.is_empty()
        || !check.skips.is_empty()
    {
        return None;
    }
    let page_idx = |note: &LineNote| line.bars[note.bar_idx].page_idx;
    let begins = right[0];
    let mut bars: Vec<(usize, &str)> = Vec::new();
    for other in &line.notes {
        let later_quarters = other.onset_quarters - begins.onset_quarters;
        let stands = || {
            right.iter().all(|note| {
                let onset_quarters = note.onset_quarters + later_quarters;
                let from = line
                    .notes
                    .partition_point(|n| n.onset_quarters < onset_quarters - SAME_QUARTERS);
                line.notes[from..]
                    .iter()
                    .take_while(|n| n.onset_quarters < onset_quarters + SAME_QUARTERS)
                    .any(|n| n.sounding_midi == note.sounding_midi && n.grace == note.grace)
            })
        };
        let elsewhere = page_idx(other) != page_idx(begins);
        if other.sounding_midi == begins.sounding_midi && elsewhere && stands() {
            bars.push((page_idx(other), &other.bar));
        }
    }
    bars.dedup();
    let (_, bar) = bars.first()?;
    let more = if bars.len() > 1 { " and elsewhere" } else { "" };
    let told = &begins.bar;
    Some(format!(
        "what was played stands from bar {bar}{more} just as from bar {told}: it is told of bar {told}. \
         Name the bars that were played to have it told of others."
    ))
}
