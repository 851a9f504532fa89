//! From the path to who is who: outcomes, attempts, extra sounds, restarts and skips.

use super::costs::Costs;
use super::expected::Expected;
use super::jump_place;
use super::model;
use super::path::{Move, Path, Step};
use super::pitch::{self, Tuning};
use super::posterior::{self, Belief, Stretch};
use super::sound::Sound;
use super::{Alignment, Attempt, Extra, NoteMatch, Outcome, Restart, Skip};
use crate::line::Line;

/// Probability that a note was not right which an accusation needs; below it the note is unsure. A false accusation costs the
/// player's trust, a fault called unsure only a second look.
const ACCUSE: f64 = 0.75;
/// Probability from which a note is right; below it, and not accused, it is unsure.
const RIGHT: f64 = 0.5;
/// Confidence of hearing from which a sound that fits no note is one too many; below, a ripple.
const ADDED_CONFIDENCE: f64 = 0.5;
/// Confidence that notes passed over by a jump were missed, and that a jump is one at all.
const JUMP_CONFIDENCE: f64 = 0.95;
/// Notes passed over from which on it is a skip where their time is not kept, and where no tempo
/// says whether it is. A single note, or notes that others waited for, are just missed.
const SKIP_NOTES: usize = 2;
const SKIP_NOTES_UNTIMED: usize = 3;
/// Probability that notes are missing that others waited for while something sounded: nobody can
/// say what became of them.
const COVERED: f64 = 0.5;
/// Sounds in a row that belong to no note: talk or noodling, not added notes.
const TALK_NOTES: usize = 4;
/// A sound an octave, twelfth or other register from its neighbour is the attack or release of
/// that note in the wrong register, not a note of its own, up to this length, seconds.
const REGISTER_BLIP_S: f64 = 0.07;
const TOUCHING_S: f64 = 0.03;
/// Confidence from which a sound in another register, or one reached through a blip, is a note
/// as soon as any other.
const REGISTER_CONFIDENCE: f64 = 0.98;
/// Confidence from which a sound within the time of a note of its pitch is one too many.
const SPLIT_CONFIDENCE: f64 = 0.95;
/// From this many times the written interval on there was time for a note played once more.
const OWN_TIME: f64 = 1.4;
/// Share of the second of two equal notes that the first must last into for them to be one held sound.
const HELD_INTO: f64 = 0.5;

/// Everything outcome decisions look at.
pub struct Scene<'a> {
    pub line: &'a Line,
    pub costs: &'a Costs<'a>,
    pub path: &'a Path,
    pub tuning: Tuning,
}

pub fn decide(scene: &Scene) -> Alignment {
    let steps = &scene.path.steps;
    let beliefs = posterior::weigh(scene.costs, steps);
    let offset = scene.expected().first;
    let mut attempts: Vec<Vec<Attempt>> = vec![Vec::new(); scene.line.notes.len()];
    let mut alignment = Alignment::default();
    let (mut stretch, mut believed) = (0, 0);
    for (k, step) in steps.iter().enumerate() {
        if k > 0 {
            let before = steps[k - 1];
            let (from_idx, to_idx) = (offset + before.idx, offset + step.idx);
            believed += usize::from(step.by != Move::On);
            let left_out = (step.idx).saturating_sub(before.idx + 1);
            let is_skip = match step.by {
                Move::On | Move::Forward => scene.is_skip(before, *step, left_out),
                Move::PastRepeat => true,
                Move::Back | Move::Start => false,
            };
            stretch += usize::from(is_skip || step.by == Move::Back);
            let at_s = scene.broke_off_s(before, *step);
            if step.by == Move::Back {
                alignment.restarts.push(Restart {
                    at_s,
                    from_idx,
                    to_idx,
                });
            } else if is_skip {
                let repeat_left_out = step.by == Move::PastRepeat;
                alignment.skips.push(Skip {
                    at_s,
                    from_idx,
                    to_idx,
                    repeat_left_out,
                });
            }
            let over = match step.by {
                Move::Forward if !is_skip && left_out >= SKIP_NOTES => {
                    vec![COVERED; left_out]
                }
                Move::Forward => jump_place::passed_over(scene.costs, steps, k),
                _ => Vec::new(),
            };
            for idx in before.idx + 1..step.idx {
                let tries = &mut attempts[offset + idx];
                match step.by {
                    Move::On => tries.push(scene.passed(idx, before, &beliefs[believed], stretch)),
                    Move::Forward if tries.is_empty() || !is_skip => {
                        tries.push(passed_over(over[idx - before.idx - 1], stretch))
                    }
                    _ => {}
                }
            }
        }
        let belief = beliefs[believed].of(step.idx);
        attempts[offset + step.idx].push(scene.played(*step, belief, stretch));
    }
    scene.edges(&mut attempts);
    alignment.notes = attempts.into_iter().map(last_and_earlier).collect();
    scene.extras(&beliefs, &mut alignment);
    alignment.transposed_semitones = scene.tuning.shift_semitones;
    alignment
}

fn last_and_earlier(mut tries: Vec<Attempt>) -> NoteMatch {
    match tries.pop() {
        Some(last) => NoteMatch {
            last,
            earlier: tries,
        },
        None => NoteMatch {
            last: unheard(Outcome::NotReached, 0, 1.0),
            earlier: tries,
        },
    }
}

fn unheard(outcome: Outcome, stretch: usize, confidence: f64) -> Attempt {
    Attempt {
        outcome,
        heard_idx: None,
        stretch,
        heard_midi: None,
        register_slip: false,
        confidence,
    }
}

fn missed(stretch: usize) -> Attempt {
    unheard(Outcome::Missed, stretch, JUMP_CONFIDENCE)
}

/// A note that a jump passed over with this probability.
fn passed_over(probability: f64, stretch: usize) -> Attempt {
    let outcome = if probability < ACCUSE {
        Outcome::Unsure
    } else {
        Outcome::Missed
    };
    unheard(outcome, stretch, probability.min(JUMP_CONFIDENCE))
}

impl Scene<'_> {
    fn expected(&self) -> &Expected {
        self.costs.expected
    }

    fn sound(&self, j: usize) -> &Sound {
        &self.costs.sounds[j]
    }

    /// Whether the `left_out` notes between two steps without a jump were skipped.
    fn is_skip(&self, before: Step, step: Step, left_out: usize) -> bool {
        let kept = self
            .costs
            .time_kept(before.heard_idx, before.idx, step.heard_idx, step.idx);
        match kept {
            Some(kept) => left_out >= SKIP_NOTES && (!kept || self.is_silent(before, step)),
            None => left_out >= SKIP_NOTES_UNTIMED,
        }
    }

    /// Whether most of the time between two steps is silence.
    fn is_silent(&self, before: Step, step: Step) -> bool {
        let (first, next) = (self.sound(before.heard_idx), self.sound(step.heard_idx));
        let sounding_s: f64 = (before.heard_idx..step.heard_idx)
            .map(|j| self.sound(j).offset_s - self.sound(j).onset_s)
            .sum();
        sounding_s < 0.5 * (next.onset_s - first.onset_s)
    }

    /// A line note for which the path has a heard note.
    fn played(&self, step: Step, belief: Belief, stretch: usize) -> Attempt {
        let note = &self.expected().notes[step.idx];
        let sound = self.sound(step.heard_idx);
        let fit = pitch::fit(&sound.offers, sound.pitch_se_semitones, note.midi);
        let on_pitch = fit.right >= fit.wrong;
        let (outcome, confidence) = if !on_pitch && 1.0 - belief.right >= ACCUSE {
            (Outcome::Wrong, belief.wrong)
        } else if on_pitch && belief.right >= RIGHT {
            (Outcome::Right, belief.right)
        } else {
            (Outcome::Unsure, 1.0 - belief.right.max(belief.wrong))
        };
        let wrong = outcome == Outcome::Wrong || !on_pitch;
        let played = if wrong { fit.wrong_midi } else { note.midi };
        Attempt {
            outcome,
            heard_idx: Some(step.heard_idx),
            stretch,
            heard_midi: Some(played + self.tuning.shift_semitones),
            register_slip: outcome == Outcome::Wrong
                && pitch::is_register_slip(note.midi, played, self.clarion_from_midi()),
            confidence,
        }
    }

    /// A line note that the path passes over, after the step `before`.
    fn passed(&self, idx: usize, before: Step, beliefs: &Stretch, stretch: usize) -> Attempt {
        let p_missed = self.missed_among_equals(idx, beliefs);
        if p_missed + beliefs.of(idx).wrong < ACCUSE || self.held_over(idx, before) {
            unheard(Outcome::Unsure, stretch, 1.0 - p_missed)
        } else {
            unheard(Outcome::Missed, stretch, p_missed)
        }
    }

    /// Probability that a note is missing at `idx` or at one of the equal notes beside it: which
    /// of them was left out nobody can hear.
    fn missed_among_equals(&self, idx: usize, beliefs: &Stretch) -> f64 {
        let notes = &self.expected().notes;
        let equal = |k: &usize| notes[*k].midi == notes[idx].midi;
        let before = (beliefs.first_idx..idx).rev().take_while(equal);
        let after = (idx + 1..beliefs.first_idx + beliefs.notes.len()).take_while(equal);
        let total: f64 = before.chain(after).map(|k| beliefs.of(k).missed()).sum();
        (beliefs.of(idx).missed() + total).min(1.0)
    }

    /// True when the note left out equals the one before it and that one sounds on through its
    /// time: two notes run together, or one left out and the other held, who can tell.
    fn held_over(&self, idx: usize, before: Step) -> bool {
        let notes = &self.expected().notes;
        let (Some(tempo), true) = (self.costs.tempo, notes[before.idx].midi == notes[idx].midi)
        else {
            return false;
        };
        let sound = self.sound(before.heard_idx);
        let quarters = notes[idx].onset_quarters - notes[before.idx].onset_quarters
            + HELD_INTO * (notes[idx].log_quarters as f64).exp();
        let seconds = quarters * (tempo.log_seconds_per_quarter[before.heard_idx] as f64).exp();
        sound.offset_s >= sound.onset_s + seconds
    }

    /// Sounding pitch of a clarinet's written B4, where its second register begins.
    fn clarion_from_midi(&self) -> Option<i32> {
        let name = &self.line.instrument;
        let clarinet = name.contains("clarinet") || name.contains("basset");
        clarinet.then_some(71 + self.line.transpose_semitones)
    }

    /// End of the last certain sound before the jump to `to`, seconds.
    fn broke_off_s(&self, from: Step, to: Step) -> f64 {
        (from.heard_idx..to.heard_idx)
            .filter(|&j| j == from.heard_idx || self.sound(j).confidence >= ADDED_CONFIDENCE)
            .map(|j| self.sound(j).offset_s)
            .fold(f64::NEG_INFINITY, f64::max)
            .min(self.sound(to.heard_idx).onset_s)
    }

    /// A few notes short at either end of the line are missed; more of them were not reached.
    fn edges(&self, attempts: &mut [Vec<Attempt>]) {
        let range = self.expected().first..self.expected().first + self.expected().len();
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
            let last_step = self.path.steps.last();
            for (idx, tries) in attempts
                .iter_mut()
                .enumerate()
                .take(range.end)
                .skip(last + 1)
            {
                let here = idx - range.start;
                let held =
                    last_step.is_some_and(|step| step.idx < here && self.held_over(here, *step));
                let outcome = if held {
                    Outcome::Unsure
                } else {
                    Outcome::Missed
                };
                tries.push(unheard(
                    outcome,
                    stretch,
                    if held { 0.5 } else { JUMP_CONFIDENCE },
                ));
            }
        }
    }

    /// Sorts the sounds that are no line note between the first and last step.
    fn extras(&self, beliefs: &[Stretch], alignment: &mut Alignment) {
        let mut believed = 0;
        for pair in self.path.steps.windows(2) {
            let (before, after) = (pair[0], pair[1]);
            let on = after.by == Move::On;
            let offset = self.expected().first;
            let between = before.heard_idx + 1..after.heard_idx;
            let talk = between
                .clone()
                .filter(|&j| self.is_note(j, before, after))
                .count()
                >= TALK_NOTES;
            let mut pieces_until = 0;
            for j in between {
                if j <= pieces_until {
                    continue;
                }
                // Between two stretches only hearing says whether it is a note.
                let p_extra = if on {
                    self.extra_among_equals(j, before, after, &beliefs[believed])
                } else {
                    1.0
                };
                let confidence = self.note_confidence(j, before, after) * p_extra;
                let extra = Extra {
                    heard_idx: j,
                    after_idx: Some(offset + before.idx),
                    confidence,
                };
                if let Some(idx) = self.ornament_of(j, before, after) {
                    alignment.ornamental.push((j, offset + idx));
                } else if self.continues(j, before, after) {
                    alignment.continued.push((j, offset + before.idx));
                } else if !self.is_long_enough(j, before, after) {
                    alignment.transitions.push(extra);
                } else if self.is_note(j, before, after) && p_extra >= ACCUSE && !talk {
                    alignment.added.push(extra);
                    pieces_until = self.pieces_until(j, after);
                }
            }
            believed += usize::from(!on);
        }
    }

    /// Probability that `j` or a matched sound of its pitch beside it is no line note: which of
    /// two equal sounds was one too many nobody can hear.
    fn extra_among_equals(&self, j: usize, before: Step, after: Step, beliefs: &Stretch) -> f64 {
        let equal = |k: usize| self.pitch_distance(j, k) < 0.5;
        let beside = [before, after].into_iter().map(|step| step.heard_idx);
        let total: f64 = beside
            .filter(|&k| k.abs_diff(j) == 1 && equal(k))
            .map(|k| beliefs.extra_at(k))
            .sum();
        (beliefs.extra_at(j) + total).min(1.0)
    }

    /// Semitones between two sounds.
    fn pitch_distance(&self, j: usize, k: usize) -> f64 {
        (self.sound(j).offers[0].semitones - self.sound(k).offers[0].semitones).abs()
    }

    /// Probability that extra sound `j` is a note, from hearing and from how far it lies from the
    /// notes around it.
    fn note_confidence(&self, j: usize, before: Step, after: Step) -> f64 {
        let distance = |other: Step| (self.sound(j).midi - self.sound(other.heard_idx).midi).abs();
        let nearest = distance(before).min(distance(after));
        let confidence = self.sound(j).confidence;
        let note = confidence * model::added_against_noise(nearest);
        note / (note + 1.0 - confidence)
    }

    /// A sound long and certain enough to be a note of its own.
    fn is_note(&self, j: usize, before: Step, after: Step) -> bool {
        self.note_confidence(j, before, after) >= ADDED_CONFIDENCE
            && self.is_long_enough(j, before, after)
    }

    /// True from [`model::NOTE_S`] on; a register of the note it touches has to be longer.
    fn is_long_enough(&self, j: usize, before: Step, after: Step) -> bool {
        let sound = self.sound(j);
        let (first, next) = (self.sound(before.heard_idx), self.sound(after.heard_idx));
        let clarion = self.clarion_from_midi();
        let is_register = |other: &Sound, gap_s: f64| {
            gap_s < TOUCHING_S && pitch::is_register_slip(other.midi, sound.midi, clarion)
        };
        let blip = is_register(first, sound.onset_s - first.offset_s)
            || is_register(next, next.onset_s - sound.offset_s);
        let least_s = if blip && sound.confidence < REGISTER_CONFIDENCE {
            REGISTER_BLIP_S
        } else {
            model::NOTE_S
        };
        self.sound(self.pieces_until(j, after)).offset_s - self.begins_s(j, before) >= least_s
    }

    /// Last of the touching sounds of one pitch from `j` on, before `after`.
    fn pieces_until(&self, j: usize, after: Step) -> usize {
        let touches = |k: &usize| {
            self.sound(*k).onset_s - self.sound(*k - 1).offset_s < TOUCHING_S
                && self.pitch_distance(j, *k) < 0.5
        };
        j + (j + 1..after.heard_idx).take_while(touches).count()
    }

    /// Where a certain sound begins: a blip that it was reached through is its own.
    fn begins_s(&self, j: usize, before: Step) -> f64 {
        let sound = self.sound(j);
        let through = j.checked_sub(1).filter(|&k| k > before.heard_idx);
        let blip = through.map(|k| self.sound(k)).filter(|blip| {
            sound.confidence >= REGISTER_CONFIDENCE
                && blip.confidence < ADDED_CONFIDENCE
                && sound.onset_s - blip.offset_s < 0.5 * TOUCHING_S
                && sound.onset_s - blip.onset_s <= model::TRANSITION_S
        });
        blip.map_or(sound.onset_s, |blip| blip.onset_s)
    }

    fn ornament_of(&self, j: usize, before: Step, after: Step) -> Option<usize> {
        let midi = self.sound(j).midi;
        [before.idx, after.idx]
            .into_iter()
            .find(|&idx| self.expected().in_ornament(idx, midi))
    }

    /// A doubtful sound at the pitch of the one before it: the same note going on, above all
    /// where it takes no time of its own. A note played once more pushes the next one back.
    fn continues(&self, j: usize, before: Step, after: Step) -> bool {
        // Pieces of an added sound go on too, but not from the line note.
        let same_pitch = (before.heard_idx..j).all(|k| self.pitch_distance(j, k) < 0.5);
        let elapsed_s = self.sound(after.heard_idx).onset_s - self.sound(before.heard_idx).onset_s;
        let in_time = after.by == Move::On
            && self.costs.tempo.is_some_and(|tempo| {
                let notes = &self.expected().notes;
                let quarters = notes[after.idx].onset_quarters - notes[before.idx].onset_quarters;
                let seconds = quarters * (tempo.log_seconds_per_quarter[j] as f64).exp();
                elapsed_s < OWN_TIME * seconds
            });
        let needed = if in_time {
            SPLIT_CONFIDENCE
        } else {
            ADDED_CONFIDENCE
        };
        same_pitch && self.sound(j).confidence < needed
    }
}
