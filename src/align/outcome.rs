//! From the path to who is who: outcomes, attempts, extra sounds, restarts and skips.

use super::expected::Expected;
use super::model;
use super::path::{Move, Path, Step};
use super::pitch::{self, Tuning};
use super::sound::{self, Sound};
use super::{Alignment, Attempt, Extra, NoteMatch, Outcome, Restart, Skip};
use crate::hear::Hearing;
use crate::line::Line;

/// A sound up to this long between two notes accuses no one (contract: from here on a note), seconds.
const NOTE_S: f64 = 0.040;
/// A heard note below this confidence is a ripple and is not told at all.
const ADDED_CONFIDENCE: f64 = 0.5;
/// Notes passed over from which on it is a skip and not single notes left out.
const SKIP_NOTES: usize = 3;
/// Sounds in a row that belong to no note: talk or noodling, not added notes.
const TALK_NOTES: usize = 4;

/// Everything outcome decisions look at.
pub struct Scene<'a> {
    pub line: &'a Line,
    pub hearing: &'a Hearing,
    pub expected: &'a Expected,
    pub sounds: &'a [Sound],
    pub path: &'a Path,
    pub tuning: Tuning,
}

pub fn decide(scene: &Scene) -> Alignment {
    let mut attempts: Vec<Vec<Attempt>> = vec![Vec::new(); scene.line.notes.len()];
    let mut alignment = Alignment::default();
    let steps = &scene.path.steps;
    let mut stretch = 0;
    for (k, step) in steps.iter().enumerate() {
        if k > 0 {
            let before = steps[k - 1];
            let passed = step.idx.saturating_sub(before.idx + 1);
            let is_skip = match step.by {
                Move::On | Move::Forward => passed >= SKIP_NOTES,
                Move::PastRepeat => true,
                Move::Back | Move::Start => false,
            };
            let from_idx = scene.expected.first + before.idx;
            let to_idx = scene.expected.first + step.idx;
            if step.by == Move::Back {
                stretch += 1;
                alignment.restarts.push(Restart {
                    at_s: scene.broke_off_s(before, *step),
                    from_idx,
                    to_idx,
                });
            } else if is_skip {
                stretch += 1;
                alignment.skips.push(Skip {
                    at_s: scene.broke_off_s(before, *step),
                    from_idx,
                    to_idx,
                    repeat_left_out: step.by == Move::PastRepeat,
                });
            }
            if matches!(step.by, Move::On | Move::Forward) {
                for tries in &mut attempts[from_idx + 1..to_idx] {
                    if !is_skip || tries.is_empty() {
                        tries.push(missed(stretch));
                    }
                }
            }
        }
        attempts[scene.expected.first + step.idx].push(scene.attempt(*step, stretch));
    }
    scene.edges(&mut attempts);
    alignment.notes = attempts
        .into_iter()
        .map(|mut tries| match tries.pop() {
            Some(last) => NoteMatch {
                last,
                earlier: tries,
            },
            None => NoteMatch {
                last: not_reached(),
                earlier: Vec::new(),
            },
        })
        .collect();
    scene.extras(&mut alignment);
    alignment.transposed_semitones = scene.tuning.shift_semitones;
    alignment
}

fn missed(stretch: usize) -> Attempt {
    Attempt {
        outcome: Outcome::Missed,
        stretch,
        ..not_reached()
    }
}

fn not_reached() -> Attempt {
    Attempt {
        outcome: Outcome::NotReached,
        heard_idx: None,
        stretch: 0,
        heard_midi: None,
        register_slip: false,
        confidence: 1.0,
    }
}

impl Scene<'_> {
    fn attempt(&self, step: Step, stretch: usize) -> Attempt {
        let note = &self.expected.notes[step.idx];
        let heard = &self.hearing.notes[step.heard_idx];
        let sound = &self.sounds[step.heard_idx];
        let fit = pitch::fit(
            &sound.offers,
            sound::pitch_se_semitones(heard.cents_se),
            note.midi,
        );
        let right = fit.right >= fit.wrong;
        let odds = (fit.right - fit.wrong).abs() as f64;
        let played = if right { note.midi } else { fit.wrong_midi };
        Attempt {
            outcome: if right {
                Outcome::Right
            } else {
                Outcome::Wrong
            },
            heard_idx: Some(step.heard_idx),
            stretch,
            heard_midi: Some(played + self.tuning.shift_semitones),
            register_slip: !right
                && pitch::is_register_slip(note.midi, played, self.clarion_from_midi()),
            confidence: 1.0 / (1.0 + (-odds).exp()),
        }
    }

    /// Sounding pitch of a clarinet's written B4, where its second register begins.
    fn clarion_from_midi(&self) -> Option<i32> {
        let name = &self.line.instrument;
        (name.contains("clarinet") || name.contains("basset"))
            .then_some(71 + self.line.transpose_semitones)
    }

    /// End of the last certain sound before the jump to `to`, seconds.
    fn broke_off_s(&self, from: Step, to: Step) -> f64 {
        (from.heard_idx..to.heard_idx)
            .filter(|&j| j == from.heard_idx || self.sounds[j].confidence >= ADDED_CONFIDENCE)
            .map(|j| self.sounds[j].offset_s)
            .fold(f64::NEG_INFINITY, f64::max)
            .min(self.sounds[to.heard_idx].onset_s)
    }

    /// A few notes short at either end of the line are missed; more of them were not reached.
    fn edges(&self, attempts: &mut [Vec<Attempt>]) {
        let range = self.expected.first..self.expected.first + self.expected.len();
        let played = |idx: &usize| !attempts[*idx].is_empty();
        let (Some(first), Some(last)) =
            (range.clone().find(played), range.clone().rev().find(played))
        else {
            return;
        };
        if first - range.start <= model::EDGE_NOTES_MISSED {
            attempts[range.start..first].fill(vec![missed(0)]);
        }
        if range.end - 1 - last <= model::EDGE_NOTES_MISSED {
            let stretch = attempts[last].last().map_or(0, |a| a.stretch);
            attempts[last + 1..range.end].fill(vec![missed(stretch)]);
        }
    }

    /// Sorts the sounds that are no line note between the first and last step.
    fn extras(&self, alignment: &mut Alignment) {
        for pair in self.path.steps.windows(2) {
            let (before, after) = (pair[0], pair[1]);
            let between = before.heard_idx + 1..after.heard_idx;
            let talk = between.clone().filter(|&j| self.is_note(j)).count() >= TALK_NOTES;
            for j in between {
                let after_idx = Some(self.expected.first + before.idx);
                let extra = Extra {
                    heard_idx: j,
                    after_idx,
                    confidence: self.sounds[j].confidence,
                };
                if let Some(idx) = self.ornament_of(j, before, after) {
                    alignment.ornamental.push((j, self.expected.first + idx));
                } else if self.continues(j) {
                    alignment
                        .continued
                        .push((j, self.expected.first + before.idx));
                } else if self.hearing.notes[j].duration_s() < NOTE_S {
                    alignment.transitions.push(extra);
                } else if self.is_note(j) && !talk {
                    alignment.added.push(extra);
                }
            }
        }
    }

    /// A sound long and certain enough to be a note of its own.
    fn is_note(&self, j: usize) -> bool {
        self.sounds[j].confidence >= ADDED_CONFIDENCE
            && self.hearing.notes[j].duration_s() >= NOTE_S
    }

    fn ornament_of(&self, j: usize, before: Step, after: Step) -> Option<usize> {
        let midi = self.sounds[j].midi;
        [before.idx, after.idx]
            .into_iter()
            .find(|&idx| self.expected.in_ornament(idx, midi))
    }

    /// A doubtful sound at the pitch of the one before it, without a new tongue: the same note going on.
    fn continues(&self, j: usize) -> bool {
        let same_pitch = j > 0
            && (self.sounds[j].offers[0].semitones - self.sounds[j - 1].offers[0].semitones).abs()
                < 0.5;
        same_pitch && self.sounds[j].confidence < ADDED_CONFIDENCE
    }
}
