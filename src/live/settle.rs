//! Settled notes against the line: the whole-take alignment over the newest notes.
//!
//! A short horizon of notes is aligned again whenever some are due; what lies far enough back
//! is told and stays told. The report does not use this: it is made from the whole take.

use std::ops::Range;

use super::ahead::Ahead;
use super::events::{Event, HeardOutcome};
use crate::align::{AlignOptions, Alignment, Looks, Outcome, align};
use crate::hear::look::Sound;
use crate::hear::{HeardNote, Hearing, tuning};
use crate::judge::{Finding, FindingKind, judge};
use crate::line::Line;
use crate::pipeline::TakeOptions;
use crate::show;

/// A note is told when so many certain ones have followed it: a restart is seen by then.
const NOTES_AFTER: usize = 5;

/// … or when so much time has passed since it ended, seconds.
const TOLD_AFTER_S: f64 = 2.0;

/// … or when nothing has sounded for so long, seconds: a breath. By then the hearing has
/// settled every note before it.
const BREATH_S: f64 = 0.6;

/// Told in batches, seconds apart: each costs an alignment.
const BATCH_S: f64 = 0.4;

/// Notes aligned together at the most, and how many of them are kept when there are more.
const WINDOW_NOTES: usize = 96;
const KEPT_NOTES: usize = 48;

/// Confidence from which a sound counts as a note that followed.
pub(super) const CERTAIN: f64 = 0.5;

/// A place is sure where so many notes on end were right, and so many of the same stretch of
/// playing have followed the last of them: the end of an alignment may yet turn out a jump.
const SURE_NOTES: usize = 4;
const SURE_NOTES_AFTER: usize = 2;

/// Notes that may be left out between two of them.
const SURE_LEFT_OUT: usize = 1;

/// Silence after which playing on is not taken for granted, seconds.
const BROKEN_OFF_S: f64 = 0.5;

/// Notes by which a place may be mistaken: passages that come again are up to so long.
const ALIKE_REACH: usize = 96;

/// Looks into the sound at a time: each takes some milliseconds.
const LOOKS_MOST: usize = 6;

/// Newest notes that the tuning is taken from.
const TUNING_NOTES: usize = 300;

/// A note of the line at least this long ends a phrase, beats.
const LONG_NOTE_BEATS: f64 = 2.0;

/// Notes a phrase has at least before anything is said of it.
const PHRASE_NOTES: usize = 4;

/// Kinds of findings that a phrase of a few seconds can show.
const PHRASE_KINDS: [FindingKind; 4] = [
    FindingKind::Wrong,
    FindingKind::Missed,
    FindingKind::Added,
    FindingKind::Uneven,
];

/// What one heard note turned out to be.
#[derive(Clone, Copy, Debug, PartialEq)]
enum Role {
    /// A note of the line: index, outcome, pitch, stretch of playing.
    Played(usize, HeardOutcome, Option<i32>, usize),
    Added,
    /// A blip, a ripple, part of an ornament, or before the playing.
    Nothing,
}

pub struct Settler {
    options: TakeOptions,
    /// The newest settled notes, and how many of them are told.
    notes: Vec<HeardNote>,
    n_told: usize,
    /// How many of them there were at the last alignment.
    n_aligned: usize,
    /// Note of the line that the first of `notes` is.
    begins_at: Option<usize>,
    /// First note of the phrase, in `notes`, and the note of the line it was taken for.
    phrase_from: usize,
    phrase_begins_at: Option<usize>,
    tuned: Vec<HeardNote>,
    ran_s: f64,
    last_told: Option<(usize, usize)>,
    /// What was told last of each note of the line.
    told: Vec<Option<HeardOutcome>>,
    ahead: Ahead,
    sure: Vec<(usize, f64)>,
    looks: Looks,
}

impl Settler {
    pub fn new(options: TakeOptions) -> Settler {
        Settler {
            ahead: Ahead::new(options.judge.click),
            options,
            notes: Vec::new(),
            n_told: 0,
            n_aligned: 0,
            begins_at: None,
            phrase_from: 0,
            phrase_begins_at: None,
            tuned: Vec::new(),
            ran_s: f64::NEG_INFINITY,
            last_told: None,
            told: Vec::new(),
            sure: Vec::new(),
            looks: Looks::default(),
        }
    }

    /// Notes that the hearing has settled; told when they are due.
    pub fn push(&mut self, notes: &[HeardNote]) {
        self.notes.extend_from_slice(notes);
        self.tuned.extend_from_slice(notes);
        let old = self.tuned.len().saturating_sub(TUNING_NOTES);
        self.tuned.drain(..old);
    }

    /// Tuning of the newest notes, Hz, and its standard error.
    pub fn a4_hz(&self) -> (f64, f64) {
        tuning::of_notes(&self.tuned)
    }

    /// The newest places that are sure, in order: index in the line, onset in seconds. Empty
    /// where nothing was aligned since this was asked last.
    pub fn take_sure(&mut self) -> Vec<(usize, f64)> {
        std::mem::take(&mut self.sure)
    }

    /// Tells what is due at `said_s`, nothing having sounded for `silent_s`: endless where the
    /// take is over. `sound` is asked before anything is accused.
    pub fn tell(
        &mut self,
        line: &Line,
        sound: &Sound,
        said_s: f64,
        silent_s: f64,
        events: &mut Vec<Event>,
    ) {
        let breath = silent_s > BREATH_S;
        let limit = if breath {
            self.notes.len()
        } else {
            self.due(said_s)
        };
        let waited = breath || said_s - self.ran_s >= BATCH_S;
        let fresh = self.notes.len() > self.n_aligned;
        if (limit <= self.n_told && !fresh) || !waited {
            return;
        }
        self.ran_s = said_s;
        let limit = limit.max(self.n_told);
        let (hearing, alignment) = self.align(line, sound, 0..self.notes.len(), self.begins_at);
        let roles = roles(&alignment, self.notes.len());
        self.sure = sure(&roles, &hearing.notes, &pitches(line));
        let a4_semitones = 12.0 * (alignment.a4_hz / 440.0).log2();
        for (j, role) in roles.iter().enumerate().take(limit) {
            let note = &hearing.notes[j];
            // Told before enough had followed, maybe as none of the line.
            let once_more = j < self.n_told;
            let (index, outcome, midi) = match role {
                Role::Played(index, outcome, midi, _) if once_more && self.is_untold(*index) => {
                    self.remember(*index, *outcome);
                    (Some(*index), *outcome, *midi)
                }
                _ if once_more => continue,
                Role::Nothing => continue,
                Role::Added => (None, HeardOutcome::Added, None),
                Role::Played(index, outcome, midi, stretch) => {
                    for missed in self.missed_before(&alignment, *index, *stretch) {
                        self.remember(missed.0, missed.1);
                        events.push(Event::Heard {
                            index: Some(missed.0),
                            outcome: missed.1,
                            midi: None,
                            cents: None,
                            ahead_ms: None,
                            onset_s: note.onset_s,
                            said_s,
                        });
                    }
                    self.last_told = Some((*index, *stretch));
                    self.remember(*index, *outcome);
                    (Some(*index), *outcome, *midi)
                }
            };
            let midi = midi.or_else(|| Some((note.midi - a4_semitones).round() as i32));
            let ahead_ms = index.and_then(|idx| self.ahead.of(line, idx, note.onset_s));
            events.push(Event::Heard {
                index,
                outcome,
                midi,
                cents: midi.map(|midi| 100.0 * (note.midi - a4_semitones - f64::from(midi))),
                ahead_ms,
                onset_s: note.onset_s,
                said_s,
            });
            if let Some(idx) = index
                && !once_more
                && ends_phrase(line, idx)
            {
                self.phrase(line, sound, j + 1, said_s, events);
            }
        }
        self.n_told = limit;
        if breath {
            self.phrase(line, sound, limit, said_s, events);
        }
        self.trim(&roles);
        self.n_aligned = self.notes.len();
    }

    fn remember(&mut self, idx: usize, outcome: HeardOutcome) {
        if self.told.len() <= idx {
            self.told.resize(idx + 1, None);
        }
        self.told[idx] = Some(outcome);
    }

    /// True where nothing was told of a note, or that it was missed.
    fn is_untold(&self, idx: usize) -> bool {
        matches!(
            self.told.get(idx).copied().flatten(),
            None | Some(HeardOutcome::Missed)
        )
    }

    /// Number of notes that are due.
    fn due(&self, said_s: f64) -> usize {
        let mut after = 0;
        for (j, note) in self.notes.iter().enumerate().rev() {
            if after >= NOTES_AFTER || said_s - note.offset_s > TOLD_AFTER_S {
                return j + 1;
            }
            after += usize::from(note.confidence >= CERTAIN);
        }
        0
    }

    /// Some of the notes against the line.
    fn align(
        &mut self,
        line: &Line,
        sound: &Sound,
        notes: Range<usize>,
        begins_at: Option<usize>,
    ) -> (Hearing, Alignment) {
        let (a4_hz, a4_hz_se) = self.a4_hz();
        let hearing = Hearing {
            notes: self.notes[notes].to_vec(),
            a4_hz,
            a4_hz_se,
            ..Hearing::default()
        };
        let options = AlignOptions {
            begins_at,
            ..self.options.align.clone()
        };
        let mut alignment = align(line, &hearing, &options);
        let looks = &mut self.looks;
        looks.look(&mut alignment, line, &hearing, sound, LOOKS_MOST);
        (hearing, alignment)
    }

    /// Notes of the line left out between the last told one and `index`, in the same stretch.
    fn missed_before(
        &self,
        alignment: &Alignment,
        index: usize,
        stretch: usize,
    ) -> Vec<(usize, HeardOutcome)> {
        let first = match self.last_told {
            Some((last, _)) => last + 1,
            None => 0,
        };
        (first..index)
            .filter_map(|idx| {
                let note = alignment.notes.get(idx)?;
                let mut tries = note.earlier.iter().chain([&note.last]);
                let passed = tries.find(|a| a.heard_idx.is_none() && a.stretch == stretch)?;
                (passed.outcome != Outcome::NotReached)
                    .then(|| HeardOutcome::of(passed.outcome))?
                    .map(|outcome| (idx, outcome))
            })
            .collect()
    }

    /// Says what the phrase up to note `end` showed.
    fn phrase(
        &mut self,
        line: &Line,
        sound: &Sound,
        end: usize,
        said_s: f64,
        events: &mut Vec<Event>,
    ) {
        let from = std::mem::replace(&mut self.phrase_from, end);
        let begins_at = std::mem::take(&mut self.phrase_begins_at);
        if end - from.min(end) < PHRASE_NOTES {
            return;
        }
        let (hearing, alignment) = self.align(line, sound, from..end, begins_at);
        let mut check = judge(line, &hearing, &alignment, &self.options.judge);
        show::words::put_into_words(line, &mut check);
        // The notes after the phrase are still to come.
        let played = alignment
            .notes
            .iter()
            .rposition(|note| note.last.heard_idx.is_some());
        self.put_right(&alignment, &hearing, played, said_s, events);
        let findings: Vec<Finding> = check
            .findings
            .into_iter()
            .filter(|finding| PHRASE_KINDS.contains(&finding.kind))
            .filter(|finding| finding.places.iter().all(|place| Some(*place) <= played))
            .collect();
        events.push(Event::Phrase {
            said_s,
            findings,
            warnings: Vec::new(),
        });
    }

    /// Tells again what the phrase as a whole shows to be otherwise than it was told.
    fn put_right(
        &mut self,
        alignment: &Alignment,
        hearing: &Hearing,
        last: Option<usize>,
        said_s: f64,
        events: &mut Vec<Event>,
    ) {
        let notes = &alignment.notes;
        let first = notes.iter().position(|n| n.last.heard_idx.is_some());
        let (Some(first), Some(last)) = (first, last) else {
            return;
        };
        let a4_semitones = 12.0 * (alignment.a4_hz / 440.0).log2();
        let mut onset_s = said_s;
        for idx in (first..=last).rev() {
            let attempt = &notes[idx].last;
            let heard = attempt.heard_idx.map(|j| &hearing.notes[j]);
            onset_s = heard.map_or(onset_s, |note| note.onset_s);
            let Some(outcome) = HeardOutcome::of(attempt.outcome) else {
                continue;
            };
            if self.told.get(idx).copied().flatten() == Some(outcome) {
                continue;
            }
            self.remember(idx, outcome);
            let midi = heard.and(attempt.heard_midi);
            let cents = midi
                .zip(heard)
                .map(|(midi, note)| 100.0 * (note.midi - a4_semitones - f64::from(midi)));
            events.push(Event::Heard {
                index: Some(idx),
                outcome,
                midi,
                cents,
                ahead_ms: None,
                onset_s,
                said_s,
            });
        }
    }

    /// Forgets the oldest notes, up to one whose place in the line is known.
    fn trim(&mut self, roles: &[Role]) {
        if self.phrase_begins_at.is_none() {
            self.phrase_begins_at = match roles.get(self.phrase_from) {
                Some(Role::Played(idx, ..)) => Some(*idx),
                _ => None,
            };
        }
        if self.notes.len() <= WINDOW_NOTES {
            return;
        }
        let from = (self.notes.len() - KEPT_NOTES).min(self.n_told);
        let first = (1..=from)
            .rev()
            .find_map(|j| match roles[j.min(roles.len() - 1)] {
                Role::Played(idx, HeardOutcome::Right, ..) => Some((j, idx)),
                _ => None,
            });
        if let Some((j, idx)) = first {
            self.notes.drain(..j);
            self.begins_at = Some(idx);
            self.n_told -= j;
            if self.phrase_from < j {
                // The phrase has lost its beginning.
                self.phrase_begins_at = Some(idx);
            }
            self.phrase_from = self.phrase_from.saturating_sub(j);
        } else if self.notes.len() > 4 * WINDOW_NOTES {
            // Nothing of the line for a long time: talk, or another piece.
            let n = self.n_told;
            self.notes.drain(..n);
            self.begins_at = None;
            self.n_told = 0;
            self.phrase_from = 0;
            self.phrase_begins_at = None;
        }
    }
}

/// What each of `n` heard notes is.
fn roles(alignment: &Alignment, n: usize) -> Vec<Role> {
    let mut roles = vec![Role::Nothing; n];
    for (idx, note) in alignment.notes.iter().enumerate() {
        for attempt in note.earlier.iter().chain([&note.last]) {
            if let (Some(j), Some(outcome)) = (attempt.heard_idx, HeardOutcome::of(attempt.outcome))
            {
                roles[j] = Role::Played(idx, outcome, attempt.heard_midi, attempt.stretch);
            }
        }
    }
    for extra in &alignment.added {
        roles[extra.heard_idx] = Role::Added;
    }
    roles
}

/// A note of the line as it was played.
struct Place {
    idx: usize,
    right: bool,
    stretch: usize,
    onset_s: f64,
    /// Silence before it.
    silence_s: f64,
}

/// Sounding pitches of the line.
fn pitches(line: &Line) -> Vec<i32> {
    line.notes.iter().map(|note| note.sounding_midi).collect()
}

/// The newest stretch of right notes on end that is sure: index and onset of each. Nothing,
/// where what was played since the playing broke off stands elsewhere in the line too.
fn sure(roles: &[Role], notes: &[HeardNote], pitches: &[i32]) -> Vec<(usize, f64)> {
    let mut sounded_until_s = f64::INFINITY;
    let mut played: Vec<Place> = Vec::new();
    for (role, note) in roles.iter().zip(notes) {
        if let Role::Played(idx, outcome, _, stretch) = role {
            played.push(Place {
                idx: *idx,
                right: *outcome == HeardOutcome::Right,
                stretch: *stretch,
                onset_s: note.onset_s,
                silence_s: note.onset_s - sounded_until_s,
            });
        }
        if note.confidence >= CERTAIN {
            sounded_until_s = note.offset_s;
        }
    }
    let Some(last_stretch) = played.last().map(|p| p.stretch) else {
        return Vec::new();
    };
    let of_last = (played.iter().rev()).take_while(|p| p.stretch == last_stretch);
    let first = played.len() - of_last.count();
    let stretch = &played[first..];
    if stands_elsewhere(stretch, first > 0, pitches) {
        return Vec::new();
    }
    for end in (SURE_NOTES..=stretch.len().saturating_sub(SURE_NOTES_AFTER)).rev() {
        let mut first = end;
        while first > 0
            && stretch[first - 1].right
            && (first == end || stretch[first - 1].idx + 1 + SURE_LEFT_OUT >= stretch[first].idx)
        {
            first -= 1;
        }
        if end - first >= SURE_NOTES {
            return stretch[first..end]
                .iter()
                .map(|p| (p.idx, p.onset_s))
                .collect();
        }
    }
    Vec::new()
}

/// True where the newest notes that followed one another, as the line has them, do so elsewhere
/// in it, and only a place before a pause, a jump or a note left out tells which is meant.
fn stands_elsewhere(stretch: &[Place], jumped: bool, pitches: &[i32]) -> bool {
    let follows = |k: &usize| {
        let (before, note) = (&stretch[*k - 1], &stretch[*k]);
        note.idx == before.idx + 1 && note.silence_s < BROKEN_OFF_S
    };
    let on_end = (1..stretch.len()).rev().take_while(follows).count() + 1;
    let newest = &stretch[stretch.len().saturating_sub(on_end)..];
    if newest.len() == stretch.len() && !jumped {
        return false;
    }
    let of = |idx: Option<usize>| idx.and_then(|idx| pitches.get(idx));
    let right = || newest.iter().filter(|place| place.right);
    (1..=ALIKE_REACH).any(|by| {
        right().all(|p| of(p.idx.checked_sub(by)) == of(Some(p.idx)))
            || right().all(|p| of(Some(p.idx + by)) == of(Some(p.idx)))
    })
}

/// True for a note after which the fingers rest: a breath mark, a fermata, a rest or a long note.
fn ends_phrase(line: &Line, idx: usize) -> bool {
    let note = &line.notes[idx];
    let end_quarters = note.onset_quarters + note.duration_quarters;
    let rest_after = line
        .notes
        .get(idx + 1)
        .is_some_and(|next| next.onset_quarters > end_quarters + 1e-3);
    let beat_quarters = line
        .bars
        .get(note.bar_idx)
        .map_or(1.0, |bar| bar.beat_quarters);
    note.breath_after
        || note.fermata
        || rest_after
        || note.duration_quarters >= LONG_NOTE_BEATS * beat_quarters
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::live::follow::tests::{eighths, heard, sounding};

    /// Sure places of notes 0.2 s apart: index, right or wrong, stretch.
    fn sure_of(played: &[(usize, bool, usize)]) -> Vec<usize> {
        // No two passages alike.
        let pitches: Vec<i32> = (0..100).map(|k| 40 + (k * k * 7) % 211).collect();
        sure_among(played, &pitches)
    }

    fn sure_among(played: &[(usize, bool, usize)], pitches: &[i32]) -> Vec<usize> {
        let roles: Vec<Role> = played
            .iter()
            .map(|(idx, right, stretch)| {
                let outcome = if *right {
                    HeardOutcome::Right
                } else {
                    HeardOutcome::Wrong
                };
                Role::Played(*idx, outcome, None, *stretch)
            })
            .collect();
        let notes: Vec<HeardNote> = (0..played.len())
            .map(|k| sounding(0.2 * k as f64, pitches[played[k].0]))
            .collect();
        sure(&roles, &notes, pitches).iter().map(|p| p.0).collect()
    }

    #[test]
    fn a_place_is_sure_some_notes_back_in_its_stretch() {
        let straight: Vec<_> = (0..8).map(|idx| (idx, true, 0)).collect();
        assert_eq!(sure_of(&straight), [0, 1, 2, 3, 4, 5]);
        // One note left out does no harm, three are too many.
        let mut gap = straight.clone();
        gap.remove(3);
        assert_eq!(sure_of(&gap), [0, 1, 2, 4, 5]);
        gap.drain(3..5);
        assert!(sure_of(&gap).is_empty());
        // A wrong note parts them; after a jump it takes a while.
        let mut wrong = straight.clone();
        wrong[5].1 = false;
        assert_eq!(sure_of(&wrong), [0, 1, 2, 3, 4]);
        let mut jumped = straight;
        jumped.extend((2..7).map(|idx| (idx, true, 1)));
        assert!(sure_of(&jumped).is_empty());
    }

    /// Two notes in turn: after a note left out or a jump any of them is as good, until one that
    /// stands nowhere else has come.
    #[test]
    fn a_place_that_stands_elsewhere_too_is_not_sure() {
        let mut pitches: Vec<i32> = [69, 72].repeat(12);
        pitches.extend([60, 62, 64, 65, 67]);
        let straight: Vec<_> = (0..10).map(|idx| (idx, true, 0)).collect();
        assert_eq!(sure_among(&straight, &pitches), [0, 1, 2, 3, 4, 5, 6, 7]);
        let mut without = straight.clone();
        without.drain(2..4);
        assert!(sure_among(&without, &pitches).is_empty());
        let mut jumped = straight;
        jumped.extend((8..26).map(|idx| (idx, true, 1)));
        let places: Vec<usize> = (8..24).collect();
        assert_eq!(sure_among(&jumped, &pitches), places);
        jumped.pop();
        jumped.pop();
        assert!(sure_among(&jumped, &pitches).is_empty());
    }

    /// A slow player, five semitones below the line: the first notes are told before anything says
    /// that they are the line's, and told again when it does.
    #[test]
    fn what_was_told_too_early_is_told_again() {
        let line = eighths("CEDFEGFA|GBAcBdce|");
        let mut settler = Settler::new(TakeOptions::default());
        let mut events = Vec::new();
        for index in 0..line.notes.len() {
            let onset_s = 1.0 + 2.5 * index as f64;
            settler.push(&[sounding(onset_s, line.notes[index].sounding_midi - 5)]);
            settler.tell(&line, &Sound::default(), onset_s + 2.4, 0.0, &mut events);
        }
        let first = events.len();
        settler.tell(&line, &Sound::default(), 60.0, f64::INFINITY, &mut events);
        let right = |events: &[Event], wanted: usize| {
            events.iter().any(|event| {
                matches!(event, Event::Heard { index, outcome: HeardOutcome::Right, .. }
                    if *index == Some(wanted))
            })
        };
        for index in 0..line.notes.len() {
            assert!(right(&events, index), "note {index}: {events:?}");
        }
        assert!(right(&events[..first], 0), "while it is played: {events:?}");
    }

    /// More notes without a breath than are aligned at once: the phrase is aligned from the
    /// note of the line that its oldest kept note is.
    #[test]
    fn a_phrase_that_lost_its_beginning_begins_elsewhere() {
        let bars = "CEDFEGFA|GBAcBdce|dcBAGFED|".repeat(8);
        let line = eighths(&format!("{bars}C8|"));

        let onset_s = |index: usize| 1.0 + 0.2 * index as f64;
        let mut settler = Settler::new(TakeOptions::default());
        let mut begun_at = Vec::new();
        for index in 0..line.notes.len() - 1 {
            settler.push(&[heard(&line, index, onset_s(index))]);
            settler.tell(
                &line,
                &Sound::default(),
                onset_s(index) + 0.3,
                0.0,
                &mut Vec::new(),
            );
            if let Some(begins_at) = settler.phrase_begins_at {
                let oldest = &settler.notes[settler.phrase_from];
                assert_eq!(oldest.onset_s, onset_s(begins_at), "note {begins_at}");
                begun_at.push(begins_at);
            }
        }
        begun_at.dedup();
        assert!(begun_at.len() > 2, "trimmed twice and more: {begun_at:?}");
    }
}
