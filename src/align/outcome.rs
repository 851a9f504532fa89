//! From the path to who is who: outcomes, attempts, extra sounds, restarts and skips.

use super::costs::Costs;
use super::doubt::Doubt;
use super::expected::Expected;
use super::jump_place;
use super::model;
use super::path::{Move, Path, Step};
use super::pitch::{self, Tuning};
use super::posterior::{self, Belief, Stretch};
use super::sound::Sound;
use super::{Alignment, Attempt, Extra, NoteMatch, Outcome, Restart, Skip};
use crate::hear::{HeardNote, Hearing};
use crate::line::Line;

/// Probability that a note was not right which an accusation needs; below it the note is unsure. A false accusation costs the
/// player's trust, a fault called unsure only a second look.
const ACCUSE: f64 = 0.75;
/// … that it was left out: what is not heard may have been too short or soft to be.
const ACCUSE_MISSED: f64 = 0.85;
/// What of it must be for this very fault: the rest says that something else was wrong. Read off
/// 22,560 notes in made rooms, noise and click bleed: of 167 notes left out these keep 160 and of
/// 59 false ones 40, of 368 wrong notes 364, and of 35 false ones 22.
const MISSED_AT_LEAST: f64 = 0.7;
const REGISTER_AT_LEAST: f64 = 0.6;
const WRONG_AT_LEAST: f64 = 0.5;
/// Probability from which a note is right; below it, and not accused, it is unsure.
const RIGHT: f64 = 0.5;
/// Confidence of hearing from which a sound that fits no note is one too many; below, a ripple.
const ADDED_CONFIDENCE: f64 = 0.5;
/// How sure it must be to be called a note too many: of 222 on made takes 24 were none, 11 above
/// this, and of those that were played one lay below.
const ADDED_AT_LEAST: f64 = 0.7;
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
/// An echo's note ended no longer ago than the first of these, seconds, nor began longer ago than
/// the second, and it lies so far below the loudest of so many sounds either side: no note added
/// by a player in the made takes lay 7 dB below.
const ECHO_S: (f64, f64) = (1.0, 4.0);
const ECHO_BELOW_DB: f64 = 7.5;
const ECHO_NEIGHBOURS: usize = 4;
/// A passage passed over by a jump had its time when from so much to so much of its written length
/// went by, with this many sounds a note in it, doubtful ones too.
const WENT_BY: (f64, f64) = (0.7, 1.5);
const WENT_BY_SOUNDS: f64 = 0.5;
/// Share of the second of two equal notes that the first must last into for them to be one held sound.
const HELD_INTO: f64 = 0.5;

/// Everything outcome decisions look at.
pub struct Scene<'a> {
    pub line: &'a Line,
    pub hearing: &'a Hearing,
    pub costs: &'a Costs<'a>,
    pub path: &'a Path,
    pub tuning: Tuning,
    pub doubt: Doubt,
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
            let left_out = scene.left_out(before.idx, step.idx);
            let went_by = step.by == Move::Forward && scene.went_by(before, *step);
            let is_skip = match step.by {
                Move::On => scene.is_skip(before, *step, left_out),
                Move::Forward => {
                    scene.is_skip(before, *step, left_out) && !went_by && scene.jumps_settled()
                }
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
                    vec![COVERED; step.idx - before.idx - 1]
                }
                Move::Forward => jump_place::passed_over(scene.costs, steps, k),
                _ => Vec::new(),
            };
            for idx in before.idx + 1..step.idx {
                let tries = &mut attempts[offset + idx];
                match step.by {
                    Move::On => tries.push(scene.passed(idx, before, &beliefs[believed], stretch)),
                    Move::Forward if went_by => tries.push(unheard(Outcome::Unsure, stretch, 0.5)),
                    Move::Forward if tries.is_empty() || !is_skip => {
                        let p = scene.doubt.missed(over[idx - before.idx - 1]);
                        tries.push(passed_over(p, stretch))
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

    /// Notes between two of the line; graces are left out as ornaments are, which is no skip.
    fn left_out(&self, from: usize, to: usize) -> usize {
        let between = (from + 1..to).map(|idx| &self.expected().notes[idx]);
        between.filter(|note| !note.grace).count()
    }

    /// True where the take is clear enough to say what a jump passes over.
    fn jumps_settled(&self) -> bool {
        self.doubt.missed(JUMP_CONFIDENCE) >= ACCUSE_MISSED
    }

    /// A line note at either end that nothing was heard of.
    fn jumped(&self, stretch: usize) -> Attempt {
        let confidence = self.doubt.missed(JUMP_CONFIDENCE);
        if self.jumps_settled() {
            unheard(Outcome::Missed, stretch, confidence)
        } else {
            unheard(Outcome::Unsure, stretch, 1.0 - confidence)
        }
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
        let other_register = !on_pitch
            && pitch::is_register_slip(note.midi, fit.wrong_midi, self.clarion_from_midi());
        let (left, at_least) = if other_register {
            let left = self.doubt.other_register(belief.wrong);
            (left, REGISTER_AT_LEAST)
        } else {
            (self.doubt.wrong(belief.wrong), WRONG_AT_LEAST)
        };
        let not_right = 1.0 - belief.right;
        let accused = !on_pitch
            && left >= at_least
            && (!other_register || self.doubt.other_register(not_right) >= ACCUSE)
            && not_right >= ACCUSE;
        let (outcome, confidence) = if accused {
            (Outcome::Wrong, left)
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
            register_slip: outcome == Outcome::Wrong && other_register,
            confidence,
        }
    }

    /// A line note that the path passes over, after the step `before`.
    fn passed(&self, idx: usize, before: Step, beliefs: &Stretch, stretch: usize) -> Attempt {
        let p_missed = self.missed_among_equals(idx, beliefs);
        let not_right = (p_missed + beliefs.of(idx).wrong).min(1.0);
        let left = self.doubt.missed(p_missed);
        let accused = self.doubt.missed(not_right) >= ACCUSE_MISSED && left >= MISSED_AT_LEAST;
        if !accused || self.held_over(idx, before) {
            unheard(Outcome::Unsure, stretch, 1.0 - p_missed)
        } else {
            unheard(Outcome::Missed, stretch, left)
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

    /// True when the passage that a jump passes over had its time and something sounded in it: it
    /// was played, and the sound does not show how.
    fn went_by(&self, from: Step, to: Step) -> bool {
        let Some(tempo) = self.costs.tempo else {
            return false;
        };
        let notes = &self.expected().notes;
        let quarters = notes[to.idx].onset_quarters - notes[from.idx].onset_quarters;
        let seconds = quarters * (tempo.log_seconds_per_quarter[from.heard_idx] as f64).exp();
        let elapsed_s = self.sound(to.heard_idx).onset_s - self.sound(from.heard_idx).onset_s;
        let n_sounds = to.heard_idx - from.heard_idx - 1;
        let n_notes = to.idx - from.idx - 1;
        (WENT_BY.0 * seconds..WENT_BY.1 * seconds).contains(&elapsed_s)
            && n_sounds as f64 >= WENT_BY_SOUNDS * n_notes as f64
    }

    /// Sounding pitch of a clarinet's written B4, where its second register begins.
    fn clarion_from_midi(&self) -> Option<i32> {
        let name = &self.line.instrument;
        let clarinet = name.contains("clarinet") || name.contains("basset");
        clarinet.then_some(71 + self.line.transpose_semitones)
    }

    /// End of the last certain sound before the jump to `to`, seconds.
    fn broke_off_s(&self, from: Step, to: Step) -> f64 {
        let whole = from.heard_idx..=self.pieces_until(from.heard_idx, to);
        let certain = |j: &usize| self.sound(*j).confidence >= ADDED_CONFIDENCE;
        (from.heard_idx..to.heard_idx)
            .filter(|j| whole.contains(j) || certain(j))
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
            attempts[range.start..first].fill(vec![self.jumped(0)]);
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
                tries.push(if held {
                    unheard(Outcome::Unsure, stretch, 0.5)
                } else {
                    self.jumped(stretch)
                });
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
                } else if self.continues(j, before, after) || self.is_echo(j) {
                    alignment.continued.push((j, offset + before.idx));
                } else if !self.is_long_enough(j, before, after) {
                    alignment.transitions.push(extra);
                } else if confidence >= ADDED_AT_LEAST && p_extra >= ACCUSE && !talk {
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
        self.doubt.added(note / (note + (1.0 - confidence)))
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

    /// A room's answer: the pitch of a note that has just ended, well below the loudest about it.
    /// What goes on louder at its pitch is the soft beginning of a note.
    fn is_echo(&self, j: usize) -> bool {
        let notes = &self.hearing.notes;
        let sound = &notes[j];
        let same_pitch = |n: &HeardNote| (n.midi - sound.midi).abs() < 0.5;
        let swells = notes
            .get(j + 1)
            .is_some_and(|next| same_pitch(next) && next.onset_s < sound.offset_s + TOUCHING_S);
        let answers = notes[..j]
            .iter()
            .rev()
            .take_while(|n| sound.onset_s - n.onset_s < ECHO_S.1)
            .filter(|n| sound.onset_s - n.offset_s < ECHO_S.0 && n.confidence >= ADDED_CONFIDENCE)
            .any(|n| same_pitch(n) && n.level_dbfs > sound.level_dbfs);
        let about = j.saturating_sub(ECHO_NEIGHBOURS)..(j + ECHO_NEIGHBOURS + 1).min(notes.len());
        let levels_dbfs = notes[about].iter().map(|n| n.level_dbfs);
        let loudest_dbfs = levels_dbfs.fold(f64::MIN, f64::max);
        answers && !swells && sound.level_dbfs < loudest_dbfs - ECHO_BELOW_DB
    }

    /// A doubtful sound at the pitch of the one before it: the same note going on, above all
    /// where it takes no time of its own. A note played once more pushes the next one back.
    fn continues(&self, j: usize, before: Step, after: Step) -> bool {
        // Pieces of an added sound go on too, but not from the line note.
        let same_pitch = (before.heard_idx..j).all(|k| self.pitch_distance(j, k) < 0.5);
        // Without a new tongue there is no second note of one pitch: a click or a knock lay over it.
        let goes_on =
            !self.hearing.notes[j].tongued && self.pitch_distance(j, before.heard_idx) < 0.5;
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
        goes_on && in_time || same_pitch && self.sound(j).confidence < needed
    }
}
