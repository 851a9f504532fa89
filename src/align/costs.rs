//! What every reading of a heard note costs: natural log-likelihoods, the same for the search
//! and for the confidence that follows it.

use super::expected::{Expected, NONE};
use super::model;
use super::sound::Sound;
use super::tempo::Tempo;

/// A take laid against a line. Without `tempo`, pitch and order alone decide.
pub struct Costs<'a> {
    pub expected: &'a Expected,
    pub sounds: &'a [Sound],
    pub tempo: Option<&'a Tempo>,
}

impl Costs<'_> {
    /// Heard note `j` is line note `i`.
    pub fn matched(&self, j: usize, i: usize) -> f32 {
        let (sound, note) = (&self.sounds[j], &self.expected.notes[i]);
        let matched = sound.matched[note.pitch];
        let matched = if self.stays_in_register(j, i) {
            matched.max(sound.in_register)
        } else {
            matched
        };
        matched + self.length(j, i)
    }

    /// Heard note `j` as line note `i` is in another register, and so are the notes before it.
    fn stays_in_register(&self, j: usize, i: usize) -> bool {
        let by = |back: usize| self.sounds[j - back].register[self.expected.notes[i - back].pitch];
        let n_before = model::SAME_REGISTER_AFTER;
        by(0) != 0 && j >= n_before && i >= n_before && (1..=n_before).all(|n| by(n) == by(0))
    }

    /// How well the length of heard note `j` suits line note `i`.
    pub fn length(&self, j: usize, i: usize) -> f32 {
        let (sound, note) = (&self.sounds[j], &self.expected.notes[i]);
        let Some(tempo) = self.tempo.filter(|_| !note.grace) else {
            return 0.0;
        };
        let usual = note.log_quarters + tempo.log_seconds_per_quarter[j] + tempo.log_sounding_share;
        let short = sound.log_duration - usual - model::SHORTEST_SHARE_LOG;
        if short < 0.0 {
            model::deviation_cost(short, model::LENGTH_SD)
        } else {
            0.0
        }
    }

    /// Heard note `j` is an extra sound after line note `i`: after a matched note, after another extra.
    pub fn extra(&self, j: usize, i: usize) -> (f32, f32) {
        let sound = &self.sounds[j];
        if !self.expected.has_ornaments {
            return (sound.extra, sound.extra_again);
        }
        if self.expected.in_ornament(i, sound.midi) || self.expected.in_ornament(i + 1, sound.midi)
        {
            (
                sound.extra.max(sound.ornamental),
                sound.extra_again.max(sound.ornamental),
            )
        } else {
            (sound.extra, sound.extra_again)
        }
    }

    /// Time between heard note `last` as line note `from` and heard note `j` as line note `to`, at
    /// most [`model::MISSED_IN_A_ROW`] notes further on.
    pub fn time(&self, last: u32, from: usize, j: usize, to: usize) -> f32 {
        let Some(tempo) = self.tempo else { return 0.0 };
        if last == NONE {
            return 0.0;
        }
        let log_tempo = tempo.log_seconds_per_quarter[j];
        let log_elapsed = self.log_elapsed(last as usize, j);
        let first = &self.expected.notes[from];
        let Some(log_quarters) = first.log_to_later.get(to - from - 1) else {
            return 0.0;
        };
        if first.grace || self.expected.notes[to].grace {
            // Graces take their time from a neighbour, from which one nobody can say.
            let quarters = self.expected.notes[to].onset_quarters - first.onset_quarters;
            let longest_s = 1.5 * quarters * (log_tempo as f64).exp() + model::GRACE_S;
            return if log_elapsed > log_of(longest_s) {
                model::GRACE_LATE
            } else {
                0.0
            };
        }
        let in_quarters = log_elapsed - log_tempo;
        let kept = model::step_cost(in_quarters - log_quarters, self.sounds[j].pause_gain);
        if to == from + 1 {
            return kept;
        }
        let collapsed =
            model::deviation_cost(in_quarters - first.log_to_later[0], model::RHYTHM_SD);
        // What runs into the note before it leaves its time there.
        let apart = self.expected.merged_between(from, to);
        kept.max(model::ON_TIME + model::TIME_COLLAPSED + collapsed + apart)
    }

    /// A jump from heard note `last` as line note `from` to heard note `j`: after a silence, or
    /// when the note's own time was over.
    pub fn jump(&self, last: u32, from: usize, j: usize) -> f32 {
        let sound = &self.sounds[j];
        let note = &self.expected.notes[from];
        let in_tempo = match self.tempo {
            Some(tempo) if last != NONE && !note.grace => {
                let in_quarters =
                    self.log_elapsed(last as usize, j) - tempo.log_seconds_per_quarter[j];
                let off = in_quarters - note.log_quarters;
                model::JUMP_IN_TEMPO + model::ON_TIME + model::deviation_cost(off, model::RHYTHM_SD)
            }
            _ => 0.0,
        };
        sound.untongued + sound.pause_gain.max(in_tempo)
    }

    /// True when the time of the notes left out between `from` and `to` passed as well: the
    /// playing went on without them. `None` where no tempo is known.
    pub fn time_kept(&self, last: usize, from: usize, j: usize, to: usize) -> Option<bool> {
        let tempo = self.tempo?;
        let quarters = |to: usize| {
            let notes = &self.expected.notes;
            log_of(notes[to].onset_quarters - notes[from].onset_quarters)
        };
        let in_quarters = self.log_elapsed(last, j) - tempo.log_seconds_per_quarter[j];
        let (kept, collapsed) = (in_quarters - quarters(to), in_quarters - quarters(from + 1));
        Some(kept.abs() < model::KEPT_SDS * model::RHYTHM_SD && kept.abs() < collapsed.abs())
    }

    /// Natural log of the seconds between the onsets of two heard notes.
    fn log_elapsed(&self, last: usize, j: usize) -> f32 {
        match self.sounds[j].log_since.get(j - 1 - last) {
            Some(&log) => log,
            None => log_of(self.sounds[j].onset_s - self.sounds[last].onset_s),
        }
    }
}

/// Natural log of seconds or quarters; a millisecond (or its like) is the least.
pub fn log_of(length: f64) -> f32 {
    length.max(1e-3).ln() as f32
}
